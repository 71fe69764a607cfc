"""Bursts under lamps that flicker, drawn from closed forms: what is left of it once the gain maps are added.

A lamp's light during an exposure is 1 + m sinc(f T) cos(2 pi f t + phase); the factor is checked against
residual_modulation of tests/tables/sine_flicker.csv. Rows are exposed one after the other. Surfaces,
players and boards are invented; colours of lamps are those of published spectra seen by a measured camera.
Wanted are 0.05 EV in the delivered files; here, before denoise, JPEG and boxes, 0.03 EV is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from pipeline.fixtures.light import response

from pipeline.imaging.robust import unsureness
from pipeline.light import flicker
from pipeline.light.flicker import _blocks, agree, views
from pipeline.light.gain_map import GainMap
from pipeline.types import Domain, Image, Noise
from tests.tables import numbers

HEIGHT, WIDTH, MARGIN = 128, 192, 96
NOISE = Noise(np.full(3, 6e-5), np.full(3, 1e-7))
GREY = np.ones(31)
BAR, MOVED, STEADY = 0.03, 0.02, 0.01


@dataclass(frozen=True)
class Lamps:
    """Two lamps from side to side. modulation after the exposure, phase; waves: cycles per frame."""

    colours: tuple[str, str] = ("HP3", "LED-B5")
    modulation: tuple[float, float] = (0.35, 0.06)
    phase: tuple[float, float] = (0.3, 2.0)
    waves: float = 0.4
    width: float = 1.2  # of half a frame over which one lamp gives way to the other
    fps: float = 10.7
    hz: float = 100.0


@dataclass
class Burst:
    images: list[Image]
    light: list[np.ndarray]  # (H, W, 3) log2 of the light of each frame against its mean over time, reference's place
    shift: list[int]


def surfaces(seed: int) -> np.ndarray:
    """(H, W + margins, 3): coloured areas with edges, smooth shading, fine texture; 0.03 to 0.6."""
    rng = np.random.default_rng(seed)
    wide = WIDTH + 2 * MARGIN
    picture = np.empty((HEIGHT, wide, 3), np.float32)
    picture[:] = rng.uniform(0.15, 0.4, 3)
    for _ in range(110):
        y, x = int(rng.integers(0, HEIGHT)), int(rng.integers(0, wide))
        h, w = int(rng.integers(4, 30)), int(rng.integers(4, 40))
        picture[y : y + h, x : x + w] = rng.uniform(0.06, 0.5) * np.exp(rng.normal(0, 0.25, 3))
    shade = cv2.resize(rng.normal(0, 0.25, (4, 10)).astype(np.float32), (wide, HEIGHT), interpolation=cv2.INTER_CUBIC)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (HEIGHT, wide)).astype(np.float32), (0, 0), 1.5)
    grain *= 0.12 / grain.std()
    return cv2.GaussianBlur(np.clip(picture * np.exp(shade + grain)[..., None], 0.03, 0.6), (0, 0), 0.7)


def shine(lamps: Lamps, shifts: list[int]) -> tuple[list[np.ndarray], np.ndarray]:
    """Light of each frame (H, W, 3) in its own place, and the mean light over time over the whole wide scene."""
    colours = [response(GREY, name) for name in lamps.colours]
    x = (np.arange(WIDTH + 2 * MARGIN) - MARGIN + 0.5) / WIDTH * 2 - 1
    share = 0.5 + 0.46 * np.tanh(x / lamps.width)
    parts = [(1 - share)[:, None] * colours[0], share[:, None] * colours[1]]
    found = []
    for k, shift in enumerate(shifts):
        time = k / lamps.fps + lamps.waves / lamps.hz * (np.arange(HEIGHT) + 0.5) / HEIGHT
        light = np.zeros((HEIGHT, WIDTH, 3))
        for part, m, phase in zip(parts, lamps.modulation, lamps.phase, strict=True):
            flicker = 1 + m * np.cos(2 * np.pi * lamps.hz * time + phase)
            light += flicker[:, None, None] * part[None, MARGIN + shift : MARGIN + shift + WIDTH]
        found.append(light)
    return found, sum(parts)


def burst(lamps: Lamps, count: int = 6, pan: int = 0, seed: int = 0) -> Burst:
    """pan: pixels by which the camera turns to the right from frame to frame."""
    rng = np.random.default_rng(seed + 1)
    scene, shifts = surfaces(seed), [pan * (k - count // 2) for k in range(count)]
    lights, mean = shine(lamps, shifts)
    images, changes = [], []
    for light, shift in zip(lights, shifts, strict=True):
        window = slice(MARGIN + shift, MARGIN + shift + WIDTH)
        images.append(photograph(scene[:, window] * light, rng))
        changes.append(np.log2(light / mean[window]))
    return Burst(images, changes, shifts)


def photograph(light: np.ndarray, rng: np.random.Generator) -> Image:
    seen = np.minimum(light * 0.8, 1.0)
    seen = seen + rng.normal(0, 1, seen.shape) * np.sqrt(NOISE.a * np.maximum(seen, 0) + NOISE.b)
    return Image(np.clip(seen, -0.01, 1).astype(np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))


def evened(shown: Burst) -> tuple[list[np.ndarray], list[GainMap]]:
    """What is left of each frame's change of light, in the reference's place; NaN outside the frame."""
    fields = agree(views(shown.images))
    left = []
    for change, one, shift in zip(shown.light, fields, shown.shift, strict=True):
        placed = np.full((HEIGHT, WIDTH + 2 * MARGIN, 3), np.nan)
        placed[:, MARGIN + shift : MARGIN + shift + WIDTH] = change + one.on(HEIGHT, WIDTH)
        left.append(placed[:, MARGIN : MARGIN + WIDTH])
    return left, fields


def spread(left: list[np.ndarray]) -> float:
    """EV, 95th percentile over places and channels of the range over the frames."""
    stack = np.array(left)
    both = np.isfinite(stack).all(axis=0)
    return float(np.quantile(np.ptp(stack[:, both], axis=0), 0.95))


def difference(fields: list[GainMap], others: list[GainMap], of: list[int]) -> float:
    """EV, 95th percentile: how far frames moved against each other; what they share is no unevenness."""
    gap = np.array([(a + -b).on(32, 48) for a, b in zip(fields, others, strict=True)])[of]
    return float(np.quantile(np.abs(gap - gap.mean(axis=0)), 0.95))


MECHANICAL = Lamps(waves=0.4)
ELECTRONIC = Lamps(("FL4", "FL2"), (0.30, 0.24), (0.9, 2.6), waves=1.7, hz=120, fps=20.7)
CASES = {
    "curtain of 3 ms": replace(MECHANICAL, waves=0.3),
    "curtain of 5 ms at 120 Hz": replace(MECHANICAL, waves=0.6, hz=120.0),
    "both lamps flicker, out of phase": replace(MECHANICAL, modulation=(0.35, 0.3), phase=(0.2, 3.3)),
    "lamps change within a third of the frame": replace(MECHANICAL, width=0.7),
    "electronic, one band": replace(ELECTRONIC, waves=1.0),
    "electronic, 17 ms at 120 Hz": replace(ELECTRONIC, waves=2.04),
    "mercury": Lamps(("H38HT-100", "LED-B3"), (0.38, 0.08), (1.1, 0.5)),
}


@pytest.mark.parametrize("case", CASES)
def test_flicker_leaves_little(case: str) -> None:
    shown = burst(CASES[case], 8, seed=list(CASES).index(case))
    left, _ = evened(shown)
    before = spread(shown.light)
    assert before > 0.3
    assert spread(left) < BAR, f"of {before:.2f} EV"


def test_a_lamp_that_explains_a_hair_less_than_half_in_the_end_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in noise at ISO 12,800: 0.524, 0.500 and 0.4996 of a burst of the demonstration, which was then 0.2 EV off."""
    told, found = iter((0.524, 0.5004, 0.4996)), flicker.fitted
    monkeypatch.setattr(flicker, "fitted", lambda *given: (*found(*given)[:1], next(told), found(*given)[2]))
    assert spread(evened(burst(MECHANICAL, 5, seed=11))[0]) < BAR


