"""Every kind of picture file, by its profile, upright, or with a plain reason why not."""

from __future__ import annotations

import io

import cv2
import numpy as np
import PIL.Image
import PIL.ImageCms
import pytest
import tifffile

from pipeline.errors import FrameError
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import srgb_decode
from tests.formats.test_icc import _para, _profile

# Display P3 (SMPTE EG 432-1 primaries, D65, sRGB curve), adapted to D50; columns from memory.
P3_D50 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
# Linear Display P3 -> linear sRGB, CSS Color Module Level 4, sample code (from memory).
P3_TO_SRGB = np.array([[1.22494, -0.22494, 0.0], [-0.04206, 1.04206, 0.0], [-0.01964, -0.07864, 1.09827]])
SRGB_CURVE = _para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def _patch(*rgb: int) -> PIL.Image.Image:
    return PIL.Image.new("RGB", (16, 16), rgb)


def test_display_p3_jpeg(tmp_path) -> None:
    _patch(200, 90, 40).save(tmp_path / "a.jpg", quality=100, subsampling=0, icc_profile=_profile(SRGB_CURVE, P3_D50))
    with PIL.Image.open(tmp_path / "a.jpg") as again:
        codes = np.asarray(again)[8, 8] / np.float32(255)
    found = read_picture(tmp_path / "a.jpg")
    assert found.pixels[8, 8] == pytest.approx(P3_TO_SRGB @ srgb_decode(codes), abs=2e-3)
    assert (found.bits, found.notices) == (8, ())


def test_adobe_rgb_by_exif_alone(tmp_path) -> None:
    """DCF 2.0: interoperability index R03 is Adobe RGB (1998); a saturated green leaves Rec. 709 there, grey stays."""
    exif = PIL.Image.Exif()
    exif[0x0112] = 1  # Pillow writes no Exif into a PNG whose first directory is empty
    exif.get_ifd(0x8769)[0xA001] = 0xFFFF
    _patch(0, 255, 0).save(tmp_path / "unknown.png", exif=exif)
    exif.get_ifd(0x8769)[0xA005] = {1: "R03"}
    _patch(0, 255, 0).save(tmp_path / "adobe.png", exif=exif)
    found = read_picture(tmp_path / "adobe.png")
    assert "Adobe RGB" in found.notices[0]
    assert found.pixels[0, 0] == pytest.approx([-0.3982, 1.0, -0.0429], abs=2e-3)  # same matrices as in test_icc
    assert "not sRGB" in read_picture(tmp_path / "unknown.png").notices[0]


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bit_png(tmp_path, channels) -> None:
    values = np.linspace(1000, 64000, 24 * 16 * channels).reshape(24, 16, channels).astype(np.uint16)
    if channels == 4:
        values[..., 3] = 65535 // 5
    assert cv2.imwrite(str(tmp_path / "a.png"), values)
    found = read_picture(tmp_path / "a.png")
    rgb = np.repeat(values, 3, axis=2) if channels == 1 else values[..., 2::-1]
    codes = rgb / 65535
    if channels == 4:
        codes = codes * 0.2 + 0.8
    assert found.bits == 16
    assert found.pixels == pytest.approx(srgb_decode(codes), abs=1e-5)
    assert len(found.notices) == (channels == 4)


@pytest.mark.parametrize("kind", ["plain", "planar", "deflate", "lzw", "white is zero"])
def test_sixteen_bit_tiff(tmp_path, kind) -> None:
    values = np.linspace(0, 65535, 20 * 16 * 3).reshape(20, 16, 3).astype(np.uint16)
    path = tmp_path / "a.tif"
    expected = values
    if kind == "lzw":  # OpenCV writes LZW by default
        assert cv2.imwrite(str(path), values[..., ::-1])
    elif kind == "planar":
        tifffile.imwrite(path, np.moveaxis(values, -1, 0), photometric="rgb", planarconfig="separate")
    elif kind == "white is zero":
        tifffile.imwrite(path, 65535 - values[..., 0], photometric="miniswhite")
        expected = np.repeat(values[..., :1], 3, axis=2)
    else:
        tifffile.imwrite(path, values, photometric="rgb", compression="zlib" if kind == "deflate" else None)
    found = read_picture(path)
    assert found.bits == 16
    assert found.pixels == pytest.approx(srgb_decode(expected / np.float32(65535)), abs=1e-5)


def test_float_tiff_is_linear(tmp_path) -> None:
    values = np.random.default_rng(0).random((12, 14, 3), dtype=np.float32) * 1.5
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb")
    found = read_picture(tmp_path / "a.tif")
    assert np.array_equal(found.pixels, values)
    assert found.bits == 32


