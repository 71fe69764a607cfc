"""How light mixes over a frame: profiles of the light in closed form, put on drawn halls and read back.

Lamps and surfaces are published (fixtures/light.json); perspective is that of a camera over a level floor.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import PIL.Image
import pytest
from pipeline.fixtures.light import response, tables

from pipeline.light.mixing.gradient import ChromaGradient, chroma_gradient
from pipeline.light.palette import ChromaSamples
from pipeline.light.scenes import Scene, unknown
from tests.court_flicker import DATA, decode
from tests.light.test_palette import HEIGHT, WIDTH, hall, measured, samples_of

X, Y = (np.arange(WIDTH) + 0.5) / WIDTH * 2 - 1, (np.arange(HEIGHT) + 0.5) / HEIGHT * 2 - 1
WALL = np.ones(HEIGHT)


def lit(pixels: np.ndarray, chroma: np.ndarray) -> np.ndarray:
    """Pixels under light of this chroma (H, W, 2)."""
    return pixels * np.exp(np.stack([chroma[..., 0], 0 * chroma[..., 0], chroma[..., 1]], axis=-1))


def seen(found: ChromaGradient, columns: np.ndarray = X) -> np.ndarray:
    """(H, W, 2) of a gradient over the frame, less that of the middle column."""
    return found.at(np.broadcast_to(columns, (HEIGHT, len(columns))), found.distance(Y)[:, None])


@pytest.mark.parametrize("across", [(0.15, -0.2), (-0.1, 0.12), (0.3, 0.0)])
def test_drift_across_is_found(across: tuple[float, float]) -> None:
    """ln gains that run from -a to +a from the left edge to the right, the same in all rows."""
    light = np.broadcast_to(X[:, None] * across, (HEIGHT, WIDTH, 2))
    found = chroma_gradient(samples_of(lit(hall(0, measured("HP4")) * 0.4, light)))
    assert seen(found)[: HEIGHT // 2] == pytest.approx(light[: HEIGHT // 2], abs=0.03)
    assert np.abs(seen(found) - light).mean() < 0.015


def test_even_light_stays_even() -> None:
    assert np.abs(seen(chroma_gradient(samples_of(hall(0, measured("HP4")) * 0.4)))).max() < 0.02


def test_drift_knows_where_the_camera_turned() -> None:
    """A frame that saw the scene half a half width further right, beside the one it is told in."""
    scene = hall(0, measured("HP4")) * 0.4
    lights = [np.broadcast_to((X - pan)[:, None] * [0.2, -0.2], (HEIGHT, WIDTH, 2)) for pan in (0.0, 0.5)]
    found = chroma_gradient(samples_of(*(lit(scene, one) for one in lights), pans=(0.0, 0.5)))
    assert found.half == pytest.approx(1.5, abs=0.01)
    edges = seen(found, np.array([-1.5, 1.0]))[0]
    assert edges[1] - edges[0] == pytest.approx([0.5, -0.5], abs=0.06)


def lamps_mix(x: np.ndarray) -> np.ndarray:
    """(..., 2) chroma where metal halide gives way to LED within a few metres, x the place across the hall."""
    share = (0.5 + 0.46 * np.tanh((x - 0.5) / 0.4))[..., None]
    mixed = (1 - share) * response(np.ones(31), "HP3") + share * response(np.ones(31), "LED-B5")
    return np.log(mixed[..., [0, 2]] / mixed[..., 1:2])


@pytest.mark.parametrize(("floor", "horizon"), [(-0.2, -0.6), (0.1, -0.4)])
def test_lamps_that_mix_are_followed_by_perspective(floor: float, horizon: float) -> None:
    """All rows show one profile of the light; on a level floor what lies at row y is (floor - horizon) / (y - horizon)
    as far as the wall. A map of one gradient for all rows is off by 0.1 here, and so is a parabola of the wall."""
    distance = np.minimum((floor - horizon) / np.maximum(Y - horizon, 1e-3), 1.0)
    distance[horizon >= Y] = 1.0
    light = lamps_mix(X * distance[:, None]) - lamps_mix(np.zeros(1))
    share = round((1 - floor) / 2, 2)
    found = chroma_gradient(samples_of(lit(hall(0, measured("FL2"), floor=share) * 0.4, light)))
    off = np.hypot(*(seen(found) - light).T)
    assert np.sqrt((np.hypot(*light.T) ** 2).mean()) > 0.12
    assert np.sqrt((off**2).mean()) < 0.04
    assert found.horizon == pytest.approx(horizon, abs=0.4)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("name", ["red", "blue", "green", "orange yellow"])
def test_coloured_wall_on_one_side_is_not_light(name: str, side: int) -> None:
    """A coloured wall over the upper half of 40 % of the width, in one light; the bar is an eighth of its chroma."""
    wall = response(np.array(tables()["reflectances"][name]), "FL2")
    pixels = hall(0, measured("FL2"), floor=0.5)[:, ::side]
    pixels[:48, 86:] = wall * np.random.default_rng(0).uniform(0.4, 0.7, (48, WIDTH - 86, 1))
    found = chroma_gradient(samples_of(pixels[:, ::side] * 0.5))
    grey = response(np.ones(31), "FL2")
    chroma = np.log(wall / wall[1] * grey[1] / grey)[[0, 2]]
    assert np.abs(seen(found)).max() < max(0.03, float(np.hypot(*chroma)) / 8)


def test_the_clearest_light_can_be_kept() -> None:
    """Of one grey surface in light that leans by more than any lamps, next to no step is off."""
    x = np.broadcast_to(X, (HEIGHT, WIDTH))
    grey = np.broadcast_to(np.random.default_rng(0).uniform(0.1, 0.3, (HEIGHT, WIDTH, 1)), (HEIGHT, WIDTH, 3))
    found = chroma_gradient(samples_of(lit(grey, x[..., None] * [0.6, -0.6])))
    assert found.clear > 40
    seen_again = Scene.from_arrays(("F1",), replace(unknown(["F1"]), chroma_gradient=found).as_arrays())
    assert seen_again.chroma_gradient.as_array() == pytest.approx(found.as_array())


def test_pictures_that_show_nothing() -> None:
    assert not seen(chroma_gradient(ChromaSamples(np.zeros((0, 2)), *(np.zeros(0),) * 5))).any()


@pytest.mark.skipif(not DATA.is_dir(), reason="../shared/data/court is not there")
def test_real_court_has_no_gradient() -> None:
    """A court under one kind of lamp, photographed: players, stands and boards differ from side to side, light hardly
    does (the whites of its lines and ceiling lie within a few units)."""
    for path in sorted(DATA.glob("*.jpg"))[::5]:
        codes = np.asarray(PIL.Image.open(path).convert("RGB"), np.float32) / 255
        small = cv2.resize(decode(codes).astype(np.float32), (960, 540), interpolation=cv2.INTER_AREA)
        assert np.abs(seen(chroma_gradient(samples_of(small)))).max() < 0.05, path.name


@pytest.mark.parametrize(("place", "value"), [(8, 1.5), (9, -0.1), (9, 1e3), (10, 0.5)])
def test_what_no_gradient_can_be_is_refused(place: int, value: float) -> None:
    kept = ChromaGradient.none().as_array()
    assert ChromaGradient.from_array(kept).as_array() == pytest.approx(kept)
    kept[place] = value
    with pytest.raises(ValueError, match="perspective"):
        ChromaGradient.from_array(kept)
