"""A network of ours, run by convolutions of our own (winograd.py): tests/training/network.py has it for PyTorch.

It sees cells of 2x2 pixels and gives u of their pixels: what it takes for the base, a plain demosaic or mean of its
input, and a correction. Blocks of two 3x3 convolutions, down through scales that halve each other, and up again.
What is not asked for is not made: a tile's rim is seen, and on the way up left out as early as can be.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.learned import domain, told, winograd
from pipeline.imaging.learned.tiles import BANDS, Part
from pipeline.imaging.learned.winograd import ADDED, LANES, LEAKY, PLAIN, ROOM
from pipeline.types import F32

_BETWEEN = 64  # rows that are held between the two convolutions of a block


@dataclass(frozen=True)
class _Convolution:
    u: F32
    bias: F32
    channels: int  # of its input
    units: int  # of its output


class Network:
    """Cells in, pixels out; the same bytes for the same cells, on one thread."""

    def __init__(self, weights: bytes) -> None:
        """weights: .npz, half precision; the names and the shapes of its arrays tell the network's form."""
        self.channels, self._ways = _unpacked(weights)
        self._by = self._ways[0]
        names = list(self._by)
        self._units = [by.units for name, by in self._by.items() if name == "inp" or name.startswith("halve.")]
        scales = range(len(self._units))
        self._down, self._up = ([[name.removesuffix(".first") for name in names
                                  if name.startswith(f"{way}.{scale}.") and name.endswith(".first")]
                                 for scale in scales] for way in ("down", "up"))  # fmt: skip
        self.sides = 1 << len(self._units) - 1  # of which the sides of what it sees are multiples
        self._v, self._m = np.zeros(ROOM, np.float32), np.zeros(ROOM, np.float32)
        self._seen: F32 = np.empty((0, 0, 0), np.float32)
        self._sizes: list[tuple[int, int]] = []  # of each scale
        self._held: list[F32] = []  # as winograd.py has pictures
        self._between: F32 = np.empty(0, np.float32)

    def cells(self, height: int, width: int) -> F32:
        """(height, width, channels), to be filled before `picture`; sides multiples of `sides`."""
        if self._sizes[:1] != [(height, width)]:
            self._seen, self._held = np.empty((0, 0, 0), np.float32), []
            self._sizes = [(height >> scale, width >> scale) for scale in range(len(self._units))]
            self._seen = _bordered((height, width), self.channels)
            self._held = [_bordered(size, units) for size, units in zip(self._sizes, self._units, strict=True)]
            line = max(held.shape[1] * held.shape[2] for held in self._held)
            self._between = np.empty((_BETWEEN + 2) * line, np.float32)
        return self._seen[1 : 1 + height, 1 : 1 + width, : self.channels]

    def picture(self, part: Part) -> F32:
        """u (2 (low - top), 2 (right - left), 3) of the part's cells, of those that `cells` holds.

        The mean of what it makes of them and of their mirror image: +0.14 dB, on each of the tuning pictures 0.10 or
        more (self-ensemble: Timofte, Rothe and Van Gool, "Seven Ways to Improve Example-Based Single Image Super
        Resolution", CVPR 2016). A Bayer cell keeps its colours only so mirrored.
        """
        found = np.zeros((2 * (part.low - part.top), 2 * (part.right - part.left), 3), np.float32)
        for way in self._ways:
            self._look(way, part, found)
        return found

    def looks(self, part: Part) -> tuple[F32, F32]:
        """The halves of which `picture` is the sum: where they differ, the network is not sure."""
        size = (2 * (part.low - part.top), 2 * (part.right - part.left), 3)
        one, other = np.zeros(size, np.float32), np.zeros(size, np.float32)
        for way, found in zip(self._ways, (one, other), strict=True):
            self._look(way, part, found)
        return one, other

    def _look(self, way: dict[str, _Convolution], part: Part, found: F32) -> None:
        """Add its share of the picture to `found`."""
        self._by = way
        for scale, size in enumerate(self._sizes):
            whole = Part(0, 0, *size)
            if scale == 0:
                for row in range(0, size[0], BANDS):
                    self._band("inp", self._seen, row, 0, _band(row, whole), self._held[0], row, 0, PLAIN)
            else:
                by = self._by[f"halve.{scale - 1}"]
                winograd.halve(self._held[scale - 1], *size, by.u, by.bias, self._held[scale], self._v, self._m)
            for name in self._down[scale]:
                self._block(name, scale, whole)
        wanted = [part.wider(1, *self._sizes[0])]  # of each scale, the finest first
        blocks: list[list[tuple[str, Part]]] = []
        for names, size in zip(self._up, self._sizes[:-1], strict=False):
            here, at = [], wanted[-1]
            for name in reversed(names):
                at = at.wider(1, *size)
                here.append((name, at))
                at = at.wider(1, *size)
            blocks.append(here[::-1])
            wanted.append(at.halved())
        for scale in reversed(range(len(blocks))):
            by, at = self._by[f"widen.{scale}"], wanted[scale + 1]
            winograd.widen(self._held[scale + 1], at.top, at.left, at.low, at.right, by.u, by.bias, self._held[scale],
                           self._v, self._m)  # fmt: skip
            for name, at in blocks[scale]:
                self._block(name, scale, at)
        self._out(part, found)

    def _band(
        self, name: str, x: F32, row: int, left: int, size: tuple[int, int], out: F32, to: int, aside: int, how: int
    ) -> None:
        """A 3x3 convolution of a band of this size, of x from (row, left) on, to (to, aside) of `out`.

        A band is of four rows and so many pixels but where the picture ends: beyond, nothing is left.
        """
        by, (rows, width) = self._by[name], size
        winograd.convolve(x, row, left, width, by.channels, by.u, by.bias, out, to, aside, how, self._v, self._m)
        if width % BANDS:
            out[to + 1 : to + 1 + BANDS, aside + 1 + width : aside + 1 + _whole(width)] = 0
        if rows < BANDS:
            out[to + 1 + rows : to + 1 + BANDS] = 0

    def _block(self, name: str, scale: int, at: Part) -> None:
        """Add what two convolutions make of a picture to it; the second takes what lies outside for nothing."""
        x = self._held[scale]
        size = (_BETWEEN + 2, _whole(at.right - at.left) + 2, x.shape[2])
        between = self._between[: math.prod(size)].reshape(size)
        between[0] = between[:, 0] = between[:, -1] = 0
        first = done = at.top  # row of `between` after its border; row before which x is done

        def second() -> None:
            self._band(f"{name}.second", between, done - first, 0, _band(done, at), x, done, at.left, ADDED)

        for row in range(at.top, at.low, BANDS):
            if row + BANDS - first > _BETWEEN:
                between[: BANDS + 1] = between[done - first : row - first + 1]  # what is still to be seen
                first = done
            self._band(f"{name}.first", x, row, at.left, _band(row, at), between, row - first, 0, LEAKY)
            if row > at.top:  # the first sees a row above its own: the second stays a band behind
                second()
                done = row
        between[at.low - first + 1 : at.low - first + 1 + BANDS] = 0
        second()

    def _out(self, part: Part, found: F32) -> None:
        at = part.wider(0, *self._sizes[0])
        made = np.empty((BANDS + 2, _whole(at.right - at.left) + 2, self._by["out"].units), np.float32)
        base = {domain.CHANNELS: _bilinear, told.CHANNELS: _nothing}.get(self.channels, _mean)
        for row in range(at.top, at.low, BANDS):
            self._band("out", self._held[0], row, at.left, _band(row, at), made, 0, 0, PLAIN)
            first, last = max(row, part.top), min(row + BANDS, part.low)
            rows = found[2 * (first - part.top) : 2 * (last - part.top)]
            base(self._seen, first, part.left, made, 1 + first - row, 1 + part.left - at.left, rows)