def test_grey_palette_alpha_and_cmyk(tmp_path) -> None:
    _patch(90, 90, 90).convert("L").save(tmp_path / "grey.png")
    _patch(200, 20, 20).quantize(8).save(tmp_path / "palette.png")
    PIL.Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(tmp_path / "alpha.png")
    _patch(90, 90, 90).convert("CMYK").save(tmp_path / "cmyk.jpg", quality=100)
    grey, palette = read_picture(tmp_path / "grey.png"), read_picture(tmp_path / "palette.png")
    assert grey.pixels[0, 0] == pytest.approx(np.repeat(srgb_decode(np.float32(90 / 255)), 3))
    assert palette.pixels[0, 0] == pytest.approx(srgb_decode(np.array([200, 20, 20]) / 255), abs=1e-5)
    alpha, cmyk = read_picture(tmp_path / "alpha.png"), read_picture(tmp_path / "cmyk.jpg")
    assert alpha.pixels.min() == pytest.approx(1)
    assert "white" in alpha.notices[0]
    assert "CMYK" in cmyk.notices[0]
    assert cmyk.pixels[4, 4] == pytest.approx(grey.pixels[0, 0], abs=0.02)


def test_unusable_profile_is_named(tmp_path) -> None:
    """A CIELAB profile is no RGB one: it is named, and the picture is read as sRGB."""
    lab = PIL.ImageCms.ImageCmsProfile(PIL.ImageCms.createProfile("LAB")).tobytes()
    for name, profile in (("a.png", lab), ("b.png", b"junk")):
        _patch(10, 120, 30).save(tmp_path / name, icc_profile=profile)
        found = read_picture(tmp_path / name)
        assert found.notices == ("its colour profile cannot be read: read as sRGB",)
        assert found.pixels[0, 0] == pytest.approx(srgb_decode(np.array([10, 120, 30]) / 255), abs=1e-5)


def test_a_cut_jpeg_says_how_much_is_missing(tmp_path) -> None:
    buffer = io.BytesIO()
    PIL.Image.effect_noise((400, 400), 50).convert("RGB").save(buffer, "JPEG")
    data = buffer.getvalue()
    (tmp_path / "a.jpg").write_bytes(data[: len(data) * 6 // 10])  # noise: rows and bytes go together
    with pytest.raises(FrameError, match=r"JPEG is damaged or cut short: about (3[5-9]|4[0-5]) % .*card"):
        read_picture(tmp_path / "a.jpg")


def test_cut_deep_files_and_absent_ones(tmp_path) -> None:
    values = np.random.default_rng(0).integers(0, 65536, (64, 64, 3), dtype=np.uint16)
    for name in ("a.png", "a.tif"):
        assert cv2.imwrite(str(tmp_path / name), values)
        data = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(data[: len(data) // 2])
        with pytest.raises(FrameError, match=r"copy it again|not a JPEG"):
            read_picture(tmp_path / name)
    with pytest.raises(FrameError, match="gone"):
        read_picture(tmp_path / "none.jpg")


def test_too_many_pixels(tmp_path, monkeypatch) -> None:
    _patch(1, 2, 3).save(tmp_path / "a.png")
    monkeypatch.setattr(PIL.Image, "MAX_IMAGE_PIXELS", 100)  # Pillow's own refusal, above twice that
    with pytest.raises(FrameError, match="megapixels: too large"):
        read_picture(tmp_path / "a.png")


def test_chart_jpegs_load(shared) -> None:
    """Frames of four cameras, CC0; see SOURCES.md of that folder."""
    for path in sorted(shared("data/chart-jpeg").glob("*.JPG"))[:2]:
        found = read_picture(path)
        assert found.pixels.shape[2] == 3
        assert 0.01 < float(found.pixels.mean()) < 0.9


def test_deep_tiff_keeps_profile_and_orientation(tmp_path) -> None:
    """Sixteen bits through a hand-made Display P3 profile, turned by tag 274."""
    values = np.random.default_rng(2).integers(20000, 40000, (6, 9, 3), dtype=np.uint16)
    profile = _profile(SRGB_CURVE, P3_D50)
    tags = [(274, "H", 1, 6, True)]
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb", iccprofile=profile, extratags=tags)
    found = read_picture(tmp_path / "a.tif").pixels
    expected = srgb_decode(values / np.float32(65535)) @ P3_TO_SRGB.T
    assert found == pytest.approx(np.rot90(expected, 3), abs=1e-3)
