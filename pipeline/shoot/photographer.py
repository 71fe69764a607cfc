"""The photographer's name where it, or its initials, is nearly that of a player who must not be shown: all texts may
have it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache, reduce
from operator import and_
from typing import NamedTuple

from pipeline.formats.metadata.search_blocks import MAKER_NOTE
from pipeline.formats.metadata.search_xmp import Text
from pipeline.shoot.facts import Facts, Player, mistyped_player, named_player
from pipeline.shoot.names import (
    first_named,
    holds_any,
    initials_replaced,
    mistyped_in,
    name_pattern,
    names_part,
    replace_name,
)

FILE_NAME = "file or folder name"  # a kind of text
ALIKE = 20  # frames of a camera that may all have a name for who took them: a burst may all show one child. No source
CREDITED = (
    "its texts have the name under creator in shoot.yaml, more often than others of its camera or in other words, and "
    "that is nearly the name of a player whose line in the roster {why}; write under players who is in the picture"
)
INITIALS = (
    "its texts have the initial and surname of creator in shoot.yaml, more often than others of its camera or in other "
    "words, and these may be those of a player whose line in the roster {why}; take them out of that text, if they are "
    "the photographer's"
)
MAY_CREDIT = (
    ", as those of all frames of its camera do; if that is the photographer's name, write it under creator in "
    "shoot.yaml"
)
BARE = (
    "its caption, keywords or another text that says what is shown have the name under creator in shoot.yaml, or its "
    "initials, which may mean a player whose line in the roster {why}; if they mean the photographer, take them out "
    'there, or say so, as in "Photo: ..."'
)
_PARTS = re.compile(r"[,;/|\n]")
_MARK = "\1"
# On both sides: the word before must not hide the one after, as in "(c) S. Fjellheim, Siri".
_BESIDE = re.compile("(\\w+)[^\\w\n\0\1]{0,3}(?=\1)|(?<=\1)[^\\w\n\0\1]{0,3}(\\w+)")
# What it is said with in the same sentence: a word, or a sign; and the word after it.
_BEFORE = re.compile(r"(?:(\w+)[^\S\n]*:?)?[^\S\n]*((?:\(c\)|©)?)[^\S\n]*\Z", re.IGNORECASE)
_AFTER = re.compile(r"[^\S\n]+(\w+)")
_NEAR = 60  # characters in which these are looked for
# Where a camera writes the same into every file, which need not say what is shown.
_OF_ALL = ("Exif comment", "comment", MAKER_NOTE)
_CREDIT = "|".join(
    (
        r"copyright|credit|©|\(c\)|photo(?:s|graph|grapher|graphe|graphy|graphie)?|pictures?|images?",
        r"fot[oó](?:s|graf|grafin|grafie|grafia|grafía|graaf|grafo|grafi)?|fot|bild(?:e|er)?|billede|kuva(?:aja)?",
        r"zdjęci[ae]|фото|φωτογραφία|写真|撮影|摄影|照片",
    )
)
# Such a word must begin what is said: "Im Bild: S. Fjellheim" is who is shown, and "photo of" or "Foto von" may be. It
# must end it: "S. Fjellheim (Photo: ...)" is shown too. Common practice, no source.
_CREDIT_BEFORE = re.compile(
    rf"(?:(?:\A|\n|[^\w\s\"'])\s*[\"']?(?:(?P<sure>copyright)|{_CREDIT})(?P<by>\s+(?:by|par|por|door))?|(?P<sign>©|\(c\)))"
    r"[\s:/\"']*\Z",
    re.IGNORECASE,
)
# What follows who is shown: "Picture: S. Fjellheim scores", "Foto: S. Fjellheim (9)"; and none of these words.
_SHOWN_AFTER = re.compile(r"[^\S\n]+(?!(?:for|für|voor|pour|till?|per|para)\b)[a-zà-öø-ÿ]|\s*\([^)\n]*\d")
_CREDIT_AFTER = re.compile(rf"\s+(?:{_CREDIT})\s*(?:\Z|[.,;|/)\n])", re.IGNORECASE)


class Mention(NamedTuple):
    """How a text has the name under creator: the kind of text, and the words beside it."""

    what: str
    before: str
    after: str


class Credits(NamedTuple):
    """times  the texts have the name under creator, where that is nearly a withheld one; mentions  how
    excused  the players with publish: no whom the texts would name, in short or with a typing mistake, only by it
    bare     whether a text that says what is shown has it without saying that this took the picture
    """

    times: int
    mentions: Counter[Mention]
    excused: frozenset[Player]
    bare: bool = False

    def with_those(self, others: Credits) -> Credits:
        """With what other texts of the frame have."""
        return Credits(
            self.times + others.times,
            self.mentions + others.mentions,
            self.excused | others.excused,
            self.bare or others.bare,
        )


NO_CREDITS = Credits(0, Counter(), frozenset())


def credits_in(what: str, texts: Sequence[Text], facts: Facts, players: Sequence[tuple[str, str]]) -> Credits:
    """Nobody is excused where the texts also have the name of one of them as it is in the roster, or a mistyped one.

    what  kind of texts they are; players  of the frame
    """
    near, names = _near(facts)
    if not near:
        return NO_CREDITS
    marked = [_marked(one.text, names) for one in texts]
    rest = "\0".join(dict.fromkeys(marked))
    count = rest.count(_MARK)
    if not count:
        return NO_CREDITS
    beside = " ".join(before or after for before, after in _BESIDE.findall(rest))  # "Siri" before "S. Fjellheim"

    def names_one(text: str, player: Player) -> bool:
        alone = replace(facts, roster=tuple(one for one in facts.roster if one.publish or one is player))
        return bool(named_player(text, alone, players) or mistyped_player(text, alone))

    near = tuple(player for player in near if not names_part(beside, player.name))
    excused = frozenset(player for player in near if not names_one(rest, player))
    may_be_bare = what == FILE_NAME
    told = (may_be_bare or one.where in _OF_ALL or _says_so(text) for one, text in zip(texts, marked, strict=True))
    return Credits(count, Counter(_mentions(what, marked)), excused, not all(told))


@lru_cache(maxsize=4096)  # a night's texts have the same words about who took them
def _marked(text: str, names: tuple[str, ...]) -> str:
    for name in names:
        if pattern := name_pattern(name):
            text = replace_name(text, pattern, _MARK)
        text = initials_replaced(text, name, _MARK)
    return text


def _says_so(marked: str) -> bool:
    """Whether a text says of each of its marks that this is who took the picture."""
    return all(
        _is_credit(marked[max(mark.start() - _NEAR, 0) : mark.start()], marked[mark.end() : mark.end() + _NEAR])
        for mark in re.finditer(_MARK, marked)
    )


def _is_credit(before: str, after: str) -> bool:
    if said := _CREDIT_BEFORE.search(before):
        return any(said.group("sure", "by", "sign")) or not _SHOWN_AFTER.match(after)
    return _CREDIT_AFTER.match(after) is not None


def _mentions(what: str, marked: Iterable[str]) -> Iterable[Mention]:
    for text in marked:
        for mark in re.finditer(_MARK, text):
            before = _BEFORE.search(text[max(mark.start() - _NEAR, 0) : mark.start()])
            after = _AFTER.match(text[mark.end() : mark.end() + _NEAR])
            said = next(filter(None, before.groups()), "") if before else ""
            yield Mention(what, said.casefold(), after[1].casefold() if after else "")


class Usual(NamedTuple):
    """What the texts of all frames of a camera have: how often the name under creator, and how."""

    times: int
    mentions: Counter[Mention]

    def excuses(self, credits: Credits) -> bool:
        """Whether a frame has the name no more often than the others, in no other words, and as who took it."""
        return not credits.bare and credits.times <= self.times and credits.mentions <= self.mentions


def usual_credits(told: Sequence[Credits]) -> Usual:
    """Of the frames of a camera, where these are so many that they cannot all show one child: what most of them have,
    or where words follow it, as in "S. Fjellheim scores", all."""
    times = min(one.times for one in told) if len(told) >= ALIKE else 0
    if not times:
        return Usual(0, Counter())
    everywhere = reduce(and_, (one.mentions for one in told))
    most, counts = max(ALIKE, len(told) // 2 + 1), dict[Mention, list[int]]()
    for one in told:
        for mention, count in one.mentions.items():
            if not mention.after:
                counts.setdefault(mention, []).append(count)
    mostly = {of: sorted(some, reverse=True)[most - 1] for of, some in counts.items() if len(some) >= most}
    return Usual(times, everywhere | Counter(mostly))


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
    words = re.findall(r"[^\s,]+", creator)
    names += [" ".join(words[::-1])] if len(words) == 2 else []  # the surname first

    def is_near(name: str, player: Player) -> bool:
        words = name.split()
        short = f"{words[0][0]}. {words[-1]}" if len(words) > 1 else name
        return mistyped_in(name, player.name) or any(
            first_named(text, (player.name,), (), language) is not None for text in (name, short)
        )

    near = tuple(player for player in hidden if any(is_near(name, player) for name in names))
    return near, tuple(name for name in names if any(is_near(name, player) for player in near))


def credit_said(near: Sequence[Player], cameras: Sequence[str], count: int) -> str:
    """What is made of it, where texts have it. cameras  of which all frames do, `count` of them"""
    lines = ", ".join(str(line) for line in sorted({player.line for player in near}))
    who = (
        f"creator in shoot.yaml is nearly the name of a player whose line in the roster says publish: no (line {lines})"
    )
    if not cameras:
        return (
            f"{who}: frames whose texts have it are held back, since not all {ALIKE} or more of their camera say, in "
            "the same words, that it took the picture"
        )
    return (
        f"{who}. The texts of all {count:,} frames of {', '.join(cameras)} have it, so it is taken for the "
        "photographer's there, which in the words that most of them have holds none of them; write under players where "
        "one shows that player"
    )
