"""Every number by which the crop step says what a crop must hold; see tests/people/rules."""

from __future__ import annotations

import numpy as np

from pipeline.imaging.geometry import WHOLE, Box
from pipeline.people.detect import within
from pipeline.people.subject import find_subjects
from pipeline.shoot.facts import FrameFacts
from pipeline.steps.crop import RULES, CropParams, CropSolution, CropSource, _fewer, box_for
from pipeline.steps.crop_burst import RULES as BURST
from pipeline.steps.crop_burst import Found, as_one
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_subject_rules import at, place
from tests.people.test_tracking import RATIO, observed, standing
from tests.steps.test_crop import HEIGHT, WIDTH, held, measured, one, shape, solved


def aspect(wide: float) -> float:
    """Shape of a "free" crop of somebody so much wider than tall, in pixels."""
    box = one(
        observed([(0.5 - 0.2 * wide / RATIO, 0.3, 0.5 + 0.2 * wide / RATIO, 0.7, 0.9)]), aspect="free", margin=0.0
    )
    return (box.x1 - box.x0) * WIDTH / ((box.y1 - box.y0) * HEIGHT)


def too_few(second: tuple[float, ...]) -> bool:
    """Whether it is said that a crop shows fewer than the two whom frames.csv names, of two in the frame."""
    rows = {"TH1_1": FrameFacts(players=(None, None))}  # type: ignore[arg-type]
    found, _ = solved([[measured(observed([standing(0.3, tall=0.5, sure=0.9), second]))]], rows, aspect="1:1")
    return bool(found.notices_by_frame)


def shows_both(inside: float) -> bool:
    """Whether a crop that ends at 0.6 shows two named players, the second of whom lies in it by so much."""
    second = (0.6 - 0.1 * inside, 0.3, 0.7 - 0.1 * inside, 0.8, 0.8)
    frame = observed([standing(0.3, sure=0.9), second])
    (subject,) = find_subjects([frame])
    return not _fewer(2, frame, subject, CropSolution(CropSource.SUBJECT, Box(0.0, 0.0, 0.6, 1.0)))


def longest(height: int, width: int) -> int:
    """Pixels of the longer side of a crop around somebody far away, where none are asked for."""
    small = observed([standing(0.5, foot=0.6, tall=0.1, sure=0.95)])
    return max(shape(one(small, (height, width), aspect="3:2"), height, width))


def doubtful() -> float:
    """Height of the crop around somebody 0.35 tall, of whom it is not quite sure that this is the subject."""
    person = standing(0.5, foot=0.75, tall=0.35)
    box = one(observed([person], balls=[(*held(person)[:4], 0.425)]), aspect="3:2", at_least=0)
    return box.y1 - box.y0


def leaves_out(sure: float) -> bool:
    """Whether somebody who is the subject by so much is cropped around at an aspect that has no room for the other,
    who is worth 0.53 of the first, as near, and not cut."""
    certain = 0.35 + 0.25 * sure
    people = [at(0.3, sure=certain), at(0.75, 0.5 * (0.53 * place(0.3) / place(0.75)) ** (1 / 1.2), certain)]
    racket = (people[0][0], people[0][1], people[0][2], people[0][1] + 0.1, 0.9)  # a sign of play
    frame = observed(people, rackets=[racket], balls=[(0.0, 0.0, 0.02, 0.03, 0.3)])
    found, _ = solved([[measured(frame)]], aspect="4:5")
    box = found.by_frame["TH1_1"].box
    return box is not None and not (within(np.array([people[1][:4]]), np.array(box)) > 0).any()


def trimmed(change: float) -> bool:
    """Whether a frame of somebody who may be no player is cut to an aspect so much wider, as a logarithm."""
    person = standing(0.5, tall=0.5, sure=0.9)
    frame = observed([person], balls=[(*held(person)[:4], 0.26)])  # no ball in play is so unsure
    found, _ = solved([[measured(frame)]], aspect=f"{RATIO * np.exp(change):.5f}:1")
    return found.by_frame["TH1_1"].source is CropSource.TRIMMED


def hardly(share: float) -> bool:
    """Whether a frame is left whole whose subject, in a corner of it, fills so much of it."""
    side = float(np.sqrt(share))
    frame = observed([(0.0, 1 - side, side, 1.0, 0.95)])
    return one(frame, aspect="original", margin=0.0, fill=1.0, at_least=0) == WHOLE


def left_whole(rough: float) -> bool:
    """Whether a burst of three is: one frame would cut somebody, crops of the others cut so many limbs in all."""
    crop = CropSolution(CropSource.SUBJECT, Box(0.2, 0.1, 0.8, 0.9))
    found = [("A", Found(CropSolution(CropSource.WOULD_CUT))), ("B", Found(crop, rough=rough)), ("C", Found(crop))]
    (subject,) = find_subjects([observed([standing(0.5, sure=0.9)])])
    return all(one.box is None for _, one, _ in as_one(found, {}, dict.fromkeys("ABC", subject), "4:5", {}))


def loose() -> float:
    box = box_for(CropParams(), CropSolution(CropSource.LOOSE), HEIGHT, WIDTH)
    return box.x1 - box.x0


SCENARIOS: dict[str, Scenario] = {
    # A ball of certainty 0.425 is half a sign of play: confidence 0.625, a quarter of the way from 0.5 to 1.
    "RULES.unsure": lambda: near(doubtful(), 0.35 / (0.7 * (0.75 + 0.25 * 0.25))),
    "RULES.web": lambda: near(longest(4000, 6000), 1200, 0.005),
    "RULES.of_longer_side": lambda: near(longest(1000, 1500), 750, 0.005),
    "RULES.loose": lambda: near(loose(), 0.92),
    "BURST.clear": lambda: turns(leaves_out, 0.8),
    "BURST.hardly": lambda: turns(hardly, 0.95, 0.015),
    # With half a frame for the two beside the one that is whole, half of three.
    "BURST.rough": lambda: turns(left_whole, 1.0),
    "RULES.narrowest": lambda: near(aspect(0.4), 2 / 3),
    "RULES.widest": lambda: near(aspect(2.1), 16 / 9),
    "RULES.other_shape": lambda: turns(trimmed, 0.03),
    "RULES.named": lambda: turns(lambda share: too_few(standing(0.9, tall=0.5 * share, sure=0.7)), 0.5),
    "RULES.shown": lambda: turns(shows_both, 0.8),
}  # fmt: skip


test_a_tenth_more_or_less_changes_what_a_crop_holds, test_every_number_is_guarded = guards(
    {"RULES": RULES, "BURST": BURST}, SCENARIOS
)
