"""Which frames are rendered first: if the night is too short, the most wanted are there in the morning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pipeline.people.ranking import Ranked
from pipeline.shoot.facts import Facts

_LAST = 1 << 30  # place of a frame without a rank


def by_priority(names: Iterable[str], facts: Facts, ranks: Mapping[str, Ranked]) -> list[str]:
    """The frames in the order in which they are rendered: keep: always first, then by rating (unrated as 0), then the
    best of every burst, the second of every burst and so on, of these the higher score first."""

    def order(name: str) -> tuple[bool, int, int, float]:
        row, ranked = facts.row(name), ranks.get(name)
        place, score = (ranked.place, ranked.score) if ranked is not None else (_LAST, 0.0)
        return not row.always, -(row.rating or 0), place, -score

    return sorted(names, key=order)
