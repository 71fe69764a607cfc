"""One lamp for all frames of a burst, against lamps drawn from their closed form, log2(1 + d cos(phase))."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.light.flicker import _learned
from pipeline.light.gain_map import GainMap
from pipeline.light.registration import Motion
from pipeline.light.row_wave import TO_PARTS
from pipeline.light.shared_lamp import SHARED_LAMP, Perspective, Place, SharedLamp, fitted, places

TILES = (24, 36)
DEPTH = np.array([0.22, 0.30, 0.40])  # of R, G and B at the left; the light at the right is steady
ROWS, COLUMNS = (v.ravel() for v in np.meshgrid(*((np.arange(n) + 0.5) / n * 2 - 1 for n in TILES), indexing="ij"))


def wall(frames: int, tiles: tuple[int, int] = TILES) -> list[Place]:
    """Frames that show a wall, all the same part of it."""
    return places(tiles, Perspective(), [Motion()] * frames, (96, 144), 1)


def drawn(frames: int, cycles: float = 0.42, turn: float = 0.8, down: float = 0.06) -> tuple[np.ndarray, np.ndarray]:
    """(F, T, 3) stops by part of one lamp, log2(1 + d cos(phase)), whose depth falls and whose phase turns from left to
    right, more so in the lower rows; (F,) phases."""
    phases = np.random.default_rng(4).uniform(0, 2 * np.pi, frames)
    depth = DEPTH * (0.6 - 0.3 * COLUMNS - down * ROWS * COLUMNS)[:, None]
    angle = phases[:, None, None] + (np.pi * cycles * ROWS + 0.5 * turn * COLUMNS)[:, None]
    return np.log2(1 + depth * np.cos(angle)) @ TO_PARTS, phases


def plain(left: np.ndarray, weight: np.ndarray, tiles: tuple[int, int], step: int) -> np.ndarray:
    """Weights as they are, 0 where nothing is known."""
    return np.where(np.isfinite(left), weight, 0.0)


def found(seen: np.ndarray, cycles: float = 0.42, steps: int = 8) -> tuple[SharedLamp, float]:
    """The lamp of what tiles show, every one as sure as the next."""
    rows = seen[..., 0].reshape(-1, *TILES).mean(axis=2)
    waves = np.stack([np.interp(np.linspace(-1, 1, 24), ROWS[:: TILES[1]], one) for one in rows - rows.mean(axis=0)])
    weight = np.full_like(seen, 1 / 0.012**2 / 12)
    return fitted(SharedLamp.starting(waves, cycles), seen, weight, wall(len(seen)), plain, steps)[:2]


def off(lamp: SharedLamp, light: np.ndarray, whole: bool = False) -> float:
    """Stops, root mean square of the common part."""
    true = light if whole else light - light.mean(axis=0)
    return float(np.sqrt(((lamp.on(wall(len(light)), whole) - true)[..., 0] ** 2).mean()))


@pytest.mark.parametrize("frames", [6, 14])
def test_one_lamp_whose_phase_and_depth_change_over_the_hall(frames: int) -> None:
    """Also of more frames than the start looks at. What the scene has wrong, alike in all frames, moves nothing."""
    light, _ = drawn(frames)
    scene = 0.2 * np.random.default_rng(1).normal(0, 1, light.shape[1:])
    lamp, explained = found(light - light.mean(axis=0) + scene)
    assert off(lamp, light) < 0.006
    assert explained > 0.99
    again, _ = found(light - light.mean(axis=0))
    assert lamp.on(wall(len(lamp.phases)), False) == pytest.approx(again.on(wall(frames), False), abs=1e-5)


def test_what_all_frames_share_is_the_lamps_own() -> None:
    """The closed form, 1 + d cos(phase), is told from how frames differ where their phases go round."""
    light, _ = drawn(8)
    lamp, _ = found(light - light.mean(axis=0))
    assert off(lamp, light, whole=True) < 0.012
    mapped = np.stack([GainMap(one).on(*TILES).reshape(-1, 3) for one in lamp.maps(wall(len(lamp.phases)), True)])
    assert mapped == pytest.approx(lamp.on(wall(len(lamp.phases)), True), abs=0.004)


@pytest.mark.parametrize("pan", [0.0, 3.0])
def test_a_step_is_that_of_least_squares(pan: float) -> None:
    """Gauss-Newton by slopes from differences of the lamp's light, and a dense solver (numpy.linalg.lstsq); tiles'
    offsets as variables of their own, which nothing is expected of."""
    rng, tiles, frames = np.random.default_rng(2), (5, 6), 4
    start = SharedLamp(
        rng.normal(0, 0.05, (3, 8, 2)),
        rng.normal(0, 0.02, (3, 2, 2)),
        rng.uniform(0, 6, frames),
        0.42,
        np.zeros((4, 3)),
    )
    motion = [Motion(dx=pan * k, dy=pan / 3) for k in (-1, 0, 0, 1)]
    place = places(tiles, Perspective(0.1, 2.0), motion, (20, 24), 1)
    seen, weight = start.on(place, True) + rng.normal(0, 0.02, (frames, 30, 3)), rng.uniform(50, 200, (frames, 30, 3))
    weight[1, :3], seen[1, :3] = 0, np.nan

    def light(lamp: SharedLamp) -> np.ndarray:
        return (lamp.on(place, True) + lamp.exposure[:, None]).ravel()

    spread, values = start._spread(), start._values()
    by, h = np.eye(len(values)), 1e-5
    slopes = np.stack([(light(start._moved(h * e)) - light(start._moved(-h * e))) / (2 * h) for e in by], axis=1)
    offsets = np.tile(np.eye(90), (frames, 1))
    root = np.sqrt(weight).ravel()[:, None]
    prior = np.concatenate([np.diag(1 / spread), np.zeros((len(by), 90))], axis=1)
    design = np.concatenate([root * np.concatenate([slopes, offsets], axis=1), prior])
    expected = np.where(values == start.cycles, values, 0)
    rest = root[:, 0] * (np.nan_to_num(seen).ravel() - light(start))
    step = np.linalg.lstsq(design, np.concatenate([rest, (expected - values) / spread]), rcond=None)[0][: len(by)]
    step *= min(1.0, SHARED_LAMP.turn / np.abs(step[-4 * frames :: 4]).max())
    lamp, *_ = fitted(start, seen, weight, place, plain, 1)
    assert lamp._values() == pytest.approx((start._moved(step))._values(), abs=2e-6)
    assert lamp.phases == pytest.approx(start.phases + step[-4 * frames :: 4], abs=2e-6)


def test_a_shadow_that_follows_no_phase_moves_little() -> None:
    light, _ = drawn(6)
    seen = light.copy()
    corner = (ROWS > 0.6) & (COLUMNS > 0.6)
    seen[2, corner] -= 0.1
    lamp, _ = found(seen)
    moved = (lamp.on(wall(len(lamp.phases)), False) - (light - light.mean(axis=0)))[:, corner, 0]
    assert np.abs(moved).max() < 0.05


def test_exposure_is_not_taken_for_the_lamp() -> None:
    light, _ = drawn(8)
    stops = np.array([0, 0.4, 0, 0, -0.3, 0, 0, 0.0])
    seen = light.copy()
    seen[..., 0] += stops[:, None]
    lamp, _ = found(seen)
    assert lamp.exposure[:, 0] - lamp.exposure[0, 0] == pytest.approx(stops, abs=0.06)
    assert off(lamp, light) < 0.04


def test_what_is_no_lamp_is_not_explained() -> None:
    seen = np.random.default_rng(1).normal(0, 0.1, (8, ROWS.size, 3))
    assert found(seen)[1] < SHARED_LAMP.unexplained


def test_evidence_finds_the_true_spread() -> None:
    """Coefficients of a known spread, half decided by the pictures: the posterior of a normal prior and likelihood."""
    rng = np.random.default_rng(3)
    true = rng.normal(0, 0.1, (4000, 1, 1))
    seen, prior = true + rng.normal(0, 0.1, true.shape), np.full((1, 1), 0.1)
    variance = np.full_like(true, 1 / (1 / 0.1**2 + 1 / 0.1**2))
    assert np.sqrt(_learned(seen / 2, variance, prior)).item() == pytest.approx(0.1, rel=0.03)
