"""What a list of captions says, line by line, each with all that it says of its frames: of a text, a table or JSON."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any

from pipeline.textfile.tables import QuoteError, records

Calls = Callable[[str], bool]  # whether a text has the name of a frame
_DELIMITERS = ",;\t|"
_NUMBERS = re.compile(r"[\W\d_]+")


def entries(text: str, suffix: str, calls: Calls) -> list[str]:
    """The lines of a list whose file ends in `suffix`: of a table a row, of JSON each text with the frames of the
    nearest part around it that has some. As they are where it is written otherwise."""
    try:
        if suffix in ("csv", "tsv"):
            return list(_rows(text, calls))
        if suffix == "json":
            return list(_parts(json.loads(text), "", calls))
    except (QuoteError, ValueError, RecursionError):
        pass
    return text.splitlines()


def _rows(text: str, calls: Calls) -> Iterator[str]:
    """Numbers beside the name of a frame are sizes and settings: left out. Raises QuoteError."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    for cells in records(text, max(_DELIMITERS, key=first.count), 0, 1):
        row = [" ".join(cell.text.split()) for cell in cells]
        named = any(calls(cell) and not _NUMBERS.fullmatch(cell) for cell in row)
        yield " ".join(cell for cell in row if not (named and _NUMBERS.fullmatch(cell)))


def _parts(value: Any, above: str, calls: Calls) -> Iterator[str]:
    """above  the frames, and the key, of the part around it"""
    if isinstance(value, dict):
        own = _frames(value, calls) or above
        texts = [one for key, one in value.items() if isinstance(one, str) and not calls(key)]
        yield " ".join([own, *texts])  # first name and surname may stand in two
        for key, one in value.items():
            yield from _parts(one, key if calls(key) or _calling(one, calls) else f"{own} {key}", calls)
    elif isinstance(value, list):
        called = _calling(value, calls)
        row = f"{above} {called[0]}" if len(called) == 1 else above
        if len(called) < 2:  # a row of a table, or the parts of a name
            yield " ".join([above, *(one for one in value if isinstance(one, str))])
        for one in value:
            yield from _parts(one, row, calls)
    elif isinstance(value, str):
        yield f"{above} {value}"


def _calling(value: Any, calls: Calls) -> list[str]:
    """Those in a list of texts that have names of frames."""
    return [one for one in value if isinstance(one, str) and calls(one)] if isinstance(value, list) else []


def _frames(part: dict[str, Any], calls: Calls) -> str:
    """The texts of a part, or of the only part in it, that have names of frames; "" where none has."""
    every = [_calling(one if isinstance(one, list) else [one], calls) for one in part.values()]
    if texts := [text for some in every for text in some]:
        return " ".join(texts)
    inside = [found for one in part.values() if isinstance(one, dict) and (found := _frames(one, calls))]
    return inside[0] if len(inside) == 1 else ""
