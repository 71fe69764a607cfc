"""The `caption` step: who, what, where and when, written into the delivered file, without a name that is withheld."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from jinja2 import StrictUndefined, TemplateError
from jinja2.sandbox import ImmutableSandboxedEnvironment
from pydantic import Field, ValidationInfo, field_validator

from pipeline.errors import InputError
from pipeline.imaging.metadata import Metadata
from pipeline.model import Domain, Frame
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps.base import Params, Step

ALT_TEXT_MAXIMUM = 250  # characters: IPTC Photo Metadata Standard 2025.1, user note of Alt Text (Accessibility)
# IPTC NewsCodes, digital source type: taken by a camera and finished without generated content.
DIGITAL_CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture"
_CLOCK_TOLERANCE = timedelta(days=3)

# `opening` is the part about people: "From left, A (7, Gulls) and B (12, Foxes) jump for the ball."
_CAPTION = (
    "{{ opening }}{% if opening %} {% endif %}"
    "{{ [match, title, venue, city, date] | select | join(', ') or 'Indoor court sport' }}."
)
_ALT_TEXT = "{% if words %}{{ words }}{% elif who %}{{ teams }} on an indoor court{% endif %}"
_FIELDS = ("opening", "who", "words", "match", "home", "away", "teams", "title", "venue", "city", "region",
           "country", "date", "iso_date", "time", "frame", "creator")  # fmt: skip
_ENVIRONMENT = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip


class CaptionParams(Params):
    """Texts are Jinja2 templates over the facts of the shoot; a fact that is missing is an empty text."""

    template: str = Field(_CAPTION, description=f"caption; may use {', '.join(_FIELDS)}")
    headline: str = Field("{{ match or title }}", description="headline, a template like the caption's")
    alt_text: str = Field(
        _ALT_TEXT, description=f"what a reader who cannot see it is told, at most {ALT_TEXT_MAXIMUM} characters"
    )
    keywords: tuple[str, ...] = Field((), description="keywords of every frame, beside the teams and names")
    unnamed: str = Field("a player", min_length=1, description="what stands in for a name that is withheld")

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


def describe(
    frame: Frame, facts: Facts, row: FrameFacts, params: CaptionParams
) -> tuple[Metadata, tuple[str, ...]]:
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
    organisations = tuple(dict.fromkeys(person.team for person in people if person.team)) or _team_names(facts)
    exif = frame.exif
    offset = facts.start.utcoffset() if facts.start else None
    if exif.utc_offset is not None:
        offset = timedelta(minutes=exif.utc_offset)
    metadata = Metadata(
        headline=_text("headline", params.headline, values, frame),
        caption=_text("template", params.template, values, frame),
        alt_text=_text("alt_text", params.alt_text, values, frame),
        keywords=(*params.keywords, *_team_names(facts), *named),
        event=facts.title or "",
        persons=tuple(named),
        organisations=organisations,
        creator=facts.creator or "",
        contact=_contact(facts.contact),
        credit=facts.credit or "",
        copyright=facts.copyright or "",
        usage=facts.usage or "",
        venue=facts.venue or "",
        city=facts.city or "",
        region=facts.region or "",
        country="" if _is_code(facts.country) else facts.country or "",
        country_code=(facts.country or "") if _is_code(facts.country) else "",
        created=exif.time,
        utc_offset=None if exif.time is None or offset is None else round(offset.total_seconds() / 60),
        digital_source_type=DIGITAL_CAPTURE,
        rating=row.rating,
        language=facts.language or "",
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
    for key, number in row.players or ():
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


def _withheld(facts: Facts, player: Any) -> bool:
    return bool(facts.minors) or not player.publish


def _why(facts: Facts, player: Any) -> str:
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
    texts = [person.text for person in people]
    who = ", ".join(texts)
    if english and len(texts) > 1:
        who = ", ".join(texts[:-1]) + " and " + texts[-1]
    words = (row.words or "").strip()
    home, away = facts.teams.get("home") or "", facts.teams.get("away") or ""
    match = " – ".join(name for name in (home, away) if name) if home and away else ""  # noqa: RUF001
    date = ""
    if moment:
        date = f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}" if english else f"{moment:%Y-%m-%d}"
    return {
        "opening": _opening(who, len(people), words, english),
        "who": who,
        "words": words,
        "match": match,
        "home": home,
        "away": away,
        "teams": (" and " if english else ", ").join(dict.fromkeys(p.team for p in people if p.team)) or "Players",
        "title": facts.title or "",
        "venue": facts.venue or "",
        "city": facts.city or "",
        "region": facts.region or "",
        "country": facts.country or "",
        "date": date,
        "iso_date": f"{moment:%Y-%m-%d}" if moment else "",
        "time": f"{moment:%H:%M}" if moment else "",
        "frame": frame.name,
        "creator": facts.creator or "",
    }


def _opening(who: str, count: int, words: str, english: bool) -> str:
    """Words that begin with a small letter go on from the names ("... scores from the wing"); others stand alone."""
    if who and english and count > 1:
        who = f"From left, {who}"
    elif who:
        who = who[0].upper() + who[1:]
    runs_on = bool(who) and words[:1].islower()
    parts = [f"{who} {words}"] if runs_on else [part for part in (who, words[:1].upper() + words[1:]) if part]
    return " ".join(part if part[-1] in ".!?…。！？؟" else part + "." for part in parts)  # noqa: RUF001


def _moment(frame: Frame, facts: Facts, notices: list[str]) -> datetime | None:
    """The date a caption names: the camera's, unless its clock is days away from the start of the event."""
    taken = frame.exif.time
    start = facts.start.replace(tzinfo=None) if facts.start else None
    if taken and start and abs(taken - start) > _CLOCK_TOLERANCE:
        notices.append(f"camera clock says {taken:%Y-%m-%d}, the event is on {start:%Y-%m-%d}; the caption has that")
        return start
    return taken or start


