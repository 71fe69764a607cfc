"""Frames of earlier runs that were deleted from the shoot: rows of frames.csv still say whom their pictures show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.engine.earlier import names_known
from pipeline.engine.jobs import Shoot
from pipeline.shoot.frame_names import FrameIndex
from pipeline.store.store import Store
from pipeline.types import Frame


@dataclass(frozen=True)
class Deleted:
    """hidden  names of the deleted frames that a row of frames.csv, which shows a player who must not be published,
    means or may mean
    unplaced  where such rows stand that mean no frame of any run into this OUT either
    """

    hidden: frozenset[str] = frozenset()
    unplaced: tuple[str, ...] = ()


def deleted_frames(store: Store, shoot: Shoot, delivered: Iterable[str] = ()) -> Deleted:
    """What rows say that fit no frame of the shoot. delivered  frames of pictures in OUT, also of lost records"""
    rows = [row for row in shoot.facts.elsewhere if row.where in shoot.facts.unplaced]
    if not rows:
        return Deleted()
    there = {*(frame.name for frame in shoot.frames), *shoot.index.formerly}
    memory = names_known(store.out)
    gone = {name: name for name in delivered if name not in there}
    gone |= {one.name: one.relative for one in reversed(memory.files) if one.name not in there}
    frames = [Frame(name, Path(relative), relative, "picture") for name, relative in gone.items()]
    index = FrameIndex(frames, meant=memory.rows)
    meant = {row.where: index.of_row(row) for row in rows}
    return Deleted(
        frozenset(name for one in meant.values() for name in one.may),
        tuple(where for where, one in meant.items() if not (one.may and one.sure)),
    )
