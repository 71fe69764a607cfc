"""The names of frames: given once and kept, and found again in what a person wrote."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from itertools import chain, count
from pathlib import PurePosixPath
from types import MappingProxyType

from pipeline.shoot.facts import CROP_OF, FRAME_COLUMNS, MARKS
from pipeline.store.files import folded
from pipeline.store.keys import digest_json
from pipeline.textfile.tables import Row
from pipeline.types import Frame

_SUFFIX = re.compile(r"\.[A-Za-z0-9]{2,4}$")
_SAME_TIME = 0.0015  # seconds; frames.csv has thousandths
_SHOWN = 8  # frames that a message names


@dataclass(frozen=True)
class KnownFile:
    """A file of an earlier run. name, number  of its frame; relative  posix path in the shoot; size  octets;
    sha256  "" where only the path is known."""

    name: str
    number: int
    relative: str
    size: int = 0
    sha256: str = ""


@dataclass(frozen=True)
class NameMemory:
    """What is known of the names of frames.

    files   of earlier runs into the same OUT
    rows    digest of a row of frames.csv (`row_digest`) -> name of the frame that it meant then
    shown   see rows.Rows
    written path of a file -> name, as a frames.csv that this program wrote has them
    digest  SHA-256 of a frame's file; asked only where its size is that of a known file. May raise OSError
    """

    files: tuple[KnownFile, ...] = ()
    rows: Mapping[str, str] = field(default_factory=dict)
    written: Mapping[str, str] = field(default_factory=dict)
    digest: Callable[[Frame], str] = lambda frame: ""
    shown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


NOTHING_KNOWN = NameMemory()


# ---- giving names ----------------------------------------------------------------------------------------------


def with_names(frames: Sequence[Frame], memory: NameMemory = NOTHING_KNOWN) -> tuple[list[Frame], dict[str, str]]:
    """The frames with their names and the numbers that are known, and earlier name -> name of today where it changed.

    A frame that an earlier run knows by its bytes, else by its path, keeps its name and number; then one that
    frames.csv names with its path. Of the others with one stem, the one in the root of the shoot, else the earliest
    by the camera's time, is called by the stem where no frame, today or earlier, has that name; the rest by their
    path without suffix, else with it. No two names are equal when folded.
    """
    found, formerly = _recalled(frames, memory)
    taken = {folded(known.name) for known in memory.files}
    names = {relative: known.name for relative, known in found.items()}
    rows = _written(frames, memory.written, taken)
    for frame in frames:
        written = rows[frame.relative]
        if frame.relative not in names and _may_be_called(frame, written) and folded(written) not in taken:
            names[frame.relative] = written
            taken.add(folded(written))
    for frame in sorted(frames, key=_first_come):
        if frame.relative not in names:
            names[frame.relative] = _free(_choices(frame), taken)
            taken.add(folded(names[frame.relative]))
    number = {relative: known.number for relative, known in found.items()}
    named = [replace(f, name=names[f.relative], number=number.get(f.relative, 0)) for f in frames]
    return named, formerly


def with_numbers(frames: Sequence[Frame], memory: NameMemory = NOTHING_KNOWN) -> tuple[Frame, ...]:
    """The frames, in order of the shoot, with a number each: those of an earlier run stay, the others follow them."""
    last = max((known.number for known in memory.files), default=0)
    new = count(max([last, *(frame.number for frame in frames)]) + 1)
    return tuple(frame if frame.number else replace(frame, number=next(new)) for frame in frames)


def _recalled(frames: Sequence[Frame], memory: NameMemory) -> tuple[dict[str, KnownFile], dict[str, str]]:
    """Path of a frame -> the file of an earlier run that it is; and names that are no longer used -> the frame's."""
    by_bytes: dict[str, list[KnownFile]] = {}
    for known in memory.files:
        by_bytes.setdefault(known.sha256, []).append(known)
    by_bytes.pop("", None)  # only their path is known
    by_path = {known.relative: known for known in memory.files}
    today = _digests(frames, memory)
    found: dict[str, KnownFile] = {}
    used: set[str] = set()
    called: list[tuple[str, str]] = []

    def same_file(relative: str) -> list[KnownFile]:
        return [k for k in by_bytes.get(today.get(relative, ""), ()) if k.relative == relative]

    def same_bytes_and_stem(relative: str) -> list[KnownFile]:
        return [k for k in by_bytes.get(today.get(relative, ""), ()) if _stem(k.relative) == _stem(relative)]

    def same_bytes(relative: str) -> list[KnownFile]:
        return by_bytes.get(today.get(relative, ""), [])

    def same_path(relative: str) -> list[KnownFile]:
        return [by_path[relative]] if relative in by_path else []

    # Bytes go first: the file of that path may be another one today, and the earlier one elsewhere.
    for recall in (same_file, same_bytes_and_stem, same_bytes, same_path):
        for own in (True, False):  # the file that is used, then its twin and copies
            for frame in frames:
                for relative in frame.relatives[:1] if own else frame.relatives[1:]:
                    for known in recall(relative):
                        called.append((known.name, frame.relative))
                        if frame.relative not in found and known.name not in used:
                            found[frame.relative] = known
                            used.add(known.name)
    formerly = {name: found[relative].name for name, relative in called if relative in found and name not in used}
    return found, formerly


