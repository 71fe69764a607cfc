"""Raws and other files than JPEG whose picture is stored as in another, whatever their files say."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.shoot.copies import CODED, copies
from pipeline.types import Frame
from tests.shoot.test_originals import camera


def card(folder: Path, *data: bytes, suffix: str = ".cr2") -> list[Frame]:
    """Raws in their place by number and time."""
    frames = []
    for at, one in enumerate(data, 1):
        path = folder / f"TH1_{at:04d}{suffix}"
        path.write_bytes(one)
        frames.append(Frame(path.stem, path, path.name, "raw", camera(at)))
    return frames


def noise(seed: int, size: int = 300_000) -> bytes:
    return random.Random(seed).randbytes(size)


@pytest.mark.parametrize("suffix", [".cr2", ".tif", ".png", ".heic"])
@pytest.mark.parametrize("longer", [-40, 0, 3000])
def test_a_raw_in_the_place_of_another_is_held_whatever_time_it_has(tmp_path: Path, suffix: str, longer: int) -> None:
    """To write another time, or a text, into a file moves its picture and changes nothing in it."""
    first = noise(1)
    again = b"another time" + (b"-" * longer if longer >= 0 else b"") + first[12 + max(-longer, 0) :]
    frames = card(tmp_path, first, noise(2), again, noise(3), suffix=suffix)
    held = copies(frames, {"TH1_0001"}, {"TH1_0003"})  # a row that says otherwise cannot be right
    assert held == {"TH1_0003": CODED.format(frame="TH1_0001")}


def test_other_raws_are_none(tmp_path: Path) -> None:
    even, head = bytes(300_000), noise(9, 100_000)
    tones = bytes(range(6)) * 50_000
    profile = noise(8, 200_000)  # as large as the pictures, and the same in all files of a program
    frames = card(
        tmp_path, even, even + b"1", tones, tones + b"1", head + noise(1), head + noise(2), noise(3), noise(3) * 2,
        noise(4, 60_000) + profile + noise(5, 60_000), noise(6, 60_000) + profile + noise(7, 60_000), noise(10, 4000),
        noise(10, 4000) + b"1",
    )  # fmt: skip
    assert copies(frames, {one.name for one in frames[::2]}, ()) == {}


def test_a_raw_beside_a_jpeg_counts_and_one_that_is_gone_does_not(tmp_path: Path) -> None:
    frames = card(tmp_path, noise(1), noise(2), noise(1) + b"1")
    jpeg = tmp_path / "TH1_0001.jpg"
    jpeg.write_bytes(b"no picture")
    frames[0] = Frame("TH1_0001", jpeg, "TH1_0001.jpg", "picture", frames[0].exif, copies=(frames[0].path,))
    assert list(copies(frames, {"TH1_0001"}, ())) == ["TH1_0003"]
    frames[1].path.unlink()
    assert list(copies(frames, {"TH1_0001", "TH1_0002"}, ())) == ["TH1_0003"]
