"""The keys of shoot.yaml and what each may be."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import datetime
from typing import Any, Literal

from babel import Locale
from pydantic import BaseModel, ConfigDict, ValidationError, ValidationInfo, create_model, field_validator

from pipeline.errors import Problem
from pipeline.formats.metadata.credits import Contact, Credits, Place
from pipeline.imaging.geometry import Box
from pipeline.shoot.clocks.entries import Clock, read_clocks
from pipeline.shoot.countries import alpha2, languages_of, suggested
from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.yamlfile import Document, problems_of
from pipeline.textfile.yes_no import yes_or_no

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]

_CREDITS = tuple(item.name for item in fields(Credits) if item.name != "contact")
_PLACE = tuple(item.name for item in fields(Place))
TEXTS = ("title", "hall", *_PLACE, "country", "language", *_CREDITS)

# Codes of countries that are written for a language by mistake -> the language's own (ISO 639).
_LANGUAGE_SLIPS = {"jp": "ja", "cz": "cs", "dk": "da", "gr": "el", "cn": "zh", "ua": "uk"}
_LONGEST_HALL = 120  # letters of a hall's name


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _texts(*names: str) -> Any:
    """Fields of a model, each a text and empty unless it is written."""
    return dict.fromkeys(names, (str, ""))


class _Teams(_Part):
    home: str = ""
    away: str = ""


def _fractions(value: object, count: int) -> tuple[float, ...] | None:
    """`count` numbers from 0 to 1, or None."""
    if not isinstance(value, list | tuple) or len(value) != count:
        return None
    numbers = [v for v in value if isinstance(v, int | float) and not isinstance(v, bool) and 0 <= v <= 1]
    return tuple(float(v) for v in numbers) if len(numbers) == count else None


def box_of(value: object) -> Box | None:
    """Four numbers from 0 to 1 as a box, the first corner above and left of the second; else None."""
    numbers = _fractions(value, 4)
    box = Box(*numbers) if numbers else None
    return box if box and box.x0 < box.x1 and box.y0 < box.y1 else None


class _Reference(_Part):
    frame: str
    patch: Box | Literal["auto"] | None = None
    chart: Corners | Literal["auto"] | None = None
    end: str | None = None

    @field_validator("patch", mode="before")
    @classmethod
    def _patch(cls, value: object) -> Box | Literal["auto"] | None:
        if value is None or value == "auto":
            return None if value is None else "auto"
        box = box_of(value)
        if box is None:
            raise ValueError(
                "write auto, or [x0, y0, x1, y1] with each from 0 to 1 and x0 < x1, y0 < y1 "
                "(fractions of the upright frame)"
            )
        return box

    @field_validator("chart", mode="before")
    @classmethod
    def _chart(cls, value: object) -> tuple[tuple[float, ...], ...] | Literal["auto"] | None:
        if value is None or value == "auto":
            return None if value is None else "auto"
        corners = [_fractions(v, 2) for v in value] if isinstance(value, list) else []
        found = tuple(corner for corner in corners if corner is not None)
        if len(corners) != 4 or len(found) != 4:
            raise ValueError("write auto, or four corners [[x, y], [x, y], [x, y], [x, y]], each from 0 to 1")
        return found


class EventFile(_Part):
    """shoot.yaml as it is written; roster and frames are names of files. The fields of Credits and Place come with
    `_Written`."""

    title: str = ""
    teams: _Teams = _Teams()
    country: str = ""
    start: str | None = None
    language: str = "en"
    contact: Contact = Contact()
    roster: str | None = None
    frames: str | None = None
    references: tuple[_Reference, ...] = ()
    clocks: tuple[Clock, ...] = ()
    minors: bool = False
    hall: str = ""

    @field_validator("country")
    @classmethod
    def _country(cls, value: str) -> str:
        if value and not alpha2(value):
            raise ValueError(f"{value} is not an ISO 3166 code; write {suggested(value)}")
        return value.upper()

    @field_validator("language")
    @classmethod
    def _language(cls, value: str) -> str:
        if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", value):
            raise ValueError(f"{value} is not a language code; write one such as en or nb-NO")
        primary = value.split("-")[0].lower()
        if primary not in Locale("en").languages:  # CLDR has a name for every language in use
            hint = (
                f"write {_LANGUAGE_SLIPS[primary]}" if primary in _LANGUAGE_SLIPS else "write one such as en or pt-BR"
            )
            raise ValueError(f"{primary} is not a language code of ISO 639; {hint}")
        return value

    @field_validator("minors", mode="before")
    @classmethod
    def _minors(cls, value: object, info: ValidationInfo) -> object:
        """Yes and no in the shoot's languages, as in the tables; what is no such word stays, and is refused."""
        if not isinstance(value, str) or not value.strip():
            return value
        languages = languages_of(info.data.get("language", "en"), info.data.get("country", ""))
        answer = yes_or_no(value, default=False, languages=languages)
        return value if answer is None else answer

    @field_validator("rights_url", check_fields=False)
    @classmethod
    def _rights_url(cls, value: str) -> str:
        if value and not re.fullmatch(r"https?://[^\s/]+\S*", value):
            raise ValueError(f"{value} is not a web address; write one that begins with https://")
        return value

    @field_validator("hall")
    @classmethod
    def _hall(cls, value: str) -> str:
        name = " ".join(value.split())
        if len(name) > _LONGEST_HALL or not name.isprintable():
            raise ValueError(f"a hall's name has at most {_LONGEST_HALL} letters, all in one line")
        return name

    @field_validator("start")
    @classmethod
    def _start(cls, value: str | None) -> str | None:
        try:
            aware = value is None or datetime.fromisoformat(value).utcoffset() is not None
        except ValueError:
            aware = False
        if not aware:
            raise ValueError(f"{value} is not a date and time with an offset from UTC; write 2026-02-14T19:30:00+01:00")
        return value


