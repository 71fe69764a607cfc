"""What a delivery hands in, and what comes back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from pipeline.formats.metadata.credits import Place, Rights
from pipeline.shoot.names import first_named, holds_any, name_pattern, replace_name
from pipeline.store.keys import digest_json

if TYPE_CHECKING:
    from pipeline.shoot.facts import Facts


@dataclass(frozen=True)
class Wanted:
    """What is made of a delivery when its files stand: a zip, a page, and the address they are pushed to, if any.

    sheet  the paper of a contact sheet: "a4", "letter", None for no sheet
    """

    zip: bool = False
    page: bool = False
    push: str | None = None
    sheet: str | None = None

    @property
    def anything(self) -> bool:
        """Whether anything is made or sent."""
        return bool(self.zip or self.page or self.push or self.sheet)


@dataclass(frozen=True)
class Person:
    """A player whom a picture names and who may be named. team  its name, or "home" or "away"; number  as worn"""

    team: str
    number: str
    name: str


@dataclass(frozen=True)
class Item:
    """One delivered picture of the present run.

    relative  posix path below OUT: DELIVERY/NAME.jpg
    sha256    of its bytes, hex; bytes in octets; width and height in pixels
    caption, alt_text, headline  as written into the file, withheld names already out; "" for none
    date      when it was taken, local time; None if unknown
    people    those it names, who may be named, from left to right
    """

    relative: str
    sha256: str
    bytes: int
    width: int
    height: int
    caption: str = ""
    alt_text: str = ""
    headline: str = ""
    date: datetime | None = None
    people: tuple[Person, ...] = ()

    @property
    def name(self) -> str:
        """The file's own name, without its folder."""
        return PurePosixPath(self.relative).name


@dataclass(frozen=True)
class SetFacts(Rights, Place):
    """What the page says of the set as a whole.

    withheld  names that must appear nowhere, whatever text they were typed into; `unnamed` stands in for them
    missing   pictures of the set that are not done yet
    part      whether the set is the folder of one player or team
    """

    title: str = ""
    teams: tuple[str, str] = ("", "")
    date: datetime | None = None
    language: str = "en"
    withheld: tuple[str, ...] = ()
    unnamed: str = "a player"
    missing: int = 0
    part: bool = False

    def clean(self, text: str) -> str:
        """`text` without the names that are withheld."""
        for name in self.withheld if holds_any(text, self.withheld) else ():
            if pattern := name_pattern(name):
                text = replace_name(text, pattern, self.unnamed)
        left = bool(self.withheld) and first_named(text, self.withheld, initials=False) is not None
        return "" if left else text  # a form that cannot be replaced, such as inside a longer word

    def own(self, text: str) -> str:
        """A text that would be false with "a player" in it: left out whole where it holds a withheld name."""
        return text if self.clean(text) == text else ""


def names_digest(withheld: Iterable[str]) -> str:
    """Digest of the names that are withheld; "" for none. Where it is another than when a text was written, that text
    may hold a name that must not be read today."""
    names = sorted(set(withheld))
    return digest_json(names)[:32] if names else ""


def set_facts(facts: Facts, unnamed: str = "a player") -> SetFacts:
    """The facts of a shoot as far as a page may show them: no contact, and no name that is withheld."""
    return SetFacts(
        title=facts.title,
        teams=(facts.teams.get("home") or "", facts.teams.get("away") or ""),
        venue=facts.venue,
        city=facts.city,
        date=facts.start,
        language=facts.language,
        credit=facts.credit or facts.creator,
        copyright=facts.copyright,
        usage=facts.usage,
        withheld=tuple(p.name for p in facts.roster if facts.minors or not p.publish),
        unnamed=unnamed,
    )


@dataclass(frozen=True)
class Made:
    """A file that stands below OUT. `reused`: it was there already, with the same bytes."""

    relative: str
    sha256: str
    bytes: int
    reused: bool


@dataclass(frozen=True)
class Pushed:
    """What happened at the address; names are paths below it. `problems` and `notices` are sentences ready to print."""

    address: str = ""
    sent: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Delivered:
    """What `deliver` did. With a problem the exit status is 1; the run itself is not spoilt."""

    made: tuple[Made, ...] = ()
    push: Pushed = field(default_factory=Pushed)
    notices: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
