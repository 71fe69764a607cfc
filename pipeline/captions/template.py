"""Templates of texts, in Jinja2's syntax, over facts that may be missing; in a recipe or a file beside it."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import InputError
from pipeline.textfile.messages import shown
from pipeline.textfile.reading import read_unicode

if TYPE_CHECKING:
    from jinja2 import Environment
    from jinja2.nodes import Template

# Names that the templates of captions, headlines and alternative texts may use.
TEXT_FIELDS = (
    "opening", "setting", "who", "words", "scene", "sport", "match", "home", "away", "title", "venue", "city",
    "region", "country", "country_code", "date", "iso_date", "time", "frame", "creator", "credit",
)  # fmt: skip
FILE_SUFFIX = ".txt"
_SAID_LETTERS = 200  # of an error of a template; it may repeat all of a text
FILE_LIMIT = 100_000  # bytes; the longest caption fills a hundredth of it


class MissingFactError(Exception):
    """A template asks for a fact with `required`, and the shoot does not give it."""


class Fact(str):
    """A text with the name of its fact, so that `required` can name it."""

    fact: str

    def __new__(cls, text: str, fact: str = "") -> Fact:
        """`text`, which is that of the fact called `fact`."""
        made = super().__new__(cls, text)
        made.fact = fact
        return made


def _required(value: object, what: str = "") -> object:
    """Template filter: the value, or an error that names it. {{ city | required }}"""
    if value is None or not str(value).strip():
        named = what or getattr(value, "fact", "") or "a fact"
        raise MissingFactError(f"it needs {named}, which is not given; add it to the facts, or take | required out")
    return value


@cache
def _environment() -> Environment:
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    made = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
    made.filters["required"] = _required
    return made


@lru_cache(maxsize=256)
def _parsed(source: str) -> Template:
    from pipeline.captions.evaluate import parse

    return parse(source, _environment())


def render(source: str, values: Mapping[str, str]) -> str:
    """The text of a template filled with `values`. Raises any exception of the template, soon; see `explained`."""
    from pipeline.captions.evaluate import evaluate

    return evaluate(_parsed(source), {name: Fact(text, name) for name, text in values.items()}, _environment())


def fields_of(source: str) -> set[str]:
    """The names that a template uses; it must be one that `check` takes."""
    from pipeline.captions import evaluate

    return evaluate.fields_of(_parsed(source))


def explained(error: Exception) -> str:
    """What is wrong with a template, for the person who wrote it."""
    from jinja2 import TemplateError

    text = shown(str(error), _SAID_LETTERS) or type(error).__name__
    line = getattr(error, "lineno", None)
    kind = "the template is wrong" if isinstance(error, TemplateError) else "the template fails"
    return f"{kind}{f' in its line {line}' if line else ''}: {text}"


def check(source: str, names: Collection[str]) -> None:
    """Try a template with every fact and with none: a wrong name or filter is found now, not during the run.

    Raises ValueError.
    """
    for filler in ("x", ""):
        try:
            render(source, dict.fromkeys(names, filler))
        except MissingFactError:
            continue  # as the template asks for a frame without the fact
        except Exception as error:  # a template can raise anything (1/0, a method's TypeError)
            raise ValueError(f"{explained(error)}; it may use {', '.join(names)}") from None


def is_file(source: str) -> bool:
    """Whether a parameter names a file with the template, rather than being one: "my-caption.txt"."""
    return re.fullmatch(r"[^{}\n]*" + re.escape(FILE_SUFFIX), source.strip(), re.IGNORECASE) is not None


def read_file(written: str, folder: Path) -> str:
    """The template in a file beside the recipe, without its last line end.

    written  a path from the recipe's folder; it may lead into a folder below, never outside, not even by a link
    Raises ValueError with what to do.
    """
    name = written.strip()
    inside = folder.resolve()
    # A backslash or a colon means different things on different systems.
    if re.search(r"[\\:\0]", name) or Path(name).is_absolute() or not (inside / name).resolve().is_relative_to(inside):
        raise ValueError(f"{name} leads out of the recipe's folder; put the file beside the recipe")
    path = inside / name
    if not path.is_file():
        raise ValueError(f"no file {name} beside the recipe; check the name")
    try:
        text = read_unicode(path, FILE_LIMIT)
    except InputError as error:
        (problem,) = error.problems
        raise ValueError(f"{name}{f', line {problem.line}' if problem.line else ''}: {problem.message}") from None
    text = text.replace("\r\n", "\n").rstrip("\n")
    if is_file(text):
        raise ValueError(f"{name} holds the name of a file; write the template into it")
    return text


def tidy(text: str) -> str:
    """`text` without the traces of a missing fact: empty brackets, doubled marks, stray commas and spaces."""
    text = re.sub(r"[(\[（]\s*(?:[,;、–-]\s*)?[)\]）]", "", text)
    text = re.sub(r"[ \t]{2,}", " ", text)
    text = re.sub(r" +([,、。]|\.(?!\.))", r"\1", text)
    text = re.sub(r"([,;、])(?:\s*[,;、])+", r"\1", text)
    text = re.sub(r"[,;、]\s*([.。])", r"\1", text)
    text = re.sub(r"(?<!\.)\.\.(?!\.)|(?<=[!?…])\.|(?<=[。！？])[。.]", lambda m: m[0][:-1], text)  # an ellipsis stays
    text = re.sub(r"(?<=[。！？]) +", "", text)
    text = re.sub(r"([(\[（])\s*[,;、]\s*", r"\1", text)
    text = re.sub(r"[,;、]\s*([)\]）])", r"\1", text)
    text = re.sub(r"(^|[.!?。]\s)\s*[.,;:、](?![.\d])\s*", r"\1", text)
    return re.sub(r"(?m)^[ ,;、]+|[ ,;、]+$", "", text).strip()
