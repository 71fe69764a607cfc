"""Drawn training pictures: dead leaves with texture, kits, woven cloth, and the fine patterns of a hall; (512, 512, 3)
uint8. Edges are blurred in light, as a lens does it, not in sRGB.

Dead leaves (Lee, Mumford, Huang, "Occlusion models for natural images", IJCV 2001): discs, ellipses and boxes whose
sizes follow a power law cover one another, as things in front of a camera do.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

SIDE = 512
_LEAVES, _GROUND = 2500, 40  # the most, and large ones beneath them
_LEAST, _GREATEST = 4, 400  # radius in pixels of a picture of twice the size
_LETTERS = np.array(list("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 -.,:!?&"))
_FONTS = (0, 1, 2, 3, 4, 5, 6, 7)
Cloth = Callable[[np.random.Generator, np.ndarray], np.ndarray]  # of places (2, h, w): (h, w, 3) sRGB


def _colour(rng: np.random.Generator, palette: np.ndarray) -> np.ndarray:
    """One of the picture's, or any grey, or any at all."""
    kind = rng.uniform()
    if kind < 0.6:
        return palette[rng.integers(palette.shape[0]), rng.integers(palette.shape[1])] / np.float32(255)
    if kind < 0.85:
        return np.full(3, rng.uniform(0.02, 1), np.float32)
    return rng.uniform(0, 1, 3).astype(np.float32)


def dead_leaves(rng: np.random.Generator, palette: np.ndarray) -> np.ndarray:
    """palette (h, w, 3) uint8: a picture whose colours are taken."""
    side = 2 * SIDE
    picture = np.empty((side, side, 3), np.float32)
    picture[:] = _colour(rng, palette)
    least = np.exp(rng.uniform(np.log(_LEAST), np.log(4 * _LEAST)))
    radii = (least**-2 + (_GREATEST**-2 - least**-2) * rng.uniform(size=int(_LEAVES * _LEAST / least))) ** -0.5
    if rng.uniform() < 0.3:
        radii = np.sort(radii)[::-1]
    for radius in [*rng.uniform(_GREATEST / 4, _GREATEST, _GROUND), *radii]:
        x, y = rng.integers(-50, side + 50, 2)
        x0, x1 = (int(np.clip(v, 0, side)) for v in (x - radius - 2, x + radius + 3))
        y0, y1 = (int(np.clip(v, 0, side)) for v in (y - radius - 2, y + radius + 3))
        if x1 <= x0 or y1 <= y0:
            continue
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        centre, flat, turn = (int(x - x0), int(y - y0)), rng.uniform(0.15, 1), rng.uniform(0, 180)
        kind = rng.integers(4)
        if kind == 0:
            cv2.ellipse(mask, centre, (int(radius), max(1, int(radius * flat))), turn, 0, 360, 1, -1)
        elif kind == 1:
            box = cv2.boxPoints((centre, (1.4 * radius, 1.4 * radius * flat), turn))
            cv2.fillPoly(mask, [np.int32(box)], 1)
        elif kind == 2 and radius > 12:
            corners = [rng.uniform(-radius, radius, 2) + centre for _ in range(int(rng.integers(3, 7)))]
            cv2.fillPoly(mask, [np.int32(corners)], 1)
        else:
            cv2.circle(mask, centre, int(radius), 1, -1)
        part = picture[y0:y1, x0:x1]
        shade = _texture(rng, np.mgrid[y0:y1, x0:x1].astype(np.float32))
        np.copyto(part, _colour(rng, palette) * shade, where=mask[..., None].astype(bool))
    return _finished(picture, rng.uniform(0.5, 2.5) if rng.uniform() < 0.5 else 0.0)


def kits(rng: np.random.Generator) -> np.ndarray:
    """Large pieces of cloth, skin and floor with sharp edges, as they stand before one another on a court: deep colours
    beside black and white, where neither luma nor one plane of colour has much of an edge; some folded, some woven."""
    return _pieces(rng, _cloth, int(rng.integers(8, 50)), 260)


