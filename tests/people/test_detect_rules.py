"""Every number that decides who is detected, with networks that answer what a scenario says; see tests/people/rules."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from pipeline.people import detect
from pipeline.people.detect import DETECTION, EXPOSURE, REPORTED, SURE, merged, picture_for_detection, without_pairs
from pipeline.people.subject import find_subjects
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_subject import ball, face
from tests.people.test_tracking import observed, standing
from tests.people.test_tracking_rules import left_out

RULES = {"REPORTED": REPORTED, "SURE": SURE, "DETECTION": DETECTION, "EXPOSURE": EXPOSURE}
FLAT = {
    "DETECTION.face_overlap": "handed to YuNet, its default; what a tenth changes is not measured",
    "DETECTION.most_faces": "handed to YuNet: a bound on time, above the number of faces in any frame at hand",
    "EXPOSURE.most": "white above it: the shoulder has less than half a step of 8 bits left there",
    "EXPOSURE.steps": "of a table finer than 8 bits: a tenth changes no pixel by more than one step",
}
NONE = np.zeros((0, 5), np.float32)
PICTURE = np.zeros((1000, 1500, 3), np.uint8)


def rows(*boxes: tuple[float, ...]) -> np.ndarray:
    return np.array(boxes, np.float32).reshape(-1, 5)


def found(
    fine: np.ndarray, coarse: np.ndarray = NONE, balls: np.ndarray = NONE, coarse_balls: np.ndarray = NONE
) -> tuple[np.ndarray, np.ndarray]:
    """(people, balls) of a picture 1500 by 1000, of what the network answers at its two sizes, in pixels."""
    answers = iter([(fine, balls, NONE, NONE, NONE), (coarse, coarse_balls, NONE, NONE, NONE)])
    with patch.object(detect, "_run", lambda *given: next(answers)):
        seen = detect._without_faces(None, PICTURE)
        return seen.people, seen.balls


def edges(height: int, width: int) -> list[int]:
    """The longer sides at which people are looked for in a picture of this size."""
    asked: list[int] = []

    def run(net: object, picture: np.ndarray, edge: int) -> tuple[np.ndarray, ...]:
        asked.append(edge)
        return (NONE,) * 5

    with patch.object(detect, "_run", run):
        detect._without_faces(None, np.zeros((height, width, 3), np.uint8))
    return asked


PEOPLE, BALLS, RACKETS, ANIMALS, CARRIERS = range(5)


def candidate(certainty: float, kind: int, among: int) -> bool:
    """Whether the network's answer in one cell, of a class of COCO, is kept among these."""

    class Net:
        def setInput(self, blob: np.ndarray) -> None:
            self.cells = sum(blob.shape[2] // s * (blob.shape[3] // s) for s in (8, 16, 32))

        def forward(self) -> np.ndarray:
            raw = np.zeros((1, self.cells, 85), np.float32)
            raw[0, 5, 4], raw[0, 5, 5 + kind] = 1.0, certainty
            return raw

    return len(detect._run(Net(), PICTURE, 416)[among]) == 1


def balls_so_flat(flat: float) -> int:
    return len(found(NONE, NONE, rows((9, 9, 9 + 40 * flat, 49, 0.9)))[1])


def reach_of(foot: float, sure: float) -> np.ndarray:
    """The reach of somebody 300 tall, where the coarse picture shows a box down to `foot`."""
    people = rows((0, 0, 100, 300, 0.6))
    return detect.reaches(people, [people, rows((0, 0, 100, foot, sure))])[0]


def faces(certainty: float, x: float = 100, y: float = 100) -> np.ndarray:
    """The faces that are reported where YuNet is so sure of one at (x, y), 50 by 60 pixels of 960 by 640."""
    row = np.array([[x, y, 50, 60, *[120.0] * 10, certainty]], np.float32)

    class Detector:
        def setInputSize(self, size: tuple[int, int]) -> None: ...

        def setScoreThreshold(self, least: float) -> None: ...

        def detect(self, picture: np.ndarray) -> tuple[int, np.ndarray]:
            return 1, row

    with patch.object(detect, "_face_net", lambda path: Detector()):
        return detect.find(PICTURE, None, Path("face.onnx")).faces


def face_edge() -> tuple[int, int]:
    """Size of the picture in which faces are looked for, of one 1500 by 1000."""
    sizes: list[tuple[int, int]] = []

    class Detector:
        def setInputSize(self, size: tuple[int, int]) -> None:
            sizes.append(size)

        def setScoreThreshold(self, least: float) -> None: ...

        def detect(self, picture: np.ndarray) -> tuple[int, None]:
            return 1, None

    with patch.object(detect, "_face_net", lambda path: Detector()):
        detect.find(PICTURE, None, Path("face.onnx"))
    return sizes[0]


def boxes_left(over: float) -> int:
    """How many of two boxes of one size are left that overlap by this intersection over union."""
    shift = 100 * (1 - over) / (1 + over)
    both = rows((0, 0, 100, 50, 0.9), (shift, 0, 100 + shift, 50, 0.6))
    return len(merged(both, both[:, 4]))


def torso_left(inside: float = 1.0, share: float = 0.45) -> int:
    """How many are left of a body 100 by 100 and of a less sure part of it, so much of which is inside it.

    share is the intersection over union.
    """
    area = (
        share * 100 * 100 / (inside - share * (1 - inside))
    )  # of the part: share = inside a / (body + (1 - inside) a)
    wide = area / 100
    left = 100 - inside * wide
    both = rows((0, 0, 100, 100, 0.9), (left, 0, left + wide, 100, 0.6))
    return len(merged(both, both[:, 4]))


def balls_left(over: float) -> int:
    """How many of two balls of one size are left that overlap by this intersection over union, one at each size."""
    shift = 40 * (1 - over) / (1 + over)
    return len(found(NONE, NONE, rows((0, 0, 40, 40, 0.9)), rows((shift, 0, 40 + shift, 40, 0.6)))[1])


def piece_left(inside: float = 1.0, tall: float = 0.5) -> bool:
    """Whether somebody stays whom the fine picture shows in a person 500 wide and 800 tall, so much inside, so tall."""
    left = 300 - 200 * (1 - inside)
    return len(found(rows((left, 100, left + 200, 100 + 800 * tall, 0.6)), rows((300, 100, 800, 900, 0.9)))[0]) == 2


def pair_left(first: tuple[float, float], second: tuple[float, float], tall: float = 95) -> bool:
    """Whether a box 100 by 100 stays that holds two others: from where to where each, so tall, to its lower rim."""
    both = ((*sides[:1], 100 - tall, *sides[1:], 100) for sides in (first, second))
    return len(without_pairs(rows((0, 0, 100, 100, 0.9), *((*box, 0.6) for box in both)))) == 3


def held_left(share: float) -> bool:
    """Whether a box around two stays, so much of the first of whom lies in it: the rest is below it."""
    low = 100 - 90 * share
    two = rows((0, 0, 100, 100, 0.9), (0, low, 45, low + 90, 0.6), (55, 5, 100, 95, 0.6))
    return len(without_pairs(two)) == 3


def lapped_left(over: float) -> bool:
    """Whether a box around two stays who overlap by this intersection over union."""
    wide = 100 * (1 + over) / 2
    return pair_left((0, wide), (100 - wide, 100))


def coarse_first(certainty: float) -> bool:
    """Whether somebody small whom the coarse picture has with 0.8 is taken before one whom the fine one has so."""
    people = found(rows((0, 0, 100, 300, certainty)), rows((900, 0, 1000, 300, 0.8)))[0]
    return bool(people[0, 0] > 0.5)


def preferred(tall: float) -> bool:
    """Whether the box of the coarse picture comes first, a little surer and of this height of the picture."""
    bottom = 1000 * tall
    people = found(rows((0, 0, 100, bottom, 0.78)), rows((900, 0, 1000, bottom, 0.8)))[0]
    return bool(people[0, 0] > 0.5)


def grey(*blocks: tuple[float, int]) -> float:
    """8 bit green of the first row of a picture of blocks (linear luminance, rows)."""
    values = np.concatenate([np.full((count, 64), level, np.float32) for level, count in blocks])
    return float(picture_for_detection(np.repeat(values[..., None], 3, 2), np.ones(3), np.eye(3))[0, 0, 1])


def srgb(linear: float) -> float:
    """IEC 61966-2-1, 8 bit."""
    return 255 * (1.055 * linear ** (1 / 2.4) - 0.055)


def heeded(**more: object) -> object:
    (subject,) = find_subjects([observed([standing(0.5)], **more)])  # type: ignore[arg-type]
    assert subject is not None
    return subject.faces or subject.ball


SCENARIOS: dict[str, Scenario] = {
    "REPORTED.person": lambda: turns(lambda sure: len(found(rows((0, 0, 100, 300, sure)))[0]) == 1, 0.20),
    "REPORTED.ball": lambda: turns(lambda sure: len(found(NONE, NONE, rows((0, 0, 40, 40, sure)))[1]) == 1, 0.30),
    "REPORTED.face": lambda: turns(lambda sure: len(faces(sure)) == 1, 0.50),
    "SURE.person": lambda: turns(lambda sure: left_out(0.5, sure), 0.30),
    "SURE.ball": lambda: turns(lambda sure: bool(heeded(balls=[ball(0.55, 0.6, sure)])), 0.60),
    "SURE.face": lambda: turns(lambda sure: bool(heeded(faces=[face(0.5, 0.35, sure=sure)])), 0.70),
    "DETECTION.edge": lambda: edges(400, 1500)[0] == 1152,
    "DETECTION.face_edge": lambda: face_edge() == (960, 640),
    # 1500 by 1000 in 750,000 pixels: 1060 of the longer side, of which 1056 are whole strides of 32.
    "DETECTION.area": lambda: edges(1000, 1500)[0] == 1056,
    "DETECTION.coarse_edge": lambda: edges(1000, 1500)[1] == 416,
    "DETECTION.tall": lambda: turns(preferred, 0.4),
    "DETECTION.coarse_trust": lambda: turns(lambda sure: not coarse_first(sure), 0.9 * 0.8),
    "DETECTION.hint": lambda: turns(lambda sure: candidate(sure, 0, PEOPLE), 0.08),
    "DETECTION.hint_same": lambda: turns(lambda over: reach_of(300 / over, 0.1)[3] > 300, 0.4),
    "DETECTION.candidate_ball": lambda: turns(lambda sure: candidate(sure, 32, BALLS), 0.25),
    "DETECTION.same": lambda: turns(lambda over: boxes_left(over) == 1, 0.55),
    "DETECTION.flat": lambda: turns(lambda flat: balls_so_flat(flat) == 0, 1.6),
    "DETECTION.same_ball": lambda: turns(lambda over: balls_left(over) == 1, 0.3),
    "DETECTION.inside": lambda: turns(lambda inside: torso_left(inside) == 1, 0.9),
    "DETECTION.part": lambda: turns(lambda share: torso_left(share=share) == 1, 0.35),
    "DETECTION.part_inside": lambda: turns(lambda share: not piece_left(inside=share), 0.75),
    "DETECTION.part_tall": lambda: turns(lambda tall: not piece_left(tall=tall), 0.35),
    "DETECTION.both_tall": lambda: turns(lambda tall: not pair_left((0, 45), (55, 100), 100 * tall), 0.75),
    "DETECTION.held": lambda: turns(lambda share: not held_left(share), 0.8),
    "DETECTION.one_wide": lambda: turns(lambda wide: pair_left((0, 100 * wide), (70, 100)), 0.75),
    "DETECTION.both_wide": lambda: turns(lambda wide: not pair_left((0, 40), (50, 100 * wide)), 0.8),
    "DETECTION.both_over": lambda: turns(lapped_left, 0.3),
    "EXPOSURE.grey": lambda: near(grey((0.03, 64)), srgb(0.20), within=0.012),
    # A quarter of the picture a hundred times as bright counts as four times.
    "EXPOSURE.usual": lambda: near(grey((0.03, 48), (3.0, 16)), srgb(0.20 / 1.75), within=0.012),
    # Four times the rest, of which the mean is 1.1875 times: 0.674 of white, and 0.6 + 0.4 * (1 - exp(-0.184)) of it.
    "EXPOSURE.shoulder": lambda: near(grey((0.12, 4), (0.03, 60)), srgb(0.6672), within=0.003),
}  # fmt: skip


def test_a_ball_of_either_size_counts() -> None:
    near, far = rows((0, 0, 90, 90, 0.7)), rows((900, 0, 912, 12, 0.8))
    assert len(found(NONE, NONE, far, near)[1]) == 2
    assert found(NONE, NONE, NONE, near)[1][0, 4] == pytest.approx(0.7)


def test_a_box_around_two_is_nobody() -> None:
    """Two players side by side and one box around both: the two stay. A child before somebody large is no second."""
    two = [(100, 100, 200, 500, 0.6), (210, 110, 300, 500, 0.5)]
    for top in (0, 300):  # far, and tall enough that the coarse picture counts most
        near, other = ((x0, 100, x1, 500 + top, sure) for x0, _, x1, _, sure in two)
        around = (100, 100, 300, 500 + top, 0.8)
        assert found(rows(near, other), rows(around))[0][:, 4] == pytest.approx([0.6, 0.5])
        assert found(NONE, rows(near, other, around))[0][:, 4] == pytest.approx([0.6, 0.5])
    child = (110, 380, 150, 500, 0.6)
    assert found(rows((100, 100, 300, 500, 0.8), child, two[1]))[0][0, 4] == pytest.approx(0.8)


def test_a_close_person_is_whole_as_the_coarse_picture_shows_it() -> None:
    """An enlarged picture shows head and shoulders, and legs; who is seen in both pictures is somebody else."""
    whole, head, legs = (300, 50, 700, 950, 0.9), (350, 60, 650, 450, 0.8), (320, 500, 600, 940, 0.7)
    assert len(found(rows(head, legs), rows(whole))[0]) == 1
    both = found(rows(head, legs), rows(whole, (345, 65, 655, 440, 0.3)))[0]
    assert both[:, 4] == pytest.approx([0.9, 0.8])  # as sure as the fine picture is of it
    assert len(found(rows(head, legs))[0]) == 2
    assert found(rows((310, 60, 700, 940, 0.6)), rows(whole))[0][0, 0] > 300 / 1500  # the same person, weighed in


def test_a_face_at_the_rim_ends_with_the_picture() -> None:
    assert faces(0.9, x=-10, y=610)[0, :4] == pytest.approx((0, 610 / 640, 40 / 960, 1), abs=1e-6)
    assert faces(0.9, x=930, y=-20)[0, :4] == pytest.approx((930 / 960, 0, 1, 40 / 640), abs=1e-6)


def test_rackets_and_bats_are_things_that_people_hold() -> None:
    assert candidate(0.5, 38, RACKETS) and candidate(0.5, 34, RACKETS) and not candidate(0.2, 38, RACKETS)
    assert not candidate(0.9, 36, RACKETS)
    coarse = rows((2, 0, 42, 80, 0.35), (500, 0, 540, 80, 0.28))
    answers = iter([(NONE, NONE, rows((0, 0, 40, 80, 0.5)), NONE, NONE), (NONE, NONE, coarse, NONE, NONE)])
    with patch.object(detect, "_run", lambda *given: next(answers)):
        assert detect._without_faces(None, PICTURE).rackets[:, 4] == pytest.approx([0.5])


def test_horses_and_bicycles_are_told_from_people_and_balls() -> None:
    """COCO, numbered from 0: 16 dog, 17 horse; 1 bicycle, 3 motorcycle, 56 chair; 14 is a bird, 60 a table."""
    assert all(candidate(0.5, kind, ANIMALS) for kind in (16, 17)) and not candidate(0.5, 14, ANIMALS)
    assert all(candidate(0.5, kind, CARRIERS) for kind in (1, 3, 56)) and not candidate(0.5, 60, CARRIERS)
    horse, bicycle = rows((0, 0, 400, 300, 0.5), (700, 0, 900, 200, 0.28)), rows((900, 500, 1200, 800, 0.6))
    answers = iter([(NONE, NONE, NONE, horse, NONE), (NONE, NONE, NONE, NONE, bicycle)])
    with patch.object(detect, "_run", lambda *given: next(answers)):
        seen = detect._without_faces(None, PICTURE)
    assert seen.animals == pytest.approx(np.array([(0, 0, 400 / 1500, 0.3, 0.5)]))
    assert seen.carriers == pytest.approx(np.array([(0.6, 0.5, 0.8, 0.8, 0.6)]))


def test_a_mark_on_the_floor_is_no_ball_unless_the_frame_cuts_it() -> None:
    flat = (400, 700, 460, 725, 0.9)
    assert not len(found(NONE, NONE, rows(flat))[1]) and len(found(NONE, NONE, rows((400, 700, 425, 760, 0.9)))[1])
    assert len(found(NONE, NONE, rows((400, 975, 460, 1000, 0.9)))[1]) == 1
    assert len(found(NONE, NONE, rows((400, 0, 460, 25, 0.9)))[1]) == 1


def test_a_reach_is_around_all_boxes_of_a_person_and_as_sure_as_the_less_sure_size() -> None:
    assert reach_of(400, 0.1) == pytest.approx((0, 0, 100, 400, 0.1))
    assert reach_of(200, 0.1)[3] == 300  # never less than the person's own box
    assert detect.reaches(rows((0, 0, 100, 300, 0.6)), [NONE, NONE])[0] == pytest.approx((0, 0, 100, 300, 0))
    # A box between two belongs to whom it fits better.
    pair = detect.reaches(rows((0, 0, 100, 300, 0.6), (60, 0, 160, 300, 0.6)), [rows((40, 0, 150, 300, 0.2))])
    assert pair[:, [0, 2]] == pytest.approx(np.array([[0, 100], [40, 160]]))


test_a_tenth_more_or_less_changes_what_is_detected, test_every_number_is_guarded = guards(RULES, SCENARIOS, FLAT)
