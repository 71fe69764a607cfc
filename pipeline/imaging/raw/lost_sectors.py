"""Zeros that a bad sector or a card pulled too early left within a raw file: decoders hand them on as a black bar."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

# Zeros in a row that are a lost sector: half of one of 512 bytes, the other half may lie in the next row. Chosen by us,
# no source.
RUN = 128


def has_lost_sectors(mosaic: NDArray[np.uint16], black: F64) -> bool:
    """Whether runs of zeros lie within a mosaic (H, W) whose black levels `black` are above zero.

    Noise about a black level never writes `RUN` zeros one after the other. Rows of zeros at the upper and lower edge
    are masked ones, which some files count among the picture. With a black level of zero, zeros may be shadows: False.
    """
    if black.min() <= 0:
        return False
    zeros = mosaic == 0
    masked = zeros.all(axis=1)
    if masked.all():
        return False
    inside = zeros[int(np.argmin(masked)) : len(masked) - int(np.argmin(masked[::-1]))]
    for row in inside[inside.sum(axis=1) >= RUN]:
        others = np.flatnonzero(~np.concatenate([[False], row, [False]]))
        if np.diff(others).max() > RUN:
            return True
    return False
