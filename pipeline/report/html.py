"""OUT/report.html: static, self-contained."""

from __future__ import annotations

import base64
from pathlib import Path

from pipeline.report.record import FrameRecord, RunRecord
from pipeline.store.files import write_atomic
from pipeline.store.places import is_plain
from pipeline.store.store import Store
from pipeline.textfile.html import link, page_environment
from pipeline.textfile.messages import counted

REPORT_FILE = "report.html"  # in OUT
PHASES = ("measure", "solve", "render")


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
    groups = {word.split()[0]: _with_status(record, word) for word in ("failed", "held", "left out", "undone")}
    groups["unmatched"] = list(record.unmatched().items())
    page = environment.get_template("page.html").render(record=record, picture=picture, phases=PHASES, **groups)
    path = out / REPORT_FILE
    write_atomic(path, page.encode("utf-8"))
    return path


_FRACTION_BELOW = 0.3  # s; shorter exposures are shown as a fraction (common practice, no source)


def _with_status(record: RunRecord, status: str) -> list[tuple[str, FrameRecord]]:
    return [(name, frame) for name, frame in record.of_shoot().items() if frame.status == status]


def _shutter(seconds: float | None) -> str:
    """Exposure time in seconds, written as cameras show it."""
    if not seconds:
        return "shutter unknown"
    return f"1/{1 / seconds:.0f} s" if seconds < _FRACTION_BELOW else f"{seconds:.2g} s"


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
