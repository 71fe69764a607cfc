"""Closer views of the real court frames, as a longer lens would have given them, with the players that are labelled.

../shared/data/court shows two rallies from far away. A part of a frame around one of its labelled players, enlarged, is
a picture of that player as a photographer at the line takes it: real light, bodies, overlaps and blur, though soft. So
is the same part of ten consecutive frames a real burst. Who stands at the rim of the court is listed here, by eye: a
part around one of these is a picture that is not about a player.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tests.reaches import COURT, labelled

SIZE = (1620, 1080)  # pixels of a view: 3:2
TALL = (0.3, 0.45, 0.65)  # of a view's height that the player takes
SIZES = ("small", "middle", "large")
ASIDE = 0.12  # of a view's width from the middle to the player, to both sides in turn: nobody aims at the middle
# Referees, coaches, line judges and an umpire by eye: pixels of x0 y0 x1 y1.
OFFICIALS = {
    "a_29885.jpg": ((480, 790, 568, 990), (986, 872, 1070, 1080), (1810, 790, 1882, 1025), (52, 425, 128, 570),
                    (1742, 385, 1822, 525), (1022, 272, 1088, 425)),
    "b_29905.jpg": ((650, 765, 740, 962), (1150, 855, 1240, 1080), (142, 790, 228, 980), (225, 400, 320, 535),
                    (1200, 250, 1262, 412)),
}  # fmt: skip


@dataclass(frozen=True)
class View:
    """One view: name, pixels (H, W, 3) BGR, its player (4,) in fractions, and (N, 4) every labelled player in it."""

    name: str
    pixels: np.ndarray
    main: np.ndarray
    players: np.ndarray
    official: bool


def window(main: np.ndarray, tall: float, aside: float, size: tuple[int, int]) -> np.ndarray:
    """x0 y0 x1 y1 of the part of a frame (size: width, height) in which `main` (pixels) takes `tall` of the height."""
    high = min((main[3] - main[1]) / tall, size[1])
    wide = high * SIZE[0] / SIZE[1]
    x = (main[0] + main[2]) / 2 - aside * wide
    y = (main[1] + main[3]) / 2
    x0, y0 = np.clip(x - wide / 2, 0, size[0] - wide), np.clip(y - high / 2, 0, size[1] - high)
    return np.array([x0, y0, x0 + wide, y0 + high])


def view_of(picture: np.ndarray, part: np.ndarray) -> np.ndarray:
    x0, y0, x1, y1 = (round(float(v)) for v in part)
    return cv2.resize(picture[y0:y1, x0:x1], SIZE, interpolation=cv2.INTER_CUBIC)


def within_part(boxes: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Boxes (N, 4) in pixels as fractions of a part, those that are seen in it."""
    wide, high = part[2] - part[0], part[3] - part[1]
    found = (boxes - part[[0, 1, 0, 1]]) / [wide, high, wide, high]
    seen = (found[:, 0] < 0.99) & (found[:, 2] > 0.01) & (found[:, 1] < 0.99) & (found[:, 3] > 0.01)
    return np.clip(found[seen], 0, 1)


def singles() -> Iterable[View]:
    """A view of each labelled player, and of each official, in each size."""
    for name, players in labelled().items():
        picture = cv2.imread(str(COURT / name))
        size = picture.shape[1], picture.shape[0]
        mains = [(box, False) for box in players] + [(np.array(box, float), True) for box in OFFICIALS[name]]
        for number, (box, official) in enumerate(mains):
            for at, tall in enumerate(TALL):
                part = window(box, tall, ASIDE * (1, -1)[(number + at) % 2], size)
                kind = "official" if official else "player"
                stem = f"{kind}-{name[:1]}-{chr(97 + number)}-{SIZES[at]}"  # no digits: no two are of one burst
                own = within_part(box[None], part)[0]
                yield View(stem, view_of(picture, part), own, within_part(players, part), official)


def bursts(sizes: Iterable[float] = TALL[:2]) -> Iterable[View]:
    """Ten frames of the rally in the part around each player, and each official, of its labelled frame."""
    ((name, players),) = [item for item in labelled().items() if item[0].startswith("a_")]
    pictures = {path.stem: cv2.imread(str(path)) for path in sorted(COURT.glob("a_*.jpg"))}
    first = next(iter(pictures.values()))
    size = first.shape[1], first.shape[0]
    mains = [(box, False) for box in players] + [(np.array(box, float), True) for box in OFFICIALS[name]]
    for number, (box, official) in enumerate(mains):
        for at, tall in enumerate(sizes):
            part = window(box, tall, ASIDE * (1, -1)[(number + at) % 2], size)
            for stem, picture in pictures.items():
                kind = "official" if official else "player"
                told = f"{kind}-{number:02d}x{round(100 * tall)}_{stem[-2:]}"
                known = within_part(players, part) if stem == Path(name).stem else np.zeros((0, 4))
                yield View(told, view_of(picture, part), within_part(box[None], part)[0], known, official)
