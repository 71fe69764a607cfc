"""The files of facts as they stand on disk: read again before each change, written whole, never in the shoot folder."""

from __future__ import annotations

import os
import shlex
import stat
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.shoot.eventfile import NOTHING_WRITTEN, EventFile, parse_event
from pipeline.shoot.read_facts import EVENT_FILE, FRAMES_FILE, ROSTER_FILE, FactsPlace, facts_place
from pipeline.store.disk import flush_folder
from pipeline.store.files import is_inside, whole_file
from pipeline.store.store import REVIEW
from pipeline.textfile.reading import is_there, read_bytes
from pipeline.textfile.tables import SIZE_LIMIT
from pipeline.textfile.yamlfile import load_yaml

Kind = Literal["event", "roster", "frames"]
KINDS: tuple[Kind, ...] = ("event", "roster", "frames")
_WAIT = 5  # s for another review of the same OUT to write
Stamp = tuple[tuple[int, int, int], ...]


class ReadOnlyError(InputError):
    """Nothing can be written: the message says why and what to do."""


class MeanwhileError(Exception):
    """The file is another one than was read: read it again."""


@dataclass(frozen=True)
class Written:
    """One of the files. used  where it is read, None where there is none; to  where changes go"""

    used: Path | None
    to: Path


class FactsFiles:
    """Where the facts of a shoot are, and where changes of them go.

    A file of the facts folder is changed there, also through a link. One that is only beside the frames is copied into
    the facts folder first, where it then takes its place. Without a facts folder nothing is written.
    """

    def __init__(self, shoot: Path, given: Path | None, out: Path) -> None:
        """given  as read_facts.facts_place; out  OUT, for messages"""
        self.shoot, self.given, self.out = shoot, given, out
        self._event: tuple[tuple[object, ...], EventFile] = ((), NOTHING_WRITTEN)

    @property
    def folder(self) -> Path:
        """Where changes go."""
        place = facts_place(self.shoot, self.given)
        return place.folders[0]

    def why_not(self) -> str:
        """Why nothing can be written, "" where it can."""
        if self.given is None or is_inside(self.folder.resolve(), self.shoot.resolve()):
            return (
                "nothing can be decided yet: the facts are beside the frames, where nothing is ever written. Press "
                "Ctrl-C where this review was started, and type this line, which copies them into a folder of their "
                f"own:\n{command(self.out, self.shoot)}"
            )
        return ""

    def find(self, kind: Kind) -> Written:
        """Raises InputError where the facts cannot be found."""
        place = facts_place(self.shoot, self.given)
        name = EVENT_FILE
        if kind == "event":
            used = place.event
        else:
            name = self._named(place, kind)
            used = next((folder / name for folder in place.folders if is_there(folder / name)), None)
        if used is not None and not self._in_shoot(used):
            return Written(used, used.resolve())
        return Written(used, place.folders[0] / name)

    def _in_shoot(self, path: Path) -> bool:
        return is_inside(path.resolve(), self.shoot.resolve()) or is_inside(path.absolute(), self.shoot.resolve())

    def _named(self, place: FactsPlace, kind: Kind) -> str:
        seen: tuple[object, ...] = (place.event,)
        if place.event is not None and place.event.exists():
            about = place.event.stat()
            seen = (place.event, about.st_mtime_ns, about.st_size, about.st_ino)
        if seen != self._event[0]:
            self._event = seen, _event(place)
        event = self._event[1]
        return (event.roster or ROSTER_FILE) if kind == "roster" else (event.frames or FRAMES_FILE)

    def stamp(self) -> Stamp:
        """What the file system says of the files: it differs where one was written since."""
        return tuple(self._stamps())

    def _stamps(self) -> Iterator[tuple[int, int, int]]:
        for kind in KINDS:
            try:
                used = self.find(kind).used
                about = used.stat() if used is not None else None
            except (OSError, InputError):
                about = None
            yield (0, 0, 0) if about is None else (about.st_mtime_ns, about.st_size, about.st_ino)

    def read(self, kind: Kind) -> bytes | None:
        """The octets of a file, None where there is none. Raises InputError where it cannot be read."""
        used = self.find(kind).used
        return None if used is None else read_bytes(used, SIZE_LIMIT)

    def write(self, kind: Kind, before: bytes | None, after: bytes) -> Path:
        """Write a file, whole or not at all, and wait for the disk. `before` is what it was when it was read.

        Raises MeanwhileError where it is another one now, ReadOnlyError where it may or can not be written.
        """
        if why := self.why_not():
            raise ReadOnlyError(why)
        place = self.find(kind)
        path = place.to
        if self._in_shoot(path.parent):
            raise ReadOnlyError(f"{path}: lies in the shoot folder, which is never written; move it beside shoot.yaml")
        try:
            with FileLock(self._lock(), timeout=_WAIT):  # another review of the same OUT
                self._write(kind, path, before, after)
        except Timeout:
            raise MeanwhileError from None
        return path

    def _lock(self) -> Path:
        folder = self.out / ".work" / REVIEW
        folder.mkdir(parents=True, exist_ok=True)
        return folder / "lock"

    def _write(self, kind: Kind, path: Path, before: bytes | None, after: bytes) -> None:
        if self.read(kind) != before:
            raise MeanwhileError
        try:
            mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else None
            if mode is not None and not os.access(path, os.W_OK):
                raise ReadOnlyError(f"{path}: is write-protected; take that away, or save another copy there")
            path.parent.mkdir(parents=True, exist_ok=True)
            with whole_file(path) as file:
                file.write(after)
                if mode is not None and hasattr(os, "fchmod"):
                    os.fchmod(file.fileno(), mode)
            flush_folder(path.parent)  # or a power cut leaves the file as it was before
        except OSError as error:
            why = error.strerror or str(error)
            raise ReadOnlyError(f"{path}: cannot be written ({why}); is it open in another program?") from error

    def open_elsewhere(self) -> list[str]:
        """Notices on tables that a spreadsheet seems to have open: what it saves would undo what is decided here.

        The names of lock files are common practice, no source.
        """
        found: list[str] = []
        for kind in KINDS:
            try:
                path = self.find(kind).to
            except InputError:
                continue
            if any((path.parent / name).exists() for name in (f".~lock.{path.name}#", f"~${path.name}")):
                found.append(
                    f"{path.name} seems to be open in a spreadsheet: close it there without saving, since saving it "
                    "would undo what is decided here"
                )
        return found


