"""How a frame lies: from the sensor's rows and columns to the upright picture and back, for pixels, boxes and points.

The truth is the frame's Exif tag 274 (formats/exif.py; LibRaw's flip stands in where a raw has no such tag). The decode
turns the pixels by it and asks neither LibRaw nor Pillow again, so gain maps and boxes always turn with the pixels.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box
from pipeline.types import F64

_Values = TypeVar("_Values", bound=np.generic)
_Place = TypeVar("_Place", float, F64)  # one, or an array of them


class Orientation(IntEnum):
    """Exif 2.32, tag 274: which sides of the upright picture the sensor's first row and first column are."""

    TOP_LEFT = 1
    TOP_RIGHT = 2
    BOTTOM_RIGHT = 3
    BOTTOM_LEFT = 4
    LEFT_TOP = 5
    RIGHT_TOP = 6
    RIGHT_BOTTOM = 7
    LEFT_BOTTOM = 8

    @staticmethod
    def from_libraw(flip: int) -> Orientation:
        """LibRaw's flip: bit 2 swaps rows and columns, bit 1 reverses the rows, bit 0 the columns of the sensor.

        Further bits mean nothing, as in LibRaw.
        """
        return _OF_FLIP[flip & 7]

    @property
    def swaps_sides(self) -> bool:
        """Whether the sensor's rows are columns of the upright picture."""
        return self >= Orientation.LEFT_TOP

    @property
    def _reversed(self) -> tuple[bool, bool]:
        """Whether the upright picture's rows, and its columns, run against the sensor's."""
        return (
            self in (self.BOTTOM_RIGHT, self.BOTTOM_LEFT, self.RIGHT_BOTTOM, self.LEFT_BOTTOM),
            self in (self.TOP_RIGHT, self.BOTTOM_RIGHT, self.RIGHT_TOP, self.RIGHT_BOTTOM),
        )

    def to_upright(self, values: NDArray[_Values]) -> NDArray[_Values]:
        """An array (H, W) or (H, W, C) in sensor order as a contiguous upright one, (W, H) where sides are swapped."""
        rows, columns = self._reversed
        turned = values.swapaxes(0, 1) if self.swaps_sides else values
        return np.ascontiguousarray(turned[:: -1 if rows else 1, :: -1 if columns else 1])

    def to_sensor(self, values: NDArray[_Values]) -> NDArray[_Values]:
        """The inverse: an upright array (H, W) or (H, W, C) as a contiguous one in sensor order, first row first."""
        rows, columns = self._reversed
        turned = values[:: -1 if rows else 1, :: -1 if columns else 1]
        return np.ascontiguousarray(turned.swapaxes(0, 1) if self.swaps_sides else turned)

    def upright_size(self, height: int, width: int) -> tuple[int, int]:
        """(height, width) of the upright picture of a sensor of `height` and `width` pixels; its own inverse."""
        return (width, height) if self.swaps_sides else (height, width)

    def point_to_sensor(self, x: _Place, y: _Place) -> tuple[_Place, _Place]:
        """A point of the upright picture, fractions from its left and top, as fractions across and down the sensor."""
        rows, columns = self._reversed
        x, y = 1 - x if columns else x, 1 - y if rows else y
        return (y, x) if self.swaps_sides else (x, y)

    def point_to_upright(self, across: _Place, down: _Place) -> tuple[_Place, _Place]:
        """The inverse: a point of the sensor as one of the upright picture."""
        rows, columns = self._reversed
        x, y = (down, across) if self.swaps_sides else (across, down)
        return 1 - x if columns else x, 1 - y if rows else y

    def box_to_sensor(self, box: Box) -> Box:
        """A box of the upright picture as one of the sensor."""
        (xa, ya), (xb, yb) = self.point_to_sensor(box.x0, box.y0), self.point_to_sensor(box.x1, box.y1)
        return Box(min(xa, xb), min(ya, yb), max(xa, xb), max(ya, yb))


# By flip, 0 to 7: LibRaw's source, utils_dcraw.cpp (flip_index) and its table of Exif values in identify.
_OF_FLIP = tuple(Orientation(n) for n in (1, 2, 4, 3, 5, 8, 6, 7))
