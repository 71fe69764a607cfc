"""Raw and JPEG of one exposure are one frame; two pictures are never merged."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import rawpy
from PIL import ExifTags, Image
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix

from pipeline.formats.exif import read_exif
from pipeline.shoot.pairs import one_each, same_picture
from pipeline.shoot.scan import scan
from pipeline.types import Frame

START = datetime(2026, 2, 14, 19, 30, 0, 250_000)


def scene(seed: int) -> np.ndarray:
    """A picture of its own for each seed, (64, 96, 3), 0.05 to 0.8: blocks of other brightness and colour."""
    blocks = np.random.default_rng(seed).uniform(0.05, 0.8, (8, 12, 3))
    return np.kron(blocks, np.ones((8, 8, 1)))


def raw(path: Path, seed: int, time: datetime = START, serial: str = "11", model: str = "W1") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    light = scene(seed)
    mosaic = light[..., 1].copy()
    mosaic[0::2, 0::2], mosaic[1::2, 1::2] = light[0::2, 0::2, 0] * 0.6, light[1::2, 1::2, 2] * 0.55
    noise = np.random.default_rng(seed + 100).integers(0, 40, mosaic.shape)
    write_dng(
        path, (mosaic * 14000 + 512 + noise).astype(np.uint16), black=512, white=15000, pattern="RGGB",
        make="Evencourt", model=model, serial=serial, lens="", iso=3200, exposure_time=0.001, f_number=2.8,
        focal_length=85.0, color_matrix=colour_matrix(), time=time, as_shot_neutral=(0.6, 1.0, 0.55), orientation=1,
    )  # fmt: skip
    return path


def jpeg(
    path: Path, seed: int, time: datetime | None = START, serial: str = "11", model: str = "W1", fine: bool = True
) -> Path:
    """What a camera writes beside the raw; `fine`: with sub-seconds."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if model:
        exif[ExifTags.Base.Model] = model
    if time is not None:
        tags = {0x9003: f"{time:%Y:%m:%d %H:%M:%S}"} | ({0x9291: f"{time:%f}"[:2]} if fine else {})
        exif.get_ifd(ExifTags.IFD.Exif).update(tags)
    if serial:
        exif.get_ifd(ExifTags.IFD.Exif)[0xA431] = serial
    codes = np.clip(scene(seed) ** (1 / 2.2) * 255, 0, 255).astype(np.uint8)
    Image.fromarray(codes).save(path, quality=90, exif=exif)
    return path


def frames(folder: Path) -> dict[str, str | None]:
    """Path of each frame -> that of its twin."""
    return {f.relative: f.twin.relative_to(folder).as_posix() if f.twin else None for f in scan(folder).frames}


@pytest.mark.parametrize("place", ["A_0001.JPG", "card2/A_0001.JPG", "card2/IMG_0001.jpg", "_A_0001.JPEG"])
def test_the_raw_is_used(tmp_path: Path, place: str) -> None:
    """Same stem, or the same file number, in one folder or on the other card."""
    raw(tmp_path / "A_0001.DNG", 1)
    jpeg(tmp_path / place, 1)
    assert frames(tmp_path) == {"A_0001.DNG": place}
    notice = f"1 frame is there both as raw and as JPEG: the raw is used, {place} left out"
    assert notice in scan(tmp_path).notices


@pytest.mark.parametrize(
    "other",
    [
        {"time": START + timedelta(seconds=1)},
        {"time": START + timedelta(seconds=0.05)},  # the next frame of a burst
        {"model": "W2"},
        {"serial": "12"},  # two bodies that fire at the same moment at the same file number
    ],
)
@pytest.mark.parametrize("place", ["A_0001.JPG", "card2/A_0001.JPG"])
def test_another_time_or_camera_is_another_picture(tmp_path: Path, place: str, other: dict[str, object]) -> None:
    raw(tmp_path / "A_0001.DNG", 1)
    jpeg(tmp_path / place, 1, **other)  # type: ignore[arg-type]
    assert frames(tmp_path) == {"A_0001.DNG": None, place: None}
    assert len({f.name for f in scan(tmp_path).frames}) == 2


@pytest.mark.parametrize(
    ("place", "known"),
    [
        ("A_0001.JPG", {"time": None}),
        ("A_0001.JPG", {"time": None, "serial": "", "model": ""}),
        ("card2/A_0001.JPG", {"serial": ""}),  # two bodies of one model may fire together
        ("card2/A_0001.JPG", {"serial": "", "model": "", "fine": False}),
    ],
)
def test_where_time_or_camera_is_not_known_the_picture_decides(
    tmp_path: Path, place: str, known: dict[str, object]
) -> None:
    raw(tmp_path / "A_0001.DNG", 1)
    jpeg(tmp_path / place, 1, **known)  # type: ignore[arg-type]
    assert frames(tmp_path) == {"A_0001.DNG": place}
    jpeg(tmp_path / place, 2, **known)  # type: ignore[arg-type]
    assert frames(tmp_path) == {"A_0001.DNG": None, place: None}


