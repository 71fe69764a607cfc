"""Every number by which a subject says what a crop must hold; see tests/people/rules."""

from __future__ import annotations

import numpy as np

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


def reached() -> float:
    """How far somebody else counts beyond the box, in own heights, of whom much more may be seen."""
    people = [standing(0.3, tall=0.5), standing(0.7)]
    x0, y0, x1, y1, sure = people[1]
    frame = observed(people, reach=[people[0], (x0, y0, x1 + 0.2, y1, sure)])
    (subject,) = find_subjects([frame])
    assert subject is not None and subject.row == 0
    held = constraints_of(frame, subject, 0.0, 0.0)
    return float((held.limbs[0, 2] - held.people[0, 2]) / (held.people[0, 3] - held.people[0, 1]))


def grows(share: float) -> bool:
    """Whether more is held of somebody who is as tall as this share of how tall they stand."""
    frame = observed([standing(0.5)])
    (subject,) = find_subjects([frame])
    assert subject is not None
    tall = subject.box.y1 - subject.box.y0
    bent = constraints_of(frame, subject, 0.0, 0.0, stands=np.array([tall / share])).must
    return bent.x1 > constraints_of(frame, subject, 0.0, 0.0).must.x1


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
    "RULES.limb": lambda: near(reached(), 0.1),
    "RULES.bent": lambda: turns(lambda share: not grows(share), 0.85),
    "RULES.possible_ball": lambda: turns(lambda sure: uncut_balls(sure) == 1, 0.4),
}

test_a_tenth_more_or_less_changes_what_a_crop_must_hold, test_every_number_is_guarded = guards(
    {"RULES": RULES}, SCENARIOS
)
