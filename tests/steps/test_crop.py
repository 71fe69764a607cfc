"""The crop step: what each parameter does, what always wins, and what is left whole and said so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.imaging.geometry import WHOLE, Box, box_to_pixels
from pipeline.imaging.lens.warp import UprightWarp, of_factors
from pipeline.imaging.level import Tilt, Unsure
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.rotation import inside
from pipeline.imaging.sharpness import Detail
from pipeline.light.scenes import ShootLight
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.observe import FrameObservation
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps.base import ApplyContext, MeasureContext, SolveContext, Solved
from pipeline.steps.crop import NO_MODEL, CropParams, CropSolution, CropSource, apply, box_for, measure, solve
from pipeline.steps.crop_solution import NO_SUBJECT, NOBODY, TOO_WIDE, in_words
from pipeline.steps.lens import LensSolution, LensSource
from pipeline.types import Burst, Domain, Frame, Image, Noise
from tests.people.test_subject import ball, face
from tests.people.test_tracking import observed, standing

HEIGHT, WIDTH = 4000, 6000


def held(person: Sequence[float]) -> tuple[float, ...]:
    """A ball in somebody's hands, a sign of play; not so sure that a crop must hold it."""
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    return ball((x0 + x1) / 2, y0 + 0.6 * (y1 - y0), 0.58, 0.1 * (y1 - y0))


def measured(
    frame: Observation, *, models: bool = True, tilt: float | None = None, size: tuple[int, int] | None = None
) -> FrameObservation:
    """What `measure` gives of such a frame."""
    count = len(frame.people) if models else 0
    balls = frame.balls if len(frame.balls) else np.array([held(p) for p in frame.people], np.float32).reshape(-1, 5)
    people = replace(
        frame, size=size or (HEIGHT, WIDTH), people=frame.people[:count], reach=frame.reach[:count], balls=balls
    )
    return FrameObservation(people, (models, models), 0.05, 0.2, 0.0, Unsure.FEW if tilt is None else Tilt(tilt, 0.8))


def solved(
    bursts: Sequence[Sequence[FrameObservation]], rows: Mapping[str, FrameFacts] | None = None, **params: Any
) -> tuple[Solved, CropParams]:
    """crop's solve over bursts of such frames, TH1_1, TH1_2, TH2_1, ..."""
    named = {f"TH{b + 1}_{i + 1}": m for b, burst in enumerate(bursts) for i, m in enumerate(burst)}
    grouped = [Burst(tuple(n for n in named if n.startswith(f"TH{b + 1}_"))) for b in range(len(bursts))]
    subjects = {}
    for burst in grouped:
        subjects |= dict(zip(burst.frames, find_subjects([named[n].people for n in burst.frames]), strict=True))

    def none() -> ShootLight:
        raise AssertionError("crop needs no light")

    frames = [Frame(n, Path(n), n, "raw") for n in named]
    context = SolveContext(
        frames, grouped, Facts(rows=rows or {}), named, none, lambda: subjects, lambda: {}, {}
    )  # fmt: skip
    chosen = CropParams(**params)
    return solve(context, chosen), chosen


def one(frame: Observation, size: tuple[int, int] = (HEIGHT, WIDTH), **params: Any) -> Box:
    """The crop of one frame alone, in fractions."""
    found, chosen = solved([[measured(frame, size=size)]], **params)
    return box_for(chosen, found.by_frame["TH1_1"], *size)


def shape(box: Box, height: int = HEIGHT, width: int = WIDTH) -> tuple[int, int]:
    x0, y0, x1, y1 = box_to_pixels(box, height, width)
    return x1 - x0, y1 - y0


def holds(box: Sequence[float], what: Sequence[float], slack: float = 1e-4) -> bool:
    return (
        box[0] <= what[0] + slack and box[1] <= what[1] + slack
        and box[2] >= what[2] - slack and box[3] >= what[3] - slack
    )  # fmt: skip


PLAYER = standing(0.6, foot=0.75, tall=0.4)
LOOK = observed([PLAYER])