def _english(facts: Facts) -> bool:
    return (facts.language or "en").lower().split("-")[0] == "en"


def _is_code(country: str | None) -> bool:
    return bool(country) and re.fullmatch(r"[A-Z]{2,3}", country or "") is not None


def _contact(contact: Any) -> Mapping[str, str]:
    """A mapping stays one; a single text is an e-mail address, a web address or a telephone number."""
    if not contact:
        return {}
    if isinstance(contact, Mapping):
        return {str(key): str(value) for key, value in contact.items()}
    text = str(contact)
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
        raise InputError(f"step caption, parameter {parameter}, frame {frame.name}: {_plain(error)}") from error


def _plain(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    line = getattr(error, "lineno", None)
    kind = "the template is wrong" if isinstance(error, TemplateError) else "the template fails"
    return f"{kind}{f' in its line {line}' if line else ''}: {text}"


def tidy(text: str) -> str:
    """Without what an absent fact leaves behind: empty brackets, doubled or leading commas, stray spaces."""
    text = re.sub(r"[(\[]\s*[,;–-]?\s*[)\]]", "", text)  # noqa: RUF001
    text = re.sub(r"[^\S\n]+", " ", text)
    text = re.sub(r" +([,;.!?])", r"\1", text)
    text = re.sub(r"([,;])(?:\s*[,;])+", r"\1", text)
    text = re.sub(r"[,;]\s*\.", ".", text)
    text = re.sub(r"([(\[])\s*[,;]\s*", r"\1", text)
    text = re.sub(r"[,;]\s*([)\]])", r"\1", text)
    return re.sub(r"(?m)^[ ,;]+|[ ,;]+$", "", text).strip()


def _alt_text(metadata: Metadata, notices: list[str]) -> str:
    text = tidy(metadata.alt_text)
    if len(text) > ALT_TEXT_MAXIMUM:
        text = text[: ALT_TEXT_MAXIMUM - 1].rsplit(" ", 1)[0].rstrip(" ,;") + "…"
        notices.append(f"alternative text cut to {ALT_TEXT_MAXIMUM} characters")
    if text and text == metadata.caption:
        notices.append("alternative text left out: it says the same as the caption")
        return ""
    return text


# ---- names that stay out ------------------------------------------------------------------------------------

_LETTERS = str.maketrans({"ł": "l", "đ": "d", "ø": "o", "ı": "i", "ħ": "h", "æ": "ae", "œ": "oe", "ð": "d",
                          "þ": "th", "ŧ": "t", "ŋ": "n"})  # fmt: skip
# Texts that would be false with "a player" in them: they are left out whole.
_OWN = ("creator", "caption_writer", "credit", "source", "copyright")
_TYPED = ("headline", "caption", "alt_text", "event", "usage", "venue", "city", "region", "country")
_LISTS = ("keywords", "persons", "organisations")


def _withhold(metadata: Metadata, facts: Facts, unnamed: str, notices: list[str]) -> Metadata:
    """`metadata` with every withheld name replaced, in whatever text it stands."""
    for player in facts.roster:
        if not _withheld(facts, player) or not (pattern := _pattern(player.name)):
            continue
        changes: dict[str, Any] = {}
        for name in (*_OWN, *_TYPED):
            text = getattr(metadata, name)
            changed = _replaced(text, pattern, unnamed)
            if changed != text:
                changes[name] = "" if name in _OWN else changed
        for name in _LISTS:
            entries = getattr(metadata, name)
            kept = tuple(entry for entry in entries if _replaced(entry, pattern, unnamed) == entry)
            if kept != entries:
                changes[name] = kept
        contact = {k: v for k, v in metadata.contact.items() if _replaced(v, pattern, unnamed) == v}
        if contact != metadata.contact:
            changes["contact"] = contact
        if changes:
            metadata = replace(metadata, **changes)
            notices.append(_why(facts, player))
            notices.append(f"a name that is withheld was typed: taken out of {', '.join(sorted(changes))}")
    return metadata


def _folded(text: str) -> tuple[str, list[int]]:
    """Text without case, accents and invisible characters, and for each of its letters the place it came from."""
    letters: list[str] = []
    places: list[int] = []
    for place, character in enumerate(text):
        for base in unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", character).casefold()):
            if unicodedata.category(base) in ("Mn", "Me", "Cf"):
                continue
            for letter in base.translate(_LETTERS):
                letters.append(letter)
                places.append(place)
    return "".join(letters), places


def _pattern(name: str) -> re.Pattern[str] | None:
    """The whole name with anything but letters between its parts, in its order or with the last part first."""
    parts = re.findall(r"[^\W_]+", _folded(name)[0])
    if not parts:
        return None
    orders = {tuple(parts), (parts[-1], *parts[:-1]), (*parts[1:], parts[0])}
    return re.compile("|".join(_bounded(r"[\W_]*".join(map(re.escape, order)), order) for order in sorted(orders)))


def _bounded(body: str, order: Sequence[str]) -> str:
    """Word boundaries where the script has capitals; Arabic joins small words to names, Chinese has no spaces."""
    before = r"(?<![^\W_])" if _cased(order[0][0]) else ""
    after = r"(?![^\W_])" if _cased(order[-1][-1]) else ""
    return before + body + after


def _cased(letter: str) -> bool:
    return letter.upper() != letter.lower() or letter.isdigit()


def _replaced(text: str, pattern: re.Pattern[str], unnamed: str) -> str:
    letters, places = _folded(text)
    pieces, at = [], 0
    for match in pattern.finditer(letters):
        begin, end = places[match.start()], places[match.end() - 1] + 1
        while end < len(text) and unicodedata.category(text[end]) in ("Mn", "Me"):
            end += 1  # the marks of the last letter
        start_of_sentence = not text[:begin].strip() or text[:begin].rstrip()[-1] in ".!?\n"
        pieces += [text[at:begin], unnamed[:1].upper() + unnamed[1:] if start_of_sentence else unnamed]
        at = end
    return "".join([*pieces, text[at:]])


STEP = Step(
    name="caption",
    version=1,
    summary="Caption, headline, keywords and names from the facts of the shoot, as XMP, IIM and Exif.",
    Params=CaptionParams,
    place="delivery",
    takes=tuple(Domain),
)
