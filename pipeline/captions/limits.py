"""What a text of a template may cost, and how large a value is, known before it is made."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from jinja2 import TemplateError


@dataclass(frozen=True)
class Limits:
    """What one text may cost. No published values exist; chosen by trial, so that the worst takes a tenth of a second
    (`pytest tests/captions/test_evaluate.py`) and a caption of several pages still fits."""

    work: int = 300_000  # in all: each node counts `node`, each letter or entry of a value one
    node: int = 20
    size: int = 20_000  # letters of a text, entries of a list with all that is in them
    bits: int = 256  # of a whole number
    width: int = 999  # of a field in a format
    digits: int = 20  # that a number may be rounded to


LIMITS = Limits()


class TooMuchError(TemplateError):
    """A template does more than a text can need."""

    def __init__(self) -> None:
        super().__init__("it does too much for one text; take out the loop or the large number, or make it shorter")


def hold(size: float) -> None:
    """Raises TooMuchError for a text, list or width of more than LIMITS.size."""
    if not size <= LIMITS.size:
        raise TooMuchError


def size_of(value: Any) -> int:
    """Letters or entries of a value with all that is in it. Raises TooMuchError for more than LIMITS.size."""
    if isinstance(value, str):
        size = len(value)
    elif isinstance(value, int):
        size = 1
        if value.bit_length() > LIMITS.bits:
            raise TooMuchError
    elif isinstance(value, list | tuple | dict):
        size = 1
        for item in [*value, *value.values()] if isinstance(value, dict) else value:
            size += size_of(item)
            hold(size)  # at once: lists that hold each other twice are small, and endless to read
    else:
        size = 1
    hold(size)
    return size


def product(left: Any, right: Any) -> Any:
    """left * right, if that is bounded. Raises TooMuchError, or TypeError as Python does."""
    for one, times in ((left, right), (right, left)):
        if isinstance(one, str | list | tuple) and isinstance(times, int):
            hold(size_of(one) * max(times, 0))
    return left * right  # of two whole numbers, each of LIMITS.bits


def power(base: Any, exponent: Any) -> Any:
    """base ** exponent, if that is bounded. Raises as `product`."""
    if isinstance(base, int) and isinstance(exponent, int) and base.bit_length() * exponent > LIMITS.bits:
        raise TooMuchError
    return base**exponent


def formatted(text: Any, values: Any) -> Any:
    """text % values, without wide fields. Raises as `product`."""
    text = str(text)
    wide = "*" in text or any(len(digits) > len(str(LIMITS.width)) for digits in re.findall("[0-9]+", text))
    if wide:
        raise TooMuchError
    hold(text.count("%") * size_of(values))
    return text % values


def _width(text: Any, width: Any = 0, *_: Any, **more: Any) -> None:
    hold(max(_whole(width), _whole(more.get("width", 0))))


def _whole(number: Any) -> int:
    return number if isinstance(number, int) else 0


def _replaced(text: Any, old: Any, new: Any = "", *_: Any) -> None:
    if isinstance(new, str) and isinstance(old, str):
        hold((str(text).count(old) + 1) * len(new))


def _joined(items: Any, between: Any = "", *_: Any, **more: Any) -> None:
    hold(size_of(items) * (1 + len(str(more.get("d", between)))))


def _joined_by(between: str, items: Any) -> None:
    _joined(items, between)


def _indented(text: Any, width: Any = 4, *_: Any, **more: Any) -> None:
    width = more.get("width", width)
    hold((str(text).count("\n") + 1) * (len(width) if isinstance(width, str) else _whole(width)))


def _wrapped(text: Any, width: Any = 79, long: Any = True, between: Any = "\n", *_: Any, **more: Any) -> None:
    hold((len(str(text)) + 1) * len(str(more.get("wrapstring", between) or "\n")))


def _rounded(number: Any, digits: Any = 0, *_: Any, **more: Any) -> None:
    if abs(_whole(more.get("precision", digits))) > LIMITS.digits:
        raise TooMuchError


METHOD_GUARDS: Mapping[str, Callable[..., None]] = {
    "center": _width, "ljust": _width, "rjust": _width, "zfill": _width, "replace": _replaced, "join": _joined_by,
}  # fmt: skip
FILTER_GUARDS: Mapping[str, Callable[..., None]] = {
    "center": _width, "replace": _replaced, "join": _joined, "indent": _indented, "wordwrap": _wrapped,
    "round": _rounded,
}  # fmt: skip
