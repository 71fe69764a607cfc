"""evencourt verify: whether the delivered files are those of the record, and rendering gives the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import typer

from pipeline.cli.console import note, say, some, warn
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import read_run
from pipeline.engine import run as engine
from pipeline.engine.kept.compare import compare
from pipeline.engine.measure import reason
from pipeline.engine.redaction import Redaction
from pipeline.engine.render import Job, Moved, Refused, render
from pipeline.errors import FrameError, InputError
from pipeline.report.record import RunRecord
from pipeline.store.keys import digest_file
from pipeline.store.places import resolved
from pipeline.store.store import Store
from pipeline.textfile.messages import counted

_OTHER_MODELS = "the model files that find people are not those of the run"
_MOST = 50  # problems that are printed; more are of no help


def verify_run(out: Path, render_count: int, shoot: Path | None, facts: Path | None, models: Path | None) -> None:
    """Print what in `out` was changed, lost or added since its runs: see engine.kept.compare.

    render_count   frames to render again and compare, 0 for none
    shoot, facts   where the shoot folder and its facts are now, if they have moved

    Raises InputError where there is no record or no shoot folder, or a run is going on; typer.Exit(1) where anything
    differs.
    """
    record = read_run(out)
    if record is None:
        begun = Store(out).work.is_dir()
        why = "; the run was stopped before its end: run the same command again" if begun else ""
        raise InputError(f"{out}: holds no run.json; nothing to verify{why}")
    out = resolved(out)
    store = Store(out)
    if store.is_locked():
        raise InputError(f"{out}: a run is writing to this folder now; verify it when that has ended")
    compared = compare(store, record)
    again_of = (record, store, shoot, facts, models, render_count)
    rendered, differ, doubts = _render_again(*again_of) if render_count else (0, [], [])
    some(note, (*compared.notes, *doubts), "note")
    problems = (*compared.problems, *differ)
    some(warn, problems, "problem", most=_MOST)
    again = f", {counted(rendered, 'frame')} rendered again" if render_count else ""
    say(f"{compared.files - compared.wrong} of {compared.files} files as delivered{again}")
    if problems:
        raise typer.Exit(1)


def _render_again(
    record: RunRecord, store: Store, moved: Path | None, facts: Path | None, models: Path | None, count: int
) -> tuple[int, list[str], list[str]]:
    """Render `count` frames, evenly spread, into a scratch folder; how many, what differs from the record, and notes.

    What the run measured is taken from OUT/.work; only what is not there is measured again.
    """
    folder, facts, models = _places(store, moved, facts, models)
    # Files of an earlier recipe are checked by their hash alone: this record cannot say how they were made.
    delivered = [
        name
        for name, frame in record.frames.items()
        if frame.deliveries and all(file.current for file in frame.deliveries.values())
    ]
    chosen = delivered[:: max(1, len(delivered) // count)][:count]
    bad: list[str] = []
    with Store.scratch(folder) as scratch:
        recipe_file = scratch.out / "recipe.yaml"
        recipe_file.write_text(store.recipe() or record.recipe_flat, encoding="utf-8")
        shoot = engine.read_shoot(folder, facts, models, store.out)
        redaction = Redaction(shoot)
        jobs = engine.jobs(read_recipe(recipe_file), shoot, scratch.out / "out", store)
        jobs = {redaction.frame(name): job for name, job in jobs.items()}
        known = store.known_digests()
        for name in chosen:
            time_now = jobs[name].frame.exif.time if name in jobs else None
            if name not in jobs or (time_now.isoformat() if time_now else None) != record.frames[name].time:
                bad.append(f"{name}: the frame of this name in {folder} is another one; is it the right shoot folder?")
            else:
                bad += _differences(name, jobs[name], record, known, scratch)
    if record.models == shoot.models.digest:
        return len(chosen), bad, []
    if not bad:
        return len(chosen), [], [f"{_OTHER_MODELS}: what was rendered again has the same bytes"]
    return len(chosen), [*bad, f"{_OTHER_MODELS}, so crops may differ; give their folder with --models"], []


def _places(
    store: Store, moved: Path | None, facts: Path | None, models: Path | None
) -> tuple[Path, Path | None, Path | None]:
    """The shoot folder, the facts and the model files: those given, else those of the run. Raises InputError."""
    source = store.source()
    folder = moved or (Path(source.shoot) if source.shoot and Path(source.shoot).is_absolute() else None)
    if folder is None:
        raise InputError(f"{store.out}: does not know its shoot folder any more; give it with --shoot")
    if not folder.is_dir():
        raise InputError(f"{folder}: the shoot folder is not there any more; say where it is now with --shoot")
    if facts is None and source.facts and Path(source.facts).is_absolute():
        facts = Path(source.facts)
        if not facts.exists():
            raise InputError(f"{facts}: the facts are not there any more; say where they are now with --facts")
    if models is None and source.models and Path(source.models).is_dir():
        models = Path(source.models)
    return folder, facts, models


def _differences(name: str, job: Job, record: RunRecord, known: Mapping[str, str], scratch: Store) -> list[str]:
    """Render a frame once more: what is not as recorded. known  relative path of a frame -> its SHA-256 in the run.

    Raises RunStoppedError where the disk of the scratch folder is full or the shoot is gone.
    """
    frame = job.frame
    recorded = {d.file: d.sha256 for d in record.frames[name].deliveries.values()}
    try:
        if frame.relative in known and digest_file(frame.path) != known[frame.relative]:
            return [f"{name}: {frame.path} is not the file that was delivered from; copy it again"]
        made = render(replace(job, thumbs=""))
    except (FrameError, OSError) as error:
        scratch.stop_if_lost(error)
        return [f"{name}: cannot be rendered again: {reason(error)}"]
    return [
        f"{one.relative}: renders to other bytes now"
        for one in made
        if isinstance(one, Refused | Moved) or one.sha256 != recorded.get(one.relative)
    ]