STILL = {  # frames a second that divide the flicker nearly: all frames meet much the same phase
    "curtain of 4 ms": (replace(MECHANICAL, modulation=(0.28, 0.28), phase=(1.9, 1.9), fps=10.04), 6),
    "electronic, 17 ms at 120 Hz": (replace(ELECTRONIC, waves=2.04, fps=20.12), 7),
    "a weak lamp": (replace(MECHANICAL, modulation=(0.1, 0.1), phase=(1.9, 1.9), fps=10.04), 6),
}


@pytest.mark.parametrize("case", STILL)
def test_bands_that_stand_still_are_found(case: str) -> None:
    """What all frames share goes too, though no two frames show it: their light is held against its mean over time."""
    lamps, count = STILL[case]
    shown = burst(lamps, count, seed=40 + list(STILL).index(case))
    shared = np.mean([light[..., 1] for light in shown.light], axis=0).mean(axis=1)
    left = np.nanmean([one[..., 1] for one in evened(shown)[0]], axis=(0, 2))
    assert np.ptp(shared) > 0.08
    assert np.ptp(left) < max(0.25 * np.ptp(shared), 0.04)


def test_bands_that_stand_still_move_with_a_pan() -> None:
    """They are in the scene that frames are compared with, and the frame moves over it: unmoved it leaves 0.034 EV."""
    shown = burst(MECHANICAL, 8, pan=-5, seed=3)
    assert spread(evened(shown)[0]) < BAR


