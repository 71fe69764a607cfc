"""Crops that hold what they must: at random, over bursts, ahead of movement, and where there is no room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.imaging.geometry import HeightBox, box_to_heights, heights_to_box
from pipeline.imaging.rotation import inscribed, inside
from pipeline.people.constraints import turned_boxes
from pipeline.people.framing import FRAMING, CropConstraints, Style, _placed, cut_by, fits, frame_burst

NONE = np.zeros((0, 4))
WIDE = HeightBox(0.0, 0.0, 1.5, 1.0)  # a 3:2 frame in its own heights
STYLE = Style(aspect=1.5, fill=0.7, lead_room=0.4)


def person(x: float, tall: float, foot: float, wide: float = 0.4) -> HeightBox:
    return HeightBox(x - wide * tall / 2, foot - tall, x + wide * tall / 2, foot)


def grown(box: HeightBox, by: float, frame: HeightBox = WIDE) -> HeightBox:
    x0, y0, x1, y1 = box
    return HeightBox(max(x0 - by, frame[0]), max(y0 - by, frame[1]), min(x1 + by, frame[2]), min(y1 + by, frame[3]))


def constraints(subject: HeightBox, *, margin: float = 0.02, **more: object) -> CropConstraints:
    known = CropConstraints(WIDE, grown(subject, margin), subject, subject, 0.0, 0.0, NONE, NONE, NONE, NONE)
    return replace(known, **{"limbs": more.get("people", NONE), **more})  # type: ignore[arg-type]


def holds(outer: HeightBox, inner: HeightBox, slack: float = 1e-6) -> bool:
    low = all(o <= i + slack for o, i in zip(outer[:2], inner[:2], strict=True))
    return low and all(o >= i - slack for o, i in zip(outer[2:], inner[2:], strict=True))


def cut(crop: HeightBox, box: np.ndarray) -> bool:
    """Whether a crop shows a part of a box, and not all of it; a hundredth is not counted."""
    wide = min(crop[2], box[2]) - max(crop[0], box[0])
    deep = min(crop[3], box[3]) - max(crop[1], box[1])
    share = max(wide, 0) * max(deep, 0) / ((box[2] - box[0]) * (box[3] - box[1]))
    return 0.01 < share < 0.99


def random_burst(rng: np.random.Generator) -> tuple[list[CropConstraints], Style]:
    """A burst of a player who runs, with others, faces and balls anywhere; in a whole or in a narrower frame."""
    frame = WIDE if rng.uniform() < 0.7 else (0.05, 0.04, 1.45, 0.96)
    aspect = float(rng.choice([1.5, 0.8, 16 / 9, 1.0, 2 / 3]))
    tall, speed = rng.uniform(0.15, 0.9), rng.normal(0, 0.05)
    start = rng.uniform(0.2, 1.3)
    constraints = []
    for at in range(int(rng.integers(1, 9))):
        size = tall * rng.uniform(0.9, 1.1)
        box = person(start + speed * at, size, min(0.5 + size / 2 + rng.normal(0, 0.05), 1.0), rng.uniform(0.25, 0.6))
        subject = grown(box, 0.0, frame)
        if subject[2] - subject[0] < 0.02 or subject[3] - subject[1] < 0.02:
            break
        others = [person(rng.uniform(0, 1.5), rng.uniform(0.1, 0.8), rng.uniform(0.5, 1)) for _ in range(4)]
        heads = np.array([(o[0] + 0.1 * (o[2] - o[0]), o[1], o[2], o[1] + 0.12) for o in others])
        constraints.append(CropConstraints(
            frame, grown(subject, 0.05 * size, frame), subject, subject, float(rng.choice([0, 0.3, 0.5])),
            float(rng.uniform(-1, 1)), heads, np.array(others), NONE, np.array(others),
        ))  # fmt: skip
    return constraints, Style(aspect, float(rng.uniform(0.4, 1)), float(rng.uniform(0, 1)))


@pytest.mark.parametrize("seed", range(60))
def test_whatever_the_burst_nobody_is_cut_and_the_shape_is_exact(seed: int) -> None:
    constraints, style = random_burst(np.random.default_rng(seed))
    constraints = [w for w in constraints if fits(w, style.aspect)]
    for crop, w in zip(frame_burst(constraints, style) if constraints else [], constraints, strict=True):
        x0, y0, x1, y1 = crop
        assert (x1 - x0) / (y1 - y0) == pytest.approx(style.aspect, rel=1e-9)
        assert holds(w.frame, crop)
        assert holds(crop, w.subject)
        room = min(w.frame[3] - w.frame[1], (w.frame[2] - w.frame[0]) / style.aspect)
        assert y1 - y0 >= min(w.least, room) - 1e-9
        needed = max(w.must[3] - w.must[1], (w.must[2] - w.must[0]) / style.aspect)
        if needed <= room:
            assert holds(crop, w.must)
    alone = [replace(w, faces=NONE, people=NONE) for w in constraints]
    most = 0.0
    for at, w in enumerate(alone):
        # Never looser than the frame that asks for most, by what it holds and the frames beside it hold.
        room = min(w.frame[3] - w.frame[1], (w.frame[2] - w.frame[0]) / style.aspect)
        musts = np.array([other.must for other in alone[max(0, at - 1) : at + 2]])
        low, high = musts[:, :2].min(axis=0), musts[:, 2:].max(axis=0)
        needed = max(high[1] - low[1], (high[0] - low[0]) / style.aspect)
        forced = max(FRAMING.loosest * (w.subject[3] - w.subject[1]), (w.subject[3] - w.subject[1]) / style.fill)
        most = max(most, min(max(forced, needed, w.least), room))
    for _, y0, _, y1 in frame_burst(alone, style) if alone else []:
        assert y1 - y0 <= most + 1e-6


@pytest.mark.parametrize("seed", range(20))
def test_the_crops_of_a_burst_are_one_camera_s(seed: int) -> None:
    """Whoever crouches, leaps or has somebody in the way: the size changes by 1.5 % from frame to frame at most."""
    rng = np.random.default_rng(seed)
    burst = []
    for at in range(8):
        subject = person(0.6 + 0.04 * at, 0.35 * rng.uniform(0.6, 1.2), 0.8)
        others = [person(rng.uniform(0, 1.5), rng.uniform(0.2, 0.5), rng.uniform(0.6, 1)) for _ in range(2)]
        burst.append(constraints(subject, people=np.array(others)))
    crops = np.array(frame_burst(burst, STYLE))
    tall = crops[:, 3] - crops[:, 1]
    assert (np.abs(np.diff(np.log(tall))) <= np.log(1.015) + 1e-9).all()


@pytest.mark.parametrize("aspect", [1.5, 0.8, 16 / 9])
def test_a_crop_is_as_tight_as_asked(aspect: float) -> None:
    """fill: how much of the crop's height the subject takes, and at most FRAMING.loosest times its height besides."""
    small = person(0.75, 0.3, 0.7)
    for fill in (0.65, 0.7, 0.9):
        ((_, y0, _, y1),) = frame_burst([constraints(small)], Style(aspect, fill, 0.4))
        assert 0.3 / (y1 - y0) == pytest.approx(fill, rel=0.08)
    ((_, y0, _, y1),) = frame_burst([constraints(small)], Style(aspect, 1.0, 0.4))
    assert y1 - y0 >= 0.34 - 1e-9  # the margin is kept


