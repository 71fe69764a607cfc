"""The pictures of the report: inside the page, or where there are many, as files in OUT/report.

A file there is called by what is in it, so that it proves itself to be ours and names nobody.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from pipeline.report.record import FileRecord, FrameRecord, RunRecord
from pipeline.report.view import PictureView
from pipeline.store.files import write_atomic
from pipeline.store.places import REPORT_FOLDER, digest_below, is_plain, path_below
from pipeline.store.store import Store
from pipeline.textfile.html import link

MOST_INSIDE = 100  # frames whose pictures are in the page itself: some 20 MB, which a phone opens too
_DIGITS = 32  # of a SHA-256, in the name of a file: 128 bits
_NAME = re.compile(rf"[0-9a-f]{{{_DIGITS}}}\.jpg")


class Inside:
    """Pictures inside the page, as data: addresses; the delivered files are beside it."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def before(self, name: str, frame: FrameRecord) -> PictureView:
        """See view.Pictures."""
        return PictureView(*(self._address(thumb) for thumb in before_thumbs(frame)))

    def after(self, name: str, delivery: str, file: FileRecord) -> PictureView:
        """See view.Pictures."""
        return PictureView(self._address(file.thumb), link(file.file) if shown_by_browsers(file.file) else "")

    def _address(self, thumb: str | None) -> str:
        data = kept_thumb(self.store, thumb)
        return "" if data is None else "data:image/jpeg;base64," + base64.b64encode(data).decode()


class Beside(Inside):
    """Pictures as files in OUT/report.

    hurried  write none: a stop has no time; what is there already is shown
    """

    def __init__(self, store: Store, *, hurried: bool = False) -> None:
        super().__init__(store)
        self.hurried = hurried

    def _address(self, thumb: str | None) -> str:
        data = kept_thumb(self.store, thumb)
        if data is None:
            return ""
        relative = f"{REPORT_FOLDER}/{_called(data)}"
        path = path_below(self.store.out, relative)
        if path is None:  # the folder is a link
            return ""
        if not path.is_file() or path.stat().st_size != len(data):
            if self.hurried:
                return ""
            path.parent.mkdir(exist_ok=True)
            write_atomic(path, data)
        return link(relative)


def before_thumbs(frame: FrameRecord) -> tuple[str | None, str | None]:
    """Names in OUT/.work/thumbs of the small and the large picture before; none where the frame is held for consent."""
    return (None, None) if frame.consent else (frame.before, frame.large)


def kept_thumb(store: Store, name: str | None) -> bytes | None:
    """A picture of OUT/.work/thumbs, and of nowhere else."""
    return store.get("thumbs", name) if name and is_plain(name) else None


def shown_by_browsers(file: str) -> bool:
    """Whether browsers show a file of this name."""
    return file.lower().endswith((".jpg", ".jpeg", ".png"))


def pictures_of(store: Store, record: RunRecord, *, hurried: bool = False) -> Inside:
    """Where the pictures of this run are. First those go from OUT/report that are no longer any of it, so that none
    stays of a frame that is withdrawn, whatever fails afterwards. Raises OSError."""
    beside = record.counts.frames > MOST_INSIDE
    wanted = {_called(data) for data in _all(store, record)} if beside else set()
    for name in report_files(store.out):
        if name not in wanted and proves_itself(store.out, name):
            (store.out / REPORT_FOLDER / name).unlink(missing_ok=True)
    if not wanted:
        with suppress(OSError):  # not there, or it holds what is not ours
            (store.out / REPORT_FOLDER).rmdir()
    return Beside(store, hurried=hurried) if beside else Inside(store)


def _all(store: Store, record: RunRecord) -> Iterator[bytes]:
    for frame in record.frames.values():
        for thumb in (*before_thumbs(frame), *(file.thumb for file in frame.deliveries.values())):
            if (data := kept_thumb(store, thumb)) is not None:
                yield data


def _called(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:_DIGITS] + ".jpg"


def report_files(out: Path) -> list[str]:
    """Names in OUT/report that are such as `Beside` gives, sorted."""
    folder = path_below(out, REPORT_FOLDER)
    if folder is None or not folder.is_dir():
        return []
    return sorted(path.name for path in folder.iterdir() if _NAME.fullmatch(path.name) and path.is_file())


def proves_itself(out: Path, name: str) -> bool:
    """Whether a file of OUT/report holds what its name says."""
    digest = digest_below(out, f"{REPORT_FOLDER}/{name}") if _NAME.fullmatch(name) else None
    return digest is not None and digest.startswith(name[:_DIGITS])