@pytest.mark.parametrize(
    "aspect, ratio", [("3:2", 1.5), ("4:5", 0.8), ("16:9", 16 / 9), ("1:1", 1.0), ("original", 1.5)]
)
def test_the_subject_is_held_in_the_shape_asked_for(aspect: str, ratio: float) -> None:
    box = one(LOOK, aspect=aspect)
    assert holds(box, PLAYER)
    wide, tall = shape(box)
    assert abs(wide - ratio * tall) <= max(1.0, ratio)  # a pixel
    assert 1.0 < (box[3] - box[1]) / 0.4 <= 1.6


def test_several_deliveries_have_each_their_own_crop_from_one_detection() -> None:
    boxes = [one(LOOK, aspect=aspect) for aspect in ("3:2", "4:5", "16:9")]
    assert len(set(boxes)) == 3 and all(holds(box, PLAYER) for box in boxes)


def test_an_upright_frame_turns_a_wide_aspect_and_keeps_an_upright_one() -> None:
    upright = Observation(**{**vars(LOOK), "size": (6000, 4000)})
    for aspect, ratio in (("3:2", 2 / 3), ("4:5", 0.8), ("16:9", 9 / 16), ("original", 2 / 3)):
        wide, tall = shape(one(upright, (6000, 4000), aspect=aspect), 6000, 4000)
        assert wide / tall == pytest.approx(ratio, abs=2e-3)


def test_free_is_as_the_subject_is_within_bounds() -> None:
    wide, tall = shape(one(LOOK, aspect="free", margin=0.0))
    assert wide / tall == pytest.approx(2 / 3, abs=2e-3)  # the player is narrower than that
    lying = (0.3, 0.6, 0.65, 0.9, 0.9)
    wide, tall = shape(one(observed([lying]), aspect="free", margin=0.0))
    assert wide / tall == pytest.approx(0.35 * 1.5 / 0.3, abs=0.02)


def test_margin_fill_and_lead_room() -> None:
    tight, loose = one(LOOK, fill=1.0, margin=0.0, aspect="4:5"), one(LOOK, fill=0.65, aspect="4:5")
    assert (tight[3] - tight[1]) < (loose[3] - loose[1])
    air = one(LOOK, fill=1.0, margin=0.25, aspect="4:5")
    assert holds(air, (PLAYER[0] - 0.1 / 1.5, PLAYER[1] - 0.1, PLAYER[2] + 0.1 / 1.5, PLAYER[3] + 0.1))
    run = [measured(observed([standing(0.4 + 0.05 * at, foot=0.75, tall=0.4)])) for at in range(4)]
    ahead = {}
    for lead in (0.0, 0.9):
        found, params = solved([run], lead_room=lead, aspect="3:2")
        box = box_for(params, found.by_frame["TH1_2"], HEIGHT, WIDTH)
        ahead[lead] = box[2] - 0.45 - (0.45 - box[0])
    assert ahead[0.9] > 0.05 and abs(ahead[0.0]) < 0.02


def test_no_crop_has_fewer_pixels_than_asked_for_and_none_is_looser_for_it() -> None:
    """A far player, whose crop would be a tenth of the frame: what is asked for decides alone."""
    small = observed([standing(0.5, foot=0.6, tall=0.1, sure=0.95)])
    for size, least in (((640, 960), 480), ((640, 960), 900), ((HEIGHT, WIDTH), 3000), ((HEIGHT, WIDTH), 9999)):
        for aspect in ("3:2", "4:5"):
            found, params = solved([[measured(small, size=size)]], aspect=aspect, at_least=least)
            longer = max(shape(box_for(params, found.by_frame["TH1_1"], *size), *size))
            most = size[1] if aspect == "3:2" else size[0]
            assert min(least, most) - 1 <= longer <= 1.02 * min(least, most)


def test_faces_and_a_sure_ball_are_held_and_a_doubtful_ball_is_not_asked_for() -> None:
    high = observed([PLAYER], faces=[face(0.6, 0.37, size=0.08)], balls=[ball(0.67, 0.22, 0.9)])
    box = one(high, aspect="4:5", fill=0.9)
    assert holds(box, high.faces[0]) and holds(box, high.balls[0])
    doubtful = observed([PLAYER], balls=[ball(0.67, 0.22, 0.59)])
    assert one(doubtful, aspect="4:5", fill=0.9)[1] > doubtful.balls[0][3]  # all of it is above the crop


