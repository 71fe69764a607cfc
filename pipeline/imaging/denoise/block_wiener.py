"""Wiener shrinkage of block-matched patches in the 8x8 DCT, steered by a first estimate.

For every reference patch the most similar ones near it are found (block matching: Dabov et al., "Image
denoising by sparse 3-D transform-domain collaborative filtering", IEEE Trans. Image Process. 16(8), 2007).
Each DCT coefficient of such a group is taken as one Gaussian variable: its mean and its variance over the
group come from the first estimate, and the group's own mean and each patch's distance from it are shrunk by
the Wiener gain of that (Lebrun, Buades, Morel, "A nonlocal Bayesian image denoising algorithm", SIAM J.
Imaging Sci. 6(3), 2013, with the covariance taken as diagonal in the DCT, so that noise with a spectrum of
its own needs nothing but that spectrum: Makinen, Azzari, Foi, "Collaborative filtering of correlated noise",
IEEE Trans. Image Process. 29, 2020). Groups overlap; their estimates are averaged in the DCT domain and
each patch is transformed back once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.denoise.sliding_dct import BACK, CHUNK, HALF, add, columns, forward, inverse, mirrored, patches
from pipeline.types import F32


@dataclass(frozen=True)
class BlockConstants:
    """How patches are grouped. What the time for a frame allows (`python -m tests.benchmark`), chosen on the tuning
    photographs of tests/denoise_table.py."""

    grid: int = 2  # pixels; patches are taken at every second row and column
    step: int = 4  # pixels; patches at every fourth are the references of a group each
    radius: int = 6  # in grid steps: how far a similar patch may lie
    most: int = 8  # patches in a group


BLOCKS = BlockConstants()


@compiled(error_model="numpy", apart=True)
def _add_square_differences(
    a0: NDArray[Any], a1: NDArray[Any], b0: NDArray[Any], b1: NDArray[Any], out: NDArray[Any]
) -> None:
    """Of two rows, so that sums are stored half as often."""
    for p in range(out.size):
        d0, d1 = a0[p] - b0[p], a1[p] - b1[p]
        out[p] = (out[p] + d0 * d0) + d1 * d1


@compiled(error_model="numpy")
def _match(plane: NDArray[Any], grid: int, step: int, radius: int, most: int) -> NDArray[Any]:
    """The `most` patches nearest to each reference: (rows, columns, most) numbers of shifts, -1 for none.

    The reference itself comes first. A shift's number is (down + radius) * (2 * radius + 1) + across + radius.
    """
    height, width = plane.shape
    f32 = np.float32
    rows, count = (height - 8) // step + 1, (width - 8) // step + 1
    found = np.full((rows, count, most), np.int16(-1), np.int16)
    side = 2 * radius + 1
    one, two = np.empty(width, f32), np.empty(width, f32)
    for row in range(rows):
        y = row * step
        best = np.full((count, most), f32(np.inf), f32)
        names = found[row]
        best[:, 0] = f32(-1)
        names[:, 0] = np.int16(radius * side + radius)
        for down in range(-radius, radius + 1):
            other = y + down * grid
            if other < 0 or other + 8 > height:
                continue
            for across in range(-radius, radius + 1):
                shift = across * grid
                left, right = max(0, -shift), min(width, width - shift)
                n = right - left
                if n < 8 or (down == 0 and across == 0):
                    continue
                one[:n] = 0
                a, b = left + shift, right + shift
                for j in range(0, 8, 2):
                    top, low = plane[y + j, left:right], plane[y + j + 1, left:right]
                    _add_square_differences(top, low, plane[other + j, a:b], plane[other + j + 1, a:b], one[:n])
                # Sums of two, four, then eight columns.
                add(one[: n - 1], one[1:n], two[: n - 1])
                add(two[: n - 3], two[2 : n - 1], one[: n - 3])
                add(one[: n - 7], one[4 : n - 3], two[: n - 7])
                name = np.int16((down + radius) * side + across + radius)
                for m in range((left + step - 1) // step, (right - 8) // step + 1):
                    distance = two[m * step - left]
                    if distance < best[m, most - 1]:
                        k = most - 1
                        while best[m, k - 1] > distance:
                            best[m, k] = best[m, k - 1]
                            names[m, k] = names[m, k - 1]
                            k -= 1
                        best[m, k] = distance
                        names[m, k] = name
    return found


@compiled(error_model="numpy")
def _coefficients(
    plane: NDArray[Any], y: int, grid: int, half: NDArray[Any], chunk: int, s: NDArray[Any], out: NDArray[Any]
) -> None:
    """DCT of all patches of the row at y into out (patches, 64); `s` as in sliding_dct.columns is scratch."""
    f32, width = np.float32, plane.shape[1]
    columns(plane, y, grid, half, np.empty((8, width), f32), np.empty((4, width), f32), s)
    for start in range(0, out.shape[0], chunk):
        count = min(chunk, out.shape[0] - start)
        x, c, fold = np.empty((8, count), f32), np.empty((8, count), f32), np.empty((4, count), f32)
        for i in range(8):
            patches(s, i, start, count, x)
            forward(x, c, fold, half)
            for p in range(count):
                for k in range(8):
                    out[start + p, i * 8 + k] = c[k, p]


@compiled(error_model="numpy")
def _add_patches(
    c: NDArray[Any],
    weight: NDArray[Any],
    y: int,
    grid: int,
    back: NDArray[Any],
    chunk: int,
    s: NDArray[Any],
    total: NDArray[Any],
    weights: NDArray[Any],
) -> None:
    """Inverse DCT of the row of patches at y, c (patches, 64), added to total, and their weights to weights."""
    f32, width = np.float32, total.shape[1]
    s[:] = 0
    line = np.zeros(width, f32)
    for start in range(0, c.shape[0], chunk):
        count = min(chunk, c.shape[0] - start)
        row, x, fold = np.empty((8, count), f32), np.empty((8, count), f32), np.empty((2, count), f32)
        for i in range(8):
            for p in range(count):
                for k in range(8):
                    row[k, p] = c[start + p, i * 8 + k]
            inverse(row, x, fold, back)
            for j in range(8):
                target = s[j % grid, i, start + j // grid : start + j // grid + count]
                add(target, x[j], target)
        for j in range(8):
            for p in range(count):
                line[(start + p) * grid + j] += weight[start + p]
    v = np.empty((8, width), f32)
    for r in range(grid):
        for i in range(8):
            for m in range((width - r + grid - 1) // grid):
                v[i, m * grid + r] = s[r, i, m]
    strip = np.empty((8, width), f32)
    inverse(v, strip, np.empty((2, width), f32), back)
    for j in range(8):
        add(total[y + j], strip[j], total[y + j])
        add(weights[y + j], line, weights[y + j])


@compiled(error_model="numpy", apart=True)
def _add_moments(x: NDArray[Any], steer: NDArray[Any], a: NDArray[Any], b: NDArray[Any], c: NDArray[Any]) -> None:
    for p in range(64):
        a[p] += x[p]
        b[p] += steer[p]
        c[p] += steer[p] * steer[p]


@compiled(error_model="numpy", apart=True)
def _gains(n: Any, variance: NDArray[Any], a: NDArray[Any], b: NDArray[Any], c: NDArray[Any]) -> Any:
    """Sums over the group -> a: what is added to each patch, b: its gain; returns the group's weight."""
    f32 = np.float32
    one = f32(1)
    share = one / n
    for p in range(64):
        mean = a[p] * share
        power = b[p] * b[p] * share
        of_mean = power / (power + variance[p])
        spread = max(c[p] - power, f32(0))
        gain = spread / (spread + (n - one) * variance[p] + f32(1e-12))
        a[p] = (of_mean - gain) * mean
        b[p] = gain
        c[p] = of_mean * of_mean + (n - one) * gain * gain
    kept = f32(0)
    for p in range(64):
        kept += c[p]
    weight = one / max(kept, one)
    for p in range(64):
        a[p] *= weight
        b[p] *= weight
    return weight


