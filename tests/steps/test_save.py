"""save: what is in the bytes, read back by Pillow and by the segments of ITU-T T.81."""

from __future__ import annotations

import io
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import PIL.Image
import PIL.ImageCms
import pytest
import tifffile
from pydantic import ValidationError

from pipeline.errors import FrameError
from pipeline.formats.metadata.embed import metadata_size
from pipeline.formats.metadata.model import Metadata
from pipeline.steps.save import SaveParams, eight_bits, encode, encode_jpeg, parse_size, reserve
from pipeline.types import Domain, Image, Noise


def display(pixels: np.ndarray) -> Image:
    return Image(pixels.astype(np.float32), Domain.DISPLAY, Noise(np.zeros(3), np.zeros(3)), np.ones(3), np.eye(3))


@pytest.fixture(scope="module")
def busy() -> Image:
    """Noise on a slope: its size falls steadily with quality."""
    rng = np.random.default_rng(3)
    slope = np.linspace(0.1, 0.8, 480)[None, :, None] * np.array([1.0, 0.9, 0.7])
    return display(np.clip(slope + rng.normal(0, 0.05, (320, 480, 3)), 0, 1))


def sampling(data: bytes) -> list[tuple[int, int]]:
    """Horizontal and vertical sampling factors of each component, from the frame header (ITU-T T.81, B.2.2)."""
    at = 2
    while at < len(data):
        marker, length = struct.unpack(">HH", data[at : at + 4])
        if marker in (0xFFC0, 0xFFC1, 0xFFC2):
            count = data[at + 9]
            return [(data[at + 11 + 3 * k] >> 4, data[at + 11 + 3 * k] & 15) for k in range(count)]
        at += 2 + length
    raise AssertionError("no frame header")


def quantisation(data: bytes) -> int:
    """Sum of the quantisation table of luma: small is fine (ITU-T T.81, B.2.4.1)."""
    with PIL.Image.open(io.BytesIO(data)) as picture:
        return sum(picture.quantization[0])


FULL, HALF = [(1, 1), (1, 1), (1, 1)], [(2, 2), (1, 1), (1, 1)]


@pytest.mark.parametrize(
    ("chroma", "quality", "wanted"),
    [
        ("auto", 89, HALF), ("auto", 90, FULL), ("auto", 98, FULL),
        ("full", 60, FULL), ("half", 95, HALF),
    ],
)  # fmt: skip
def test_chroma_as_asked(busy: Image, chroma: str, quality: int, wanted: list) -> None:
    data = encode_jpeg(busy, SaveParams(chroma=chroma, quality=quality), 0).data
    assert sampling(data) == wanted


def test_codes_are_rounded_and_clipped() -> None:
    """A flat block of JPEG holds its mean to a code: 8-bit codes are the nearest, and beyond white is white."""
    for value, code in ((0.5, 128), (100.4 / 255, 100), (100.6 / 255, 101), (1.2, 255), (-0.2, 0), (1.0, 255)):
        data = encode_jpeg(display(np.full((16, 16, 3), value)), SaveParams(quality=100), 0).data
        with PIL.Image.open(io.BytesIO(data)) as picture:
            assert int(np.asarray(picture)[8, 8, 1]) == code, value


def test_quality_is_the_one_asked_for(busy: Image) -> None:
    """The tables of Annex K are scaled by quality: the finer the higher; the picture comes back within their steps."""
    coarse, fine = (encode_jpeg(busy, SaveParams(quality=q), 0) for q in (50, 95))
    assert (coarse.quality, fine.quality) == (50, 95)
    assert quantisation(coarse.data) > 3 * quantisation(fine.data)
    with PIL.Image.open(io.BytesIO(fine.data)) as picture:
        assert np.abs(np.asarray(picture) / 255 - busy.pixels).mean() < 0.02


@pytest.mark.parametrize("quality", [94, 100])
def test_noise_that_hardly_compresses_is_saved_too(quality: int) -> None:
    """A frame at the highest ISO, not denoised, or worse: white noise, the hardest picture there is."""
    noise = np.random.default_rng(5).random((256, 384, 3))
    data = encode_jpeg(display(noise), SaveParams(quality=quality, chroma="full"), 0).data
    assert len(data) < 4 * 256 * 384
    with PIL.Image.open(io.BytesIO(data)) as picture:
        assert np.abs(np.asarray(picture) / 255 - noise).mean() < 0.05


def test_the_profile_says_srgb(busy: Image) -> None:
    with PIL.Image.open(io.BytesIO(encode_jpeg(busy, SaveParams(), 0).data)) as picture:
        profile = PIL.ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
    assert "sRGB" in PIL.ImageCms.getProfileDescription(profile)


