"""The `caption` step: who, what, where and when, written into the file, without a name that is withheld."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from jinja2 import StrictUndefined, TemplateError
from jinja2.sandbox import ImmutableSandboxedEnvironment
from pydantic import Field, ValidationInfo, field_validator

from pipeline.errors import InputError
from pipeline.imaging.metadata import Metadata
from pipeline.model import Domain, Frame
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.shoot.names import hints_at, name_pattern, replace_name
from pipeline.steps.base import Params, Step

ALT_TEXT_MAXIMUM = 250  # characters: IPTC Photo Metadata Standard 2025.1, Alt Text (Accessibility)
# IPTC NewsCodes, digital source type: taken by a camera and finished without generated content.
DIGITAL_CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture"
_CLOCK_TOLERANCE = timedelta(days=3)

# `opening` is the part about people: "From left, A (7, Gulls) and B (12, Foxes) jump for the ball."
_CAPTION = (
    "{{ opening }}{% if opening %} {% endif %}"
    "{{ [match, title or ('' if match or opening else 'Indoor court sport'), venue, city, date]"
    " | select | join(', ') }}{% if match or title or venue or city or date or not opening %}.{% endif %}"
)
_FIELDS = ("opening", "who", "words", "scene", "match", "home", "away", "title", "venue", "city",
           "region", "country", "date", "iso_date", "time", "frame", "creator")  # fmt: skip
_UNNAMED = "a player"
_ENVIRONMENT = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip


class CaptionParams(Params):
    """Texts are Jinja2 templates over the facts of the shoot; a fact that is missing is an empty text."""

    template: str = Field(_CAPTION, description=f"caption; may use {', '.join(_FIELDS)}")
    headline: str = Field("{{ match or title }}", description="headline, a template like the caption's")
    alt_text: str = Field(
        "{{ scene }}", description=f"for readers who cannot see it, at most {ALT_TEXT_MAXIMUM} characters"
    )
    keywords: tuple[str, ...] = Field((), description="keywords of every frame, beside the teams and names")
    unnamed: str = Field(_UNNAMED, min_length=1, description="what stands in for a name that is withheld")

    @field_validator("template", "headline", "alt_text")
    @classmethod
    def _renders(cls, source: str, info: ValidationInfo) -> str:
        """Try it with every fact and with none: a wrong name or filter is found now, not at night."""
        for filler in ("x", ""):
            try:
                _render(source, dict.fromkeys(_FIELDS, filler))
            except Exception as error:  # a template can raise anything (1/0, a method's TypeError)
                raise ValueError(f"{_plain(error)}; it may use {', '.join(_FIELDS)}") from None
        return source


def describe(frame: Frame, facts: Facts, row: FrameFacts, params: CaptionParams) -> tuple[Metadata, tuple[str, ...]]:
    """What is written into this frame's files, and what the report should say about it.

    A name is withheld where the roster says publish: no, or for everybody where the shoot is of minors; it is
    then also taken out of every text that was typed (whole names, whatever the case, accents and order).
    Raises InputError where a template fails on this frame.
    """
    notices: list[str] = []
    people = _people(facts, row, params, notices)
    moment = _moment(frame, facts, notices)
    values = _values(frame, facts, row, params, people, moment)
    named = [person.name for person in people if person.name]
    teams = tuple(dict.fromkeys(person.team for person in people if person.team))
    exif = frame.exif
    offset = facts.start.utcoffset() if facts.start else None
    if exif.utc_offset is not None:
        offset = timedelta(minutes=exif.utc_offset)
    metadata = Metadata(
        headline=_text("headline", params.headline, values, frame),
        caption=_text("template", params.template, values, frame),
        alt_text=_text("alt_text", params.alt_text, values, frame),
        keywords=(*params.keywords, *_team_names(facts), *named),
        event=facts.title,
        persons=tuple(named),
        organisations=teams or _team_names(facts),
        creator=facts.creator,
        contact=_contact(facts.contact),
        credit=facts.credit,
        copyright=facts.copyright,
        usage=facts.usage,
        venue=facts.venue,
        city=facts.city,
        region=facts.region,
        country="" if _is_code(facts.country) else facts.country,
        country_code=facts.country if _is_code(facts.country) else "",
        created=exif.time,
        utc_offset=None if exif.time is None or offset is None else round(offset.total_seconds() / 60),
        digital_source_type=DIGITAL_CAPTURE,
        rating=row.rating,
        language=facts.language,
        make=exif.make,
        model=exif.model,
        lens=exif.lens,
        iso=exif.iso,
        exposure_time=exif.exposure_time,
        f_number=exif.f_number,
        focal_length=exif.focal_length,
    )
    metadata = _withhold(metadata, facts, params.unnamed, notices)
    metadata = replace(metadata, caption=tidy(metadata.caption), alt_text=_alt_text(metadata, notices))
    return metadata, tuple(dict.fromkeys(notices))


# ---- people ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Person:
    """`text` as the caption has it; `name` "" where it is withheld or unknown."""

    text: str
    name: str
    team: str


def _people(facts: Facts, row: FrameFacts, params: CaptionParams, notices: list[str]) -> list[_Person]:
    """The frame's players from left to right."""
    roster = {(_team(facts, p.team), str(p.number)): p for p in facts.roster}
    found = []
    for key, number in row.players:
        team = _team(facts, key)
        player = roster.get((team, str(number)))
        if player is None:
            notices.append(f"{key} {number} is not in the roster, so no name is given")
            found.append(_Person(_nobody(team, params, facts), "", team))
        elif _withheld(facts, player):
            notices.append(_why(facts, player))
            found.append(_Person(_nobody(team, params, facts), "", team))
        else:
            inside = ", ".join(part for part in (str(number), team) if part)
            found.append(_Person(f"{player.name} ({inside})" if inside else player.name, player.name, team))
    return found


