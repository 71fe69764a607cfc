"""HEIC, written by libheif and x265 (pillow-heif), a library outside the project, and read as a photograph."""

from __future__ import annotations

import contextlib
import json
import random
import struct
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import PIL.Image
import PIL.ImageCms
import pillow_heif
import pytest

from pipeline.errors import FrameError
from pipeline.formats import heif
from pipeline.formats.exif import read_exif
from pipeline.formats.icc import coded_primaries
from pipeline.formats.metadata.blocks import read_blocks
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.formats.metadata.xmp_read import Packet
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.orientation import Orientation

XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:tiff="http://ns.adobe.com/tiff/1.0/"'
    b' xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/" xmp:Rating="4" tiff:Orientation="8"'
    b' photoshop:Headline="Ida Tern scores"/></rdf:RDF></x:xmpmeta>'
)


def corners() -> np.ndarray:
    """64 x 48, a colour in each corner: red, green, blue and white, as they are read."""
    pixels = np.zeros((48, 64, 3), np.uint8)
    pixels[:24, :32], pixels[:24, 32:] = (200, 30, 30), (30, 200, 30)
    pixels[24:, :32], pixels[24:, 32:] = (30, 30, 200), (200, 200, 200)
    return pixels


def write(path: Path, *, orientation: int = 1, **more: object) -> Path:
    exif = PIL.Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x010E] = orientation, "Maker", "Goal by Bo Quill"
    camera = exif.get_ifd(0x8769)
    camera[0x9003], camera[0x9291], camera[0x8827] = "2026:02:14 19:31:02", "25", 6400
    picture = pillow_heif.from_pillow(PIL.Image.fromarray(corners()))
    picture.save(path, quality=100, chroma=444, exif=exif.tobytes(), **more)
    return path


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_is_turned_once(tmp_path: Path, orientation: int) -> None:
    """The decoder turns it by irot and imir (ISO/IEC 23008-12, 6.5.10 and 6.5.12); Exif and XMP have it too."""
    xmp = XMP.replace(b'Orientation="8"', b'Orientation="%d"' % orientation)
    path = write(tmp_path / "a.heic", orientation=orientation, xmp=xmp)
    upright = Orientation(orientation).to_upright(corners())
    assert read_exif(path, "picture").orientation == 1
    for found in (read_picture(path), read_picture(path, Orientation(1))):
        assert found.bits == 8 and found.pixels.shape == upright.shape
        assert np.abs(found.pixels - srgb_decode(upright / np.float32(255))).max() < 0.03


def test_what_the_camera_wrote(tmp_path: Path) -> None:
    path = write(tmp_path / "a.heic", orientation=6, xmp=XMP)
    exif = read_exif(path, "picture")
    assert (exif.make, exif.iso, exif.notices) == ("Maker", 6400, ())
    assert exif.time == datetime(2026, 2, 14, 19, 31, 2, 250_000) and exif.has_subseconds
    blocks = read_blocks(path)
    assert Packet(blocks.xmp).text("xmp:Rating") == "4"
    assert blocks.texts[270].startswith(b"Goal by Bo Quill")
    found = own_texts(path)
    words = " ".join(text.text for text in found.texts)
    assert "Ida Tern scores" in words and "Bo Quill" in words and not found.unreadable


def test_a_profile_is_followed() -> None:
    """Display P3 as a matrix profile, built by LittleCMS's own text form here: primaries of SMPTE EG 432-1."""
    p3 = coded_primaries(12)
    assert p3 is not None
    # Its white is ours, and its red lies outside Rec. 709: CSS Color 4, section 10.3 (color(display-p3 1 0 0)).
    linear = p3.linearise(np.array([[1, 1, 1], [1, 0, 0]], np.float32))
    assert np.allclose(linear[0], 1, atol=1e-3)
    assert np.allclose(linear[1], [1.2249, -0.0420, -0.0196], atol=2e-3)
    assert coded_primaries(1) is None


def test_colours_by_their_code(tmp_path: Path) -> None:
    """ITU-T H.273: 12 = P3 with the white of D65, 13 = sRGB's curve, 16 = PQ."""
    picture = pillow_heif.from_pillow(PIL.Image.fromarray(np.full((64, 64, 3), (200, 60, 60), np.uint8)))
    codes = {"color_primaries": 12, "transfer_characteristics": 13, "matrix_coefficients": 6, "full_range_flag": 1}
    path = tmp_path / "a.heic"
    picture.save(path, quality=100, chroma=444, save_nclx_profile=True, **codes)
    p3 = coded_primaries(12)
    assert p3 is not None
    expected = p3.linearise(np.array([200, 60, 60], np.float32) / 255)
    assert np.abs(read_picture(path).pixels[32, 32] - expected).max() < 0.02
    picture.save(path, quality=100, save_nclx_profile=True, **(codes | {"transfer_characteristics": 16}))
    with pytest.raises(FrameError, match=r"HDR picture .PQ"):
        read_picture(path)