@pytest.mark.parametrize("reserve", [0, 4096])
def test_at_most_takes_the_best_that_fits(busy: Image, reserve: int) -> None:
    """Every quality is encoded and weighed: the one taken fits with its metadata, the next better one does not."""
    sizes = {q: len(encode_jpeg(busy, SaveParams(quality=q), 0).data) for q in range(40, 96)}
    for best in (41, 60, 75, 88):
        room = sizes[best] + reserve
        found = encode_jpeg(busy, SaveParams(quality=95, at_most=f"{room} B"), reserve)
        wanted = max(q for q, size in sizes.items() if size <= sizes[best])
        assert found.quality == wanted
        assert len(found.data) + reserve <= room


@pytest.mark.parametrize("caption", ["A throw.", "A throw from nine metres. " * 60])
def test_the_finished_file_fits_with_its_texts(busy: Image, caption: str) -> None:
    """What counts is the file that is sent: texts included; a notice says where quality was lowered."""
    texts = Metadata(caption=caption, creator="M. Vale", keywords=("handball", "Westerby"))
    plain = len(encode_jpeg(busy, SaveParams(quality=80), 0).data)
    made = encode(busy, SaveParams(quality=80, at_most=f"{plain + 100} B"), texts)
    assert len(made.data) <= plain + 100
    assert caption.split()[0].encode() in made.data
    assert 40 <= made.quality < 80 and f"quality {made.quality} instead of 80" in made.notices[0]
    whole = encode(busy, SaveParams(quality=80), texts)
    assert whole.quality == 80 and not any("instead of" in n for n in whole.notices)


def test_the_room_kept_for_texts_comes_in_steps() -> None:
    """So that a longer caption seldom changes the pixels; it is never less than the texts take."""
    assert reserve(None) == 0
    sizes = [(metadata_size(m), reserve(m)) for n in range(0, 6000, 400) for m in [Metadata(caption="x" * n)]]
    assert all(0 <= kept - size < 4096 and kept % 4096 == 0 for size, kept in sizes)
    assert len({kept for _, kept in sizes}) < len(sizes)


def test_a_tiff_keeps_every_code_of_sixteen_bits(busy: Image, tmp_path: Path) -> None:
    made = encode(busy, SaveParams(format="tiff"), Metadata(caption="A throw."))
    (tmp_path / "a.tif").write_bytes(made.data)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        values = file.asarray()
        assert file.pages.first.tags[270].value == "A throw."
    assert values.dtype == np.uint16
    assert np.abs(values - busy.pixels.astype(np.float64) * 65535).max() <= 0.51
    assert (made.quality, made.scan) == (0, "")


def test_at_most_leaves_alone_what_fits_and_refuses_blocks_in_skin(busy: Image) -> None:
    assert encode_jpeg(busy, SaveParams(quality=88, at_most="5 MB"), 4096).quality == 88
    lowest = len(encode_jpeg(busy, SaveParams(quality=40), 0).data)
    assert encode_jpeg(busy, SaveParams(quality=88, at_most=f"{lowest} B"), 0).quality == 40
    with pytest.raises(FrameError, match="quality 40"):
        encode_jpeg(busy, SaveParams(quality=88, at_most=f"{lowest - 1} B"), 0)


def test_all_pixels_become_codes_without_another_picture_in_memory() -> None:
    """Of several strips, the last one cut; a picture of all pixels of a frame is 12 octets a pixel, its codes are 3."""
    pixels = np.random.default_rng(2).uniform(-0.1, 1.1, (1030, 700, 3)).astype(np.float32)
    tracemalloc.start()
    try:
        codes = eight_bits(pixels)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert np.abs(codes - pixels.clip(0, 1).astype(np.float64) * 255).max() <= 0.51
    assert most < codes.nbytes + 0.6 * pixels.nbytes


def test_sizes_are_decimal_unless_written_binary() -> None:
    """SI: k is 1000, M a million; IEC 80000-13: Ki is 1024, Mi 1024 squared."""
    assert parse_size("1.5 MB") == 1_500_000
    assert parse_size("800kb") == 800_000
    assert parse_size("20 KiB") == 20 * 1024
    assert parse_size("2 MiB") == 2 * 1024**2
    assert parse_size("12345") == parse_size("12345 B") == 12345
    assert parse_size("10 KB") == 10_000
    for wrong in ("9.9 KB", "1 GB", "much", "-1 MB", "1,5 MB"):
        with pytest.raises(ValueError, match=r"size|small"):
            parse_size(wrong)
    with pytest.raises(ValidationError):
        SaveParams(at_most="1 GB")
