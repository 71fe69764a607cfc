"""evencourt review: the page of a run, with tools to decide, served on this machine only."""

from __future__ import annotations

import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import typer

from pipeline.cli.console import note, say, some
from pipeline.cli.measuring import CacheChoice, open_cache
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import read_run
from pipeline.engine.jobs import read_shoot
from pipeline.engine.redaction import Redaction
from pipeline.engine.tables.frame_table import frame_table
from pipeline.errors import InputError, Problem
from pipeline.recipe.recipe import Recipe
from pipeline.report.record import read_record
from pipeline.review import open_reviews
from pipeline.review.facts_files import adopt, free_folder
from pipeline.review.opened import Opened
from pipeline.review.serve import Server
from pipeline.review.session import Session
from pipeline.shoot.read_facts import FACTS_FILES, FRAMES_FILE
from pipeline.store.files import is_inside, whole_file
from pipeline.store.places import refuse_links, resolved
from pipeline.store.source import Source
from pipeline.store.store import REVIEW, Store
from pipeline.textfile.messages import and_more
from pipeline.textfile.reading import is_there


def review_run(
    out: Path,
    shoot: Path | None,
    facts: Path | None,
    models: Path | None,
    *,
    workers: int,
    port: int,
    browser: bool,
) -> None:
    """Serve the page of the run in `out` until Ctrl-C.

    shoot, facts  where the shoot folder and its facts are now; None for where the run had them
    workers  of a render, 0 for as many as fit; port  0 for any; browser  whether to open one

    Raises InputError where there is no run, or no shoot folder.
    """
    session, where = open_session(out, shoot, facts, models, workers)
    server = Server(session, where, port)
    server.start()
    try:
        say(f"review     {server.address}")
        say("           only this computer can open it; Ctrl-C ends it, and every decision is saved as it is made")
        if browser and not server.open_browser():
            note("no browser could be opened: copy the address into one on this computer")
        server.wait()
    finally:
        if left := server.stop():
            note(f"{left}: start the review again and press Render what changed, or run the same command as before")


def open_session(
    out: Path, shoot: Path | None, facts: Path | None, models: Path | None, workers: int
) -> tuple[Session, str]:
    """The session, and where the facts are, in words. Raises InputError."""
    record = read_run(out, read_record)  # the page asks for its frames again and again
    if record is None:
        raise InputError(f"{out}: holds no run.json; there is nothing to review before a run has ended")
    out = resolved(out)
    refuse_links(out, (".work", f".work/{REVIEW}"))
    store = Store(out)
    source = store.source()
    folder = shoot or (Path(source.shoot) if source.shoot else None)
    if folder is None:
        raise InputError(f"{out}: does not know its shoot folder any more; give it with --shoot")
    if not folder.is_dir():
        raise InputError(
            f"{folder}: the shoot folder is not there now; plug in its disk, or say with --shoot where it is"
        )
    known = _facts(out, folder, source, facts)
    if models is None and source.models and Path(source.models).is_dir():
        models = Path(source.models)
    wrong: list[Problem] = []
    with open_cache(_cache(source, folder), folder) as cache:
        read = read_shoot(folder, known, models, out, wrong, cache)
    some(note, [str(problem) for problem in wrong], "problem")
    recipe, recipe_file = _recipe(store, source, record.recipe)
    redaction = Redaction(read)
    opened = Opened(
        store, read, recipe, recipe_file, redaction.called, redaction.line, known, models, source.only, workers
    )
    session = Session(opened, record)
    if why := session.files.why_not():
        said, _, typed = why.partition("\n")
        note(said)
        say(f"           {typed}")
    if session.opened.others():
        note(open_reviews.SAID)
    return session, str(session.files.folder) if known else "the shoot folder"


def _cache(source: Source, shoot: Path) -> CacheChoice:
    """That of the run, which has looked at all pictures: the page is not to wait for that once more."""
    folder = Path(source.cache) if source.cache else None
    is_there_yet = folder is not None and folder.is_dir() and not is_inside(folder, shoot.resolve())
    return CacheChoice(folder, used=is_there_yet)


def _facts(out: Path, shoot: Path, source: Source, given: Path | None) -> Path | None:
    """The facts to use, copied out of the shoot folder where they were beside the frames and a folder is given."""
    known = Path(source.facts) if source.facts else None
    beside = known is None or is_inside(known.resolve(), shoot.resolve())
    if given is None:
        if known is not None and not known.exists():
            raise InputError(f"{known}: the facts are not there any more; say where they are now with --facts")
        given = _asked(out, shoot) if beside else None
        if given is None:
            return known
    if not beside:
        return given
    if Store(out).is_locked():  # its end would forget the new folder
        raise InputError(f"{out}: a run is on; start the review with --facts when it has ended")
    if given.suffix.lower() in (".yaml", ".yml"):
        raise InputError(f"{given}: give a folder to --facts, to which the facts beside the frames are copied")
    if copied := adopt(shoot, given, out):
        note(f"{and_more([path.name for path in copied])} copied into {given}, which is used from now on")
    if not any(is_there(given / name) for name in FACTS_FILES):
        _begin_table(shoot, given)
    Store(out).keep_source(replace(source, shoot=str(shoot.resolve()), facts=str(given.resolve()), moved=True))
    return given


def _asked(out: Path, shoot: Path) -> Path | None:
    """A folder to copy the facts beside the frames to, where a person at the keyboard wants that; None else."""
    if not sys.stdin.isatty() or not sys.stderr.isatty() or Store(out).is_locked():
        return None
    folder = free_folder(out, shoot)
    note("the facts of this shoot are beside its frames, where nothing is ever written, so nothing could be decided")
    return folder if typer.confirm(f"Copy them to {folder} and decide there?", default=True, err=True) else None


def _begin_table(shoot: Path, folder: Path) -> None:
    """A table of frames in a new facts folder, where nothing is beside the frames: the folder must hold something."""
    read = read_shoot(shoot)
    with suppress(FileExistsError), whole_file(folder / FRAMES_FILE, replaces=False) as file:
        file.write(frame_table(read.frames, read.bursts, read.facts, {}).encode("utf-8-sig"))


def _recipe(store: Store, source: Source, name: str) -> tuple[Recipe | None, Path]:
    """The recipe of the run, and its file: that of the run, or where it is gone what was kept of it."""
    path = Path(source.recipe) if source.recipe else None
    if path is None or not path.is_file():
        kept = store.recipe()
        if kept is None:
            raise InputError(f"{store.out}: does not know its recipe any more; run it once more")
        folder = store.work / REVIEW
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / (Path(name).name if name.endswith((".yaml", ".yml")) else "recipe.yaml")
        with whole_file(path) as file:
            file.write(kept.encode())
    try:
        return read_recipe(path), path
    except InputError as error:
        some(note, error.lines, "problem")
        return None, path
