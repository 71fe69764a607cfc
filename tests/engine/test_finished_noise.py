"""A shoot of JPEGs: denoised by what they show together, said in the record, and the same bytes twice."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import PIL.Image
import pytest
import tifffile

from pipeline.engine.run import read_shoot, run
from pipeline.imaging.colour import srgb_encode
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.imaging.denoise.test_picture_noise import noisy, slopes

RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: fixed, multipliers: [1.0, 1.0, 1.0]}
  - denoise: {strength: STRENGTH, keep_grain: 0}
deliveries:
  web:
    - tone:
    - save: {format: tiff}
"""


def write_frames(folder: Path) -> None:
    """Three of one camera and ISO, and one of another ISO."""
    folder.mkdir()
    for number, iso in enumerate((6400, 6400, 6400, 200)):
        exif = PIL.Image.Exif()
        exif[271], exif[272] = "Evencourt", "Evencourt Test Camera"
        exif.get_ifd(0x8769).update({0x8827: iso, 0x9003: f"2026:02:14 19:30:{number:02d}"})
        codes = np.clip(srgb_encode(noisy(slopes(240, 320), number, 0.05)) * 255 + 0.5, 0, 255).astype(np.uint8)
        PIL.Image.fromarray(codes).save(folder / f"J_{number}.jpg", quality=95, subsampling=0, exif=exif)


def delivered(top: Path, name: str, strength: float) -> tuple[dict[str, bytes], dict[str, list[str]]]:
    (top / "recipe.yaml").write_text(RECIPE.replace("STRENGTH", str(strength)), encoding="utf-8")
    out = top / name
    run(load_recipe(top / "recipe.yaml", REGISTRY), read_shoot(top / "shoot", models=top), out, workers=1)
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    files = {path.stem: path.read_bytes() for path in sorted((out / "web").iterdir())}
    return files, {name: frame["decisions"] for name, frame in record["frames"].items()}


@pytest.mark.long
def test_jpegs_are_denoised_together(tmp_path: Path) -> None:
    write_frames(tmp_path / "shoot")
    first, words = delivered(tmp_path, "a", 1.0)
    assert delivered(tmp_path, "b", 1.0)[0] == first
    assert "Denoise: denoised with quality learned by the noise of 3 frames" in words["J_1"]
    assert "Denoise: denoised with quality learned by the noise of this frame alone" in words["J_3"]
    left, plain = delivered(tmp_path, "c", 0.0)
    assert not any("Denoise" in text for text in plain["J_1"])

    def grain(files: dict[str, bytes]) -> float:
        (tmp_path / "one.tif").write_bytes(files["J_1"])
        codes = tifffile.imread(tmp_path / "one.tif") / 257.0
        return float((codes[:, 9:-9] - (codes[:, :-18] + codes[:, 18:]) / 2).std())

    assert grain(first) < 0.55 * grain(left)
