"""The commands about model files: evencourt models list, evencourt models fetch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from pipeline.people import modelfiles

app = typer.Typer(help="The model files that find people and faces: which are there, and fetching them.")
out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

Folder = Annotated[Path | None, typer.Option("--models", help="a folder to look in first")]


@app.callback(invoke_without_command=True)
def models(context: typer.Context, folder: Folder = None) -> None:
    """The model files that find people and faces: which are there, and fetching them."""
    if context.invoked_subcommand is None:
        _list(folder)
    elif folder is not None:
        raise typer.BadParameter("goes after the word list; for fetch, it is --to", param_hint="--models")


@app.command("list")
def list_files(folder: Folder = None) -> None:
    """What each file is for, its licence, and whether it is there."""
    _list(folder)


def _list(folder: Path | None) -> None:
    files = modelfiles.find(folder)
    for model in modelfiles.MODELS:
        path: Path | None = getattr(files, model.name)
        _say(f"{model.name}: {model.purpose}")
        _say(f"  file     {model.file}, {_megabytes(model)}")
        _say(f"  licence  {model.licence}")
        _say(f"  there    {path or 'no'}")
    _say("looked for, in this order, in")
    for place in modelfiles.folders(folder):
        _say(f"  {place}")
    for text in files.notices:
        err_console.print(f"note: {text}", markup=False)
    if files.person is None or files.face is None:
        _say("to get what is missing: evencourt models fetch")


@app.command()
def fetch(
    to: Annotated[
        Path | None, typer.Option("--to", help="folder to fetch into, such as one on a stick for another computer")
    ] = None,
) -> None:
    """Fetch the files that are missing, once, over the network; each is checked before it is kept."""
    written = modelfiles.fetch(
        to, started=lambda model: err_console.print(f"fetching {model.file}, {_megabytes(model)}", markup=False)
    )
    for path in written:
        _say(f"fetched  {path}")
    if not written:
        _say("nothing to fetch; all files are there")


def _megabytes(model: modelfiles.ModelFile) -> str:
    return f"{model.size / 1e6:.1f} MB"


def _say(text: str) -> None:
    out_console.print(text, markup=False)
