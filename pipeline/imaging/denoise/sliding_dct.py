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
from pipeline.types import F32

_N = 8
CHUNK = 512  # patches at a time: their coefficients stay in the second-level cache

# Row k, column j: cos((2 j + 1) k pi / 16), each row brought to unit length (the orthonormal DCT-II).
_DCT = np.cos((2 * np.arange(_N) + 1) * np.arange(_N)[:, None] * math.pi / (2 * _N))
_DCT = (_DCT / np.linalg.norm(_DCT, axis=1, keepdims=True)).astype(np.float32)
# Row k of the DCT is even about its middle for even k and odd for odd k: half of each row says it all.
HALF = np.ascontiguousarray(_DCT[:, : _N // 2])
# The same for the inverse: [0, j] the even coefficients' share of sample j, [1, j] the odd ones'.
BACK = np.ascontiguousarray(np.stack([_DCT[0::2, :4].T, _DCT[1::2, :4].T]))

# cos(k pi / 16) / 2, of which all rows of the DCT are made.
_C1, _C2, _C3, _C4, _C5, _C6, _C7 = (np.float32(0.5 * math.cos(k * math.pi / 16)) for k in range(1, 8))
_RIM = 8  # patches beyond either end of a chunk that its samples reach
Eight = tuple[Any, Any, Any, Any, Any, Any, Any, Any]


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
def _forward(x: Eight) -> Eight:
    """DCT of eight samples."""
    x0, x1, x2, x3, x4, x5, x6, x7 = x
    p0, p1, p2, p3 = x0 + x7, x1 + x6, x2 + x5, x3 + x4
    m0, m1, m2, m3 = x0 - x7, x1 - x6, x2 - x5, x3 - x4
    a0, a1, b0, b1 = p0 + p3, p1 + p2, p0 - p3, p1 - p2
    return (
        (a0 + a1) * _C4,
        (_C1 * m0 + _C3 * m1) + (_C5 * m2 + _C7 * m3),
        _C2 * b0 + _C6 * b1,
        (_C3 * m0 - _C7 * m1) - (_C1 * m2 + _C5 * m3),
        (a0 - a1) * _C4,
        (_C5 * m0 - _C1 * m1) + (_C7 * m2 + _C3 * m3),
        _C6 * b0 - _C2 * b1,
        (_C7 * m0 - _C5 * m1) + (_C3 * m2 - _C1 * m3),
    )


@compiled(error_model="numpy")
def _inverse(c: Eight) -> Eight:
    """The samples of eight coefficients."""
    c0, c1, c2, c3, c4, c5, c6, c7 = c
    s0, s1, s2, s3 = (c0 + c4) * _C4, (c0 - c4) * _C4, _C6 * c2 - _C2 * c6, _C2 * c2 + _C6 * c6
    e0, e1, e2, e3 = s0 + s3, s1 + s2, s1 - s2, s0 - s3
    q0 = (_C1 * c1 + _C3 * c3) + (_C5 * c5 + _C7 * c7)
    q1 = (_C3 * c1 - _C7 * c3) - (_C1 * c5 + _C5 * c7)
    q2 = (_C5 * c1 - _C1 * c3) + (_C7 * c5 + _C3 * c7)
    q3 = (_C7 * c1 - _C5 * c3) + (_C3 * c5 - _C1 * c7)
    return e0 + q0, e1 + q1, e2 + q2, e3 + q3, e3 - q3, e2 - q2, e1 - q1, e0 - q0


@compiled(error_model="numpy", apart=True)
def _down(rows: NDArray[Any], out: NDArray[Any]) -> None:
    """DCT down the columns of rows (8, P) into out (8, P)."""
    x0, x1, x2, x3, x4, x5, x6, x7 = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6], rows[7]
    c0, c1, c2, c3, c4, c5, c6, c7 = out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7]
    for p in range(rows.shape[1]):
        c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p] = _forward(
            (x0[p], x1[p], x2[p], x3[p], x4[p], x5[p], x6[p], x7[p])
        )


