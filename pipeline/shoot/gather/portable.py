"""Names that every disk takes, and names that count as equal."""

from __future__ import annotations

import hashlib
import unicodedata
from pathlib import Path

from pipeline.store.files import TEMPORARY
from pipeline.store.places import REFUSED, RESERVED

_LONGEST = 200  # bytes of a name as UTF-8; file systems take 255 bytes or 255 UTF-16 units, and a number may be added


def portable(name: str) -> str:
    """A name of one file or folder as Windows, macOS and Linux all take it; most stay as they are."""
    safe = "".join("_" if unicodedata.category(c) in ("Cc", "Cs") else c for c in REFUSED.sub("_", name))
    ending = len(safe) - len(safe.rstrip(" ."))
    safe = safe[: len(safe) - ending] + "_" * ending
    if safe.startswith(TEMPORARY):  # would be taken for a copy that was not finished
        safe = f"_{safe[1:]}"
    if RESERVED.match(safe):
        safe = f"_{safe}"
    if len(safe.encode()) > _LONGEST:
        head, tail = split(safe)
        tail = tail if len(tail.encode()) <= _LONGEST // 2 else ""
        mark = f"~{hashlib.sha256(name.encode('utf-8', 'surrogateescape')).hexdigest()[:12]}"
        room = _LONGEST - len((mark + tail).encode())
        safe = head.encode()[:room].decode("utf-8", "ignore") + mark + tail
    return safe


def split(name: str) -> tuple[str, str]:
    """A name before and from its first dot, so that A.CR3, A.JPG and A.CR3.xmp belong together."""
    at = name.find(".", 1)
    return (name, "") if at < 0 else (name[:at], name[at:])


def label(card: Path) -> tuple[str, str]:
    """The name of a card's own folder in the shoot, and the folder in it that stands for `card`: DCIM/ or "".

    It is the name of the folder that the card is mounted on, also where its DCIM folder was given.
    """
    below = ""
    if card.name.casefold() == "dcim" and card.parent.name:
        below, card = f"{portable(card.name)}/", card.parent
    # A folder whose name begins with a dot would be hidden from every other command.
    return portable(card.name.lstrip(". ")) or "card", below
