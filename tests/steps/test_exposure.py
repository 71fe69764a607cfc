"""exposure's solve on scenes made by hand, whose surfaces and light are known: what is promised for each `across`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE
from pipeline.light.gain_map import GainMap, apply_gain_map, of_solution
from pipeline.light.scenes import ShootLight
from pipeline.shoot.facts import Facts, Reference
from pipeline.steps.base import SolveContext
from pipeline.steps.exposure import ExposureParams, solve
from pipeline.steps.white_balance import WhiteBalanceParams
from pipeline.steps.white_balance import solve as solve_balance
from pipeline.types import Domain, Image, Noise
from tests.steps.test_white_balance import context_of, light_of, scene

ACROSS = ("none", "burst", "zone", "shoot")


def shoot(levels: Sequence[float], tones: Sequence[float], zone: Sequence[int] | None = None) -> ShootLight:
    """Singles F0, F1, ... with these mean levels and these stops of light; zone: lamps far apart in colour."""
    scenes = [scene([f"F{i}"], level=np.full(3, v)) for i, v in enumerate(levels)]
    chromaticities = [(0.6 * z, -0.6 * z) for z in zone or [0] * len(levels)]
    return replace(light_of(scenes, chromaticities), tone=np.array(tones, dtype=float))


def stops(context: SolveContext, **params: object) -> np.ndarray:
    found = solve(context, ExposureParams(**params))
    names = [f.name for f in context.frames]
    assert list(found.by_frame) == names
    assert json.dumps(found.by_frame, allow_nan=False)
    return np.array([found.by_frame[n]["ev"] for n in names])


def test_none_leaves_all_as_exposed() -> None:
    context = context_of(shoot([-3, -4], [0, -1]))
    assert stops(context, across="none") == pytest.approx([0, 0])


@pytest.mark.parametrize("across", ["zone", "shoot"])
@pytest.mark.parametrize("target", ["median", "exposed", 0.5])
def test_same_surfaces_come_out_equally_bright(across: str, target: object) -> None:
    """Four scenes in one light's colour, exposed differently: tone + stops is the same whatever is in the picture."""
    tones = np.array([0.0, 0.7, -0.4, 0.2])
    context = context_of(shoot([-3.0, -2.1, -3.9, -2.8], tones))
    assert np.ptp(tones + stops(context, across=across, target=target)) < 2e-4


def test_zones_stay_apart_but_the_shoot_does_not() -> None:
    """One end of the hall is a stop darker. zone keeps each end at the mean by itself; shoot makes surfaces alike."""
    tones, zone = np.array([0.0, 0.1, -1.0, -0.9]), [0, 0, 1, 1]
    context = context_of(shoot([-3.0, -2.9, -3.6, -3.5], tones, zone))
    by_zone = tones + stops(context, across="zone")
    assert by_zone[0] == pytest.approx(by_zone[1]) and by_zone[2] == pytest.approx(by_zone[3])
    assert by_zone[2] - by_zone[0] == pytest.approx(-0.4, abs=1e-3)
    assert np.ptp(tones + stops(context, across="shoot")) < 2e-4


@pytest.mark.parametrize("across", ["burst", "zone", "shoot"])
def test_typical_picture_gets_the_mean_and_a_number_adds_stops(across: str) -> None:
    context = context_of(shoot([-3.0, -3.0, -3.0], [0, 0, 0]))
    assert -3.0 + stops(context, across=across) == pytest.approx(np.log2([0.16] * 3), abs=1e-3)
    assert -3.0 + stops(context, across=across, mean=0.2) == pytest.approx(np.log2([0.2] * 3), abs=1e-3)
    more = stops(context, across=across, target=-0.7) - stops(context, across=across)
    assert more == pytest.approx([-0.7] * 3, abs=2e-4)


def test_burst_lets_a_picture_look_right_by_itself() -> None:
    """A bright bench in one picture (level) moves it by half of what it would need; light (tone) is evened in full."""
    context = context_of(shoot([-3.0, -3.0, -2.6, -4.0], [0, 0, 0, -1.0]))
    found = stops(context, across="burst")
    assert found[3] - found[0] == pytest.approx(1.0, abs=0.01)
    assert found[2] - found[0] == pytest.approx(-0.2, abs=0.01)


@pytest.mark.parametrize("across", ["zone", "shoot"])
def test_reference_and_exposed_targets(across: str) -> None:
    """reference: as bright as the reference frame shows the hall, which is therefore left alone."""
    light = shoot([-2.0, -3.0, -2.7], [0.4, -0.6, -0.3])
    facts = Facts(references=(Reference("F0", patch=(0, 0, 1, 1)),))
    context = context_of(light, facts)
    assert stops(context, across=across, target="reference") == pytest.approx([0.0, 1.0, 0.7], abs=1e-3)
    # exposed: the typical frame of the match, the middle of the others' tones, is left alone.
    found = stops(context, across=across, target="exposed")
    assert light.tone + found == pytest.approx([-0.45] * 3, abs=1e-3)


