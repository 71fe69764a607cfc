"""OUT/report.html: static, self-contained."""

from __future__ import annotations

import base64
from itertools import accumulate
from pathlib import Path

from pipeline.report.record import RunRecord
from pipeline.store.files import whole_file
from pipeline.store.places import is_plain
from pipeline.store.store import Store
from pipeline.textfile.html import link, page_environment
from pipeline.textfile.messages import counted, said_once, shutter

REPORT_FILE = "report.html"  # in OUT
PHASES = (
    "trial", "measure", "burst light", "solve", "plan", "render", "settle", "record", "deliver", "report",
)  # fmt: skip
# Octets of pictures in the page: about 2,000 frames with one before and one after. Chosen by us, no source: a page of
# 100 MB still opens in a browser on a machine with 4 GB, one of 1 GB does not.
_MOST_PICTURES = 100_000_000


def write_report(out: Path, record: RunRecord) -> Path:
    """Write OUT/report.html for a run record and return its path. Raises OSError.

    The page contains its pictures (JPEG thumbnails of OUT/.work/thumbs) and loads nothing; its content security policy
    forbids scripts and every address but data:. Text of the record is escaped.
    """

    def picture(name: str | None) -> str:
        """A thumbnail as a data: URL, "" where there is none."""
        data = store.get("thumbs", name) if name and is_plain(name) else None  # a file of thumbs/, nothing elsewhere
        if data is None:
            return ""
        return "data:image/jpeg;base64," + base64.b64encode(data).decode()

    store = Store(out)
    environment = page_environment("report")
    environment.filters |= {
        "address": link,
        "counted": counted,
        "shutter": _shutter,
        "size": _size,
        "duration": _duration,
        "moment": _moment,
    }
    groups, left_off = _grouped(record, store)
    page = environment.get_template("page.html").generate(
        record=record,
        worth_knowing=said_once(record.notices, record.frames),
        picture=picture,
        left_off=left_off,
        facts="the folder of the facts that --facts names" if store.source().facts else "the shoot folder",
        phases=PHASES,
        **groups,
    )
    path = out / REPORT_FILE
    with whole_file(path) as file:
        for some in page:
            file.write(some.encode("utf-8"))
    return path


def _grouped(record: RunRecord, store: Store) -> tuple[dict[str, list[tuple[str, str, str]]], set[str]]:
    """({status: (name, path, reason) of each frame that is not delivered}, the frames that are shown without pictures).

    Where a browser could not hold all pictures, the best frame of each burst has them first, then the second.
    """
    groups: dict[str, list[tuple[str, str, str]]] = {
        name: [] for name in ("failed", "held", "left", "undone", "unmatched")
    }
    wanted: list[tuple[int, int, str, int]] = []
    for at, (name, frame) in enumerate(record.frames.items()):
        group = frame.status.split()[0] if frame.relative else "unmatched" if frame.status == "failed" else ""
        if group in groups:
            groups[group].append((name, frame.relative, frame.reason))
        octets = sum(_octets(store, one) for one in (frame.before, *(d.thumb for d in frame.deliveries.values())))
        wanted.append((frame.rank.place if frame.rank else 1, at, name, octets))
    in_all = accumulate(octets for *_, octets in sorted(wanted))
    return groups, {
        name
        for (_, _, name, octets), sum_ in zip(sorted(wanted), in_all, strict=True)
        if octets and sum_ > _MOST_PICTURES
    }


def _octets(store: Store, thumb: str | None) -> int:
    """What a small picture takes in the page: four characters for three octets (RFC 4648)."""
    if not thumb or not is_plain(thumb):
        return 0
    try:
        return (store.work / "thumbs" / thumb).stat().st_size * 4 // 3
    except OSError:
        return 0


def _shutter(seconds: float | None) -> str:
    """Exposure time in seconds, written as cameras show it."""
    return shutter(seconds) if seconds else "shutter unknown"


def _size(octets: int) -> str:
    """Octets in SI units: 1 kB = 1000 octets (IEC 80000-13)."""
    return f"{octets / 1e6:.2f} MB" if octets >= 999_500 else f"{octets / 1e3:.0f} kB"


def _duration(seconds: float) -> str:
    """Seconds as "9.5 s", "2 min 5 s" or "1 h 4 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.1f} s"
    minutes = whole // 60
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min {whole % 60} s"


def _moment(time: str | None) -> str:
    """An ISO 8601 time as a person writes it, to the millisecond."""
    return time[:23].replace("T", " ") if time else "time unknown"
