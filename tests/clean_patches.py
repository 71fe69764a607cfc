"""Patches that show what is left at full size, and its measures; for tests and `python -m tests.denoise_table`.

Drawn in linear light, white at 0.7 of saturation, exposed with the noise and balance of tests/denoise_table.py, cleaned
as for a delivery at full size and demosaiced. Measures are in codes of 255.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from scipy.special import erf

from pipeline.imaging.denoise.denoise import QUALITIES, Quality, denoise_mosaic
from pipeline.imaging.raw.residual_demosaic import RIM, by_residuals
from pipeline.imaging.raw.window import packed, unpacked
from pipeline.types import Noise
from tests.denoise_cases import EXPOSURE, GAINS, camera_noise, decode, expose, mosaic_of
from tests.denoise_cases import encode as encode_unit

# sRGB, 0 to 1: a wall, a dark stand, two saturated shirts, the floor, an arm.
COLOURS = {
    "grey": (0.5, 0.5, 0.5),
    "dark": (0.13, 0.12, 0.12),
    "blue": (0.1, 0.15, 0.6),
    "red": (0.4, 0.05, 0.07),
    "wood": (0.7, 0.5, 0.33),
    "skin": (0.8, 0.6, 0.5),
    "white": (0.92, 0.92, 0.92),
}
_CUT = 16  # pixels at the rim that are not looked at
_SCALES = 6  # octaves


def encode(picture: np.ndarray) -> np.ndarray:
    return 255 * encode_unit(picture)


def _light(colour: str) -> np.ndarray:
    return np.asarray(EXPOSURE * decode(np.array(COLOURS[colour])))


def flat(colour: str, side: int) -> np.ndarray:
    """(side, side, 3), the same everywhere."""
    return np.broadcast_to(_light(colour), (side, side, 3))


def shaded(colour: str, side: int) -> np.ndarray:
    """Folds: light between 0.2 and 0.9 of the colour, in waves of some 60 and 100 pixels."""
    y, x = np.mgrid[0:side, 0:side]
    light = 0.55 + 0.35 * np.sin(2 * np.pi * (x + 0.3 * y) / 60) * np.sin(2 * np.pi * y / 97)
    return np.asarray(light[..., None] * _light(colour))


def edge(left: str, right: str, side: int) -> tuple[np.ndarray, np.ndarray]:
    """A straight edge near the upright, as soft as a sharp lens draws it (Gaussian of 0.6 pixels); and how far each
    pixel lies to the right of it, in pixels."""
    y, x = np.mgrid[0:side, 0:side]
    off = (x - side / 2 - 0.15 * (y - side / 2)) / np.hypot(1, 0.15)
    share = erf(off / (0.6 * 2**0.5))[..., None] / 2 + 0.5
    return _light(left) * (1 - share) + _light(right) * share, off


def fringe(encoded: np.ndarray, truth: np.ndarray, off: np.ndarray) -> float:
    """The most that red-green or blue-yellow is off along an edge, mean of all pixels as far from it (no noise)."""
    steps = np.round(off[_CUT:-_CUT, _CUT:-_CUT]).astype(int)
    planes = opponent(encoded - truth)
    chroma = (planes["red-green"], planes["blue-yellow"])
    return max(abs(float(plane[steps == step].mean())) for plane in chroma for step in range(-16, 17))


def cleaned(truth: np.ndarray, iso: float, quality: Quality, seed: int = 5, **settings: Any) -> np.ndarray:
    """Exposed with the noise of a seed, denoised on the mosaic, demosaiced, balanced; (H, W, 3) linear."""
    a, b = camera_noise(iso)
    mosaic = expose(mosaic_of(truth / GAINS), iso, seed).astype(np.float32)
    noise = Noise(np.full(3, a), np.full(3, b))
    mosaic = unpacked(denoise_mosaic(packed(mosaic), noise, balance=GAINS, quality=quality, **settings))
    height, width = mosaic.shape
    wide = np.pad(mosaic, RIM, mode="reflect").astype(np.float32)
    return by_residuals(wide, GAINS, RIM, RIM, height, width) * GAINS.astype(np.float32)


def opponent(encoded: np.ndarray) -> dict[str, np.ndarray]:
    """Luma (Rec. 601), red less green, blue less yellow, without the rim."""
    red, green, blue = np.moveaxis(encoded[_CUT:-_CUT, _CUT:-_CUT].astype(np.float64), -1, 0)
    return {
        "luma": 0.299 * red + 0.587 * green + 0.114 * blue,
        "red-green": red - green,
        "blue-yellow": blue - (red + green) / 2,
    }


def band_deviations(plane: np.ndarray) -> np.ndarray:
    """Deviation in each octave of scale: what a mean over 2, 4, 8 ... pixels takes away."""
    found = []
    for _ in range(_SCALES):
        height, width = (side // 2 * 2 for side in plane.shape)
        plane = plane[:height, :width]
        mean = plane.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))
        found.append(float((plane - np.kron(mean, np.ones((2, 2)))).std()))
        plane = mean
    return np.array(found)


def hatching(plane: np.ndarray) -> tuple[float, float]:
    """Amplitude of what alternates from column to column, and from row to row, over some pixels (rms)."""
    y, x = np.mgrid[: plane.shape[0], : plane.shape[1]]
    fine = plane - cv2.GaussianBlur(plane, (0, 0), 1.5)
    across, down = (cv2.GaussianBlur(fine * (-1.0) ** place, (0, 0), 2) for place in (x, y))
    return float(np.sqrt((across**2).mean())), float(np.sqrt((down**2).mean()))


def table(isos: Sequence[float], side: int = 512) -> None:
    """Prints what is left on each flat patch by octave of scale, the mesh on shaded ones and the fringe along edges."""
    print("\nLeft on flat patches, of 255: all, then by octave of scale from one pixel on; grain kept as by default")
    for iso in isos:
        for colour in COLOURS:
            for quality in QUALITIES:
                planes = opponent(encode(cleaned(flat(colour, side), iso, quality, keep_grain=0.12)))
                parts = [
                    f"{name} {plane.std():.2f}: " + " ".join(f"{v:.2f}" for v in band_deviations(plane))
                    for name, plane in planes.items()
                ]
                print(f"ISO {iso:.0f} {colour:<6}{quality:<9}" + " | ".join(parts), flush=True)
    print(
        "\nMesh of rows and columns on shaded patches, the worst plane, of 255; fringe along edges, strength 1 and 1.5"
    )
    for iso in isos:
        for quality in QUALITIES:
            mesh = []
            for colour in COLOURS:
                truth = shaded(colour, side // 2)
                off = encode(cleaned(truth, iso, quality, keep_grain=0.12)) - encode(truth)
                mesh.append(f"{colour} {max(max(hatching(plane)) for plane in opponent(off).values()):.2f}")
            for pair in (("skin", "white"), ("skin", "dark"), ("blue", "white"), ("white", "dark")):
                truth, away = edge(*pair, side // 2)
                found = [
                    fringe(encode(cleaned(truth, iso, quality, strength=s, keep_grain=0.0)), encode(truth), away)
                    for s in (1.0, 1.5)
                ]
                mesh.append(f"{'/'.join(pair)} {found[0]:.1f} {found[1]:.1f}")
            print(f"ISO {iso:.0f} {quality:<9}" + " | ".join(mesh), flush=True)
