"""Boxes in fractions, pixels and heights of the frame: each conversion by hand, and one back by the other."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.geometry import (
    Box,
    HeightBox,
    PixelBox,
    box_of_part,
    box_to_heights,
    box_to_pixels,
    centred,
    heights_to_box,
    pixels_inside,
    pixels_to_box,
    row_to_box,
    widened,
)


def test_a_box_in_pixels_and_back() -> None:
    assert box_to_pixels(Box(0.25, 0.1, 0.75, 0.5), 100, 200) == PixelBox(50, 10, 150, 50)
    assert pixels_to_box(PixelBox(50, 10, 150, 50), 100, 200) == Box(0.25, 0.1, 0.75, 0.5)


def test_the_size_in_pixels_does_not_depend_on_the_place() -> None:
    """33.4 pixels wide and 20.6 tall wherever it is; at the far corner it is moved in, never cut."""
    for x in np.linspace(0, 1, 41):
        for y in np.linspace(0, 1, 41):
            x0, y0, x1, y1 = box_to_pixels(Box(x, y, x + 0.334, y + 0.206), 100, 100)
            assert (x1 - x0, y1 - y0) == (33, 21)
            assert x0 >= 0 and y0 >= 0 and x1 <= 100 and y1 <= 100
    assert box_to_pixels(Box(0.5, 0.5, 0.5, 0.5), 10, 10) == PixelBox(5, 5, 6, 6)  # at least a pixel


def test_the_pixels_inside_are_none_beyond_its_ends_and_at_least_one() -> None:
    assert pixels_inside(Box(0.26, 0.11, 0.759, 0.509), 100, 200) == PixelBox(52, 11, 151, 50)
    assert pixels_inside(Box(1.0, 1.0, 1.0, 1.0), 10, 20) == PixelBox(19, 9, 20, 10)
    assert pixels_inside(Box(0.0, 0.0, 1.0, 1.0), 10, 20) == PixelBox(0, 0, 20, 10)


def test_a_box_of_a_part_is_placed_in_the_whole() -> None:
    part = PixelBox(40, 20, 140, 70)  # 100 by 50 pixels of 200 by 100
    assert box_of_part(Box(0.0, 0.0, 1.0, 1.0), part, 100, 200) == pixels_to_box(part, 100, 200)
    assert box_of_part(Box(0.5, 0.2, 0.6, 0.8), part, 100, 200) == pytest.approx((0.45, 0.3, 0.5, 0.6))


@pytest.mark.parametrize("height, width", [(400, 600), (600, 400), (300, 300)])
def test_a_square_in_heights_is_square_in_pixels(height: int, width: int) -> None:
    box = heights_to_box(HeightBox(0.1, 0.2, 0.3, 0.4), height, width)
    assert (box.x1 - box.x0) * width == pytest.approx((box.y1 - box.y0) * height)
    assert box_to_heights(box, height, width) == pytest.approx((0.1, 0.2, 0.3, 0.4))
    assert box_to_heights(Box(0, 0, 1, 1), height, width) == (0, 0, width / height, 1)


def test_a_row_of_a_detector_is_a_box_of_plain_numbers() -> None:
    box = row_to_box(np.array([0.125, 0.25, 0.5, 0.75, 0.9], np.float32))
    assert box == Box(0.125, 0.25, 0.5, 0.75) and all(type(value) is float for value in box)


def test_centred_is_the_largest_of_its_shape_within() -> None:
    within = Box(0.2, 0.1, 0.8, 0.9)  # 360 by 320 pixels of 600 by 400
    assert centred(within, 1.0, 1.0, 400, 600) == pytest.approx((0.5 - 160 / 600, 0.1, 0.5 + 160 / 600, 0.9))
    assert centred(within, 3.0, 1.0, 400, 600) == pytest.approx((0.2, 0.5 - 60 / 400, 0.8, 0.5 + 60 / 400))
    assert centred(within, None, 0.5, 400, 600) == pytest.approx((0.35, 0.3, 0.65, 0.7))


def test_widened_is_the_smallest_of_its_shape_around_moved_into_the_frame() -> None:
    corner = Box(0.8, 0.9, 1.0, 1.0)  # 120 by 40 pixels of 600 by 400
    assert widened(corner, 1.0, 400, 600) == pytest.approx((0.8, 0.7, 1.0, 1.0))
    assert widened(Box(0.0, 0.4, 0.1, 0.8), 1.0, 400, 600) == pytest.approx((0.0, 0.4, 160 / 600, 0.8))
    assert widened(Box(0.0, 0.2, 1.0, 0.7), 1.0, 400, 600) == pytest.approx((0.0, 0.0, 1.0, 1.0))  # all that fits
