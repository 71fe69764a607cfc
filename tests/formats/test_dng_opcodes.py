"""What a DNG says of its lens. The expected values are the formulas of the Adobe DNG specification 1.6, chapter 7
(FixVignetteRadial, WarpRectilinear, GainMap), worked out here by hand; the layout of the lists is from there too."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix

from pipeline.formats.dng_opcodes import read_lens_opcodes
from pipeline.imaging.lens.falloff import COARSE, Falloff
from pipeline.imaging.lens.opcodes import NO_OPCODES, falloff_of, warp_of
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.mosaic import decode_raw
from tests.opcodes import gain_map, opcode, opcode_list, vignette, warp

HEIGHT, WIDTH = 200, 300
UPRIGHT = Orientation.TOP_LEFT


def dng(path: Path, list2: bytes = b"", list3: bytes = b"", pattern: str = "RGGB") -> Path:
    mosaic = np.random.default_rng(5).integers(5000, 7000, (HEIGHT, WIDTH)).astype(np.uint16)
    write_dng(
        path, mosaic, black=512, white=15000, pattern=pattern, make="Evencourt",
        model="Evencourt Test Camera", serial="1", lens="", iso=3200, exposure_time=0.001, f_number=2.8,
        focal_length=85.0, color_matrix=colour_matrix(), time=datetime(2026, 2, 14, 19, 30),
        as_shot_neutral=(0.6, 1.0, 0.55), opcodes=(list2, list3),
    )  # fmt: skip
    return path


def falloff(path: Path) -> Falloff:
    found = falloff_of(read_lens_opcodes(path))
    assert found is not None
    return found


def test_the_radial_gain_is_that_of_the_specification(tmp_path: Path) -> None:
    k = (0.35, 0.21, -0.05, 0.04, 0.02)
    gains = falloff(dng(tmp_path / "a.dng", list3=opcode_list(vignette(*k)))).gains_on(HEIGHT, WIDTH, UPRIGHT)
    # r is the distance from the centre over that of the corner: at the middle of the right edge 150 of 180.28 pixels.
    for r, got in (
        (0.0, gains[31:33, 31:33].mean()),
        (150 / np.hypot(150, 100), gains[31:33, -1].mean()),
        (1.0, gains[0, 0, 0]),
    ):
        want = 1 + sum(v * r ** (2 * n + 2) for n, v in enumerate(k))
        assert np.abs(np.log2(got / want)).max() < 0.003
    assert gains.shape == (COARSE, COARSE, 3) and gains[0, 0].tolist() == gains[-1, -1].tolist()


def test_the_centre_of_the_radial_gain_may_lie_elsewhere(tmp_path: Path) -> None:
    gains = falloff(dng(tmp_path / "a.dng", list3=opcode_list(vignette(0.6, centre=(0.25, 0.5))))).gains_on(
        HEIGHT, WIDTH, UPRIGHT
    )
    far = np.hypot(225, 100)  # pixels to the corners at the right
    assert gains[0, -1, 1] == pytest.approx(1.6, rel=0.002)
    assert gains[0, 0, 1] == pytest.approx(1 + 0.6 * (np.hypot(75, 100) / far) ** 2, rel=0.002)
    upright = falloff(dng(tmp_path / "a.dng", list3=opcode_list(vignette(0.6, centre=(0.25, 0.5))))).gains_on(
        WIDTH, HEIGHT, Orientation.RIGHT_TOP
    )
    # The sensor's left side is the top of a picture of orientation 6 (Exif 2.32, tag 274).
    assert upright[0, 0, 1] == gains[-1, 0, 1] and upright[-1, 0, 1] == pytest.approx(1.6, rel=0.002)


def test_gain_maps_of_a_mosaic_go_to_their_colours(tmp_path: Path) -> None:
    ramp = np.linspace(1, 2, 3)[None, :, None] * np.ones((2, 1, 1))  # across
    steep = np.linspace(1, 3, 2)[:, None, None] * np.ones((1, 2, 1))  # down
    one = np.ones((1, 1, 1))
    list2 = opcode_list(
        gain_map(ramp, (HEIGHT, WIDTH), (0, 0), 2), gain_map(one * 1.2, (HEIGHT, WIDTH), (0, 1), 2),
        gain_map(one * 1.2, (HEIGHT, WIDTH), (1, 0), 2), gain_map(steep, (HEIGHT, WIDTH), (1, 1), 2),
    )  # fmt: skip
    gains = falloff(dng(tmp_path / "a.dng", list2)).gains_on(HEIGHT, WIDTH, UPRIGHT)
    assert gains[:, :, 1] == pytest.approx(1.2, rel=1e-3)
    assert gains[10, :, 0] == pytest.approx(np.linspace(1, 2, COARSE), rel=1e-3)
    assert gains[:, 10, 2] == pytest.approx(np.linspace(1, 3, COARSE), rel=1e-3)


def test_the_place_in_a_cell_gives_the_colour(tmp_path: Path) -> None:
    maps = (gain_map(np.full((1, 1, 1), 1.5), (HEIGHT, WIDTH), at, 2) for at in ((0, 1), (0, 0), (1, 1)))
    gains = falloff(dng(tmp_path / "a.dng", opcode_list(*maps), pattern="GRBG")).gains_on(HEIGHT, WIDTH, UPRIGHT)
    assert gains[5, 5] == pytest.approx([1.5, 1.5, 1.0], rel=1e-3)  # red is to the right of the first green


def test_a_gain_map_of_the_picture_multiplies_with_the_radial_gain(tmp_path: Path) -> None:
    list3 = opcode_list(vignette(0.5), gain_map(np.full((2, 2, 1), 1.5), (HEIGHT, WIDTH), planes=3))
    gains = falloff(dng(tmp_path / "a.dng", list3=list3)).gains_on(HEIGHT, WIDTH, UPRIGHT)
    assert gains[0, 0] == pytest.approx(2.25, rel=0.003) and gains[31, 31] == pytest.approx(1.5, rel=0.003)


def test_the_warp_is_that_of_the_specification(tmp_path: Path) -> None:
    plane = (1.0, 0.03, -0.02, 0.005, 0.001, -0.002)
    found = warp_of(read_lens_opcodes(dng(tmp_path / "a.dng", list3=opcode_list(warp(plane)))))
    assert found is not None
    m = np.hypot(150, 100)
    dx, dy = (240 - 150) / m, (40 - 100) / m
    r2 = dx * dx + dy * dy
    f = 1.0 + 0.03 * r2 - 0.02 * r2**2 + 0.005 * r2**3
    to_x = 150 + m * (f * dx + 0.001 * (2 * dx * dy) - 0.002 * (r2 + 2 * dx * dx))
    to_y = 100 + m * (f * dy - 0.002 * (2 * dx * dy) + 0.001 * (r2 + 2 * dy * dy))
    x, y = found.source(np.array([240 / WIDTH]), np.array([40 / HEIGHT]), 0, HEIGHT, WIDTH)
    assert (x[0] * WIDTH, y[0] * HEIGHT) == pytest.approx((to_x, to_y), abs=1e-4)


def test_libraw_leaves_the_opcodes_to_us(tmp_path: Path) -> None:
    """Else they would be carried out twice."""
    list3 = opcode_list(
        vignette(3.0), warp((0.9, 0, 0, 0, 0, 0)), gain_map(np.full((2, 2, 1), 2.0), (HEIGHT, WIDTH), planes=3)
    )
    list2 = opcode_list(gain_map(np.full((2, 2, 1), 2.0), (HEIGHT, WIDTH)))
    plain = decode_raw(dng(tmp_path / "a.dng"), UPRIGHT, None).image.pixels
    told = decode_raw(dng(tmp_path / "b.dng", list2, list3), UPRIGHT, None).image.pixels
    assert np.array_equal(plain, told)


@pytest.mark.parametrize(
    "data",
    [
        b"\0\0\0\1",
        opcode_list(vignette(0.3))[:-9],
        opcode_list(opcode(3, b"\0" * 8)),
        opcode_list(vignette(float("nan"))),
        opcode_list(gain_map(np.zeros((2, 2, 1)), (HEIGHT, WIDTH))),
        opcode_list(opcode(9, b"\xff" * 120)),
        opcode_list(opcode(1, b"\0\0\0\2" + b"\0" * 112)),
        b"\xff" * 64,
    ],
)
def test_a_list_that_cannot_be_read_says_nothing(tmp_path: Path, data: bytes) -> None:
    found = read_lens_opcodes(dng(tmp_path / "a.dng", list3=data))
    assert found == NO_OPCODES and falloff_of(found) is None and warp_of(found) is None


def test_gains_that_no_lens_needs_are_not_believed(tmp_path: Path) -> None:
    assert falloff_of(read_lens_opcodes(dng(tmp_path / "a.dng", list3=opcode_list(vignette(-1.5))))) is None
    assert warp_of(read_lens_opcodes(dng(tmp_path / "a.dng", list3=opcode_list(warp((3, 0, 0, 0, 0, 0)))))) is None
    (tmp_path / "no.dng").write_bytes(b"no DNG")
    assert read_lens_opcodes(tmp_path / "no.dng") == NO_OPCODES
