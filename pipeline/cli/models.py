"""evencourt models: which model files are there, and fetching them."""

from __future__ import annotations

from pathlib import Path

from pipeline.cli.console import note, say, warn
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


def _megabytes(model: modelfiles.ModelFile) -> str:
    return f"{model.size / 1e6:.1f} MB"
