"""Working-linear light to display: contrast on luminance with the hue kept, then a soft shoulder."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import LUMINANCE, srgb_encode
from pipeline.imaging.compiled import compiled
from pipeline.imaging.tone_samples import contrast_samples, straight_samples
from pipeline.types import F32, F64

_TABLE = 4096  # entries of the curve: interpolated, it is within a tenth of an 8-bit code of the formula
_STRAIGHT = 1.0001  # of the room above the knee: so near to it no exponential is left, and the scale is cut at 1
_HALVINGS = 60  # of the interval of the curvature: to the last bit of a double


@dataclass(frozen=True)
class ContrastConstants:
    """What decides where contrast acts.

    middle  linear value that contrast leaves as it is: the 18 % grey card (common practice)
    edge    distance of a channel from the largest, in parts of it, from which raw colours are drawn in softly, and
            closed  that of finished pictures, which lie inside but for rounding and wider profiles
    vivid   part of the largest channel in the light that contrast goes by; the rest is luminance
    follow  slopes beyond 1 by which a colour near grey moves from it: as much as keeps skin within 3 CIEDE2000 of the
            straight curve's, lightness aside; saturated colours move less (`render`)
    pure    how much of that colours of jerseys get, purer than skin and short of the edge, on top: cameras draw red,
            magenta and green so, and without it they looked dusty beside them
    most    of colourfulness beyond 1: beyond 7 / 9 a purer colour of one luminance could end less pure
    The middle and most have the reasons given, the others were chosen by eye, no source.
    """

    middle: float = 0.18
    edge: float = 0.95
    closed: float = 0.999
    vivid: float = 0.4
    follow: float = 2.3
    pure: float = 3.0
    most: float = 0.75


CONTRAST = ContrastConstants()


def contrasted(x: F64, contrast: float, black: float = 0.0) -> F64:
    """Linear luminance with more contrast: the slope between the logs of light is 1 + contrast in the shadows, half of
    that more than 1 at middle grey, and 1 far above, so that highlights keep what the shoulder gives them.

    x any shape; contrast >= 0, 0 leaves x as it is; black  the value that becomes 0, below middle grey, which stays.
    The excess of the slope falls with light as the response of Naka and Rushton (J. Physiol. 185, 1966; used for
    pictures by Reinhard and Devlin, IEEE TVCG 11, 2005) saturates. At contrast 0.4 the slope at middle grey is 1.2,
    the system gamma on luminance of ITU-R BT.2100 for a display of usual brightness; Bartleson and Breneman (J. Opt.
    Soc. Am. 57, 1967) found why a picture needs more contrast than its scene.
    """
    if contrast == 0 and black == 0:
        return x
    middle = CONTRAST.middle
    above = np.maximum(x - black, 0.0) * (middle / (middle - black))
    return np.asarray(above * (2 * above / (above + middle)) ** contrast)


def colourfulness(x: F64, contrast: float, floor: float = 0.0) -> F64:
    """How many times further from grey a pale colour of light x is shown: by the slope of `contrasted`, and more.

    Contrast on luminance alone looks grey (Mantiuk et al., "Color correction for tone mapping", Computer Graphics
    Forum 28, 2009); the same slope on R, G and B would raise ratios of channels by just that, of pale and of saturated
    colours alike; here pale ones get CONTRAST.follow times that, and saturated ones less (`render`).
    floor  the noise at black, linear: colour that is noise is not raised.
    """
    middle = CONTRAST.middle
    signal = x / (x + floor) if floor > 0 else 1.0
    return np.asarray(1 + np.minimum(CONTRAST.follow * contrast * middle / (x + middle) * signal, CONTRAST.most))


def shoulder(x: F64, knee: float, white: float) -> F64:
    """1:1 below `knee`, then an exponential approach that reaches 1 at `white`, slope continuous at the knee.

    x linear light, any shape; 0 <= knee < 1, and `white` above the knee (up to 1 the scale is cut at 1). Solves for the
    curvature k in 1 - knee = (1 - exp(-k (white - knee))) / k, so neither end has a kink.
    """
    room, reach = 1.0 - knee, white - knee
    if reach <= room * _STRAIGHT:
        return np.clip(x, 0.0, 1.0)
    low, high = 1e-6, 1.0 / room
    for _ in range(_HALVINGS):
        k = 0.5 * (low + high)
        low, high = (k, high) if (1 - np.exp(-k * reach)) / k > room else (low, k)
    over = np.clip(x - knee, 0.0, reach)
    return np.where(x <= knee, np.maximum(x, 0.0), knee + (1 - np.exp(-k * over)) / k)


def curve(x: F64, knee: float, white: float, contrast: float = 0.0, black: float = 0.0) -> F64:
    """Linear light as a display is to show it, 0 to 1: `contrasted`, then a `shoulder` that still ends at `white`."""
    ends = float(contrasted(np.array(white), contrast, black))
    return shoulder(contrasted(x, contrast, black), knee, ends)


@lru_cache(maxsize=8)
def _encoded(knee: float, white: float) -> F32:
    """sRGB of the shoulder's answer, by the square root of x / white: there the curve is nearly straight."""
    grid = np.linspace(0.0, 1.0, _TABLE) ** 2 * white
    return srgb_encode(shoulder(grid, knee, white)).astype(np.float32)


