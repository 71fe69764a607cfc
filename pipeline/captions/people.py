"""Who is in a picture, in words: the values that fill the templates of texts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from pipeline.captions.language import Language
from pipeline.shoot.facts import Facts, FrameFacts, Player, withheld
from pipeline.types import Frame

# What players are said to do, common practice; no source.
_DO = (
    "attacks blocks breaks catches celebrates challenges cheers competes controls defends dives dribbles faces "
    "falls fights finishes flies follows goes has heads hits holds intercepts is jumps kicks lands leans leaps "
    "lifts looks loses lunges makes meets misses moves passes plays points prepares presses protects pulls pushes "
    "races reaches reacts receives rises runs saves scores serves shields shoots shouts slides slips smiles spins "
    "sprints stands steals stops stretches strikes swings tackles takes throws tries turns waits walks warms "
    "watches wins"
)
_VERBS = frozenset(_DO.split())
_STOPPED = ".!?…。！？؟।።"


@dataclass(frozen=True)
class Person:
    """`text` as the caption has it; `name` "" where it is withheld or unknown."""

    text: str
    name: str
    team: str


def people(facts: Facts, row: FrameFacts, language: Language, unnamed: str, notices: list[str]) -> list[Person]:
    """The frame's players from left to right. `unnamed` "" = the language's own words for who is not named."""
    roster = {(player.team, player.number): player for player in facts.roster}
    found = []
    for side, number in row.players:
        team = facts.teams.get(side) or ""
        player = roster.get((side, number))
        if player is not None and not withheld(facts, player):
            inside = language.comma.join(part for part in (number, team) if part)
            found.append(Person(player.name + language.brackets(inside), player.name, team))
            continue
        if player is None:
            notices.append(f"{side} {number} is not in the roster, so no name is given")
        else:
            notices.append(why_withheld(facts, player))
        found.append(Person(_nobody(language, unnamed, team), "", team))
    return found


def agreement(persons: Sequence[Person], words: str, language: Language) -> list[str]:
    """A notice where the words of a caption of several players go on as of one. They stay as typed: who it was that
    "shoots", or whether they all do, only a person knows."""
    first = words.split()[0] if words.strip() else ""
    if len(persons) < 2 or language.code != "en" or first not in _VERBS:
        return []
    return [
        f'{len(persons)} players are named before "{first}", which is of one: check the words, and write who does it '
        "or the verb of several"
    ]


def why_withheld(facts: Facts, player: Player) -> str:
    """For the report: why the name of a player is left out, without the name."""
    if facts.minors:
        return "names withheld: minors is true in the facts of the shoot"
    return f"name of one player withheld: the line in the roster {player.why}"


def team_names(facts: Facts) -> tuple[str, ...]:
    """The home team, then the away team, as far as they have names."""
    return tuple(name for side in ("home", "away") if (name := facts.teams.get(side)))


def moment(frame: Frame, facts: Facts, notices: list[str]) -> datetime | None:
    """When the picture was taken, local time: by the camera's clock, else the start of the event; None where that is
    not believed, see shoot.clocks.dates, or not known."""
    if frame.exif.doubt:
        notices.append(frame.exif.doubt)
        return None
    return frame.exif.time or (facts.start.replace(tzinfo=None) if facts.start else None)


def values(
    frame: Frame,
    facts: Facts,
    row: FrameFacts,
    language: Language,
    unnamed: str,
    persons: Sequence[Person],
    taken: datetime | None,
) -> dict[str, str]:
    """Name of template.TEXT_FIELDS -> its text, "" where the fact is missing.

    taken  when, local time
    """
    texts = _merged(persons, language, unnamed)
    who = language.listed(texts) if texts else ""
    words = row.words.strip()
    home, away = facts.teams.get("home") or "", facts.teams.get("away") or ""
    match = f"{home} – {away}" if home and away else ""
    date = language.date(taken.date()) if taken else ""
    opening = _opening(who, len(texts), len(persons), words, language)
    return {
        "opening": opening,
        "setting": _setting(facts, language, match, date, bool(opening)),
        "who": who,
        "words": words,
        "scene": scene(persons, words, language, unnamed),
        "sport": language.phrases.sport,
        "match": match,
        "home": home,
        "away": away,
        "title": facts.title,
        "venue": facts.venue,
        "city": facts.city,
        "region": facts.region,
        "country": language.country(facts.country),
        "country_code": facts.country,
        "date": date,
        "iso_date": f"{taken:%Y-%m-%d}" if taken else "",
        "time": f"{taken:%H:%M}" if taken else "",
        "frame": frame.name,
        "creator": facts.creator,
        "credit": facts.credit,
    }


def _nobody(language: Language, unnamed: str, team: str) -> str:
    if not unnamed:
        return language.nobody(team, 1)
    if team and language.code == "en":
        return f"{unnamed} of {team}"
    return unnamed + language.brackets(team) if team else unnamed


def _merged(persons: Sequence[Person], language: Language, unnamed: str) -> list[str]:
    """Neighbours without a name and of one team together: "2 players of Harbour Gulls"."""
    texts: list[str] = []
    for (name, team), group in groupby(persons, key=lambda person: (person.name, person.team)):
        members = list(group)
        if name or unnamed:
            texts += [person.text for person in members]
        else:
            texts.append(language.nobody(team, len(members)))
    return [text for text in texts if text]


def _goes_on(words: str) -> bool:
    """Words with a small first letter go on from the names ("scores from the wing"), others stand alone."""
    return words[:1].islower()


def _sentence(text: str, language: Language) -> str:
    return text if not text or text[-1] in _STOPPED else text + language.stop


def _opening(who: str, count: int, persons: int, words: str, language: Language) -> str:
    """The part about people: "From left, A (7, Gulls) and B (12, Foxes) jump for the ball."

    count  of the texts that are listed in `who`; several persons may be one of them
    """
    phrases = language.phrases
    pictured = (
        phrases.pictured_left if count > 1 else (phrases.pictured_many if persons > 1 else "") or phrases.pictured
    )
    gap = " " if language.spaced else ""
    if who and _goes_on(words):
        parts = [f"{phrases.left.format(who=who) if count > 1 else who}{gap}{words}"]
    elif who:
        parts = [pictured.format(who=who), words]
    else:
        parts = [words]
    return gap.join(_sentence(language.capital(part), language) for part in parts if part)


def _setting(facts: Facts, language: Language, match: str, date: str, opened: bool) -> str:
    """What, where and when; a sentence of its own where nothing stands before it. It names the match and never says
    that it is played: of a frame of which nobody wrote anything, nobody knows; it may show a card or an empty hall."""
    start = match if match or facts.title or opened else language.phrases.sport
    places = [start, facts.title, facts.venue, facts.city, date]
    return _sentence(language.comma.join(filter(None, places)), language)


def scene(persons: Sequence[Person], words: str, language: Language, unnamed: str) -> str:
    """What is certain without a name: "A player of Harbour Gulls dives". "" where nothing is."""
    if not persons or (words and not _goes_on(words)):
        return language.capital(words)
    nameless = [Person(_nobody(language, unnamed, person.team), "", person.team) for person in persons]
    texts = _merged(nameless, language, unnamed)
    if not texts:
        return language.capital(words)
    who = language.listed(texts)
    gap = " " if language.spaced else ""
    return language.capital(f"{who}{gap}{words}" if words else language.phrases.indoors.format(who=who))
