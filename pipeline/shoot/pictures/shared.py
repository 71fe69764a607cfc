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
    half   share of them that agree there, from which on a place is the hall's
    least  share of a picture that must be its own, so that others can be told by it
    gone   share of a picture that is one place where somebody stood who is not in the other, which agrees elsewhere
    came   the same of somebody who is in the other. No source for any; the last two chosen on court frames with parts
           of others put into them (0.007 and 0.002 and more) and 14 edits of each of three (0.004, or 0.001)
    other  share of what is a picture's own in which one that shows others agrees at most (drawn ones: 0.02; an edit
           that clips a part of it, as if somebody had moved: 0.29)
    """

    few: int = 6
    half: float = 0.5
    least: float = 0.005
    gone: float = 0.005
    came: float = 0.002
    other: float = 0.1


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
    those, only what is its own counts: the people in it, not their hall."""
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
    """In what share of what is a picture's own each of those like it agrees."""
    if len(hits) <= SHARED.few:
        return [hit.share for hit in hits]
    told = sum((hit.places != UNTOLD).astype(np.int64) for hit in hits)
    agree = sum((hit.places == AGREES).astype(np.int64) for hit in hits)
    own = np.asarray(agree < SHARED.half * told)
    found = []
    for hit in hits:
        here = hit.places[own & (hit.places != UNTOLD)]
        enough = here.size >= SHARED.least * hit.places.size
        # Else nothing tells them apart; and many edits of one picture agree nearly everywhere, and so make it a hall.
        here_share = float((here == AGREES).mean()) if enough else 1.0
        others = here_share < SHARED.other
        judged = enough and others and (hit.share < SAME.sure or _somebody_moved(hit, own))
        found.append(here_share if judged else hit.share)
    return found


def _somebody_moved(hit: Hit, own: NDArray[np.bool_]) -> bool:
    """Whether it is in whole places that two pictures differ, some of them one's own and some the other's."""
    differ = hit.places == DIFFERS
    gone, came = _largest(differ & own), _largest(differ & ~own)
    return gone >= SHARED.gone * own.size and came >= SHARED.came * own.size


def _largest(places: NDArray[np.bool_]) -> int:
    """Of what hangs together the largest, in places."""
    import cv2

    about = cv2.connectedComponentsWithStats(places.astype(np.uint8), connectivity=8)[2]
    return int(about[1:, cv2.CC_STAT_AREA].max(initial=0))
