"""What a model expects and why a value does not fit, in plain words."""

from __future__ import annotations

import difflib
import types
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from enum import Enum
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from annotated_types import Ge, Gt, Interval, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from pipeline.errors import Problem

Loc = tuple[int | str, ...]
_T = TypeVar("_T")

MOST_ALIKE = 10  # problems of a kind that are named; more are of no help
_QUOTED = 40  # characters of a value that a message repeats
_FRACTION_BELOW = 0.3  # s; shorter exposures are shown as a fraction (common practice, no source)
_CLOSE = 0.6  # ratio of difflib from which a word may be meant; its own default
_RANGE_ERRORS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")


def did_you_mean(written: str, known: Collection[str]) -> str:
    """ "; did you mean X?" where a known word is close to what was written, else ""."""
    by_fold = {word.casefold(): word for word in known}
    close = difflib.get_close_matches(written.casefold(), list(by_fold), n=1, cutoff=_CLOSE)
    return f"; did you mean {by_fold[close[0]]}?" if close else ""


def percent_sure(certainty: float) -> str:
    """ "84 % sure" of 0.84; of a guess nobody is 100 % sure."""
    return f"{min(round(100 * certainty), 99)} % sure"


def shown(text: str, most: int = _QUOTED) -> str:
    """Text of a file on one line, and no more of it than a message can hold: `most` characters."""
    one_line = " ".join(text.split())
    return one_line[:most] + "..." if len(one_line) > most else one_line


def few(found: Sequence[_T], problem: Callable[[_T], Problem]) -> list[Problem]:
    """The problem of each thing found; of more than ten alike the first ten, and how many more there are."""
    problems = [problem(one) for one in found[:MOST_ALIKE]]
    if len(found) > MOST_ALIKE:
        next_one = problem(found[MOST_ALIKE])
        problems.append(replace(next_one, message=f"and {len(found) - MOST_ALIKE:,} more of this kind"))
    return problems


def shutter(seconds: float) -> str:
    """An exposure time as cameras show it: "1/1000 s", "0.5 s", "5 s". Raises ValueError for what is not above 0."""
    if not seconds > 0:
        raise ValueError(f"an exposure time of {seconds} s")
    return f"1/{1 / seconds:.0f} s" if seconds < _FRACTION_BELOW else f"{float(f'{seconds:.2g}'):g} s"


