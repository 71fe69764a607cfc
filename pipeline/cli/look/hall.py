"""What `evencourt inspect` says and draws of a hall, and the memory of halls."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from pipeline.cli.console import say
from pipeline.cli.look.tables import print_table
from pipeline.engine.hall.picture import picture as drawn
from pipeline.errors import InputError
from pipeline.light.hall.findings import Finding, HallFindings
from pipeline.store.files import write_atomic

_SIGNS = {"good": "fine", "look": "look", "unknown": "not known"}


def shutter_of(text: str) -> float:
    """Seconds of a shutter as it is written on a dial. Raises InputError."""
    found = re.fullmatch(r"(?:1/)?(\d{1,5}(?:\.\d{1,4})?)\s*s?", text.strip())
    value = float(found[1]) if found else 0.0
    seconds = 0.0 if value <= 0 else 1 / value if text.strip().startswith("1/") else value
    if not 1 / 64_000 <= seconds <= 60:
        raise InputError(f"--shutter {text}: is no shutter; write one such as 1/1000")
    return seconds


def print_findings(findings: Sequence[Finding]) -> None:
    """One row each: what, whether it costs pictures, the sentence, and below all how each was measured."""
    told = [[one.about, _SIGNS[one.verdict], one.text] for one in findings]
    print_table("the hall", ("about", "", "what the frames say"), told)
    ways: dict[str, list[str]] = {}
    for one in findings:
        if one.verdict == "unknown":  # the sentence says why
            continue
        if one.about not in ways.setdefault(one.how, []):
            ways[one.how].append(one.about)
    print_table("how it was measured", ("", ""), [[", ".join(about), how] for how, about in ways.items()])


def refuse_picture(path: Path, shoot: Path) -> None:
    """Raises InputError where a picture cannot be written to `path`, before the frames are measured for it."""
    if path.suffix.lower() != ".png":
        raise InputError(f"{path}: the picture is a PNG; give it a name that ends in .png")
    folder = path.expanduser().resolve().parent
    if folder.is_relative_to(shoot.resolve()):
        raise InputError(f"{path}: lies in the shoot folder, which is never written; choose another place")
    if not folder.is_dir():
        raise InputError(f"{path}: its folder is not there; make it first")


def write_picture(path: Path, found: HallFindings | None, title: str) -> None:
    """Draw the findings into a PNG. Raises InputError where the disk refuses it."""
    if found is None:
        raise InputError(f"{path}: not drawn, because no frame could be read")
    try:
        write_atomic(path.expanduser(), drawn(found, title))
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error
    say(f"drawn: {path}")
