"""The commands and what they take.

Each command's work is in a module of its own, imported when the command runs: `--help` and `steps` then load none of
the numerical libraries, which take seconds. Only this package prints.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline import __version__
from pipeline.cli.console import Commands, quiet_libraries, say, some, warn
from pipeline.cli.options import (
    Browser,
    CacheFolder,
    CheckTable,
    FactsFile,
    FirstModels,
    ForgetHall,
    FrameLimit,
    Halls,
    JerseyNumbers,
    ModelsFolder,
    MovedShoot,
    NewTable,
    NoCache,
    Offline,
    OfHall,
    OutFolder,
    Picture,
    Port,
    RecipeFile,
    ReviewFacts,
    RunFolder,
    Separator,
    ShootFolder,
    Shutter,
    SomeShoot,
    Workers,
)
from pipeline.cli.stop import drop_output, stoppable, unexpected
from pipeline.errors import DEBUG, EvencourtError, RunStoppedError, trace

if TYPE_CHECKING:
    from pipeline.cli.measuring import Measuring

app = typer.Typer(cls=Commands, add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)
models_app = typer.Typer(help="The model files that find people and faces: which are there, and fetching them.")
app.add_typer(models_app, name="models")

_MOST_PROBLEMS = 200  # lines of what is wrong with a recipe and facts; more are of no help


def main() -> None:
    """Console entry: every error is printed as plain text; exit status 2, or 1 where a run stopped.

    The traceback of an error is shown where --debug or EVENCOURT_DEBUG=1 asks for it.
    """
    if "--debug" in sys.argv[1:2]:  # before anything is kept from the terminal
        _debug(True)
    with quiet_libraries():
        _main()


def _main() -> None:
    try:
        app()
        sys.stdout.flush()  # here, where a full disk or a closed pipe still finds words
    except BrokenPipeError:  # who read the output has seen enough
        drop_output()
        sys.exit(1)
    except EvencourtError as error:
        trace(error)
        some(warn, error.lines, "problem", most=_MOST_PROBLEMS)
        sys.exit(1 if isinstance(error, RunStoppedError) else 2)
    except Exception as error:
        trace(error)
        warn(unexpected(error))
        drop_output()
        sys.exit(2)


def _debug(wanted: bool) -> None:
    if wanted:
        os.environ[DEBUG] = "1"


def _print_version(wanted: bool) -> None:
    if wanted:
        say(f"evencourt {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_print_version, help="print the version")
    ] = False,
    debug: Annotated[
        bool,
        typer.Option(
            "--debug", is_eager=True, callback=_debug, help="show tracebacks of errors; also EVENCOURT_DEBUG=1"
        ),
    ] = False,
) -> None:
    """Finish a night's court sport photographs as if one even light had lit the hall."""


def _measuring(
    models: Path | None,
    offline: bool,
    workers: int,
    frame_limit: float | None,
    cache: Path | None,
    no_cache: bool,
    cluster: str | None = None,
) -> Measuring:
    from pipeline.cli.measuring import CacheChoice, Measuring
    from pipeline.workers.executors import WorkChoice

    return Measuring(models, offline, WorkChoice(workers, frame_limit, cluster), CacheChoice(cache, not no_cache))


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="folder to make")] = Path("evencourt-demo"),
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """Write a demonstration shoot of raw files and run the overnight recipe on it."""
    from pipeline.cli.run import run_demo

    with stoppable():
        run_demo(folder, _measuring(models, offline, workers, frame_limit, cache, no_cache))


@app.command()
def gather(
    cards: Annotated[
        list[Path],
        typer.Argument(metavar="CARD", help="memory cards, or folders copied from them; only read", show_default=False),
    ],
    to: Annotated[Path, typer.Option("--to", help="shoot folder to copy into; made if it is not there")],
    also: Annotated[Path | None, typer.Option("--also", help="folder for a second copy, best on another disk")] = None,
) -> None:
    """Copy memory cards into a shoot folder, verified, and say whether they are safe to format."""
    from pipeline.cli.gather import gather_cards

    with stoppable():
        gather_cards(cards, to, also)


