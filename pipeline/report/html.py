"""OUT/report.html: static, self-contained."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.store.files import write_atomic
from pipeline.textfile.html import link, page_environment

PHASES = ("measure", "solve", "render")


def write_report(out: Path, record: Mapping[str, Any]) -> Path:
    """Write the page for a run record and return its path. Raises OSError.

    The page holds its pictures (JPEG thumbnails of OUT/.work/thumbs) and loads nothing; its policy forbids
    scripts and every address but data:. Text of the record is escaped.
    """

    def picture(name: str | None) -> str:
        """A thumbnail as a data: address, "" where there is none."""
        if not name or name != PurePosixPath(name).name:  # a file of thumbs/, nothing elsewhere
            return ""
        try:
            data = (out / ".work" / "thumbs" / name).read_bytes()
        except FileNotFoundError:
            return ""
        return "data:image/jpeg;base64," + base64.b64encode(data).decode()

    environment = page_environment("report")
    environment.filters |= {
        "address": link,
        "shutter": _shutter,
        "size": _size,
        "gains": _gains,
        "crops": _crops,
        "duration": _duration,
        "moment": _moment,
    }
    groups = {word.split()[0]: _with_status(record, word) for word in ("failed", "held", "left out", "undone")}
    page = environment.get_template("page.html").render(record=record, picture=picture, phases=PHASES, **groups)
    path = out / "report.html"
    write_atomic(path, page.encode("utf-8"))
    return path


def _with_status(record: Mapping[str, Any], status: str) -> list[tuple[str, Mapping[str, Any]]]:
    return [(name, frame) for name, frame in record["frames"].items() if frame["status"] == status]


def _shutter(seconds: float | None) -> str:
    """Exposure time as cameras show it; common practice, no source."""
    if not seconds:
        return "shutter unknown"
    return f"1/{1 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.2g} s"


def _size(octets: int) -> str:
    """Bytes in SI units: 1 kB = 1000 bytes (IEC 80000-13)."""
    return f"{octets / 1e6:.2f} MB" if octets >= 999_500 else f"{octets / 1e3:.0f} kB"


def _duration(seconds: float) -> str:
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.1f} s"
    minutes = whole // 60
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min {whole % 60} s"


def _moment(time: str | None) -> str:
    return time[:23].replace("T", " ") if time else "time unknown"


def _gains(solutions: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """What each step decided for a frame, in EV (log2 of a gain), signed; steps without gains are left out."""
    lines = []
    for label, solution in solutions.items():
        words = label.replace("_", " ").capitalize()
        if gains := solution.get("gains"):
            channels = ", ".join(f"{c} {_ev(math.log2(g))}" for c, g in zip("RGB", gains, strict=True) if g > 0)
            source = f" ({solution['source']})" if solution.get("source") else ""
            lines.append(f"{words}: {channels} EV{source}")
        if (ev := solution.get("ev")) is not None:
            lines.append(f"{words}: {_ev(ev)} EV")
    return lines


_CROPS = {
    "subject": "around the subject",
    "frames.csv": "as frames.csv says",
    "loose": "loosely around the centre",
    "nobody": "left whole, nobody surely the subject",
    "does not fit": "left whole, the subject does not fit",
}


def _crops(solutions: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """How each delivery is cut, and by how much it is turned; cuts that the recipe alone decides are left out."""
    lines = []
    for label, solution in solutions.items():
        told = _CROPS.get(str(solution.get("source"))) if label.endswith("crop") else None
        if told:
            turned = solution.get("turned", 0.0)
            level = f", turned by {turned:+.1f}°".replace("-", "\N{MINUS SIGN}") if turned else ""
            lines.append(f"{label.replace('/', ' ')}: {told}{level}")
    return lines


def _ev(value: float) -> str:
    return f"{round(value, 2) + 0.0:+.2f}".replace("-", "\N{MINUS SIGN}")
