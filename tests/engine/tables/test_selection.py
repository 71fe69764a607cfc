"""OUT/frames.csv: read back as it is, it keeps facts and choice; any of it can be changed by hand."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.engine.jobs import Shoot
from pipeline.engine.solve import Plan
from pipeline.engine.tables import selection
from pipeline.engine.tables.selection import left_notice, proposal, write_proposal
from pipeline.light.scenes import ShootLight
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.ranking import Ranked
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.shoot.facts import FrameFacts
from pipeline.shoot.read_facts import load_facts
from pipeline.steps import REGISTRY
from pipeline.steps.base import Solution, SolveContext
from pipeline.steps.select import STEP as SELECT
from pipeline.store.store import Store
from pipeline.types import Burst, Exif, Frame
from tests.shoot.called import index_of

EVENT = """\
title: Lantern Cup, semi-final
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
venue: Old Market Hall
"""
ROSTER = """\
team,number,name,publish
home,7,Ingrid Solbakken,yes
home,00,Marit Eikeland,yes
away,12,"Kłosowska, Zofia",yes
"""
FRAMES = '''\
frame,keep,rating,players,words,crop
TH1_0001,,5,home 7; away 12,"meet at the line, ""hard""",0.1 0.2 0.9 0.8
TH1_0002,no,,,,
TH1_0003,,-1,Harbour Gulls 00,=goes up = and over,0.123456 0.00001 0.987654 1
TH1_0005,always,0,,+1 after the break,
TH1_0006,yes,,Zofia Kłosowska,"jumps
to shoot",
'''
NAMES = tuple(f"TH1_{i:04d}" for i in range(1, 10))
BURSTS = (Burst(NAMES[:4]), Burst(NAMES[4:8]), Burst(NAMES[8:]))
ONE = """\
recipe: 1
steps: [decode: ]
deliveries:
  web: [{select: SELECT}, save: ]
"""


def ranks() -> dict[str, Ranked]:
    return {
        n: Ranked(90.0 - i, i + 1, len(b.frames), 4, f"number {i + 1}, sharp")
        for b in BURSTS
        for i, n in enumerate(b.frames)
    }


def shoot_in(folder: Path, frames_csv: str = FRAMES) -> Shoot:
    folder.mkdir(exist_ok=True)
    for name, text in (("shoot.yaml", EVENT), ("roster.csv", ROSTER), ("frames.csv", frames_csv)):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            file.write(text)
    facts, problems, missing = load_facts(folder, None, index_of(NAMES))
    assert (problems, missing) == ([], [])
    frames = tuple(Frame(n, folder / f"{n}.dng", f"{n}.dng", "raw", Exif()) for n in NAMES)
    return Shoot(folder, frames, BURSTS, facts, None, (), (), ModelFiles())


def recipe_of(folder: Path, text: str) -> Recipe:
    path = folder / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    return load_recipe(path, REGISTRY)


def planned(shoot: Shoot, recipe: Recipe) -> Plan:
    """The choice of the recipe's own select steps, over made-up ranks."""

    def none() -> ShootLight:
        raise AssertionError("select needs no light")

    context = SolveContext(shoot.frames, shoot.bursts, shoot.facts, {}, none, lambda: {}, ranks, {})
    solutions: dict[str, Mapping[str, Solution]] = {}
    labelled = [(b, b.step.name) for b in recipe.steps]
    labelled += [(b, f"{d.name}/{b.step.name}") for d in recipe.deliveries for b in d.steps]
    for bound, label in labelled:
        if bound.step is SELECT and bound.step.solve is not None:
            solutions[label] = bound.step.solve(context, bound.params).by_frame
    return Plan(solutions, (), {}, ranks())


def chosen(shoot: Shoot, recipe: Recipe) -> dict[str, list[str]]:
    plan = planned(shoot, recipe)
    return {
        d.name: [n for n in NAMES if not plan.left_out(recipe, d, n) and shoot.facts.row(n).keep]
        for d in recipe.deliveries
    }


def typed(row: FrameFacts) -> FrameFacts:
    """A row without `always`, which the choice fills in, and without its line."""
    return replace(row, always=False, line=0)


@pytest.mark.parametrize("select", ["{best: 1}", "{best: 2}", "{total: 3}", "{rating: 0}", "{best: 2, total: 2}", "{}"])
def test_read_back_the_facts_and_the_choice_are_the_same(tmp_path: Path, select: str) -> None:
    shoot = shoot_in(tmp_path / "a")
    recipe = recipe_of(tmp_path, ONE.replace("SELECT", select))
    before = chosen(shoot, recipe)
    text = proposal(shoot, recipe, planned(shoot, recipe))
    copied = shoot_in(tmp_path / "b", text)
    for name in NAMES:
        assert typed(copied.facts.row(name)) == typed(shoot.facts.row(name))
    assert chosen(copied, recipe) == before
    # And once more: a copy of a copy says the same.
    assert proposal(copied, recipe, planned(copied, recipe)) == text


def test_whom_a_person_marked_it_for_is_read_back(tmp_path: Path) -> None:
    text = "frame,for,rating\r\nTH1_0002,Paper; club page,\r\nTH1_0003,,2\r\n"
    shoot = shoot_in(tmp_path / "a", text)
    assert shoot.facts.row("TH1_0002").marks == ("Paper", "club page") and shoot.facts.row("TH1_0003").marks == ()
    recipe = recipe_of(tmp_path, ONE.replace("SELECT", "{}"))
    copied = shoot_in(tmp_path / "b", proposal(shoot, recipe, planned(shoot, recipe)))
    assert copied.facts.row("TH1_0002").marks == ("Paper", "club page")


def test_without_a_selection_nothing_is_filled_in(tmp_path: Path) -> None:
    shoot = shoot_in(tmp_path / "a")
    recipe = recipe_of(tmp_path, "recipe: 1\nsteps: [decode: ]\ndeliveries:\n  web: [save: ]\n")
    copied = shoot_in(tmp_path / "b", proposal(shoot, recipe, planned(shoot, recipe)))
    assert [replace(copied.facts.row(n), line=0) for n in NAMES] == [replace(shoot.facts.row(n), line=0) for n in NAMES]


def table(text: str) -> list[dict[str, str]]:
    """RFC 4180, by Python's own reader."""
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_every_frame_has_a_row_with_its_score_and_reason(tmp_path: Path) -> None:
    shoot = shoot_in(tmp_path / "a")
    recipe = recipe_of(tmp_path, ONE.replace("SELECT", "{best: 1}"))
    rows = table(proposal(shoot, recipe, planned(shoot, recipe)))
    assert [Path(r["frame"]).stem for r in rows] == list(NAMES)
    assert [r["burst"] for r in rows] == ["1"] * 4 + ["2"] * 4 + ["3"]
    assert rows[3]["score"] == "87.0" and rows[3]["why"] == "number 4, sharp" and rows[3]["suggested"] == "4"
    assert [r["keep"] for r in rows] == ["always", "no", "", "", "always", "", "", "", "always"]


def changed(text: str, frame: str, **cells: str) -> str:
    rows = table(text)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, rows[0].keys())
    writer.writeheader()
    for row in rows:
        writer.writerow({**row, **cells} if Path(row["frame"]).stem == frame else row)
    return out.getvalue()


def test_a_choice_can_be_changed_by_hand(tmp_path: Path) -> None:
    shoot = shoot_in(tmp_path / "a")
    recipe = recipe_of(tmp_path, ONE.replace("SELECT", "{best: 1}"))
    text = proposal(shoot, recipe, planned(shoot, recipe))
    assert chosen(shoot, recipe)["web"] == ["TH1_0001", "TH1_0005", "TH1_0009"]
    other = changed(changed(text, "TH1_0001", keep=""), "TH1_0004", keep="always")
    assert chosen(shoot_in(tmp_path / "b", other), recipe)["web"] == ["TH1_0004", "TH1_0005", "TH1_0009"]
    without = changed(text, "TH1_0009", keep="no")
    assert chosen(shoot_in(tmp_path / "c", without), recipe)["web"] == ["TH1_0001", "TH1_0005"]


def test_frames_that_were_not_ranked_have_a_row_all_the_same(tmp_path: Path) -> None:
    shoot = shoot_in(tmp_path / "a", "frame\n")
    recipe = recipe_of(tmp_path, ONE.replace("SELECT", "{}"))
    plan = replace(planned(shoot, recipe), ranks={})
    rows = table(proposal(shoot, recipe, plan))
    assert len(rows) == len(NAMES) and not any(r["score"] or r["why"] for r in rows)


def test_the_choice_of_several_deliveries_together_is_filled_in(tmp_path: Path) -> None:
    """A frame that any delivery has chosen is kept; what a single delivery left out of those, the copy gives it too."""
    text = ONE.replace("SELECT", "{best: 1}") + "  club: [{select: {best: 2}}, save: ]\n"
    shoot, recipe = shoot_in(tmp_path / "a"), recipe_of(tmp_path, text)
    before = chosen(shoot, recipe)
    copied = shoot_in(tmp_path / "b", proposal(shoot, recipe, planned(shoot, recipe)))
    after = chosen(copied, recipe)
    assert after["club"] == before["club"]
    assert set(before["web"]) <= set(after["web"]) <= set(before["club"])


def test_a_kill_before_the_table_is_written_makes_it_nobody_elses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store.open(tmp_path / "out", tmp_path / "shoot")
    write_proposal(store, "frame\n")

    def killed(path: Path, data: bytes) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(selection, "write_atomic", killed)
        with pytest.raises(KeyboardInterrupt):
            write_proposal(store, "frame,keep\n")
    assert left_notice(store) == "" and (store.out / "frames.csv").read_bytes() == b"\xef\xbb\xbfframe\n"