def jerseys(rng: np.random.Generator) -> np.ndarray:
    """A few large pieces of cloth, all woven or knitted so finely that noise hides it."""
    return _pieces(rng, _woven, int(rng.integers(1, 14)), 400)


def _pieces(rng: np.random.Generator, cloth_of: Cloth, count: int, largest: float) -> np.ndarray:
    side = 2 * SIDE
    place = np.mgrid[0:side, 0:side].astype(np.float32)
    picture = cloth_of(rng, place)
    for _ in range(count):
        radius = np.exp(rng.uniform(np.log(20), np.log(largest)))
        centre = rng.uniform(0, side, 2)
        turns = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 8))))
        reach = radius * rng.uniform(0.5, 1.3, len(turns))
        corners = centre + np.stack([np.cos(turns), np.sin(turns)], axis=1) * reach[:, None]
        mask = np.zeros((side, side), np.uint8)
        if rng.uniform() < 0.3:
            size = (int(radius), max(2, int(radius * rng.uniform(0.1, 1))))
            cv2.ellipse(mask, np.int32(centre).tolist(), size, rng.uniform(0, 180), 0, 360, 1, -1)
        else:
            cv2.fillPoly(mask, [np.int32(corners)], 1)
        left, top, width, height = cv2.boundingRect(mask)
        here = (slice(top, top + height), slice(left, left + width))
        np.copyto(picture[here], cloth_of(rng, place[:, here[0], here[1]]), where=mask[here][..., None].astype(bool))
    return _finished(picture, rng.uniform(0.6, 2.2) if rng.uniform() < 0.7 else 0.0)


def _kit(rng: np.random.Generator) -> np.ndarray:
    """(3,) sRGB: black or nearly, white, a deep colour, skin, a floor of wood, or any grey."""
    kind = rng.uniform()
    if kind < 0.2:
        return (rng.uniform(0, 0.22) + rng.uniform(-0.02, 0.02, 3)).clip(0).astype(np.float32)
    if kind < 0.42:
        return rng.uniform(0.8, 1) * rng.uniform(0.97, 1, 3).astype(np.float32)
    if kind < 0.76:
        colour = rng.uniform(0, 0.18, 3)
        some = rng.permutation(3)[: 1 if rng.uniform() < 0.65 else 2]
        colour[some] = rng.uniform(0.25, 0.95) * rng.uniform(0.7, 1, len(some))
        return colour.astype(np.float32)
    if kind < 0.95:  # skin and wood: red over green over blue
        return rng.uniform(0.25, 0.95) * np.array([1, rng.uniform(0.6, 0.85), rng.uniform(0.4, 0.75)], np.float32)
    return np.full(3, rng.uniform(0.1, 0.9), np.float32)


def _cloth(rng: np.random.Generator, place: np.ndarray) -> np.ndarray:
    """(h, w, 3) sRGB of pixels of twice the size: even, in folds, or woven."""
    kind = rng.uniform()
    if kind > 0.7:
        return _woven(rng, place)
    return (_kit(rng) * (_folds(rng, place) if kind > 0.35 else np.ones_like(place[0])[..., None])).astype(np.float32)


def _folds(rng: np.random.Generator, place: np.ndarray) -> np.ndarray:
    """(h, w, 1) about 1."""
    u, v = _turned(rng, place)
    long = np.exp(rng.uniform(np.log(80), np.log(600)))
    wave = np.sin(2 * np.pi * u / long + 0.8 * np.sin(2 * np.pi * v / (1.6 * long)))
    return np.asarray(1 + rng.uniform(0, 0.35) * wave, np.float32)[..., None]


def _turned(rng: np.random.Generator, place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    turn = rng.uniform(0, np.pi) if rng.uniform() < 0.6 else 0.0
    x, y = place[1], place[0]
    return x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)


