"""What is done to one row of the patches of a strip: see sliding_dct.py. All loops run over the patches.

Arrays of samples are parted by column phase, (step, 8, P): sample j of patch p is element p + j // step of phase
j % step. Each function takes its rows from its own arguments, in the same lines again and again: of rows that another
function hands over the compiler no longer knows that they are apart, and the loops take three times as long.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled

RIM = 8  # patches beyond either end of a chunk that its samples reach
# cos(k pi / 16) / 2, of which all rows of the DCT are made.
_C1, _C2, _C3, _C4, _C5, _C6, _C7 = (np.float32(0.5 * math.cos(k * math.pi / 16)) for k in range(1, 8))
Eight = tuple[Any, Any, Any, Any, Any, Any, Any, Any]


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
def transform_down(rows: NDArray[Any], out: NDArray[Any]) -> None:
    """DCT down the columns of rows (8, P) into out (8, P)."""
    x0, x1, x2, x3, x4, x5, x6, x7 = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6], rows[7]
    c0, c1, c2, c3, c4, c5, c6, c7 = out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7]
    for p in range(rows.shape[1]):
        c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p] = _forward(
            (x0[p], x1[p], x2[p], x3[p], x4[p], x5[p], x6[p], x7[p])
        )


@compiled(error_model="numpy", apart=True)
def add_strip(sums: NDArray[Any], total: NDArray[Any]) -> None:
    """Inverse DCT down the columns of the first eight of sums (9, P), added to total (8, P)."""
    c0, c1, c2, c3, c4, c5, c6, c7 = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5], sums[6], sums[7]
    t0, t1, t2, t3, t4, t5, t6, t7 = total[0], total[1], total[2], total[3], total[4], total[5], total[6], total[7]
    for p in range(total.shape[1]):
        x0, x1, x2, x3, x4, x5, x6, x7 = _inverse((c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p]))
        t0[p], t1[p], t2[p], t3[p] = t0[p] + x0, t1[p] + x1, t2[p] + x2, t3[p] + x3
        t4[p], t5[p], t6[p], t7[p] = t4[p] + x4, t5[p] + x5, t6[p] + x6, t7[p] + x7


@compiled(error_model="numpy", apart=True)
def add_weights(weight: NDArray[Any], weights: NDArray[Any]) -> None:
    """The weights of a row of patches, once more in each row that they cover (8, P)."""
    for j in range(8):
        row = weights[j]
        for p in range(row.size):
            row[p] += weight[p]


@compiled(error_model="numpy", apart=True)
def wiener_row(
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
    y0 = out[i, 0, RIM : RIM + kept.size]
    y1 = out[i, 1, RIM : RIM + kept.size]
    y2 = out[i, 2, RIM : RIM + kept.size]
    y3 = out[i, 3, RIM : RIM + kept.size]
    y4 = out[i, 4, RIM : RIM + kept.size]
    y5 = out[i, 5, RIM : RIM + kept.size]
    y6 = out[i, 6, RIM : RIM + kept.size]
    y7 = out[i, 7, RIM : RIM + kept.size]
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
def threshold_row(
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
    y0 = out[i, 0, RIM : RIM + kept.size]
    y1 = out[i, 1, RIM : RIM + kept.size]
    y2 = out[i, 2, RIM : RIM + kept.size]
    y3 = out[i, 3, RIM : RIM + kept.size]
    y4 = out[i, 4, RIM : RIM + kept.size]
    y5 = out[i, 5, RIM : RIM + kept.size]
    y6 = out[i, 6, RIM : RIM + kept.size]
    y7 = out[i, 7, RIM : RIM + kept.size]
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
def transform_row(s: NDArray[Any], i: int, a: int, e: int, out: NDArray[Any]) -> None:
    """Row i of the patches a to e, transformed, into out (8, P)."""
    step = s.shape[0]
    x0 = s[0 % step, i, a + 0 // step : e + 0 // step]
    x1 = s[1 % step, i, a + 1 // step : e + 1 // step]
    x2 = s[2 % step, i, a + 2 // step : e + 2 // step]
    x3 = s[3 % step, i, a + 3 // step : e + 3 // step]
    x4 = s[4 % step, i, a + 4 // step : e + 4 // step]
    x5 = s[5 % step, i, a + 5 // step : e + 5 // step]
    x6 = s[6 % step, i, a + 6 // step : e + 6 // step]
    x7 = s[7 % step, i, a + 7 // step : e + 7 // step]
    c0, c1, c2, c3, c4, c5, c6, c7 = out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7]
    for p in range(e - a):
        c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p] = _forward(
            (x0[p], x1[p], x2[p], x3[p], x4[p], x5[p], x6[p], x7[p])
        )


@compiled(error_model="numpy", apart=True)
def restore_row(c: NDArray[Any], count: int, out: NDArray[Any]) -> None:
    """The inverse of transform_row of c (8, P), into a row of gather's out (8, RIM + count + RIM)."""
    c0, c1, c2, c3, c4, c5, c6, c7 = c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
    y0, y1, y2, y3, y4, y5, y6, y7 = out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7]
    for p in range(count):
        q = p + RIM
        y0[q], y1[q], y2[q], y3[q], y4[q], y5[q], y6[q], y7[q] = _inverse(
            (c0[p], c1[p], c2[p], c3[p], c4[p], c5[p], c6[p], c7[p])
        )


