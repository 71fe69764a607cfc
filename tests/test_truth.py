"""The generated shoot against its ground truth, and the decode against an independent reading."""

from __future__ import annotations

from datetime import datetime

import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from pipeline.fixtures.light import LEFT, RIGHT, Lamp, colour_matrix, response, tables

from pipeline.formats.exif import read_exif
from pipeline.imaging.colour import camera_to_working
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.mosaic import decode_raw
from tests.tables import numbers


def test_residual_flicker_after_an_exposure() -> None:
    """The mean over an exposure keeps sinc(f T) of the modulation: worked values of the closed form."""
    for row in numbers("sine_flicker"):
        lamp = Lamp("LED-B3", row["m"], 0.0)
        light = lamp.during(np.linspace(0, 1 / row["f"], 2001), row["T"], row["f"])
        assert (light.max() - light.min()) / 2 == pytest.approx(row["residual_modulation"], abs=2e-4)


def test_libraw_and_another_reader_see_the_same_mosaic(small_shoot) -> None:
    path = small_shoot[0] / "TH1_0003.dng"
    with rawpy.imread(str(path)) as raw:
        ours = raw.raw_image_visible.copy()
        assert raw.white_level == 15000 and raw.color_desc == b"RGBG"
    assert (tifffile.imread(path) == ours).all()


def test_decode_is_the_area_mean_of_the_mosaic(small_shoot) -> None:
    """At an eighth of the size the decode is, but for the demosaic's reach, the mean of each colour's pixels."""
    path = small_shoot[0] / "TH1_0001.dng"
    mosaic = (tifffile.imread(path).astype(float) - 512) / (15000 - 512)
    image = decode_raw(path, Orientation.TOP_LEFT, 96).image.pixels
    blocks = mosaic.reshape(64, 8, 96, 8)
    for channel, cell in ((0, blocks[:, 0::2, :, 0::2]), (2, blocks[:, 1::2, :, 1::2])):
        difference = image[..., channel] - cell.mean(axis=(1, 3))
        assert abs(np.median(difference)) < 3e-4 and np.abs(difference).mean() < 6e-3


def test_noise_is_what_the_truth_says(small_shoot) -> None:
    """Two colours of one flat card: the variance of the mosaic follows a x + b."""
    folder, truth = small_shoot
    entry = truth["frames"]["TH1_0001"]
    mosaic = (tifffile.imread(folder / "TH1_0001.dng").astype(float) - 512) / (15000 - 512)
    h, w = mosaic.shape
    x0, y0, x1, y1 = entry["card"]
    part = mosaic[int(y0 * h) // 2 * 2 : int(y1 * h), int(x0 * w) // 2 * 2 : int(x1 * w)]
    for cell in (part[0::2, 0::2], part[0::2, 1::2], part[1::2, 1::2]):
        assert cell.var() == pytest.approx(entry["a"] * cell.mean() + entry["b"], rel=0.25)


def test_card_has_the_colour_of_its_lamps(small_shoot) -> None:
    """The reference patch against the camera's answer to the published spectra of the two lamps."""
    folder, truth = small_shoot
    grey = tables()["reflectances"]["neutral 5 (.70 D)"]
    for name, x in (("TH1_0001", -7.0), ("TH1_0002", 7.0)):
        entry = truth["frames"][name]
        image = decode_raw(folder / f"{name}.dng", Orientation.TOP_LEFT, 384).image.pixels
        h, w = image.shape[:2]
        x0, y0, x1, y1 = entry["card"]
        patch = image[int(y0 * h) : int(y1 * h), int(x0 * w) : int(x1 * w)].mean(axis=(0, 1))
        share = 0.5 + 0.46 * np.tanh(x / 5)
        left, right = (np.mean(entry["flicker"][k][4:6]) for k in ("left", "right"))
        expected = (1 - share) * left * response(grey, LEFT.spectrum) + share * right * response(grey, RIGHT.spectrum)
        assert patch / patch[1] == pytest.approx(expected / expected[1], rel=0.03)


def test_exif_by_another_reader(small_shoot) -> None:
    path = small_shoot[0] / "TH1_0004.dng"
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    ours = read_exif(path, "raw")
    stamp = f"{tags['EXIF DateTimeOriginal']}.{tags['EXIF SubSecTimeOriginal']}"
    assert ours.time == datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S.%f") and ours.has_subseconds
    assert str(tags["EXIF ISOSpeedRatings"]) == f"{ours.iso:.0f}"
    assert ours.exposure_time == pytest.approx(0.001) and ours.lens == "85 mm f/1.8"


def test_colour_matrix_is_that_of_the_spectra() -> None:
    """XYZ of D65 white through the matrix gives the camera's answer to white under D65, within the fit."""
    white = response(np.ones(31), "D65")
    assert colour_matrix() @ np.array([0.9505, 1.0, 1.089]) == pytest.approx(white, rel=0.05)


def test_dng_brings_its_own_matrix(small_shoot) -> None:
    """LibRaw's reading of ColorMatrix1 against the closed form from the very matrix that was written."""
    raw = decode_raw(small_shoot[0] / "TH1_0001.dng", Orientation.TOP_LEFT, 96)
    expected, daylight = camera_to_working(colour_matrix())
    assert raw.image.to_working == pytest.approx(expected, abs=0.02)
    assert raw.daylight == pytest.approx(daylight, rel=0.02)
    assert raw.notices == ()
