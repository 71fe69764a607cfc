"""Arguments and options that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

RecipeFile = Annotated[Path, typer.Argument(help="recipe, a YAML file", show_default=False)]
ShootFolder = Annotated[Path, typer.Argument(help="folder of frames; it is never written to", show_default=False)]
RunFolder = Annotated[Path, typer.Argument(help="folder of a run", show_default=False)]
OutFolder = Annotated[Path, typer.Option("--out", help="folder for the deliveries, the record and the report")]
FactsFile = Annotated[
    Path | None, typer.Option("--facts", help="a folder with shoot.yaml, roster.csv and frames.csv, or a shoot.yaml")
]
ModelsFolder = Annotated[Path | None, typer.Option("--models", help="folder of model files, see: evencourt models")]
Offline = Annotated[
    bool, typer.Option("--offline", help="never fetch missing model files; the same as EVENCOURT_OFFLINE=1")
]
FirstModels = Annotated[Path | None, typer.Option("--models", help="a folder to look in first")]
CacheFolder = Annotated[
    Path | None, typer.Option("--cache", help="keep what is measured of frames here, not in the user's cache folder")
]
NoCache = Annotated[bool, typer.Option("--no-cache", help="measure every frame again, and keep nothing of it")]
Separator = Annotated[
    Literal["auto", "comma", "semicolon", "tab"],
    typer.Option(
        "--separator",
        help="between cells; auto: as in a table that is there, else as spreadsheets of this computer's language do",
    ),
]
Workers = Annotated[int, typer.Option("--workers", min=0, help="processes; 0 = one per core, where memory allows")]
FrameLimit = Annotated[
    float | None,
    typer.Option(
        "--frame-limit",
        metavar="SECONDS",
        min=1,
        help="end the work on a frame that takes longer, and name it; default: far more than the others took",
    ),
]
