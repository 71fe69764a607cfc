"""index.html of a delivery: a page for the club's readers that loads nothing but the pictures beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import PurePosixPath

from markupsafe import Markup

from pipeline.deliver.model import Item, Made, Person, SetFacts
from pipeline.deliver.page_words import day, direction, words
from pipeline.store.places import SMALL
from pipeline.textfile.html import hash_source, link, page_environment

NAME = "index.html"
_SLICES = (15, 30, 60, 180)  # minutes: the first that gives groups worth a heading; chosen by eye
_WORTH = 6  # pictures that a group has on average


@dataclass(frozen=True)
class _Figure:
    """One picture as the template needs it.

    enlarge  a browser can show the file itself; shape  number of its ratio of sides, see _shapes
    who      the numbers of those it names, with spaces between
    """

    number: int
    link: str
    small: str
    width: int
    height: int
    shape: int
    alt: str
    caption: str
    headline: str
    time: str
    enlarge: bool
    who: str


@dataclass(frozen=True)
class _Group:
    """Pictures under one heading, "" for none."""

    title: str
    figures: Sequence[_Figure]


@dataclass(frozen=True)
class _Choice:
    """A player to choose: the number by which figures name the player, and what is read."""

    at: int
    label: str


@dataclass(frozen=True)
class _Team:
    """The players of one team that the pictures name."""

    name: str
    players: Sequence[_Choice]


def small_name(item: Item) -> str:
    """Name of an item's small picture below the delivery's folder."""
    return f"{SMALL}/{PurePosixPath(item.name).stem}.jpg"


def render_page(
    items: Sequence[Item], facts: SetFacts, archive: str = "", archive_bytes: int = 0, sheet: Made | None = None
) -> bytes:
    """The page, UTF-8, for pictures in the order given.

    sheet  the contact sheet beside it

    The page shows the small pictures (`small_name`), loaded as the reader comes to them, and links to the delivered
    files; with scripts on, these open in place, and are found by words, by player and by time. All text is escaped.
    Names that are withheld are taken out of every text once more, whatever it says in the items, and nobody can be
    chosen who is withheld. The page's policy names its one script and its one style by hash and allows no other address
    than the page's own, so no visitor's address is given to a third party.
    """
    tongue, tag = words(facts.language)
    title, line = heading(facts)
    package = files("pipeline.deliver")
    script = package.joinpath("page.js").read_text(encoding="utf-8")
    shapes = _shapes(items)
    style = package.joinpath("page.css").read_text(encoding="utf-8")
    style += "".join(f".r{at} {{ --r: {ratio}; }}\n" for ratio, at in shapes.items())
    people = _people(items, facts)
    total = len(items)
    figures = [_figure(n, total, item, facts, tongue, shapes, people) for n, item in enumerate(items, 1)]
    page = (
        page_environment("deliver")
        .get_template("page.html")
        .render(
            groups=_groups(items, figures, facts.language),
            teams=_teams(people, facts),
            title=title or tongue["many"].format(n=total),
            line=line,
            count=tongue["one"] if total == 1 else tongue["many"].format(n=total),
            missing=tongue["missing"].format(n=facts.missing) if facts.missing else "",
            credit=facts.own(facts.credit),
            copyright=facts.own(facts.copyright),
            usage=facts.clean(facts.usage),
            language=facts.language or "en",
            direction=direction(facts.language),
            words=tongue,
            words_language=tag if tag != facts.language.lower().split("-")[0] and tag == "en" else "",
            archive=link(archive) if archive else "",
            archive_size=size(archive_bytes),
            sheet=link(PurePosixPath(sheet.relative).name) if sheet else "",
            sheet_size=size(sheet.bytes) if sheet else "",
            script=Markup(script),  # ours, from the package
            style=Markup(style),
            script_policy=hash_source(script),
            style_policy=hash_source(style),
        )
    )
    return page.encode("utf-8")


def _teams_line(facts: SetFacts) -> str:
    return " – ".join(t for t in map(facts.clean, facts.teams) if t)


def heading(facts: SetFacts) -> tuple[str, str]:
    """(title of a set, "" where nobody gave one; teams, place and day in a line), without a name that is withheld."""
    teams = _teams_line(facts)
    title = facts.clean(facts.title) or teams
    parts = [teams if teams != title else "", facts.clean(facts.venue), facts.clean(facts.city)]
    return title, ", ".join(p for p in (*parts, day(facts.date, facts.language)) if p)


def _figure(
    number: int,
    total: int,
    item: Item,
    facts: SetFacts,
    tongue: Mapping[str, str],
    shapes: Mapping[float, int],
    people: Mapping[Person, int],
) -> _Figure:
    caption, headline = facts.clean(item.caption), facts.clean(item.headline)
    title = facts.clean(facts.title)  # it heads the page, as the teams do: not once more over each picture
    return _Figure(
        number=number,
        link=link(item.name),
        small=link(small_name(item)),
        width=item.width,
        height=item.height,
        shape=shapes[_ratio(item)],
        # The picture is all that its link holds, so it cannot be left without a text: WCAG 2.2, technique H30.
        alt=facts.clean(item.alt_text) or tongue["picture"].format(n=number, total=total),
        caption=caption,
        headline="" if headline in caption or headline in (title, _teams_line(facts)) else headline,
        time=f"{item.date:%H:%M}" if item.date else "",
        enlarge=item.name.lower().endswith((".jpg", ".jpeg", ".png")),
        who=" ".join(str(people[one]) for one in item.people if one in people),
    )


def _ratio(item: Item) -> float:
    return round(item.width / item.height, 4)


def _shapes(items: Sequence[Item]) -> dict[float, int]:
    """Width to height -> its number: the style has a class for each, since the policy allows no style in the text."""
    return {ratio: at for at, ratio in enumerate(sorted({_ratio(item) for item in items}))}


def _people(items: Sequence[Item], facts: SetFacts) -> dict[Person, int]:
    """Those whom the pictures name and who may be named, by team and number, each with a number of its own. Nobody in
    a folder for one player: a family is to find its own child there, not to look for those of others."""
    if facts.part and items and set.intersection(*(set(item.people) for item in items)):
        return {}
    named = {one for item in items for one in item.people if facts.own(one.name)}
    sides = {team: at for at, team in enumerate(facts.teams)}

    def order(one: Person) -> tuple[int, int, str, str]:
        return sides.get(one.team, 2), int(one.number) if one.number.isdecimal() else 0, one.number, one.name

    return {one: at for at, one in enumerate(sorted(named, key=order))}


def _teams(people: Mapping[Person, int], facts: SetFacts) -> list[_Team]:
    teams: dict[str, list[_Choice]] = {}
    for one, at in people.items():
        teams.setdefault(facts.own(one.team), []).append(_Choice(at, f"{one.number} {one.name}".strip()))
    return [_Team(name or "–", players) for name, players in teams.items()]


def _groups(items: Sequence[Item], figures: Sequence[_Figure], language: str) -> list[_Group]:
    """The pictures under the time of day in which they were taken, where there are enough of them for that."""
    for minutes in _SLICES:
        groups: dict[tuple[str, str], list[_Figure]] = {}
        for item, figure in zip(items, figures, strict=True):
            if item.date is None:
                key = ("", "")
            else:
                start = (item.date.hour * 60 + item.date.minute) // minutes * minutes
                end = start + minutes
                key = (f"{item.date:%Y-%m-%d}", f"{_clock(start)}–{_clock(end)}")
            groups.setdefault(key, []).append(figure)
        if len(groups) == 1 or len(items) >= _WORTH * len(groups):
            break
    else:
        groups = {("", ""): list(figures)}
    if len(groups) == 1:
        return [_Group("", figures)]
    days = {item.date.date(): item.date for item in items if item.date}
    named = {f"{d:%Y-%m-%d}": f"{day(moment, language)}, " for d, moment in days.items()} if len(days) > 1 else {}
    return [_Group(named.get(date, "") + title, own) for (date, title), own in groups.items()]


def _clock(minutes: int) -> str:
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"


def size(octets: int) -> str:
    """A file's size in SI units: 1 kB = 1000 octets (IEC 80000-13)."""
    return f"{octets / 1e6:.0f} MB" if octets >= 999_500 else f"{max(1, round(octets / 1e3))} kB"
