"""shoot.yaml as a form: every key with a line on what it is for, filled in as far as it is known."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.textfile.yaml_text import Value, flow, in_comment

_WIDTH = 26  # characters, after which the remarks begin

# Headings and examples, and under each the keys of shoot.yaml with what a person should know of each.
FORM: tuple[tuple[tuple[str, ...], tuple[tuple[str, str], ...]], ...] = (
    (
        ("---- The match",),
        (
            ("title", "such as: Town cup, semi-final"),
            ("teams", ""),
            ("start", "date and time with the offset from UTC, such as 2026-02-14T19:30:00+01:00"),
            ("venue", "the hall, for captions"),
            ("city", ""),
            ("region", "state or province"),
            ("country", "ISO 3166, two or three letters, such as NOR"),
            ("language", "of captions, dates and countries, such as en, de or nb; empty is en"),
            ("minors", "true: no player's name is published"),
        ),
    ),
    (
        ("---- Who made the pictures, and what may be done with them",),
        (
            ("creator", "the photographer"),
            ("job_title", "what the creator is, such as: club photographer"),
            ("credit", "how the credit line is to read"),
            ("copyright", "such as: © 2026 Your Name"),
            ("usage", "what may be done with the pictures"),
            ("rights_url", "web address of the rights statement"),
            ("source", "who supplies the pictures"),
            ("contact", ""),
            ("instructions", "embargoes and the like, for the desk"),
            ("job_id", "the desk's number for the job"),
            ("caption_writer", ""),
        ),
    ),
    (
        ("---- The tables, only where they are not called roster.csv and frames.csv",),
        (
            ("roster", "players: team,number,name,publish"),
            ("frames", "frames: frame,keep,rating,players,words,crop"),
        ),
    ),
    (
        (
            "---- White: frames that show a card, a chart or another neutral, one under the light of each end, such as",
            "  - {frame: NAME, patch: [0.34, 0.69, 0.65, 0.79], end: left}   x0, y0, x1, y1 as fractions of the frame",
            "  - {frame: NAME, chart: auto, end: right}                      patch: auto and chart: auto look for it",
        ),
        (
            ("references", ""),
            ("hall", "name to remember this hall's light by for the next match; empty: nothing is kept or used"),
        ),
    ),
    (
        (
            "---- Clocks: seconds to add to the times of a camera, by its serial number, model or folder, such as",
            '  "0012": -3.2',
            '  "0012": {frame: NAME, shows: "19:30:12"}      a frame of it that shows a clock',
            '  "0012": {frame: NAME, same_as: NAME}          a frame of it, and one of another in the same moment',
            '  "0012": right                                 it is right, whatever the others say',
        ),
        (("clocks", ""),),
    ),
)
PARTS = {
    "teams": ("home", "away"),
    "contact": ("email", "web", "phone", "address", "city", "region", "postcode", "country"),
}


@dataclass(frozen=True)
class FormContent:
    """What is known of a match.

    values   key -> what is written after it, as YAML reads it; the others stay empty
    remarks  key -> a remark in place of the one on what the key is for, such as how sure its value is
    below    key -> lines of comment under it; a line of its value, such as one of `clocks`, takes its remark from
             `parts`: (key, key in its value) -> remark
    """

    values: Mapping[str, Value] = field(default_factory=dict)
    remarks: Mapping[str, str] = field(default_factory=dict)
    below: Mapping[str, Sequence[str]] = field(default_factory=dict)
    parts: Mapping[tuple[str, str], str] = field(default_factory=dict)


def event_form(of: str, content: FormContent) -> str:
    """The text of a shoot.yaml. `of` is what it is about, for its first line; nothing in any text can end a comment."""
    lines = [
        f"# The facts of {in_comment(of)}, written by evencourt prepare.",
        "# Fill in what you know after the colons; what stays empty is not used. What stands after a # is not read.",
    ]
    for headings, keys in FORM:
        lines += ["", *(f"# {text}" for text in headings)]
        for key, purpose in keys:
            lines += _entry(key, content, content.remarks.get(key, purpose))
            lines += [f"  # {in_comment(text)}" for text in content.below.get(key, ())]
    return "\n".join(lines) + "\n"


def _entry(key: str, content: FormContent, remark: str) -> list[str]:
    value = content.values.get(key)
    if key == "minors":
        return [_line("minors: " + flow(bool(value)), remark)]
    if key in PARTS and (value is None or isinstance(value, Mapping)):
        written = value or {}
        return [
            _line(f"{key}:", remark),
            *(
                _line(f"  {part}:" + _after(written.get(part)), content.parts.get((key, part), ""))
                for part in PARTS[key]
            ),
        ]
    if isinstance(value, Mapping):
        some = (
            _line(f"  {flow(name)}:" + _after(one), content.parts.get((key, name), "")) for name, one in value.items()
        )
        return [_line(f"{key}:", remark), *some]
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_line(f"{key}:", remark), *(f"  - {flow(one)}" for one in value)]
    if key == "start" and isinstance(value, str) and re.fullmatch(r"[\dT:+.Z-]+", value):
        return [_line(f"start: {value}", remark)]  # a time needs no quotes
    return [_line(f"{key}:" + _after(value), remark)]


def _after(value: Value) -> str:
    return "" if value is None or value == "" else " " + flow(value)


def _line(text: str, remark: str) -> str:
    return f"{text:{_WIDTH}}  # {in_comment(remark)}" if remark else text
