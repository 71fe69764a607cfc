"""A Bayer mosaic to red, green and blue of every pixel, at full size.

Green at red and blue: colour differences estimated along the row and along the column (Hamilton and Adams, "Adaptive
color plan interpolation in single sensor color electronic camera", US patent 5,629,734, 1997, expired), then averaged
from all four sides, each weighed by how little the differences change there (Pekkucuksen and Altunbasak, "Gradient
based threshold free color filter array interpolation", ICIP 2010). Red and blue: a multiple of green whose residual is
interpolated; the multiple is the one that leaves the residual the least Laplacian energy (Kiku, Monno, Tanaka and
Okutomi, "Minimized-Laplacian residual interpolation for color image demosaicking", Proc. SPIE 9023, 2014; here over
the samples of the colour alone). All of it in the square root of light, in which noise and what the eye sees of an edge
are about even. `python -m tests.demosaic_table` compares it with LibRaw's AHD on photographs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64

Line = NDArray[Any]  # or a plane of lines, float32


@dataclass(frozen=True)
class ResidualConstants:
    """Chosen on photographs: `python -m tests.demosaic_table`. Lights are shares of the brightest balanced channel."""

    foot: float = 0.004  # light below zero at which the square root would begin; it is straight from zero down
    flat: float = 0.01  # change of a colour difference over 25 pixels that counts as none
    slack: float = 0.25  # of the range of the greens around, by which one may leave it: hard edges get no rim
    still: float = 1e-3  # Laplacian energy of green, below which red and blue follow nothing


RESIDUAL = ResidualConstants()
# Pixels about those that are wanted that the estimates look at. Even, so that the colours keep their places.
RIM = 12
_RING = 16  # rows that are held at a time, a power of two, more than the 11 that a row looks at
# Share of the colour differences 0 to 3 pixels away in the average of one side: the Gaussian of the paper cut short.
_SIDE = np.array([0.56, 0.35, 0.08, 0.01], np.float32)


@compiled(error_model="numpy")
def _to_root(light: Line, gains: Line, foot: Any, out: Line) -> None:
    """One row of light to its root; gains of the even and of the odd columns."""
    start = np.sqrt(foot)
    slope = np.float32(0.5) / start
    zero = np.float32(0)
    even, odd = gains[0], gains[1]
    for k in range(out.size):
        v = light[k] * (odd if k & 1 else even)
        out[k] = np.sqrt(max(v, zero) + foot) + min(v, zero) * slope


@compiled(error_model="numpy")
def _difference(a: Line, b: Line, c: Line, d: Line, e: Line, sign: Line, out: Line) -> None:
    """Green less the other colour, at the middle one of five neighbours in a line."""
    half, quarter = np.float32(0.5), np.float32(0.25)
    for k in range(out.size):
        out[k] = sign[k] * (half * (b[k] + d[k] - c[k]) - quarter * (a[k] + e[k]))


@compiled(error_model="numpy")
def _change(a: Line, b: Line, out: Line) -> None:
    for k in range(out.size):
        out[k] = abs(a[k] - b[k])


@compiled(error_model="numpy")
def _five(a: Line, b: Line, c: Line, d: Line, e: Line, out: Line) -> None:
    for k in range(out.size):
        out[k] = (a[k] + b[k]) + c[k] + (d[k] + e[k])


@compiled(error_model="numpy")
def _five_across(x: Line, out: Line) -> None:
    """Sums of five neighbours; the outermost two have none."""
    n = out.size - 4
    _five(x[:n], x[1 : n + 1], x[2 : n + 2], x[3 : n + 3], x[4 : n + 4], out[2 : n + 2])


@compiled(error_model="numpy")
def _side(weight: Line, a: Line, b: Line, c: Line, d: Line, share: Line, flat: Any, total: Line, weights: Line) -> None:
    f0, f1, f2, f3 = share[0], share[1], share[2], share[3]
    one = np.float32(1)
    for k in range(total.size):
        w = one / (weight[k] + flat)
        w = w * w
        total[k] += w * ((f0 * a[k] + f1 * b[k]) + (f2 * c[k] + f3 * d[k]))
        weights[k] += w


@compiled(error_model="numpy")
def _held(x: Line, a: Line, b: Line, c: Line, d: Line, slack: Any, full: Any, out: Line) -> None:
    """x within the range of its four neighbours, and `slack` of that range beyond either end, but not above full."""
    for k in range(out.size):
        low = min(min(a[k], b[k]), min(c[k], d[k]))
        high = max(max(a[k], b[k]), max(c[k], d[k]))
        room = slack * (high - low)
        out[k] = min(max(x[k], low - room), max(high, min(high + room, full)))


@compiled(error_model="numpy")
def _add_mean(
    x: Line, total: Line, weights: Line, above: Line, below: Line, where: Line, slack: Any, full: Any, out: Line
) -> None:
    """Green of a row: x itself, and where it is another colour, x and the mean difference to green."""
    for k in range(total.size):
        total[k] = x[k] + total[k] / weights[k]
    n = out.size - 2
    _held(total[1 : n + 1], x[:n], x[2:], above[1 : n + 1], below[1 : n + 1], slack, full, weights[1 : n + 1])
    for k in range(out.size):
        out[k] = weights[k] if where[k] else x[k]


@compiled(error_model="numpy")
def _green(
    light: Line, gains: Line, foot: Any, flat: Any, slack: Any, full: Any, share: Line, out: Line, root: Line
) -> None:
    """light (H, W), RGGB -> root (H, W), its root, and out (H, W), that of green; of the rim nothing is of use."""
    height, width = light.shape
    f32 = np.float32
    ring = _RING
    dh, dv = np.zeros((ring, width), f32), np.zeros((ring, width), f32)
    flat_h, flat_v = np.zeros((ring, width), f32), np.zeros((ring, width), f32)
    box_h, box_v = np.zeros(width, f32), np.zeros((ring, width), f32)
    change = np.zeros(width, f32)
    total, weights = np.zeros(width, f32), np.zeros(width, f32)
    sign, other = np.empty((2, width), f32), np.empty((2, width), np.bool_)
    for k in range(width):
        for r in range(2):
            other[r, k] = (k + r) % 2 == 0
            sign[r, k] = f32(1) if (k + r) % 2 == 0 else f32(-1)
    for y in range(height):
        _to_root(light[y], gains[y % 2], foot, root[y])
    n = width - 4
    for t in range(2, height - 2):
        # Row t of the differences, t - 1 of the changes down, t - 3 of their sums over 5 x 5, t - 5 of green.
        x, s, at = root[t], sign[t % 2], t % ring
        _difference(x[:n], x[1 : n + 1], x[2 : n + 2], x[3 : n + 3], x[4 : n + 4], s[2 : n + 2], dh[at, 2 : n + 2])
        _difference(root[t - 2], root[t - 1], x, root[t + 1], root[t + 2], s, dv[at])
        _change(dh[at, : width - 2], dh[at, 2:], change[1 : width - 1])
        _five_across(change, flat_h[at])
        if t < 4:
            continue
        at = (t - 1) % ring
        _change(dv[(t - 2) % ring], dv[t % ring], change)
        _five_across(change, flat_v[at])
        if t < 8:
            continue
        at = (t - 3) % ring
        a, b, c, d, e = (t - 5) % ring, (t - 4) % ring, (t - 3) % ring, (t - 2) % ring, (t - 1) % ring
        _five(flat_v[a], flat_v[b], flat_v[c], flat_v[d], flat_v[e], box_v[at])
        y = t - 5
        if y < 6:
            continue
        a, b, c, d, e = (y - 2) % ring, (y - 1) % ring, y % ring, (y + 1) % ring, (y + 2) % ring
        _five(flat_h[a], flat_h[b], flat_h[c], flat_h[d], flat_h[e], box_h)
        total[:] = 0
        weights[:] = 0
        m = width - 6
        row, to, of = dh[c], total[3 : m + 3], weights[3 : m + 3]
        left, right = box_h[1 : m + 1], box_h[5 : m + 5]
        _side(left, row[3 : m + 3], row[2 : m + 2], row[1 : m + 1], row[:m], share, flat, to, of)
        _side(right, row[3 : m + 3], row[4 : m + 4], row[5 : m + 5], row[6 : m + 6], share, flat, to, of)
        z = (y - 3) % ring
        _side(box_v[a], dv[c], dv[b], dv[a], dv[z], share, flat, total, weights)
        z = (y + 3) % ring
        _side(box_v[e], dv[c], dv[d], dv[e], dv[z], share, flat, total, weights)
        _add_mean(root[y], total, weights, root[y - 1], root[y + 1], other[y % 2], slack, full, out[y])


@compiled(error_model="numpy")
def _pick(x: Line, out: Line) -> None:
    for k in range(out.size):
        out[k] = x[2 * k]


@compiled(error_model="numpy")
def _laplacian(up: Line, x: Line, down: Line, out: Line) -> None:
    four = np.float32(4)
    n = out.size - 2
    left, mid, right, above, below, to = (
        x[:n],
        x[1 : n + 1],
        x[2 : n + 2],
        up[1 : n + 1],
        down[1 : n + 1],
        out[1 : n + 1],
    )
    for k in range(n):
        to[k] = four * mid[k] - ((left[k] + right[k]) + (above[k] + below[k]))


@compiled(error_model="numpy")
def _products(a: Line, b: Line, ab: Line, bb: Line) -> None:
    for k in range(ab.size):
        ab[k] = a[k] * b[k]
        bb[k] = b[k] * b[k]


@compiled(error_model="numpy")
def _three(a: Line, b: Line, c: Line, out: Line) -> None:
    for k in range(out.size):
        out[k] = a[k] + b[k] + c[k]


@compiled(error_model="numpy")
def _ratio(num: Line, den: Line, still: Any, out: Line) -> None:
    for k in range(out.size):
        out[k] = num[k] / (den[k] + still)


@compiled(error_model="numpy")
def _residual(x: Line, a: Line, g: Line, out: Line) -> None:
    for k in range(out.size):
        out[k] = x[k] - a[k] * g[k]


@compiled(error_model="numpy")
def _samples(root: Line, green: Line, dy: int, dx: int, still: Any, slope: Line, rest: Line) -> None:
    """Of the samples of a colour at (dy, dx) of each cell: the multiple of green that they follow, and the residual."""
    rows, columns = slope.shape
    f32 = np.float32
    x, g = np.zeros((4, columns), f32), np.zeros((4, columns), f32)
    lx, lg = np.zeros(columns, f32), np.zeros(columns, f32)
    ab, bb = np.zeros((4, columns), f32), np.zeros((4, columns), f32)
    wide = np.zeros((2, columns), f32)
    down = np.zeros(columns, f32)
    n = columns - 2
    for t in range(rows):
        _pick(root[2 * t + dy, dx:], x[t % 4])
        _pick(green[2 * t + dy, dx:], g[t % 4])
        if t < 2:
            continue
        a, b, c = (t - 2) % 4, (t - 1) % 4, t % 4
        _laplacian(x[a], x[b], x[c], lx)
        _laplacian(g[a], g[b], g[c], lg)
        _products(lx, lg, ab[b], bb[b])
        if t < 4:
            continue
        z = (t - 3) % 4
        for k in range(2):
            part = ab if k == 0 else bb
            _three(part[z], part[a], part[b], down)
            _three(down[:n], down[1 : n + 1], down[2 : n + 2], wide[k, 1 : n + 1])
        _ratio(wide[0], wide[1], still, slope[t - 2])
        _residual(x[a], slope[t - 2], g[a], rest[t - 2])


@compiled(error_model="numpy")
def _mix(a: Line, b: Line, out: Line) -> None:
    half = np.float32(0.5)
    for k in range(out.size):
        out[k] = half * (a[k] + b[k])


@compiled(error_model="numpy")
def _spread(a: Line, at: int, out: Line) -> None:
    """Samples at columns at, at + 2, ... to all columns."""
    half = np.float32(0.5)
    n = a.size - 1
    left, right = a[:n], a[1:]
    for k in range(n):
        out[2 * k + at] = left[k]
        out[2 * k + at + 1] = half * (left[k] + right[k])


@compiled(error_model="numpy")
def _greatest(x: Line, y: Line, at: int, out: Line) -> None:
    """The greatest of the samples around every column, of two rows of them that are spread as in _spread."""
    n = x.size - 1
    a, b, c, d = x[:n], y[:n], x[1:], y[1:]
    for k in range(n):
        most = max(a[k], b[k])
        out[2 * k + at] = most
        out[2 * k + at + 1] = max(most, max(c[k], d[k]))


@compiled(error_model="numpy")
def _from_root(u: Line, foot: Any, gain: Any, out: Line) -> None:
    """The light of one colour of a row, in the units it came in."""
    start, zero = np.sqrt(foot), np.float32(0)
    for k in range(out.size):
        high = max(u[k], start)
        out[k] = ((high * high - foot) + min(u[k] - start, zero) * np.float32(2) * start) * gain


@compiled(error_model="numpy")
def _follow(slope: Line, rest: Line, green: Line, most: Line, full: Any, out: Line) -> None:
    """A colour from green; no brighter than the sensor can be, unless its samples are."""
    for k in range(out.size):
        out[k] = min(slope[k] * green[k] + rest[k], max(most[k], full))


@compiled(error_model="numpy")
def _colour(
    root: Line, slope: Line, rest: Line, green: Line, at: int, top: int, left: int, foot: Any, full: Any, gain: Any,
    channel: int, out: Line,
) -> None:  # fmt: skip
    """One channel of out (H, W, 3), of samples at (at, at) of each cell."""
    columns, width = slope.shape[1], green.shape[1]
    f32 = np.float32
    a, b = np.zeros(columns, f32), np.zeros(columns, f32)
    x, z = np.zeros(columns, f32), np.zeros(columns, f32)
    wide_a, wide_b = np.zeros(width + 2, f32), np.zeros(width + 2, f32)
    most = np.zeros(width + 2, f32)
    n = out.shape[1]
    line, light = np.zeros(n, f32), np.zeros(n, f32)
    for y in range(out.shape[0]):
        place = y + top
        row, between = (place - at) // 2, (place - at) % 2
        _mix(slope[row], slope[row + between], a)
        _mix(rest[row], rest[row + between], b)
        _pick(root[2 * row + at, at:], x)
        _pick(root[2 * (row + between) + at, at:], z)
        _spread(a, at, wide_a)
        _spread(b, at, wide_b)
        _greatest(x, z, at, most)
        here = slice(left, left + n)
        _follow(wide_a[here], wide_b[here], green[place, here], most[here], full, line)
        _from_root(line, foot, gain, light)
        for k in range(n):
            out[y, k, channel] = light[k]


@compiled(error_model="numpy")
def _green_light(green: Line, top: int, left: int, foot: Any, gain: Any, out: Line) -> None:
    n = out.shape[1]
    line = np.zeros(n, np.float32)
    for y in range(out.shape[0]):
        _from_root(green[y + top, left : left + n], foot, gain, line)
        for x in range(n):
            out[y, x, 1] = line[x]


def by_residuals(light: F32, balance: F64, top: int, left: int, height: int, width: int) -> F32:
    """Red, green and blue (height, width, 3) of the part of an RGGB mosaic whose first pixel is at (top, left).

    light (H, W) linear, black subtracted, 1.0 = saturation, even sides, with RIM pixels or more around the part.
    balance (3,) white balance multipliers: the estimate compares channels. The result is unbalanced.
    """
    c = RESIDUAL
    gains = (balance / balance.max()).astype(np.float32)
    foot = np.float32(c.foot)
    root, green = np.empty(light.shape, np.float32), np.empty(light.shape, np.float32)
    cell = np.array([[gains[0], gains[1]], [gains[1], gains[2]]], np.float32)
    full = np.sqrt(gains + foot)  # the root of saturation
    _green(light, cell, foot, np.float32(c.flat), np.float32(c.slack), full[1], _SIDE, green, root)
    out = np.empty((height, width, 3), np.float32)
    _green_light(green, top, left, foot, np.float32(1 / gains[1]), out)
    slope, rest = np.zeros((2, light.shape[0] // 2, light.shape[1] // 2), np.float32)
    for channel, at in ((0, 0), (2, 1)):
        _samples(root, green, at, at, np.float32(c.still), slope, rest)
        gain = np.float32(1 / gains[channel])
        _colour(root, slope, rest, green, at, top, left, foot, full[channel], gain, channel, out)
    return out
