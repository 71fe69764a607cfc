"""The pictures of the page: small ones from OUT/.work/thumbs, delivered files, and whole frames made when asked for."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path

import PIL.Image

from pipeline.engine.thumbs import whole_before
from pipeline.errors import FrameError, in_short
from pipeline.report.record import FileRecord, FrameRecord
from pipeline.store.places import is_delivered_path, is_plain, open_file, path_below
from pipeline.store.store import Store
from pipeline.types import Frame

WIDTHS = (320, 640, 960, 1280, 1920, 2560)  # px that may be asked for; others are rounded up
WHOLE_EDGE = 1600  # px of the longer side of a whole frame: more than its place on a desktop screen
_LARGEST = 64_000_000  # octets of a delivered file that is read for the page
_ROOM = 96_000_000  # octets of pictures that are kept in memory
_QUALITY = 88


class AbsentError(Exception):
    """There is no such picture."""


class Pictures:
    """Makes and keeps them. Nothing that is asked for becomes a path: names are looked up in the record, and a path of
    the record is followed only inside OUT."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: OrderedDict[Hashable, bytes] = OrderedDict()
        self._lock, self._making = threading.Lock(), threading.Semaphore(2)

    def small(self, name: str | None) -> bytes:
        """One of thumbs/. Raises AbsentError."""
        data = self._store.get("thumbs", name) if name and is_plain(name) else None
        if data is None:
            raise AbsentError
        return data

    def before(self, frame: Frame | None, record: FrameRecord, width: int) -> bytes:
        """The whole upright frame as the camera balanced it, JPEG; up to 320 pixels the small one that is there.

        Raises AbsentError where it cannot be made.
        """
        if 0 < width <= WIDTHS[0]:
            return self.small(record.before)
        if frame is None:
            raise AbsentError

        def make() -> bytes:
            try:
                return whole_before(frame, WHOLE_EDGE)
            except (FrameError, OSError, ValueError) as error:
                raise AbsentError(in_short(error)) from error

        return self._once(("before", str(frame.path), _stamp(frame.path)), make)

    def after(self, file: FileRecord, width: int) -> tuple[bytes, str]:
        """(a delivered file, its media type); as a JPEG of at most `width` pixels where that is not 0.

        Raises AbsentError where it is not there, or its path leads out of OUT.
        """
        path = path_below(self._store.out, file.file) if is_delivered_path(file.file) else None
        if path is None:
            raise AbsentError
        if 0 < width <= WIDTHS[0] and file.thumb:
            try:
                return self.small(file.thumb), "image/jpeg"
            except AbsentError:
                pass
        try:
            if not width and (kind := _kind(path)):
                with open_file(path) as opened:
                    return opened.read(_LARGEST), kind
            wanted = next((one for one in WIDTHS if one >= width), WIDTHS[-1]) if width else WIDTHS[-1]
            return self._once(("after", str(path), _stamp(path), wanted), lambda: _shrunk(path, wanted)), "image/jpeg"
        except (OSError, ValueError, PIL.Image.DecompressionBombError) as error:
            raise AbsentError(in_short(error)) from error

    def _once(self, key: Hashable, make: Callable[[], bytes]) -> bytes:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        with self._making:
            data = make()
        with self._lock:
            self._kept[key] = data
            while sum(map(len, self._kept.values())) > _ROOM and len(self._kept) > 1:
                self._kept.popitem(last=False)
        return data

    def forget(self) -> None:
        """Keep no picture any longer: somebody in one must not be shown."""
        with self._lock:
            self._kept.clear()


def _stamp(path: Path) -> tuple[int, int]:
    about = path.stat()
    return about.st_mtime_ns, about.st_size


def _kind(path: Path) -> str:
    return {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png"}.get(path.suffix.lower(), "")


def _shrunk(path: Path, width: int) -> bytes:
    with open_file(path) as opened, PIL.Image.open(opened) as picture:
        picture.draft("RGB", (width, width))
        picture.thumbnail((width, 10 * width))
        buffer = io.BytesIO()
        keep = {"icc_profile": picture.info["icc_profile"]} if picture.info.get("icc_profile") else {}
        picture.convert("RGB").save(buffer, "JPEG", quality=_QUALITY, **keep)
        return buffer.getvalue()
