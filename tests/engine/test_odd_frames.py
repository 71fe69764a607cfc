"""A lens cap, a flash that burnt everything and 5 s of exposure: what a night says about such frames."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from tests.engine.test_run import evencourt
from tests.imaging.raw.test_mosaic import write

RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: gray_world}
deliveries:
  web:
    - resize: {long_edge: 96}
    - save:
"""


def test_frames_that_show_nothing_are_delivered_and_named_on_their_line(tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    rng = np.random.default_rng(2)
    scene = np.kron(rng.uniform(0.05, 0.7, (16, 24, 3)), np.ones((8, 8, 1))) + rng.normal(0, 0.002, (128, 192, 3))
    write(shoot / "CAP.dng", rng.normal(0, 0.001, (128, 192, 3)))
    write(shoot / "FLASH.dng", np.where(np.arange(192)[None, :, None] < 4, scene, 1.0))
    write(shoot / "GOOD.dng", scene, exposure_time=5.0)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    status, text = evencourt("run", recipe, shoot, "--out", tmp_path / "out", "--workers", 1)
    assert status == 0, text
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    said = {name: " ".join(frame["notices"]) for name, frame in record["frames"].items()}
    assert "black" in said["CAP"] and "clipped" in said["FLASH"]
    assert "black" not in said["GOOD"] and "clipped" not in said["GOOD"]
    assert "CAP: nearly all of it is black" in " ".join(text.split())
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "nearly all of it is black" in report and '"exposure_time":5.0' in report
    status, text = evencourt("inspect", shoot)
    assert status == 0 and "5 s" in text and "1/0" not in text
