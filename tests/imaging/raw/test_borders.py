"""Border lines of a mosaic that one colour misreads: planted in drawn light; light that ends at the border is kept."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.raw.borders import mend_borders

RGGB, GRBG = np.array([[0, 1], [1, 2]]), np.array([[1, 0], [2, 1]])
BLACK, WHITE = np.array([64.0, 60.0, 68.0]), np.full(3, 4000.0)
SIDES = {"left": (0, False), "right": (0, True), "upper": (1, False), "lower": (1, True)}


def hall(pattern: np.ndarray, seed: int = 3, size: tuple[int, int] = (160, 200)) -> np.ndarray:
    """Smooth light with noise of a high ISO, in raw numbers."""
    rng, (height, width) = np.random.default_rng(seed), size
    light = 900 + 500 * np.sin(np.arange(height) / 40)[:, None] * np.cos(np.arange(width) / 50)
    colour = np.array([0.6, 1.0, 0.7])[np.tile(pattern, (height // 2, width // 2))]
    return light * colour + rng.normal(0, 6, size) + BLACK[np.tile(pattern, (height // 2, width // 2))]


def seen_from(mosaic: np.ndarray, side: str) -> np.ndarray:
    """A view whose first column is the border line of a side."""
    axis, other_end = SIDES[side]
    turned = mosaic.T if axis else mosaic
    return turned[:, ::-1] if other_end else turned


@pytest.mark.parametrize("pattern", [RGGB, GRBG])
@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("phase", "factor"), [(0, 0.65), (1, 0.65), (1, 1.4), (0, 0.0)])
def test_a_line_of_one_colour_that_reads_low_or_high_is_mended(
    pattern: np.ndarray, side: str, phase: int, factor: float
) -> None:
    true = hall(pattern)
    spoilt = true.copy()
    black = seen_from(np.tile(BLACK[pattern], (80, 100)), side)[phase::2, 0]
    line = seen_from(spoilt, side)[phase::2, 0]
    line[:] = (line - black) * factor + black
    mended, sides = mend_borders(np.round(spoilt).astype(np.uint16), BLACK, WHITE)
    assert sides == (side,)
    off = np.abs(mended - true) / true
    assert np.median(off) < 0.001 and off.max() < 0.12  # a dead line becomes the next: noise twice
    rest = np.ones(true.shape, bool)
    seen_from(rest, side)[phase::2, 0] = False
    assert (mended[rest] == np.round(true[rest])).all()


def test_what_is_burnt_tells_too() -> None:
    """Paper that burns out in every pixel but those of the line: as in DC0008L.KDC of ../shared/data."""
    mosaic = np.full((120, 100), 4000, np.uint16)
    mosaic[:60] = 80  # nothing to tell there
    mosaic[1::2, 0] = (mosaic[1::2, 0] - 68) * 0.65 + 68
    mended, sides = mend_borders(mosaic, BLACK, WHITE)
    assert sides == ("left",) and np.abs(mended[60:, 0].astype(int) - 4000).max() <= 3


@pytest.mark.parametrize("columns", [1, 2, 3])
def test_light_that_ends_at_the_border_is_left(columns: int) -> None:
    true = hall(GRBG)
    true[:, :columns] *= 0.5
    mosaic = np.round(true).astype(np.uint16)
    mended, sides = mend_borders(mosaic, BLACK, WHITE)
    assert sides == () and mended is mosaic


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_mosaic_is_left(seed: int) -> None:
    mosaic = np.round(hall(RGGB, seed)).astype(np.uint16)
    assert mend_borders(mosaic, BLACK, WHITE)[0] is mosaic


def test_a_line_that_a_few_places_call_wrong_is_left() -> None:
    for rows in (40, 100, 130):  # of 160: something is there
        true = hall(RGGB)
        true[0:rows:2, 0] *= 0.6
        assert mend_borders(np.round(true).astype(np.uint16), BLACK, WHITE)[1] == ()
