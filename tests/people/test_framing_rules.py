"""Every number that decides where a crop is cut, with values that follow from its rule; see tests/people/rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.imaging.geometry import HeightBox
from pipeline.people.framing import FRAMING, CropConstraints, Style, _cheapest, _costs, _Proposals, cuts, frame_burst
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_framing import STYLE, constraints, person

SUBJECT = person(0.75, 0.4, 0.7)  # its middle is the frame's, 0.16 wide
NOWHERE = np.array([0.75, 0.5])
# How far crops move with a tenth more or less, in heights of the frame, over 150 bursts of test_framing.random_burst.
FLAT = {
    "FRAMING.columns": "half of the crops by 0.002 at most, nine of ten by 0.02: a grid, as good coarser or finer",
    "FRAMING.rows": "half of the crops by 0.0014 at most, nine of ten by 0.014: as columns",
    "FRAMING.beside": "of 540 crops of real courts no verdict from 16 to all of them, and 5 boxes by 0.01",
    "FRAMING.kept": "93 of 100 crops not at all: the proposals left out cost more than those that are used",
}


def crop_of(*frames: float, style: Style = STYLE) -> list[HeightBox]:
    """Crops of a burst in which the subject has these heights."""
    return frame_burst([constraints(person(0.75, tall, 0.7)) for tall in frames], style)


def height(box: HeightBox) -> float:
    return box.y1 - box.y0


def middles(places: list[float], towards: list[float] | None = None) -> list[float]:
    """Middles of the crops of a burst in which the subject stands at these places."""
    ways = towards or [0.0] * len(places)
    burst = [constraints(person(x, 0.4, 0.7), towards=way) for x, way in zip(places, ways, strict=True)]
    return [(box.x0 + box.x1) / 2 for box in frame_burst(burst, STYLE)]


def needs(share: float) -> float:
    """The size, against the wished one, of a crop that is whole only from so much on: a face above and one below."""
    wished = 0.5 / 0.9
    top, bottom = 0.55 - share * wished / 2, 0.55 + share * wished / 2
    faces = np.array([(0.7, top, 0.8, 0.3), (0.7, 0.8, 0.8, bottom)])
    (box,) = frame_burst([constraints(person(0.75, 0.5, 0.8), faces=faces)], Style(1.5, 0.9, 0.4))
    return height(box) / wished


def narrowed(share: float) -> bool:
    """Whether a crop goes between two faces that it can leave out only if it is so much of its size."""
    wished = 0.5 / 0.7
    gap = share * wished * 1.5 / 2
    faces = np.array([(0.75 - gap - 0.2, 0.4, 0.75 - gap, 0.5), (0.75 + gap, 0.4, 0.75 + gap + 0.2, 0.5)])
    (box,) = frame_burst([constraints(person(0.75, 0.5, 0.8), faces=faces)], STYLE)
    return height(box) <= share * wished


def grown(share: float) -> bool:
    """Whether a crop grows for two arms towards its subject, one from each side, that it holds only from so much of its
    size on; whose they are stand far aside."""
    wished = 0.3 / 0.85
    end = share * wished * 1.5 / 2
    arms = np.array([(0.75 - end, 0.6, 0.61, 0.64), (0.89, 0.6, 0.75 + end, 0.64)])
    people = np.array([[0.0, 0.4, 0.05, 0.64]] * 2)
    (box,) = frame_burst([constraints(person(0.75, 0.3, 0.65), people=people, limbs=arms)], Style(1.5, 0.85, 0.0))
    return height(box) >= share * wished


def zoomed() -> float:
    """By how much a crop before and after one of somebody taller is smaller than that one."""
    boxes = crop_of(0.3, 0.3, 0.3, 0.31, 0.3, 0.3, 0.3)
    assert near(height(boxes[2]), height(boxes[4]), 1e-6)
    return height(boxes[3]) / height(boxes[2])


def loosened(frames: int) -> bool:
    """Whether a burst is loosened of which the first frame is whole only from 1.22 times the wished size on: what may
    be a ball is so high."""
    wished, subject = 0.4 / 0.8, person(0.75, 0.4, 0.7)
    ball = np.array([(0.7, 0.5 - 0.61 * wished, 0.8, 0.5 + 0.61 * wished)])
    burst = [constraints(subject, balls=ball)] + [constraints(subject)] * (frames - 1)
    return height(frame_burst(burst, Style(1.5, 0.8, 0.0))[-1]) > 1.2 * wished


def loosest() -> float:
    """The size, against the subject, of a crop that is whole from 1.075 times the wished size on."""
    wished = 0.3 / 0.7
    top, bottom = 0.65 - 1.075 * wished / 2, 0.65 + 1.075 * wished / 2
    faces = np.array([(0.7, top, 0.8, 0.6), (0.7, 0.7, 0.8, bottom)])
    (box,) = frame_burst([constraints(person(0.75, 0.3, 0.8), faces=faces)], Style(1.5, 0.7, 0.4))
    return height(box) / 0.3


def cost(x: float = 0.75, y: float = 0.5, tall: float = 0.6, **more: object) -> float:
    """Cost of one crop, 1.5 times as wide as tall, where one 0.6 tall in the frame's middle is wished for."""
    crops = np.array([[x, y, tall]])
    more.setdefault("limbs", np.zeros_like(more.get("people", np.zeros((0, 4)))))  # at the corner of the frame: not cut
    return float(_costs(crops, constraints(SUBJECT, **more), STYLE, 0.6, NOWHERE)[0])