@pytest.mark.parametrize("towards", [-1.0, 1.0])
def test_room_is_left_ahead_of_the_movement(towards: float) -> None:
    subject = person(0.75, 0.4, 0.75)

    def ahead(lead: float) -> float:
        """Share of the room beside the subject that lies ahead."""
        ((x0, _, x1, _),) = frame_burst([constraints(subject, towards=towards)], Style(1.5, 0.7, lead))
        left, right = subject[0] - x0, x1 - subject[2]
        return (right if towards > 0 else left) / (left + right)

    assert ahead(0.0) == pytest.approx(0.5, abs=0.02)
    assert 0.5 < ahead(0.4) < ahead(0.8)
    assert ahead(0.4) == pytest.approx(0.7, abs=0.03)


def test_faces_are_in_or_out_and_never_between() -> None:
    """A face every tenth of a frame along the row of the subject's head: none is cut while there is a way."""
    subject = person(0.75, 0.5, 0.85)
    for shift in np.linspace(0, 0.3, 13):
        faces = np.array([(x + shift, 0.38, x + shift + 0.07, 0.46) for x in (0.05, 0.35, 0.95, 1.25)])
        (crop,) = frame_burst([constraints(subject, faces=faces)], STYLE)
        assert not any(cut(crop, face) for face in faces)


