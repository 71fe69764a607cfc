"""Frames of which nothing matters but their names."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pipeline.shoot.frame_names import FrameIndex
from pipeline.types import Frame


def frame_called(name: str) -> Frame:
    """A raw of that name, or of that file name where it has a suffix of three letters."""
    relative = name if name[-4:-3] == "." else f"{name}.NEF"
    return Frame(name, Path(relative), relative, "raw")


def index_of(names: Iterable[str]) -> FrameIndex:
    """Finds frames of these names."""
    return FrameIndex([frame_called(name) for name in names])
