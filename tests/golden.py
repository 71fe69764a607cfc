"""Summary of what every pixel step makes of one fixed frame: `python -m tests.golden` writes golden.json.

Means and spreads to three digits, so that another processor's last bit does not matter but a change of
look does. Write it anew only together with a raised version of the step that changed.
"""

from __future__ import annotations

import json
import tempfile
from datetime import datetime
from pathlib import Path

import numpy as np
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix

from pipeline.shoot.facts import FrameFacts
from pipeline.steps import REGISTRY
from pipeline.steps.base import ApplyContext
from pipeline.steps.decode import decode
from pipeline.types import Frame, Image

FILE = Path(__file__).with_name("golden.json")
SOLUTIONS = {
    "white_balance": {"gains": [1.8, 1.0, 1.5]},
    "exposure": {"rows": [[1.0 + 0.02 * k, 1.0, 1.0 - 0.03 * k] for k in range(9)]},
    "crop": {"box": None, "source": "centre"},
}
PARAMETERS = {"resize": {"long_edge": 384}, "crop": {"to": "centre", "aspect": "4:5"}}


def summary(image: Image) -> list[float]:
    pixels = image.pixels.reshape(-1, 3).astype(np.float64)
    values = [*pixels.mean(axis=0), *pixels.std(axis=0), *image.noise.a]
    return [float(f"{v:.3g}") for v in values]


def frame(folder: Path) -> Frame:
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:640, 0:960]
    scene = 0.1 + 0.06 * np.sin(x / 68) + 0.08 * ((x // 160 + y // 160) % 2)
    scene += rng.standard_normal(scene.shape) * np.sqrt(1.6e-3 * np.maximum(scene, 0) + 1.6e-5)
    cfa = np.clip(scene * 14488 + 512, 0, 15000).astype(np.uint16)
    write_dng(
        folder / "G.dng", cfa, black=512, white=15000, pattern="GBRG", make="Evencourt", model="Evencourt Test Camera",
        serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8, focal_length=85.0,
        time=datetime(2026, 2, 14, 19, 30), color_matrix=colour_matrix(), as_shot_neutral=(0.55, 1.0, 0.65),
        orientation=6,
    )  # fmt: skip
    return Frame("G", folder / "G.dng", "G.dng", "raw")


def found() -> dict[str, dict]:
    """Step -> its version and the summary after it, each on the result of the ones before."""
    with tempfile.TemporaryDirectory() as folder:
        taken = frame(Path(folder))
        image = decode(taken, 600).image
    result = {"decode": {"version": REGISTRY["decode"].version, "summary": summary(image)}}
    for name in ("white_balance", "exposure", "denoise", "crop", "resize", "tone"):
        step = REGISTRY[name]
        assert step.apply is not None
        params = step.Params(**PARAMETERS.get(name, {}))
        image = step.apply(image, params, ApplyContext(taken, FrameFacts(), SOLUTIONS.get(name, {})))
        result[name] = {"version": step.version, "summary": summary(image)}
    return result


if __name__ == "__main__":
    FILE.write_text(json.dumps(found(), indent=1) + "\n", encoding="utf-8")
