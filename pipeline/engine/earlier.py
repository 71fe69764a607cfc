"""The records of delivered files, and files that an earlier run left in OUT and this one does not make."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from pipeline.engine.pacing.pace import spread
from pipeline.errors import FrameError, InputError, in_short
from pipeline.formats.metadata.model import Metadata
from pipeline.imaging.shown_light import ShownLight
from pipeline.report.kept_frames import read_checked, read_left
from pipeline.shoot.facts import Facts
from pipeline.shoot.frame_names import KnownFile, NameMemory
from pipeline.store.keys import digest_json, record_name
from pipeline.store.places import DeliveredPath, digest_below, path_below
from pipeline.store.records import Count, Digest
from pipeline.store.set_aside import FOLDER, set_aside
from pipeline.store.store import ROOT, Store
from pipeline.store.watch import FULL
from pipeline.textfile.messages import and_more, counted
from pipeline.types import Frame

WITHHELD = "withheld.json"  # in OUT/.work: digest of the names that no delivered file held when all were looked through


@dataclass(frozen=True)
class Rendered:
    """A finished file.

    relative  posix path below OUT; key  see pixel_key; width, height  pixels; quality  of the JPEG, 0 for lossless
    scan      digest of the JPEG's scan data, "" for other formats; thumb  name of its small picture, ""
    light     as shown, and light_before  of the same part of the frame as the camera balanced it; None: not measured
    """

    relative: DeliveredPath
    key: str
    sha256: Digest
    bytes: Count
    width: Count
    height: Count
    quality: Count
    scan: str
    thumb: str
    notices: tuple[str, ...] = field(default=())
    light: ShownLight | None = None
    light_before: ShownLight | None = None


@dataclass(frozen=True)
class DeliveredFile(Rendered):
    """A file that is in OUT now.

    frame  name of its frame; text  digest of the texts in it; mtime  time of change, nanoseconds since 1970, 0 while it
           is not known whether the file was written before the run was stopped
    replaced  SHA-256 of the file that it was written over, "" for none; known as ours too while mtime is 0
    current  false where an earlier run made it and this one does not
    """

    frame: str = ""
    text: str = ""
    mtime: int = 0
    replaced: Digest | Literal[""] = ""
    current: bool = True

    def is_ours(self, digest: str) -> bool:
        """Whether a file of this SHA-256, "" where it cannot be read, was put there by this program."""
        return bool(digest) and (digest == self.sha256 or (not self.mtime and digest == self.replaced))


def read_done(store: Store, name: str) -> DeliveredFile | None:
    """The record of a delivered file; None where there is none, or it is not that of the file that `name` stands for:
    a record that was planted or moved in OUT/.work must not lead to another file, since old files are removed."""
    entry = store.record("done", name, DeliveredFile)
    return replace(entry, current=True) if entry is not None and record_name(entry.relative) == name else None


def keep_done(store: Store, entry: DeliveredFile) -> None:
    """Keep the record of a delivered file. Raises OSError."""
    store.put_record("done", record_name(entry.relative), DeliveredFile, entry)


def text_key(metadata: Metadata | None) -> str:
    """Digest of the texts of a file."""
    return digest_json({"text": repr(metadata)})


def announce(store: Store, one: Rendered, frame: str, metadata: Metadata | None) -> str:
    """Record a file before it is written. A run may be stopped between the two, and its process may die before it
    learns of the file: a file without a record would stay when its consent is withdrawn.

    A file that stands there and is not proven ours is set aside first: where it is now (posix path below OUT), "" where
    none was moved. Raises FrameError where that cannot be done, OSError.
    """
    before = read_done(store, record_name(one.relative))
    digest = digest_below(store.out, one.relative) or ""
    ours = bool(digest) and (digest == one.sha256 or (before is not None and before.is_ours(digest)))
    aside = "" if ours else _make_way(store.out, one.relative)
    replaced = digest if ours else ""
    keep_done(store, DeliveredFile(**vars(one), frame=frame, text=text_key(metadata), replaced=replaced))
    return aside


def _make_way(out: Path, relative: str) -> str:
    path = path_below(out, relative)
    if path is None or not os.path.lexists(path):  # a link is replaced, and what it leads to stays
        return ""
    if path.is_dir():
        raise FrameError(f"{path}: is a folder, and a picture of this name is to be written; move it away")
    try:
        return set_aside(out, relative)
    except OSError as error:
        if error.errno in FULL:
            raise
        raise FrameError(
            f"{path}: changed since it was delivered, or not written by this program, and it cannot be moved to "
            f"OUT/{FOLDER} ({in_short(error)}); move it away"
        ) from error


@dataclass(frozen=True)
class _Names:
    """files  of this run and earlier ones; rows, shown  see NameMemory"""

    files: tuple[KnownFile, ...] = ()
    rows: Mapping[str, str] = field(default_factory=dict)
    shown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def names_known(out: Path) -> NameMemory:
    """What earlier runs into `out` called their frames."""
    store = Store(out)
    kept = store.record(ROOT, "names.json", _Names) or _Names()
    return NameMemory(kept.files, kept.rows, digest=store.frame_digest, shown=kept.shown)


def keep_names(store: Store, frames: Sequence[Frame], facts: Facts) -> None:
    """Keep the frames' names, numbers and bytes, and which frame each row of frames.csv meant and whom it showed, for
    later runs.

    Frames that are no longer there keep theirs, so that no other frame gets their name. Raises OSError.
    """
    before = store.record(ROOT, "names.json", _Names) or _Names()
    files: list[KnownFile] = []
    for frame in frames:
        try:
            digest, size = store.frame_digest(frame), frame.path.stat().st_size
        except OSError:  # it fails by name
            digest, size = "", 0
        files.append(KnownFile(frame.name, frame.number, frame.relative, size, digest))
        files += [KnownFile(frame.name, frame.number, relative) for relative in frame.relatives[1:]]
    paths, digests = {f.relative for f in files}, {f.sha256 for f in files} - {""}
    files += [f for f in before.files if f.relative not in paths and f.sha256 not in digests]
    store.put_record(
        ROOT,
        "names.json",
        _Names,
        _Names(tuple(files), {**before.rows, **facts.meant}, {**before.shown, **facts.shown}),
    )


_A_DAY = timedelta(days=1)
_COMPARED = 5  # frames whose bytes are read to tell two shoots apart; chosen by us: about a second from a card


def refuse_other_shoot(store: Store, shoot: Path, frames: Sequence[Frame]) -> None:
    """Raises InputError when OUT holds the delivery of another shoot, whose files this run would remove as outdated.

    Cameras count anew every evening, and uncompressed raws all have one size: bytes decide, of a few frames. In the
    folder that the delivery came from, as a card that is always found under one path, a frame may also have been
    renamed, or changed since: it is known by its bytes or by its name and time.
    """
    known = store.frames_seen()
    if not known:  # that record is damaged
        before = (store.record(ROOT, "names.json", _Names) or _Names()).files
        known = {(f.relative, f.size): f.sha256 for f in before}
    count = len(store.names("done"))
    if not known and _is_other_evening(store.out, frames):
        raise InputError(
            f"{store.out}: run.json is of another evening, whose pictures this run would take for earlier ones of its "
            "own: OUT/.work, which knows them apart, is gone; give another --out"
        )
    if not known or not count:
        return
    files = (replace(f, path=path, relative=at) for f in frames for path, at in zip(f.files, f.relatives, strict=True))
    there = [(f, f.path.stat().st_size) for f in files if f.path.is_file()]
    if _some_equal(store, [(f, {known[f.relative, size]}) for f, size in there if (f.relative, size) in known]):
        return
    other = "another shoot"
    if store.source().shoot == str(shoot.resolve()):
        sizes, digests = {size for _, size in known}, set(known.values())
        if _some_equal(store, [(f, digests) for f, size in there if size in sizes]) or _some_of_then(store.out, frames):
            return
        other = f"other frames, which were in {shoot} then"
    raise InputError(f"{store.out}: holds {counted(count, 'file')} delivered from {other}; give another --out")


def _is_other_evening(out: Path, frames: Sequence[Frame]) -> bool:
    """Whether frames of the last run had the paths of these and were all taken on other days. Cameras count anew every
    evening; a clock that was set right since is hours off, or is that of one camera."""
    then: dict[str, datetime] = {}
    for frame in read_left(out)[0].values():
        with suppress(ValueError):  # none, or a damaged one
            then[frame.relative] = datetime.fromisoformat(frame.time or "").replace(tzinfo=None)
    taken = [(f.exif.time, then[at]) for f in frames if f.exif.time for at in f.relatives if at in then]
    return bool(taken) and all(abs(now - time) > _A_DAY for now, time in taken)


def _some_of_then(out: Path, frames: Sequence[Frame]) -> bool:
    """Whether a frame of the last run has the path and time of one of these; True where its record cannot be read."""
    try:
        record = read_checked(out)
    except InputError:
        return True
    then = {(frame.relative, frame.time) for frame in record.frames.values()} if record else set()
    return any((at, f.exif.time.isoformat()) in then for f in frames if f.exif.time for at in f.relatives)


def _some_equal(store: Store, frames: Sequence[tuple[Frame, Collection[str]]]) -> bool:
    """Whether one of a few of the frames has one of its SHA-256, or none can be read; False for no frames."""
    read = 0
    for frame, digests in spread(frames)[:_COMPARED]:
        with suppress(OSError):  # it will fail by name
            if store.frame_digest(frame) in digests:
                return True
            read += 1
    return bool(frames) and not read


def absent(relative: str) -> Frame:
    """A stand-in for the frame of the delivered file `relative` (posix path below OUT): it is no longer there."""
    return Frame(Path(relative).stem, Path(relative), relative, "picture")


def notice_on(names: Collection[str], text: str) -> list[str]:
    """One notice, "FIRST and N more: TEXT", on the files of these names; no notice without names."""
    return [f"{and_more(sorted(names))}: {text}"] if names else []
