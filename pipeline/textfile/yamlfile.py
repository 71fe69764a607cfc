"""YAML 1.2 files that a person writes: plain data, the place of every value, and problems in plain words.

Tags, anchors and aliases are refused: nothing here needs them, and a few lines of nested aliases can
stand for gigabytes. Scalars follow the core schema of YAML 1.2.2, section 10.3, so `country: NO` is text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from pipeline.errors import InputError, Problem
from pipeline.textfile.messages import Loc, explain, few
from pipeline.textfile.reading import read_unicode

SIZE_LIMIT = 1_000_000  # bytes; a season of facts is a tenth of it
_DEPTH_LIMIT = 50  # levels; a recipe has 5
_PROBLEM_LIMIT = 50  # problems named at once; more are of no help
_DIGITS_LIMIT = 30  # characters of a whole number; Python refuses 4,300, no parameter needs 20
_Place = tuple[int, int]
_M = TypeVar("_M", bound=BaseModel)

# YAML 1.2.2, section 10.3.2, "Tag Resolution".
_NULL = re.compile(r"null|Null|NULL|~|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?(\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN")

_HINTS = (
    ("'\\t'", "a tab stands here; indent with spaces"),
    ("mapping values are not allowed", "no colon fits here; check the indentation or put the text in quotes"),
    ("could not find expected ':'", "a colon is missing after the key above"),
    ("expected <block end>", "the indentation does not fit the lines above"),
    ("expected ',' or '}'", "a comma or a closing } is missing"),
    ("expected ',' or ']'", "a comma or a closing ] is missing"),
    ("while scanning a quoted scalar", "a closing quote is missing"),
)


@dataclass(frozen=True)
class Document:
    """A YAML file as plain data (dict, list, str, int, float, bool, None; every key is text).

    positions  path of keys and indices -> (line, column) of the value, from 1
    texts      path -> a scalar as it was written, without quotes
    keys       path -> (line, column) of the key
    """

    file: str
    data: Any
    positions: Mapping[Loc, _Place]
    texts: Mapping[Loc, str]
    keys: Mapping[Loc, _Place] = field(default_factory=dict)

    def at(self, path: Loc, *, key: bool = False) -> _Place:
        """(line, column) of the value at `path`, or of its key, or of what it would stand in."""
        for end in range(len(path), -1, -1):
            here = path[:end]
            empty = self.texts.get(here) == ""
            if (key or empty) and here in self.keys:
                return self.keys[here]
            if here in self.positions:
                return self.positions[here]
        return (0, 0)

    def problem(self, path: Loc, message: str, *, key: bool = False) -> Problem:
        """A problem at the value at `path`, or at its key."""
        line, column = self.at(path, key=key)
        return Problem(self.file, line, column, message)


class _Builder:
    """Makes plain data of the parser's events; what is refused is collected, and reading goes on."""

    def __init__(self, file: str, events: Iterator[Any]) -> None:
        self.file = file
        self.events = events
        self.positions: dict[Loc, _Place] = {}
        self.texts: dict[Loc, str] = {}
        self.keys: dict[Loc, _Place] = {}
        self.problems: list[Problem] = []
        self.repeated: list[Problem] = []

    def refuse(self, place: _Place, message: str) -> None:
        self.problems.append(Problem(self.file, *place, message))
        if len(self.problems) >= _PROBLEM_LIMIT:
            raise InputError(self.problems)

    def document(self) -> Any:
        data: Any = None
        documents = 0
        for event in self.events:
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self.refuse(_place(event), "a second document starts here; keep one to a file")
                    break
                data = self.value((), next(self.events))
        return data

    def value(self, path: Loc, event: Any) -> Any:
        place = _place(event)
        self.positions[path] = place
        if isinstance(event, AliasEvent):
            self.refuse(place, f"*{event.anchor} is an alias; write the value in full, or put it in quotes")
            return None
        if event.anchor is not None:
            self.refuse(place, f"&{event.anchor} is an anchor; leave it out, or put the text in quotes")
        if event.tag is not None:
            self.refuse(place, f"{event.tag} is a tag; leave it out, or put the text in quotes")
        if len(path) > _DEPTH_LIMIT:
            raise InputError([*self.problems, Problem(self.file, *place, "nested too deep")])
        if isinstance(event, MappingStartEvent):
            return self.mapping(path)
        if isinstance(event, SequenceStartEvent):
            return self.sequence(path)
        self.texts[path] = event.value
        return event.value if event.style is not None else self.scalar(place, event.value)

    def mapping(self, path: Loc) -> dict[str, object]:
        data: dict[str, object] = {}
        while not isinstance(event := next(self.events), MappingEndEvent):
            place = _place(event)
            if not isinstance(event, ScalarEvent):
                self.refuse(place, "a key must be plain text; put text that starts with *, [ or { in quotes")
                self.value((*path, ""), event)  # skip its value
                self.value((*path, ""), next(self.events))
                continue
            key = event.value
            if event.anchor is not None or event.tag is not None:
                self.refuse(place, f"an anchor or tag stands before the key {key}; leave it out")
            if key in data:
                first = self.keys[(*path, key)]
                message = f"{key} is already on line {first[0]}; leave one of the two out"
                self.repeated.append(Problem(self.file, *place, message))
                self.value((*path, ""), next(self.events))
                continue
            self.keys[(*path, key)] = place
            data[key] = self.value((*path, key), next(self.events))
        return data

    def sequence(self, path: Loc) -> list[Any]:
        data: list[Any] = []
        while not isinstance(event := next(self.events), SequenceEndEvent):
            data.append(self.value((*path, len(data)), event))
        return data

    def scalar(self, place: _Place, text: str) -> Any:
        if _NULL.fullmatch(text):
            return None
        if _BOOL.fullmatch(text):
            return text.casefold() == "true"
        if _INT.fullmatch(text):
            if len(text) > _DIGITS_LIMIT:
                self.refuse(place, "too many digits for a number; put it in quotes if it is text")
                return 0
            return int(text, {"0o": 8, "0x": 16}.get(text[:2], 10))
        if _NOT_FINITE.fullmatch(text) or (_FLOAT.fullmatch(text) and not math.isfinite(float(text))):
            self.refuse(place, f"{text} is not a finite number; write a plain one")
            return 0.0
        return float(text) if _FLOAT.fullmatch(text) else text


