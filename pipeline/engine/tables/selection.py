"""OUT/frames.csv: every frame with its score and what was chosen, to copy over the one of the facts and change."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from pipeline.engine.jobs import Shoot
from pipeline.engine.kept.sent_again import pictures_left
from pipeline.engine.solve import Plan
from pipeline.engine.tables.frame_table import frame_table
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe
from pipeline.shoot.read_facts import FRAMES_FILE, facts_place
from pipeline.store.files import write_atomic
from pipeline.store.places import digest_below
from pipeline.store.store import ROOT, Store
from pipeline.textfile.messages import counted

_RECORD = "proposal.json"


def proposal(shoot: Shoot, recipe: Recipe, plan: Plan) -> str:
    """The CSV text of engine.tables.frame_table, with keep filled in where the recipe selects.

    Copied to where the facts are as it is, the next run makes the same choice; any of it can be changed by hand first.
    What is chosen for somebody is not filled in: kept always, it would go to everybody.
    """
    for_all = [d for d in recipe.deliveries if all(b.step.parted is None for b in d.steps)]
    selecting = [d for d in for_all if any(b.step.leaves_out is not None for _, b in recipe.labelled(d))]
    free = [f.name for f in shoot.frames if not shoot.withheld(f.name)]
    chosen = {name for name in free if any(not plan.left_out(recipe, delivery, name) for delivery in selecting)}
    return frame_table(shoot.frames, shoot.bursts, shoot.facts, plan.ranks, chosen=chosen)


def refuse_typed(shoot: Shoot, out: Path) -> None:
    """Raises InputError where OUT is the folder of the facts, or holds a frames.csv and no run has been there."""
    for folder in facts_place(shoot.folder, shoot.facts_file).folders:
        if folder != shoot.folder and out.exists() and out.samefile(folder):  # of the shoot, store.Store.open says so
            raise InputError(f"{out}: OUT is the folder of the facts, which is never written; choose another folder")
    if (out / FRAMES_FILE).exists() and not Store(out).work.is_dir() and not (out / "run.json").exists():
        if left := pictures_left(Store(out)):
            raise InputError(
                f"{out}: holds {counted(left, 'picture')}, but OUT/.work and OUT/run.json, which say what they are and "
                "where they were sent, are gone, so nothing can be taken back. Look through them, and where they were "
                "sent, for players who must not be shown; then choose another --out"
            )
        raise InputError(
            f"{out / FRAMES_FILE}: no run wrote it, and this one would write over it; choose another --out"
        )


def left_notice(store: Store) -> str:
    """Why OUT/frames.csv must stay as it is, or ""; a person may have typed in it. Raises OSError."""
    there = _digest(store)
    if there is None or there in _written(store):
        return ""
    return f"{FRAMES_FILE} in OUT is not as the last run wrote it, and is left as it is; move it to get a new one"


def proposal_digest(store: Store) -> str | None:
    """SHA-256 of OUT/frames.csv as a run wrote it last; None where none did."""
    return next(iter(_written(store)), None)


def write_proposal(store: Store, text: str) -> None:
    """Write OUT/frames.csv, and remember that it is ours. Raises OSError."""
    data, before = text.encode("utf-8-sig"), _digest(store)
    # Before the file, so that after a kill in between neither the old nor the new one is taken for a person's.
    store.put_record(ROOT, _RECORD, list[str], [sha256(data).hexdigest(), *([before] if before else [])])
    write_atomic(store.out / FRAMES_FILE, data)


def _digest(store: Store) -> str | None:
    return digest_below(store.out, FRAMES_FILE)


def _written(store: Store) -> list[str]:
    return store.record(ROOT, _RECORD, list[str]) or []
