"""JPEGs whose coded data a card or a copy has spoilt. What a whole one is: ITU-T T.81; damage is made here."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.errors import FrameError
from pipeline.formats.damage.jpeg_data import SPARE
from pipeline.formats.pictures import read_picture


def coded(mode: str = "RGB", **how: object) -> bytes:
    """A picture with detail everywhere."""
    fine = np.random.default_rng(4).integers(60, 200, (30, 40, 3)).astype(np.uint8)
    picture = PIL.Image.fromarray(fine).resize((400, 300), PIL.Image.Resampling.BICUBIC).convert(mode)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=90, **how)
    return buffer.getvalue()


def overwritten(data: bytes, by: bytes, at: float = 0.5) -> bytes:
    """The same length, some of it replaced."""
    begin = int(len(data) * at)
    return data[:begin] + by + data[begin + len(by) :]


def read(tmp_path: Path, data: bytes) -> tuple[str, ...]:
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    return read_picture(path).notices


DAMAGE = {
    "a sector of zeros": bytes(512),
    "a sector of another file": np.random.default_rng(8).integers(0, 255, 512).astype(np.uint8).tobytes(),
    "an end in the middle": b"\xff\xd9",
    "a marker of a restart": b"\xff\xd0",
}


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("progressive", [False, True])
def test_data_that_was_overwritten_is_told_and_not_delivered(tmp_path: Path, damage: str, progressive: bool) -> None:
    for at in (0.3, 0.6):
        with pytest.raises(FrameError, match="the JPEG is damaged or cut short"):
            read(tmp_path, overwritten(coded(progressive=progressive), DAMAGE[damage], at))


@pytest.mark.parametrize(
    "how",
    [{}, {"progressive": True}, {"subsampling": 0}, {"subsampling": 1}, {"restart_marker_rows": 1}, {"optimize": True}],
)
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_a_whole_picture_is_read_without_a_word(tmp_path: Path, mode: str, how: dict[str, object]) -> None:
    assert read(tmp_path, coded(mode, **how)) == ()


def test_colours_for_printing_are_whole_too(tmp_path: Path) -> None:
    assert read(tmp_path, coded("CMYK")) == ("CMYK without a usable profile: its colours are a guess",)


def test_what_follows_the_picture_is_no_damage(tmp_path: Path) -> None:
    """Telephones write a second picture and a trailer of their own behind it."""
    assert read(tmp_path, coded() + coded("L") + b"trailer" * 100) == ()


def test_a_picture_with_a_second_one_behind_it_is_looked_at_too(tmp_path: Path) -> None:
    """Multi-picture format (CIPA DC-007), as many cameras and telephones write: Pillow gives it a name of its own."""
    picture, second = (PIL.Image.open(io.BytesIO(coded(mode))) for mode in ("RGB", "L"))
    buffer = io.BytesIO()
    picture.save(buffer, "MPO", quality=90, save_all=True, append_images=[second])
    data = buffer.getvalue()
    assert PIL.Image.open(io.BytesIO(data)).format == "MPO"
    assert read(tmp_path, data) == ()
    with pytest.raises(FrameError, match="the JPEG is damaged or cut short"):
        read(tmp_path, overwritten(data, bytes(512), 0.3))


@pytest.mark.parametrize("progressive", [False, True])
def test_damage_behind_an_odd_header_is_told_too(tmp_path: Path, progressive: bool) -> None:
    """Of a file libjpeg tells its first warning only, such as one of a revision of JFIF that it does not know."""
    data = coded(progressive=progressive, restart_marker_rows=1)
    assert data[6:11] == b"JFIF\0"
    odd = data[:11] + b"\3" + data[12:]
    assert read(tmp_path, odd) == ()
    spare = odd.index(b"\xff\xdb")
    assert read(tmp_path, odd[:spare] + b"odd" + odd[spare:]) == ()
    with pytest.raises(FrameError, match="the JPEG is damaged or cut short"):
        read(tmp_path, overwritten(odd, bytes(512)))


@pytest.mark.parametrize("before", [b"\xff\xdb", b"\xff\xc0", b"\xff\xc4", b"\xff\xda"])
@pytest.mark.parametrize("odd", [b"odd", bytes(20), b"\xff\xd0"])
def test_octets_between_headers_are_no_damage_and_hide_none(tmp_path: Path, before: bytes, odd: bytes) -> None:
    """Decoders pass them over (libjpeg's next_marker), and restarts, which have no length (ITU-T T.81, B.1.1.3)."""
    data = coded()
    at = data.index(before)
    struck = data[:at] + odd + data[at:]
    assert read(tmp_path, struck) == ()
    with pytest.raises(FrameError, match="the JPEG is damaged or cut short"):
        read(tmp_path, overwritten(struck, bytes(512)))


def test_damage_of_colours_for_printing_is_told(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="the JPEG is damaged or cut short"):
        read(tmp_path, overwritten(coded("CMYK"), bytes(512)))


@pytest.mark.parametrize("spare", [4, SPARE, 4000])
def test_a_few_octets_too_many_are_said(tmp_path: Path, spare: int) -> None:
    data = coded()
    assert data.endswith(b"\xff\xd9")
    said = read(tmp_path, data[:-2] + bytes(spare) + data[-2:])
    assert said == ("its data does not end where the picture does: see whether all of it is there",)
