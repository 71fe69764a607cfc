"""evencourt verify: whether the delivered files are those of the record, and rendering gives the same bytes."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import typer

from pipeline.cli.console import say, warn
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import read_run
from pipeline.engine import run as engine
from pipeline.engine.redaction import Redaction
from pipeline.engine.render import Refused, render
from pipeline.errors import InputError
from pipeline.report.record import RunRecord
from pipeline.store.keys import digest_file
from pipeline.store.store import Store
from pipeline.textfile.messages import counted


def verify_run(out: Path, render_count: int, shoot: Path | None, facts: Path | None, models: Path | None) -> None:
    """Print which files in `out` are missing or differ from its record.

    render_count   frames to render again and compare, 0 for none
    shoot, facts   where the shoot folder and its facts are now, if they have moved

    Raises InputError where there is no record or no shoot folder, typer.Exit(1) where anything differs.
    """
    record = read_run(out)
    if record is None:
        raise InputError(f"{out}: holds no run.json; nothing to verify")
    files = {d.file: d.sha256 for f in record.frames.values() for d in f.deliveries.values()}
    files |= {name: d.sha256 for sent in record.sent.values() for name, d in sent.files.items()}
    changed = []
    for relative, digest in sorted(files.items()):
        path = out / relative
        if not path.is_file():
            changed.append(f"{relative}: is missing")
        elif digest_file(path) != digest:
            changed.append(f"{relative}: differs from what was delivered")
    rendered = _render_again(record, out, shoot, facts, models, render_count) if render_count else []
    for text in (*changed, *rendered):
        warn(text)
    again = f", {counted(render_count, 'frame')} rendered again" if render_count else ""
    say(f"{len(files) - len(changed)} of {len(files)} files as delivered{again}")
    if changed or rendered:
        raise typer.Exit(1)


def _render_again(
    record: RunRecord, out: Path, moved: Path | None, facts: Path | None, models: Path | None, count: int
) -> list[str]:
    """Render `count` frames, evenly spread, into a scratch folder; what differs from the record."""
    source = Store(out).source()
    folder = moved or (Path(source.shoot) if source.shoot else None)
    if folder is None:
        raise InputError(f"{out}: does not know its shoot folder any more; give it with --shoot")
    if not folder.is_dir():
        raise InputError(f"{folder}: the shoot folder is not there any more; say where it is now with --shoot")
    if facts is None and source.facts:
        facts = Path(source.facts)
        if not facts.exists():
            raise InputError(f"{facts}: the facts are not there any more; say where they are now with --facts")
    # Files of an earlier recipe are checked by their hash alone: this record cannot say how they were made.
    delivered = [
        name
        for name, frame in record.frames.items()
        if frame.deliveries and all(file.current for file in frame.deliveries.values())
    ]
    chosen = delivered[:: max(1, len(delivered) // count)][:count]
    bad = []
    with tempfile.TemporaryDirectory() as scratch:
        recipe_file = Path(scratch) / "recipe.yaml"
        recipe_file.write_text(Store(out).recipe() or record.recipe_flat, encoding="utf-8")
        shoot = engine.read_shoot(folder, facts, models, out)
        if record.models != shoot.models.digest:
            bad.append("the model files are not those of the run, so crops may differ; give their folder with --models")
        redaction = Redaction(shoot)
        jobs = engine.jobs(read_recipe(recipe_file), shoot, Path(scratch) / "out", Store(out))
        jobs = {redaction.frame(name): job for name, job in jobs.items()}
        for name in chosen:
            time_now = jobs[name].frame.exif.time if name in jobs else None
            if name not in jobs or (time_now.isoformat() if time_now else None) != record.frames[name].time:
                bad.append(f"{name}: the frame of this name in {folder} is another one; is it the right shoot folder?")
                continue
            recorded = {d.file: d.sha256 for d in record.frames[name].deliveries.values()}
            for one in render(replace(jobs[name], thumbs="")):
                if isinstance(one, Refused) or one.sha256 != recorded.get(one.relative):
                    bad.append(f"{one.relative}: renders to other bytes now")
    return bad
