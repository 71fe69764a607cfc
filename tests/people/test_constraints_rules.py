"""Every number by which a subject says what a crop must hold; see tests/people/rules."""

from __future__ import annotations

from pipeline.imaging.geometry import Box
from pipeline.people.constraints import RULES, constraints_of
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_subject import ball, face
from tests.people.test_tracking import RATIO, observed, standing


def must(frame: Observation) -> Box:
    """What a crop without a margin must hold, in fractions of the frame."""
    (subject,) = find_subjects([frame])
    assert subject is not None
    x0, y0, x1, y1 = constraints_of(frame, subject, 0.0, 0.0).must
    return Box(x0 / RATIO, y0, x1 / RATIO, y1)


def uncut_balls(sure: float) -> int:
    """How many balls, so sure and far from everybody, are not to be cut."""
    frame = observed([standing(0.5)], balls=[ball(0.1, 0.1, sure)])
    (subject,) = find_subjects([frame])
    assert subject is not None
    return len(constraints_of(frame, subject, 0.0, 0.0).balls)


SCENARIOS: dict[str, Scenario] = {
    # A foot so near to the frame's lower rim: the crop goes down to it.
    "RULES.rim": lambda: turns(lambda away: must(observed([standing(0.5, foot=1 - away, tall=0.5)])).y1 < 1, 0.015),
    # A face 0.1 tall whose middle is the top of the box reaches 0.05 and its room above it.
    "RULES.face_room": lambda: near(
        0.3 - must(observed([standing(0.5)], faces=[face(0.5, 0.3, 0.1)])).y0, 0.05 + 0.35 * 0.1
    ),
    "RULES.ball_room": lambda: near(
        0.3 - 0.15 - must(observed([standing(0.5)], balls=[ball(0.5, 0.2, 0.9, 0.1)])).y0, 0.25 * 0.1
    ),
    "RULES.possible_ball": lambda: turns(lambda sure: uncut_balls(sure) == 1, 0.4),
}

test_a_tenth_more_or_less_changes_what_a_crop_must_hold, test_every_number_is_guarded = guards(
    {"RULES": RULES}, SCENARIOS
)
