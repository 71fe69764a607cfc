"""The `caption` step: who, what, where and when, written into the file, without a name that is withheld."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

from pydantic import Field, ValidationInfo, field_validator

from pipeline.captions import template as templates
from pipeline.captions.template import TEXT_FIELDS, tidy
from pipeline.errors import InputError
from pipeline.formats.metadata.carried import NOTHING_CARRIED, with_carried
from pipeline.formats.metadata.credits import Credits, Place, changed, copied
from pipeline.formats.metadata.model import ALT_TEXT_MAXIMUM, Metadata, PictureTexts
from pipeline.steps.base import NoMeasurement, NoSolution, Params, Step
from pipeline.types import CameraFacts, Domain, Frame

if TYPE_CHECKING:
    from pipeline.captions.language import Language
    from pipeline.captions.people import Person
    from pipeline.shoot.facts import Facts, FrameFacts

# IPTC NewsCodes, digital source type: taken by a camera and finished without generated content.
DIGITAL_CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture"

# Texts typed in the camera that may stay without being asked for: none of these names a person in the picture.
_RIGHTS = ("creator", "job_title", "contact", "credit", "source", "copyright", "usage", "rights_url")
_TEMPLATES = ("template", "headline", "alt_text")
_BESIDE = "or the name of a .txt file beside the recipe that holds it"


class CaptionParams(Params):
    """Texts are Jinja2 templates over the facts of the shoot.

    A missing fact is an empty text; `{{ city | required }}` makes it an error. A template may be in a file beside the
    recipe: see `with_files`.
    """

    template: str = Field(
        "{{ opening }} {{ setting }}", description=f"caption, {_BESIDE}; may use {', '.join(TEXT_FIELDS)}"
    )
    headline: str = Field(
        "{{ match or title or sport }}", description=f"headline, a template like the caption's, {_BESIDE}"
    )
    alt_text: str = Field(
        "{{ scene }}", description=f"for readers who cannot see it, at most {ALT_TEXT_MAXIMUM} characters, {_BESIDE}"
    )
    keywords: tuple[str, ...] = Field((), description="keywords of every frame, beside the teams and names")
    from_camera: Literal["none", "rights", "all"] = Field(
        "rights",
        description="which texts typed in the camera stay where shoot.yaml says nothing: rights: creator, contact, "
        "credit, source, copyright and usage; all: also caption, keywords, headline and rating",
    )
    unnamed: str | None = Field(
        None, min_length=1, description='for a name that is withheld; none: "a player" in the language of the shoot'
    )

    @field_validator(*_TEMPLATES)
    @classmethod
    def _renders(cls, source: str, info: ValidationInfo) -> str:
        if not templates.is_file(source):
            templates.check(source, TEXT_FIELDS)
        return source

    def with_files(self, folder: Path) -> tuple[Self, dict[str, str]]:
        """These parameters with the texts of files beside the recipe in place of their names.

        folder  the recipe's

        So a caption depends on the text and not on the file's name, the text is in the flattened recipe, and it is
        there on every machine. Also returns, by parameter, why a file cannot be used; that parameter gets its default.
        """
        texts: dict[str, str] = {}
        problems: dict[str, str] = {}
        for name in _TEMPLATES:
            written = getattr(self, name)
            if not templates.is_file(written):
                continue
            texts[name] = type(self).model_fields[name].default
            try:
                text = templates.read_file(written, folder)
            except ValueError as error:
                problems[name] = str(error)
                continue
            try:
                templates.check(text, TEXT_FIELDS)
                texts[name] = text
            except ValueError as error:
                problems[name] = f"{written.strip()}: {error}"
        return self.model_copy(update=texts), problems


def describe(
    frame: Frame,
    facts: Facts,
    row: FrameFacts,
    params: CaptionParams,
    carried: PictureTexts = NOTHING_CARRIED,
) -> tuple[Metadata, tuple[str, ...]]:
    """(what is written into this frame's files, notices for the report).

    A name is withheld where the roster says publish: no, and every name where the shoot is of minors. It is then also
    taken out of every text that was typed (whole names, whatever the case, accents and order), and texts that may hold
    a part of it are left out. Whether the frame may be delivered at all: `facts.held_back`.

    row  of frames.csv; carried  texts that were typed in the camera, of which `params.from_camera` says which stay

    Raises InputError where a template fails on this frame.
    """
    from pipeline.captions.language import language_of
    from pipeline.captions.people import agreement, moment, people, team_names, values
    from pipeline.captions.privacy import carried_without_hints, withhold, without_hints
    from pipeline.shoot.countries import alpha3

    notices: list[str] = []
    if not row.players and not row.words and any(reference.frame == frame.name for reference in facts.references):
        facts = replace(facts, teams={})  # it shows a card or chart, and neither side
    language = language_of(facts.language, facts.country)
    unnamed = params.unnamed or ""
    stand_in = unnamed or language.stand_in
    row = without_hints(row, facts, notices)
    persons = people(facts, row, language, unnamed, notices)
    notices += agreement(persons, row.words, language)
    taken = moment(frame, facts, notices)
    filled = values(frame, facts, row, language, unnamed, persons, taken)
    texts = {name: _text(name, getattr(params, name), filled, frame) for name in _TEMPLATES}
    named = tuple(person.name for person in persons if person.name)
    teams = tuple(dict.fromkeys(person.team for person in persons if person.team))
    exif = frame.exif
    right = exif.time is not None and taken == exif.time
    offset = facts.start.utcoffset() if facts.start else None
    if exif.utc_offset is not None:
        offset = timedelta(minutes=exif.utc_offset)
    described = Metadata(
        title=frame.name.rpartition("/")[2],
        headline=texts["headline"],
        caption=texts["template"],
        alt_text=texts["alt_text"],
        keywords=(*params.keywords, *team_names(facts), *named),
        event=facts.title,
        persons=named,
        organisations=teams or team_names(facts),
        country=language.country(facts.country),
        country_code=alpha3(facts.country),
        created=exif.time if right else None,
        utc_offset=None if not right or offset is None else round(offset.total_seconds() / 60),
        digital_source_type=DIGITAL_CAPTURE,
        rating=row.rating,
        language=facts.language,
    )
    described = copied(copied(copied(described, facts, Credits), facts, Place), exif, CameraFacts)
    kept = carried_without_hints(_kept(carried, params, facts), facts, notices, row)
    metadata = with_carried(described, kept)
    metadata = withhold(metadata, facts, stand_in, notices)
    metadata = replace(metadata, caption=tidy(metadata.caption), headline=tidy(metadata.headline))
    others = (
        withhold(replace(metadata, alt_text=text), facts, stand_in, []).alt_text
        for text in _other_alt_texts(persons, filled, language, unnamed)
    )
    metadata = replace(metadata, alt_text=_alt_text(metadata, others, notices))
    return metadata, tuple(dict.fromkeys(notices))


def _kept(carried: PictureTexts, params: CaptionParams, facts: Facts) -> PictureTexts:
    """The texts typed in the camera that may stay. Of minors, none that may hold a name that is in no roster."""
    if params.from_camera == "none":
        return NOTHING_CARRIED
    if params.from_camera == "all" and not facts.minors:
        return carried
    return changed(NOTHING_CARRIED, {name: getattr(carried, name) for name in _RIGHTS})


def _text(parameter: str, source: str, filled: Mapping[str, str], frame: Frame) -> str:
    where = f"step caption, parameter {parameter}, frame {frame.name}"
    if templates.is_file(source):
        raise InputError(f"{where}: the file {source.strip()} has not been read; run the recipe from its file")
    try:
        return tidy(templates.render(source, filled))
    except Exception as error:  # a template can raise anything
        raise InputError(f"{where}: {templates.explained(error)}") from error


# ---- alternative text -------------------------------------------------------------------------------------


def _other_alt_texts(
    persons: list[Person], filled: Mapping[str, str], language: Language, unnamed: str
) -> tuple[str, ...]:
    """Other alternative texts, for where the first is empty or a copy of the caption."""
    from pipeline.captions.people import scene

    event = filled["match"] or filled["title"]
    sport = language.comma.join(part for part in (filled["sport"], event) if part)
    return filled["scene"], scene(persons, "", language, unnamed), sport


def _alt_text(metadata: Metadata, others: Iterable[str], notices: list[str]) -> str:
    """The alternative text, or the first of `others` that can replace it."""
    text = tidy(metadata.alt_text)
    if len(text) > ALT_TEXT_MAXIMUM:
        text = text[: ALT_TEXT_MAXIMUM - 1].rsplit(" ", 1)[0].rstrip(" ,;") + "…"
        notices.append(f"alternative text cut to {ALT_TEXT_MAXIMUM} characters")
    caption = _letters(metadata.caption)
    if text and _letters(text) != caption:
        return text
    other = next((one for one in others if one and len(one) <= ALT_TEXT_MAXIMUM and _letters(one) != caption), "")
    if text:
        notices.append(f"alternative text {'replaced' if other else 'left out'}: it says the same as the caption")
    return other


def _letters(text: str) -> str:
    return "".join(re.findall(r"\w", text.casefold()))


STEP: Step[CaptionParams, NoMeasurement, NoSolution] = Step(
    name="caption",
    version=1,
    summary="Caption, headline, keywords and names from the facts of the shoot, as XMP, IIM and Exif.",
    Params=CaptionParams,
    place="delivery",
    takes=tuple(Domain),
    changes_pixels=False,
    texts=describe,
)