def _nobody(team: str, params: CaptionParams, facts: Facts) -> str:
    if not team:
        return params.unnamed
    return f"{params.unnamed} of {team}" if _english(facts) else f"{params.unnamed} ({team})"


def _team(facts: Facts, key: str) -> str:
    """ "home" -> the home team's name; a name stays a name; "" where home or away has none."""
    return facts.teams.get(key) or ("" if key in ("home", "away") else key)


def _team_names(facts: Facts) -> tuple[str, ...]:
    return tuple(name for name in (facts.teams.get("home"), facts.teams.get("away")) if name)


def _withheld(facts: Facts, player: Player) -> bool:
    return facts.minors or not player.publish


def _why(facts: Facts, player: Player) -> str:
    if facts.minors:
        return "names withheld: minors is true in the facts of the shoot"
    return f"name of one player withheld: publish is no in roster.csv line {player.line}"


# ---- texts -------------------------------------------------------------------------------------------------


def _values(
    frame: Frame,
    facts: Facts,
    row: FrameFacts,
    params: CaptionParams,
    people: Sequence[_Person],
    moment: datetime | None,
) -> dict[str, str]:
    english = _english(facts)
    texts = _merged(people) if english and params.unnamed == _UNNAMED else [person.text for person in people]
    who = ", ".join(texts)
    if english and len(texts) > 1:
        who = ", ".join(texts[:-1]) + " and " + texts[-1]
    words = row.words.strip()
    home, away = facts.teams.get("home") or "", facts.teams.get("away") or ""
    match = f"{home} – {away}" if home and away else ""
    date = ""
    if moment:
        date = f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}" if english else f"{moment:%Y-%m-%d}"
    return {
        "opening": _opening(who, len(people), words, english),
        "who": who,
        "words": words,
        "scene": _scene(people, words) if english else words,
        "match": match,
        "home": home,
        "away": away,
        "title": facts.title,
        "venue": facts.venue,
        "city": facts.city,
        "region": facts.region,
        "country": facts.country,
        "date": date,
        "iso_date": f"{moment:%Y-%m-%d}" if moment else "",
        "time": f"{moment:%H:%M}" if moment else "",
        "frame": frame.name,
        "creator": facts.creator,
    }


def _merged(people: Sequence[_Person]) -> list[str]:
    """Neighbours without a name and of one team together: "2 players of Harbour Gulls"."""
    texts = []
    for text, group in groupby(person.text for person in people):
        count = len(list(group))
        texts.append(text if count == 1 else f"{count} players" + text.removeprefix(_UNNAMED))
    return texts


def _opening(who: str, count: int, words: str, english: bool) -> str:
    """Words with a small first letter go on from the names ("scores from the wing"), others stand alone."""
    if who and english and count > 1:
        who = f"From left, {who}"
    elif who:
        who = who[0].upper() + who[1:]
    runs_on = bool(who) and words[:1].islower()
    parts = [f"{who} {words}"] if runs_on else [part for part in (who, words[:1].upper() + words[1:]) if part]
    return " ".join(part if part[-1] in ".!?…。！？؟" else part + "." for part in parts)


def _scene(people: Sequence[_Person], words: str) -> str:
    """What is sure to be seen, in English, without a name: the words, the teams, or both."""
    teams = " and ".join(dict.fromkeys(person.team for person in people if person.team))
    if not people or (words and not words[0].islower()):
        return words[:1].upper() + words[1:]
    who = "A player" if len(people) == 1 else "Players"
    return f"{who}{f' of {teams}' if teams else ''} {words or 'on an indoor court'}"


def _moment(frame: Frame, facts: Facts, notices: list[str]) -> datetime | None:
    """The date a caption names: the camera's, unless its clock is days away from the start of the event."""
    taken = frame.exif.time
    start = facts.start.replace(tzinfo=None) if facts.start else None
    if taken and start and abs(taken - start) > _CLOCK_TOLERANCE:
        notices.append(f"the camera says {taken:%Y-%m-%d}; the caption has the event's, {start:%Y-%m-%d}")
        return start
    return taken or start


def _english(facts: Facts) -> bool:
    return facts.language.lower().split("-")[0] == "en"


def _is_code(country: str) -> bool:
    return re.fullmatch(r"[A-Z]{2,3}", country) is not None


