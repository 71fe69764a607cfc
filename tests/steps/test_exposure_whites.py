"""exposure leaves white white: how far bright frames are lowered, judged in pixels that the real curve makes.

Offset paper has L* 93 to 95 (ISO 12647-2); a lone frame of white paper under flash, ../shared/data/raw/CRW_0119, came
out with paper of L* 85.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.imaging.colour import srgb_decode, to_lab
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.shoot.facts import Facts, Reference
from pipeline.steps import tone
from pipeline.steps.base import SolveContext
from pipeline.steps.bright_pixels import bright_pixels
from pipeline.steps.exposure import ExposureMeasurement, ExposureParams, ExposureSolution, solve
from pipeline.steps.tone import ToneParams
from pipeline.types import Image
from tests.real_exposure import clipping
from tests.steps.test_exposure_burning import picture
from tests.steps.test_white_balance import context_of, light_of, scene

UP = Orientation.TOP_LEFT
CURVE = ToneParams()
WANTED = float(np.log2(0.16))


def bursts(
    of: list[list[Image]],
    levels: list[float],
    tones: list[float] | None = None,
    finished: bool = False,
    facts: Facts | None = None,
    curves: tuple[ToneParams, ...] = (CURVE,),
) -> SolveContext:
    """Bursts of these frames, F0, F1, ..., of these mean log2 luminances and stops of light."""
    flat = [image for images in of for image in images]
    names, scenes = iter(f"F{i}" for i in range(len(flat))), []
    still = GainMap.constant(np.zeros(3))
    for images, level in zip(of, levels, strict=True):
        scenes.append(scene([next(names) for _ in images], level=np.full(3, level), flicker=(still,) * len(images)))
    light = replace(light_of(scenes), tone=np.array(tones or [0.0] * len(of)))
    context = context_of(light, facts)
    measured = {
        f"F{i}": ExposureMeasurement(bright_pixels(image, np.ones(3), UP, finished), np.ones(3))
        for i, image in enumerate(flat)
    }
    frames = [replace(f, kind="picture" if finished else "raw", path=Path(f.name)) for f in context.frames]
    return replace(
        context, frames=frames, measured=measured,
        displayed=lambda image, is_finished: [tone.displayed(image, c, is_finished) for c in curves],
    )  # fmt: skip


def stops(context: SolveContext, **params: object) -> list[float]:
    found = solve(context, ExposureParams(**params)).by_frame
    return [found[f.name].ev for f in context.frames]


def lightness(image: Image, ev: float, curve: ToneParams = CURVE) -> float:
    """L* of the brightest part of a delivered picture."""
    lifted = apply_gain_map(image, ExposureSolution.of(GainMap.constant(np.full(3, ev))).gain_map, UP)
    return float(to_lab(srgb_decode(tone.displayed(lifted, curve, False).pixels))[..., 0].max())


def test_what_the_sensor_clipped_stays_white() -> None:
    """A frame whose mean asks for 0.7 EV less, with 1 % at the end of the scale: as light as paper."""
    clipped = picture(2.0, 0.01)
    assert lightness(clipped, -0.7) < 91
    context = bursts([[clipped]], [WANTED + 0.7])
    (found,) = stops(context)
    assert -0.3 < found <= 0 and lightness(clipped, found) >= 95.9
    said = solve(context, ExposureParams()).notices_by_frame["F0"]
    assert "in place of −0.70 EV, so that white stays white" in said


def test_what_is_as_large_as_paper_stays_white() -> None:
    """Nothing is clipped; a tenth of the frame is white as exposed: lowered as far as L* 90, no further."""
    paper = picture(0.9, 0.1)
    assert lightness(paper, 0) > 94 and lightness(paper, -1.0) < 80
    (found,) = stops(bursts([[paper]], [WANTED + 1.0]))
    assert -0.6 < found < -0.1 and 90 <= lightness(paper, found) < 93


def test_lamps_and_glints_do_not_count() -> None:
    context = bursts([[picture(2.0, 0.004)]], [WANTED + 1.0])
    assert stops(context) == pytest.approx([-1.0], abs=1e-3)
    assert not solve(context, ExposureParams()).notices_by_frame


def test_a_bright_wall_is_lowered() -> None:
    """L* 81 as exposed is no paper; in between nothing jumps: two hundredths of light more moves a level a little."""
    assert stops(bursts([[picture(0.5, 0.2)]], [WANTED + 0.5])) == pytest.approx([-0.5], abs=1e-3)
    found = [stops(bursts([[picture(v, 0.2)]], [WANTED + 0.7]))[0] for v in np.arange(0.5, 1.0, 0.02)]
    assert found[0] == pytest.approx(-0.7, abs=1e-3) and found[-1] > -0.4 and np.abs(np.diff(found)).max() < 0.2


def test_a_frame_that_is_lifted_is_left_alone() -> None:
    assert stops(bursts([[picture(2.0, 0.1)]], [WANTED - 0.3])) == pytest.approx([0.3], abs=1e-3)


def test_a_picture_by_itself_is_raised_by_eight_tenths_at_most() -> None:
    assert stops(bursts([[picture(2.0, 0.2)]], [WANTED + 2.0])) == pytest.approx([-1.2], abs=1e-3)


def test_a_burst_keeps_one_level_that_of_its_typical_frame() -> None:
    """The clipped part comes into view in some frames: the burst stays as even as it is."""
    clipped, plain = picture(2.0, 0.1), picture(0.3, 0.1)
    two_of_three = stops(bursts([[clipped, plain, clipped]], [WANTED + 0.7]))
    assert len(set(two_of_three)) == 1 and two_of_three[0] > -0.2
    one_of_three = stops(bursts([[plain, clipped, plain]], [WANTED + 0.7]))
    assert one_of_three == pytest.approx([-0.7] * 3, abs=1e-3)


def test_a_burst_stands_out_no_more_than_its_picture_may_move_it() -> None:
    """Among four others of the same light: four tenths of a stop above them at most, as own_reach and own_share say."""
    plain, clipped = picture(0.3, 0.1), picture(2.0, 0.2)
    others, all_bright = [[plain]] * 4, [WANTED + 1.0] * 5
    assert stops(bursts([*others, [clipped]], all_bright)) == pytest.approx([-1.0] * 4 + [-0.6], abs=1e-3)
    found = stops(bursts([*others, [clipped]], all_bright, [0.0] * 4 + [0.3]))  # by 0.3 EV more light
    assert found[4] == pytest.approx(-1.0 - 0.3 + 0.4, abs=1e-3)


@pytest.mark.parametrize("across", ["zone", "shoot"])
def test_evenness_between_bursts_comes_first_where_asked_for(across: str) -> None:
    found = stops(bursts([[picture(0.3, 0.1)]] * 2 + [[picture(2.0, 0.2)]], [WANTED + 0.8] * 3), across=across)
    assert found == pytest.approx([-0.8] * 3, abs=1e-3)


def test_what_the_recipe_asks_for_is_not_given_back() -> None:
    """A number, reference frames and "exposed" are wishes: a number is added to what keeps white white."""
    clipped = picture(2.0, 0.02)
    (plain,) = stops(bursts([[clipped]], [WANTED + 0.7]))
    assert stops(bursts([[clipped]], [WANTED + 0.7]), target=-0.5) == pytest.approx([plain - 0.5], abs=0.002)
    assert stops(bursts([[clipped]], [WANTED + 0.7], finished=True), target=-0.5) == [-0.5]
    assert stops(bursts([[clipped]], [WANTED + 0.7]), target="exposed") == [0]
    facts = Facts(references=(Reference("F0", patch=Box(0, 0, 1, 1)),))
    of = [[picture(0.3, 0.1)], [clipped]]
    assert stops(bursts(of, [-3.0, -2.0], [0, 1.0], facts=facts), target="reference")[1] == pytest.approx(-1, abs=1e-3)


def test_one_delivery_that_is_dark_on_purpose_lifts_no_other() -> None:
    clipped = picture(2.0, 0.02)
    one = stops(bursts([[clipped]], [WANTED + 0.7]))
    assert stops(bursts([[clipped]], [WANTED + 0.7], curves=(CURVE, ToneParams(ev=-1)))) == one


def test_a_real_white_box_is_white(shared, tmp_path: Path) -> None:
    """../shared/data/raw/CRW_0119 by itself: its mean asks for a stop less, and its paper came out at L* 85."""
    (tmp_path / "shoot").mkdir()
    (path,) = shared("data/raw").glob("CRW_0119*")
    (tmp_path / "shoot" / path.name).write_bytes(path.read_bytes())
    (found,) = clipping(tmp_path / "shoot", tmp_path)
    assert -0.6 < found.ev < -0.1 and found.new.max() <= 0.5
    assert any("so that white stays white" in n for n in found.notices)
