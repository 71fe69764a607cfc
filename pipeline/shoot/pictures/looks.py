"""What pictures look like, kept in memory, and in the user's cache from one command to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from functools import lru_cache, partial
from importlib.metadata import version
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.shoot.kinds import suffix_of
from pipeline.shoot.pictures.grey import Grey, UnreadPictureError, grey_picture
from pipeline.shoot.pictures.same import LOOK_VERSION, SAME, Look, enlarged, look_of
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.digests import FrameDigest, digests_in_cache
from pipeline.store.keys import digest_file, digest_json
from pipeline.store.packing import pack, take, unpack
from pipeline.types import Frame

KIND = "looks"
_KEPT = 1 << 12  # frames whose looks stay in memory, all of a night: some 80 kB each, 200 of one that is held
_PICTURES = 64  # and their pictures: 300 to 600 kB each
_LARGEST = 1 << 20  # pixels of a side, and points; what says more is not ours


class KeptLooks:
    """Looks in the user's cache, by the octets of the files. What is damaged there is made again."""

    def __init__(self, cache: Cache = NO_CACHE, frames: Sequence[Frame] = ()) -> None:
        """`frames`: those of a shoot, of whose digests the cache may know."""
        self._cache = cache
        self._shoot = shoot_of(frames[0]) if frames else Path()
        self._known: Mapping[str, FrameDigest] | None = None

    def find(self, place: Place) -> Look | None:
        """The look of a picture that was kept; None where there is none."""
        name = self._name(place)
        data = self._cache.get(KIND, name) if name else None
        if data is None:
            return None
        try:
            arrays = unpack(np.frombuffer(data, np.uint8))
            width = int(take(arrays, "width", np.int64, (), 1, _LARGEST))
            at = take(arrays, "at", np.float32, (None, 2), -_LARGEST, _LARGEST)
            like = take(arrays, "like", np.uint8, (len(at), 128), 0, 255)
        except (ValueError, OverflowError):
            self._cache.forget(KIND, name)
            return None
        return Look(place.grey, width, at, like)

    def keep(self, place: Place, look: Look) -> None:
        """Keep a look for the next command."""
        if name := self._name(place):
            arrays: dict[str, NDArray[Any]] = {"width": np.array(look.width), "at": look.at, "like": look.like}
            self._cache.put(KIND, name, pack(arrays).tobytes())

    def _name(self, place: Place) -> str:
        """What a look is kept as, "" where none is kept."""
        if self._cache.folder is None:
            return ""
        if self._known is None:
            self._known = digests_in_cache(self._cache, self._shoot.resolve())
        with suppress(OSError):
            known = self._known.get(place.relative)
            vouched = known is not None and known.is_of(place.path.stat())
            digest = known.sha256 if known is not None and vouched else digest_file(place.path)
            made_by = [version("opencv-python-headless"), version("Pillow"), version("rawpy")]
            how = [LOOK_VERSION, asdict(SAME), place.edge, place.points, suffix_of(place.path), made_by]
            return digest_json([digest, *how])
        return ""


@dataclass(frozen=True)
class Place:
    """A file, as the system describes it, and how it is looked at: see `SameConstants`."""

    path: Path
    changed: int
    size: int
    edge: int
    points: int
    relative: str = field(compare=False)
    kept: KeptLooks = field(compare=False)

    def grey(self) -> Grey:
        """Its small picture. Raises UnreadPictureError."""
        return _picture(self)


def shoot_of(frame: Frame) -> Path:
    """The shoot folder in which a frame lies."""
    return frame.path.parents[len(PurePosixPath(frame.relative).parts) - 1]


def look(frame: Frame, edge: int, points: int, kept: KeptLooks) -> Look | None:
    """What a frame looks like; None where its picture cannot be read."""
    try:
        told = frame.path.stat()
    except OSError:  # it fails by itself when it is decoded
        return None
    return _look(Place(frame.path, told.st_mtime_ns, told.st_size, edge, points, frame.relative, kept))


@lru_cache(maxsize=_KEPT)
def _look(place: Place) -> Look | None:
    if (known := place.kept.find(place)) is not None:
        return known
    try:
        made = look_of(partial(_picture, place), place.points)
    except UnreadPictureError:
        return None
    place.kept.keep(place, made)
    return made


@lru_cache(maxsize=_PICTURES)
def _picture(place: Place) -> Grey:
    """Raises UnreadPictureError."""
    grey = grey_picture(place.path, place.edge)
    if grey is None:
        raise UnreadPictureError
    return enlarged(grey)