@lru_cache(maxsize=8)
def _contrast_tables(knee: float, white: float, contrast: float, black: float, floor: float) -> tuple[F32, F32, F32]:
    """What light is multiplied by, and a colour's distance from grey on top, by the square root of light / white; the
    shoulder by the square root of x / `contrasted(white)`."""
    grid = np.linspace(0.0, 1.0, _TABLE) ** 2
    light = grid * white
    light[0] = light[1] * 1e-3  # as good as none, and its ratio is defined
    ratio = contrasted(light, contrast, black) / light
    ends = float(contrasted(np.array(white), contrast, black))
    tables = ratio, colourfulness(light, contrast, floor), shoulder(grid * ends, knee, ends)
    return tuple(t.astype(np.float32) for t in tables)  # type: ignore[return-value]


def render(
    pixels: F32,
    to_working: F64,
    ev: float,
    knee: float,
    white: float,
    saturation: float,
    contrast: float = 0.0,
    black: float = 0.0,
    floor: float = 0.0,
    keep_hue: bool = False,
    raw: bool = False,
    samples: bool = False,
) -> F32:
    """(H, W, 3) balanced camera-linear -> display sRGB (IEC 61966-2-1) 0 to 1.

    to_working (3, 3) camera to linear Rec. 709; ev in stops; saturation 1 = as measured. knee, white, contrast and
    black as in `curve`, floor as in `colourfulness`, all of them linear values after ev.

    Without contrast the shoulder acts on each channel, and colours outside Rec. 709 are pulled towards their own
    luminance until no channel is negative, which keeps hue better than a clip; those of a raw frame are drawn in as
    below. With contrast, or to keep_hue, contrast acts on luminance, the shoulder on the largest and the smallest
    channel with the middle one between them as before, so that a colour stays on its line from grey, and no channel
    ends that the shoulder alone would not end.

    raw  colours are drawn in by the distance of each channel from the largest, in parts of it: the measure of the
    reference gamut compression of the Academy Color Encoding System (2021); the curve is our own. A deep blue whose
    green is below zero has a luminance of about nothing, and was black where it was pulled or divided by that.
    How much contrast a colour gets goes by its luminance and by its largest channel, as a saturated colour looks
    brighter than its luminance says (Helmholtz and Kohlrausch; Nayatani, Color Res. Appl. 22, 1997), and it goes
    further from grey the less, the nearer it is to the edge, where a channel is nothing; a little more (CONTRAST.pure)
    where it is purer than skin.

    samples  of few pixels the same numbers to the last bit, without loading the compiler
    """
    matrix = to_working * 2.0**ev
    if saturation != 1.0:
        grey = np.outer(np.ones(3), LUMINANCE) @ matrix
        matrix = grey + saturation * (matrix - grey)
    out = np.empty(pixels.shape, np.float32)
    given = np.ascontiguousarray(pixels, dtype=np.float32)
    straight, contrasting = (straight_samples, contrast_samples) if samples else (_render, _render_contrast)
    m, weight = matrix.astype(np.float32), LUMINANCE.astype(np.float32)
    if contrast == 0 and black == 0 and not keep_hue:
        edge = CONTRAST.edge if raw else 0.0
        straight(given, m, weight, _encoded(knee, white), np.float32(white), np.float32(edge), out)
    else:
        tables = _contrast_tables(knee, white, contrast, black, floor)
        edge = CONTRAST.edge if raw else CONTRAST.closed
        room = float(contrasted(np.array(white), contrast, black))
        ends = np.array([white, room, knee, edge, CONTRAST.vivid, CONTRAST.pure], np.float32)
        contrasting(given, m, weight, *tables, _encoded(0.5, 1.0), ends, out)
    return out