def _stem(relative: str) -> str:
    return folded(PurePosixPath(relative).stem)


def _digests(frames: Sequence[Frame], memory: NameMemory) -> dict[str, str]:
    """Path -> SHA-256 of each file whose size is that of a known file."""
    sizes = {known.size for known in memory.files if known.sha256}
    found = {}
    for frame in frames if sizes else ():
        for path, relative in zip(frame.files, frame.relatives, strict=True):
            with suppress(OSError):  # it fails, by name, when it is decoded
                if path.stat().st_size in sizes:
                    found[relative] = memory.digest(replace(frame, path=path, relative=relative))
    return found


def _may_be_called(frame: Frame, name: str) -> bool:
    """Whether a row's name fits the file beside it: a person may have copied the row and changed one of the two."""
    last = folded(name).rpartition("/")[2]
    return any(last in (_stem(r), folded(PurePosixPath(r).name)) for r in frame.relatives)


def _written(frames: Sequence[Frame], written: Mapping[str, str], taken: Collection[str]) -> dict[str, str]:
    """Path of a frame -> its name by frames.csv, "" where that has none.

    A suffix that only keeps a spreadsheet from taking the name for a number or a date (`frame_table`) is no part of
    it, or deliveries would be called HALL0001.dng.jpg; where two would be alike without, it stays.
    """
    asked = {f.relative: (written.get(f.relative, ""), PurePosixPath(f.relative).suffix) for f in frames}
    bare = {relative: name.removesuffix(suffix) for relative, (name, suffix) in asked.items()}
    count_of = Counter([*map(folded, bare.values()), *taken])
    return {r: bare[r] if count_of[folded(bare[r])] == 1 else name for r, (name, _) in asked.items()}


def _first_come(frame: Frame) -> tuple[bool, datetime, str]:
    return "/" in frame.relative, frame.exif.time or datetime.max, frame.relative


def _free(choices: Sequence[str], taken: Collection[str]) -> str:
    """The first choice that no frame has; a number is added to the last where all are taken."""
    numbered = (f"{choices[-1]}-{number}" for number in count(2))
    return next(name for name in chain(choices, numbered) if folded(name) not in taken)


def _choices(frame: Frame) -> tuple[str, ...]:
    path = PurePosixPath(frame.relative)
    return path.stem, path.with_suffix("").as_posix(), path.as_posix()


# ---- finding them again ----------------------------------------------------------------------------------------


def row_digest(row: Row) -> str:
    """Digest of what a person can have typed into a row of frames.csv."""
    crops = sorted(column for column, text in row.cells.items() if column.startswith(CROP_OF) and text)
    marks = (MARKS,) if row[MARKS] else ()
    return digest_json([row[column] for column in (*FRAME_COLUMNS, *crops, *marks)])