@app.command()
def prepare(
    shoot: ShootFolder,
    facts: Annotated[Path, typer.Option("--facts", help="folder to write them into; what is there already is kept")],
    like: Annotated[
        Path | None, typer.Option("--like", help="facts of the last match: carries over roster, teams, hall and texts")
    ] = None,
    separator: Separator = "auto",
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """Write shoot.yaml, roster.csv and frames.csv to fill in, with all that the frames already tell."""
    from pipeline.cli.prepare import prepare_shoot

    with stoppable():
        measuring = _measuring(models, offline, workers, frame_limit, cache, no_cache)
        prepare_shoot(shoot, facts, like, measuring, separator=separator)


@app.command()
def inspect(
    shoot: SomeShoot = None,
    facts: FactsFile = None,
    picture: Picture = None,
    wanted: Shutter = "1/1000",
    halls: Halls = False,
    hall: OfHall = None,
    forget_hall: ForgetHall = None,
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """What is in the folder, and what the frames say about the hall: light, lamps, settings, clocks, warnings."""
    from pipeline.cli.look.hall import shutter_of
    from pipeline.cli.look.halls import about_halls
    from pipeline.cli.look.inspect import inspect_shoot

    if not about_halls(shoot, halls, hall, forget_hall) and shoot is not None:
        with stoppable():
            measuring = _measuring(models, offline, workers, frame_limit, cache, no_cache)
            inspect_shoot(shoot, facts, measuring, shutter_of(wanted), picture)


@app.command()
def captions(
    shoot: ShootFolder,
    file: Annotated[
        Path | None, typer.Argument(help="with --check: the table to read; default: the shoot's own")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="the table to write; if it is there, it is filled up; default: frames.csv in the folder of --facts",
        ),
    ] = None,
    check: CheckTable = False,
    recipe: Annotated[
        Path | None, typer.Option("--recipe", help="recipe whose caption step is used; default: overnight-web")
    ] = None,
    numbers: JerseyNumbers = False,
    separator: Separator = "auto",
    force: NewTable = False,
    facts: FactsFile = None,
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """Write a frames.csv to fill in, one row a frame; with --check, show the captions that one gives."""
    from pipeline.cli.captions import check_table, write_table

    if check:
        check_table(shoot, facts, file, recipe)
    else:
        with stoppable():
            measuring = _measuring(models, offline, workers, frame_limit, cache, no_cache)
            write_table(shoot, facts, file, recipe, out, measuring, separator=separator, force=force, numbers=numbers)


@app.command()
def check(
    recipe: RecipeFile,
    shoot: Annotated[Path | None, typer.Argument(help="also check this shoot, and count what a run would do")] = None,
    facts: FactsFile = None,
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """Validate a recipe and a shoot's facts; print the flattened recipe and what it would do."""
    from pipeline.cli.check import check_recipe

    with stoppable():
        check_recipe(recipe, shoot, facts, _measuring(models, offline, workers, frame_limit, cache, no_cache))


@app.command()
def run(
    recipe: RecipeFile,
    shoot: ShootFolder,
    out: OutFolder,
    facts: FactsFile = None,
    models: ModelsFolder = None,
    offline: Offline = False,
    workers: Workers = 0,
    frame_limit: FrameLimit = None,
    cluster: Annotated[str | None, typer.Option(help="address of a dask scheduler instead of local processes")] = None,
    only: Annotated[str | None, typer.Option(help="only frames whose name matches, such as 'TH1_00*'")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what would be done, and how long it takes")] = False,
    finish_by: Annotated[
        str | None,
        typer.Option(
            "--finish-by",
            help="stop at this time of day, such as 07:00, or date and time; the most wanted frames are done first",
        ),
    ] = None,
    cache: CacheFolder = None,
    no_cache: NoCache = False,
) -> None:
    """Run a recipe over a shoot folder."""
    from pipeline.cli.run import run_shoot

    with stoppable():
        measuring = _measuring(models, offline, workers, frame_limit, cache, no_cache, cluster)
        run_shoot(recipe, shoot, out, facts, measuring, only=only, dry_run=dry_run, finish_by=finish_by)


@app.command()
def status(out: RunFolder) -> None:
    """What a run did, is doing, or left undone."""
    from pipeline.cli.status import show_status

    show_status(out)


@app.command()
def verify(
    out: RunFolder,
    render: Annotated[int, typer.Option(min=0, help="also render so many frames again and compare the bytes")] = 0,
    shoot: Annotated[Path | None, typer.Option(help="with --render: the shoot folder, if it has moved")] = None,
    facts: Annotated[Path | None, typer.Option(help="with --render: the facts, if they have moved")] = None,
    models: ModelsFolder = None,
) -> None:
    """Compare every delivered file with the record of the run."""
    from pipeline.cli.verify import verify_run

    with stoppable():
        verify_run(out, render, shoot, facts, models)


@app.command()
def review(
    out: RunFolder,
    facts: ReviewFacts = None,
    shoot: MovedShoot = None,
    models: ModelsFolder = None,
    workers: Workers = 0,
    port: Port = 0,
    browser: Browser = True,
) -> None:
    """Look, choose, crop and name in the browser, on this computer only."""
    from pipeline.cli.review import review_run

    with stoppable():
        review_run(out, shoot, facts, models, workers=workers, port=port, browser=browser)


@app.command()
def steps(name: Annotated[str | None, typer.Argument(help="one step")] = None) -> None:
    """What each step does and takes."""
    from pipeline.cli.steps import show_steps

    show_steps(name)


@models_app.callback(invoke_without_command=True)
def models(context: typer.Context, folder: FirstModels = None) -> None:
    """The model files that find people and faces: which are there, and fetching them."""
    if context.invoked_subcommand is None:
        list_models(folder)
    elif folder is not None:
        raise typer.BadParameter("goes after the word list; for fetch, it is --to", param_hint="--models")


@models_app.command("list")
def list_models(folder: FirstModels = None) -> None:
    """What each file is for, its licence, and whether it is there."""
    from pipeline.cli.models import list_files

    list_files(folder)


@models_app.command()
def fetch(
    to: Annotated[
        Path | None, typer.Option("--to", help="folder to fetch into, such as one on a stick for another computer")
    ] = None,
) -> None:
    """Fetch the files that are missing, once, over the network; each is checked before it is kept."""
    from pipeline.cli.models import fetch_files

    with stoppable():
        fetch_files(to)


if __name__ == "__main__":
    main()