_SPELLED = ["none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]


def spelled(count: int) -> str:
    """A small number in words, up to twelve; a larger one in digits (common practice, no source)."""
    return _SPELLED[count] if count < len(_SPELLED) else f"{count:,}"


def and_more(names: Sequence[str]) -> str:
    """ "A and 2 more" for three names, "A" for one. Raises IndexError where there is none."""
    return names[0] + (f" and {len(names) - 1} more" if len(names) > 1 else "")


def listed(items: Sequence[str]) -> str:
    """ "A, B and C"; "" for none."""
    return " and ".join(filter(None, (", ".join(items[:-1]), *items[-1:])))


def counted(number: int, one: str, several: str = "") -> str:
    """ "1 frame", "0 frames", "1,200 frames". several  the plural, where it is not `one` and an s."""
    return f"{number:,} {one if number == 1 else several or one + 's'}"


def duration(seconds: float) -> str:
    """Seconds as a person says them: "40 s", "12 min", "1 h 40 min"."""
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{max(1, round(seconds))} s"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def install(extra: str) -> str:
    """How to install one of the project's extras, in a checkout or elsewhere."""
    return f"pip install 'evencourt[{extra}]', in a checkout '.[{extra}]'"


def explain(model: type[BaseModel], path: Loc, errors: Sequence[ErrorDetails], written: str | None) -> str:
    """One sentence for all that is wrong at `path` of a `model`.

    errors   pydantic's error items at that path (more than one where a union refused each of its branches)
    written  the value as it stands in the file; None for a list, a mapping or nothing
    """
    kind = errors[0]["type"]
    if kind == "extra_forbidden":
        owner = _model_in(_declared(model, path[:-1])[0])
        known = list(owner.model_fields) if owner else []
        where = f" in {_named(path[:-1])}" if path[:-1] else ""
        hint = did_you_mean(str(path[-1]), known) or (f"; the keys are {', '.join(known)}" if known else "")
        return f"no key {shown(str(path[-1]))}{where}{hint or '; it takes no keys'}"
    annotation, metadata = _declared(model, path)
    expected = describe(annotation, metadata)
    name = f"{_named(path)}: " if path else ""
    if kind == "missing" and isinstance(path[-1], str):
        return f"{_named(path)} is missing" + (f"; write {expected}" if expected else "")
    for item in errors:
        if item["type"] in ("value_error", "assertion_error"):
            return f"{name}{item['ctx']['error']}"
    text = _as_written(written, errors[0].get("input"))
    if kind in _RANGE_ERRORS and len(errors) == 1:
        return f"{name}{text} is out of range; write {expected}"
    choices = _choices(annotation)
    if choices and written is not None and (hint := did_you_mean(written, choices)):
        return f"{name}{text} is not a choice{hint} (write {expected})"
    if expected.startswith(("a number", "a whole number")) and " or " not in expected:
        plain = "a number" if expected.startswith("a number") else "a whole number"
        return f"{name}{text} is not {plain}; write {expected}"
    return f"{name}{text} does not fit; write {expected or 'another value'}"


def describe(annotation: Any, metadata: Sequence[Any]) -> str:
    """ "a number from -5 to 5", "true or false", "left or right"; "" where there are no words for it."""
    origin, args = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return describe(args[0], [*metadata, *args[1:]])
    if origin in (Union, types.UnionType):
        return " or ".join(dict.fromkeys(w for a in args if (w := describe(a, metadata))))
    if choices := _choices(annotation):
        return f"{', '.join(choices[:-1])} or {choices[-1]}" if len(choices) > 1 else choices[0]
    if annotation is bool:
        return "true or false"
    if annotation is int:
        return "a whole number" + _range(metadata)
    if annotation is float:
        return "a number" + _range(metadata)
    if annotation is str:
        return "text"
    if origin is tuple and Ellipsis not in args:
        return f"a list of {len(args)} values" + (f", each {w}" if (w := describe(args[0], ())) else "")
    if origin in (tuple, list) or annotation in (tuple, list):
        return "a list"
    if origin is dict or annotation is dict or _model_in(annotation):
        return "keys and values"
    return ""


def _choices(annotation: Any) -> list[str]:
    """The allowed words of a value that may also be something else."""
    origin, args = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return [str(a) for a in args]
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [str(member.value) for member in annotation]
    if origin is Annotated:
        return _choices(args[0])
    if origin in (Union, types.UnionType):
        return [choice for a in args for choice in _choices(a)]
    return []


def _range(metadata: Sequence[Any]) -> str:
    low, high = "", ""
    closed = [False, False]
    flat = [m for item in metadata for m in (item.metadata if isinstance(item, FieldInfo) else [item])]
    for item in flat:
        if isinstance(item, Ge | Interval) and item.ge is not None:
            low, closed[0] = _number(item.ge), True
        if isinstance(item, Gt | Interval) and item.gt is not None:
            low = _number(item.gt)
        if isinstance(item, Le | Interval) and item.le is not None:
            high, closed[1] = _number(item.le), True
        if isinstance(item, Lt | Interval) and item.lt is not None:
            high = _number(item.lt)
    if low and high and all(closed):
        return f" from {low} to {high}"
    parts = [f"{'at least' if closed[0] else 'above'} {low}"] if low else []
    parts += [f"{'at most' if closed[1] else 'below'} {high}"] if high else []
    return " " + " and ".join(parts) if parts else ""


def _number(value: Any) -> str:
    return str(int(value)) if value == int(value) else str(value)


def _as_written(written: str | None, value: Any) -> str:
    if written is None:
        return "this list" if isinstance(value, list | tuple) else "this"
    return shown(written) or "nothing"


def _named(path: Loc) -> str:
    return " ".join(f"item {part + 1}" if isinstance(part, int) else part for part in path)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _model_in(a))), None)


def _declared(model: type[BaseModel], path: Loc) -> tuple[Any, Sequence[Any]]:
    """The type declared at `path` below `model`, and its constraints; (None, ()) if undeclared."""
    annotation: Any = model
    metadata: Sequence[Any] = ()
    for part in path:
        owner = _model_in(annotation)
        if isinstance(part, str) and owner and part in owner.model_fields:
            declared = owner.model_fields[part]
            annotation, metadata = declared.annotation, declared.metadata
        elif isinstance(part, int) and (args := _elements(annotation)):
            annotation, metadata = args[min(part, len(args) - 1)], ()
        elif isinstance(part, str) and get_origin(annotation) is dict:
            annotation, metadata = get_args(annotation)[1], ()
        else:
            return None, ()
    return annotation, metadata


def _elements(annotation: Any) -> list[Any]:
    """Types of the elements of the list or tuple that `annotation` is or holds."""
    if get_origin(annotation) in (tuple, list):
        return [a for a in get_args(annotation) if a is not Ellipsis]
    return next((e for a in get_args(annotation) if (e := _elements(a))), [])
