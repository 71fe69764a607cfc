"""Notices by kind: one line a kind, none lost, the most serious first, in the words that the program really uses."""

from __future__ import annotations

import pytest

from pipeline.captions.privacy import why_withheld
from pipeline.engine import solve
from pipeline.engine.kept.lost_records import UNKNOWN
from pipeline.shoot.facts import Facts, Player
from pipeline.steps import crop, crop_solution, exposure, white_balance
from pipeline.textfile.notices import Weight, by_kind, lines_by_kind, weigh

FRAMES = [f"TH1_{number:04d}" for number in range(1, 6)]


@pytest.mark.parametrize(
    ("text", "weight"),
    [
        (why_withheld(Facts(), Player("home", "4", "Runa Vik", False, 4)), Weight.HARM),
        (why_withheld(Facts(), Player("home", "4", "Runa Vik", False, 4, wrong=True)), Weight.HARM),
        (why_withheld(Facts(minors=True), 4), Weight.HARM),
        ("roster.csv has no column publish: every player may be named", Weight.HARM),
        (UNKNOWN, Weight.HARM),
        ("OUT/.work/done/x: damaged, or not written by this program; not used, and made again", Weight.LOST),
        (crop.NO_MODEL, Weight.LOST),
        (crop.FEWER.format(named=2, whole=1, near=3), Weight.LOOK),
        (exposure._LOST, Weight.LOOK),
        (white_balance._UNSURE.format("daylight"), Weight.LOOK),
        (white_balance._CAST, Weight.LOOK),
        (white_balance._UNLIKE_REFERENCES, Weight.LOOK),
        (solve._CARD, Weight.LOOK),
        ("3 files that were delivered before have changed; send them again", Weight.LOOK),
        (crop_solution.NOBODY.format(why=crop_solution.NO_SUBJECT), Weight.KNOW),
        (crop_solution.WOULD_CUT.format(aspect="3:2"), Weight.KNOW),
        ("shorter than the 2048 pixels asked for: the frame, or its crop, holds no more", Weight.KNOW),
        ("quality 84 instead of 88, to keep the file below 1.5 MB", Weight.KNOW),
        ("Court Camera: 14 pixels no lens could have drawn are repaired", Weight.MENDED),
        ("Court Camera: 1 pixel stands out in most frames and is repaired", Weight.MENDED),
        ("Court Camera: faint stripes along the rows at ISO 6400 are taken out", Weight.MENDED),
        ("a withheld name was typed: it is taken out", Weight.HARM),
    ],
)
def test_how_serious_a_notice_is(text: str, weight: Weight) -> None:
    assert weigh(text) is weight


def test_one_line_a_kind_and_the_most_serious_first() -> None:
    notices = [
        "the lamps flicker",
        *(f"{name}: no Exif in this file" for name in FRAMES),
        "TH1_0002: not sure what is white; look at the colours",
        "TH1_0004: shows a player whose line in the roster says publish: no (line 4)",
        "TH1_0003: not sure what is white; look at the colours",
    ]
    assert lines_by_kind(notices, FRAMES) == [
        "TH1_0004: shows a player whose line in the roster says publish: no (line 4)",
        "TH1_0002 and 1 more: not sure what is white; look at the colours",
        "the lamps flicker",
        "TH1_0001 and 4 more: no Exif in this file",
    ]


def test_each_frame_is_named_that_must_be_looked_at_before_it_is_published() -> None:
    """Before a run there is no report in which to find the others."""
    notices = [f"{name}: beside a frame that is held; look at it before you publish" for name in FRAMES]
    assert lines_by_kind(notices, FRAMES) == [
        f"{', '.join(FRAMES)}: beside a frame that is held; look at it before you publish"
    ]


def test_what_differs_in_numbers_or_names_is_one_kind_and_says_so() -> None:
    [kind] = by_kind(
        ["TH1_0001: much like TH1_0002, 62.5 of 100", "TH1_0003: much like TH1_0004, \N{MINUS SIGN}1.5 of 100"], FRAMES
    )
    assert kind.frames == ["TH1_0001", "TH1_0003"] and kind.alike
    assert kind.line().startswith("TH1_0001 and 1 more: much like TH1_0002, 62.5 of 100 (as it says of the first")


def test_nothing_is_lost() -> None:
    """Every notice is in some line, and every frame that has one: also a name that is no frame's."""
    notices = ["web: not sent", "TH1_0001: a: b", "TH1_0001: a: c", "TH9_0001: a: b", ": ", ""]
    kinds = by_kind(notices, FRAMES)
    assert {kind.text for kind in kinds} == {"web: not sent", "a: b", "a: c", "TH9_0001: a: b", ": ", ""}
    assert sorted(name for kind in kinds for name in kind.frames) == ["TH1_0001", "TH1_0001"]


def test_notices_on_the_whole_run_that_differ_in_a_number_stay_apart() -> None:
    assert len(by_kind(["camera 1 is 3 s late", "camera 2 is 5 s late"], FRAMES)) == 2
