"""Every number by which the crop step says what a crop must hold; see tests/people/rules."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.geometry import Box
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation
from pipeline.shoot.facts import FrameFacts
from pipeline.steps.crop import RULES, CropParams, CropSolution, CropSource, _constraints, _fewer, box_for
from tests.people.rules import Scenario, assert_guarded, missing, near, turns
from tests.people.test_subject import ball, face
from tests.people.test_tracking import RATIO, seen, standing
from tests.steps.test_crop import HEIGHT, LOOK, WIDTH, measured, one, solved

NO_MARGIN = CropParams(margin=0.0)


def must(frame: Observation) -> Box:
    """What a crop without a margin must hold, in fractions of the frame."""
    (subject,) = find_subjects([frame])
    assert subject is not None
    x0, y0, x1, y1 = _constraints(frame, subject, NO_MARGIN, 0.0).must
    return Box(x0 / RATIO, y0, x1 / RATIO, y1)


def uncut_balls(sure: float) -> int:
    """How many balls, so sure and far from everybody, are not to be cut."""
    frame = seen([standing(0.5)], balls=[ball(0.1, 0.1, sure)])
    (subject,) = find_subjects([frame])
    assert subject is not None
    return len(_constraints(frame, subject, NO_MARGIN, 0.0).balls)


def aspect(wide: float) -> float:
    """Shape of a "free" crop of somebody so much wider than tall, in pixels."""
    box = one(seen([(0.5 - 0.2 * wide / RATIO, 0.3, 0.5 + 0.2 * wide / RATIO, 0.7, 0.9)]), aspect="free", margin=0.0)
    return (box.x1 - box.x0) * WIDTH / ((box.y1 - box.y0) * HEIGHT)


def too_few(second: tuple[float, ...]) -> bool:
    """Whether it is said that a crop shows fewer than the two whom frames.csv names, of two in the frame."""
    rows = {"TH1_1": FrameFacts(players=(None, None))}  # type: ignore[arg-type]
    found, _ = solved([[measured(seen([standing(0.3, tall=0.5, sure=0.9), second]))]], rows, aspect="1:1")
    return bool(found.notices)


def shows_both(inside: float) -> bool:
    """Whether a crop that ends at 0.6 shows two named players, the second of whom lies in it by so much."""
    second = (0.6 - 0.1 * inside, 0.3, 0.7 - 0.1 * inside, 0.8, 0.8)
    frame = seen([standing(0.3, sure=0.9), second])
    (subject,) = find_subjects([frame])
    return not _fewer(2, frame, subject, CropSolution(CropSource.SUBJECT, Box(0.0, 0.0, 0.6, 1.0)))


def turned(*tilts: float | None) -> float:
    """Degrees by which a burst is turned whose frames tell these tilts."""
    found, _ = solved([[measured(LOOK, tilt=tilt) for tilt in tilts]], level=True)
    (degrees,) = {solution.turned for solution in found.by_frame.values()}
    return float(degrees)


def loose() -> float:
    box = box_for(CropParams(), CropSolution(CropSource.LOOSE), HEIGHT, WIDTH)
    return box.x1 - box.x0


SCENARIOS: dict[str, Scenario] = {
    "loose": lambda: near(loose(), 0.92),
    # A foot so near to the frame's lower rim: the crop goes down to it.
    "rim": lambda: turns(lambda away: must(seen([standing(0.5, foot=1 - away, tall=0.5)])).y1 < 1, 0.015),
    "narrowest": lambda: near(aspect(0.4), 2 / 3),
    "widest": lambda: near(aspect(2.1), 16 / 9),
    # A face 0.1 tall whose middle is the top of the box reaches 0.05 and its room above it.
    "face_room": lambda: near(
        0.3 - must(seen([standing(0.5)], faces=[face(0.5, 0.3, 0.1)])).y0, 0.05 + 0.35 * 0.1
    ),
    "ball_room": lambda: near(
        0.3 - 0.15 - must(seen([standing(0.5)], balls=[ball(0.5, 0.2, 0.9, 0.1)])).y0, 0.25 * 0.1
    ),
    "possible_ball": lambda: turns(lambda sure: uncut_balls(sure) == 1, 0.4),
    "named": lambda: turns(lambda share: too_few(standing(0.9, tall=0.5 * share, sure=0.7)), 0.5),
    "shown": lambda: turns(shows_both, 0.8),
    "tilt_frames": lambda: turned(2.0, None, None) == -2.0 and turned(2.0, None, None, None) == 0.0,
    "tilt_percentiles": lambda: (
        near(turned(*SLOPE), -2.0)
        and turned(*STEEP) == 0.0
    ),
    "tilt_spread": lambda: turns(lambda spread: turned(*[2.0] * 3, *[2.0 + spread] * 3) == 0.0, 0.8),
    "least_tilt": lambda: turns(lambda tilt: turned(tilt) != 0.0, 0.15),
}  # fmt: skip
# Even slopes: between the 20th and the 80th percentile 0.79 and 0.81 of a degree.
SLOPE, STEEP = (tuple(2.0 + spread / 0.6 * np.linspace(-0.5, 0.5, 101)) for spread in (0.79, 0.81))


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_tenth_more_or_less_changes_what_a_crop_holds(name: str) -> None:
    assert_guarded(RULES, name, SCENARIOS[name])


def test_every_number_is_guarded() -> None:
    assert missing({"RULES": RULES}, {f"RULES.{name}": one for name, one in SCENARIOS.items()}, {}) == []
