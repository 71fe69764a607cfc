"""Frames that show next to nothing: the lens cap was on, the shutter stayed shut, or the flash burnt everything."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F32, Image


@dataclass(frozen=True)
class BlankConstants:
    """What counts as nothing. Chosen by us, no source; `pytest tests/imaging/test_blank.py`."""

    cells: int = 32  # along the longer side, whose means are judged: noise averages out
    nearly_all: float = 0.95  # share of the cells
    black: float = 0.002  # of saturation, 9 stops below it: a hall exposed three stops too little is above
    # The same of a finished picture, code 13 of 255: its camera's curve left nothing there.
    black_finished: float = 0.004
    full: float = 0.97  # of saturation, above which a channel is clipped
    channels: int = 2  # clipped ones that burn a pixel out: a wood floor under tungsten clips red and keeps its grain
    even: float = 0.01  # relative: everywhere the same, as where a file's levels are misread; a wall has shading


BLANK = BlankConstants()


class Blank(IntEnum):
    """What a frame shows next to nothing for."""

    NO = 0  # it shows something
    CLIPPED = 1
    BLACK = 2
    EVEN = 3


_NOTICES = {
    Blank.NO: "",
    Blank.CLIPPED: "nearly all of it is clipped (a flash, or far too long an exposure): see whether it shows anything",
    Blank.BLACK: "nearly all of it is black (lens cap on, shutter or flash that did not fire?)",
    Blank.EVEN: "it is one even tone from edge to edge: look at it, and at the file in the camera's own program",
}


def blank_notice(image: Image) -> str:
    """Why a linear frame (H, W, 3), small or large, shows next to nothing, in words; "" where it shows something.

    Frames like that are delivered all the same, unless a recipe selects: they can be read, and somebody may want them.
    """
    return _NOTICES[blank(image)]


def blown_out(shares: F32, full: float = BLANK.full) -> NDArray[np.bool_]:
    """Which pixels of (H, W, 3), in shares of saturation, are burnt out: of which one channel at most says anything."""
    return np.asarray((shares >= np.float32(full)).sum(axis=2) >= BLANK.channels)


def blank(image: Image) -> Blank:
    """Whether a linear frame (H, W, 3), small or large, shows next to nothing."""
    import cv2

    height, width = image.pixels.shape[:2]
    scale = min(1.0, BLANK.cells / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    shares: F32 = np.asarray(image.pixels / image.saturation, dtype=np.float32)
    clipped = cv2.resize(blown_out(shares).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    if float((clipped > 0.5).mean()) >= BLANK.nearly_all:
        return Blank.CLIPPED
    cells = cv2.resize(shares, size, interpolation=cv2.INTER_AREA)
    black = BLANK.black_finished if image.is_finished else BLANK.black
    if float((cells.mean(axis=2) < black).mean()) >= BLANK.nearly_all:
        return Blank.BLACK
    low, high = np.quantile(cells.reshape(-1, 3), [0.02, 0.98], axis=0)
    even = (high - low <= BLANK.even * np.maximum(high, BLANK.black)).all()
    return Blank.EVEN if even else Blank.NO
