"""evencourt models: which model files are there, and fetching them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.cli.console import note, say, warn
from pipeline.engine.jobs import Shoot
from pipeline.people import modelfiles


def list_files(folder: Path | None) -> None:
    """Print what each file is for, its licence, where it is, and where it was looked for; `folder` comes first."""
    files = modelfiles.find(folder)
    for model in modelfiles.MODELS:
        path: Path | None = getattr(files, model.name)
        say(f"{model.name}: {model.purpose}")
        say(f"  file     {model.file}, {_megabytes(model)}")
        say(f"  licence  {model.licence}")
        say(f"  there    {path or 'no'}")
    say("looked for, in this order, in")
    for place in modelfiles.folders(folder):
        say(f"  {place}")
    for text in files.notices:
        note(text)
    if files.person is None or files.face is None:
        say("to get what is missing: evencourt models fetch")


def fetch_files(to: Path | None) -> None:
    """Fetch the files that are missing into `to`, or into the user's folder of models.

    Raises InputError for a folder that cannot be used, RunStoppedError where a file does not arrive as it should.
    """
    written = modelfiles.fetch(to, started=lambda model: warn(f"fetching {model.file}, {_megabytes(model)}"))
    for path in written:
        say(f"fetched  {path}")
    if not written:
        say("nothing to fetch; all files are there")


def with_models(shoot: Shoot, folder: Path | None, offline: bool) -> Shoot:
    """The shoot with the model files that were missing, fetched where that is possible and wanted.

    folder   looked in first; offline  fetch nothing

    Says in one line what is fetched from where, and in another what is missing then and what to do.
    """
    if missing := modelfiles.ensure(folder, offline, warn):
        note(missing)
    files = modelfiles.find(folder)
    notices = tuple(text for text in shoot.notices if text not in shoot.models.notices)
    return replace(shoot, models=files, notices=(*notices, *files.notices))


def _megabytes(model: modelfiles.ModelFile) -> str:
    return f"{model.size / 1e6:.1f} MB"