@compiled(error_model="numpy", apart=True)
def _add_shrunk(x: NDArray[Any], a: NDArray[Any], b: NDArray[Any], out: NDArray[Any]) -> None:
    for p in range(64):
        out[p] += a[p] + b[p] * x[p]


@compiled(error_model="numpy")
def _collaborate(
    plane: NDArray[Any],
    guide: NDArray[Any],
    variance: NDArray[Any],
    found: NDArray[Any],
    grid: int,
    step: int,
    radius: int,
    half: NDArray[Any],
    back: NDArray[Any],
    chunk: int,
) -> NDArray[Any]:
    """plane (H, W), sides 8 + n * step; variance (64,) of the noise of each coefficient; found from _match.

    Only the rows of patches that a group can reach are held: rings of 2 * radius + 1 of them.
    """
    height, width = plane.shape
    f32 = np.float32
    total, weights = np.zeros((height, width), f32), np.zeros((height, width), f32)
    s = np.zeros((grid, 8, (width + grid - 1) // grid), f32)
    rows, count = (height - 8) // grid + 1, (width - 8) // grid + 1
    ring = 2 * radius + 1
    noisy, pilot = np.empty((ring, count, 64), f32), np.empty((ring, count, 64), f32)
    sums, sum_weights = np.zeros((ring, count, 64), f32), np.zeros((ring, count), f32)
    a, b, c = np.empty(64, f32), np.empty(64, f32), np.empty(64, f32)
    ready, done = 0, 0
    for r in range(found.shape[0] + 1):
        centre = r * step // grid
        last = r == found.shape[0]
        while done < (rows if last else centre - radius):  # no later group reaches this row
            slot = done % ring
            _add_patches(sums[slot], sum_weights[slot], done * grid, grid, back, chunk, s, total, weights)
            sums[slot] = 0
            sum_weights[slot] = 0
            done += 1
        if last:
            break
        while ready < min(rows, centre + radius + 1):
            slot = ready % ring
            _coefficients(plane, ready * grid, grid, half, chunk, s, noisy[slot])
            _coefficients(guide, ready * grid, grid, half, chunk, s, pilot[slot])
            ready += 1
        for m in range(found.shape[1]):
            a[:] = 0
            b[:] = 0
            c[:] = 0
            n = 0
            for name in found[r, m]:
                if name < 0:
                    break
                y, x = (centre + name // ring - radius) % ring, m * step // grid + name % ring - radius
                _add_moments(noisy[y, x], pilot[y, x], a, b, c)
                n += 1
            weight = _gains(f32(n), variance, a, b, c)
            for k in range(n):
                name = found[r, m, k]
                y, x = (centre + name // ring - radius) % ring, m * step // grid + name % ring - radius
                _add_shrunk(noisy[y, x], a, b, sums[y, x])
                sum_weights[y, x] += weight
    for y in range(height):
        for x in range(width):
            total[y, x] /= weights[y, x]
    return total


def match(guide: F32) -> NDArray[np.int16]:
    """For each reference patch of the guide (H, W) those most like it, (rows, columns, most), for `collaborate`."""
    c = BLOCKS
    found: NDArray[np.int16] = _match(mirrored(guide, (c.step, c.step))[0], c.grid, c.step, c.radius, c.most)
    return found


def collaborate(plane: F32, guide: F32, sigma: F32, found: NDArray[np.int16]) -> F32:
    """(H, W) -> (H, W): the patches in `found`, of a picture of the same size, shrunk as groups.

    guide (H, W) is a first estimate of the plane; sigma (8, 8) the deviation of the noise in each coefficient.
    """
    steps = (BLOCKS.step, BLOCKS.step)
    padded, inner = mirrored(plane, steps)
    variance = np.square(sigma, dtype=np.float32).ravel()
    steer = mirrored(guide, steps)[0]
    grid, step, radius = BLOCKS.grid, BLOCKS.step, BLOCKS.radius
    out = _collaborate(padded, steer, variance, found, grid, step, radius, HALF, BACK, CHUNK)
    return np.ascontiguousarray(out[inner])