def test_a_rider_is_held_with_the_horse_and_who_walks_before_a_bicycle_without_it() -> None:
    """A led horse too; one that has no room in the shape leaves the frame whole, and one far off is not cut."""
    rider, horse = (0.45, 0.2, 0.55, 0.6, 0.9), (0.35, 0.4, 0.65, 0.85, 0.6)
    assert holds(one(observed([rider], animals=[horse]), aspect="4:5"), horse)
    assert holds(one(observed([rider], carriers=[horse]), aspect="4:5"), horse)
    led = (0.62, 0.3, 0.85, 0.72, 0.6)
    assert holds(one(observed([PLAYER], animals=[led]), aspect="3:2"), led)
    alone = one(LOOK, aspect="3:2", at_least=0)
    behind = (0.55, 0.5, 0.72, 0.65, 0.6)
    assert one(observed([PLAYER], carriers=[behind]), aspect="3:2", at_least=0) == alone
    found, _ = solved([[measured(observed([rider], animals=[(0.2, 0.4, 0.8, 0.85, 0.6)]))]], aspect="4:5")
    assert found.by_frame["TH1_1"].source is CropSource.DOES_NOT_FIT
    aside = (0.78, 0.35, 0.92, 0.7, 0.6)
    for animals in ((), (aside,)):
        box = one(observed([PLAYER], animals=animals), aspect="3:2", at_least=0)
        assert (aside[0] + 0.01 < box.x1 < aside[2] - 0.01) is not bool(animals)


def test_no_strip_is_cut_off_at_the_rim_below_a_foot() -> None:
    """Boxes end a little above the toes; margin and box come to 0.99 of the height here."""
    for aspect in ("3:2", "4:5"):
        for fill in (0.7, 1.0):
            box = one(observed([standing(0.5, foot=0.967, tall=0.45)]), aspect=aspect, fill=fill)
            assert box[3] == pytest.approx(1.0, abs=1e-4)
        assert one(observed([standing(0.5, foot=0.94, tall=0.45)]), aspect=aspect, fill=1.0)[3] < 0.99


def test_a_burst_of_which_every_box_is_drawn_leaves_the_others_their_crops() -> None:
    given = Box(0.1, 0.2, 0.7, 0.6)
    drawn = {f"TH1_{at}": FrameFacts(crop=given) for at in (1, 2)}
    found, _ = solved([[measured(LOOK)] * 2, [measured(LOOK)] * 2], drawn, aspect="4:5")
    assert [one.source for one in found.by_frame.values()] == [CropSource.TABLE] * 2 + [CropSource.SUBJECT] * 2


@pytest.mark.parametrize("to", ["subject", "centre", "box", "none"])
def test_a_box_of_a_person_always_wins(to: str) -> None:
    given = Box(0.1, 0.2, 0.7, 0.6)
    rows = {"TH1_1": FrameFacts(crop=given)}
    found, params = solved([[measured(LOOK), measured(LOOK)]], rows, to=to, level=True)
    assert found.by_frame["TH1_1"] == CropSolution(CropSource.TABLE, given)
    assert box_for(params, found.by_frame["TH1_1"], HEIGHT, WIDTH) == pytest.approx(given)
    upright = CropParams(to=to, aspect="4:5")  # type: ignore[arg-type]
    narrow = box_for(upright, found.by_frame["TH1_1"], HEIGHT, WIDTH)  # too wide for the frame: all that fits
    assert narrow[3] - narrow[1] == pytest.approx(1.0)
    small = Box(0.3, 0.7, 0.5, 0.98)
    wide = box_for(upright, CropSolution(CropSource.TABLE, small), HEIGHT, WIDTH)
    assert holds(wide, small) and wide[3] <= 1.0
    for box in (narrow, wide):
        assert shape(box)[0] / shape(box)[1] == pytest.approx(0.8, abs=2e-3)