def _woven(rng: np.random.Generator, place: np.ndarray) -> np.ndarray:
    """(h, w, 3) sRGB: threads or meshes that repeat every 2 to 12 pixels, seen at a slant or over folds, of one colour
    or of two; some lie along the rows and repeat in whole pixels."""
    if rng.uniform() < 0.3:
        u, v = place[1], place[0]
        period = 2.0 * int(rng.choice((3, 4, 5, 6, 8, 10, 12)))
    else:
        u, v = _turned(rng, place)
        if rng.uniform() < 0.5:  # farther away at one side
            u, v = (w * (1 + rng.uniform(-0.3, 0.3) * place[int(rng.integers(2))] / (2 * SIDE)) for w in (u, v))
        if rng.uniform() < 0.5:
            long = np.exp(rng.uniform(np.log(100), np.log(700)))
            u = u + rng.uniform(0, 0.04) * long * np.sin(2 * np.pi * v / long + rng.uniform(0, 6))
        period = 2 * np.exp(rng.uniform(np.log(2.1), np.log(12)))
    other = period * (1.0 if rng.uniform() < 0.5 else rng.uniform(0.6, 1.7))
    a, b = 2 * np.pi * u / period + rng.uniform(0, 6), 2 * np.pi * v / other + rng.uniform(0, 6)
    kind, crisp = int(rng.integers(6)), np.exp(rng.uniform(np.log(0.7), np.log(6)))
    if kind < 2:  # plain
        wave = np.sin(a) * np.sin(b)
    elif kind == 2:  # twill
        wave = np.sin(a + b) * (1 + 0.5 * np.sin(b))
    elif kind == 3:  # mesh: holes, or what is between them
        wave = rng.choice([-1, 1]) * (np.cos(a) + np.cos(b) - rng.uniform(-0.5, 1))
    elif kind == 4:  # ribs
        wave = np.sin(a)
    else:  # knitted: slanted to and fro
        wave = np.sin(a + rng.uniform(0.3, 1.2) * np.arcsin(np.sin(b)))
    wave = np.tanh(crisp * wave)[..., None]
    strength = np.exp(rng.uniform(np.log(0.03), np.log(0.5)))
    colour = _kit(rng)
    if rng.uniform() < 0.2:
        woven = colour + (0.5 + 0.5 * wave) * min(1.0, 2 * strength) * (_kit(rng) - colour)
    else:
        woven = colour * (1 + strength * wave)
    return np.asarray(woven * _folds(rng, place), np.float32)


def _texture(rng: np.random.Generator, place: np.ndarray) -> np.ndarray:
    """(h, w, 1) about 1: stripes, grain, a slope, or nothing."""
    kind, turn, shape = rng.uniform(), rng.uniform(0, np.pi), place.shape[1:]
    along = place[1] * np.cos(turn) + place[0] * np.sin(turn)
    shade = np.ones(shape, np.float32)
    if kind < 0.2:
        frequency = np.exp(rng.uniform(np.log(0.02), np.log(0.5)))
        wave = np.sin(2 * np.pi * frequency * along)
        shade += rng.uniform(0.05, 0.4) * (wave if rng.uniform() < 0.6 else np.sign(wave))
    elif kind < 0.5:
        grain = rng.standard_normal(shape, np.float32)
        widths = np.exp(rng.uniform(np.log(0.6), np.log(4), 2))
        grain = cv2.GaussianBlur(grain, (0, 0), widths[0], sigmaY=widths[1 if rng.uniform() < 0.3 else 0])
        shade += rng.uniform(0.03, 0.3) * grain / (grain.std() + 1e-3)
    elif kind < 0.75:
        shade += rng.uniform(-0.5, 0.5) * (along - along.min()) / (np.ptp(along) + 1)
    return shade[..., None]