def free_folder(out: Path, shoot: Path) -> Path:
    """A folder for the facts that is not there yet: beside OUT, or beside the shoot where OUT lies in nothing else."""
    beside = (out.resolve().parent, shoot.resolve().parent, Path.home())
    parent = next((one for one in beside if not is_inside(one, shoot.resolve())), beside[-1])
    names = ("facts", f"{out.name}-facts", *(f"{out.name}-facts-{number}" for number in range(2, 100)))
    return next((parent / name for name in names if not (parent / name).exists()), parent / "facts")


def command(out: Path, shoot: Path) -> str:
    """What a person types to decide with the facts in a folder of their own."""
    words = ["evencourt", "review", str(out), "--facts", str(free_folder(out, shoot))]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def _event(place: FactsPlace) -> EventFile:
    if place.event is None:
        return NOTHING_WRITTEN
    try:
        return parse_event(load_yaml(place.event, []), [])
    except InputError:
        return NOTHING_WRITTEN


def adopt(shoot: Path, folder: Path, out: Path) -> list[Path]:
    """Copy the facts beside the frames into `folder`, made where it is not there; what is there already stays.

    Returns what was copied. Raises InputError where it cannot be, or the folder is no place for them.
    """
    if is_inside(folder.resolve(), shoot.resolve()):
        raise InputError(f"{folder}: lies in the shoot folder, which is never written; choose another --facts")
    if folder.resolve() == out.resolve() or is_inside(folder.resolve(), (out / ".work").resolve()):
        raise InputError(f"{folder}: OUT is no folder for the facts; choose another --facts")
    event = _event(facts_place(shoot, None))
    copied: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        flush_folder(folder.parent)
        for name in (EVENT_FILE, event.roster or ROSTER_FILE, event.frames or FRAMES_FILE):
            to = folder / name
            if not is_there(shoot / name) or is_there(to) or not is_inside(to.resolve(), folder.resolve()):
                continue
            to.parent.mkdir(parents=True, exist_ok=True)
            data = read_bytes(shoot / name, SIZE_LIMIT)
            with whole_file(to, replaces=False) as file:
                file.write(data)
            flush_folder(to.parent)
            copied.append(to)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror or error}); choose another --facts") from error
    return copied