@pytest.mark.parametrize(("box", "aspect"), [((0.3, 0.2, 0.7, 0.7), 2 / 3), ((0.1, 0.4, 0.9, 0.6), 3 / 2)])
def test_a_box_on_an_upright_frame_stands_or_lies_as_it_is_drawn(box: tuple[float, ...], aspect: float) -> None:
    params = CropParams(to="subject", aspect="3:2")
    cut = box_for(params, CropSolution(CropSource.TABLE, Box(*box)), 6000, 4000)
    assert (cut[2] - cut[0]) * 4000 / ((cut[3] - cut[1]) * 6000) == pytest.approx(aspect, abs=2e-3)
    assert holds(cut, Box(*box))
    lying = box_for(params, CropSolution(CropSource.TABLE, Box(0.4, 0.1, 0.6, 0.9)), 4000, 6000)  # the frame lies
    assert (lying[2] - lying[0]) * 6000 / ((lying[3] - lying[1]) * 4000) == pytest.approx(1.5, abs=2e-3)


def test_the_other_ways_look_at_nobody() -> None:
    for to, expected in (("none", (0, 0, 1, 1)), ("box", (0, 0, 1, 1)), ("centre", (7 / 30, 0, 23 / 30, 1))):
        assert one(LOOK, to=to, aspect="4:5") == pytest.approx(expected)
    assert one(LOOK, to="centre", share=0.5) == pytest.approx((0.25, 0.25, 0.75, 0.75))


def test_without_a_model_crops_are_loose_and_it_is_said_once() -> None:
    blind = [[measured(LOOK, models=False)] * 3, [measured(LOOK, models=False)] * 2]
    found, params = solved(blind, aspect="4:5")
    assert found.notices == (NO_MODEL,) and not found.notices_by_frame
    for solution in found.by_frame.values():
        x0, y0, x1, y1 = box_for(params, solution, HEIGHT, WIDTH)
        assert (x0 + x1, y0 + y1) == pytest.approx((1, 1)) and 0.85 < y1 - y0 < 1
        assert shape((x0, y0, x1, y1))[0] / shape((x0, y0, x1, y1))[1] == pytest.approx(0.8, abs=2e-3)
    quiet, _ = solved(blind, to="centre")
    assert quiet.notices == ()


def test_where_nobody_is_the_subject_the_frame_is_left_and_named() -> None:
    found, params = solved([[measured(observed())], [measured(LOOK)], [measured(observed())]], aspect="4:5")
    assert found.notices_by_frame == dict.fromkeys(("TH1_1", "TH3_1"), NOBODY.format(why=NO_SUBJECT))
    assert found.notices == ()  # the frames say it themselves
    assert box_for(params, found.by_frame["TH1_1"], HEIGHT, WIDTH) == (0, 0, 1, 1)


def test_a_crop_that_takes_nothing_away_is_not_called_one() -> None:
    for source in (CropSource.SUBJECT, CropSource.EVERYBODY):
        assert in_words(CropSolution(source, WHOLE, 1.5)).startswith("left whole, ")
        assert not in_words(CropSolution(source, Box(0.0, 0.0, 1.0, 0.9), 1.5)).startswith("left whole")
    assert in_words(CropSolution(CropSource.TABLE, WHOLE)) == "as frames.csv says"


def test_who_does_not_fit_is_left_whole_and_named() -> None:
    diving = observed([(0.1, 0.5, 0.8, 0.8, 0.9)])
    found, params = solved([[measured(diving)]], aspect="4:5")
    expected = TOO_WIDE.format(aspect="4:5")
    assert found.notices_by_frame == {"TH1_1": expected}
    assert box_for(params, found.by_frame["TH1_1"], HEIGHT, WIDTH) == (0, 0, 1, 1)
    wide, _ = solved([[measured(diving)]], aspect="3:2")
    assert not wide.notices


def test_a_sequence_can_be_laid_side_by_side() -> None:
    """Who is missed in one frame of a burst keeps the crop where he is, and sizes change little."""
    run = [measured(observed([] if at == 3 else [standing(0.4 + 0.02 * at, foot=0.75, tall=0.4)])) for at in range(7)]
    found, params = solved([run], aspect="4:5")
    boxes = np.array([box_for(params, s, HEIGHT, WIDTH) for s in found.by_frame.values()])
    middles, heights = (boxes[:, 0] + boxes[:, 2]) / 2, boxes[:, 3] - boxes[:, 1]
    assert np.all(np.abs(np.diff(middles, 2)) < 0.01)
    assert np.ptp(heights) < 0.02
    assert not found.notices


