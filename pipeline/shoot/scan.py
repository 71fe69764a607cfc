"""Which frames a shoot folder holds. The folder is only read."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.errors import InputError
from pipeline.model import Exif, Frame
from pipeline.shoot.exif import read_exif

RAW = frozenset(
    "3fr arw cr2 cr3 crw dcr dng erf fff iiq k25 kdc mdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf srw x3f".split()
)
PICTURE = frozenset("jpeg jpg png tif tiff".split())


@dataclass(frozen=True)
class Scan:
    """Frames in order of time, then name; files left out with the reason."""

    frames: tuple[Frame, ...]
    skipped: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]


def _files(shoot: Path) -> list[Path]:
    found = []
    for folder, folders, names in os.walk(shoot):  # links to folders are not followed
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        found += [Path(folder) / n for n in sorted(names) if not n.startswith(".")]
    return found


def scan(shoot: Path) -> Scan:
    """Every raw and picture below `shoot`, hidden files left out.

    A JPEG beside a raw of the same name is the camera's own copy of it and is skipped. Raises InputError
    when there is no folder or no frame in it.
    """
    if not shoot.is_dir():
        raise InputError(f"{shoot}: there is no such folder")
    files = [p for p in _files(shoot) if p.suffix[1:].lower() in RAW | PICTURE]
    raws = {p.with_suffix("") for p in files if p.suffix[1:].lower() in RAW}
    skipped = []
    kept = []
    for path in files:
        if path.suffix[1:].lower() in PICTURE and path.with_suffix("") in raws:
            skipped.append((path.relative_to(shoot).as_posix(), "left out, the raw of the same name is used"))
        else:
            kept.append(path)
    if not kept:
        wanted = ", ".join(sorted(RAW | PICTURE))
        raise InputError(f"{shoot}: holds no frames; files ending in {wanted} are looked for")
    frames = [_frame(path, shoot, name) for path, name in zip(kept, _names(kept, shoot), strict=True)]
    return Scan(tuple(sorted(frames, key=_order)), tuple(skipped), ())


def _names(paths: Sequence[Path], shoot: Path) -> list[str]:
    """The stem; with its folder where stems repeat, with its suffix where even that repeats."""
    stems = Counter(p.stem for p in paths)
    longer = Counter(p.relative_to(shoot).with_suffix("").as_posix() for p in paths)
    names = []
    for path in paths:
        relative = path.relative_to(shoot)
        long = relative.with_suffix("").as_posix()
        names.append(path.stem if stems[path.stem] == 1 else long if longer[long] == 1 else relative.as_posix())
    return names


def _frame(path: Path, shoot: Path, name: str) -> Frame:
    kind = "raw" if path.suffix[1:].lower() in RAW else "picture"
    try:
        exif = read_exif(path, kind)
    except OSError as error:
        exif = Exif(notices=(f"cannot be opened ({error.strerror})",))
    return Frame(name, path, path.relative_to(shoot).as_posix(), kind, exif)


def _order(frame: Frame) -> tuple[datetime, str]:
    return frame.exif.time or datetime.max, frame.name


def with_clocks(frames: Sequence[Frame], clocks: Mapping[str, float]) -> list[Frame]:
    """Add each camera's seconds (by serial, else by model) to its times, and sort again."""
    moved = []
    for frame in frames:
        exif = frame.exif
        seconds = clocks.get(exif.serial, clocks.get(exif.model, 0.0))
        if seconds and exif.time is not None:
            frame = replace(frame, exif=replace(exif, time=exif.time + timedelta(seconds=seconds)))
        moved.append(frame)
    return sorted(moved, key=_order)
