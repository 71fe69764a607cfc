"""Frames whose picture is that of another: copies that have neither its name nor its time any more."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path, PurePosixPath

from pipeline.shoot.pictures.grey import Grey, UnreadPictureError, grey_picture
from pipeline.shoot.pictures.same import SAME, Hit, Look, Looks, enlarged, look_of
from pipeline.shoot.pictures.shared import best_hits
from pipeline.types import Frame

_KEPT = 1 << 12  # frames whose looks stay in memory, all of a night: some 80 kB each, 200 of one that is held
_AT_ONCE = 64  # frames that are looked for at a time
_PICTURES = 64  # and their pictures: 300 to 600 kB each


def same_pictures(
    frames: Sequence[Frame], held: Collection[str], settled: Collection[str], *, of_copies: bool = False
) -> Iterator[tuple[Frame, str, bool]]:
    """(a frame that is not `settled`, one of `held` whose picture it seems to be, whether it surely is) of frames whose
    files do not say credibly that they are pictures of their own; see `Originals`.

    of_copies  `held` are copies of what was compared before: the next in a burst is near to one of them, too
    """
    kept = [frame for frame in frames if frame.name in held]
    originals = Originals(frames, () if of_copies else kept)
    asked = [frame for frame in frames if frame.name not in settled and originals.may_be_copy(frame)]
    if not asked:
        return
    known = [(frame, look) for frame in kept if (look := _look(frame, SAME.held, SAME.among)) is not None]
    among = Looks([look for _, look in known])
    seen: list[Frame] = []
    hits: list[list[Hit]] = []
    for start in range(0, len(asked), _AT_ONCE):
        some = asked[start : start + _AT_ONCE]
        looks = [(frame, look) for frame in some if (look := _look(frame, SAME.edge, SAME.points)) is not None]
        seen += [frame for frame, _ in looks]
        hits += among.same_as([look for _, look in looks])
    for frame, found in zip(seen, best_hits(hits), strict=True):
        if found is not None and (of_copies or originals.may_be_copy(frame, known[found[0]][0])):
            yield frame, known[found[0]][0].name, found[1] >= SAME.sure


def has_lost(frame: Frame) -> bool:
    """Whether the file does not say when it was taken, or with which camera."""
    return frame.exif.time is None or not (frame.exif.make or frame.exif.model)


class Originals:
    """Which frames are surely pictures of their own: those that stand in their place among the others of a camera and
    folder, the next number taken no earlier. A copy that says another time, as some programs write the time of saving,
    mostly has another name or folder."""

    def __init__(self, frames: Sequence[Frame], held: Sequence[Frame]) -> None:
        series = defaultdict[tuple[str, ...], list[Frame]](list)
        for frame in frames:
            if not has_lost(frame):
                series[_series(frame)].append(frame)
        self._in_place: set[str] = set()
        for some in series.values():
            some.sort(key=_count)
            times = [one.exif.time or datetime.max for one in some]
            rises = [earlier <= later for earlier, later in pairwise(times)]
            for one, before, after in zip(some, [True, *rises], [*rises, True], strict=True):
                if before and after and len(some) > 1:
                    self._in_place.add(one.name)
        self._held = {_series(frame) for frame in held}

    def may_be_copy(self, frame: Frame, of: Frame | None = None) -> bool:
        """Whether a frame may be a copy of another, or of any that is held, for all that its file says: in its place,
        only a picture of what the same camera called otherwise or put into another folder."""
        if frame.name not in self._in_place:
            return True
        own = _series(frame)
        series = self._held if of is None else {_series(of)}
        return frame.kind == "picture" and any(one != own and one[:2] == own[:2] for one in series)


def _series(frame: Frame) -> tuple[str, ...]:
    """What frames that one camera numbered have in common."""
    path = PurePosixPath(frame.relative)
    exif = frame.exif
    return exif.make, exif.model, exif.serial, str(path.parent), re.sub(r"\d+", "0", path.stem)


def _count(frame: Frame) -> tuple[int, ...]:
    return tuple(map(int, re.findall(r"\d+", PurePosixPath(frame.relative).stem)))


def _look(frame: Frame, edge: int, points: int) -> Look | None:
    try:
        told = frame.path.stat()
    except OSError:  # it fails by itself when it is decoded
        return None
    return _look_of(frame.path, told.st_mtime_ns, told.st_size, edge, points)


@lru_cache(maxsize=_KEPT)
def _look_of(path: Path, changed: int, size: int, edge: int, points: int) -> Look | None:
    picture = partial(_picture, path, changed, size, edge)
    try:
        return look_of(picture, points)
    except UnreadPictureError:
        return None


@lru_cache(maxsize=_PICTURES)
def _picture(path: Path, changed: int, size: int, edge: int) -> Grey:
    """Raises UnreadPictureError."""
    grey = grey_picture(path, edge)
    if grey is None:
        raise UnreadPictureError
    return enlarged(grey)