def test_ten_bits_are_kept(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 64)[None, :, None] * np.ones((64, 1, 3))
    pillow_heif.from_bytes("RGB;16", (64, 64), ramp.astype(np.uint16).tobytes()).save(tmp_path / "a.heif", quality=-1)
    found = read_picture(tmp_path / "a.heif")
    assert found.bits == 10
    assert np.abs(found.pixels - srgb_decode((ramp / 65535).astype(np.float32))).max() < 0.004  # 8 bits: 0.009


def test_transparent_parts_and_grey(tmp_path: Path) -> None:
    clear = np.zeros((64, 64, 4), np.uint8)
    pillow_heif.from_pillow(PIL.Image.fromarray(clear, "RGBA")).save(tmp_path / "a.heic", quality=100)
    found = read_picture(tmp_path / "a.heic")
    assert found.notices == ("transparent parts are put on white",) and found.pixels.min() > 0.95
    pillow_heif.from_pillow(PIL.Image.new("L", (64, 64), 128)).save(tmp_path / "b.heic", quality=100)
    grey = read_picture(tmp_path / "b.heic").pixels
    assert grey.shape == (64, 64, 3) and abs(float(grey.mean()) - 0.216) < 0.01  # sRGB 128, IEC 61966-2-1


@pytest.mark.parametrize(
    "damage",
    [lambda d: d[:600], lambda d: d[: len(d) - 300], lambda d: d[:40]],
    ids=["cut in its boxes", "cut in its picture", "cut early"],
)
def test_a_damaged_file_fails_by_name(tmp_path: Path, damage: Callable[[bytes], bytes]) -> None:
    path = write(tmp_path / "a.heic", xmp=XMP)
    path.write_bytes(damage(path.read_bytes()))
    with pytest.raises(FrameError, match=r"the HEIC is damaged or cut short.*copy it again from the card"):
        read_picture(path)
    read_exif(path, "picture")
    read_blocks(path)
    own_texts(path)


def test_any_damage_is_survived(tmp_path: Path) -> None:
    path = write(tmp_path / "a.heic", xmp=XMP)
    good, chance = path.read_bytes(), random.Random(1)
    for _ in range(12):
        bad = bytearray(good)
        for _ in range(4):
            bad[chance.randrange(16, len(bad))] = chance.randrange(256)
        path.write_bytes(bad)
        with contextlib.suppress(FrameError):
            read_picture(path)
        read_exif(path, "picture")
        read_blocks(path)
        own_texts(path)


def test_rows_that_are_padded() -> None:
    rows = np.array([1, 2, 3, 0, 4, 5, 6, 0], np.uint8)
    assert heif._values(rows, "RGB", 1, 2, 4).tolist() == [[[1, 2, 3]], [[4, 5, 6]]]
    assert heif._values(rows, "L;16", 1, 2, 4).tolist() == [[[513]], [[1284]]]


def test_a_decoder_that_crashes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As libheif 1.23 does on some damaged files; the night goes on."""
    crashing = tmp_path / "crashing.py"
    said = {"size": [1, 1], "bits": 8, "profile": "", "colour": {}, "mode": "RGB", "width": 1, "height": 1, "row": 3}
    written = json.dumps(said) + "\nabc"
    crashing.write_text(f"import os\nprint({written!r}, end='', flush=True)\nos.abort()\n", encoding="utf-8")
    monkeypatch.setattr(heif, "_PROCESS", crashing)
    with pytest.raises(FrameError, match="the HEIC is damaged"):
        read_picture(write(tmp_path / "a.heic"))


def test_without_what_reads_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.jpg")  # whatever its name says
    assert read_picture(path).bits == 8
    monkeypatch.setattr(heif, "readable", lambda: False)
    with pytest.raises(FrameError, match=r"not installed: pip install 'evencourt\[heic\]'"):
        read_picture(path)


def test_a_picture_of_too_many_pixels(tmp_path: Path) -> None:
    """By what the file says, in the property ispe (ISO/IEC 23008-12, 6.5.3), before anything is decoded."""
    path = tmp_path / "a.heic"
    pillow_heif.from_pillow(PIL.Image.new("RGB", (64, 64))).save(path)
    says = b"ispe" + bytes(4)
    path.write_bytes(
        path.read_bytes().replace(says + struct.pack(">II", 64, 64), says + struct.pack(">II", 30000, 30000))
    )
    with pytest.raises(FrameError, match="900 megapixels in this form: too large"):
        heif.decode_heif(path)
