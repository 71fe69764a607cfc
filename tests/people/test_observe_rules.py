"""Every number by which a frame is measured, on drawn pictures with people at given places; see tests/people/rules."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import cv2
import numpy as np
import pytest

from pipeline.imaging.blank import Blank
from pipeline.imaging.geometry import Box
from pipeline.imaging.sharpness import Detail
from pipeline.people import observe
from pipeline.people.detect import NOTHING, Found
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.observe import RULES, UNTOLD, FrameObservation, brightness_around, brightness_of
from pipeline.people.subject import find_subjects
from pipeline.types import F32, Domain, Image, Noise
from tests.people.rules import Scenario, guards, near, turns

HEIGHT, WIDTH = 400, 600
PERSON = (0.25, 0.25, 0.75, 0.75, 0.9)  # 300 by 200 pixels from (150, 100)


def rows(count: int, width: int) -> F32:
    return np.tile(np.array([*PERSON, *[0.5] * (width - 5)], np.float32), (count, 1))


def observed(
    pixels: F32 | None = None, people: int = 1, faces: int = 0, balls: int = 0, shape: tuple[int, int] = (HEIGHT, WIDTH)
) -> FrameObservation:
    """A frame in which so many are detected, all at PERSON's place."""
    values = np.full((*shape, 3), 0.2, np.float32) if pixels is None else pixels
    image = Image(values, Domain.CAMERA, Noise(np.full(3, 1e-4), np.full(3, 1e-6)), np.ones(3), np.eye(3))
    found = Found(rows(people, 5), rows(people, 5), rows(balls, 5), rows(faces, 9), *[rows(balls, 5)] * 3)
    with patch.object(observe, "find", lambda *given: found):
        return observe.observe(image, np.ones(3), None, ModelFiles(), shape)


def measured_parts() -> list[Box]:
    """The parts of a frame with one person whose sharpness is measured: the person's, then the frame's middle."""
    asked: list[Box] = []

    def sharp(detail: Detail, box: Box) -> float:
        asked.append(box)
        return 0.1

    image = Image(
        np.full((HEIGHT, WIDTH, 3), 0.2, np.float32),
        Domain.CAMERA,
        Noise(np.ones(3), np.ones(3)),
        np.ones(3),
        np.eye(3),
    )
    with (
        patch.object(observe, "find", lambda *given: replace(NOTHING, people=rows(1, 5), reach=rows(1, 5))),
        patch.object(observe, "sharpness", sharp),
    ):
        observe.observe(image, np.ones(3), Detail(image.pixels[..., 0], 1e-4, 1e-6), ModelFiles(), (HEIGHT, WIDTH))
    return asked


def part(box: Box) -> tuple[float, ...]:
    """A part of PERSON in shares of the person's box, to three digits."""
    x0, y0, x1, y1 = box
    return tuple(round(v, 3) for v in ((x0 - 0.25) * 2, (y0 - 0.25) * 2, (0.75 - x1) * 2, (0.75 - y1) * 2))


def clipped(level: float) -> bool:
    return observed(np.full((HEIGHT, WIDTH, 3), level, np.float32)).clipped == 1.0


def has_face(share: float) -> bool:
    """Whether a face whose middle is so far down PERSON's box is the subject's, though it is too large for a head."""
    y = 0.25 + 0.5 * share
    faces = np.array([[0.35, y - 0.2, 0.65, y + 0.2, 0.9, 0.5, y, 0.5, y]], np.float32)
    found = observed()
    found = replace(found, people=replace(found.people, faces=faces), eyes=np.ones(1, np.float32))
    return found.assessed(find_subjects([found.people])[0]).face == 1.0


def measured_around(share: float) -> bool:
    """Whether so much of the frame, beside somebody, is what its brightness is measured by."""
    pixels = np.full((10_000, 10, 3), 0.2, np.float32)
    pixels[-100:] = 0.9
    people = np.array([[0, 0, 1, 1 - share, 0.9]], np.float32)
    return brightness_around(pixels, people) > 0.5


def of_even_steps() -> float:
    """The brightness of a frame of all tones from 0 to 1."""
    return brightness_around(np.linspace(0, 1, 10_000, dtype=np.float32).reshape(100, 100, 1), rows(0, 5))


def of_somebody() -> float:
    """The highlights of somebody of all tones from 0 to 1, in a bright frame."""
    pixels = np.ones((200, 200, 1), np.float32)
    pixels[50:150, 50:150] = np.linspace(0, 1, 10_000, dtype=np.float32).reshape(100, 100, 1)
    return brightness_of(pixels, rows(1, 5))