def half_out(tall: float, wide: float = 0.1) -> np.ndarray:
    """A box of this height whose right half is outside that crop, which ends at x = 1.2."""
    return np.array([[1.2 - wide / 2, 0.5 - tall / 2, 1.2 + wide / 2, 0.5 + tall / 2]])


def others(top: float, tall: float) -> np.ndarray:
    """Somebody 0.4 tall and 0.1 wide in the middle of the crop, so much of them above or below."""
    return np.array([[0.7, top, 0.8, top + tall]])


ASIDE = np.array([0.2, 0.0, 0.2, 0.0])  # so that the subject hides no legs


def beside(inside: float, tall: float = 0.4) -> float:
    """Cost of somebody 0.2 wide and well away from top and bottom, so much of them inside."""
    left = 1.2 - 0.2 * inside
    return cost(people=np.array([[left, 0.3, left + 0.2, 0.3 + tall]]))


def held(share: float) -> float:
    """The size, against the wished one, of a crop that cuts nobody's torso only from so much on: two as tall as the
    subject, one on each side."""
    wished = 0.25 / 0.8
    end = share * wished * 1.5 / 2
    people = np.array([(0.75 - end, 0.4, 0.75 + 0.12 - end, 0.65), (0.75 + end - 0.12, 0.4, 0.75 + end, 0.65)])
    row = np.array([(x, 0.4, x + 0.12, 0.65) for x in np.arange(0.75 - end, 0.75 + end - 0.12, 0.06)])
    burst = [constraints(person(0.75, 0.25, 0.65), people=np.concatenate([people, row]))]
    (box,) = frame_burst(burst, Style(1.5, 0.8, 0.0))
    return height(box) / wished


def below(wide: float, gap: float = 0.0) -> float:
    """Cost of somebody so wide whom the crop's right side halves, seen from the shoulders up at the frame's bottom."""
    return cost(y=0.7, people=np.array([[1.2 - wide / 2, 0.9, 1.2 + wide / 2, 1.0 - gap]]))


ABOVE = np.array([[0.75, 0.55, 0.5]])  # a crop from 0.3 on


def leaping(seen: float, aside: float = 0.0) -> CropConstraints:
    """Somebody in the air of whom so much is seen, half above 0.3, the legs behind the subject or so far aside."""
    half = np.array([[0.72 + aside, 0.3 - seen / 2, 0.78 + aside, 0.3 + seen / 2]])
    return constraints(person(0.75, 0.4, 0.72), people=half)


def standing(tall: float, left: float = 0.9) -> bool:
    """Whether a crop that ends at 0.8 cuts somebody so tall, against the subject, who stands on 0.85."""
    other = np.array([[left, 0.85 - 0.4 * tall, left + 0.1, 0.85]])
    return bool(cuts(np.array([[0.75, 0.5, 0.6]]), constraints(SUBJECT, people=other), 1.5)[0])


def moved_in(share: float) -> float:
    """Cost of a ball of which this share is inside."""
    box = half_out(0.1)
    box[:, [0, 2]] += 0.1 * (0.5 - share)
    return cost(balls=box)


def calm(worse: float) -> bool:
    """Whether a crop stays on the evened path although one a tenth of its height away is cheaper by so much."""
    path = np.array([[0.75, 0.5, 1.0], [0.75, 0.5, 1.0]])
    still = _Proposals(path[:1], np.zeros(1))
    choice = _Proposals(np.array([[0.75, 0.5, 1.0], [0.85, 0.5, 1.0]]), np.array([worse, 0.0]))
    return bool(_cheapest([still, choice], path)[0][1][0] == 0.75)