def test_modulation_of_these_bursts_is_what_an_exposure_leaves() -> None:
    """sinc(f T) for the closed form above: 35 % at 1/1000 s leaves 34.4 % at 100 Hz."""
    rows = numbers("sine_flicker")
    for row in rows:
        expected = row["m"] * abs(np.sinc(row["f"] * row["T"]))
        assert row["residual_modulation"] == pytest.approx(expected, abs=2e-5)
        residual = row["residual_modulation"]
        if residual < 0.9:
            light = shine(Lamps(modulation=(residual, residual), phase=(0, 0), hz=row["f"], waves=1.0), [0])[0][0]
            assert np.ptp(np.log2(light[:, 0, 1])) == pytest.approx(row["ev_pp"], abs=0.002 + 0.003 * row["ev_pp"])


@pytest.mark.parametrize("count", [2, 7])
def test_steady_light_is_left_alone(count: int) -> None:
    shown = burst(replace(MECHANICAL, modulation=(0.0, 0.0)), count, seed=11)
    _, fields = evened(shown)
    assert max(np.abs(f.on(32, 48)).max() for f in fields) < STEADY


def shade(images: list[Image]) -> None:
    """Somebody runs along the lower edge: a dark person and, wider, a soft shadow of a third of a stop."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    for index, image in enumerate(images):
        at = 190 - 14 * index
        image.pixels[:] *= 1 - 0.2 * np.exp(-(((y - 120) / 12) ** 2 + ((x - at) / 28) ** 2))[..., None]
        image.pixels[70:, at - 6 : at + 6] = (0.05, 0.06, 0.09)


def test_a_shadow_that_passes_is_no_lamp() -> None:
    shown = burst(replace(MECHANICAL, modulation=(0.0, 0.0)), 5, seed=11)
    shade(shown.images)
    _, fields = evened(shown)
    assert max(np.abs(f.on(32, 48)).max() for f in fields) < 0.008


def test_a_wide_shadow_that_stays_for_some_frames_moves_a_wave_little() -> None:
    """The median of the frames is dark where it lies in most of them: that place says little in every frame."""
    shown = burst(MECHANICAL, 5, seed=11)
    before = agree(views(shown.images))
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    for index, image in enumerate(shown.images):
        at = 180 - 14 * index
        image.pixels[:] *= 1 - 0.25 * np.exp(-(((y - 118) / 14) ** 2 + ((x - at) / 40) ** 2))[..., None]
        image.pixels[60:112, at - 8 : at + 8] = (0.05, 0.06, 0.09)
    assert difference(agree(views(shown.images)), before, list(range(5))) < 0.014


@pytest.mark.parametrize("lamps", [MECHANICAL, ELECTRONIC], ids=["mechanical", "electronic"])
def test_two_frames(lamps: Lamps) -> None:
    """fps such that the two frames stand at different phases."""
    shown = burst(replace(lamps, fps=14.3), 2, seed=12)
    left, _ = evened(shown)
    assert spread(left) < BAR


def intruder(images: list[Image]) -> list[int]:
    """A big dark person over 30 % of two frames, the middle one too, never at the same place."""
    for index, x in ((2, 20), (3, 90)):
        images[index].pixels[8:, x : x + 64] = (0.05, 0.06, 0.09)
    return [0, 1, 4, 5]


def flash(images: list[Image], size: float = 10.0) -> list[int]:
    """A flash from the stands lights a round part of one frame by up to a stop; size in pixels."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    glow = np.exp(-((y - 40) ** 2 + (x - 140) ** 2) / (2 * size**2))
    images[1].pixels[:] = np.minimum(images[1].pixels * (1 + glow[..., None]), 1)
    return list(range(6))


def wide_flash(images: list[Image]) -> list[int]:
    """More than a third of one frame is lit: that frame has no sure light of its own, but the others have."""
    flash(images, 22.0)
    return [0, 2, 3, 4, 5]