_Written = create_model("EventFile", __base__=EventFile, **_texts(*_PLACE, *_CREDITS))
_Contact = create_model("_Contact", __base__=_Part, **_texts(*(item.name for item in fields(Contact))))
NOTHING_WRITTEN: EventFile = _Written()
NOTHING_UNDERSTOOD: EventFile = _Written(minors=True)  # nobody is named while it may say that the shoot is of minors


def as_written(doc: Document) -> Any:
    """The document with numbers put back as they were written wherever text is meant (phone: 0123)."""
    if not isinstance(doc.data, dict):
        return doc.data
    data = {key: value for key, value in doc.data.items() if value is not None or key not in _Written.model_fields}
    for key in {*TEXTS, "contact", "start"} & data.keys():
        data[key] = doc.texts.get((key,), data[key])
    for key in {"teams", "contact"} & data.keys():
        if isinstance(data[key], dict):
            data[key] = {k: doc.texts.get((key, k), v) for k, v in data[key].items() if v is not None}
    return data


def parse_event(doc: Document, problems: list[Problem]) -> EventFile:
    """The content of `doc`, without the values that do not fit; a problem for each is added to `problems`.

    While minors, or a key that may be meant for it, does not fit, the shoot counts as one of minors.
    """
    data = {} if doc.data is None else as_written(doc)
    if not isinstance(data, dict):
        problems.append(doc.problem((), "the facts of a shoot are keys and values, such as title: Town cup"))
        return NOTHING_UNDERSTOOD
    data["clocks"] = read_clocks(data.get("clocks", {}), doc, problems)
    data["contact"] = _contact(data.get("contact", ""), doc, problems)
    twice = any(one.file == doc.file and one.message.startswith("minors is already") for one in problems)
    try:
        written = _Written.model_validate(data)
        return written.model_copy(update={"minors": True}) if twice else written
    except ValidationError as error:
        problems += problems_of(error, doc, (), _Written)
        bad = {e["loc"][0] for e in error.errors()}
    # The rest is read anyway, so that the problems of the tables are reported in the same run.
    read = {key: value for key, value in data.items() if key not in bad}
    if twice or any(key == "minors" or did_you_mean(str(key), ("minors",)) for key in bad):
        read["minors"] = True
    return _Written.model_validate(read)


def _contact(written: Any, doc: Document, problems: list[Problem]) -> Contact:
    """`contact` as text or as keys; empty where it does not fit, which is added to `problems`."""
    if isinstance(written, str):
        return Contact.of_text(written)
    if not isinstance(written, dict):
        problems.append(doc.problem(("contact",), "contact: write text, or keys such as email and web"))
        return Contact()
    try:
        return Contact(**_Contact.model_validate(written).model_dump())
    except ValidationError as error:
        problems += problems_of(error, doc, ("contact",), _Contact)
        return Contact()
