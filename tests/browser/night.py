"""A small made-up night that has been run, to look at in a browser."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from typer.testing import CliRunner

from tests.scale.evening import name_of, write_frames

COUNT = 6  # of a burst
BAD = "\"><img src=x onerror=ran(1)><script>ran(1)</script>{{ 7 * 7 }}${ran(1)}'&lt;\u202e"
RECIPE = """recipe: 1
steps:
  - decode:
  - white_balance: {method: reference_patch}
  - exposure: {across: burst}
deliveries:
  web:
    - crop: {to: none, aspect: "3:2"}
    - resize: {long_edge: 480}
    - caption:
    - save: {format: jpeg, quality: 80}
  phone:
    - crop: {to: centre, aspect: "4:5"}
    - resize: {long_edge: 320}
    - caption:
    - save: {format: jpeg, quality: 80}
"""
SHOOT = """# The semi-final. Keep this line.
title: Lantern Cup
teams: {home: Harbour Gulls, away: Mill Lane Foxes}   # as on the board
venue: Old Market Hall
city: Westerby
country: NOR
start: 2026-02-14T17:00:00+01:00
"""
ROSTER = """team,number,name,publish
home,7,Ingrid Solbakken,yes
home,12,Åse Holm,
away,7,Zofia Kłosowska,yes
away,9,Mia Sand,no
"""


@dataclass
class Night:
    """Folders of a night: the frames, what a person wrote, and what a run made."""

    shoot: Path
    facts: Path
    out: Path
    recipe: Path

    def copy(self, to: Path) -> Night:
        """The same night elsewhere, but for the frames, which nothing writes."""
        shutil.copytree(self.facts, to / "facts")
        shutil.copytree(self.out, to / "out")
        return Night(self.shoot, to / "facts", to / "out", self.recipe)

    def delivered(self, name: str, delivery: str = "web") -> Path:
        """Where the file of a frame is."""
        return self.out / delivery / f"{name}.jpg"


def write_night(folder: Path, *, hostile: bool = False) -> Night:
    """Draw the frames, write the tables, run the recipe.

    hostile  every text that a person writes, and a file name, tries to become markup, a script or a template
    """
    from pipeline.cli.app import app

    night = Night(folder / "shoot", folder / "facts", folder / "out", folder / "web.yaml")
    night.facts.mkdir(parents=True)
    frames = list(islice(write_frames(night.shoot, COUNT, mixed=True), COUNT))
    rows = "frame,keep,rating,players,words,crop,why\n" + "".join(
        f"{name_of(at)},,,,,,row {at}\n" for at in range(COUNT)
    )
    shoot, roster = SHOOT, ROSTER
    if hostile:
        bad = BAD.replace("/", "")  # no file name has a slash
        frames[-1].rename(frames[-1].with_name(f"{bad}.dng"))
        quoted = '"' + BAD.replace('"', '""') + '"'
        for word in ("Lantern Cup", "Harbour Gulls", "Old Market Hall", "Westerby"):
            shoot = shoot.replace(word, "'" + BAD.replace("'", "''").replace("\u202e", "") + "'")
        roster = roster.replace("Ingrid Solbakken", quoted)
        rows = rows.replace(f"{name_of(0)},,,,,", f"{name_of(0)},,4,home 7,{quoted},")
        rows = rows.replace(f"{name_of(COUNT - 1)},", '"' + bad.replace('"', '""') + '",')
        rows = rows.replace("row 1", quoted)
    (night.facts / "shoot.yaml").write_text(shoot, encoding="utf-8")
    (night.facts / "roster.csv").write_text(roster, encoding="utf-8")
    (night.facts / "frames.csv").write_text(rows, encoding="utf-8")
    night.recipe.write_text(RECIPE, encoding="utf-8")
    where = ["--facts", str(night.facts), "--out", str(night.out)]
    done = CliRunner().invoke(app, ["run", str(night.recipe), str(night.shoot), *where, "--workers", "1"])
    assert done.exit_code == 0, done.output
    return night