def board(images: list[Image]) -> list[int]:
    """A luminous board, 8 % of the frame, of another colour in every frame."""
    for index, image in enumerate(images):
        image.pixels[10:40, 30:96] = np.random.default_rng(index).uniform(0.05, 0.9, 3)
    return list(range(6))


@pytest.mark.long
@pytest.mark.parametrize("event", [intruder, flash, wide_flash, board])
@pytest.mark.parametrize(
    "lamps",
    [pytest.param(MECHANICAL, id="mechanical"), pytest.param(ELECTRONIC, id="electronic")],
)
def test_what_happens_in_the_hall_does_not_move_the_solution(event, lamps: Lamps) -> None:
    shown = burst(lamps, 6, seed=21)
    before = agree(views(shown.images))
    others = event(shown.images)
    after = agree(views(shown.images))
    assert difference(after, before, others) < MOVED


@pytest.mark.parametrize("pan", [3, -5])
def test_pan_with_the_light_of_the_court(pan: int) -> None:
    """The lamps stay where they are in the hall; the frame moves over them."""
    shown = burst(MECHANICAL, 6, pan=pan, seed=31)
    left, _ = evened(shown)
    assert spread(left) < BAR


def test_zoom() -> None:
    shown = burst(MECHANICAL, 6, seed=32)
    before = agree(views(shown.images))
    lights, _ = shine(MECHANICAL, [0] * 6)
    scene = surfaces(32)[:, MARGIN : MARGIN + WIDTH]
    rng = np.random.default_rng(0)
    zoomed = []
    for k, light in enumerate(lights):
        scale = 1.02 ** (k - 3)
        turn = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), 0, scale)
        seen = cv2.warpAffine(scene.astype(np.float32), turn, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
        zoomed.append(photograph(seen * light, rng))
    after = agree(views(zoomed))
    assert difference(after, before, list(range(6))) < MOVED


@pytest.mark.parametrize(("shared", "expected"), [(False, 1.0), (True, 16.0)], ids=["independent", "shared by 16"])
def test_how_unsure_a_mean_is_by_its_blocks(shared: bool, expected: float) -> None:
    """The variance of a mean of groups of n alike is n times that of as many independent values: the design effect of
    Kish, Survey Sampling, 1965, 1 + (n - 1) rho with rho = 1 (from memory). Eight groups, so that it counts that each
    is left out."""
    rng, groups, size = np.random.default_rng(8), 8, 16
    block = np.repeat(np.arange(groups), size)
    found = []
    for _ in range(400):
        error = rng.normal(0, 0.1, (groups, 3))[block] if shared else rng.normal(0, 0.1, (groups * size, 3))
        found.append(unsureness(np.ones((len(block), 1)), error, 100 + 0 * error, np.full((1, 3), 10.0), block))
    assert np.mean(found, axis=0) == pytest.approx(np.full((1, 3), expected), rel=0.1)


def test_blocks_are_squares_of_tiles() -> None:
    """A side of 8 tiles, and what is left over goes to the last."""
    counts = np.unique(_blocks((20, 17)).reshape(20, 17)[7:9, 7:9], return_counts=True)
    assert len(counts[0]) == 4
    assert sorted(np.bincount(_blocks((20, 17)))) == [64, 72, 96, 108]
    assert not _blocks((5, 6)).any()


@pytest.mark.parametrize("value", [0.0, 1.0], ids=["black", "clipped"])
@pytest.mark.parametrize("count", [1, 6])
def test_frames_that_show_nothing(value: float, count: int) -> None:
    """The others are evened as if such a frame were not there, and it gets finite gains."""
    shown = burst(MECHANICAL, 6, seed=41)
    for index in range(count):
        shown.images[index].pixels[:] = value
    left, fields = evened(shown)
    assert all(np.isfinite(f.coefficients).all() for f in fields)
    if count == 1:
        assert spread(left[1:]) < BAR


def test_flashes_of_others_put_no_bands_on_the_rest_of_a_burst() -> None:
    """A curtain at 1/1000 s shows a flash in a part of the rows. Bands that all frames share are told by no two."""
    random, still, rows = np.random.default_rng(1), surfaces(0)[:, MARGIN : MARGIN + WIDTH], np.arange(HEIGHT) / HEIGHT
    flashes = [1.0, np.where(rows > 0.55, 2.3, 1.0), 1.0, 1.0, np.where(rows < 0.4, 2.3, 1.0), 1.0]
    images = [photograph(still * np.reshape(one, (-1, 1, 1)), random) for one in flashes]
    maps = agree(views(images))
    assert max(np.ptp(maps[i].on(HEIGHT, WIDTH)[..., 1]) for i in (0, 2, 3, 5)) < 0.3