def _band(row: int, at: Part) -> tuple[int, int]:
    """Height and width of the band of `at` that begins with this row."""
    return min(BANDS, at.low - row), at.right - at.left


def _whole(side: int) -> int:
    return -(-side // BANDS) * BANDS


def _bordered(size: tuple[int, int], channels: int) -> F32:
    return np.zeros((_whole(size[0]) + 2, _whole(size[1]) + 2, -(-channels // LANES) * LANES), np.float32)


@lru_cache(maxsize=3)
def _unpacked(weights: bytes) -> tuple[int, list[dict[str, _Convolution]]]:
    """Channels of what a network sees; how it sees the cells, and how it would see them mirrored about their diagonal.

    Kept from frame to frame: they are small beside what a network holds of a tile, and take longer than a small frame.
    """
    with np.load(io.BytesIO(weights), allow_pickle=False) as held:
        arrays = {name: held[name] for name in held.files}
    names = [name.removesuffix(".weight") for name in arrays if name.endswith(".weight")]
    channels = arrays["inp.weight"].shape[1]
    return channels, [_convolutions(names, of) for of in (arrays, _mirrored(arrays, channels))]


def _convolutions(names: list[str], arrays: dict[str, NDArray[Any]]) -> dict[str, _Convolution]:
    return {name: _convolution(arrays[f"{name}.weight"], arrays[f"{name}.bias"]) for name in names}


def _mirrored(arrays: dict[str, NDArray[Any]], channels: int) -> dict[str, NDArray[Any]]:
    """The weights that make of cells the mirror image of what `arrays` make of their mirror image."""
    found = {name: array.swapaxes(2, 3) if array.ndim == 4 else array for name, array in arrays.items()}
    planes = np.arange(channels)
    if channels == domain.CHANNELS:
        planes[[1, 2]] = 2, 1  # the greens
    elif channels == told.CHANNELS:
        planes[:12] = planes[:12].reshape(3, 2, 2).swapaxes(1, 2).ravel()
    else:
        planes[:48] = planes[:48].reshape(3, 4, 4).swapaxes(1, 2).ravel()
    found["inp.weight"] = found["inp.weight"][:, planes]
    pixels = np.arange(12).reshape(3, 2, 2).swapaxes(1, 2).ravel()
    return found | {name: found[name][pixels] for name in ("out.weight", "out.bias")}


def _convolution(weight: NDArray[Any], bias: NDArray[Any]) -> _Convolution:
    units, channels, side = weight.shape[:3]
    if side == 3:
        u = winograd.packed_3x3(weight)
    else:  # the pixels of each one below the other
        u = winograd.packed(weight.transpose(2, 3, 1, 0).reshape(1, side * side * channels, units).astype(np.float32))
    return _Convolution(u, np.pad(bias.astype(np.float32), (0, -units % LANES)), channels, -(-units // LANES) * LANES)


@compiled(error_model="numpy")
def _bilinear(cells: F32, top: int, left: int, made: F32, up_to: int, aside: int, out: F32) -> None:
    """Add half of the bilinear demosaic of RGGB cells from (top, left) on, and of made from (up_to, aside) on."""
    half, quarter = np.float32(0.5), np.float32(0.25)
    for i in range(out.shape[0] // 2):
        up, row, down = cells[top + i], cells[top + i + 1], cells[top + i + 2]
        one, two = out[2 * i], out[2 * i + 1]
        for j in range(out.shape[1] // 2):
            x, y, more = left + j + 1, 2 * j, made[up_to + i, aside + j]
            r, g, h, b = row[x, 0], row[x, 1], row[x, 2], row[x, 3]
            one[y, 0] += half * (r + more[0])
            one[y + 1, 0] += half * (half * (r + row[x + 1, 0]) + more[1])
            two[y, 0] += half * (half * (r + down[x, 0]) + more[2])
            two[y + 1, 0] += half * (quarter * (r + row[x + 1, 0] + down[x, 0] + down[x + 1, 0]) + more[3])
            one[y, 1] += half * (quarter * (g + row[x - 1, 1] + h + up[x, 2]) + more[4])
            one[y + 1, 1] += half * (g + more[5])
            two[y, 1] += half * (h + more[6])
            two[y + 1, 1] += half * (quarter * (g + down[x, 1] + h + row[x + 1, 2]) + more[7])
            one[y, 2] += half * (quarter * (b + row[x - 1, 3] + up[x, 3] + up[x - 1, 3]) + more[8])
            one[y + 1, 2] += half * (half * (b + up[x, 3]) + more[9])
            two[y, 2] += half * (half * (b + row[x - 1, 3]) + more[10])
            two[y + 1, 2] += half * (b + more[11])


@compiled(error_model="numpy")
def _mean(cells: F32, top: int, left: int, made: F32, up_to: int, aside: int, out: F32) -> None:
    """Add half of the mean of each pixel's four in cells from (top, left) on, and of made from (up_to, aside) on."""
    half, quarter = np.float32(0.5), np.float32(0.25)
    for i in range(out.shape[0] // 2):
        for j in range(out.shape[1] // 2):
            cell, more = cells[top + i + 1, left + j + 1], made[up_to + i, aside + j]
            for c in range(3):
                for dy in range(2):
                    for dx in range(2):
                        k = 16 * c + 8 * dy + 2 * dx
                        mean = quarter * (cell[k] + cell[k + 1] + cell[k + 4] + cell[k + 5])
                        out[2 * i + dy, 2 * j + dx, c] += half * (mean + more[4 * c + 2 * dy + dx])


@compiled(error_model="numpy")
def _nothing(cells: F32, top: int, left: int, made: F32, up_to: int, aside: int, out: F32) -> None:
    """Add half of made from (up_to, aside) on: a correction."""
    half = np.float32(0.5)
    for i in range(out.shape[0] // 2):
        for j in range(out.shape[1] // 2):
            more = made[up_to + i, aside + j]
            for c in range(3):
                for dy in range(2):
                    for dx in range(2):
                        out[2 * i + dy, 2 * j + dx, c] += half * more[4 * c + 2 * dy + dx]
