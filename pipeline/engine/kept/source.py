"""What the run in OUT is of, and whether another may take its place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.engine.jobs import Shoot
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.shoot.read_facts import EVENT_FILE, FRAMES_FILE, ROSTER_FILE
from pipeline.store.source import Source
from pipeline.store.store import Store


def keep_source(store: Store, shoot: Shoot, recipe: Recipe, only: str | None) -> None:
    """Remember what this run is of. Raises OSError, and InputError as `refuse_other_facts`."""
    refuse_other_facts(store, shoot)
    before = store.source()
    moved = before.moved and shoot.facts_file is not None and str(shoot.facts_file.resolve()) == before.facts
    recipe_file = Path(recipe.file)
    store.keep_source(
        Source.of(
            shoot.folder,
            shoot.facts_file,
            shoot.models.folder,
            recipe_file if recipe_file.is_file() else None,
            only,
            moved=moved,
            withholding=_withholding(shoot.facts),
            cache=store.cache_folder,
        )
    )


def refuse_other_facts(store: Store, shoot: Shoot) -> None:
    """Raises InputError where a run of this shoot would publish whom the last one withheld, not because somebody
    changed the facts but because it does not read them: it goes back to those beside the frames though a review has
    copied them elsewhere since, or a file that the last one read is named no more, lost, or empty."""
    before = store.source()
    kept = Path(before.facts) if before.facts is not None else None
    if before.moved and kept is not None and kept.exists() and shoot.facts_file is None:
        raise InputError(
            f"{store.out}: what was decided in the review is in {kept}: add --facts {kept}, or --facts "
            f"{shoot.folder} to leave that aside"
        )
    now = _read(shoot.facts)
    emptied = str(Path(shoot.facts.frames_file).resolve()) if shoot.facts.rows else ""  # cell by cell, by somebody
    lost = [path for name, path in before.withholding.items() if name not in now and path != emptied]
    if not lost:
        return
    if kept is not None and shoot.facts_file is None:
        do = f"add --facts {kept}"
    else:
        do = "put it back, or give the folder where it is to --facts"
    raise InputError(
        f"{store.out}: the last run withheld somebody by {', '.join(lost)}, and this one reads nothing in its place: "
        f"{do}. To go on without, choose another --out"
    )


def _withholding(facts: Facts) -> dict[str, str]:
    read = _read(facts)
    by_event = {EVENT_FILE: read[EVENT_FILE]} if facts.minors and EVENT_FILE in read else {}
    names_anybody = facts.elsewhere or any(row.players or row.words or row.marks for row in facts.rows.values())
    without = {EVENT_FILE} if names_anybody else {EVENT_FILE, FRAMES_FILE}  # a rating that is taken back is no loss
    by_tables = {name: file for name, file in read.items() if name not in without}
    return by_event | (by_tables if any(not player.publish for player in facts.roster) else {})


def _read(facts: Facts) -> dict[str, str]:
    """Name of a file of facts -> whole path of the one that was read, of those in which something is filled in."""
    typed = facts.elsewhere or any(replace(row, line=0) != FrameFacts() for row in facts.rows.values())
    files = {
        EVENT_FILE: facts.source_file,
        ROSTER_FILE: facts.roster_file if facts.roster else "",
        FRAMES_FILE: facts.frames_file if typed else "",
    }
    return {name: str(Path(file).resolve()) for name, file in files.items() if file}