# Gaussians of step functions at whole frames: the weights exp(-k * k / 2 / sigma ** 2), summed on one side.
LEAD = 0.5 * 0.4 * (0.4 / 0.7 * 1.5 - 0.2)  # half of the room beside SUBJECT and its margin, times lead_room

SCENARIOS: dict[str, Scenario] = {
    # A face above and one below, which only a crop looser than that would hold.
    "FRAMING.loosest": lambda: near(loosest(), 1.55, 0.005),
    # 0.9418 is the next of the steps, and 0.914 the one after.
    "FRAMING.tightest": lambda: narrowed(0.945) and not narrowed(0.93) and near(height(crop_of(0.4)[0]), 0.4 / 0.7),
    "FRAMING.step": lambda: near(needs(1.04), np.exp(0.06), 0.003),
    "FRAMING.looser": lambda: grown(1.22) and not grown(1.26),
    "FRAMING.most": lambda: near(held(2.9), 2.9) and held(3.15) < 3,
    "FRAMING.zoom": lambda: near(zoomed() - 1, 0.015),
    # One that cuts the ball and is left whole costs as much as (10 + 12) / (30 * 0.21 ** 2) = 16.6 frames so large.
    "FRAMING.left": lambda: loosened(16) and not loosened(17),
    "FRAMING.towards_sigma": lambda: near(
        (middles([0.75] * 16, [-1.0] * 8 + [1.0] * 8)[9] - 0.75) / LEAD, 0.547, within=0.04
    ),
    # The first frame after a step to the side: 0.749 of the way.
    "FRAMING.place_sigma": lambda: near((middles([0.6] * 6 + [0.7] * 6)[6] - 0.6) / 0.1, 0.749, within=0.015),
    "FRAMING.least_evened": lambda: (
        near(middles([0.6, 0.7])[1], 0.7, 1e-6) and not near(middles([0.6, 0.7, 0.7])[1], 0.7, 0.01)
    ),
    "FRAMING.place": lambda: near(cost(x=0.75 + 0.3), 20 * 0.25),
    "FRAMING.calm": lambda: turns(lambda worse: not calm(worse), 60 * 0.1**2),
    "FRAMING.size": lambda: near(cost(tall=1.2), 30 * np.log(2) ** 2),
    "FRAMING.face": lambda: near(cost(faces=half_out(0.1)), 50),
    "FRAMING.far_face": lambda: near(cost(faces=half_out(0.01)), 5),
    "FRAMING.far": lambda: turns(lambda size: cost(faces=half_out(size * 0.4)) > 20, 0.05),
    "FRAMING.ball": lambda: near(cost(balls=half_out(0.1)), 10),
    "FRAMING.torso": lambda: near(cost(people=others(0.1, 0.4)) - cost(people=others(0.1, 0.17)), 30),
    "FRAMING.near": lambda: turns(lambda share: cost(people=others(0.1, share * 0.4)) > 20, 0.45),
    # A quarter of the subject's height is seen; twice 0.09 is 0.45 of it.
    "FRAMING.widths": lambda: turns(lambda wide: below(wide) > 20, 0.09),
    "FRAMING.hidden": lambda: turns(lambda times: not cuts(ABOVE, leaping(0.18 / times), 1.5)[0], 1.35),
    "FRAMING.as_near": lambda: turns(standing, 0.8),
    "FRAMING.rim": lambda: turns(lambda gap: below(0.2, gap) < 20, 0.015),
    "FRAMING.torso_height": lambda: turns(lambda above: cost(people=others(0.2 - above * 0.4, 0.4)) < 20, 0.6),
    "FRAMING.torso_width": lambda: turns(lambda share: beside(0.5 - share / 2) < 20, 0.9),
    # The crop's top is at 0.2, its bottom at 0.8; the other is as tall as the subject.
    "FRAMING.head": lambda: near(cost(people=others(0.18, 0.17) + ASIDE), 0.425 * (0.5 + 0.12 * 0.15 / 0.17)),
    "FRAMING.body": lambda: near(beside(0.8, 0.17), 0.425 * (0.12 * 0.8 + 0.1)),
    "FRAMING.limb": lambda: near(cost(people=others(0.3, 0.3), limbs=half_out(0.3)), 3.0),
    "FRAMING.feet": lambda: near(cost(people=others(0.43, 0.4)), 0.1 + 0.12 * 0.37 / 0.4),
    "FRAMING.largest": lambda: near(cost(people=others(0.3, 0.8)), 1.5 * 0.12 * 0.5 / 0.8),
    "FRAMING.head_height": lambda: turns(
        lambda above: cost(people=others(0.2 - above * 0.17, 0.17) + ASIDE) < 0.15, 0.17
    ),
    # A quarter of the width beyond the middle is head: somebody 0.2 wide whose head begins at 1.2.
    "FRAMING.head_width": lambda: turns(lambda share: beside(0.5 - share / 2, 0.17) < 0.15, 0.5),
    "FRAMING.feet_height": lambda: turns(lambda below: cost(people=others(0.4 + below * 0.4, 0.4)) < 0.1, 0.2),
    "FRAMING.uncut": lambda: (
        turns(lambda out: moved_in(1 - out) > 5, 0.005) and turns(lambda part: moved_in(part) > 5, 0.005)
    ),
}


