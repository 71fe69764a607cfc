"""The camera bodies of a shoot: which frames are of which, and what a person calls each."""

from __future__ import annotations

import posixpath
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, lru_cache

from pipeline.store.files import folded
from pipeline.textfile.messages import and_more, listed
from pipeline.textfile.yaml_text import text_value
from pipeline.types import Frame

ROOT = "."  # the shoot folder itself, as a key
_SHORT = 4  # characters of a serial number that are shown; chosen by us, no source: enough to tell bodies apart
_MOST_NAMED = 3  # cameras without a key that a message names
# Folders that a camera makes on its card (CIPA DC-009, 3.2: DCIM, and below it three digits and five characters).
_OF_CARD = re.compile(r"dcim|[1-9]\d\d\w{5}", re.IGNORECASE | re.ASCII)

Identity = tuple[str, str, str, str]  # make, model, serial, folder


@dataclass(frozen=True)
class Body:
    """One camera body, or what is taken for one.

    serial  in full, "" where none is known: then frames of one make and model in one `folder` are a body
    folder  posix path from the shoot, without the folders of a card; "." for the shoot itself
    key     what `clocks` may call it: the end of its serial, its model or its folder; the shortest that is clear, ""
            where none is: no serial number, and frames of another camera beside its own
    frames  in order of time, those without a time last
    """

    make: str
    model: str
    serial: str
    folder: str
    key: str
    frames: tuple[Frame, ...]

    @cached_property
    def times(self) -> tuple[datetime, ...]:
        """The known times of its frames, in order."""
        return tuple(sorted(frame.exif.time for frame in self.frames if frame.exif.time is not None))

    @property
    def first(self) -> datetime | None:
        """Time of its first frame, None where no frame has a time."""
        return self.times[0] if self.times else None

    @property
    def last(self) -> datetime | None:
        """Time of its last frame, None where no frame has a time."""
        return self.times[-1] if self.times else None

    @property
    def written(self) -> str:
        """The key as it stands in YAML; the word FOLDER where it first needs a folder of its own."""
        return as_yaml(self.key) if self.key else "FOLDER"

    @property
    def name(self) -> str:
        """For messages on the person's own screen: its model, and its key where that says more."""
        model = self.model or "a camera without a model"
        if not self.key:
            return f"{model} ({and_more([frame.name for frame in self.frames])})"
        return model if self.key == self.model else f"{model} ({self.key})"


def as_yaml(text: str) -> str:
    """`text` as a key or value under `clocks`, where numbers are serials, also without quotes."""
    return text if text.isascii() and text.isdigit() else text_value(text)


def identity(frame: Frame) -> Identity:
    """What frames of one body share. A serial number of zeros is none."""
    exif = frame.exif
    serial = exif.serial if exif.serial.strip("0 .-") else ""
    return exif.make, exif.model, serial, "" if serial else card_folder(frame)


def card_folder(frame: Frame) -> str:
    """The folder of a frame without those that the camera made on its card; "." for the shoot itself."""
    return _without_card(frame.relative.rpartition("/")[0])


@lru_cache(maxsize=4096)
def _without_card(folder: str) -> str:
    parts = folder.split("/")
    while parts and _OF_CARD.fullmatch(parts[-1]):
        parts.pop()
    return "/".join(parts) or ROOT


def by_time(frame: Frame) -> tuple[datetime, str]:
    """The order of frames: by time, those without one last, then by name."""
    return frame.exif.time or datetime.max, frame.name


def bodies(frames: Iterable[Frame]) -> tuple[Body, ...]:
    """The bodies of a shoot in order of their first frame, those without a time last."""
    grouped: dict[Identity, list[Frame]] = {}
    for frame in frames:
        grouped.setdefault(identity(frame), []).append(frame)
    found = [Body(*who, "", tuple(sorted(some, key=by_time))) for who, some in grouped.items()]
    found.sort(key=lambda body: (body.first or datetime.max, body.model, body.serial, body.folder))
    names = _Names(found)
    return tuple(Body(b.make, b.model, b.serial, b.folder, names.shortest(b), b.frames) for b in found)


