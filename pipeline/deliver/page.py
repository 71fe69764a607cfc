"""index.html of a delivery: a page for the club's readers that loads nothing but the pictures beside it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import PurePosixPath

from markupsafe import Markup

from pipeline.deliver.model import Item, SetFacts
from pipeline.deliver.words import day, direction, words
from pipeline.textfile.html import link, page_environment

NAME = "index.html"
SMALL = "small"  # folder of the small pictures


@dataclass(frozen=True)
class _Figure:
    """One picture as the template needs it; `enlarge`: a browser can show the file itself."""

    number: int
    link: str
    small: str
    width: int
    height: int
    ratio: float
    alt: str
    caption: str
    headline: str
    time: str
    enlarge: bool


def small_name(item: Item) -> str:
    """Name of an item's small picture below the delivery's folder."""
    return f"{SMALL}/{PurePosixPath(item.name).stem}.jpg"


def render_page(items: Sequence[Item], facts: SetFacts, archive: str = "", archive_bytes: int = 0) -> bytes:
    """The page, UTF-8, for pictures in the order given.

    The page shows the small pictures (`small_name`), loaded as the reader comes to them, and links to the delivered
    files; with scripts on, these open in place. All text is escaped. Names that are withheld are taken out of every
    text once more, whatever it says in the items. The page's policy names its one script by hash and allows no other
    address than the page's own, so no visitor's address is given to a third party.
    """
    tongue, tag = words(facts.language)
    title = facts.clean(facts.title) or " – ".join(t for t in map(facts.clean, facts.teams) if t)
    script = files("pipeline.deliver").joinpath("page.js").read_text(encoding="utf-8")
    style = files("pipeline.deliver").joinpath("page.css").read_text(encoding="utf-8")
    total = len(items)
    page = (
        page_environment("deliver")
        .get_template("page.html")
        .render(
            figures=[_figure(n, total, item, facts, tongue) for n, item in enumerate(items, 1)],
            title=title or tongue["many"].format(n=total),
            line=_line(facts, title),
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
            script=Markup(script),  # ours, from the package
            style=Markup(style),
            policy=_hash(script),
        )
    )
    return page.encode("utf-8")


def _figure(number: int, total: int, item: Item, facts: SetFacts, tongue: Mapping[str, str]) -> _Figure:
    caption, headline = facts.clean(item.caption), facts.clean(item.headline)
    return _Figure(
        number=number,
        link=link(item.name),
        small=link(small_name(item)),
        width=item.width,
        height=item.height,
        ratio=round(item.width / item.height, 4),
        # The picture is all that its link holds, so it cannot be left without a text: WCAG 2.2, technique H30.
        alt=facts.clean(item.alt_text) or tongue["picture"].format(n=number, total=total),
        caption=caption,
        headline="" if headline in caption else headline,
        time=f"{item.date:%H:%M}" if item.date else "",
        enlarge=item.name.lower().endswith((".jpg", ".jpeg", ".png")),
    )


def _line(facts: SetFacts, title: str) -> str:
    teams = " – ".join(t for t in map(facts.clean, facts.teams) if t)
    parts = [teams if teams != title else "", facts.clean(facts.venue), facts.clean(facts.city)]
    return ", ".join(p for p in (*parts, day(facts.date, facts.language)) if p)


def size(octets: int) -> str:
    """A file's size in SI units: 1 kB = 1000 octets (IEC 80000-13)."""
    return f"{octets / 1e6:.0f} MB" if octets >= 999_500 else f"{max(1, round(octets / 1e3))} kB"


def _hash(script: str) -> str:
    """A hash-source for the text between the script tags: Content Security Policy Level 3, 2.3.1."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