test_a_tenth_more_or_less_changes_a_crop, test_every_number_is_guarded = guards({"FRAMING": FRAMING}, SCENARIOS, FLAT)


def test_a_step_from_the_path_is_kept_up() -> None:
    """What holds one frame's crop beside the evened path holds the next one's there too: nothing jumps to and fro."""
    first = _Proposals(np.array([[0.2, 0.0, 0.5]]), np.zeros(1))
    second = _Proposals(np.array([[-0.2, 0.0, 0.5], [0.0, 0.0, 0.5], [0.2, 0.0, 0.5]]), np.zeros(3))
    path = np.array([[0.0, 0.0, 0.5], [0.0, 0.0, 0.5]])
    assert _cheapest([first, second], path)[0][1].tolist() == [0.2, 0.0, 0.5]


def test_the_margin_gives_way_before_the_subject_is_cut() -> None:
    """Where the crop is too narrow for all that should be in it, it is the person who is whole."""
    nobody = np.zeros((0, 4))
    constraints = CropConstraints(
        frame=HeightBox(0, 0, 1.5, 1), must=HeightBox(0.2, 0.1, 1.4, 0.9), subject=HeightBox(0.3, 0.1, 0.6, 0.9),
        needed=HeightBox(0.25, 0.1, 0.7, 0.9), least=0.0, towards=0.0, faces=nobody, people=nobody, balls=nobody,
        limbs=nobody,
    )  # fmt: skip
    (box,) = frame_burst([constraints], Style(0.6, 0.9, 0.0))
    assert box.x0 <= 0.25 and box.x1 >= 0.7 and box.x0 >= 0


def test_an_arm_at_the_side_of_the_box_is_cut_as_a_body_is() -> None:
    """Somebody near, of whom the crop shows or leaves out a tenth of the width, from the shoulders to the hips."""
    for inside in (0.1, 0.9):
        assert beside(inside) > 20
    assert beside(0.0) < 1 and beside(1.0) < 1


def test_of_who_touches_the_subject_the_legs_are_cut_no_more_than_the_body() -> None:
    """The crop ends at 0.8; somebody three quarters as tall stands lower, the knees below it: beside, or in contact."""
    for left, cut in ((0.78, True), (0.9, False)):
        assert standing(0.75, left) is cut


def test_who_is_as_near_as_the_subject_is_not_cut_at_the_legs() -> None:
    """A coach stands at the rim, the shoes below a crop around a player: a crop holds all of him, or nothing."""
    assert standing(1.0, 1.4) is False  # out of the crop
    assert standing(1.0, 1.1) and standing(1.0, 0.9)


def test_whom_the_frame_cuts_is_not_far_away() -> None:
    """A bust at the bottom, beside the subject, is somebody near: no crop goes through it."""
    bust = np.array([[0.95, 0.85, 1.25, 1.0]])
    ends = np.array([[0.9, 0.625, 0.75], [1.0, 0.625, 0.75]])  # a crop up to 1.2, and one that holds it
    asked = constraints(person(0.75, 0.4, 0.75), people=bust)
    assert cuts(ends, asked, 0.8).tolist() == [True, False]
    assert cuts(ends, replace(asked, people=bust - [0, 0.05, 0, 0.05]), 0.8).tolist() == [False, False]  # a small one


def test_who_leaps_behind_the_subject_is_not_far_away() -> None:
    """The bust above a team-mate who hides the legs is somebody near; one as small who stands free is not."""
    assert cuts(ABOVE, leaping(0.16), 1.5).tolist() == [True]
    assert cuts(ABOVE, leaping(0.16, aside=0.4), 1.5).tolist() == [False]
    assert cuts(ABOVE, leaping(0.08), 1.5).tolist() == [False]  # the crowd behind
