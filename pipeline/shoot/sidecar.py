"""The rating that another program left in an XMP sidecar beside a frame (ISO 16684-1). It is only read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any
from xml.parsers import expat

from pipeline.errors import InputError, Problem

SIZE_LIMIT = 10_000_000  # bytes; sidecars with masks of a development reach some megabytes

_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_DESCRIPTION = [f"{_RDF} RDF", f"{_RDF} Description"]
_RATING = "http://ns.adobe.com/xap/1.0/ Rating"  # XMP specification part 1, 8.4, the property xmp:Rating


def sidecar_rating(frame: Path) -> int | None:
    """-1 (rejected) to 5 from xmp:Rating in FRAME.EXT.xmp, else FRAME.xmp, beside the frame; None where none says.

    Takes the property as an attribute or as an element of a top-level description, whatever the prefix. A
    fraction, which the standard allows, is rounded down (-1 stays); a value outside -1 to 5 counts as none.
    Raises InputError for a sidecar that cannot be read, is larger than 10 MB, is not XML, or has a document type
    declaration: such declarations can make a small file huge or read other files, and XMP has none.
    """
    return next((rating for path in sidecars(frame) if (rating := _rating(path)) is not None), None)


def sidecars(frame: Path) -> list[Path]:
    """The sidecars that stand beside a frame, the one that counts most first."""
    paths = [frame.with_name(base + suffix) for base in (frame.name, frame.stem) for suffix in (".xmp", ".XMP")]
    return [path for path in paths if path.is_file()]


def _rating(path: Path) -> int | None:
    try:
        with path.open("rb") as stream:
            data = stream.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise _refused(path, 0, f"cannot be read: {error.strerror or error}") from None
    if len(data) > SIZE_LIMIT:
        raise _refused(path, 0, "larger than 10 MB; is it the sidecar of a photograph?")
    reader = _Reader()
    try:
        reader.parser.Parse(data, True)
    except _DeclarationError:
        message = "has a document type declaration, which is not read; delete it or the sidecar"
        raise _refused(path, reader.parser.CurrentLineNumber, message) from None
    except (expat.ExpatError, LookupError, ValueError) as error:  # LookupError: an encoding that is not known
        line = error.lineno if isinstance(error, expat.ExpatError) else 0
        raise _refused(path, line, f"is not well-formed XML ({error}); write it again or delete it") from None
    return _whole(reader.value)


def _whole(text: str) -> int | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return math.floor(value) if value == -1 or 0 <= value <= 5 else None


def _refused(path: Path, line: int, message: str) -> InputError:
    return InputError([Problem(str(path), line, 1 if line else 0, message)])


class _DeclarationError(Exception):
    """A document type declaration stands in the file."""


class _Reader:
    """Finds the value of one property; `value` "" where it is absent."""

    def __init__(self) -> None:
        self.value = ""
        self._open: list[str] = []
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartDoctypeDeclHandler = self._declaration
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text

    def _declaration(self, *_: Any) -> None:
        raise _DeclarationError

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._open.append(name)
        if self._open[-2:] == _DESCRIPTION:  # not one inside a history or another structure
            self.value = attributes.get(_RATING, self.value)

    def _end(self, name: str) -> None:
        self._open.pop()

    def _text(self, text: str) -> None:
        if self._open[-3:] == [*_DESCRIPTION, _RATING]:
            self.value += text
