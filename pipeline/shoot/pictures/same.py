"""Whether two pictures show the same moment, however one was cropped, turned, resized, brightened or coloured since."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.shoot.pictures.grey import Grey
from pipeline.types import F32


@dataclass(frozen=True)
class SameConstants:
    """Chosen on ../shared/data/court, people and burst-jpeg, see tests/shoot/test_same_picture.py: edited copies agree
    in 0.85 of their surroundings and more, frames of one rally 1/30 s apart in 0.83, 1/15 s apart in 0.74, 1/10 s in
    0.62; frames of two rallies in one hall, and of other places, in 0.35 and less. What is as near as two frames of a
    film counts as one moment: whoever is in one is in the other."""

    edge: int = 640  # pixels of the longer side of the small pictures in which points are looked for
    points: int = 200  # of a picture
    matched: int = 10  # points that one movement must bring together
    near: float = 3.0  # pixels
    most: int = 3  # pictures that one is compared with in full
    window: float = 6.0  # pixels: standard deviation of the surroundings that are compared
    fine: float = 0.7  # pixels: standard deviation of what takes noise and the finest detail away
    texture: float = 3.0  # of 255: least standard deviation of surroundings that tell anything
    ends: tuple[float, float] = (4.0, 251.0)  # of 255: beyond, a picture may be clipped and tells nothing
    covered: float = 0.3  # least share of the picture that the other must cover
    told: float = 0.03  # least share of the picture that tells anything
    agree: float = 0.8  # correlation of surroundings that show the same
    share: float = 0.7  # of the surroundings that must


SAME = SameConstants()
_AT_ONCE = 1 << 13  # points that are compared at a time: some MB


@dataclass(frozen=True)
class Look:
    """What a picture of SAME.edge pixels looks like.

    grey  gives it, (h, w): seldom asked for, and ten times as large as the rest
    at    (n, 2) points, x and y in its pixels; like  (n, 128) how each looks, unit vectors times 255
    """

    grey: Callable[[], Grey]
    at: F32
    like: NDArray[np.uint8]


def look_of(grey: Callable[[], Grey]) -> Look:
    """The points by which a picture is found again: Lowe, IJCV 2004; the root of their values: Arandjelovic and
    Zisserman, CVPR 2012."""
    import cv2

    points, values = _points(cv2.equalizeHist(grey()))
    if values is None:
        return Look(grey, np.zeros((0, 2), np.float32), np.zeros((0, 128), np.uint8))
    like = 255 * np.sqrt(values / np.maximum(values.sum(axis=1, keepdims=True), 1e-6))
    return Look(grey, np.array([point.pt for point in points], dtype=np.float32), like.astype(np.uint8))


def _points(grey: Any) -> tuple[Any, Any]:
    import cv2

    finder = cv2.SIFT_create(nfeatures=SAME.points)  # type: ignore[attr-defined]
    found: tuple[Any, Any] = finder.detectAndCompute(grey, None)
    return found


class Looks:
    """Pictures among which others are looked for."""

    def __init__(self, looks: Sequence[Look]) -> None:
        self.looks = looks
        self._which = np.repeat(np.arange(len(looks)), [len(one.at) for one in looks])
        self._like = np.concatenate([one.like for one in looks]) if looks else np.zeros((0, 128), np.uint8)

    def same_as(self, look: Look) -> int | None:
        """Which of the pictures shows the same moment as another; None where none does."""
        if not len(look.at) or not len(self._like):
            return None
        votes = np.bincount(self._which[self._likest(look)], minlength=len(self.looks))
        for at in np.argsort(-votes, kind="stable")[: SAME.most]:
            if votes[at] >= SAME.matched and agreement(look, self.looks[at]) >= SAME.share:
                return int(at)
        return None

    def _likest(self, look: Look) -> NDArray[np.int64]:
        """(n,) which point of all pictures looks most like each of another's."""
        asked, each = look.like.T.astype(np.float32), np.arange(len(look.at))
        best, most = np.zeros(len(each), np.int64), np.full(len(each), -1.0, np.float32)
        for start in range(0, len(self._like), _AT_ONCE):
            alike = self._like[start : start + _AT_ONCE].astype(np.float32) @ asked
            first = alike.argmax(axis=0)
            better = alike[first, each] > most
            best[better], most[better] = start + first[better], alike[first, each][better]
        return best


def agreement(one: Look, other: Look) -> float:
    """In what share of the surroundings two pictures agree where they overlap, 0 to 1; 0 where no movement, turn and
    change of size lays one on the other."""
    import cv2

    if min(len(one.at), len(other.at)) < SAME.matched:
        return 0.0
    alike = other.like.astype(np.float32) @ one.like.T.astype(np.float32)
    there, back = np.argmax(alike, axis=0), np.argmax(alike, axis=1)
    mutual = back[there] == np.arange(len(there))
    if mutual.sum() < SAME.matched:
        return 0.0
    move, found = cv2.estimateAffinePartial2D(
        other.at[there[mutual]], one.at[mutual], method=cv2.RANSAC, ransacReprojThreshold=SAME.near
    )
    if move is None or int(found.sum()) < SAME.matched:
        return 0.0
    greys = one.grey(), other.grey()
    height, width = greys[0].shape
    times = float(np.hypot(move[0, 0], move[1, 0]))  # the other is enlarged by that: it has no finer detail
    here, light = (_blurred(grey, SAME.fine * size) for grey, size in zip(greys, (times, 1 / times), strict=True))
    moved = cv2.warpAffine(light, move, (width, height), flags=cv2.INTER_LINEAR, borderValue=-1e4)
    return _agreement(here, np.asarray(moved, dtype=np.float32))


def _blurred(grey: Grey, by: float) -> F32:
    import cv2

    return np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), max(by, SAME.fine)), dtype=np.float32)


def _agreement(one: F32, other: F32) -> float:
    import cv2

    def around(values: F32) -> F32:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), SAME.window), dtype=np.float32)

    inside = other > -1
    if inside.mean() < SAME.covered:
        return 0.0
    other = np.where(inside, other, 0).astype(np.float32)
    least, most = SAME.ends
    plain = inside & (np.minimum(one, other) >= least) & (np.maximum(one, other) <= most)
    mean, mean_of = around(one), around(other)
    varies, varies_of = around(one * one) - mean * mean, around(other * other) - mean_of * mean_of
    tells = (around(plain.astype(np.float32)) > 0.99) & (np.maximum(varies, varies_of) > SAME.texture**2)
    if tells.mean() < SAME.told:
        return 0.0
    together = around(one * other) - mean * mean_of
    correlation = together / np.sqrt(np.maximum(varies * varies_of, 1e-3))
    return float((correlation[tells] >= SAME.agree).mean())
