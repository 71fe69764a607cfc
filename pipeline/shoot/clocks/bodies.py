"""The camera bodies of a shoot: which frames are of which, and what a person calls each."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import PurePosixPath

from pipeline.textfile.yaml_text import quoted
from pipeline.types import Frame

ROOT = "."  # the shoot folder itself, as a key
_SHORT = 4  # characters of a serial number that are shown; chosen by us, no source: enough to tell bodies apart
# Folders that a camera makes on its card (CIPA DC-009, 3.2: DCIM, and below it three digits and five characters).
_OF_CARD = re.compile(r"dcim|[1-9]\d\d\w{5}", re.IGNORECASE | re.ASCII)
# What YAML 1.2 reads as plain text in a flow mapping too (7.3.3): no sign that means something there.
_PLAIN = re.compile(r"[A-Za-z0-9_./](?:[A-Za-z0-9_./+ -]*[A-Za-z0-9_./+-])?")

Identity = tuple[str, str, str, str]  # make, model, serial, folder


@dataclass(frozen=True)
class Body:
    """One camera body, or what is taken for one.

    serial  in full, "" where none is known: then frames of one make and model in one `folder` are a body
    folder  posix path from the shoot, without the folders of a card; "." for the shoot itself
    key     what `clocks` may call it: the end of its serial, its model or its folder; the shortest that is clear
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
        """The key as it stands in YAML."""
        return as_yaml(self.key)

    @property
    def name(self) -> str:
        """For messages on the person's own screen: its model, and its key where that says more."""
        model = self.model or "camera without a model"
        return model if self.key == self.model else f"{model} ({self.key})"


def as_yaml(text: str) -> str:
    """`text` as a key or value in YAML 1.2, in quotes where it needs them."""
    return text if _PLAIN.fullmatch(text) else quoted(text)


def identity(frame: Frame) -> Identity:
    """What frames of one body share. A serial number of zeros is none."""
    exif = frame.exif
    serial = exif.serial if exif.serial.strip("0 .-") else ""
    return exif.make, exif.model, serial, "" if serial else card_folder(frame)


def card_folder(frame: Frame) -> str:
    """The folder of a frame without those that the camera made on its card; "." for the shoot itself."""
    parts = list(PurePosixPath(frame.relative).parent.parts)
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
    return tuple(Body(b.make, b.model, b.serial, b.folder, _shortest_key(b, found), b.frames) for b in found)


def _shortest_key(body: Body, everybody: Sequence[Body]) -> str:
    if (
        not body.serial
        and not meant(body.folder, everybody)
        and (not body.model or len(meant(body.model, everybody)) > 1)
    ):
        return body.folder
    ends = [body.serial[-length:] for length in range(_SHORT, len(body.serial) + 1)]
    for key in filter(None, [*ends, body.serial] if body.serial else [body.model]):
        if meant(key, everybody) == [body] and not _is_folder(key, everybody, body):
            return key
    return body.serial or f"{body.folder}/"


def _is_folder(key: str, everybody: Sequence[Body], body: Body) -> bool:
    """Whether `key` is also the name of a folder, of other frames than those of `body`."""
    inside = {frame.name for each in everybody for frame in in_folder(each.frames, key)}
    return bool(inside) and inside != {frame.name for frame in body.frames}


def meant(key: str, everybody: Iterable[Body]) -> list[Body]:
    """The bodies that `key` may mean: a serial number or its end of four characters and more, else a model."""
    wanted = key.casefold()
    known = list(everybody)
    whole = [body for body in known if body.serial and body.serial.casefold() == wanted]
    if whole:
        return whole
    end = [body for body in known if len(wanted) >= _SHORT and body.serial.casefold().endswith(wanted)]
    return end or [body for body in known if body.model and body.model.casefold() == wanted]


def in_folder(frames: Iterable[Frame], folder: str) -> list[Frame]:
    """The frames in a folder of the shoot or below it; those of no folder but a card's own for "."."""
    wanted = tuple(part for part in folder.casefold().replace("\\", "/").split("/") if part not in ("", "."))
    if not wanted:
        return [frame for frame in frames if card_folder(frame) == ROOT] if folder.strip() else []
    return [frame for frame in frames if PurePosixPath(frame.relative.casefold()).parent.parts[: len(wanted)] == wanted]


def folders(frames: Iterable[Frame]) -> list[str]:
    """The folders that hold frames, without those that a camera made on its card."""
    return sorted({card_folder(frame) for frame in frames} - {ROOT})