def test_a_ball_and_others_are_not_cut_in_half_where_there_is_a_way() -> None:
    subject = person(0.75, 0.4, 0.75)
    for x in np.linspace(0.95, 1.25, 13):
        balls = np.array([(x, 0.5, x + 0.05, 0.55)])
        (crop,) = frame_burst([constraints(subject, balls=balls)], STYLE)
        assert not cut(crop, balls[0])
        other = np.array([person(x + 0.1, 0.35, 0.75)])
        head = np.array([other[0, 0] + 0.02, other[0, 1], other[0, 2] - 0.02, other[0, 1] + 0.05])
        (crop,) = frame_burst([constraints(subject, people=other)], STYLE)
        assert not cut(crop, head)


def test_who_is_wider_than_the_aspect_does_not_fit() -> None:
    """Somebody who dives, 0.9 high frames wide: into 3:2, and not into 4:5, which is 0.8 of the height wide at most."""
    diving = HeightBox(0.3, 0.5, 1.2, 0.9)
    assert fits(constraints(diving), 1.5) and not fits(constraints(diving), 0.8)
    assert fits(constraints((0.2, 0.0, 0.9, 1.0)), 0.8)
    assert not fits(constraints((0.2, 0.0, 0.9, 1.0), frame=(0.05, 0.05, 1.45, 0.95)), 1.5)


def test_where_the_margin_does_not_fit_the_subject_still_does() -> None:
    tall = HeightBox(0.4, 0.0, 1.18, 1.0)  # 0.78 wide: 4:5 has 0.8, and no room for a margin
    (crop,) = frame_burst([constraints(tall, margin=0.05)], Style(0.8, 0.7, 0.4))
    assert holds(crop, tall) and holds(WIDE, crop)


def test_at_least_so_many_pixels_make_it_looser() -> None:
    ((_, y0, _, y1),) = frame_burst([constraints(person(0.75, 0.2, 0.6), least=0.7)], STYLE)
    assert y1 - y0 >= 0.7 - 1e-9
    assert frame_burst([constraints(person(0.75, 0.2, 0.6), least=2.0)], STYLE) == [pytest.approx(WIDE)]


def bend(path: np.ndarray) -> float:
    """Root mean square of the second differences."""
    return float(np.sqrt((np.diff(path, 2, axis=0) ** 2).mean()))


def test_nothing_but_a_foot_of_somebody_is_shown_where_there_is_a_way() -> None:
    """Somebody beside the subject, whose foot reaches out of the box into the crop: it moves aside."""
    subject = person(0.75, 0.5, 0.8)
    other = np.array([[1.16, 0.3, 1.36, 0.8]])
    foot = other - [0.04, 0, 0, 0]
    for limbs, shown in ((other, True), (foot, False)):
        (box,) = frame_burst([constraints(subject, people=other, limbs=limbs)], Style(0.8, 0.5, 0.0))
        assert bool(box.x1 > foot[0, 0] + 1e-3) is shown and box.x1 <= other[0, 0] + 1e-3


@pytest.mark.parametrize("left", [0.3311, 0.3742, 0.3967])
def test_the_one_place_where_a_crop_cuts_nobody_is_found(left: float) -> None:
    """An upright crop of all the height just fits between two people: even steps across do not meet it."""
    subject = person(0.75, 0.5, 0.8)
    torso = 0.5 * FRAMING.torso_width / 2
    others = np.array([[x - 0.25, 0.3, x + 0.25, 0.8] for x in (left - torso, left + 0.8 + torso)])
    (box,) = frame_burst([constraints(subject, people=others, least=1.0)], Style(0.8, 0.5, 0.0))
    assert box.x0 == pytest.approx(left, abs=0.002) and not cut_by(box, constraints(subject, people=others))


