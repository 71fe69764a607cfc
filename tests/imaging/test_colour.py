"""Colour arithmetic against published pairs and tables."""

from __future__ import annotations

import io
import warnings

import numpy as np
import PIL.Image
import PIL.ImageCms
import pytest
import tifffile

from pipeline.errors import FrameError
from pipeline.formats.icc import matrix_profile, srgb_profile
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import (
    LUMINANCE,
    XYZ_FROM_REC709,
    camera_to_working,
    delta_e_2000,
    srgb_decode,
    srgb_encode,
    to_lab,
)
from pipeline.light.hall.settings import light_value
from tests.tables import numbers


def test_ciede2000_published_pairs() -> None:
    """Sharma, Wu, Dalal, Color Res. Appl. 30(1), 2005, the 34 pairs; pair 14 is platform sensitive."""
    rows = numbers("ciede2000")
    assert len(rows) == 34
    for r in rows:
        found = float(delta_e_2000(np.array([r["L1"], r["a1"], r["b1"]]), np.array([r["L2"], r["a2"], r["b2"]])))
        allowed = (4.8045, 4.7461) if r["pair"] == 14 else (r["dE00"],)
        assert min(abs(found - a) for a in allowed) < 1e-4, r


def test_srgb_worked_values() -> None:
    """IEC 61966-2-1: 0.18 is code 117.65 of 255; 0.0031308 is where line and power meet; round trip."""
    assert float(srgb_encode(np.float32(0.18))) * 255 == pytest.approx(117.65, abs=0.02)
    assert float(srgb_encode(np.float32(0.0031308))) == pytest.approx(12.92 * 0.0031308, abs=1e-4)
    codes = (np.arange(256) / 255).astype(np.float32)
    assert srgb_encode(srgb_decode(codes)) * 255 == pytest.approx(np.arange(256), abs=0.05)


def test_luminance_weights_and_white() -> None:
    # ITU-R BT.709-6: Y = 0.2126 R + 0.7152 G + 0.0722 B; white is L* 100, a* = b* = 0 by definition.
    assert pytest.approx([0.2126, 0.7152, 0.0722], abs=1e-4) == LUMINANCE
    assert to_lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=1e-3)


def test_lightness_of_greys() -> None:
    """CIE 15:2004, 8.2.1.1: L* = 116 (Y/Yn)^(1/3) - 16, and 903.3 Y/Yn from 0.008856 down; 0.1842 is mid grey, 50."""
    for y, lightness in ((0.1842, 50.0), (0.02, 15.487), (0.008, 7.226), (0.001, 0.9033)):
        assert to_lab(np.full(3, y)) == pytest.approx([lightness, 0, 0], abs=2e-3)


def test_lab_axes_point_to_red_and_yellow() -> None:
    """CIE 15:2004: +a* is reddish, -a* greenish, +b* yellowish, -b* bluish."""
    red, green, yellow, blue = (
        to_lab(np.array(c)) for c in ((0.5, 0.1, 0.1), (0.1, 0.5, 0.1), (0.5, 0.5, 0.1), (0.1, 0.1, 0.5))
    )
    assert red[1] > 20 and green[1] < -20 and yellow[2] > 20 and blue[2] < -20


def test_srgb_segments_meet_at_the_published_points() -> None:
    """IEC 61966-2-1: 12.92 x up to 0.0031308, V / 12.92 up to 0.04045; either side of the knee by the other formula."""
    below, above = np.array([1e-4, 0.001, 0.003]), np.array([0.0035, 0.006, 0.01, 0.02])
    assert srgb_encode(below) == pytest.approx(12.92 * below, rel=1e-6)
    assert srgb_encode(above) == pytest.approx(1.055 * above ** (1 / 2.4) - 0.055, rel=1e-6)
    below, above = np.array([0.005, 0.02, 0.039], np.float32), np.array([0.042, 0.1, 0.3], np.float32)
    assert srgb_decode(below) == pytest.approx(below / 12.92, rel=1e-5)
    assert srgb_decode(above) == pytest.approx(((above + 0.055) / 1.055) ** 2.4, rel=1e-5)


def test_camera_matrix_brings_balanced_colour_to_rec_709() -> None:
    """By definition: what the camera answers to a colour, balanced for D65, comes out as that colour; white as white.

    The matrix is invented, of the size and signs that cameras have.
    """
    xyz_to_camera = np.array([[0.9, -0.3, -0.1], [-0.4, 1.2, 0.2], [-0.05, 0.15, 0.6]])
    to_working, daylight = camera_to_working(xyz_to_camera)
    assert daylight[1] == 1
    for rgb in np.array([[1, 1, 1], [0.8, 0.2, 0.1], [0.1, 0.3, 0.9]]):
        answer = daylight * (xyz_to_camera @ XYZ_FROM_REC709 @ rgb)
        white = daylight * (xyz_to_camera @ XYZ_FROM_REC709 @ np.ones(3))
        assert np.ptp(white) < 1e-12
        assert to_working @ (answer / white[0]) == pytest.approx(rgb)


