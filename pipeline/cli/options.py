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
MovedShoot = Annotated[Path | None, typer.Option("--shoot", help="the shoot folder, if it has moved since the run")]
ReviewFacts = Annotated[
    Path | None,
    typer.Option(
        "--facts",
        help="the facts, if they have moved; if they are beside the frames, a new folder to copy them to",
    ),
]
Port = Annotated[int, typer.Option("--port", min=0, max=65535, help="on this computer; 0 = any that is free")]
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="open the page in the browser")]
CheckTable = Annotated[
    bool, typer.Option("--check", help="read a table back: each caption as it would be embedded, and problems")
]
JerseyNumbers = Annotated[bool, typer.Option("--numbers", help="also suggest players whose jersey numbers can be read")]
NewTable = Annotated[bool, typer.Option("--force", help="write a new table, without what was filled in at --out")]
SomeShoot = Annotated[Path | None, typer.Argument(help="folder of frames; it is never written to", show_default=False)]
Picture = Annotated[Path | None, typer.Option("--picture", help="draw what was found into this PNG")]
Shutter = Annotated[str, typer.Option("--shutter", help="a shutter such as 1/1000, to be told which ISO it needs")]
Halls = Annotated[bool, typer.Option("--halls", help="list the halls whose light is remembered")]
OfHall = Annotated[str | None, typer.Option("--hall", help="show what is remembered of this hall")]
ForgetHall = Annotated[str | None, typer.Option("--forget-hall", help="forget what is remembered of this hall")]
