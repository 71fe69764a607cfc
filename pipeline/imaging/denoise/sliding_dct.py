"""Shrinkage in the 8x8 DCT of overlapping patches (Yu and Sapiro, "DCT image denoising", IPOL 2011).

A strip of patches is one row of work: the transform down the columns is done once for the strip and shared
by all patches that cross a column, and all loops run over the patches, so that they become vector
instructions. No sum changes its order, whatever the vector width.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct

from pipeline.imaging.compiled import compiled
from pipeline.types import F32

_N = 8
CHUNK = 512  # patches at a time: their coefficients stay in the second-level cache

_DCT = dct(np.eye(_N), axis=0, norm="ortho").astype(np.float32)
# Row k of the DCT is even about its middle for even k and odd for odd k: half of each row says it all.
HALF = np.ascontiguousarray(_DCT[:, : _N // 2])
# The same for the inverse: [0, j] the even coefficients' share of sample j, [1, j] the odd ones'.
BACK = np.ascontiguousarray(np.stack([_DCT[0::2, :4].T, _DCT[1::2, :4].T]))


@compiled(error_model="numpy")
def _blend(
    w: NDArray[Any], a: NDArray[Any], b: NDArray[Any], c: NDArray[Any], d: NDArray[Any], out: NDArray[Any]
) -> None:
    w0, w1, w2, w3 = w[0], w[1], w[2], w[3]
    for p in range(out.size):
        out[p] = (w0 * a[p] + w1 * b[p]) + (w2 * c[p] + w3 * d[p])


@compiled(error_model="numpy")
def _add(a: NDArray[Any], b: NDArray[Any], out: NDArray[Any]) -> None:
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
        _add(x[j], x[7 - j], fold[j])
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
        _add(fold[0], fold[1], out[j])
        _subtract(fold[0], fold[1], out[7 - j])


@compiled(error_model="numpy")
def _threshold(row: NDArray[Any], least: float, kept: NDArray[Any]) -> None:
    zero, one = np.float32(0), np.float32(1)
    for p in range(row.size):
        keep = abs(row[p]) >= least
        kept[p] += one if keep else zero
        row[p] = row[p] if keep else zero


@compiled(error_model="numpy")
def _wiener(row: NDArray[Any], steer: NDArray[Any], variance: float, kept: NDArray[Any]) -> None:
    for p in range(row.size):
        power = steer[p] * steer[p]
        gain = power / (power + variance)
        row[p] *= gain
        kept[p] += gain * gain


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
def _run(
    plane: NDArray[Any],
    guide: NDArray[Any],
    sigma: NDArray[Any],
    down: int,
    step: int,
    wiener: bool,
    half: NDArray[Any],
    back: NDArray[Any],
    chunk: int,
) -> NDArray[Any]:
    """plane (H, W) with H = 8 + m * down, W = 8 + n * step -> the weighted mean of the shrunk patches."""
    height, width = plane.shape
    f32 = np.float32
    total, weights = np.zeros((height, width), f32), np.zeros((height, width), f32)
    v, wide_fold = np.empty((8, width), f32), np.empty((4, width), f32)
    phases = (width + step - 1) // step
    s, steer_s, sums = (
        np.zeros((step, 8, phases), f32),
        np.zeros((step, 8, phases), f32),
        np.zeros((step, 8, phases), f32),
    )
    line = np.empty(width, f32)
    count_all = (width - 8) // step + 1
    pieces = (count_all + chunk - 1) // chunk
    for y in range(0, height - 7, down):
        columns(plane, y, step, half, v, wide_fold, s)
        if wiener:
            columns(guide, y, step, half, v, wide_fold, steer_s)
        sums[:] = 0
        line[:] = 0
        for piece in range(pieces):
            start = piece * chunk
            count = min(chunk, count_all - start)
            c, steer = np.empty((8, 8, count), f32), np.empty((8, count), f32)
            x, fold, kept = np.empty((8, count), f32), np.empty((4, count), f32), np.zeros(count, f32)
            for i in range(8):
                patches(s, i, start, count, x)
                forward(x, c[i], fold, half)
                if wiener:
                    patches(steer_s, i, start, count, x)
                    forward(x, steer, fold, half)
                for k in range(8):
                    if i + k == 0:  # the mean of a patch is not shrunk
                        kept += f32(1)
                    elif wiener:
                        _wiener(c[i, k], steer[k], sigma[i, k] * sigma[i, k], kept)
                    else:
                        _threshold(c[i, k], sigma[i, k], kept)
            for p in range(count):
                kept[p] = f32(1) / kept[p]
            for i in range(8):
                inverse(c[i], x, fold, back)
                for j in range(8):
                    target = sums[j % step, i, start + j // step : start + j // step + count]
                    source = x[j]
                    for p in range(count):
                        target[p] += kept[p] * source[p]
            for j in range(8):
                for p in range(count):
                    line[(start + p) * step + j] += kept[p]
        for r in range(step):
            for i in range(8):
                for m in range((width - r + step - 1) // step):
                    v[i, m * step + r] = sums[r, i, m]
        strip = np.empty((8, width), f32)
        inverse(v, strip, wide_fold, back)
        for j in range(8):
            _add(total[y + j], strip[j], total[y + j])
            _add(weights[y + j], line, weights[y + j])
    for y in range(height):
        for x0 in range(width):
            total[y, x0] /= weights[y, x0]
    return total


def sliding_dct(plane: F32, guide: F32 | None, sigma: F32, steps: tuple[int, int]) -> F32:
    """(H, W) -> (H, W): hard threshold without a guide, Wiener shrinkage steered by the guide (H, W) with one.

    sigma (8, 8) > 0 is the least coefficient to keep, or the deviation of the noise in each; `steps`, each 1
    to 8, the distance between patches down and across. The plane is mirrored at its edges, so that they are
    covered by as many patches as the rest.
    """
    padded, inner = mirrored(plane, steps)
    steer = padded if guide is None else mirrored(guide, steps)[0]
    out = _run(padded, steer, sigma, steps[0], steps[1], guide is not None, HALF, BACK, CHUNK)
    return np.ascontiguousarray(out[inner])


def mirrored(plane: F32, steps: tuple[int, int]) -> tuple[F32, tuple[slice, slice]]:
    """The plane with room for all patches that cover it, 8 + n * step long, and where in it the plane lies."""
    pads = [(_N - 1, _N - 1 + (-(side + _N - 2)) % step) for side, step in zip(plane.shape, steps, strict=True)]
    inner = (slice(_N - 1, _N - 1 + plane.shape[0]), slice(_N - 1, _N - 1 + plane.shape[1]))
    return np.pad(plane, pads, mode="symmetric"), inner