@compiled(error_model="numpy")
def _drawn_in(x: Any, most: Any, edge: Any) -> Any:
    # Channel x of a colour whose largest is `most`, above 0: as it is up to `edge`, ever nearer to 0 beyond.
    distance = (most - x) / most
    if distance <= edge:
        return x
    over = distance - edge
    room = np.float32(1.0) - edge
    return most * (room - over * room / (over + room))


@compiled(error_model="numpy")
def _looked_up(table: NDArray[Any], x: Any) -> Any:
    # The value of a table over the square root of x; x beyond 0 to 1 is at its ends.
    place = np.sqrt(min(max(x, np.float32(0.0)), np.float32(1.0))) * np.float32(len(table) - 1)
    index = min(np.int32(place), np.int32(len(table) - 2))
    return table[index] + (table[index + 1] - table[index]) * (place - np.float32(index))


@compiled(error_model="numpy")
def _working(rgb: NDArray[Any], m: NDArray[Any]) -> Any:
    # (r, g, b) of a pixel after a matrix.
    a, b, c = rgb[0], rgb[1], rgb[2]
    return (
        m[0, 0] * a + m[0, 1] * b + m[0, 2] * c,
        m[1, 0] * a + m[1, 1] * b + m[1, 2] * c,
        m[2, 0] * a + m[2, 1] * b + m[2, 2] * c,
    )


@compiled(error_model="numpy")
def _render(
    pixels: NDArray[Any],
    m: NDArray[Any],
    weight: NDArray[Any],
    table: NDArray[Any],
    white: Any,
    edge: Any,
    out: NDArray[Any],
) -> None:
    # One pass over the picture: matrix, gamut and table without a picture in between.
    scale, zero = np.float32(1.0) / white, np.float32(0.0)
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            r, g, u = _working(pixels[y, x], m)
            lowest = min(r, g, u)
            most = max(r, g, u)
            if edge > zero and most > zero:
                r, g, u = _drawn_in(r, most, edge), _drawn_in(g, most, edge), _drawn_in(u, most, edge)
            elif lowest < zero:
                light = weight[0] * r + weight[1] * g + weight[2] * u
                if light > zero:
                    pull = lowest / (lowest - light)
                    r += pull * (light - r)
                    g += pull * (light - g)
                    u += pull * (light - u)
            for k in range(3):
                value = r if k == 0 else (g if k == 1 else u)
                out[y, x, k] = _looked_up(table, value * scale)


@compiled(error_model="numpy")
def _render_contrast(
    pixels: NDArray[Any],
    m: NDArray[Any],
    weight: NDArray[Any],
    ratio: NDArray[Any],
    spread: NDArray[Any],
    rolled: NDArray[Any],
    encoded: NDArray[Any],
    ends: NDArray[Any],
    out: NDArray[Any],
) -> None:
    zero, one = np.float32(0.0), np.float32(1.0)
    scale, scale_rolled, knee, edge, vivid = one / ends[0], one / ends[1], ends[2], ends[3], ends[4]
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            r, g, u = _working(pixels[y, x], m)
            most = max(r, g, u)
            if most <= zero:
                out[y, x, 0], out[y, x, 1], out[y, x, 2] = zero, zero, zero
                continue
            r, g, u = _drawn_in(r, most, edge), _drawn_in(g, most, edge), _drawn_in(u, most, edge)
            light = weight[0] * r + weight[1] * g + weight[2] * u
            seen = (light + vivid * (most - light)) * scale
            rate = _looked_up(ratio, seen)
            grey = light * rate
            near = (most - min(r, g, u)) / most  # 0 for grey, 1 where a channel is nothing
            square = near * near
            free = one - square * near
            pure = ends[5] * (square * square) * (square * square) * (one - near)
            gain = rate * (one + (_looked_up(spread, seen) - one) * (free * free + pure))
            r, g, u = (r - light) * gain, (g - light) * gain, (u - light) * gain
            r, g, u = grey + r, grey + g, grey + u
            most = max(r, g, u)
            if most > knee:
                least = min(r, g, u)
                top = _looked_up(rolled, most * scale_rolled)
                bottom = _looked_up(rolled, least * scale_rolled)
                share = (top - bottom) / max(most - least, np.float32(1e-9))
                r, g, u = bottom + (r - least) * share, bottom + (g - least) * share, bottom + (u - least) * share
            out[y, x, 0] = _looked_up(encoded, r)
            out[y, x, 1] = _looked_up(encoded, g)
            out[y, x, 2] = _looked_up(encoded, u)
