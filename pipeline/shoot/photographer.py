"""The photographer's name where it is nearly that of a player who must not be shown: all texts may have it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

from pipeline.shoot.facts import Facts, Player, mistyped_player, named_player
from pipeline.shoot.names import first_named, holds_any, mistyped_in, name_pattern, names_part, replace_name

ALIKE = 20  # frames of a camera that may all have a name for who took them: a burst may all show one child. No source
CREDITED = (
    "its texts have the name under creator in shoot.yaml, more often than others of its camera, and that is nearly the "
    "name of a player whose line in the roster {why}; write under players who is in the picture"
)
MAY_CREDIT = (
    ", as those of all frames of its camera do; if that is the photographer's name, write it under creator in "
    "shoot.yaml"
)
_PARTS = re.compile(r"[,;/|\n]")
_MARK = "\1"
# On both sides: the word before must not hide the one after, as in "(c) S. Fjellheim, Siri".
_BESIDE = re.compile("(\\w+)[^\\w\n\0\1]{0,3}(?=\1)|(?<=\1)[^\\w\n\0\1]{0,3}(\\w+)")


class Credits(NamedTuple):
    """times  a text has the name under creator, where that is nearly a withheld one; excused  players with
    publish: no whom the text would name, in short or with a typing mistake, only by it"""

    times: int
    excused: frozenset[Player]


def credits_in(text: str, facts: Facts, players: Sequence[tuple[str, str]]) -> Credits:
    """Nobody is excused where the text also has the name of one of them as it is in the roster, or a mistyped one.

    players  of the frame
    """
    near, names = _near(facts)
    if not near:
        return Credits(0, frozenset())
    rest = text
    for name in names:
        if pattern := name_pattern(name):
            rest = replace_name(rest, pattern, _MARK)
    count = rest.count(_MARK)
    if not count:
        return Credits(0, frozenset())
    beside = " ".join(before or after for before, after in _BESIDE.findall(rest))  # "Siri" before "S. Fjellheim"

    def names_one(text: str, player: Player) -> bool:
        alone = replace(facts, roster=tuple(one for one in facts.roster if one.publish or one is player))
        return bool(named_player(text, alone, players) or mistyped_player(text, alone))

    near = tuple(player for player in near if not names_part(beside, player.name))
    return Credits(count, frozenset(player for player in near if not names_one(rest, player)))


def near_creator(facts: Facts) -> tuple[Player, ...]:
    """Players with publish: no for whose name that under creator may be taken; none where it has the very name of one:
    who is meant then only a person can say."""
    return _near(facts)[0]


def _near(facts: Facts) -> tuple[tuple[Player, ...], tuple[str, ...]]:
    return _near_of(facts.creator, tuple(one for one in facts.roster if not one.publish), facts.language)


@lru_cache(maxsize=16)
def _near_of(creator: str, hidden: tuple[Player, ...], language: str) -> tuple[tuple[Player, ...], tuple[str, ...]]:
    """(players, the names under creator that are near theirs)."""
    if holds_any(creator, tuple(player.name for player in hidden)):
        return (), ()
    names = [part.strip() for part in _PARTS.split(creator)]

    def is_near(name: str, player: Player) -> bool:
        return mistyped_in(name, player.name) or first_named(name, (player.name,), (), language) is not None

    near = tuple(player for player in hidden if any(is_near(name, player) for name in names))
    return near, tuple(name for name in names if any(is_near(name, player) for player in near))


def credit_said(near: Sequence[Player], cameras: Sequence[str], count: int) -> str:
    """What is made of it, where texts have it. cameras  of which all frames do, `count` of them"""
    lines = ", ".join(str(line) for line in sorted({player.line for player in near}))
    who = (
        f"creator in shoot.yaml is nearly the name of a player whose line in the roster says publish: no (line {lines})"
    )
    if not cameras:
        return f"{who}: frames whose texts have it are held back, since not all {ALIKE} or more of their camera do"
    return (
        f"{who}. The texts of all {count:,} frames of {', '.join(cameras)} have it, so it is taken for the "
        "photographer's there, which alone holds none of them; write under players where one shows that player"
    )