def faceless(hint: float, missed: bool = False) -> float:
    found = replace(observed(), hints=np.array([hint], np.float32), missed=np.array([missed]))
    return found.assessed(find_subjects([found.people])[0]).faceless


def test_where_a_face_may_be_missed_none_found_says_nothing_but_is_kept_to_compare() -> None:
    found = replace(observed(), hints=np.array([0.1], np.float32), missed=np.array([True]))
    told = found.assessed(find_subjects([found.people])[0])
    assert told.faceless == 0 and told.evidence == np.float32(0.1)
    assert faceless(0.04) == 1 and faceless(0.6) == 0


def test_of_edges_those_of_the_subject_count_and_of_nobody_the_middle() -> None:
    found = replace(observed(), edges=np.array([0.3], np.float32), middle_edges=0.7)
    (subject,) = find_subjects([found.people])
    assert found.assessed(subject).edges == np.float32(0.3) and found.assessed(None).edges == 0.7
    assert replace(found, edges=np.array([UNTOLD], np.float32)).assessed(subject).edges is None


SCENARIOS: dict[str, Scenario] = {
    "RULES.hint_from": lambda: turns(lambda sure: faceless(sure) < 1, 0.1),
    # 0.3 is half way.
    "RULES.hint_to": lambda: near(faceless(0.3), 0.5),
    "RULES.around": lambda: turns(measured_around, 0.02),
    "RULES.brightest": lambda: near(of_even_steps(), 1 - 0.25 / 2, 0.01),
    "RULES.highlights": lambda: near(of_somebody(), 1 - 0.05 / 2, 0.001),
    "RULES.head": lambda: turns(lambda share: not has_face(share), 0.6),
    "RULES.small_edge": lambda: observed().people.small.shape == (107, 160),
    "RULES.smallest": lambda: observed(shape=(40, 600)).people.small.shape == (16, 160),
    "RULES.most": lambda: len(observed(people=60).people.people) == len(observed(faces=60).people.faces) == 40,
    "RULES.most_balls": lambda: all(
        len(getattr(observed(balls=20).people, what)) == 8 for what in ("balls", "rackets", "animals", "carriers")
    ),
    "RULES.middle": lambda: tuple(round(v, 3) for v in measured_parts()[1]) == (0.2, 0.2, 0.8, 0.8),
    "RULES.clipped": lambda: turns(clipped, 0.98, by=0.01),
    "RULES.jersey_side": lambda: jersey_part() == (0.25, 0.18, 0.25, 0.5),
    "RULES.jersey_top": lambda: jersey_part() == (0.25, 0.18, 0.25, 0.5),
    "RULES.jersey_bottom": lambda: jersey_part() == (0.25, 0.18, 0.25, 0.5),
    "RULES.rim_side": lambda: part(measured_parts()[0]) == (0.12, 0.04, 0.12, 0.1),
    "RULES.rim_top": lambda: part(measured_parts()[0]) == (0.12, 0.04, 0.12, 0.1),
    "RULES.rim_bottom": lambda: part(measured_parts()[0]) == (0.12, 0.04, 0.12, 0.1),
}


def jersey_part() -> tuple[float, ...]:
    return part(Box(*(float(v) for v in observe._torso(np.array(PERSON)))))


test_a_tenth_more_or_less_changes_what_is_measured, test_every_number_is_guarded = guards({"RULES": RULES}, SCENARIOS)


def test_the_jersey_is_measured_on_the_torso() -> None:
    """A red torso among grey is red; a grey one with red head, arms and legs is not."""
    torso, rest = np.full((2, HEIGHT, WIDTH, 3), 0.2, np.float32)
    torso[136:200, 225:375] = rest[100:300, 150:450] = (0.3, 0.1, 0.1)
    rest[135:201, 224:376] = 0.2
    for pixels, red in ((torso, True), (rest, False)):
        blue, _, most = observed(pixels).people.jersey_colour[0]
        assert bool(most > blue + 30) is red


@pytest.mark.parametrize("skin", [0.02, 0.4, 1.0])
def test_how_well_a_frame_is_exposed_does_not_depend_on_who_is_in_it(skin: float) -> None:
    """PERSON, dark, light or burnt, fills a quarter of the frame, before a dark stand and a floor of a third of the
    rest; the brightest quarter around is of that floor, and all of it halves with the exposure."""
    pixels = np.full((HEIGHT, WIDTH, 3), 0.05, np.float32)
    pixels[300:] = 0.3
    pixels[100:300, 150:450] = skin
    found = observed(pixels)
    assert found.lit == pytest.approx(0.3, rel=1e-4)
    assert observed(pixels / 2).lit == pytest.approx(0.15, rel=1e-4)
    assert found.assessed(find_subjects([found.people])[0]).level == found.lit
    assert found.people.clipped[0] == found.clipped * 4 == float(skin == 1.0)