def pattern(rng: np.random.Generator, palette: np.ndarray) -> np.ndarray:
    """Stripes, nets, weave, wedges or text in two or three colours, as fine as a lens draws them and finer."""
    scale = 3
    y, x = (np.mgrid[0 : SIDE * scale, 0 : SIDE * scale] / np.float32(scale)).astype(np.float32)
    dark, light = (_colour(rng, palette) for _ in range(2))
    if rng.uniform() < 0.4:
        dark, light = np.full(3, rng.uniform(0, 0.4)), np.full(3, rng.uniform(0.5, 1))
    kind, turn = rng.integers(6), rng.uniform(0, np.pi)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    period = np.exp(rng.uniform(np.log(1.6), np.log(14)))
    if kind == 0:  # stripes whose period grows
        swept = period * (1 + rng.uniform(0, 2) * v.clip(0) / SIDE)
        mask = u % swept < rng.uniform(0.3, 0.7) * swept
    elif kind == 1:  # net
        wire = rng.uniform(0.1, 0.35) * period
        mask = np.minimum(np.abs(u % period - period / 2), np.abs(v % period - period / 2)) < wire
    elif kind == 2:  # weave: threads over and under
        other = period * rng.uniform(0.7, 1.4)
        over = (np.floor(u / period) + np.floor(v / other)) % 2 == 0
        mask = np.where(over, u % period / period, v % other / other) < rng.uniform(0.4, 0.8)
    elif kind == 3:  # star of wedges
        centre = rng.uniform(0, SIDE, 2)
        mask = np.sin(rng.integers(16, 120) * np.arctan2(y - centre[0], x - centre[1])) > 0
    elif kind == 4:  # rings, finer outwards
        centre = rng.uniform(0, SIDE, 2)
        mask = np.sin(((y - centre[0]) ** 2 + (x - centre[1]) ** 2) * np.exp(rng.uniform(-7.5, -5.5))) > 0
    else:
        mask = _text(rng, SIDE * scale, scale)
    if mask.dtype == bool:
        mask = mask.astype(np.float32)
    mask = cv2.resize(mask, (SIDE, SIDE), interpolation=cv2.INTER_AREA)[..., None]
    ground = np.broadcast_to(dark, (SIDE, SIDE, 3)) * _texture(rng, np.mgrid[0:SIDE, 0:SIDE].astype(np.float32))
    picture = (ground + mask * (light - ground)).astype(np.float32)
    if rng.uniform() < 0.6:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 0.9))
    return (np.clip(_encoded(picture), 0, 1) * 255).round().astype(np.uint8)


def _text(rng: np.random.Generator, side: int, scale: int) -> np.ndarray:
    mask, top = np.zeros((side, side), np.uint8), 0
    while top < side:
        size = scale * np.exp(rng.uniform(np.log(0.25), np.log(1.5)))
        top += int(26 * size) + 4
        words = "".join(rng.choice(_LETTERS, 90))
        thick = max(1, round(size * rng.uniform(0.8, 3)))
        cv2.putText(mask, words, (-20, top), int(rng.choice(_FONTS)), float(size), 255, thick, cv2.LINE_AA)
    return mask.astype(np.float32) / 255


def _encoded(linear: np.ndarray) -> np.ndarray:
    """Mixed as light mixes, then sRGB (IEC 61966-2-1)."""
    x = linear.clip(0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def _light(encoded: np.ndarray) -> np.ndarray:
    """The inverse."""
    x = encoded.clip(0, 1)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def _finished(picture: np.ndarray, blur: float) -> np.ndarray:
    """sRGB at twice the size to a picture; blur  deviation in pixels of what is given."""
    light = _light(picture)
    if blur:
        light = cv2.GaussianBlur(light, (0, 0), blur)
    small = _encoded(cv2.resize(light, (SIDE, SIDE), interpolation=cv2.INTER_AREA))
    return (small.clip(0, 1) * 255).round().astype(np.uint8)