def test_exposed_by_burst_changes_no_level() -> None:
    context = context_of(shoot([-3.0, -5.0], [0.0, -2.0]))
    assert stops(context, across="burst", target="exposed") == pytest.approx([0, 0])


@pytest.mark.parametrize("across", ["burst", "zone", "shoot"])
def test_exposed_leaves_scenes_that_nobody_recognises(across: str) -> None:
    light = replace(shoot([-3.0, -3.0, -5.0], [0, 0, 0]), match=np.array([1, 1, 0.3]), group=np.array([0, 0, 1]))
    assert stops(context_of(light), across=across, target="exposed") == pytest.approx([0, 0, 0])


def test_reference_without_one_says_so() -> None:
    context = context_of(shoot([-3.0], [0.0]))
    found = solve(context, ExposureParams(target="reference"))
    assert "no reference frame" in found.notices[0]
    assert found.by_frame["F0"]["ev"] == pytest.approx(3 + np.log2(0.16), abs=1e-3)


@pytest.mark.parametrize("across", ["burst", "zone", "shoot"])
def test_limit(across: str) -> None:
    context = context_of(shoot([-9.0, -9.0], [0, 0]))
    assert stops(context, across=across, limit=2) == pytest.approx([2, 2])
    context = context_of(shoot([-0.1, -0.1], [0, 0]))
    assert stops(context, across=across, limit=0.5) == pytest.approx([-0.5, -0.5])


@pytest.mark.parametrize("across", ACROSS)
def test_frames_without_light_are_left_alone(across: str) -> None:
    light = shoot([-3.0, np.nan, -3.0], [0, 0, 0])
    found = stops(context_of(light), across=across)
    assert np.isfinite(found).all() and found[0] == found[2]
    assert np.isfinite(stops(context_of(shoot([np.nan], [0])), across=across)).all()


def test_unrecognised_scene_has_only_itself() -> None:
    light = replace(shoot([-3.0, -3.0, -4.0], [0, 0, 3.0]), match=np.array([1, 1, 0.5]))
    found = stops(context_of(light), across="shoot")
    assert found[2] == pytest.approx(4 + np.log2(0.16), abs=1e-3)


PULSES = tuple(GainMap(np.random.default_rng(k).normal(0, 0.15, (3, 2, 3))) for k in range(3))


@pytest.mark.parametrize("method", ["camera", "fixed", "gray_world"])
def test_balance_and_exposure_together_undo_the_pulse_once(method: str) -> None:
    """Whichever step does the colour: frames that differ by their pulses alone come out alike, also where the
    camera's automatic balance followed the pulse from frame to frame."""
    names = ["F0", "F1", "F2"]
    as_shot = {n: {"as_shot": np.array([2.0 - 0.2 * k, 1.0, 1.4 + 0.1 * k])} for k, n in enumerate(names)}
    context = context_of(light_of([scene(names, flicker=PULSES)]), **as_shot)
    balance = solve_balance(context, WhiteBalanceParams(method=method, multipliers=(2.0, 1.0, 1.5)))
    context = replace(context, earlier={"white_balance": balance.by_frame})
    exposed = solve(context, ExposureParams(across="burst")).by_frame
    result = []
    for name, flicker in zip(names, PULSES, strict=True):
        gains = of_solution(balance.by_frame[name]) + of_solution(exposed[name])
        result.append(gains.on(20, 30) - flicker.on(20, 30))
    assert np.ptp(result, axis=0).max() < 0.003
    assert np.ptp(result[0][..., 1]) < 0.003


def test_without_white_balance_the_whole_pulse_is_undone() -> None:
    context = context_of(light_of([scene(["F0", "F1", "F2"], flicker=PULSES)]))
    exposed = solve(context, ExposureParams()).by_frame
    left = [of_solution(exposed[f"F{k}"]).on(9, 9) - p.on(9, 9) for k, p in enumerate(PULSES)]
    assert np.ptp(left, axis=0).max() < 0.003


def test_level_is_the_mean_luminance_that_apply_gives() -> None:
    """The step's own arithmetic against the pixels: a grey picture under balanced gains gets the mean asked for."""
    grey = np.full((8, 12, 3), [0.05, 0.1, 0.06], np.float32)
    light = light_of([scene(["F0"], level=np.log2([0.05, 0.1, 0.06]))])
    balance = {"F0": {"gains": [2.0, 1.0, 1.6]}}
    solution = solve(replace(context_of(light), earlier={"white_balance": balance}), ExposureParams()).by_frame["F0"]
    image = Image(grey, Domain.CAMERA, Noise(np.full(3, 1e-5), np.zeros(3)), np.ones(3), np.eye(3))
    out = apply_gain_map(apply_gain_map(image, of_solution(balance["F0"]), 1), of_solution(solution), 1)
    assert float(out.pixels.mean(axis=(0, 1)) @ LUMINANCE) == pytest.approx(0.16, rel=0.002)