@compiled(error_model="numpy", apart=True)
def threshold_two(x: NDArray[Any], y: NDArray[Any], least: NDArray[Any], mean: bool, kept: NDArray[Any]) -> None:
    """Of a row of coefficients of two planes, (8, P) each: those whose power together is below that of `least` are left
    out, in place; the number of those that stay is added to `kept`. mean  the first stays."""
    one, zero = np.float32(1), np.float32(0)
    for k in range(8):
        u, v, power = x[k], y[k], least[k] * least[k]
        power = zero if mean and k == 0 else power
        for p in range(kept.size):
            stays = one if u[p] * u[p] + v[p] * v[p] >= power else zero
            u[p] *= stays
            v[p] *= stays
            kept[p] += stays


@compiled(error_model="numpy", apart=True)
def own_axes(g: NDArray[Any], h: NDArray[Any], count: int, along: NDArray[Any], across: NDArray[Any]) -> None:
    """Cosine and sine of the turn to the axes along which the coefficients of each patch, g and h (8, 8, P) of two
    planes, vary the most and the least; their means do not count."""
    f32 = np.float32
    half, one = f32(0.5), f32(1)
    along[:] = 0
    across[:] = 0
    for i in range(8):
        for k in range(8):
            if i == 0 and k == 0:
                continue
            u, v = g[i, k], h[i, k]
            for p in range(count):
                along[p] += u[p] * u[p] - v[p] * v[p]
                across[p] += u[p] * v[p]
    for p in range(count):
        off, both = along[p], f32(2) * across[p]
        size = np.sqrt(off * off + both * both) + f32(1e-30)
        c, s = np.sqrt(half * (one + off / size)), np.sqrt(half * max(one - off / size, f32(0)))
        along[p] = c
        across[p] = s if both >= f32(0) else -s


@compiled(error_model="numpy", apart=True)
def wiener_two(
    x: NDArray[Any],
    y: NDArray[Any],
    g: NDArray[Any],
    h: NDArray[Any],
    along: NDArray[Any],
    across: NDArray[Any],
    sigma: NDArray[Any],
    mean: bool,
    kept: NDArray[Any],
) -> None:
    """A row of coefficients of two planes, (8, P) each, turned to the axes of own_axes, shrunk as those of the guide, g
    and h, say there, and turned back, in place; the mean energy of the gains is added to `kept`."""
    half, one = np.float32(0.5), np.float32(1)
    for k in range(8):
        if mean and k == 0:
            for p in range(kept.size):
                kept[p] += one
            continue
        u, v, a, b, noise = x[k], y[k], g[k], h[k], sigma[k] * sigma[k]
        for p in range(kept.size):
            c, s = along[p], across[p]
            most, least = c * a[p] + s * b[p], c * b[p] - s * a[p]
            most, least = most * most, least * least
            most, least = most / (most + noise), least / (least + noise)
            first, second = most * (c * u[p] + s * v[p]), least * (c * v[p] - s * u[p])
            u[p] = c * first - s * second
            v[p] = s * first + c * second
            kept[p] += half * (most * most + least * least)


@compiled(error_model="numpy", apart=True)
def gather(out: NDArray[Any], weight: NDArray[Any], start: int, count: int, sums: NDArray[Any]) -> None:
    """Adds the rows of patches, each by its weight, to what they cover: sums (step, 9, P), the ninth the weights.

    out (9, 9, RIM + count + RIM) and weight have a rim of zeros; out[8, :8] is one and out[:, 8] zero, which stands
    for samples that a phase of columns has not.
    """
    step, n = sums.shape[0], count + RIM
    for r in range(step):
        for first in range(r, 8, 4 * step):
            j0, j1, j2, j3 = first, min(first + step, 8), min(first + 2 * step, 8), min(first + 3 * step, 8)
            a0, a1, a2, a3 = RIM - j0 // step, RIM - j1 // step, RIM - j2 // step, RIM - j3 // step
            w0, w1, w2, w3 = weight[a0 : a0 + n], weight[a1 : a1 + n], weight[a2 : a2 + n], weight[a3 : a3 + n]
            for i in range(9):
                x0, x1 = out[i, j0, a0 : a0 + n], out[i, j1, a1 : a1 + n]
                x2, x3 = out[i, j2, a2 : a2 + n], out[i, j3, a3 : a3 + n]
                to = sums[r, i, start : start + n]
                for p in range(n):
                    to[p] += (w0[p] * x0[p] + w1[p] * x1[p]) + (w2[p] * x2[p] + w3[p] * x3[p])
