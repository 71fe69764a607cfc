"""What many pictures share, as those of a camera that stands still do: it is not by their hall that one is a copy of
another."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.shoot.pictures.same import AGREES, DIFFERS, SAME, UNTOLD, Hit


@dataclass(frozen=True)
class SharedConstants:
    """few    pictures that may all be copies of one; more show what is the hall's
    half   share of those in which somebody moved that differ in a place, from which on it is a picture's own
    least  share of a picture that is one place of its own, by which others can be told; or one in which somebody stood
           who is not in it. No source; chosen on court frames with parts of others put into them, and edits of these
    seen   share of what is its own that must be told in another picture
    other  share of that in which one that shows others agrees at most; differ  the same in which it differs at least
    """

    few: int = 6
    half: float = 0.5
    least: float = 0.002
    seen: float = 0.25
    other: float = 0.1
    differ: float = 0.5


SHARED = SharedConstants()


@dataclass(frozen=True)
class Shares:
    """In what share pictures that were looked for agree with those among which they were.

    of    for each that was looked for: which it is like -> their share
    hall  which -> those that show the same hall, and not the same people
    """

    of: Sequence[Mapping[int, float]]
    hall: Mapping[int, Sequence[int]]

    def best(self) -> list[tuple[int, float] | None]:
        """For each that was looked for (which shows the same moment, their share), None where none does."""
        return [max(some.items(), key=lambda one: (one[1], -one[0]), default=None) for some in self.of]


def shares(hits: Sequence[Sequence[Hit]]) -> Shares:
    """What pictures that were looked for have in common with those among which they were. Where many are like one of
    those, what is its own decides: the people in it, not their hall."""
    alike = defaultdict[int, dict[int, Hit]](dict)  # one picture, mirrored or not, counts once
    for at, some in enumerate(hits):
        for hit in some:
            before = alike[hit.which].get(at)
            if before is None or before.share < hit.share:
                alike[hit.which][at] = hit
    found: list[dict[int, float]] = [{} for _ in hits]
    hall = defaultdict[int, list[int]](list)
    for which, of in alike.items():
        for at, share in zip(of, _own_shares(list(of.values())), strict=True):
            if share >= SAME.share:
                found[at][which] = share
            else:
                hall[which].append(at)
    return Shares(found, hall)


def _own_shares(hits: Sequence[Hit]) -> list[float]:
    """In what share each of those like a picture agrees with it, 0 where it only shows the same hall.

    What is the picture's own, as the people in it, is where most differ in which somebody has moved: edits of one
    picture differ in no whole place, a text on all of them apart.
    """
    moved = [hit for hit in hits if _largest(hit.places == DIFFERS) >= SHARED.least * hit.places.size]
    shares = [hit.share for hit in hits]
    if len(moved) <= SHARED.few:
        return shares
    told = sum((hit.places != UNTOLD).astype(np.int64) for hit in moved)
    differ = sum((hit.places == DIFFERS).astype(np.int64) for hit in moved)
    own = np.asarray((differ >= SHARED.half * told) & (2 * told >= len(moved)))
    own = _whole_places(own)
    others = [hit for hit in moved if _shows_others(hit, own)]
    came = sum(_largest((hit.places == DIFFERS) & ~own) >= SHARED.least * own.size for hit in others)
    if 2 * came < len(others):  # a text on many edits
        return shares
    apart = {id(hit) for hit in others}
    return [0.0 if id(hit) in apart else share for hit, share in zip(hits, shares, strict=True)]


def _shows_others(hit: Hit, own: NDArray[np.bool_]) -> bool:
    """Whether nobody is there any more where the other's own people are, as far as that is told."""
    here = hit.places[own & (hit.places != UNTOLD)]
    if here.size < max(SHARED.seen * own.sum(), 1):
        return False
    agrees, differs = (here == AGREES).mean(), (here == DIFFERS).mean()
    return bool(agrees < SHARED.other and differs >= SHARED.differ)


def _whole_places(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of what hangs together what is large enough."""
    import cv2

    _, which, about, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    large = about[:, cv2.CC_STAT_AREA] >= SHARED.least * mask.size
    return np.asarray(large[which] & mask)


def _largest(places: NDArray[np.bool_]) -> int:
    """Of what hangs together the largest, in places."""
    import cv2

    about = cv2.connectedComponentsWithStats(places.astype(np.uint8), connectivity=8)[2]
    return int(about[1:, cv2.CC_STAT_AREA].max(initial=0))
