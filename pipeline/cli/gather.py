"""evencourt gather."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import typer
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn, TransferSpeedColumn

from pipeline.cli.console import err_console, note, say, warn
from pipeline.shoot.gather.gather import Gathering
from pipeline.shoot.gather.listing import shown
from pipeline.shoot.gather.result import CardResult, size_text
from pipeline.textfile.messages import counted

_NAMED = 10  # files that are named one by one


def gather_cards(cards: Sequence[Path], to: Path, also: Path | None) -> None:
    """Copy `cards` into `to` and, for a second copy, into `also`; print for each whether it is safe to format.

    Raises InputError where the folders cannot be used, typer.Exit(1) where a card is not safe to format.
    """
    gathering = Gathering(cards, to, also)
    try:
        _run(gathering)
    except KeyboardInterrupt:
        for result in gathering.results:
            if not result.complete:
                result.against.insert(0, "it was stopped by hand; run the same command again to go on")
    for text in gathering.notes:
        note(text)
    for result in gathering.results:
        _show(result)
    for result in gathering.results:  # last, so that it is what stays on the screen
        say(f"{shown(result.card)}: {result.verdict()}")
    if not all(result.safe for result in gathering.results):
        raise typer.Exit(1)


def _run(gathering: Gathering) -> None:
    """With progress where standard error is a terminal."""
    columns = (
        TextColumn("{task.fields[done]} of {task.fields[files]} files"),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=err_console, disable=not err_console.is_terminal, transient=True) as bar:
        task = bar.add_task("", total=None, done=0, files=0)
        done = 0

        def started(size: int, files: int) -> None:
            bar.update(task, total=size, files=files)

        def progress(size: int, files: int) -> None:
            nonlocal done
            done += files
            bar.update(task, advance=size, done=done)

        gathering.run(started, progress)


def _show(result: CardResult) -> None:
    """What was found on one card, and what is worth knowing of it."""
    there = result.gathered - result.copied
    places: dict[tuple[str, int], list[str]] = {}
    for (folder, top), count in result.copied_to.items():
        places.setdefault((top, count), []).append(shown(folder / top))
    parts = [f"{counted(count, 'file')} copied to {' and '.join(where)}" for (_, count), where in places.items()]
    parts += [f"{counted(there, 'file')} already there"] if there > 0 else []
    found = f"{counted(result.found, 'file')}, {size_text(result.size)}"
    say(f"{shown(result.card)}: {found}; {', '.join(parts) or 'none copied'}")
    for path, name in result.renamed[:_NAMED]:
        note(f"{shown(path)} is {shown(name)} now, since its name or place was taken or not every disk takes it")
    if len(result.renamed) > _NAMED:
        note(f"the same is true of {counted(len(result.renamed) - _NAMED, 'more file')}")
    for text in result.notes:
        note(f"{shown(result.card)}: {text}")
    for changed, good in result.changed[:_NAMED]:
        warn(
            f"{shown(changed)} no longer has the bytes that were gathered: it was changed or damaged since; "
            f"{shown(good)} is as on the card"
        )
    if len(result.changed) > _NAMED:
        warn(f"the same is true of {counted(len(result.changed) - _NAMED, 'more file')}")
    for path, why in result.failed[:_NAMED]:
        warn(f"{shown(path)}: {why}")
    if len(result.failed) > _NAMED:
        warn(f"and {counted(len(result.failed) - _NAMED, 'more file')}")
