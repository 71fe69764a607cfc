"""At full size noise is taken out of the mosaic, before the demosaic takes it for detail."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from pipeline.fixtures.dng import write_dng
from skimage import data

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.frame import Clean, DecodeOptions
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.shoot.facts import FrameFacts
from pipeline.steps import crop, denoise
from pipeline.steps.base import ApplyContext
from pipeline.steps.decode import decode
from pipeline.types import Domain, Exif, Frame, Image, Noise, Part

A, B = 3.2e-3, 6.4e-5  # ISO 12,800; simulated, ours
COLOURS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}


def truth() -> np.ndarray:
    """A photograph in scikit-image's wheel, linear (IEC 61966-2-1), drawn smoother than the sensor's pixels."""
    encoded = data.astronaut()[:256, 100:420] / 255.0
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return 0.6 * np.repeat(np.repeat(linear, 2, axis=0), 2, axis=1)


def write(path: Path, scene: np.ndarray, pattern: str) -> None:
    rng = np.random.default_rng(6)
    mosaic = np.empty(scene.shape[:2])
    for place, colour in enumerate(COLOURS[pattern]):
        y, x = divmod(place, 2)
        mosaic[y::2, x::2] = scene[y::2, x::2, colour]
    mosaic += np.sqrt(A * mosaic + B) * rng.standard_normal(mosaic.shape)
    cfa = np.clip(mosaic * (15000 - 512) + 512, 0, 15000).round().astype(np.uint16)
    write_dng(
        path, cfa, black=512, white=15000, pattern=pattern, make="Evencourt", model="Evencourt Test Camera",
        serial="1", lens="", iso=12800, exposure_time=0.001, f_number=2.8, focal_length=85.0,
        time=datetime(2026, 2, 14, 19, 30), color_matrix=np.eye(3), as_shot_neutral=(1.0, 1.0, 1.0),
    )  # fmt: skip


def psnr(pixels: np.ndarray, scene: np.ndarray) -> float:
    def encode(x: np.ndarray) -> np.ndarray:
        return np.clip(x / 0.6, 0, 1) ** (1 / 2.2)

    inner = (slice(8, -8), slice(8, -8))
    return float(-10 * np.log10(np.mean((encode(pixels[inner]) - encode(scene[inner])) ** 2)))


@pytest.mark.parametrize("pattern", sorted(COLOURS))
def test_before_the_demosaic_is_better_than_after(tmp_path: Path, pattern: str) -> None:
    """Wanted on held-out photographs: 0.5 dB; figures over many: python -m tests.denoise_table."""
    scene = truth()
    write(tmp_path / "f.dng", scene, pattern)
    frame = Frame("f", tmp_path / "f.dng", "f.dng", "raw", Exif())
    params = denoise.DenoiseParams(quality="fine", keep_grain=0.0)
    after = denoise.apply(decode(frame, None).image, params, ApplyContext(frame, FrameFacts(), None))
    before = decode(frame, None, DecodeOptions(clean=denoise.on_mosaic(params)))
    assert before.cleaned
    assert psnr(before.image.pixels, scene) > psnr(after.pixels, scene) + 0.5


def test_web_sizes_and_no_strength_leave_the_mosaic_alone(tmp_path: Path) -> None:
    """But for the network of web sizes."""
    write(tmp_path / "f.dng", truth(), "RGGB")
    frame = Frame("f", tmp_path / "f.dng", "f.dng", "raw", Exif())
    for quality in ("standard", "fine", "learned"):
        decoded = decode(frame, 200, DecodeOptions(clean=Clean(1.0, 1.0, 1.0, 0.0, quality)))
        assert decoded.cleaned == (quality == "learned")
    assert denoise.on_mosaic(denoise.DenoiseParams(strength=0.0)) is None


@pytest.mark.parametrize("orientation", [1, 6])
def test_steps_take_a_part_of_a_frame_for_what_it_is(orientation: int) -> None:
    """Light is evened and a crop cut at the same places, whether all of the frame was decoded or the crop alone."""
    rng = np.random.default_rng(3)
    pixels = rng.uniform(0.05, 0.6, (300, 450, 3)).astype(np.float32)
    whole = Image(pixels, Domain.CAMERA, Noise(np.full(3, A), np.full(3, B)), np.ones(3), np.eye(3))
    part = replace(whole, pixels=pixels[60:200, 90:340], part=Part(90, 60, 450, 300))
    gain_map = GainMap(rng.normal(0, 0.2, (4, 3, 3)))
    frame = Frame("f", Path(), "f.dng", "raw", Exif(orientation=orientation))
    solution = crop.CropSolution(crop.CropSource.SUBJECT, Box(0.21, 0.22, 0.74, 0.65), 1.5)
    noise = denoise.DenoiseParams()
    cut = []
    for image in (whole, part):
        even = apply_gain_map(image, gain_map, Orientation(orientation))
        clean = denoise.apply(even, noise, ApplyContext(frame, FrameFacts(), None))
        assert clean.part == image.part
        cut += [
            crop.apply(one, crop.CropParams(), ApplyContext(frame, FrameFacts(), solution)) for one in (even, clean)
        ]
    for of_whole, of_part, apart in ((cut[0], cut[2], 1e-6), (cut[1], cut[3], 0.01)):
        assert of_part.part is None and of_part.pixels.shape == of_whole.pixels.shape
        assert np.abs(of_part.pixels - of_whole.pixels).mean() < apart
        assert of_part.noise_gain_map == pytest.approx(of_whole.noise_gain_map)
