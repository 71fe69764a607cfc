"""exposure's solve on scenes made by hand, whose surfaces and light are known: what is promised for each `across`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.scene_white import WhiteSource
from pipeline.light.scenes import ShootLight
from pipeline.shoot.facts import Facts, FrameFacts, Reference
from pipeline.steps.base import ApplyContext, SolveContext
from pipeline.steps.exposure import ExposureParams, ExposureSolution, apply, solve
from pipeline.steps.white_balance import WhiteBalanceParams, WhiteBalanceSolution
from pipeline.steps.white_balance import solve as solve_balance
from pipeline.types import Domain, Exif, Frame, Image, Noise
from tests.steps.test_white_balance import context_of as balance_context_of
from tests.steps.test_white_balance import light_of, scene

ACROSS = ("none", "burst", "zone", "shoot")


def shoot(levels: Sequence[float], tones: Sequence[float], zone: Sequence[int] | None = None) -> ShootLight:
    """Singles F0, F1, ... with these mean levels and these stops of light; zone: lamps far apart in colour."""
    scenes = [scene([f"F{i}"], level=np.full(3, v)) for i, v in enumerate(levels)]
    chromaticities = [(0.6 * z, -0.6 * z) for z in zone or [0] * len(levels)]
    return replace(light_of(scenes, chromaticities), tone=np.array(tones, dtype=float))


def context_of(light: ShootLight, facts: Facts | None = None, **measured: dict) -> SolveContext:
    """As white_balance's, with no pixels measured that could burn out."""
    return replace(balance_context_of(light, facts, **measured), measured={})


def stops(context: SolveContext, **params: object) -> np.ndarray:
    found = solve(context, ExposureParams(**params))
    names = [f.name for f in context.frames]
    assert list(found.by_frame) == names
    assert json.dumps([s.as_json() for s in found.by_frame.values()], allow_nan=False)
    return np.array([found.by_frame[n].ev for n in names])


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
    """One end of the hall is a stop darker, and its pictures 0.4 less than that: zone goes half of the way between each
    end at the mean by itself and surfaces alike, which shoot makes them."""
    tones, zone = np.array([0.0, 0.1, -1.0, -0.9]), [0, 0, 1, 1]
    context = context_of(shoot([-3.0, -2.9, -3.6, -3.5], tones, zone))
    by_zone = tones + stops(context, across="zone")
    assert by_zone[0] == pytest.approx(by_zone[1]) and by_zone[2] == pytest.approx(by_zone[3])
    assert by_zone[2] - by_zone[0] == pytest.approx(-0.4 / 2, abs=1e-3)
    assert np.ptp(tones + stops(context, across="shoot")) < 2e-4


def test_a_zone_far_off_the_others_is_moved_by_no_more_than_a_burst_would_be() -> None:
    """Pictures of one end are three stops brighter than their light says: half of 0.8 stops is taken off each end."""
    tones, zone = np.array([0.0, 0.0, -1.0, -1.0]), [0, 0, 1, 1]
    by_zone = tones + stops(context_of(shoot([-5.0, -5.0, -3.0, -3.0], tones, zone)), across="zone")
    assert by_zone[2] - by_zone[0] == pytest.approx(-(3.0 - 0.8), abs=1e-3)


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
    facts = Facts(references=(Reference("F0", patch=Box(0, 0, 1, 1)),))
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
    assert found.by_frame["F0"].ev == pytest.approx(3 + np.log2(0.16), abs=1e-3)


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


FLICKERS = tuple(GainMap(np.random.default_rng(k).normal(0, 0.15, (3, 2, 3))) for k in range(3))


@pytest.mark.parametrize("method", ["camera", "fixed", "gray_world"])
def test_balance_and_exposure_together_undo_the_flicker_once(method: str) -> None:
    """Whichever step does the colour: frames that differ by their flicker alone come out alike, also where the
    camera's automatic balance followed the flicker from frame to frame."""
    names = ["F0", "F1", "F2"]
    as_shot = {n: {"as_shot": np.array([2.0 - 0.2 * k, 1.0, 1.4 + 0.1 * k])} for k, n in enumerate(names)}
    context = balance_context_of(light_of([scene(names, flicker=FLICKERS)]), **as_shot)
    balance = solve_balance(context, WhiteBalanceParams(method=method, multipliers=(2.0, 1.0, 1.5)))
    context = replace(context, measured={}, earlier={"white_balance": balance.by_frame})
    exposed = solve(context, ExposureParams(across="burst")).by_frame
    result = []
    for name, flicker in zip(names, FLICKERS, strict=True):
        gains = balance.by_frame[name].stops + exposed[name].gain_map
        result.append(gains.on(20, 30) - flicker.on(20, 30))
    assert np.ptp(result, axis=0).max() < 0.003
    assert np.ptp(result[0][..., 1]) < 0.003


def test_without_white_balance_the_whole_flicker_is_undone() -> None:
    context = context_of(light_of([scene(["F0", "F1", "F2"], flicker=FLICKERS)]))
    exposed = solve(context, ExposureParams()).by_frame
    left = [exposed[f"F{k}"].gain_map.on(9, 9) - p.on(9, 9) for k, p in enumerate(FLICKERS)]
    assert np.ptp(left, axis=0).max() < 0.003


