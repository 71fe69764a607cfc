"""What is said of a frame in words: what is wrong or good, what sets it apart in its burst, and when nothing is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.people.moments import Look
from pipeline.people.quality import POINTS, Quality, quality_of
from pipeline.people.ranking import rank
from pipeline.types import Burst
from tests.people.test_ranking import GOOD, NOBODY, places, ranked


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (GOOD, "sharp, with face and ball"), (replace(GOOD, ball=0.0), "sharp, with face"),
        (replace(GOOD, sharp=0.06), "a little soft, with face and ball"), (replace(GOOD, sharp=0.02), "blurred"),
        (replace(GOOD, face=0.0), "sharp, but face hidden or turned away"),
        (replace(GOOD, eyes=0.1), "sharp, but eyes hidden"),
        (replace(GOOD, face=0.0, whole=0.2, headless=True), "head cut off"),
        (replace(GOOD, whole=0.6), "sharp, but cut by the frame"),
        (replace(GOOD, size=0.25), "sharp, but small in the frame"),
        (replace(GOOD, face=0.0, size=0.15), "sharp, but small in the frame"),
        (replace(GOOD, sharp=0.06, whole=0.6), "a little soft, cut by the frame"),
        (NOBODY, "nobody in it"), (replace(NOBODY, anybody=True), "no clear subject"),
    ],
)  # fmt: skip
def test_what_a_person_is_told(frame: Quality, why: str) -> None:
    assert ranked(frame)[0].why == why
    assert len(why.split()) <= 8


def test_a_subject_that_is_put_between_two_frames_is_not_called_soft() -> None:
    hidden = replace(GOOD, sharp=0.05, face=0.0, ball=0.0, faceless=False, guessed=True)
    found = ranked(GOOD, hidden, GOOD)
    assert found[1].why == "player hidden or hardly seen" and found[1].place == 3
    assert found[0].score == 100 - POINTS.peak  # and it says nothing of the frames beside it


def test_without_a_model_nobody_is_said_to_be_missing() -> None:
    blind = quality_of(None, 0.1, 0.2, 0.0, True)
    assert ranked(blind, rest=blind)[0].why == "sharp (nobody was looked for)"
    assert ranked(blind, rest=blind)[0].score == 100


def test_words_tell_frames_of_a_burst_apart_only_where_more_than_noise_does() -> None:
    """3 % of sharpness is noise (tests/test_sharpness.py)."""
    same = [one.why for one in ranked(GOOD, replace(GOOD, sharp=0.098), GOOD)]
    assert same == ["sharp, with face and ball"] * 3
    best, least = ranked(GOOD, replace(GOOD, sharp=0.08))
    assert best.why == "sharp, with face and ball, the sharpest of its burst"
    assert least.why == "sharp, with face and ball; its burst has a sharper one"
    dimmer, dark = (ranked(GOOD, replace(GOOD, level=level))[1] for level in (0.115, 0.09))
    assert dimmer.why == "sharp, with face and ball; its burst has a better exposed one"
    assert dark.why == "sharp, but a little dark"
    half = ranked(GOOD, replace(GOOD, sharp=0.07))[1]  # sharp for the shoot, and a person sees both
    assert half.why == "a little soft, with face and ball; its burst has a sharper one"


def test_words_and_place_agree_on_which_frame_is_sharper() -> None:
    """More contrast on softer edges: neither is called the sharper one; and who is placed first is not called soft."""
    stripes, plain = replace(GOOD, sharp=0.1, edges=0.2), replace(GOOD, sharp=0.08, edges=0.5)
    assert all("sharpe" not in one.why for one in ranked(stripes, plain))
    turned = replace(GOOD, sharp=0.2, face=0.0)
    found = ranked(replace(GOOD, sharp=0.12), turned)
    assert [one.place for one in found] == [1, 2] and found[0].why == "sharp, with face and ball"


def test_who_is_not_seen_for_blur_is_blurred_and_not_hidden() -> None:
    here, there = (Look(row, None, 0.0, True) for row in np.eye(2, 600, dtype=np.float16))
    seen = replace(GOOD, scene=(0.1, None), look=here)
    gone = replace(seen, guessed=True, sharp=0.05, face=0.0, faceless=False)
    blurred, soft = (replace(gone, scene=(left, None)) for left in (0.03, 0.06))
    why = [ranked(seen, one, seen)[1].why for one in (gone, blurred, soft, replace(blurred, look=there))]
    assert why[0] == why[3] == "player hidden or hardly seen"  # what another view shows may be softer by itself
    assert why[1].startswith("blurred") and why[2].startswith("a little soft")


def test_eyes_that_blur_hides_are_not_called_hidden() -> None:
    open_ = replace(GOOD, contrast=0.45)
    assert "eyes" not in ranked(open_, replace(open_, contrast=0.1, sharp=0.06), open_)[1].why


def test_a_face_that_a_side_cuts_costs_as_much_as_a_head() -> None:
    half = replace(GOOD, cheek=1.0, whole=0.2)
    assert ranked(half)[0].why == "sharp, but face cut by the frame" and ranked(half)[0].rating <= 4
    assert ranked(half)[0].score == ranked(replace(GOOD, headless=True, whole=0.2))[0].score < 65


def test_of_one_moment_the_best_says_so_and_the_others_too_whatever_else_is_wrong() -> None:
    look = Look(np.eye(1, 600, dtype=np.float16)[0], None, 0.0, True)
    frames = {f"F{i}": replace(GOOD, size=0.29, sharp=0.1 - 0.0001 * i, look=look) for i in range(4)}
    frames["F3"] = replace(frames["F3"], whole=0.6)
    ranks = rank([Burst((name,)) for name in frames], frames)
    assert [one.why for one in ranks.values()] == [
        "sharp, but small in the frame, the best of four much alike",
        "much like a better one", "much like a better one",
        "sharp, but cut by the frame, and much like a better one",
    ]  # fmt: skip
    assert ranks["F0"].score - max(ranks[name].score for name in ("F1", "F2", "F3")) > 10


def test_a_large_smooth_face_is_as_sharp_as_its_edges() -> None:
    """Of little contrast, with edges as sharp as others of the shoot; and blurred, with a little more contrast."""
    rest = replace(GOOD, edges=0.4)
    assert "sharp" in ranked(replace(rest, sharp=0.04), rest=rest)[0].why.split(",")[0]
    assert ranked(replace(rest, sharp=0.05, edges=0.1), rest=rest)[0].why == "blurred"


@pytest.mark.parametrize("dark", [False, True])
def test_a_face_that_is_found_before_and_after_and_not_here_is_hidden(dark: bool) -> None:
    """Also where a closer look says nothing, for noise and dark skin; and not where it is hardly found in any frame."""
    surely = replace(GOOD, face=1.0, faceless=False, evidence=0.9)
    lost = replace(surely, face=0.0, faceless=not dark, evidence=0.2)
    assert places(surely, lost, surely)[1] == 3
    assert "face hidden" in ranked(surely, lost, surely)[1].why
    unsure = [replace(GOOD, face=0.0, faceless=False, evidence=v) for v in (0.5, 0.2, 0.6)]
    assert all("hidden" not in one.why for one in ranked(*unsure))
    assert all("hidden" not in one.why for one in ranked(*[replace(lost, faceless=False)] * 3))


def test_eyes_that_are_dark_before_and_after_and_not_here_are_hidden() -> None:
    open_, shut = replace(GOOD, contrast=0.45), replace(GOOD, contrast=0.1)
    assert ranked(open_, shut, open_)[1].why == "sharp, but eyes hidden" and places(open_, shut, open_)[1] == 3
    assert ranked(shut, shut, shut)[1].why == "sharp, with face and ball"


def test_the_hidden_subject_of_one_frame_says_nothing_of_a_face_in_the_next() -> None:
    surely = replace(GOOD, faceless=False, evidence=0.9)
    between, lost = replace(surely, guessed=True), replace(surely, face=0.0, evidence=0.2)
    assert all("face hidden" not in one.why for one in ranked(between, lost, between))


def test_of_the_first_of_a_burst_no_other_is_said_to_be_better() -> None:
    """A sharper frame whose face is hidden: the one that is chosen is not called less sharp."""
    found = ranked(replace(GOOD, sharp=0.09), replace(GOOD, face=0.0))
    assert [one.place for one in found] == [1, 2] and found[0].why == "sharp, with face and ball"
