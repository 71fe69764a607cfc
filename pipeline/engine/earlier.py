"""What an earlier run left in OUT and this one does not make: whose it is, and what is said of it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.store.store import Store
from pipeline.types import Frame


def refuse_other_shoot(store: Store, shoot: Path, frames: Sequence[Frame]) -> None:
    """Raises InputError when OUT holds the delivery of another shoot: it would be taken for one that has shrunk."""
    before = store.source().shoot
    known = store.frames_seen()
    count = len(store.names("done"))
    if before is None or not known or not count or before == str(shoot.resolve()):
        return
    here = {(f.relative, f.path.stat().st_size) for f in frames if f.path.is_file()}
    if not here & known:
        raise InputError(f"{store.out}: holds {count} files delivered from another shoot; give another --out")


def absent(relative: str) -> Frame:
    """The frame that a delivered file was made of, as far as its name tells."""
    return Frame(Path(relative).stem, Path(relative), relative, "picture")


def told(names: Collection[str], what: str) -> list[str]:
    """A notice on some files, or none."""
    if not names:
        return []
    first = sorted(names)[0]
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return [f"{first}{more}: {what}"]