def test_level_is_the_mean_luminance_that_apply_gives() -> None:
    """The step's own arithmetic against the pixels: a grey picture under balanced gains gets the mean asked for."""
    grey = np.full((8, 12, 3), [0.05, 0.1, 0.06], np.float32)
    light = light_of([scene(["F0"], level=np.log2([0.05, 0.1, 0.06]))])
    balance = {"F0": WhiteBalanceSolution(np.array([2.0, 1.0, 1.6]), WhiteSource.FIXED, "fixed")}
    solution = solve(replace(context_of(light), earlier={"white_balance": balance}), ExposureParams()).by_frame["F0"]
    image = Image(grey, Domain.CAMERA, Noise(np.full(3, 1e-5), np.zeros(3)), np.ones(3), np.eye(3))
    up = Orientation.TOP_LEFT
    out = apply_gain_map(apply_gain_map(image, balance["F0"].stops, up), solution.gain_map, up)
    assert float(out.pixels.mean(axis=(0, 1)) @ LUMINANCE) == pytest.approx(0.16, rel=0.002)


FLICKER = GainMap(np.array([[[-0.4, 0.1, 0.2]], [[0.5, 0.3, -0.2]]]))  # along the sensor's rows


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_apply_multiplies_each_row_by_its_gain(tmp_path, orientation: int) -> None:
    """A grey frame whose sensor rows were lit by the wave comes out flat, however the camera was held (Exif 2.32, tag
    274: 6 and 8 are quarter turns, so that the rows of the sensor are columns of the picture)."""
    height, width = (60, 90) if orientation < 5 else (90, 60)
    turns = {1: 0, 3: 2, 6: 3, 8: 1}[orientation]
    lit = np.rot90(0.2 * 2.0 ** -FLICKER.on(60, 90), turns).astype(np.float32)
    assert lit.shape == (height, width, 3)
    image = Image(lit, Domain.CAMERA, Noise(np.full(3, 1e-4), np.full(3, 1e-6)), np.ones(3), np.eye(3))
    frame = Frame("F0", tmp_path / "F0.dng", "F0.dng", "raw", Exif(orientation=orientation))
    solution = ExposureSolution.of(FLICKER)
    out = apply(image, ExposureParams(), ApplyContext(frame, FrameFacts(), solution))
    assert np.ptp(image.pixels) > 0.1
    assert out.pixels == pytest.approx(np.full((height, width, 3), 0.2), rel=0.01)
    assert out.noise.a == pytest.approx(1e-4 * 2.0 ** FLICKER.coefficients[0, 0])
    assert out.saturation == pytest.approx(2.0 ** FLICKER.coefficients[0, 0])


def test_one_gain_for_all_keeps_the_noise_in_step(tmp_path) -> None:
    """x -> g x: photon variance a x + b becomes g a (g x) + g^2 b."""
    image = Image(
        np.full((4, 6, 3), 0.1, np.float32),
        Domain.CAMERA,
        Noise(np.full(3, 1e-4), np.full(3, 1e-6)),
        np.ones(3),
        np.eye(3),
    )
    frame = Frame("F0", tmp_path / "F0.dng", "F0.dng", "raw")
    solution = ExposureSolution.of(GainMap.constant(np.ones(3)))
    out = apply(image, ExposureParams(), ApplyContext(frame, FrameFacts(), solution))
    assert out.pixels == pytest.approx(np.full((4, 6, 3), 0.2))
    assert out.noise.a == pytest.approx(np.full(3, 2e-4)) and out.noise.b == pytest.approx(np.full(3, 4e-6))


def test_burst_pulls_a_picture_by_at_most_four_tenths() -> None:
    """Half of 0.8 stops: a picture further from the others than ends of one hall are was lit by something else."""
    own = np.log2(0.16)
    context = context_of(shoot([-3.0, -3.0, -3.0, -6.0], [0, 0, 0, 0]))
    assert stops(context, across="burst")[3] == pytest.approx(own + 6.0 - 0.4, abs=1e-3)
    context = context_of(shoot([-3.0, -3.0, -3.0, -0.5], [0, 0, 0, 0]))
    assert stops(context, across="burst")[3] == pytest.approx(own + 0.5 + 0.4, abs=1e-3)


@pytest.mark.parametrize(("match", "alone"), [(0.61, False), (0.59, True)])
def test_from_which_match_a_scene_counts_as_recognised(match: float, alone: bool) -> None:
    light = replace(shoot([-3.0, -3.0, -4.0], [0, 0, 3.0]), match=np.array([1, 1, match]))
    found = stops(context_of(light), across="shoot", limit=6)
    assert found[2] == pytest.approx(4 + np.log2(0.16) if alone else 3 + np.log2(0.16) - 3, abs=1e-3)


def test_a_frame_apart_from_its_burst_is_pointed_out() -> None:
    """Less than three hundredths of the picture in common with the burst: named; more: not."""
    burst = scene(["F0", "F1", "F2", "F3"], flicker=(*FLICKERS, FLICKERS[0]))
    light = light_of([replace(burst, steady=np.array([0.9, 0.0285, 0.0315, 0.5]))])
    assert set(solve(context_of(light), ExposureParams()).notices_by_frame) == {"F1"}