def _contact(contact: str | Mapping[str, str]) -> Mapping[str, str]:
    """A mapping stays one; a single text is an e-mail address, a web address or a telephone number."""
    if not contact:
        return {}
    if isinstance(contact, Mapping):
        return contact
    text = contact
    if "@" in text:
        return {"email": text}
    if re.search(r"[A-Za-z]\.[A-Za-z]{2}", text):
        return {"web": text}
    return {"phone": text} if re.fullmatch(r"[+\d ()/.-]+", text) else {"address": text}


def _render(source: str, values: Mapping[str, str]) -> str:
    return _ENVIRONMENT.from_string(source).render(values)


def _text(parameter: str, source: str, values: Mapping[str, str], frame: Frame) -> str:
    try:
        return tidy(_render(source, values))
    except Exception as error:  # see CaptionParams
        where = f"step caption, parameter {parameter}, frame {frame.name}"
        raise InputError(f"{where}: {_plain(error)}") from error


def _plain(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    line = getattr(error, "lineno", None)
    kind = "the template is wrong" if isinstance(error, TemplateError) else "the template fails"
    return f"{kind}{f' in its line {line}' if line else ''}: {text}"


def tidy(text: str) -> str:
    """Without what an absent fact leaves behind: empty brackets, doubled marks, stray commas and spaces."""
    text = re.sub(r"[(\[]\s*[,;–-]?\s*[)\]]", "", text)
    text = re.sub(r"[^\S\n]+", " ", text)
    text = re.sub(r" +([,;.!?])", r"\1", text)
    text = re.sub(r"([,;])(?:\s*[,;])+", r"\1", text)
    text = re.sub(r"[,;]\s*\.", ".", text)
    text = re.sub(r"(?<!\.)\.\.(?!\.)|(?<=[!?…])\.", lambda m: m[0][:-1], text)  # an ellipsis stays
    text = re.sub(r"([(\[])\s*[,;]\s*", r"\1", text)
    text = re.sub(r"[,;]\s*([)\]])", r"\1", text)
    return re.sub(r"(?m)^[ ,;]+|[ ,;]+$", "", text).strip()


def _alt_text(metadata: Metadata, notices: list[str]) -> str:
    text = tidy(metadata.alt_text)
    if len(text) > ALT_TEXT_MAXIMUM:
        text = text[: ALT_TEXT_MAXIMUM - 1].rsplit(" ", 1)[0].rstrip(" ,;") + "…"
        notices.append(f"alternative text cut to {ALT_TEXT_MAXIMUM} characters")
    if text and text.rstrip(".") == metadata.caption.rstrip("."):
        notices.append("alternative text left out: it says the same as the caption")
        return ""
    return text


# ---- names that stay out ----------------------------------------------------------------------------------

# Texts that would be false with "a player" in them: they are left out whole.
_OWN = ("creator", "caption_writer", "credit", "source", "copyright")
_TYPED = ("headline", "caption", "alt_text", "event", "usage", "venue", "city", "region", "country")
_LISTS = ("keywords", "persons", "organisations")


def _withhold(metadata: Metadata, facts: Facts, unnamed: str, notices: list[str]) -> Metadata:
    """`metadata` with every withheld name replaced, in whatever text it stands."""
    for player in facts.roster:
        if not _withheld(facts, player) or not (pattern := name_pattern(player.name)):
            continue
        changes: dict[str, Any] = {}
        for name in (*_OWN, *_TYPED):
            text = getattr(metadata, name)
            changed = replace_name(text, pattern, unnamed)
            if changed != text:
                changes[name] = "" if name in _OWN else changed
        for name in _LISTS:
            entries = getattr(metadata, name)
            kept = tuple(entry for entry in entries if replace_name(entry, pattern, unnamed) == entry)
            if kept != entries:
                changes[name] = kept
        contact = {k: v for k, v in metadata.contact.items() if replace_name(v, pattern, unnamed) == v}
        if contact != metadata.contact:
            changes["contact"] = contact
        if changes:
            metadata = replace(metadata, **changes)
            notices.append(_why(facts, player))
            notices.append(f"a name that is withheld was typed: taken out of {', '.join(sorted(changes))}")
        if hints_at(_without_published(metadata, facts), player.name, facts.language):
            notices.append(
                f"a text has a word of a withheld name (roster.csv line {player.line}); only whole names are "
                "taken out: look at it"
            )
    return metadata


def _without_published(metadata: Metadata, facts: Facts) -> str:
    """The texts about the picture, less the names that may be shown, the teams and the place."""
    text = "\n".join((metadata.headline, metadata.caption, metadata.alt_text, *metadata.keywords))
    known = [player.name for player in facts.roster if not _withheld(facts, player)]
    for name in (*known, *_team_names(facts), facts.title, facts.venue, facts.city):
        if pattern := name_pattern(name):
            text = replace_name(text, pattern, "")
    return text


STEP = Step(
    name="caption",
    version=1,
    summary="Caption, headline, keywords and names from the facts of the shoot, as XMP, IIM and Exif.",
    Params=CaptionParams,
    place="delivery",
    takes=tuple(Domain),
)
