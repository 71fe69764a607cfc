"""The rating that another program wrote into an XMP sidecar beside a frame (ISO 16684-1). It is only read."""

from __future__ import annotations

import math
import os
from collections.abc import Set
from functools import lru_cache
from pathlib import Path, PurePath

from pipeline.formats.metadata.xmp_read import Packet, RefusedPacketError
from pipeline.shoot.kinds import frame_kind, suffix_of
from pipeline.store.files import folded
from pipeline.textfile.reading import read_bytes, refused

SIZE_LIMIT = 10_000_000  # bytes; sidecars with masks of a development reach some megabytes
NOTES = frozenset(("csv", "json", "md", "tsv", "txt"))  # texts and lists that a person or a page keeps of pictures


def sidecar_rating(frame: Path) -> int | None:
    """-1 (rejected) to 5 from xmp:Rating in FRAME.EXT.xmp, else FRAME.xmp, beside the frame; None where there is none.

    Reads the property as an attribute or as an element of a top-level description, whatever the prefix. A
    fraction, which the standard allows, is rounded down (-1 stays); a value outside -1 to 5 counts as none.
    Raises InputError for a sidecar that cannot be read, is larger than 10 MB, is not XML, or has a document type
    declaration: such declarations can make a small file huge or read other files, and XMP has none.
    """
    return next((rating for path in sidecars(frame) if (rating := _rating(path)) is not None), None)


def sidecars(frame: Path) -> list[Path]:
    """The sidecars that stand beside a frame, whatever the case of their names, the one that counts most first; also
    what has the name of one and is no file, since it may stand for one that names somebody."""
    try:
        there = _sidecars_in(frame.parent, frame.parent.stat().st_mtime_ns)
    except OSError:
        return []
    paths = [path for base in (frame.name, frame.stem) for path in there.get(folded(f"{base}.xmp"), ())]
    return paths


def notes_beside(frame: Path) -> list[Path]:
    """Notes beside a frame that are called as it is, such as FRAME.json, FRAME.EXT.txt or
    FRAME.EXT.more.json: the caption and the persons that a page or telephone keeps of a picture, or a person's note."""
    try:
        there = _notes_in(frame.parent, frame.parent.stat().st_mtime_ns)
    except OSError:
        return []
    return list(dict.fromkeys(path for base in (frame.name, frame.stem) for path in there.get(folded(base), ())))


def loose_sidecars(shoot: Path) -> list[tuple[str, Path]]:
    """(folded name without a suffix, path) of the sidecars in and below a folder that stand beside no file that is
    called so: of versions of frames that are not there any more, or of frames in another folder."""
    found = list[tuple[str, Path]]()
    for folder, folders, names in os.walk(shoot):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        others = [PurePath(name) for name in names if not name.lower().endswith(".xmp")]
        called = {folded(name) for path in others for name in (path.name, path.stem)}
        for path in (Path(folder, name) for name in sorted(names)):
            if path.suffix.lower() == ".xmp" and not path.name.startswith(".") and folded(path.stem) not in called:
                found.append((folded(path.stem), path))
    return found


def loose_notes(shoot: Path, suffixes: Set[str] = NOTES, *, deep: bool = True) -> list[Path]:
    """The notes in a folder, if `deep` below it too, that stand beside no frame that is called so: lists, letters."""
    found = list[Path]()
    for folder, folders, names in os.walk(shoot):
        folders[:] = sorted(name for name in folders if deep and not name.startswith("."))
        frames = [path for path in map(PurePath, names) if frame_kind(path)]
        called = {folded(name) for path in frames for name in (path.name, path.stem)}
        for path in (Path(folder, name) for name in sorted(names)):
            if _is_note(path, suffixes) and not any(one in called for one in _called_after(path)):
                found.append(path)
    return found


def _is_note(path: Path, suffixes: Set[str] = NOTES) -> bool:
    return suffix_of(path) in suffixes and not path.name.startswith(".")


def _called_after(path: Path) -> list[str]:
    """What a note may be called after, folded: "a.jpg.more.json" after "a", "a.jpg" or "a.jpg.more"."""
    parts = folded(path.stem).split(".")
    return [".".join(parts[:count]) for count in range(1, len(parts) + 1)]


@lru_cache(maxsize=256)
def _sidecars_in(folder: Path, changed: int) -> dict[str, list[Path]]:
    """Folded name -> sidecars of a folder that was last `changed` then. Raises OSError."""
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.iterdir(), reverse=True):  # .xmp before .XMP
        if path.suffix.lower() == ".xmp":
            found.setdefault(folded(path.name), []).append(path)
    return found


@lru_cache(maxsize=256)
def _notes_in(folder: Path, changed: int) -> dict[str, list[Path]]:
    """What notes of a folder that was last `changed` then are called after, folded -> the notes. Raises OSError."""
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.iterdir()):
        for called in _called_after(path) if _is_note(path) else ():
            found.setdefault(called, []).append(path)
    return found


def _rating(path: Path) -> int | None:
    data = read_bytes(path, SIZE_LIMIT, "is it the sidecar of a photograph?")
    try:
        packet = Packet.strict(data)
    except RefusedPacketError as error:
        raise refused(path, error.line, error.reason) from None
    return _whole(packet.text("xmp:Rating"))


def _whole(text: str) -> int | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return math.floor(value) if value == -1 or 0 <= value <= 5 else None
