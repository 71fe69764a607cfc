"""Which of real photographs are proposed as references: those that ../shared/data/SOURCES.md says hold a chart."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from pipeline.engine import solve as solving
from pipeline.engine.jobs import read_shoot
from pipeline.engine.run import measure_shoot
from pipeline.engine.tables.reference_proposals import Proposal, reference_proposals
from pipeline.store.store import Store
from tests.engine.test_run import evencourt, some_frames


def proposed(shoot: Path) -> tuple[Proposal, ...]:
    read = read_shoot(shoot)
    with Store.scratch(shoot) as store:
        measured = measure_shoot(store, read, 1, lambda phase, done, total: None)
        return reference_proposals(store, measured, read.bursts, 1)


def names(found: tuple[Proposal, ...]) -> set[str]:
    return {name for one in found for name in (one.frame, *one.alike)}


@pytest.mark.long
def test_real_charts_are_proposed_and_nothing_else(shared: Callable[[str], Path], tmp_path: Path) -> None:
    charts = ("raw/CRW_0101.CRW", "raw/P003917.KDC", "chart-jpeg/Pentax_ist_DL__IMGP6672.JPG")
    others = (
        "raw/CRW_0112.CRW", "court/a_29880.jpg", "court/b_29905.jpg", "people/15673749081_767a7fa63a_k.jpg",
        "people/33887522274_eebd074106_k.jpg",
    )  # fmt: skip
    for name in (*charts, *others):
        shutil.copy(shared(f"data/{name}"), tmp_path)
    found = proposed(tmp_path)
    assert names(found) == {Path(name).stem for name in charts}
    assert all(one.kind == "chart" and not one.why for one in found)


@pytest.mark.long
def test_a_chart_that_nobody_named_is_in_no_selection_and_the_run_says_so(
    small_shoot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same cards as references, and as frames that nobody said a word about."""
    cards = some_frames(small_shoot[0], tmp_path / "shoot", 8)[:2]
    event = tmp_path / "shoot" / "shoot.yaml"
    facts = yaml.safe_load(event.read_text(encoding="utf-8"))
    assert [one["frame"] for one in facts.pop("references")] == cards
    (tmp_path / "recipe.yaml").write_text(
        "recipe: 1\nsteps: [select: {best: 5}]\ndeliveries: {web: [resize: {long_edge: 64}, save: ]}\n",
        encoding="utf-8",
    )
    command = ("check", tmp_path / "recipe.yaml", tmp_path / "shoot")
    assert "may show a card or chart" not in evencourt(*command)[1]
    event.write_text(yaml.safe_dump(facts), encoding="utf-8")
    status, text = evencourt(*command)
    said = " ".join(text.split())
    assert status == 0, text
    assert f"{cards[0]} and 1 more: may show a card or chart, not the match" in said
    assert "5 of 8" in said

    def broken(*_: object) -> None:
        raise ValueError("odd")

    monkeypatch.setattr(solving, "may_show_references", broken)
    status, text = evencourt(*command)
    assert status == 1 and "cards and charts could not be looked for (ValueError: odd)" in " ".join(text.split())