class _Names:
    """What each of some bodies may be called, counted once for all of them."""

    def __init__(self, everybody: Sequence[Body]) -> None:
        serials = [folded(body.serial) for body in everybody if body.serial]
        self.whole = Counter(serials)
        self.ends = Counter(serial[-length:] for serial in serials for length in range(_SHORT, len(serial) + 1))
        self.models = Counter(folded(body.model) for body in everybody)
        self.folders: dict[str, Counter[int]] = {}  # folder -> number of a body -> its frames there
        self.numbers = {id(body): number for number, body in enumerate(everybody)}
        for number, body in enumerate(everybody):
            for folder, count in Counter(folded(f.relative).rpartition("/")[0] for f in body.frames).items():
                parts = folder.split("/") if folder else []
                for end in range(1, len(parts) + 1):
                    self.folders.setdefault("/".join(parts[:end]), Counter())[number] += count
            if in_root := len(in_folder(body.frames, ROOT)):
                self.folders.setdefault(ROOT, Counter())[number] += in_root

    def shortest(self, body: Body) -> str:
        """The shortest end of the serial number, or the model, or a folder, that means this body alone; else ""."""
        if not body.serial:
            if body.model and self._is_model(body) and not self._is_folder(body.model, body):
                return body.model
            return self._own_folder(body)
        keys = [body.serial[-length:] for length in range(_SHORT, len(body.serial))]
        for key in keys:
            wanted = folded(key)
            if self.ends[wanted] == 1 and not self._is_folder(key, body):
                return key
        alone = self.whole[folded(body.serial)] == 1 and not self._is_folder(body.serial, body)
        return body.serial if alone else self._own_folder(body)

    def _own_folder(self, body: Body) -> str:
        """A folder that holds all its frames and no other's, as a key; "" where there is none."""
        deepest = posixpath.commonpath([frame.relative.rpartition("/")[0] for frame in body.frames])
        for folder in filter(None, (body.folder, deepest)):
            if self.folders.get(_as_path(folder)) == {self.numbers[id(body)]: len(body.frames)}:
                return f"{folder}/" if self._is_known(folder) else folder
        return ""

    def _is_model(self, body: Body) -> bool:
        """Whether its model means this body alone."""
        model = folded(body.model)
        if model.endswith(("/", "\\")):
            return False  # that is how a folder is written
        return self.models[model] == 1 and not self.whole[model] and not self.ends[model]

    def _is_known(self, name: str) -> bool:
        """Whether `name` means a body, not only a folder."""
        wanted = folded(name)
        return bool(self.whole[wanted] or self.ends[wanted] or self.models[wanted])

    def _is_folder(self, name: str, body: Body) -> bool:
        """Whether `name` is also the name of a folder, of other frames than those of `body`."""
        inside = self.folders.get(_as_path(name))
        return inside is not None and inside != {self.numbers[id(body)]: len(body.frames)}


def to_separate(some: Iterable[Body]) -> str:
    """What must be done before `clocks` can name those of these cameras that have no key; "" where all have one."""
    names = [body.name for body in some if not body.key]
    if not names:
        return ""
    if len(names) > _MOST_NAMED + 1:
        names = [*names[:_MOST_NAMED], f"{len(names) - _MOST_NAMED} more cameras"]
    each = " each" if len(names) > 1 else ""
    return f"put the frames of {listed(names)}{each} into a folder of their own"


def meant(key: str, everybody: Iterable[Body]) -> list[Body]:
    """The bodies that `key` may mean: a serial number or its end of four characters and more, else a model."""
    wanted = folded(key)
    known = list(everybody)
    whole = [body for body in known if body.serial and folded(body.serial) == wanted]
    if whole:
        return whole
    end = [body for body in known if len(wanted) >= _SHORT and folded(body.serial).endswith(wanted)]
    return end or [body for body in known if body.model and folded(body.model) == wanted]


def in_folder(frames: Iterable[Frame], folder: str) -> list[Frame]:
    """The frames in a folder of the shoot or below it; those of no folder but a card's own for "."."""
    wanted = folder_parts(folder)
    if not wanted:
        return [frame for frame in frames if card_folder(frame) == ROOT] if folder.strip() else []
    below = "/".join(wanted) + "/"
    return [frame for frame in frames if folded(frame.relative).startswith(below)]


def folder_parts(folder: str) -> tuple[str, ...]:
    """A folder as a person writes it, in parts that can be compared; none for the shoot itself."""
    return tuple(part for part in folded(folder).replace("\\", "/").split("/") if part not in ("", "."))


def _as_path(folder: str) -> str:
    """A folder as a person writes it, as a path that can be compared."""
    return "/".join(folder_parts(folder)) or ROOT


def holding(frames: Iterable[Frame]) -> frozenset[tuple[str, ...]]:
    """The parts of every folder that holds frames, or a folder with frames; those of the shoot itself too."""
    paths = {folded(frame.relative).rpartition("/")[0] for frame in frames}
    parts = {tuple(path.split("/")) if path else () for path in paths}
    return frozenset(path[:end] for path in parts for end in range(len(path) + 1))


def folders(frames: Iterable[Frame]) -> list[str]:
    """The folders that hold frames, without those that a camera made on its card."""
    return sorted({card_folder(frame) for frame in frames} - {ROOT})
