"""What is planned for each frame: nothing of what is withheld, and no more pixels than are shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.engine.jobs import Planner, Shoot
from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.render import long_edge_needed, window_needed
from pipeline.engine.solve import Plan
from pipeline.imaging.geometry import WHOLE, Box
from pipeline.people.modelfiles import ModelFiles
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.steps import REGISTRY
from pipeline.steps.crop import CropSolution, CropSource
from pipeline.steps.select import SelectSolution
from pipeline.types import Exif, Frame

NAMES = tuple(f"TH1_000{n}" for n in range(1, 7))
FACTS = Facts(
    roster=(Player("home", "7", "Ada Brekke", True, 2), Player("home", "9", "Siri Fjellheim", False, 3)),
    rows={
        "TH1_0001": FrameFacts(keep=False),
        "TH1_0002": FrameFacts(players=(("home", "9"),)),
        "TH1_0003": FrameFacts(words="a shot by Siri Fjellheim"),
        "TH1_0005": FrameFacts(players=(("home", "7"),)),
    },
)
HELD = {"TH1_0001", "TH1_0002", "TH1_0003", "TH1_0004"}


def recipe(tmp_path: Path, steps: str = "  - decode:\n", web: str = "", more: str = "") -> Recipe:
    path = tmp_path / "recipe.yaml"
    path.write_text(
        f"recipe: 1\nsteps:\n{steps}deliveries:\n  web:\n{web}    - caption:\n    - save:\n{more}", encoding="utf-8"
    )
    return load_recipe(path, REGISTRY)


def shoot() -> Shoot:
    frames = tuple(Frame(n, Path(f"{n}.dng"), f"{n}.dng", "raw", Exif()) for n in NAMES)
    own = {"TH1_0004": "its metadata names a player whose line in the roster says publish: no (line 3)"}
    return Shoot(Path(), frames, (), FACTS, None, (), (), ModelFiles(), own)


def measured(*bad: str) -> list[MeasuredFrame]:
    return [
        MeasuredFrame(f, "0" * 64, "key", (800, 1200), error="it is cut short" if f.name in bad else "")
        for f in shoot().frames
    ]


def plan(solutions: dict | None = None) -> Plan:
    return Plan(solutions or {}, (), {}, {})


def test_why_a_frame_is_withheld() -> None:
    """Four ways to say so: keep: no; a player, or words that name one, whose line says publish: no; its own texts."""
    found = shoot()
    assert {n for n in NAMES if found.withheld(n)} == HELD
    assert "keep: no" in found.withheld("TH1_0001") and "(line 3)" in found.withheld("TH1_0002")
    assert not any("Fjellheim" in found.withheld(n) for n in NAMES)


def test_nothing_is_planned_of_what_is_withheld_or_cannot_be_read(tmp_path: Path) -> None:
    planner = Planner(tmp_path, shoot(), recipe(tmp_path))
    planned, failed = planner.plan(measured("TH1_0006"), plan())
    assert set(planned) == {"TH1_0005"} and failed == {}
    job, delivered = planned["TH1_0005"]
    assert [o.relative for o in job.outputs] == ["web/TH1_0005.jpg"]
    assert "Ada Brekke" in delivered[0].caption


def test_no_text_is_allowed_for_a_file_that_may_not_stand(tmp_path: Path) -> None:
    """What earlier runs left is held against this: a file that is not in it goes."""
    planner = Planner(tmp_path, shoot(), recipe(tmp_path))
    assert set(planner.texts(measured("TH1_0006"), plan(), {})) == {"web/TH1_0005.jpg", "web/TH1_0006.jpg"}


@pytest.mark.parametrize("where", ["select", "web/select"])
def test_a_frame_that_is_not_chosen_is_left_out(tmp_path: Path, where: str) -> None:
    steps, web = (
        ("  - decode:\n  - select: {best: 1}\n", "") if where == "select" else ("  - decode:\n", "    - select:\n")
    )
    planner = Planner(tmp_path, shoot(), recipe(tmp_path, steps, web))
    choice = {"TH1_0005": SelectSolution(False, "not the best"), "TH1_0006": SelectSolution(True, "the best")}
    planned, _ = planner.plan(measured(), plan({where: choice}))
    assert set(planned) == {"TH1_0006"}
    assert set(planner.texts(measured(), plan({where: choice}), planned)) == {"web/TH1_0006.jpg"}


SMALL = "    - resize: {long_edge: 300}\n"
FIFTH = Frame("TH1_0005", Path("TH1_0005.dng"), "TH1_0005.dng", "raw", Exif())
CUT = {"web/crop": {"TH1_0005": CropSolution(CropSource.TABLE, Box(0.25, 0.1, 0.75, 0.6))}}


def test_a_frame_is_decoded_as_large_as_the_largest_delivery_needs(tmp_path: Path) -> None:
    def edge(web: str, more: str = "", solutions: dict | None = None, steps: str = "  - decode:\n") -> int | None:
        return long_edge_needed(recipe(tmp_path, steps, web, more), plan(solutions), "TH1_0005", (800, 1200))

    assert edge(SMALL) == 300
    assert edge("    - crop: {to: box}\n" + SMALL, solutions=CUT) == 600  # half of the width is to come out at 300
    assert edge(SMALL, "  print:\n    - resize: {long_edge: 700}\n    - save:\n") == 700
    assert edge("    - resize: {long_edge: 700}\n", "  print:\n    - resize: {long_edge: 300}\n    - save:\n") == 700
    assert edge("") is None  # a delivery without a resize wants every pixel
    assert edge(SMALL, "  print:\n    - save:\n") is None
    assert edge("    - resize: {long_edge: 1200}\n") is None
    assert edge(SMALL, steps="  - decode: {size: full}\n") is None


def test_what_is_cleaned_at_full_size_is_what_any_delivery_shows(tmp_path: Path) -> None:
    def window(solutions: dict, edge: int | None = None) -> Box:
        web = "    - crop: {to: box}\n"
        more = "  print:\n    - crop: {to: box}\n    - save:\n"
        return window_needed(recipe(tmp_path, web=web, more=more), plan(solutions), FIFTH, (800, 1200), edge)

    other = {"print/crop": {"TH1_0005": CropSolution(CropSource.TABLE, Box(0.5, 0.3, 0.9, 0.8))}}
    assert window(CUT | other) == pytest.approx(Box(0.25, 0.1, 0.9, 0.8), abs=1e-3)
    assert window(CUT) == WHOLE  # the other delivery shows all of it
    assert window(CUT | other, edge=700) == WHOLE  # the mosaic is not cleaned at that size
    turned = {"print/crop": {"TH1_0005": CropSolution(CropSource.TABLE, Box(0.5, 0.3, 0.9, 0.8), turned=1.0)}}
    found = window(CUT | turned)  # by a degree, which moves the lower corner at the right by 6 pixels
    assert found.x1 == pytest.approx(0.9 + (0.3 * 800 * 0.01745 + 6) / 1200, abs=2e-3)
    assert found.y1 == pytest.approx(0.8 + 6 / 800, abs=2e-3) and found[:2] == pytest.approx((0.25, 0.1), abs=1e-3)
