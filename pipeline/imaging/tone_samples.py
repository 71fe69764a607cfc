"""What `tone.render` makes of few pixels, in numpy: the process that decides must not load the compiler (125 MB).

The same operations on float32 in the same order as the compiled loops of `tone`, so the same bits; a test holds that.
"""

from __future__ import annotations

import numpy as np

from pipeline.types import F32


def straight_samples(
    pixels: F32, m: F32, weight: F32, table: F32, white: np.float32, edge: np.float32, out: F32
) -> None:
    """As `tone._render`: the shoulder on each channel."""
    r, g, u = _working(pixels, m)
    most, least = _ends(r, g, u)
    if edge > 0:
        lit = most > 0
        r, g, u = (np.where(lit, _drawn_in(x, np.where(lit, most, 1), edge), x) for x in (r, g, u))
    else:
        light = weight[0] * r + weight[1] * g + weight[2] * u
        outside = (least < 0) & (light > 0)
        pull = np.where(outside, least, 0) / np.where(outside, least - light, 1)
        r, g, u = (x + pull * (light - x) for x in (r, g, u))
    scale = np.float32(1.0) / white
    for k, x in enumerate((r, g, u)):
        out[..., k] = _looked_up(table, x * scale)


def contrast_samples(
    pixels: F32, m: F32, weight: F32, ratio: F32, spread: F32, rolled: F32, encoded: F32, ends: F32, out: F32
) -> None:
    """As `tone._render_contrast`: contrast on luminance, the shoulder on the largest and the smallest channel."""
    one = np.float32(1.0)
    scale, scale_rolled, knee, edge, vivid = one / ends[0], one / ends[1], ends[2], ends[3], ends[4]
    r, g, u = _working(pixels, m)
    most, _ = _ends(r, g, u)
    lit = most > 0
    most = np.where(lit, most, 1)
    r, g, u = (_drawn_in(x, most, edge) for x in (r, g, u))
    light = weight[0] * r + weight[1] * g + weight[2] * u
    seen = (light + vivid * (most - light)) * scale
    rate = _looked_up(ratio, seen)
    grey = light * rate
    near = (most - _ends(r, g, u)[1]) / most
    square = near * near
    free = one - square * near
    pure = ends[5] * (square * square) * (square * square) * (one - near)
    gain = rate * (one + (_looked_up(spread, seen) - one) * (free * free + pure))
    r, g, u = (grey + (x - light) * gain for x in (r, g, u))
    most, least = _ends(r, g, u)
    top, bottom = _looked_up(rolled, most * scale_rolled), _looked_up(rolled, least * scale_rolled)
    share = (top - bottom) / np.maximum(most - least, np.float32(1e-9))
    for k, x in enumerate((r, g, u)):
        out[..., k] = np.where(lit, _looked_up(encoded, np.where(most > knee, bottom + (x - least) * share, x)), 0)


def _working(pixels: F32, m: F32) -> tuple[F32, F32, F32]:
    a, b, c = pixels[..., 0], pixels[..., 1], pixels[..., 2]
    r, g, u = (m[k, 0] * a + m[k, 1] * b + m[k, 2] * c for k in range(3))
    return r, g, u


def _ends(r: F32, g: F32, u: F32) -> tuple[F32, F32]:
    return np.maximum(np.maximum(r, g), u), np.minimum(np.minimum(r, g), u)


def _drawn_in(x: F32, most: F32, edge: np.float32) -> F32:
    distance = (most - x) / most
    over, room = np.maximum(distance - edge, 0), np.float32(1.0) - edge
    return np.where(distance <= edge, x, most * (room - over * room / (over + room)))


def _looked_up(table: F32, x: F32) -> F32:
    place = np.sqrt(np.clip(x, np.float32(0.0), np.float32(1.0))) * np.float32(len(table) - 1)
    index = np.minimum(place.astype(np.int32), len(table) - 2)
    below: F32 = table[index]
    found: F32 = below + (table[index + 1] - below) * (place - index.astype(np.float32))
    return found
