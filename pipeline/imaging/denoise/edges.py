"""Edges where noise is assumed larger than it was measured: the Wiener filter must not take the colour from them.

Its gain is g^2 / (g^2 + s^2) for a coefficient g of the guide and noise s. With s p times as large, a guide p times as
strong has the gain that it had: so along edges, where luma says what is picture, the detail of the guide is raised.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.types import F32


@dataclass(frozen=True)
class EdgeConstants:
    """Chosen on drawn edges and photographs: `python -m tests.denoise_table --patches`, `pytest
    tests/imaging/denoise/test_clean.py`."""

    # Deviations of the noise, detail of luma from which on there is an edge: noise that was measured three times too
    # small, for which people raise the strength, lies below.
    strong: float = 4.0
    slow: float = 2.0  # pixels, deviation of the blur that tells detail from what is slow
    about: float = 2.0  # pixels, deviation of the blur over which detail is judged


EDGES = EdgeConstants()


def edge_share(luma: F32) -> F32:
    """(H, W), 0 to 1: how surely there is an edge in stabilised, cleaned luma (H, W)."""
    detail = luma - blurred(luma, EDGES.slow)
    power = blurred(detail * detail, EDGES.about)
    return power / (power + np.float32(EDGES.strong**2))


def firm(guide: F32, share: F32, part: float) -> F32:
    """The guide (H, W) for noise that is assumed to be `part` times what it is, > 1, edges where `share` says."""
    slow = blurred(guide, EDGES.slow)
    return slow + (guide - slow) * (1 + np.float32(part - 1) * share)


def blurred(plane: F32, deviation: float) -> F32:
    """A plane (H, W) under a Gaussian of that standard deviation in pixels, mirrored at its rims."""
    out = cv2.GaussianBlur(plane, (0, 0), deviation, borderType=cv2.BORDER_REFLECT)
    return np.asarray(out, dtype=np.float32)