@pytest.mark.parametrize("tilt", [-4.0, -0.6, 0.9, 3.1])
def test_a_burst_is_turned_straight_as_one_and_its_crops_hold_nothing_but_the_frame(tilt: float) -> None:
    said = [tilt, tilt + 0.1, None, tilt - 0.1]
    rim = [standing(0.08, foot=0.95, tall=0.5), standing(0.9, foot=0.6, tall=0.5)]
    for person in (PLAYER, *rim):
        burst = [measured(observed([person]), tilt=degrees) for degrees in said]
        for aspect in ("3:2", "4:5"):
            found, params = solved([burst], level=True, aspect=aspect)
            assert {s.turned for s in found.by_frame.values()} == {round(-tilt, 2)}
            for solution in found.by_frame.values():
                # Corners of pixels: half of one may be rounded away.
                box = box_for(params, solution, HEIGHT, WIDTH)
                assert inside(Box(box.x0 + 2e-5, box.y0 + 2e-5, box.x1 - 2e-5, box.y1 - 2e-5), -tilt, HEIGHT, WIDTH)
                assert shape(box)[0] / shape(box)[1] == pytest.approx(1.5 if aspect == "3:2" else 0.8, abs=3e-3)


@pytest.mark.parametrize("said", [[None] * 4, [0.05] * 4, [-2.0, 2.0, -2.0, 2.0], [2.0, None, None, None, None]])
def test_where_the_hall_does_not_agree_nothing_is_turned(said: list[float | None]) -> None:
    found, _ = solved([[measured(LOOK, tilt=degrees) for degrees in said]], level=True)
    assert not any(s.turned for s in found.by_frame.values())
    found, _ = solved([[measured(LOOK, tilt=2.0)]], level=False)
    assert found.by_frame["TH1_1"].turned == 0


@pytest.mark.parametrize("to", ["box", "none"])
def test_a_whole_frame_that_is_turned_cuts_nobody(to: str) -> None:
    """A line-up, which is left whole; with somebody near the rim, who needs another shape; and with one whom any turn
    would cut, for whom no frame of the burst is turned."""
    apart = [standing(at, foot=0.8, tall=0.4) for at in (0.3, 0.5, 0.7)]
    for rim, turned, shapes in (((), -4.0, 1), ((0.92,), -4.0, 2), ((0.945,), 0.0, 1)):
        burst = [measured(observed(who), tilt=4.0) for who in (apart, apart + [standing(x, 0.8, 0.4) for x in rim])]
        found, params = solved([burst], level=True, to=to, aspect="3:2")
        assert {one.turned for one in found.by_frame.values()} == {turned}
        assert all(("would be cut" in one.level) == (turned == 0) for one in found.by_frame.values())
        boxes = [box_for(params, one, HEIGHT, WIDTH) for one in found.by_frame.values()]
        assert len(set(boxes)) == shapes and all(inside(box, turned, HEIGHT, WIDTH) for box in boxes)
        assert all(shape(box)[0] / shape(box)[1] == pytest.approx(1.5, abs=3e-3) for box in boxes[:1])
    rim = [measured(observed([*apart, standing(0.92, 0.8, 0.4)]), tilt=4.0)]
    original, _ = solved([rim], level=True, to=to, aspect="original")
    assert {one.turned for one in original.by_frame.values()} == {0.0}


def picture(height: int, width: int) -> Image:
    rng = np.random.default_rng(1)
    pixels = rng.uniform(0, 1, (height, width, 3)).astype(np.float32)
    noise = Noise(np.full(3, 1e-4), np.full(3, 1e-6))
    noise_gain_map = np.linspace(0.8, 1.2, 27).reshape(3, 3, 3).astype(np.float32)
    return Image(pixels, Domain.WORKING, noise, np.ones(3), np.eye(3), noise_gain_map)


