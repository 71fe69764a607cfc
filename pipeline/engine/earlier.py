"""Files that an earlier run left in OUT and this one does not make."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more
from pipeline.types import Frame


def refuse_other_shoot(store: Store, shoot: Path, frames: Sequence[Frame]) -> None:
    """Raises InputError when OUT holds the delivery of another shoot, whose files this run would remove as outdated."""
    before = store.source().shoot
    known = store.frames_seen()
    count = len(store.names("done"))
    if before is None or not known or not count or before == str(shoot.resolve()):
        return
    here = {(f.relative, f.path.stat().st_size) for f in frames if f.path.is_file()}
    if not here & known:
        raise InputError(f"{store.out}: holds {count} files delivered from another shoot; give another --out")


def absent(relative: str) -> Frame:
    """A stand-in for the frame of the delivered file `relative` (posix path below OUT): it is no longer there."""
    return Frame(Path(relative).stem, Path(relative), relative, "picture")


def notice_on(names: Collection[str], text: str) -> list[str]:
    """One notice, "FIRST and N more: TEXT", on the files of these names; no notice without names."""
    return [f"{and_more(sorted(names))}: {text}"] if names else []