@dataclass(frozen=True)
class Meant:
    """What a name or row means.

    name  of the frame, None where that is not certain; why  it is not, "" else
    may   every frame that may be meant
    sure  false where nothing fits, and `may` has what only resembles it: a frame that another row means for certain
          is then not meant
    as_before  which of several is meant, where only an earlier run says so; "" else
    """

    name: str | None
    why: str
    may: tuple[str, ...]
    sure: bool = True
    as_before: str = ""


@dataclass(frozen=True)
class _Spelled:
    """Names, paths with and without suffix, and the last parts of both, each folded -> the frames that they may mean.

    places  last part -> whole names and paths, each with its frame
    """

    names: dict[str, list[str]]
    paths: dict[str, list[str]]
    lasts: dict[str, list[str]]
    places: dict[str, list[tuple[str, str]]]

    @staticmethod
    def add(into: dict[str, list[str]], key: str, name: str) -> None:
        names = into.setdefault(folded(key), [])
        if name not in names:
            names.append(name)


class FrameIndex:
    """Finds the frame that the photographer meant.

    `find` and `candidates` take a name or path as it was typed: with a folder more or less, with the suffix of any of
    the frame's files, in either case; "./NAME" is a file in the root of the shoot. A name without a folder may mean
    every frame with a file of that stem, also one that is called by its path.
    """

    def __init__(
        self,
        frames: Collection[Frame],
        formerly: Mapping[str, str] = MappingProxyType({}),
        meant: Mapping[str, str] = MappingProxyType({}),
        shown: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    ) -> None:
        """formerly  name of an earlier run -> name of today; meant  `row_digest` -> name that a row meant then; shown
        whom rows showed then, see rows.Rows"""
        self.frames = {frame.name: frame for frame in frames}
        self.names = sorted(self.frames)
        self.formerly, self.meant, self.shown = formerly, meant, shown

    def rest(self) -> None:
        """Give back the memory of what `find` looks names up in; the next look-up makes it anew."""
        self.__dict__.pop("_spelled", None)

    @cached_property
    def _spelled(self) -> _Spelled:
        found = _Spelled({}, {}, {}, {})
        for name in self.names:
            found.add(found.names, name, name)
            for path in map(PurePosixPath, self.frames[name].relatives):
                for text in (path.as_posix(), path.with_suffix("").as_posix()):
                    found.add(found.paths, text, name)
        for former, name in self.formerly.items():
            found.add(found.names, former, name)
        for key, names in (*found.names.items(), *found.paths.items()):
            for name in names:
                last = key.rpartition("/")[2]
                found.add(found.lasts, last, name)
                found.places.setdefault(last, []).append((key, name))
        return found

    def find(self, written: str) -> tuple[str | None, str]:
        """(name, "") or (None, why not)."""
        meant = self._meant(written)
        return meant.name, meant.why

    def candidates(self, written: str) -> list[str]:
        """Every frame that may be meant; one where `find` finds it, none where there is none."""
        return list(self._meant(written).may)

    def called(self, written: str) -> str | None:
        """The frame of exactly this name, else the one that `find` finds."""
        names = self._spelled.names.get(folded(_asked(written)), [])
        return names[0] if len(names) == 1 else self.find(written)[0]

    def of_row(self, row: Row) -> Meant:
        """The frame that a row of frames.csv means.

        The row's `file`, as this program wrote it, says which of several is meant, unless its `time` is that of
        another one; so does an earlier run in which this very row meant one of them.
        """
        meant = self._meant(row["frame"])
        file = row["file"]
        if there := self._spelled.paths.get(folded(_asked(file)), []) if file else []:
            fits = set(there) & set(meant.may)
            if not fits:
                why = f"frame says {row['frame']} and file says {file}, which is another frame; correct one of the two"
                return Meant(None, why, (*meant.may, *there))
            if len(there) == 1 and (len(meant.may) == 1 or self._by_time(row, meant.may) in (None, there[0])):
                return Meant(there[0], "", (there[0],))
        elif file and (same := self._by_time(row, meant.may)):
            return Meant(same, "", (same,))
        earlier = self.meant.get(row_digest(row))
        if earlier is None:
            return meant
        earlier = self.formerly.get(earlier, earlier)
        if earlier in meant.may:
            others = [name for name in meant.may if name != earlier]
            said = f"{self.unmistakable(earlier)}, not {self._shown(others)}" if others else ""
            return Meant(earlier, "", (earlier,), as_before=said)
        return self._unsure(row["frame"], meant.may)  # it meant a frame that is no longer here

    def _by_time(self, row: Row, names: Sequence[str]) -> str | None:
        """The one frame that was taken when the row says; None where none or several were, or the row does not say."""
        try:
            time = datetime.fromisoformat(row["time"]).replace(tzinfo=None)
        except ValueError:
            return None
        taken = {name: self.frames[name].exif.time for name in names}
        hits = [n for n, moment in taken.items() if moment and abs((moment - time).total_seconds()) < _SAME_TIME]
        return hits[0] if len(hits) == 1 else None

    def _meant(self, written: str) -> Meant:
        found, sure = self._hits(written)
        if not found:
            return Meant(None, f"no frame {written} in the shoot folder", ())
        if not sure:
            return self._unsure(written, found)
        if len(found) == 1:
            return Meant(found[0], "", tuple(found))
        return Meant(None, f"{written} may be {self._shown(found)}; write the whole name", tuple(found))

    def _unsure(self, written: str, found: Sequence[str]) -> Meant:
        why = f"no frame {written} in the shoot folder"
        why += f"; it may be {self._shown(found)}: write the whole name" if found else ""
        return Meant(None, why, tuple(found), sure=False)

    def _hits(self, written: str) -> tuple[list[str], bool]:
        """The frames that may be meant, and whether they fit; false where they only resemble it."""
        asked = _asked(written)
        rooted, text = asked.startswith("./"), asked.removeprefix("./")
        keys = [folded(text), folded(_SUFFIX.sub("", text))]
        if "/" not in text and not rooted:
            # A suffix does not count: it may be that of a delivered file, whatever the frame's own is.
            return _union(self._spelled.lasts.get(key, ()) for key in keys), True
        for key in keys:
            hits = _union((self._spelled.paths.get(key, ()), () if rooted else self._spelled.names.get(key, ())))
            if exact := [name for name in hits if text in self.frames[name].relatives]:
                return exact, True
            if not rooted and not hits:  # with fewer folders than there are
                last = key.rpartition("/")[2]
                hits = _union([name] for place, name in self._spelled.places.get(last, ()) if place.endswith(f"/{key}"))
            if hits:
                return hits, True
        alike = _union(self._spelled.lasts.get(key.rpartition("/")[2], ()) for key in keys)
        # In the root, so that a folder more cannot mean another one.
        in_root = _union(self._spelled.paths.get(key.rpartition("/")[2], ()) for key in keys)
        return alike, not rooted and alike == in_root

    def _shown(self, names: Sequence[str]) -> str:
        shown = " or ".join(map(self.unmistakable, names[:_SHOWN]))
        return shown if len(names) <= _SHOWN else f"{shown} or {len(names) - _SHOWN} more"

    def unmistakable(self, name: str) -> str:
        """What a person can write so that only this frame is meant."""
        path = self.frames[name].relative
        choices = (name, path.rpartition(".")[0], path, f"./{path.rpartition('.')[0]}")
        return next((text for text in choices if self._hits(text) == ([name], True)), f"./{path}")


def _union(many: Iterable[Iterable[str]]) -> list[str]:
    return sorted({name for names in many for name in names})


def _asked(written: str) -> str:
    return written.strip().replace("\\", "/")
