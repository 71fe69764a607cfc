"""Light of a shown picture against the sRGB curve of IEC 61966-2-1, written out here, and arithmetic in EV."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.shown_light import shown_light
from pipeline.types import F32


def encoded(linear: float) -> float:
    """IEC 61966-2-1, 5.2: linear 0 to 1 -> sRGB 0 to 1."""
    return 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055


def flat(red: float, green: float, blue: float, size: tuple[int, int] = (40, 60)) -> F32:
    picture = np.empty((*size, 3), np.float32)
    picture[:] = [encoded(value) for value in (red, green, blue)]
    return picture


@pytest.mark.parametrize("linear", [0.05, 0.18, 0.36, 0.72])
def test_a_grey_is_as_many_stops_below_white_as_it_is(linear: float) -> None:
    found = shown_light(flat(linear, linear, linear))
    assert found is not None
    assert found.brightness == pytest.approx(np.log2(linear), abs=0.002)
    assert (found.red, found.blue, found.burnt) == (0, 0, 0)


def test_colour_is_the_ratio_to_green_in_stops() -> None:
    found = shown_light(flat(0.4, 0.2, 0.05))
    assert found is not None
    assert (found.red, found.blue) == (pytest.approx(1, abs=0.002), pytest.approx(-2, abs=0.002))


def test_what_is_burnt_out_is_counted_and_tells_nothing_else() -> None:
    picture = flat(0.18, 0.18, 0.18)
    picture[:10] = 1.0
    picture[30:] = 0.0  # nor does what is black
    found = shown_light(picture)
    assert found is not None
    assert found.burnt == 0.25 and found.brightness == pytest.approx(np.log2(0.18), abs=0.002)


@pytest.mark.parametrize("linear", [0.0, 1.0])
def test_where_all_is_black_or_white_nothing_is_known(linear: float) -> None:
    assert shown_light(flat(linear, linear, linear)) is None
