"""Shrinkage in the 8x8 DCT of overlapping patches (Yu and Sapiro, "DCT image denoising", IPOL 2011).

A strip of patches is one row of work: the transform down the columns is done once for the strip and shared
by all patches that cross a column, and all loops run over the patches, so that they become vector
instructions. No sum changes its order, whatever the vector width.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.denoise.patch_rows import (
    RIM,
    add_strip,
    add_weights,
    gather,
    own_axes,
    restore_row,
    threshold_row,
    threshold_two,
    transform_down,
    transform_row,
    wiener_row,
    wiener_two,
)
from pipeline.types import F32

_N = 8
CHUNK = 512  # patches at a time: their coefficients stay in the second-level cache
BAND = 512  # rows at a time, whose sums are held: of the strips across its rims, which are done twice, few

# Row k, column j: cos((2 j + 1) k pi / 16), each row brought to unit length (the orthonormal DCT-II).
DCT = np.cos((2 * np.arange(_N) + 1) * np.arange(_N)[:, None] * math.pi / (2 * _N))
DCT = (DCT / np.linalg.norm(DCT, axis=1, keepdims=True)).astype(np.float32)
# Row k of the DCT is even about its middle for even k and odd for odd k: half of each row says it all.
HALF = np.ascontiguousarray(DCT[:, : _N // 2])
# The same for the inverse: [0, j] the even coefficients' share of sample j, [1, j] the odd ones'.
BACK = np.ascontiguousarray(np.stack([DCT[0::2, :4].T, DCT[1::2, :4].T]))


@compiled(error_model="numpy")
def _blend(
    w: NDArray[Any], a: NDArray[Any], b: NDArray[Any], c: NDArray[Any], d: NDArray[Any], out: NDArray[Any]
) -> None:
    w0, w1, w2, w3 = w[0], w[1], w[2], w[3]
    for p in range(out.size):
        out[p] = (w0 * a[p] + w1 * b[p]) + (w2 * c[p] + w3 * d[p])


@compiled(error_model="numpy")
def add(a: NDArray[Any], b: NDArray[Any], out: NDArray[Any]) -> None:
    """The sums of two lines (N,), into `out`, which may be one of them."""
    for p in range(out.size):
        out[p] = a[p] + b[p]


@compiled(error_model="numpy")
def _subtract(a: NDArray[Any], b: NDArray[Any], out: NDArray[Any]) -> None:
    for p in range(out.size):
        out[p] = a[p] - b[p]


@compiled(error_model="numpy")
def forward(x: NDArray[Any], out: NDArray[Any], fold: NDArray[Any], half: NDArray[Any]) -> None:
    """DCT down the columns of x (8, P) into out (8, P); `fold` (4, P) is scratch."""
    for j in range(4):
        add(x[j], x[7 - j], fold[j])
    for k in range(0, 8, 2):
        _blend(half[k], fold[0], fold[1], fold[2], fold[3], out[k])
    for j in range(4):
        _subtract(x[j], x[7 - j], fold[j])
    for k in range(1, 8, 2):
        _blend(half[k], fold[0], fold[1], fold[2], fold[3], out[k])


@compiled(error_model="numpy")
def inverse(c: NDArray[Any], out: NDArray[Any], fold: NDArray[Any], back: NDArray[Any]) -> None:
    """Inverse DCT down the columns of c (8, P) into out (8, P); `fold` (2, P) is scratch."""
    for j in range(4):
        _blend(back[0, j], c[0], c[2], c[4], c[6], fold[0])
        _blend(back[1, j], c[1], c[3], c[5], c[7], fold[1])
        add(fold[0], fold[1], out[j])
        _subtract(fold[0], fold[1], out[7 - j])


@compiled(error_model="numpy")
def columns(
    plane: NDArray[Any], y: int, step: int, half: NDArray[Any], v: NDArray[Any], fold: NDArray[Any], s: NDArray[Any]
) -> None:
    """DCT down the columns of the strip at row y, parted by column phase: s[r, i, m] = column m * step + r."""
    forward(plane[y : y + 8], v, fold, half)
    width = plane.shape[1]
    for r in range(step):
        count = (width - r + step - 1) // step
        for i in range(8):
            for m in range(count):
                s[r, i, m] = v[i, m * step + r]


@compiled(error_model="numpy")
def patches(s: NDArray[Any], i: int, start: int, count: int, x: NDArray[Any]) -> None:
    """x[j, p] = sample j of row i of patch start + p."""
    step = s.shape[0]
    for j in range(8):
        source = s[j % step, i, start + j // step : start + j // step + count]
        target = x[j]
        for p in range(count):
            target[p] = source[p]


@compiled(error_model="numpy")
def _part(plane: NDArray[Any], rows: NDArray[Any], columns: NDArray[Any], parts: NDArray[Any]) -> None:
    """The plane at `rows` and `columns` into parts (step, rows, P), parted by column phase."""
    step = parts.shape[0]
    for y in range(rows.size):
        line = plane[rows[y]]
        for r in range(step):
            part = parts[r, y]
            for m in range((columns.size - r + step - 1) // step):
                part[m] = line[columns[m * step + r]]


@compiled(error_model="numpy")
def _run(
    planes: NDArray[Any],
    guides: NDArray[Any],
    rows: NDArray[Any],
    across: NDArray[Any],
    sigma: NDArray[Any],
    down: int,
    step: int,
    wiener: bool,
    slow: bool,
    chunk: int,
    first: int,
    result: NDArray[Any],
) -> None:
    """planes (N, H, W), one or two -> result (N, h, W), the weighted mean of the shrunk patches of each.

    rows and across  indices of the patches' pixels, which mirror them at their rims; first  that of the first row of
    the result among `rows`
    """
    f32 = np.float32
    n, height, width = result.shape
    wide = (across.size + step - 1) // step
    parts = np.zeros((n, step, rows.size, wide), f32)
    steers = np.zeros((n, step, rows.size if wiener else 0, wide), f32)
    for k in range(n):
        _part(planes[k], rows, across, parts[k])
        if wiener:
            _part(guides[k], rows, across, steers[k])
    total, weights = np.zeros(parts.shape, f32), np.zeros(parts.shape[1:], f32)
    s, steer = np.empty((n, step, 8, wide), f32), np.empty((n, step, 8, wide), f32)
    sums = np.empty((n, step, 9, wide + 16), f32)
    count_all = (across.size - 8) // step + 1
    out, kept_all = np.zeros((n, 9, 9, chunk + 2 * RIM), f32), np.zeros(chunk + 2 * RIM, f32)
    out[:, 8, :8] = 1
    two, guide, axes = np.empty((2, 8, chunk), f32), np.empty((2, 8, 8, chunk), f32), np.empty((2, chunk), f32)
    for y in range(0, rows.size - 7, down):
        for k in range(n):
            for r in range(step):
                transform_down(parts[k, r, y : y + 8], s[k, r])
                if wiener:
                    transform_down(steers[k, r, y : y + 8], steer[k, r])
        sums[:] = 0
        for start in range(0, count_all, chunk):
            count = min(chunk, count_all - start)
            kept_all[:] = 0
            kept = kept_all[RIM : RIM + count]
            end = start + count
            if n == 2 and wiener:
                for i in range(8):
                    transform_row(steer[0], i, start, end, guide[0, i])
                    transform_row(steer[1], i, start, end, guide[1, i])
                own_axes(guide[0], guide[1], count, axes[0], axes[1])
            for i in range(8):
                if n == 1 and wiener:
                    wiener_row(s[0], steer[0], i, start, end, sigma[i], slow, kept, out[0])
                elif n == 1:
                    threshold_row(s[0], i, start, end, sigma[i], slow, kept, out[0])
                else:
                    mean = i == 0 and slow
                    transform_row(s[0], i, start, end, two[0])
                    transform_row(s[1], i, start, end, two[1])
                    if wiener:
                        wiener_two(two[0], two[1], guide[0, i], guide[1, i], axes[0], axes[1], sigma[i], mean, kept)
                    else:
                        threshold_two(two[0], two[1], sigma[i], mean, kept)
                    restore_row(two[0], count, out[0, i])
                    restore_row(two[1], count, out[1, i])
            for p in range(count):
                kept[p] = f32(1) / max(kept[p], f32(1))
            for k in range(n):
                gather(out[k], kept_all, start, count, sums[k])
        for k in range(n):
            for r in range(step):
                add_strip(sums[k, r], total[k, r, y : y + 8])
        for r in range(step):
            add_weights(sums[0, r, 8], weights[r, y : y + 8])
    for k in range(n):
        for y in range(height):
            for r in range(step):
                value, weight = total[k, r, y + first], weights[r, y + first]
                left = -(-(7 - r) // step)  # the first column of this phase that lies in the plane
                for m in range(left, (width + 7 - r + step - 1) // step):
                    result[k, y, m * step + r - 7] = value[m] / weight[m]


def sliding_dct(plane: F32, guide: F32 | None, sigma: F32, steps: tuple[int, int], slow: bool = True) -> F32:
    """One plane, (H, W) or (1, H, W), or two, (2, H, W) -> the same shape: hard threshold without a guide, Wiener
    shrinkage steered by the guide, of that shape, with one.

    Of two planes a coefficient is kept where the root of the power that both have
    together is not below sigma, and each patch is shrunk along its own axes: those of the plane of the two along which
    its guide varies the most and the least (a Karhunen-Loeve transform of the colours of each patch). An edge between
    two colours then lies on one axis, and the noise across it goes.

    sigma (8, 8) > 0 is the least coefficient to keep, or the deviation of the noise in each; `steps`, each 1
    to 8, the distance between patches down and across; `slow` whether the means of patches stay as they are. The
    plane is mirrored at its edges, so that they are covered by as many patches as the rest.
    """
    planes = plane.reshape(-1, *plane.shape[-2:])
    steer = planes if guide is None else guide.reshape(planes.shape)
    rows, across = (_mirror(side, step) for side, step in zip(planes.shape[1:], steps, strict=True))
    out, down = np.empty(planes.shape, np.float32), steps[0]
    for begin in range(0, planes.shape[1], BAND):
        end = min(begin + BAND, planes.shape[1])
        # The strips of patches, a whole number of steps from the top, that cover a row of the band: each row gets the
        # same patches in the same order as without bands.
        top = -(-begin // down) * down
        bottom = min((end + _N - 2) // down * down, len(rows) - _N) + _N
        _run(
            planes, steer, rows[top:bottom], across, sigma, down, steps[1], guide is not None, slow, CHUNK,
            begin + _N - 1 - top, out[:, begin:end],
        )  # fmt: skip
    return np.asarray(out.reshape(plane.shape))


def _mirror(side: int, step: int) -> NDArray[np.int64]:
    """Index of each pixel of a side with room for all patches that cover it, 8 + n * step long."""
    return np.pad(np.arange(side), (_N - 1, _N - 1 + (-(side + _N - 2)) % step), mode="symmetric")


def mirrored(plane: F32, steps: tuple[int, int]) -> tuple[F32, tuple[slice, slice]]:
    """The plane with room for all patches that cover it, 8 + n * step long, and where in it the plane lies."""
    pads = [(_N - 1, _N - 1 + (-(side + _N - 2)) % step) for side, step in zip(plane.shape, steps, strict=True)]
    inner = (slice(_N - 1, _N - 1 + plane.shape[0]), slice(_N - 1, _N - 1 + plane.shape[1]))
    return np.pad(plane, pads, mode="symmetric"), inner
