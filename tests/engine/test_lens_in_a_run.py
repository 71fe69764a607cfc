"""The step lens within a run: light is found behind the lens, crops and windows follow what it moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.engine import burst_light
from pipeline.engine.jobs import read_shoot
from pipeline.engine.render import window_needed
from pipeline.engine.run import run
from pipeline.engine.solve import Plan
from pipeline.imaging.geometry import Box
from pipeline.imaging.lens.falloff import NODES, Falloff
from pipeline.imaging.lens.warp import of_factors
from pipeline.light.lens import pans
from pipeline.light.scenes import Scene, look
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.report.record import read_record
from pipeline.steps import REGISTRY
from pipeline.steps.crop import CropSolution, CropSource
from pipeline.steps.lens import LensSolution, LensSource
from pipeline.store.cache import Cache
from pipeline.types import Exif, Frame, Image
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
steps:
  - decode:
  - lens: {vignetting: WHICH}
  - white_balance: {method: gray_world}
  - exposure:
deliveries:
  web:
    - resize: {long_edge: 120}
    - tone:
    - save: {format: tiff}
"""


def recipe_of(folder: Path, text: str) -> Recipe:
    folder.mkdir(exist_ok=True)
    (folder / "recipe.yaml").write_text(text, encoding="utf-8")
    return load_recipe(folder / "recipe.yaml", REGISTRY)


@pytest.mark.long
def test_light_is_found_in_pictures_without_the_falloff(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_shoot(
        tmp_path / "shoot", lens=True
    )  # the files of the second burst name a falloff of 0.63 stops at the corners
    seen: dict[str, list[dict[str, np.ndarray]]] = {"none": [], "file": []}

    def spy(frames: Sequence[Frame], images: Sequence[Image], daylight: Any, people: Any) -> Scene:
        seen[which].append({f.name: i.pixels for f, i in zip(frames, images, strict=True)})
        return look(frames, images, daylight, people)

    monkeypatch.setattr(burst_light, "look", spy)
    # Also where lens has looked at the pictures with their falloff before, for pans.
    monkeypatch.setattr(pans, "PANS", replace(pans.PANS, bursts=1))
    cache = Cache.open(tmp_path / "cache")
    shoot = read_shoot(tmp_path / "shoot", models=tmp_path)
    for which in seen:
        outcome = run(
            recipe_of(tmp_path, RECIPE.replace("WHICH", which)), shoot, tmp_path / which, workers=1, cache=cache
        )
        assert not outcome.failed
    (second,) = seen["file"]  # the other burst's light is that of the run before
    before = next(burst for burst in seen["none"] if "TH5_0004" in burst)["TH5_0004"]
    gain = second["TH5_0004"] / before
    assert np.log2(gain[0, 0]) == pytest.approx(np.log2(1 + 0.4 + 0.15), abs=0.02)
    assert gain[before.shape[0] // 2, before.shape[1] // 2] == pytest.approx(1, abs=0.01)
    record = read_record(tmp_path / "file")
    assert record is not None
    assert any("as the file says" in text for text in record.frames["TH5_0005"].decisions)
    assert not any("as the file says" in text for text in record.frames["TH5_0001"].decisions)


SOLUTION = LensSolution(
    LensSource.FILE,
    Falloff(np.linspace(0, 1, NODES)),
    LensSource.FILE,
    of_factors(np.array([1.0, 0, 0.04])).filled(800, 1200),
)
FRAME = Frame("TH1_0005", Path("TH1_0005.dng"), "TH1_0005.dng", "raw", Exif())


def test_more_is_decoded_where_the_lens_moves_places(tmp_path: Path) -> None:
    box = Box(0.6, 0.1, 0.9, 0.5)
    crops = {"web/crop": {FRAME.name: CropSolution(CropSource.TABLE, box)}}
    text = RECIPE.replace("    - resize: {long_edge: 120}\n", "    - crop: {to: box}\n").replace("WHICH", "file")

    def window(lens: LensSolution) -> Box:
        plan = Plan(crops | {"lens": {FRAME.name: lens}}, (), {}, {})
        return window_needed(recipe_of(tmp_path / "r", text), plan, FRAME, (800, 1200), None)

    assert list(window(LensSolution())) == pytest.approx(list(box), abs=1e-3)
    found = window(SOLUTION)
    upright = SOLUTION.upright(FRAME, 800, 1200)
    assert upright is not None
    places = np.random.default_rng(1).uniform(size=(2, 400))
    x, y = upright.source(box.x0 + places[0] * 0.3, box.y0 + places[1] * 0.4)
    assert found.x0 < x.min() and found.y0 < y.min() and found.x1 > x.max() and found.y1 > y.max()
    assert list(found) == pytest.approx([x.min(), y.min(), x.max(), y.max()], abs=0.02)
