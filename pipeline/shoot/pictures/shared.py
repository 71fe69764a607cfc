"""What many pictures share, as those of a camera that stands still do: it is not by their hall that one is a copy of
another."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.shoot.pictures.same import AGREES, SAME, UNTOLD, Hit


@dataclass(frozen=True)
class SharedConstants:
    """few    pictures that may all be copies of one; more show what is the hall's
    half   share of them that agree there, from which on a place is the hall's
    least  share of a picture that must be its own, so that others can be told by it. No source for any
    """

    few: int = 6
    half: float = 0.5
    least: float = 0.005


SHARED = SharedConstants()


def best_hits(hits: Sequence[Sequence[Hit]]) -> list[tuple[int, float] | None]:
    """For each of pictures that were looked for (which shows the same moment, in what share they agree), None where
    none does. Where many are like one of those, only what is its own counts: the people in it, not their hall."""
    alike = defaultdict[int, dict[int, Hit]](dict)  # one picture, mirrored or not, counts once
    for at, some in enumerate(hits):
        for hit in some:
            before = alike[hit.which].get(at)
            if before is None or before.share < hit.share:
                alike[hit.which][at] = hit
    best: list[tuple[int, float] | None] = [None] * len(hits)
    for which, of in alike.items():
        for at, share in zip(of, _own_shares(list(of.values())), strict=True):
            so_far = best[at]
            if share >= SAME.share and (so_far is None or share > so_far[1]):
                best[at] = which, share
    return best


def _own_shares(hits: Sequence[Hit]) -> list[float]:
    """In what share of what is a picture's own each of those like it agrees."""
    if len(hits) <= SHARED.few:
        return [hit.share for hit in hits]
    told = sum((hit.places != UNTOLD).astype(np.int64) for hit in hits)
    agree = sum((hit.places == AGREES).astype(np.int64) for hit in hits)
    own = np.asarray(agree < SHARED.half * told)
    shares = []
    for hit in hits:
        here = hit.places[own & (hit.places != UNTOLD)]
        enough = here.size >= SHARED.least * hit.places.size
        # Else nothing tells them apart; and many edits of one picture agree nearly everywhere, and so make it a hall.
        judged = enough and hit.share < SAME.sure
        shares.append(float((here == AGREES).mean()) if judged else hit.share)
    return shares
