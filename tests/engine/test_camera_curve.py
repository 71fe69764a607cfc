"""JPEG frames of a camera with contrast of its own, under a lamp that flickers, through a whole run."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest

from pipeline.engine.run import read_shoot, run
from pipeline.imaging.camera_curve import bend
from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.light.response.test_evidence import hall

pytestmark = pytest.mark.long

RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: camera}
  - exposure: {across: burst}
deliveries:
  web:
    - save: {quality: 95}
"""
LAMP = np.array([0.25, 0.3, 0.4])  # of red, green and blue: filament and discharge lamps differ less


def write_burst(folder: Path, strength: float, frames: int = 6) -> None:
    folder.mkdir()
    light = cv2.resize(hall(3), (480, 270), interpolation=cv2.INTER_NEAREST)
    rng, time = np.random.default_rng(7), "2026:02:14 19:30:00"
    for number, phase in enumerate(rng.uniform(0, 2 * np.pi, frames)):
        lamp = 1 + LAMP * np.sin(2 * np.pi * 0.4 * np.arange(270) / 270 + phase)[:, None, None]
        shown = srgb_encode(bend(np.clip(light * lamp * 1.1, 0, 1).astype(np.float32), strength))
        exif = PIL.Image.Exif()
        exif[271], exif[272], exif[306], exif.get_ifd(0x8769)[36867] = "Make", "One", time, time
        codes = np.round(shown * 255 + rng.normal(0, 1, shown.shape)).clip(0, 255).astype(np.uint8)
        PIL.Image.fromarray(codes).save(folder / f"F{number}.jpg", quality=95, subsampling=0, exif=exif)


@pytest.mark.parametrize("strength", [0.5, 0.0])
def test_every_tone_of_a_burst_is_evened(tmp_path: Path, strength: float) -> None:
    write_burst(tmp_path / "shoot", strength)
    (tmp_path / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    recipe = load_recipe(tmp_path / "recipe.yaml", REGISTRY)
    run(recipe, read_shoot(tmp_path / "shoot", models=tmp_path), tmp_path / "out", workers=1)
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    frames = [record["frames"][f"F{n}"] for n in range(6)]
    curves = [f["solutions"]["decode"].get("curve", 0.0) for f in frames]
    assert curves == [pytest.approx(strength, abs=0.18)] * 6  # rather too little than too much
    told = any("contrast that it gives" in text for text in record["notices"])
    assert told == bool(strength)
    files = [tmp_path / "out" / f["deliveries"]["web"]["file"] for f in frames]
    shown = [np.asarray(PIL.Image.open(f).convert("RGB"), np.float32) / 255 for f in files]
    middles = np.array([[cell(srgb_decode(s), row, column) for row in range(9) for column in range(16)] for s in shown])
    ranges = np.ptp(np.log2(middles), axis=0)[middles.min(axis=0) > 0.03]  # darker ones are noise of 8 bits
    assert np.quantile(ranges, 0.95) < 0.09  # 0.14 where gains multiply what the sRGB curve reads


def cell(light: np.ndarray, row: int, column: int) -> np.ndarray:
    """(3,) mean light of the inner part of one of hall()'s surfaces."""
    y, x = 30 * row, 30 * column
    return light[y + 8 : y + 22, x + 8 : x + 22].mean(axis=(0, 1))