def test_a_crop_moves_more_calmly_than_what_it_follows() -> None:
    """A player runs evenly across the frame; the detector's boxes shake by some hundredths. Over many bursts."""
    places, heights, middles, sizes = [], [], [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        boxes = []
        for at in range(12):
            tall = 0.4 * (1 + rng.normal(0, 0.03))
            boxes.append(person(0.45 + 0.05 * at + rng.normal(0, 0.008), tall, 0.75 + rng.normal(0, 0.008)))
        crops = np.array(frame_burst([constraints(b, towards=1.0) for b in boxes], STYLE))
        array = np.array(boxes)
        places.append(bend((array[:, :2] + array[:, 2:]) / 2))
        heights.append(bend((array[:, 3] - array[:, 1])[:, None]))
        middles.append(bend((crops[:, :2] + crops[:, 2:]) / 2))
        sizes.append(bend((crops[:, 3] - crops[:, 1])[:, None]))
    assert np.mean(middles) < 0.9 * np.mean(places)
    assert np.mean(sizes) < 0.7 * np.mean(heights)


def test_a_bystander_who_walks_through_does_not_make_it_jump() -> None:
    subject = person(0.75, 0.45, 0.8)
    burst = [constraints(subject, people=np.array([person(0.2 + 0.11 * at, 0.45, 0.8)])) for at in range(10)]
    crops = np.array(frame_burst(burst, STYLE))
    middles = (crops[:, :2] + crops[:, 2:]) / 2
    assert np.abs(np.diff(middles, axis=0)).max() < 0.1
    assert np.abs(np.diff(crops[:, 3] - crops[:, 1])).max() < 0.1


def test_a_long_burst_is_framed_in_little_time() -> None:
    burst = [constraints(person(0.3 + 0.002 * at, 0.4, 0.75), towards=0.5) for at in range(300)]
    assert len(frame_burst(burst, STYLE)) == 300
    assert frame_burst(burst[:1], STYLE)[0] == pytest.approx(frame_burst(burst[:1] * 3, STYLE)[1], abs=0.02)


def test_a_crowd_around_the_play_does_not_multiply_what_is_tried() -> None:
    alone = constraints(person(0.75, 0.4, 0.7))
    rng = np.random.default_rng(5)
    stand = np.array([person(x, 0.1, y) for x, y in rng.uniform([0.1, 0.15], [1.4, 0.6], (200, 2))])
    tried = {name: len(_placed(one, STYLE, 0.6, np.array([0.75, 0.5]))) for name, one in {
        "alone": alone,
        "before a stand": constraints(alone.subject, people=stand),
        "in a crowd": constraints(alone.subject, people=stand * 3 - [1.5, 0.4, 1.5, 0.4]),
    }.items()}  # fmt: skip
    assert tried["before a stand"] == tried["alone"]  # nobody there is near
    assert tried["alone"] < tried["in a crowd"] < 12 * tried["alone"]


@pytest.mark.parametrize("degrees", [-4.0, -0.7, 1.3, 5.0])
def test_turned_boxes_hold_their_pixels_and_what_is_left_of_the_frame_holds_no_rim(degrees: float) -> None:
    """Oracle: each corner turned by complex multiplication."""
    box = np.array([[0.3, 0.2, 0.6, 0.9]])
    (turned,) = turned_boxes(box, degrees, 1.5)
    middle = complex(0.75, 0.5)
    corners = [complex(x, y) for x in box[0, [0, 2]] for y in box[0, [1, 3]]]
    # y runs down, so a turn clockwise as seen is by a positive angle.
    moved = [(c - middle) * np.exp(1j * np.radians(degrees)) + middle for c in corners]
    across, down = [c.real for c in moved], [c.imag for c in moved]
    assert turned == pytest.approx((min(across), min(down), max(across), max(down)))
    frame = box_to_heights(inscribed(degrees, 640, 960), 640, 960)
    subject = person(0.75, 0.5, 0.8)
    (crop,) = frame_burst([constraints(subject, frame=frame)], STYLE)
    assert inside(heights_to_box(crop, 640, 960), degrees, 640, 960)