@pytest.mark.parametrize("height, width", [(400, 600), (401, 599), (97, 211)])
@pytest.mark.parametrize("aspect", ["3:2", "4:5", "16:9"])
def test_apply_cuts_that_and_nothing_else(height: int, width: int, aspect: str) -> None:
    found, params = solved([[measured(LOOK)]], aspect=aspect)
    context = ApplyContext(Frame("a", Path("a"), "a", "raw"), FrameFacts(), found.by_frame["TH1_1"])
    image = picture(height, width)
    cropped = apply(image, params, context)
    x0, y0, x1, y1 = box_to_pixels(box_for(params, context.solution, height, width), height, width)
    assert np.array_equal(cropped.pixels, image.pixels[y0:y1, x0:x1])
    across, down = (float(v) for v in aspect.split(":"))
    rows, columns = cropped.pixels.shape[:2]
    assert abs(columns - rows * across / down) <= 1 + across / down
    assert cropped.noise_gain_map is not None and image.noise_gain_map is not None
    assert (
        image.noise_gain_map.min() - 1e-6 <= cropped.noise_gain_map.min()
        and cropped.noise_gain_map.max() <= image.noise_gain_map.max() + 1e-6
    )


def test_apply_turns_and_holds_no_empty_corner() -> None:
    found, params = solved([[measured(LOOK, tilt=3.0)]], level=True, aspect="3:2")
    image = picture(400, 600)
    bright = image.with_pixels(np.full_like(image.pixels, 0.5))
    context = ApplyContext(Frame("a", Path("a"), "a", "raw"), FrameFacts(), found.by_frame["TH1_1"])
    cropped = apply(bright, params, context)
    assert cropped.pixels[2:-2, 2:-2].min() > 0.45


def test_measuring_works_without_models() -> None:
    image = picture(64, 96)
    detail = Detail(image.pixels[..., 1], 1e-4, 1e-6)
    context = MeasureContext(
        Frame("a", Path("a"), "a", "raw"), image, None, np.ones(3), (), (640, 960), detail, ModelFiles()
    )
    found = measure(context)
    people = found.people
    assert found.has_models == (False, False) and len(people.people) == len(people.faces) == len(people.balls) == 0
    assert found.sharpness > 0 and people.size == (640, 960)
    assert find_subjects([people]) == [None]


@pytest.mark.parametrize(
    "wrong",
    [
        {"to": "ball"}, {"aspect": "3/2"}, {"aspect": "0:1"}, {"aspect": "wide"}, {"margin": -0.1}, {"lead_room": 1.5},
        {"fill": 0.1}, {"at_least": -1}, {"share": 0.0}, {"zoom": 2},
    ],
)  # fmt: skip
def test_parameters_have_their_range(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        CropParams(**wrong)


def test_crops_follow_subjects_that_the_lens_moves() -> None:
    """The subject is looked for in the frame as taken; what is delivered is straightened."""
    player = standing(0.78, foot=0.75, tall=0.25)
    named = {"TH1_1": measured(observed([player]))}
    subjects = dict(zip(named, find_subjects([m.people for m in named.values()]), strict=True))
    frames = [Frame("TH1_1", Path("TH1_1"), "TH1_1", "raw")]
    warp = of_factors(np.array([1.0, 0.0, -0.12]))
    solution = LensSolution(moved_by=LensSource.FILE, warp=warp)
    boxes = []
    for earlier in ({}, {"lens": {"TH1_1": solution}}):
        context = SolveContext(
            frames, [Burst(("TH1_1",))], Facts(), named, lambda: None, lambda: subjects, lambda: {}, earlier
        )  # fmt: skip
        params = CropParams(aspect="3:2")
        boxes.append(box_for(params, solve(context, params).by_frame["TH1_1"], HEIGHT, WIDTH))
    plain, followed = boxes
    upright = UprightWarp(warp, Orientation.TOP_LEFT, (HEIGHT, WIDTH))
    shown = upright.box_after(plain)
    assert holds(followed, upright.box_after(Box(*player[:4]))) and holds(followed, shown, 1e-3)
    assert not holds(plain, shown, 1e-2)
    assert shape(followed)[0] / shape(followed)[1] == pytest.approx(1.5, rel=0.02)
