"""A row of frames.csv that would hold a picture back, and fits no frame: nothing is pushed until a person looks."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.engine.run import read_shoot, run
from pipeline.errors import InputError
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.engine.test_run import evencourt
from tests.golden import write_shoot

RECIPE = "recipe: 1\ndeliveries:\n  web: [resize: {{long_edge: 60}}, save: {{}}{push}]\n"
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,no\nhome,8,Ada Holm,yes\n"


def go(folder: Path, row: str, push: bool) -> set[str]:
    """Names of what is at the address, or in OUT where nothing is pushed."""
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "shoot" / "roster.csv").write_text(ROSTER, encoding="utf-8")
    (folder / "shoot" / "frames.csv").write_text(f"frame,players\n{row}\n", encoding="utf-8")
    (folder / "club").mkdir()
    there = f", deliver: {{push: '{folder / 'club'}'}}" if push else ""
    (folder / "night.yaml").write_text(RECIPE.format(push=there), encoding="utf-8")
    recipe = load_recipe(folder / "night.yaml", REGISTRY)
    run(recipe, read_shoot(folder / "shoot", models=folder), folder / "out", workers=1)
    return {p.name for p in (folder / "club" if push else folder / "out" / "web").rglob("*.jpg")}


def test_nothing_is_pushed_while_a_row_of_a_withheld_player_fits_no_frame(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"frames\.csv:2: .*publish: no.*push") as caught:
        go(tmp_path, "TH5_OOO1,home 7", push=True)
    assert "Siri" not in str(caught.value)
    assert not list((tmp_path / "club").iterdir()) and not (tmp_path / "out" / "web").exists()


@pytest.mark.parametrize(
    ("row", "push", "count"),
    [("TH5_OOO1,home 7", False, 6), ("TH5_OOO1,home 8", True, 6), ("TH5_0001,home 7", True, 5)],
)
def test_otherwise_the_night_goes_on(tmp_path: Path, row: str, push: bool, count: int) -> None:
    assert len(go(tmp_path, row, push)) == count


def test_check_says_it_before_the_night(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        go(tmp_path, "TH5_OOO1,home 7", push=True)
    status, told = evencourt("check", tmp_path / "night.yaml", tmp_path / "shoot")
    assert status == 2 and "frames.csv:2: shows a player whose roster line says publish: no" in told, told
