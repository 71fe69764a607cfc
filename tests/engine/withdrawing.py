"""A night of three pictures with two players, one of whom withdraws after delivery, as files."""

from __future__ import annotations

import os
from pathlib import Path

import PIL.Image

ROSTER = "team,number,name,publish\nhome,7,Ida Marlow,\nhome,8,Lea Ost,\n"
WITHDRAWN = ROSTER.replace("Lea Ost,", "Lea Ost,no")


def write_night(folder: Path, recipe: str, rows: str) -> None:
    """Shoot, roster, frames.csv and recipe below `folder`; ADDRESS in the recipe becomes the folder `sent` there."""
    for name in ("shoot", "sent"):
        (folder / name).mkdir(parents=True)
    for number in range(1, 4):
        noise = PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3))
        noise.save(folder / "shoot" / f"TH1_000{number}.jpg")
    (folder / "recipe.yaml").write_text(recipe.replace("ADDRESS", (folder / "sent").as_posix()))
    (folder / "shoot" / "roster.csv").write_text(ROSTER)
    (folder / "shoot" / "frames.csv").write_text(rows)