@compiled(error_model="numpy", apart=True)
def _add_up(sums: NDArray[Any], total: NDArray[Any], weights: NDArray[Any]) -> None:
    """Inverse DCT down the columns of the first eight of sums (9, P), and the ninth, into total and weights (8, P)."""
    c0, c1, c2, c3, c4, c5, c6, c7 = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5], sums[6], sums[7]
    t0, t1, t2, t3, t4, t5, t6, t7 = total[0], total[1], total[2], total[3], total[4], total[5], total[6], total[7]
    for p in range(total.shape[1]):
        x0, x1, x2, x3, x4, x5, x6, x7 = _inverse((c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p]))
        t0[p], t1[p], t2[p], t3[p] = t0[p] + x0, t1[p] + x1, t2[p] + x2, t3[p] + x3
        t4[p], t5[p], t6[p], t7[p] = t4[p] + x4, t5[p] + x5, t6[p] + x6, t7[p] + x7
    weight = sums[8, : total.shape[1]]
    for j in range(8):
        row = weights[j]
        for p in range(row.size):
            row[p] += weight[p]


@compiled(error_model="numpy", apart=True)
def _wiener(
    s: NDArray[Any],
    steer: NDArray[Any],
    i: int,
    a: int,
    e: int,
    sigma: NDArray[Any],
    slow: bool,
    kept: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Row i of the patches a to e, transformed, shrunk as the same row of `steer` says, transformed back into out[i];
    the energy of the gains is added to `kept`."""
    step, one = s.shape[0], np.float32(1)
    x0 = s[0 % step, i, a + 0 // step : e + 0 // step]
    x1 = s[1 % step, i, a + 1 // step : e + 1 // step]
    x2 = s[2 % step, i, a + 2 // step : e + 2 // step]
    x3 = s[3 % step, i, a + 3 // step : e + 3 // step]
    x4 = s[4 % step, i, a + 4 // step : e + 4 // step]
    x5 = s[5 % step, i, a + 5 // step : e + 5 // step]
    x6 = s[6 % step, i, a + 6 // step : e + 6 // step]
    x7 = s[7 % step, i, a + 7 // step : e + 7 // step]
    r0 = steer[0 % step, i, a + 0 // step : e + 0 // step]
    r1 = steer[1 % step, i, a + 1 // step : e + 1 // step]
    r2 = steer[2 % step, i, a + 2 // step : e + 2 // step]
    r3 = steer[3 % step, i, a + 3 // step : e + 3 // step]
    r4 = steer[4 % step, i, a + 4 // step : e + 4 // step]
    r5 = steer[5 % step, i, a + 5 // step : e + 5 // step]
    r6 = steer[6 % step, i, a + 6 // step : e + 6 // step]
    r7 = steer[7 % step, i, a + 7 // step : e + 7 // step]
    y0 = out[i, 0, _RIM : _RIM + kept.size]
    y1 = out[i, 1, _RIM : _RIM + kept.size]
    y2 = out[i, 2, _RIM : _RIM + kept.size]
    y3 = out[i, 3, _RIM : _RIM + kept.size]
    y4 = out[i, 4, _RIM : _RIM + kept.size]
    y5 = out[i, 5, _RIM : _RIM + kept.size]
    y6 = out[i, 6, _RIM : _RIM + kept.size]
    y7 = out[i, 7, _RIM : _RIM + kept.size]
    mean = i == 0 and slow  # the mean of a patch is not shrunk
    v0, v1, v2, v3 = sigma[0] * sigma[0], sigma[1] * sigma[1], sigma[2] * sigma[2], sigma[3] * sigma[3]
    v4, v5, v6, v7 = sigma[4] * sigma[4], sigma[5] * sigma[5], sigma[6] * sigma[6], sigma[7] * sigma[7]
    for p in range(kept.size):
        g0, g1, g2, g3, g4, g5, g6, g7 = _forward((r0[p], r1[p], r2[p], r3[p], r4[p], r5[p], r6[p], r7[p]))
        g0, g1, g2, g3, g4, g5, g6, g7 = g0 * g0, g1 * g1, g2 * g2, g3 * g3, g4 * g4, g5 * g5, g6 * g6, g7 * g7
        g0 = one if mean else g0 / (g0 + v0)
        g1, g2, g3, g4 = g1 / (g1 + v1), g2 / (g2 + v2), g3 / (g3 + v3), g4 / (g4 + v4)
        g5, g6, g7 = g5 / (g5 + v5), g6 / (g6 + v6), g7 / (g7 + v7)
        kept[p] += ((g0 * g0 + g1 * g1) + (g2 * g2 + g3 * g3)) + ((g4 * g4 + g5 * g5) + (g6 * g6 + g7 * g7))
        c0, c1, c2, c3, c4, c5, c6, c7 = _forward((x0[p], x1[p], x2[p], x3[p], x4[p], x5[p], x6[p], x7[p]))
        y0[p], y1[p], y2[p], y3[p], y4[p], y5[p], y6[p], y7[p] = _inverse(
            (c0 * g0, c1 * g1, c2 * g2, c3 * g3, c4 * g4, c5 * g5, c6 * g6, c7 * g7)
        )


@compiled(error_model="numpy", apart=True)
def _threshold(
    s: NDArray[Any], i: int, a: int, e: int, least: NDArray[Any], slow: bool, kept: NDArray[Any], out: NDArray[Any]
) -> None:
    """Row i of the patches a to e, transformed, coefficients below `least` left out, transformed back into out[i]; the
    number of those that stay is added to `kept`."""
    step, one, zero = s.shape[0], np.float32(1), np.float32(0)
    x0 = s[0 % step, i, a + 0 // step : e + 0 // step]
    x1 = s[1 % step, i, a + 1 // step : e + 1 // step]
    x2 = s[2 % step, i, a + 2 // step : e + 2 // step]
    x3 = s[3 % step, i, a + 3 // step : e + 3 // step]
    x4 = s[4 % step, i, a + 4 // step : e + 4 // step]
    x5 = s[5 % step, i, a + 5 // step : e + 5 // step]
    x6 = s[6 % step, i, a + 6 // step : e + 6 // step]
    x7 = s[7 % step, i, a + 7 // step : e + 7 // step]
    y0 = out[i, 0, _RIM : _RIM + kept.size]
    y1 = out[i, 1, _RIM : _RIM + kept.size]
    y2 = out[i, 2, _RIM : _RIM + kept.size]
    y3 = out[i, 3, _RIM : _RIM + kept.size]
    y4 = out[i, 4, _RIM : _RIM + kept.size]
    y5 = out[i, 5, _RIM : _RIM + kept.size]
    y6 = out[i, 6, _RIM : _RIM + kept.size]
    y7 = out[i, 7, _RIM : _RIM + kept.size]
    l0, l1, l2, l3, l4, l5, l6, l7 = least[0], least[1], least[2], least[3], least[4], least[5], least[6], least[7]
    l0 = zero if i == 0 and slow else l0  # the mean of a patch stays
    for p in range(kept.size):
        c0, c1, c2, c3, c4, c5, c6, c7 = _forward((x0[p], x1[p], x2[p], x3[p], x4[p], x5[p], x6[p], x7[p]))
        k0, k1 = one if abs(c0) >= l0 else zero, one if abs(c1) >= l1 else zero
        k2, k3 = one if abs(c2) >= l2 else zero, one if abs(c3) >= l3 else zero
        k4, k5 = one if abs(c4) >= l4 else zero, one if abs(c5) >= l5 else zero
        k6, k7 = one if abs(c6) >= l6 else zero, one if abs(c7) >= l7 else zero
        kept[p] += ((k0 + k1) + (k2 + k3)) + ((k4 + k5) + (k6 + k7))
        y0[p], y1[p], y2[p], y3[p], y4[p], y5[p], y6[p], y7[p] = _inverse(
            (c0 * k0, c1 * k1, c2 * k2, c3 * k3, c4 * k4, c5 * k5, c6 * k6, c7 * k7)
        )


@compiled(error_model="numpy", apart=True)
def _gather(out: NDArray[Any], weight: NDArray[Any], start: int, count: int, sums: NDArray[Any]) -> None:
    """Adds the rows of patches, each by its weight, to what they cover: sums (step, 9, P), the ninth the weights.

    out (9, 9, _RIM + count + _RIM) and weight have a rim of zeros; out[8, :8] is one and out[:, 8] zero, which stands
    for samples that a phase of columns has not.
    """
    step, n = sums.shape[0], count + _RIM
    for r in range(step):
        for first in range(r, 8, 4 * step):
            j0, j1, j2, j3 = first, min(first + step, 8), min(first + 2 * step, 8), min(first + 3 * step, 8)
            a0, a1, a2, a3 = _RIM - j0 // step, _RIM - j1 // step, _RIM - j2 // step, _RIM - j3 // step
            w0, w1, w2, w3 = weight[a0 : a0 + n], weight[a1 : a1 + n], weight[a2 : a2 + n], weight[a3 : a3 + n]
            for i in range(9):
                x0, x1 = out[i, j0, a0 : a0 + n], out[i, j1, a1 : a1 + n]
                x2, x3 = out[i, j2, a2 : a2 + n], out[i, j3, a3 : a3 + n]
                to = sums[r, i, start : start + n]
                for p in range(n):
                    to[p] += (w0[p] * x0[p] + w1[p] * x1[p]) + (w2[p] * x2[p] + w3[p] * x3[p])


@compiled(error_model="numpy")
def _parted(plane: NDArray[Any], rows: NDArray[Any], columns: NDArray[Any], step: int) -> NDArray[Any]:
    """(step, rows, P): the plane at `rows` and `columns`, parted by column phase."""
    parts = np.zeros((step, rows.size, (columns.size + step - 1) // step), np.float32)
    for y in range(rows.size):
        line = plane[rows[y]]
        for r in range(step):
            part = parts[r, y]
            for m in range((columns.size - r + step - 1) // step):
                part[m] = line[columns[m * step + r]]
    return parts


@compiled(error_model="numpy")
def _run(
    plane: NDArray[Any],
    guide: NDArray[Any],
    rows: NDArray[Any],
    across: NDArray[Any],
    sigma: NDArray[Any],
    down: int,
    step: int,
    wiener: bool,
    slow: bool,
    chunk: int,
) -> NDArray[Any]:
    """plane (H, W) -> the weighted mean of the shrunk patches; rows and across  indices that mirror it at its rims."""
    f32 = np.float32
    parts = _parted(plane, rows, across, step)
    steers = _parted(guide, rows, across, step) if wiener else parts
    wide = parts.shape[2]
    total, weights = np.zeros(parts.shape, f32), np.zeros(parts.shape, f32)
    s, steer, sums = np.empty((step, 8, wide), f32), np.empty((step, 8, wide), f32), np.empty((step, 9, wide + 16), f32)
    count_all = (across.size - 8) // step + 1
    out, kept_all = np.zeros((9, 9, chunk + 2 * _RIM), f32), np.zeros(chunk + 2 * _RIM, f32)
    out[8, :8] = 1
    for y in range(0, rows.size - 7, down):
        for r in range(step):
            _down(parts[r, y : y + 8], s[r])
            if wiener:
                _down(steers[r, y : y + 8], steer[r])
        sums[:] = 0
        for start in range(0, count_all, chunk):
            count = min(chunk, count_all - start)
            kept_all[:] = 0
            kept = kept_all[_RIM : _RIM + count]
            for i in range(8):
                if wiener:
                    _wiener(s, steer, i, start, start + count, sigma[i], slow, kept, out)
                else:
                    _threshold(s, i, start, start + count, sigma[i], slow, kept, out)
            for p in range(count):
                kept[p] = f32(1) / max(kept[p], f32(1))
            _gather(out, kept_all, start, count, sums)
        for r in range(step):
            _add_up(sums[r], total[r, y : y + 8], weights[r, y : y + 8])
    height, width = plane.shape
    result = np.empty((height, width), f32)
    for y in range(height):
        for r in range(step):
            value, weight = total[r, y + 7], weights[r, y + 7]
            first = -(-(7 - r) // step)  # the first column of this phase that lies in the plane
            for m in range(first, (width + 7 - r + step - 1) // step):
                result[y, m * step + r - 7] = value[m] / weight[m]
    return result


def sliding_dct(plane: F32, guide: F32 | None, sigma: F32, steps: tuple[int, int], slow: bool = True) -> F32:
    """(H, W) -> (H, W): hard threshold without a guide, Wiener shrinkage steered by the guide (H, W) with one.

    sigma (8, 8) > 0 is the least coefficient to keep, or the deviation of the noise in each; `steps`, each 1
    to 8, the distance between patches down and across; `slow` whether the means of patches stay as they are. The
    plane is mirrored at its edges, so that they are covered by as many patches as the rest.
    """
    rows, across = (_mirror(side, step) for side, step in zip(plane.shape, steps, strict=True))
    steer = plane if guide is None else guide
    return np.asarray(_run(plane, steer, rows, across, sigma, steps[0], steps[1], guide is not None, slow, CHUNK))


def _mirror(side: int, step: int) -> NDArray[np.int64]:
    """Index of each pixel of a side with room for all patches that cover it, 8 + n * step long."""
    return np.pad(np.arange(side), (_N - 1, _N - 1 + (-(side + _N - 2)) % step), mode="symmetric")


def mirrored(plane: F32, steps: tuple[int, int]) -> tuple[F32, tuple[slice, slice]]:
    """The plane with room for all patches that cover it, 8 + n * step long, and where in it the plane lies."""
    pads = [(_N - 1, _N - 1 + (-(side + _N - 2)) % step) for side, step in zip(plane.shape, steps, strict=True)]
    inner = (slice(_N - 1, _N - 1 + plane.shape[0]), slice(_N - 1, _N - 1 + plane.shape[1]))
    return np.pad(plane, pads, mode="symmetric"), inner
