"""Whether two pictures show the same moment, however one was cropped, turned, mirrored, resized, brightened, coloured
or made a negative since."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.shoot.pictures.grey import Grey, UnreadPictureError
from pipeline.types import F32


@dataclass(frozen=True)
class SameConstants:
    """Chosen on ../shared/data/court, people and burst-jpeg, see tests/shoot/test_same_picture.py: edited copies agree
    in 0.85 of their surroundings and more, those with a text across them, few tones, much noise or burnt by three
    stops in 0.5 and more; frames of one rally 1/30 s apart in 0.84, 1/10 s apart in 0.6, 1/6 s apart in 0.52; frames
    of two rallies in one hall, and of other places, in 0.35 and less. What is as near as two frames of a burst counts
    as one moment: whoever is in one is in the other, and to hold one too many can be undone."""

    edge: int = 640  # pixels of the longer side of a small picture that is looked for
    held: int = 960  # the same of those among which it is looked for: a part of one is as large then
    enlarged: float = 4.0  # times that a smaller one is enlarged at most
    points: int = 600  # of a picture that is looked for
    among: int = 1500  # of the others: so many that a third of a side has some
    cells: tuple[int, int] = (8, 6)  # parts of a picture, across and down, that each have their share of the points
    contrast: float = 0.02  # least of a point (of 1, as OpenCV counts it)
    like: float = 0.92  # cosine of two points that may be one
    matched: int = 8  # points that one movement must bring together
    near: float = 3.0  # pixels
    tries: int = 20_000  # movements that are tried: of a small part one point in twenty is right
    most: int = 3  # pictures that one is compared with in full
    sizes: tuple[float, float] = (0.1, 10.0)  # by which a part may be enlarged
    squeezed: float = 1.7  # times that one side may be stretched more than the other
    window: float = 6.0  # pixels: standard deviation of the surroundings that are compared
    fine: float = 0.7  # pixels: standard deviation of what takes noise and the finest detail away
    texture: float = 3.0  # of 255: least standard deviation of surroundings that tell anything
    ends: tuple[float, float] = (4.0, 251.0)  # of 255: beyond, a picture may be clipped and tells nothing
    covered: float = 0.3  # least share of the picture that the other must cover
    told: float = 0.03  # least share of the picture that tells anything
    agree: float = 0.8  # correlation of surroundings that show the same
    differ: float = 0.4  # the same of those that surely do not
    share: float = 0.5  # of the surroundings that must
    sure: float = 0.85  # share from which on one is surely a copy of the other
    step: int = 8  # pixels from one place to the next of which it is kept whether two pictures agree there


SAME = SameConstants()
LOOK_VERSION = 1  # to be raised when `look_of` finds other points in the same picture: looks are kept
_TIMES = 4  # pixels of a side that become one before surroundings are compared: it takes a sixth of the time
_GROUP = 512  # points of all pictures that are compared at a time, of those that look alike
_WAYS = 4  # in which a picture is compared: as it is and mirrored, each also as a negative
_NONE = np.zeros((0, 128), np.uint8)
_GROUPS = 8  # of them are searched for each point


@dataclass(frozen=True)
class Look:
    """What a small picture looks like.

    grey  gives it, (h, w): seldom asked for, and ten times as large as the rest; may raise UnreadPictureError
    width of it; at    (n, 2) points, x and y in its pixels; like  (n, 128) how each looks, unit vectors times 255
    """

    grey: Callable[[], Grey]
    width: int
    at: F32
    like: NDArray[np.uint8]

    def mirrored(self) -> Look:
        """The look of the same picture, mirrored left to right. In the values of a point the rows across the way that
        it points, and the turns from it, change sides."""
        like = self.like.reshape(-1, 4, 4, 8)[:, ::-1][..., -np.arange(8) % 8].reshape(-1, 128)
        at = np.column_stack([self.width - 1 - self.at[:, 0], self.at[:, 1]]).astype(np.float32)
        return Look(lambda: np.ascontiguousarray(self.grey()[:, ::-1]), self.width, at, np.ascontiguousarray(like))

    def negative(self) -> Look:
        """The look of its negative. A point then points the other way, so that both its rows and columns change sides,
        and what turns from that way does not."""
        like = self.like.reshape(-1, 4, 4, 8)[:, ::-1, ::-1].reshape(-1, 128)
        return Look(lambda: 255 - self.grey(), self.width, self.at, np.ascontiguousarray(like))


def enlarged(grey: Grey) -> Grey:
    """A picture of fewer pixels, such as a small part of one, brought to SAME.edge: it has more points then."""
    import cv2

    times = min(SAME.edge / max(grey.shape), SAME.enlarged)
    if times <= 1:
        return grey
    return np.asarray(cv2.resize(grey, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def look_of(grey: Callable[[], Grey], points: int = SAME.points) -> Look:
    """The points by which a picture is found again: Lowe, IJCV 2004; the root of their values: Arandjelovic and
    Zisserman, CVPR 2012."""
    import cv2

    finder = cv2.SIFT_create(nfeatures=0, contrastThreshold=SAME.contrast)  # type: ignore[attr-defined]
    light = cv2.equalizeHist(grey())
    found, values = finder.compute(light, _spread(finder.detect(light), light.shape, points))
    if values is None:
        return Look(grey, light.shape[1], np.zeros((0, 2), np.float32), _NONE)
    like = 255 * np.sqrt(values / np.maximum(values.sum(axis=1, keepdims=True), 1e-6))
    at = np.array([point.pt for point in found], dtype=np.float32)
    return Look(grey, light.shape[1], at, like.astype(np.uint8))


def _spread(points: Sequence[Any], shape: tuple[int, ...], most: int) -> list[Any]:
    """The strongest points of each part of a picture, so that each part can be found by itself."""
    height, width = shape
    across, down = SAME.cells
    ranks = defaultdict[tuple[int, int], int](int)
    ranked: list[tuple[int, int]] = []
    order = sorted(range(len(points)), key=lambda at: (-points[at].response, points[at].pt))
    for at in order:
        x, y = points[at].pt
        cell = int(x * across / width), int(y * down / height)
        ranked.append((ranks[cell], at))
        ranks[cell] += 1
    ranked.sort(key=lambda one: one[0])  # which keeps the stronger first
    return [points[at] for _, at in ranked[:most]]


@dataclass(frozen=True)
class Hit:
    """A picture that shows the same moment as one that is looked for, as far as the two alone tell.

    which  of the pictures; share  of the surroundings in which they agree; places  (h, w) of that picture, every
    SAME.step pixels: UNTOLD, DIFFERS, UNSURE or AGREES
    """

    which: int
    share: float
    places: NDArray[np.uint8]


UNTOLD, DIFFERS, UNSURE, AGREES = 0, 1, 2, 3


class Looks:
    """Pictures among which others are looked for.

    Their points lie in groups of such as look alike, and only the likest groups are searched for each point (inverted
    lists: Sivic and Zisserman, ICCV 2003). The groups are around every so-and-so-many-th point, so that the same
    pictures give the same answer.
    """

    def __init__(self, looks: Sequence[Look]) -> None:
        self.looks = looks
        which = np.repeat(np.arange(len(looks)), [len(one.at) for one in looks])
        like = np.concatenate([_NONE, *(one.like for one in looks)])
        self._middles = like[::_GROUP].astype(np.float32)
        parts = [like[start : start + _GROUP].astype(np.float32) for start in range(0, len(like), _GROUP)]
        group = np.concatenate([(part @ self._middles.T).argmax(axis=1) for part in parts]) if parts else which
        order = np.argsort(group, kind="stable")
        self._like, self._which = like[order], which[order]
        self._starts = np.searchsorted(group[order], np.arange(len(self._middles) + 1))

    def same_as(self, looks: Sequence[Look]) -> list[list[Hit]]:
        """For each of others which of the pictures show the same moment. A mirror image shows the same, and so does a
        negative."""
        ways = [one for look in looks for both in (look, look.mirrored()) for one in (both, both.negative())]
        hits = [list(self._hits(some, look)) for some, look in zip(self._votes(ways), ways, strict=True)]
        return [[hit for some in hits[at : at + _WAYS] for hit in some] for at in range(0, len(hits), _WAYS)]

    def _hits(self, votes: NDArray[np.int64], look: Look) -> Iterator[Hit]:
        for at in np.argsort(-votes, kind="stable")[: SAME.most]:
            with suppress(UnreadPictureError):  # one of the two is not there any more
                if votes[at] >= SAME.matched:
                    share, places = compared(look, self.looks[at])
                    if share >= SAME.share and places is not None:
                        yield Hit(int(at), share, places)

    def _votes(self, looks: Sequence[Look]) -> NDArray[np.int64]:
        """(others, pictures) how many points of each look most like one of each picture, and enough like it."""
        votes = np.zeros((len(looks), len(self.looks)), np.int64)
        asked = np.concatenate([_NONE, *(look.like for look in looks)]).astype(np.float32)
        if not len(asked) or not len(self._like):
            return votes
        far, last = -(asked @ self._middles.T), min(_GROUPS, len(self._middles)) - 1
        near = np.argpartition(far, last, axis=1)[:, : last + 1]
        best, most = np.zeros(len(asked), np.int64), np.full(len(asked), -1.0, np.float32)
        for group, (start, end) in enumerate(pairwise(self._starts)):
            here = np.flatnonzero((near == group).any(axis=1))
            if len(here) and end > start:
                alike = asked[here] @ self._like[start:end].astype(np.float32).T
                first = alike.argmax(axis=1)
                value = alike[np.arange(len(here)), first]
                better = value > most[here]
                best[here[better]], most[here[better]] = start + first[better], value[better]
        whose = np.repeat(np.arange(len(looks)), [len(look.like) for look in looks])
        sure = most >= SAME.like * 255**2
        np.add.at(votes, (whose[sure], self._which[best[sure]]), 1)
        return votes


def agreement(one: Look, other: Look) -> float:
    """In what share of the surroundings two pictures agree where they overlap, 0 to 1; 0 where no movement, turn,
    change of size and stretching lays one on the other."""
    return compared(one, other)[0]


def compared(one: Look, other: Look) -> tuple[float, NDArray[np.uint8] | None]:
    """(`agreement`, the places of `other` as in `Hit`, None where the agreement is 0)."""
    import cv2

    if min(len(one.at), len(other.at)) < SAME.matched:
        return 0.0, None
    alike = other.like.astype(np.float32) @ one.like.T.astype(np.float32)
    there, back = np.argmax(alike, axis=0), np.argmax(alike, axis=1)
    mutual = back[there] == np.arange(len(there))
    if mutual.sum() < SAME.matched:
        return 0.0, None
    move, found = cv2.estimateAffine2D(
        other.at[there[mutual]], one.at[mutual], method=cv2.RANSAC, ransacReprojThreshold=SAME.near, maxIters=SAME.tries
    )
    if move is None or int(found.sum()) < SAME.matched or not _is_likely(move):
        return 0.0, None
    # The smaller of the two is laid on the larger, of which it may be a part, or which may be a part of it.
    times = float(np.sqrt(abs(np.linalg.det(move[:, :2]))))
    here, there_of = one.grey(), other.grey()
    wide, high = -(-there_of.shape[1] // SAME.step), -(-there_of.shape[0] // SAME.step)
    placed = np.array(move) * [SAME.step, SAME.step, 1]
    if times < 1:
        placed = np.array([[SAME.step, 0, 0], [0, SAME.step, 0]], dtype=np.float64)
        here, there_of, move, times = there_of, here, cv2.invertAffineTransform(move), 1 / times
    height, width = here.shape
    near, far = _blurred(here, SAME.fine * times), _blurred(there_of, SAME.fine)  # the smaller has no finer detail
    moved = cv2.warpAffine(far, move, (width, height), flags=cv2.INTER_LINEAR, borderValue=-1e4)
    share, places = _agreement(near, np.asarray(moved, dtype=np.float32))
    if places is None:
        return share, None
    placed = (placed - [0, 0, (_TIMES - 1) / 2]) / _TIMES  # from middle to middle
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return share, np.asarray(cv2.warpAffine(places, placed, (wide, high), flags=flags))


def _is_likely(move: Any) -> bool:
    """Whether somebody may have turned, enlarged and stretched a picture so."""
    most, least = np.linalg.svd(move[:, :2], compute_uv=False)
    return bool(least >= SAME.sizes[0] and most <= SAME.sizes[1] and most <= SAME.squeezed * least)


def _blurred(grey: Grey, by: float) -> F32:
    import cv2

    return np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), by), dtype=np.float32)


def _agreement(one: F32, other: F32) -> tuple[float, NDArray[np.uint8] | None]:
    """(`agreement`, the places as in `Hit`, every _TIMES pixels) of two pictures that lie on each other, -1e4 where
    there is no `other`."""
    inside = other > -1
    if inside.mean() < SAME.covered:
        return 0.0, None
    one, other = (np.where(inside, values, 0).astype(np.float32) for values in (one, other))
    least, most = SAME.ends
    plain = inside & (np.minimum(one, other) >= least) & (np.maximum(one, other) <= most)
    weight = np.maximum(_around(inside.astype(np.float32)), 0.5)  # else a hundredth outside is an edge in both
    mean, mean_of = _around(one) / weight, _around(other) / weight
    varies, varies_of = _around(one * one) / weight - mean**2, _around(other * other) / weight - mean_of**2
    tells = (_around(plain.astype(np.float32)) > 0.99) & (np.maximum(varies, varies_of) > SAME.texture**2)
    if tells.mean() < SAME.told:
        return 0.0, None
    together = _around(one * other) / weight - mean * mean_of
    correlation = together / np.sqrt(np.maximum(varies * varies_of, 1e-3))
    agrees = correlation >= SAME.agree
    places = np.where(agrees, AGREES, np.where(correlation < SAME.differ, DIFFERS, UNSURE))
    return float(agrees[tells].mean()), np.where(tells, places, UNTOLD).astype(np.uint8)


def _around(values: F32) -> F32:
    """The mean of the surroundings of each place, every _TIMES pixels."""
    import cv2

    height, width = values.shape
    fewer = cv2.resize(values, (-(-width // _TIMES), -(-height // _TIMES)), interpolation=cv2.INTER_AREA)
    rest = np.sqrt(SAME.window**2 - (_TIMES**2 - 1) / 12) / _TIMES
    return np.asarray(cv2.GaussianBlur(fewer, (0, 0), rest), dtype=np.float32)
