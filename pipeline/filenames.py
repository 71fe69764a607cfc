"""Names of delivered files."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.recipe.recipe import Delivery


def file_names(frames: Sequence[str]) -> dict[str, str]:
    """A file name for each frame, safe on the three systems and never the same twice, whatever the case."""
    used: set[str] = set()
    names: dict[str, str] = {}
    for frame in frames:
        base = re.sub(r"[^\w.-]+", "_", frame).strip("._")[:100] or "frame"
        if re.fullmatch(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", base):
            base = f"_{base}"
        name, count = base, 1
        while name.casefold() in used:
            count += 1
            name = f"{base}-{count}"
        used.add(name.casefold())
        names[frame] = name
    return names


def relative_path(delivery: Delivery, name: str) -> str:
    """Where a delivery puts the file of this name, below OUT, with the suffix of its format."""
    suffix = {"jpeg": "jpg", "tiff": "tif"}[getattr(delivery.steps[-1].params, "format")]  # noqa: B009
    return f"{delivery.name}/{name}.{suffix}"
