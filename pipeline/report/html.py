"""OUT/report.html: static, self-contained."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.store import write_atomic


def write_report(out: Path, record: Mapping[str, Any]) -> Path:
    """Write the page for a run record and return its path. Raises OSError."""

    def picture(name: str | None) -> str:
        """A thumbnail as a data: address, "" where there is none."""
        path = out / ".work" / "thumbs" / (name or "")
        if not name or not path.is_file():
            return ""
        return "data:image/jpeg;base64," + base64.b64encode(path.read_bytes()).decode()

    environment = Environment(
        loader=PackageLoader("pipeline", "report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= {"address": quote, "shutter": _shutter, "size": _size, "stops": _stops}
    page = environment.get_template("page.html").render(record=record, picture=picture)
    path = out / "report.html"
    write_atomic(path, page.encode("utf-8"))
    return path


def _shutter(seconds: float | None) -> str:
    if not seconds:
        return ""
    return f"1/{1 / seconds:.0f} s" if seconds < 0.4 else f"{seconds:g} s"


def _size(octets: int) -> str:
    return f"{octets / 1e6:.2f} MB" if octets >= 1e6 else f"{octets / 1e3:.0f} kB"


def _stops(gains: list[float]) -> str:
    return " / ".join(f"{g:.2f}" for g in gains)