@pytest.mark.parametrize("hint, face", [(0.4, 0.0), (0.675, 0.5), (0.85, 1.0), (1.0, 0.0)])
def test_a_face_that_only_the_closer_look_finds_is_one(hint: float, face: float) -> None:
    """By as much as its certainty says; 1 says that nobody looked."""
    found = replace(observed(), hints=np.array([hint], np.float32))
    assert found.assessed(find_subjects([found.people])[0]).face == pytest.approx(face, abs=1e-6)
    faces = np.array([[0.45, 0.28, 0.55, 0.35, 0.6, 0.5, 0.3, 0.5, 0.3]], np.float32)
    found = replace(found, people=replace(found.people, faces=faces), eyes=np.ones(1, np.float32))
    assert found.assessed(find_subjects([found.people])[0]).face == pytest.approx(max(face, 0.1 / 0.35), abs=1e-5)


@pytest.mark.parametrize("burnt, share", [((1.0, 0.6, 0.3), 0.0), ((1.0, 1.0, 0.5), 0.25), ((1.0, 1.0, 1.0), 0.25)])
def test_a_warm_floor_of_which_red_clips_is_not_blown_out(burnt: tuple[float, float, float], share: float) -> None:
    """Wood under tungsten, burnt skin and burnt cloth: of the floor two channels still show the boards."""
    pixels = np.full((HEIGHT, WIDTH, 3), 0.2, np.float32)
    pixels[100:300, 150:450] = burnt
    found = observed(pixels)
    assert found.clipped == share and found.people.clipped[0] == 4 * share


def test_what_is_held_is_within_reach() -> None:
    """A stick from the hip outwards, half as long as the person is tall."""
    pixels = np.full((HEIGHT, WIDTH, 3), 0.2, np.float32)
    hip, end = (0.74 * WIDTH, 0.5 * HEIGHT), (0.74 * WIDTH + 0.22 * HEIGHT, 0.61 * HEIGHT)
    points = np.round(np.array([hip, end])).astype(int).tolist()
    cv2.line(pixels, *points, (0.8, 0.8, 0.8), max(3, round(0.009 * HEIGHT)), cv2.LINE_AA)
    (x0, y0, x1, y1), people = observed(pixels).people.reach[0, :4], observed(pixels).people.people
    assert x1 * WIDTH > end[0] and (x0, y0, y1) == tuple(people[0, [0, 1, 3]])


@pytest.mark.parametrize("value, blank", [(0.0, Blank.BLACK), (1.0, Blank.CLIPPED), (0.2, Blank.EVEN)])
def test_a_frame_that_shows_nothing_is_known_as_such_and_kept_so(value: float, blank: Blank) -> None:
    """The lens cap on, a flash far too near, and a file whose levels are misread."""
    found = observed(np.full((HEIGHT, WIDTH, 3), value, np.float32), people=0)
    kept = FrameObservation.from_arrays(found.as_arrays())
    assert kept.blank is blank and kept.assessed(None).blank is blank
    shows = np.random.default_rng(1).uniform(0.05, 0.5, (20, 30, 3)).repeat(20, 0).repeat(20, 1).astype(np.float32)
    assert observed(shows, people=0).assessed(None).blank is Blank.NO


@pytest.mark.parametrize("reached, seen", [(0.1, True), (0.25, False)])
def test_a_face_above_a_box_that_ends_below_the_forehead_is_the_subjects(reached: float, seen: bool) -> None:
    """Where the person reaches as high, in the boxes of other sizes; of who stands behind it is not."""
    found = observed()
    reach = found.people.reach.copy()
    reach[0, 1] = reached
    faces = np.array([[0.45, 0.14, 0.55, 0.3, 0.9, 0.5, 0.2, 0.5, 0.22]], np.float32)
    contrast = {"eyes": np.ones(1, np.float32), "eye_contrast": np.full(1, 0.4, np.float32)}
    found = replace(found, people=replace(found.people, faces=faces, reach=reach), **contrast)
    (subject,) = find_subjects([found.people])
    assert (found.assessed(subject).contrast is not None) is seen
