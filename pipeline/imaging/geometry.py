"""Boxes of a frame."""

from __future__ import annotations

from typing import Any, NamedTuple

from numpy.typing import NDArray


class Box(NamedTuple):
    """A box in fractions of a picture, of the upright frame unless said otherwise: x to the right, y down, 0 to 1."""

    x0: float
    y0: float
    x1: float
    y1: float


class PixelBox(NamedTuple):
    """A box in whole pixels of a picture of known size; column x1 and row y1 are the first ones outside it."""

    x0: int
    y0: int
    x1: int
    y1: int


class HeightBox(NamedTuple):
    """A box in heights of the upright frame, in which a circle is round: a frame of aspect A is A wide and 1 high."""

    x0: float
    y0: float
    x1: float
    y1: float


WHOLE = Box(0.0, 0.0, 1.0, 1.0)


def row_to_box(row: NDArray[Any]) -> Box:
    """The first four of the numbers (x0, y0, x1, y1, ...) in which a detector gives a find, in fractions."""
    return Box(float(row[0]), float(row[1]), float(row[2]), float(row[3]))


def box_to_pixels(box: Box, height: int, width: int) -> PixelBox:
    """A box of a picture of this size in pixels, at least one; its width and height are rounded before its place, so
    that boxes of one size stay of one size wherever they are."""
    x0, y0, x1, y1 = box
    w, h = max(1, round((x1 - x0) * width)), max(1, round((y1 - y0) * height))
    left = min(max(round(x0 * width), 0), width - w)
    top = min(max(round(y0 * height), 0), height - h)
    return PixelBox(left, top, left + w, top + h)


def pixels_inside(box: Box, height: int, width: int) -> PixelBox:
    """The pixels of a picture of this size that a box of it covers, at least one: for measuring what is in it.

    Unlike `box_to_pixels`, whose size does not depend on the place, this one takes no pixel beyond the box's ends.
    """
    left, top = min(int(box.x0 * width), width - 1), min(int(box.y0 * height), height - 1)
    return PixelBox(left, top, max(int(box.x1 * width), left + 1), max(int(box.y1 * height), top + 1))


def pixels_to_box(pixels: PixelBox, height: int, width: int) -> Box:
    """A box of pixels in fractions of its picture of this size."""
    return Box(pixels.x0 / width, pixels.y0 / height, pixels.x1 / width, pixels.y1 / height)


def box_of_part(box: Box, part: PixelBox, height: int, width: int) -> Box:
    """A box in fractions of a part of a picture of this size, as one in fractions of the picture."""
    wide, tall = part.x1 - part.x0, part.y1 - part.y0
    return Box(
        (part.x0 + box.x0 * wide) / width,
        (part.y0 + box.y0 * tall) / height,
        (part.x0 + box.x1 * wide) / width,
        (part.y0 + box.y1 * tall) / height,
    )


def box_to_heights(box: Box, height: int, width: int) -> HeightBox:
    """A box in heights of its frame of this size (pixels)."""
    aspect = width / height
    return HeightBox(box.x0 * aspect, box.y0, box.x1 * aspect, box.y1)


def heights_to_box(box: HeightBox, height: int, width: int) -> Box:
    """A box in fractions of its frame of this size (pixels)."""
    return Box(box.x0 * height / width, box.y0, box.x1 * height / width, box.y1)


def centred(box: Box, aspect: float | None, share: float, height: int, width: int) -> Box:
    """The largest box of `aspect` (width / height, in pixels) within `box`, scaled by `share`, same centre."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    if aspect is not None:
        w, h = min(w, h * aspect), min(h, w / aspect)
    w, h = w * share / width, h * share / height
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return Box(cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)


def widened(box: Box, aspect: float, height: int, width: int) -> Box:
    """The smallest box of `aspect` (width / height, in pixels) around `box`, moved into the frame; where the frame is
    too small for it, the part of it that fits."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    w, h = min(max(w, h * aspect), width) / width, min(max(h, w / aspect), height) / height
    left = min(max((x0 + x1 - w) / 2, 0.0), 1 - w)
    top = min(max((y0 + y1 - h) / 2, 0.0), 1 - h)
    return Box(left, top, left + w, top + h)


def around(a: HeightBox, b: HeightBox) -> HeightBox:
    """The box around both."""
    return HeightBox(min(a.x0, b.x0), min(a.y0, b.y0), max(a.x1, b.x1), max(a.y1, b.y1))