def test_a_renamed_or_edited_picture_is_a_frame_of_its_own(tmp_path: Path) -> None:
    raw(tmp_path / "A_0001.DNG", 1)
    jpeg(tmp_path / "goal.jpg", 1)
    jpeg(tmp_path / "A_0001-edit.jpg", 1)
    jpeg(tmp_path / "card2" / "A_0002.JPG", 1)
    assert len(frames(tmp_path)) == 4 and set(frames(tmp_path).values()) == {None}


def test_a_tiff_beside_a_raw_is_no_copy_of_the_camera(tmp_path: Path) -> None:
    raw(tmp_path / "A_0001.DNG", 1)
    Image.fromarray(np.zeros((8, 8, 3), np.uint8)).save(tmp_path / "A_0001.tif")
    assert frames(tmp_path) == {"A_0001.DNG": None, "A_0001.tif": None}


def test_hundredths_and_thousandths_are_the_same_time(tmp_path: Path) -> None:
    """Exif 2.32, tag 37521: any number of digits."""
    raw(tmp_path / "A_0001.DNG", 1, START + timedelta(microseconds=4_000))
    jpeg(tmp_path / "A_0001.JPG", 1)
    assert frames(tmp_path) == {"A_0001.DNG": "A_0001.JPG"}


@pytest.mark.parametrize("damage", ["empty", "head only", "zeros", "noise"])
@pytest.mark.parametrize("place", ["A_0001.JPG", "card2/A_0001.JPG"])
def test_a_raw_that_cannot_be_read_goes_with_its_jpeg(tmp_path: Path, damage: str, place: str) -> None:
    """In one folder by the stem; on another card only where the neighbours are pairs of the same two folders."""
    whole = raw(tmp_path / "A_0001.DNG", 1).read_bytes()
    damaged = {"zeros": bytes(len(whole)), "noise": os.urandom(len(whole)), "empty": b"", "head only": whole[:700]}
    (tmp_path / "A_0001.DNG").write_bytes(damaged[damage])
    jpeg(tmp_path / place, 1)
    if "/" in place and damage != "head only":  # which has its time and camera
        assert frames(tmp_path) == {"A_0001.DNG": None, place: None}
    raw(tmp_path / "A_0002.DNG", 2, START + timedelta(minutes=1))
    jpeg((tmp_path / place).with_name("A_0002.JPG"), 2, START + timedelta(minutes=1))
    found = scan(tmp_path)
    assert {f.relative: f.twin for f in found.frames}["A_0001.DNG"] == tmp_path / place
    assert [f.exif.time for f in found.frames] == [START, START + timedelta(minutes=1)]


def test_identical_files_are_one_frame_and_damaged_ones_are_not(tmp_path: Path) -> None:
    for card in ("b card", "a card"):
        raw(tmp_path / card / "A_0001.DNG", 1)
        jpeg(tmp_path / card / "A_0001.JPG", 1)
        (tmp_path / card / "A_0002.DNG").write_bytes(bytes(5000))  # what a broken card gave twice is not one picture
        (tmp_path / card / "A_0003.DNG").write_bytes(b"")
    raw(tmp_path / "A_0001.DNG", 1)
    found = scan(tmp_path)
    assert len(found.frames) == 5
    (frame,) = (f for f in found.frames if f.relative == "A_0001.DNG")
    assert frame.twin == tmp_path / "a card" / "A_0001.JPG"
    assert {p.relative_to(tmp_path).as_posix() for p in frame.copies} == {
        "a card/A_0001.DNG", "b card/A_0001.DNG", "b card/A_0001.JPG",
    }  # fmt: skip
    assert any(text.startswith("3 files are there twice with the same bytes") for text in found.notices)


def test_files_that_differ_in_the_middle_are_two(tmp_path: Path) -> None:
    """A copy that was damaged on the way has the same size, head and tail."""
    noise = os.urandom(300_000)
    for card, middle in (("a", 1), ("b", 2)):
        (tmp_path / card).mkdir()
        (tmp_path / card / "A_0001.DNG").write_bytes(noise[:150_000] + bytes([middle]) + noise[150_000:])
    assert len(scan(tmp_path).frames) == 2


def test_only_the_bytes_of_likely_copies_are_read(tmp_path: Path) -> None:
    """A night of uncompressed raws has one size; reading all of them would take minutes."""
    files = [raw(tmp_path / f"A_{n:04d}.DNG", 1, START + timedelta(seconds=n)) for n in range(3)]
    nameless = [Frame("", p, p.name, "raw", read_exif(p, "raw")) for p in files]
    read: list[str] = []
    one_each(nameless, lambda frame: read.append(frame.relative) or "")  # type: ignore[func-returns-value]
    assert read == []


def test_real_raws_with_their_own_pictures(tmp_path: Path, shared: Callable[[str], Path]) -> None:
    """CRW and KDC files, in part without model or serial number: each shows what LibRaw makes of it in full, and not
    what the next one shows."""
    files = sorted(shared("data/raw").glob("*.*"))[1::2]
    pictures = []
    for path in files:
        with rawpy.imread(str(path)) as opened:
            picture = Image.fromarray(opened.postprocess(use_camera_wb=True, half_size=True))
        pictures.append(tmp_path / f"{path.stem}.jpg")
        picture.save(pictures[-1])
    for at, path in enumerate(files):
        assert same_picture(path, pictures[at]) is True and same_picture(path, pictures[at - 1]) is False