def test_camera_matrix_of_an_ideal_camera() -> None:
    """A camera whose primaries are Rec. 709 itself needs no matrix and no balance."""
    to_working, daylight = camera_to_working(np.linalg.inv(XYZ_FROM_REC709))
    assert to_working == pytest.approx(np.eye(3), abs=1e-9)
    assert daylight == pytest.approx(np.ones(3), abs=1e-9)


def test_apex_settings() -> None:
    """Exif 2.32 annex C: Av + Tv - Sv, with the constant Sv = 5 at ISO 100."""
    for row in numbers("apex"):
        assert light_value(row["ISO"], row["T"], row["N"]) == pytest.approx(
            row["Av"] + row["Tv"] - row["Sv"] + 5, abs=2e-3
        )


def test_profile_is_srgb_for_another_reader() -> None:
    """littleCMS reads ours and finds no difference from its own sRGB."""
    ours = PIL.ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    assert "sRGB" in PIL.ImageCms.getProfileDescription(ours)
    rng = np.random.default_rng(0)
    picture = PIL.Image.fromarray(rng.integers(0, 256, (64, 64, 3), dtype=np.uint8))
    other = PIL.ImageCms.profileToProfile(picture, ours, PIL.ImageCms.createProfile("sRGB"))
    assert np.abs(np.asarray(other, int) - np.asarray(picture, int)).max() <= 1


def test_profile_of_another_writer_is_read() -> None:
    """littleCMS's own sRGB (parametric or table) linearises as IEC 61966-2-1 says."""
    data = PIL.ImageCms.ImageCmsProfile(PIL.ImageCms.createProfile("sRGB")).tobytes()
    profile = matrix_profile(data)
    assert profile is not None
    codes = np.repeat(np.linspace(0, 1, 33, dtype=np.float32)[:, None], 3, axis=1)
    assert profile.linearise(codes) == pytest.approx(srgb_decode(codes), abs=2e-3)
    for cut in range(0, len(data), 37):
        matrix_profile(data[:cut])  # junk gives None or a profile, never an error


def test_sixteen_bit_pictures_keep_their_depth(tmp_path) -> None:
    values = np.linspace(0, 65535, 64 * 64 * 3).reshape(64, 64, 3).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb")
    found = read_picture(tmp_path / "a.tif").pixels
    assert found == pytest.approx(srgb_decode(values / np.float32(65535)), abs=1e-6)


def test_exposure_ladder_comes_back_as_ratios(shared) -> None:
    """8-bit linear frames of a chart, 250, 500 and 1000... ms: doubling the time doubles the light until it clips.

    Boost-licensed measurements, see SOURCES.md of that folder. The files carry no profile, so the sRGB that
    reading assumes is undone first.
    """
    folder = shared("data/exposure-ladder")
    levels = {}
    for ms in (25, 50, 100):
        (path,) = folder.glob(f"*_550nm_{ms}ms_*.tif")
        linear = srgb_encode(read_picture(path).pixels) * 255
        levels[ms] = linear[..., 1]
    usable = (levels[100] < 240) & (levels[25] > 12)
    assert np.median(levels[50][usable] / levels[25][usable]) == pytest.approx(2, rel=0.1)
    assert np.median(levels[100][usable] / levels[50][usable]) == pytest.approx(2, rel=0.1)


def test_broken_pictures_are_named(tmp_path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"")
    (tmp_path / "b.jpg").write_text("words")
    buffer = io.BytesIO()
    PIL.Image.effect_noise((200, 200), 50).convert("RGB").save(buffer, "JPEG")
    (tmp_path / "c.jpg").write_bytes(buffer.getvalue()[: len(buffer.getvalue()) // 2])
    for name, words in (("a.jpg", "empty"), ("b.jpg", "not a JPEG"), ("c.jpg", "cut short")):
        with pytest.raises(FrameError, match=words):
            read_picture(tmp_path / name)


def test_against_a_reference_library() -> None:
    """colour-science: IEC 61966-2-1 both ways, and CIELAB under D65."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own optional parts
        colour = pytest.importorskip("colour", reason="colour-science is not installed")
    x = np.linspace(0, 1, 4097)
    assert np.abs(srgb_encode(x.astype(np.float32)) - colour.models.eotf_inverse_sRGB(x)).max() < 2e-5
    assert np.abs(srgb_decode(x.astype(np.float32)) - colour.models.eotf_sRGB(x)).max() < 1e-6
    rgb = np.random.default_rng(0).random((50, 3))
    white = colour.XYZ_to_xy(XYZ_FROM_REC709.sum(axis=1))
    assert np.abs(to_lab(rgb) - colour.XYZ_to_Lab(rgb @ XYZ_FROM_REC709.T, white)).max() < 1e-6
