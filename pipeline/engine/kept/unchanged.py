"""A run over which nothing has changed since the last: known from what both read, so that it takes seconds and not as
long as deciding 20,000 frames anew.

Only after a run that was clean and had nothing to say of changed files. What counts is everything that a run depends
on: the shoot as read, with all facts and texts; the bytes of every frame; recipe, models, libraries and this program;
and every file in OUT, by what the file system says of it, which no one can change and put back unnoticed.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.engine.jobs import Shoot
from pipeline.engine.kept.manifest import NAME as MANIFEST
from pipeline.engine.kept.manifest import Manifest, read_manifest
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.report.kept_frames import read_kept
from pipeline.report.record import RunRecord, write_record
from pipeline.store.keys import digest_json, environment, program
from pipeline.store.places import digest_below
from pipeline.store.store import REVIEW, ROOT, Store

NAME = "unchanged.json"
_VERSION = 1  # raised when the same inputs may give another run
# Written by every run, or by this module after it has looked.
_APART = {f".work/{name}" for name in (NAME, "lock", "holder.json", "source.json")}


@dataclass(frozen=True)
class UnchangedRules:
    """worth  frames from which deciding anew takes longer than a minute or so (measured, `python -m tests.scale`);
    smaller nights are decided anew each time"""

    worth: int = 1000


RULES = UnchangedRules()


@dataclass(frozen=True)
class _Seen:
    """inputs, out  digests of all that the last run read, and of what the file system says of OUT"""

    inputs: str
    out: str


def inputs_digest(store: Store, shoot: Shoot, recipe: Recipe) -> str:
    """Digest of all that decides what a run does. Raises OSError where a frame cannot be read."""
    read = hashlib.sha256()
    told = (
        shoot.folder, shoot.facts_file, shoot.frames, shoot.bursts, shoot.facts, shoot.missing, shoot.notices,
        shoot.lost, sorted(shoot.own_texts.items()), sorted(shoot.added.items()), shoot.clock_notes,
        sorted(shoot.index.formerly.items()),
    )  # fmt: skip
    for part in told:
        read.update(repr(part).encode("utf-8", "surrogatepass"))
    for frame in shoot.frames:
        read.update(store.frame_digest(frame).encode())
        for path in frame.files[1:]:
            about = path.stat()
            read.update(repr((about.st_size, about.st_mtime_ns, about.st_ctime_ns, about.st_ino)).encode())
    of = {"read": read.hexdigest(), "recipe": [recipe.file, flatten_yaml(recipe)], "models": shoot.models.digest}
    return digest_json({**of, "version": _VERSION, "program": program(), "on": environment()})


def _out_digest(out: Path) -> str:
    """Digest of what the file system says of every file in OUT."""
    digest = hashlib.sha256()
    for folder, below, names in os.walk(out):
        below[:] = sorted(one for one in below if Path(folder, one) != out / ".work" / REVIEW)
        for name in sorted(names):
            path = Path(folder, name)
            relative = path.relative_to(out).as_posix()
            if relative not in _APART:
                about = path.lstat()
                said = (relative, about.st_size, about.st_mtime_ns, about.st_ctime_ns, about.st_ino, about.st_mode)
                digest.update(repr(said).encode("utf-8", "surrogatepass"))
    return digest.hexdigest()


def is_worth(shoot: Shoot, recipe: Recipe, only: str | None) -> bool:
    """Whether to look for a change at all. A push always looks at what is there at its address."""
    pushes = any(
        bound.step.wanted is not None and bound.step.wanted(bound.params).push is not None
        for bound in (delivery.deliver for delivery in recipe.deliveries)
        if bound is not None
    )
    return only is None and len(shoot.frames) >= RULES.worth and not pushes


def unchanged(store: Store, shoot: Shoot, recipe: Recipe) -> RunRecord | None:
    """The record of the last run, where this one would do nothing; None where it must be decided anew."""
    seen = store.record(ROOT, NAME, _Seen)
    try:
        if seen is None or seen != _Seen(inputs_digest(store, shoot, recipe), _out_digest(store.out)):
            return None
        return read_kept(store.out)
    except (OSError, ValueError):
        return None


def keep_unchanged(store: Store, shoot: Shoot, recipe: Recipe) -> None:
    """Remember, at the very end of a clean run, all that it read. Raises OSError."""
    store.put_record(ROOT, NAME, _Seen, _Seen(inputs_digest(store, shoot, recipe), _out_digest(store.out)))


def record_again(store: Store, shoot: Shoot, recipe: Recipe, record: RunRecord) -> None:
    """Write the record of a run that did nothing over that of the last one. Raises OSError."""
    write_record(store.out, record)
    manifest = read_manifest(store)
    if manifest is not None:
        own = {**manifest.own, "run.json": digest_below(store.out, "run.json") or ""}
        store.put_record(ROOT, MANIFEST, Manifest, replace(manifest, own=own))
    keep_unchanged(store, shoot, recipe)