def _place(event: Any) -> _Place:
    return event.start_mark.line + 1, event.start_mark.column + 1


def load_yaml(path: Path, repeated: list[Problem] | None = None) -> Document:
    """Read a YAML file of at most 1 MB, UTF-8, one document, without tags, anchors, aliases or repeated keys.

    Raises InputError with every problem found; after a syntax error nothing further can be read. Repeated
    keys go to `repeated` where it is given, so that the first of the two can be checked like the rest.
    """
    return parse_yaml(read_unicode(path, SIZE_LIMIT), str(path), repeated)


def parse_yaml(text: str, file: str, repeated: list[Problem] | None = None) -> Document:
    """As `load_yaml`, of the text of a file."""
    builder: _Builder | None = None
    try:
        builder = _Builder(file, iter(YAML(typ="safe", pure=True).parse(text)))
        data = builder.document()
    except YAMLError as error:
        known = [*builder.problems, *builder.repeated] if builder else []
        raise InputError([*known, _syntax(file, text, error)]) from None
    if builder.problems or (builder.repeated and repeated is None):
        raise InputError([*builder.problems, *builder.repeated])
    if repeated is not None:
        repeated += builder.repeated
    return Document(file, data, builder.positions, builder.texts, builder.keys)


def _syntax(file: str, text: str, error: YAMLError) -> Problem:
    if isinstance(error, ReaderError):
        line = text.count("\n", 0, error.position) + 1
        column = error.position - (text.rfind("\n", 0, error.position) + 1) + 1
        return Problem(file, line, column, "a control character stands here; delete it")
    if not isinstance(error, MarkedYAMLError):
        return Problem(file, 0, 0, "is not valid YAML")
    text = f"{error.context or ''} {error.problem or ''}"
    hint = next((hint for sign, hint in _HINTS if sign in text), (error.problem or text).strip())
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    return Problem(file, line, column, f"is not valid YAML: {hint}")


def problems_of(error: ValidationError, doc: Document, prefix: Loc, model: type[BaseModel]) -> list[Problem]:
    """The errors of a model as problems with line and column, in plain words.

    prefix  path in `doc` of what was validated as `model`
    """
    grouped: dict[Loc, list[ErrorDetails]] = {}
    for item in error.errors(include_url=False):
        path: Loc = ()
        for part in item["loc"]:
            # A union adds the names of its branches to the path; they are not in the file.
            if (*prefix, *path, part) in doc.positions:
                path = (*path, part)
        if item["type"] == "missing" and isinstance(item["loc"][-1], str):
            path = (*path, item["loc"][-1])
        grouped.setdefault(path, []).append(item)
    unknown: dict[Loc, list[Loc]] = {}
    for path, items in grouped.items():
        if items[0]["type"] == "extra_forbidden":
            unknown.setdefault(path[:-1], []).append(path)

    def problem(path: Loc) -> Problem:
        items, written = grouped[path], doc.texts.get((*prefix, *path))
        key = items[0]["type"] == "extra_forbidden"
        return doc.problem((*prefix, *path), explain(model, path, items, written), key=key)

    problems = [problem(path) for path, items in grouped.items() if items[0]["type"] != "extra_forbidden"]
    return problems + [one for paths in unknown.values() for one in few(paths, problem)]


def validate(model: type[_M], data: Any, doc: Document, prefix: Loc) -> tuple[_M | None, list[Problem]]:
    """`data`, which stands at `prefix` in `doc`, as a `model`; or None and why not."""
    try:
        valid = model.model_validate(data)
    except ValidationError as error:
        return None, problems_of(error, doc, prefix, model)
    # true is 1 to Python, but nobody who writes it for a number means 1.
    wrong = [
        key
        for key, value in data.items()
        if isinstance(value, bool) and type(getattr(valid, key, None)) in (int, float)
    ]
    problems = []
    for key in wrong:
        where = (*prefix, key)
        item = ErrorDetails(type="float_type", loc=(key,), msg="", input=data[key])
        message = explain(model, (key,), [item], doc.texts[where])
        problems.append(doc.problem(where, message))
    return (None if problems else valid), problems
