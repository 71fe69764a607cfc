"""The eight orientations of Exif 2.32 (tag 274), against Pillow's ImageOps.exif_transpose and LibRaw's own turning."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest
import rawpy
from PIL import ImageOps
from pipeline.fixtures.dng import write_dng

from pipeline.formats.exif import read_exif
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.geometry import Box, box_to_pixels
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.raw.mosaic import decode_raw

EIGHT = list(Orientation)


def by_pillow(values: np.ndarray, orientation: int) -> np.ndarray:
    """An 8-bit array (H, W, 3) stored with tag 274 and shown upright by Pillow."""
    exif, file = PIL.Image.Exif(), io.BytesIO()
    exif[0x0112] = orientation
    PIL.Image.fromarray(values).save(file, "PNG", exif=exif)
    return np.asarray(ImageOps.exif_transpose(PIL.Image.open(file)))


@pytest.mark.parametrize("orientation", EIGHT)
def test_pixels_turn_as_pillow_turns_them(orientation: Orientation) -> None:
    stored = np.random.default_rng(0).integers(0, 256, (5, 7, 3), dtype=np.uint8)
    upright = by_pillow(stored, orientation)
    assert np.array_equal(orientation.to_upright(stored), upright)
    assert np.array_equal(orientation.to_sensor(upright), stored)
    assert orientation.upright_size(5, 7) == upright.shape[:2]
    assert np.array_equal(orientation.to_upright(stored[..., 0]), upright[..., 0])  # a single plane too
    assert orientation.to_upright(stored).flags.c_contiguous and orientation.to_sensor(upright).flags.c_contiguous


@pytest.mark.parametrize("orientation", EIGHT)
def test_boxes_and_points_follow_marked_pixels(orientation: Orientation) -> None:
    """A rectangle drawn on the upright picture is found where its box says on the stored one; a point likewise."""
    box = Box(0.1, 0.3, 0.35, 0.9)
    height, width = orientation.upright_size(40, 60)
    upright = np.zeros((height, width), np.uint8)
    x0, y0, x1, y1 = box_to_pixels(box, height, width)
    upright[y0:y1, x0:x1] = 1
    stored = orientation.to_sensor(upright)
    x0, y0, x1, y1 = box_to_pixels(orientation.box_to_sensor(box), *stored.shape)
    assert stored[y0:y1, x0:x1].all() and stored.sum() == (y1 - y0) * (x1 - x0)
    for row, column in ((0, 0), (3, 25), (height - 1, 7)):
        mark = np.zeros((height, width), np.uint8)
        mark[row, column] = 1
        x, y = orientation.point_to_sensor((column + 0.5) / width, (row + 0.5) / height)
        stored = orientation.to_sensor(mark)
        assert stored[int(y * stored.shape[0]), int(x * stored.shape[1])] == 1


@pytest.fixture(scope="module")
def turned_raws(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same mosaic eight times, each with another tag 274; invented, with no symmetry of its own."""
    folder = tmp_path_factory.mktemp("turned")
    y, x = np.mgrid[0:64, 0:96]
    scene = 0.1 + 0.3 * x / 96 + 0.2 * y / 64 + 0.2 * ((x // 12 + y // 8) % 3 == 0)
    cfa = (scene * (15000 - 512) + 512).round().astype(np.uint16)
    for orientation in EIGHT:
        write_dng(
            folder / f"{orientation}.dng", cfa, black=512, white=15000, pattern="RGGB", make="Evencourt",
            model="Evencourt Test Camera", serial="1", lens="", iso=100, exposure_time=0.001, f_number=2.8,
            focal_length=85.0, time=datetime(2026, 2, 14, 19, 30), orientation=orientation,
            color_matrix=np.array([[0.83, -0.26, -0.08], [-0.46, 1.24, 0.24], [-0.08, 0.19, 0.6]]),
            as_shot_neutral=(1.0, 1.0, 1.0),
        )  # fmt: skip
    return folder


@pytest.mark.parametrize("orientation", EIGHT)
def test_flip_of_libraw_is_the_tag_it_was_made_from(turned_raws: Path, orientation: Orientation) -> None:
    path = turned_raws / f"{orientation}.dng"
    with rawpy.imread(str(path)) as raw:
        assert Orientation.from_libraw(raw.sizes.flip) is orientation
    assert read_exif(path, "raw").orientation == orientation


@pytest.mark.parametrize("orientation", EIGHT)
def test_full_size_decode_is_turned_as_libraw_turns(turned_raws: Path, orientation: Orientation) -> None:
    path = turned_raws / f"{orientation}.dng"
    decoded = decode_raw(path, orientation, None)
    balance = decoded.daylight
    with rawpy.imread(str(path)) as raw:
        expected = raw.postprocess(
            user_wb=[*balance, balance[1]], output_color=rawpy.ColorSpace.raw, output_bps=16, gamma=(1, 1),
            no_auto_bright=True, adjust_maximum_thr=0.0, highlight_mode=rawpy.HighlightMode.Ignore,
        )  # fmt: skip
    assert decoded.full_size == expected.shape[:2]
    expected = cv2.blur(expected / 65535 * balance.max() / balance, (8, 8))  # two demosaics differ at edges
    assert cv2.blur(decoded.image.pixels, (8, 8)) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("orientation", EIGHT)
def test_web_size_decode_and_detail_turn_with_it(turned_raws: Path, orientation: Orientation) -> None:
    path = turned_raws / f"{orientation}.dng"
    plain = decode_raw(path, Orientation.TOP_LEFT, 48, DecodeOptions(sense=True))
    decoded = decode_raw(path, orientation, 48, DecodeOptions(sense=True))
    assert decoded.full_size == orientation.upright_size(64, 96)
    assert np.array_equal(decoded.image.pixels, orientation.to_upright(plain.image.pixels))
    assert plain.detail is not None and decoded.detail is not None
    assert np.array_equal(decoded.detail.luma, orientation.to_upright(plain.detail.luma))


def test_the_frame_s_orientation_decides_and_not_libraw_s(turned_raws: Path) -> None:
    """Where they disagree the tag turns the pixels, because it turns the gain maps too."""
    decoded = decode_raw(turned_raws / "6.dng", Orientation.TOP_LEFT, None)
    assert decoded.full_size == (64, 96)


@pytest.mark.parametrize("orientation", EIGHT)
def test_pictures_turn_by_their_tag(tmp_path: Path, orientation: Orientation) -> None:
    stored = np.random.default_rng(1).integers(0, 256, (24, 40, 3), dtype=np.uint8)
    exif = PIL.Image.Exif()
    exif[0x0112] = int(orientation)
    PIL.Image.fromarray(stored).save(tmp_path / "o.png", exif=exif)
    upright = srgb_decode(by_pillow(stored, orientation) / np.float32(255))
    assert read_picture(tmp_path / "o.png").pixels == pytest.approx(upright, abs=1e-5)
    assert read_picture(tmp_path / "o.png", Orientation.TOP_LEFT).pixels.shape == (24, 40, 3)