@pytest.mark.parametrize(("spread", "named"), [(0.16, True), (0.14, False)])
def test_single_frames_under_flickering_lamps_are_pointed_out(spread: float, named: bool) -> None:
    """One frame does not show how its rows were lit: a notice says so where bursts vary by 0.15 stops or more."""
    level = [GainMap.constant(np.full(3, v)) for v in (0.0, spread, 0.0)]
    light = light_of([scene(["F0", "F1", "F2"], flicker=tuple(level)), scene(["F3"]), scene(["F4"])])
    notices = solve(context_of(light), ExposureParams()).notices
    assert [n.startswith("exposure: F3 and 1 more single frame: ") for n in notices] == ([True] if named else [])


def test_a_single_that_a_burst_evened_is_not_pointed_out() -> None:
    level = [GainMap.constant(np.full(3, v)) for v in (0.0, 0.2, 0.0)]
    evened = scene(["F3"], flicker=(GainMap.constant(np.full(3, 0.1)),))
    notices = solve(context_of(light_of([scene(["F0", "F1", "F2"], flicker=tuple(level)), evened])), ExposureParams())
    assert not notices.notices


def test_the_reference_frames_themselves_do_not_make_the_typical_picture() -> None:
    """A card held close to the lens is no typical picture: the others decide what is usual."""
    facts = Facts(references=(Reference("F0", patch=Box(0, 0, 1, 1)),))
    light = shoot([0.0, -3.0, -3.2, -3.4], [0.0, 0.0, 0.0, 0.0])
    found = stops(context_of(light, facts), across="shoot")
    assert -3.2 + found[2] == pytest.approx(np.log2(0.16), abs=1e-3)


def test_a_balance_that_has_evened_the_colour_leaves_brightness_only() -> None:
    """Then exposure takes out the wave of green in all channels alike, so that no colour comes back."""
    context = context_of(light_of([scene(["F0", "F1", "F2"], flicker=FLICKERS)]))
    balance = {
        f"F{k}": WhiteBalanceSolution(np.array([2.0, 1.0, 1.5]), WhiteSource.REFERENCE, "", evened=True)
        for k in range(3)
    }
    found = solve(replace(context, earlier={"white_balance": balance}), ExposureParams()).by_frame
    for k, flicker in enumerate(FLICKERS):
        gains = found[f"F{k}"].gain_map.on(9, 9)
        assert np.ptp(gains, axis=2).max() < 2e-3
        assert np.ptp((gains - flicker.on(9, 9))[..., 1]) < 3e-3


@pytest.mark.parametrize("kind", ["picture", "raw"])
@pytest.mark.parametrize("across", ["burst", "zone", "shoot"])
@pytest.mark.parametrize("level", [(-2.0, -3.0, -4.0), (-3.0, -3.0, -3.0)])
def test_a_finished_picture_that_loses_a_warm_cast_stays_as_bright(
    kind: str, across: str, level: tuple[float, ...]
) -> None:
    """Its luminance (ITU-R BT.709) as somebody chose it: red falls, and with it most of what was light."""
    gains, found = np.array([0.73, 1.0, 1.83]), np.array(level)
    context = context_of(light_of([scene(["F0"], level=found)]))
    context = replace(context, frames=[replace(f, kind=kind) for f in context.frames])
    balance = {"F0": WhiteBalanceSolution(gains, WhiteSource.GRAY_WORLD, "", evened=True)}
    params = ExposureParams.model_validate({"across": across})
    ev = solve(replace(context, earlier={"white_balance": balance}), params).by_frame["F0"].ev
    before, after = (np.log2(np.array([0.2126, 0.7152, 0.0722]) @ 2.0**v) for v in (found, found + np.log2(gains) + ev))
    if kind == "picture":
        assert after == pytest.approx(before, abs=0.001)
    else:
        assert after == pytest.approx(np.log2(0.16), abs=0.001)
        shot = solve(replace(context, earlier={"white_balance": balance}), ExposureParams(target="exposed"))
        assert shot.by_frame["F0"].ev == 0  # its balance is how it becomes a picture


@pytest.mark.parametrize(
    ("across", "target", "said"),
    [
        ("none", 1.0, "target does nothing with across: none"),
        ("none", "exposed", "target does nothing with across: none"),
        ("zone", 5.0, "target: 5 is more than limit: 3.5 allows"),
        ("none", "median", ""),
        ("zone", 1.0, ""),
    ],
)
def test_a_target_that_cannot_be_met_is_said(across: str, target: object, said: str) -> None:
    params = ExposureParams.model_validate({"across": across, "target": target})
    of_target = [text for text in solve(context_of(shoot([-3.0], [0.0])), params).notices if "target" in text]
    assert len(of_target) == bool(said) and all(said in text for text in of_target)


def test_a_target_beyond_every_limit_is_refused() -> None:
    with pytest.raises(ValueError, match="less than or equal to 6"):
        ExposureParams.model_validate({"target": 9})
