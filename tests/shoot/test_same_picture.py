"""Copies that are known by their picture alone: drawn ones, and real frames of a court beside their neighbours."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import PIL.Image
import PIL.ImageOps
import pytest

from pipeline.shoot.copies import called_otherwise, copies, is_copy
from pipeline.shoot.pictures import copied, same
from pipeline.shoot.pictures.grey import grey_picture
from pipeline.shoot.pictures.same import SAME, Look, agreement, look_of
from pipeline.types import Exif, Frame

COURT = Path(__file__).resolve().parents[3] / "shared" / "data" / "court"
Edit = Callable[[PIL.Image.Image], PIL.Image.Image]


def part(x0: float, y0: float, x1: float, y1: float) -> Edit:
    return lambda p: p.crop((round(x0 * p.width), round(y0 * p.height), round(x1 * p.width), round(y1 * p.height)))


EDITS: dict[str, Edit] = {
    "smaller": lambda p: p.resize((p.width // 2, p.height // 2)),
    "cropped": part(0.3, 0.2, 0.75, 0.75),
    "turned": lambda p: p.transpose(PIL.Image.Transpose.ROTATE_90),
    "straightened": lambda p: part(0.05, 0.06, 0.95, 0.94)(p.rotate(2, PIL.Image.Resampling.BICUBIC)),
    "brighter": lambda p: p.point(lambda v: int(255 * (v / 255) ** 0.6)),
    "black and white": lambda p: PIL.ImageOps.autocontrast(p.convert("L"), cutoff=1).convert("RGB"),
    "in a frame": lambda p: PIL.ImageOps.expand(p, p.width // 20, "white"),
}


def drawn(seed: int, hall: int = 0) -> PIL.Image.Image:
    """Boards and lines of a hall, and people in front of them. hall  what stays when the people move"""
    chance, people = np.random.default_rng(hall), np.random.default_rng(seed + 100)
    picture = np.full((320, 480, 3), 120, np.uint8)
    for of, count, size in ((chance, 60, 40), (people, 40, 60)):
        for _ in range(count):
            x, y = of.integers(0, 470), of.integers(0, 310)
            picture[y : y + of.integers(4, size), x : x + of.integers(4, size)] = of.integers(20, 235, 3)
    return PIL.Image.fromarray(picture)


def saved(folder: Path, name: str, picture: PIL.Image.Image, exif: Exif = Exif()) -> Frame:  # noqa: B008
    picture.save(folder / f"{name}.jpg", quality=85)
    return Frame(name, folder / f"{name}.jpg", f"{name}.jpg", "picture", exif)


@pytest.mark.parametrize("edit", EDITS)
def test_a_copy_without_name_and_time_is_held(tmp_path: Path, edit: str) -> None:
    camera = Exif(time=datetime(2026, 2, 14, 19, 30), make="Evencourt", model="Test Camera")
    held = [saved(tmp_path, f"TH1_000{at}", drawn(at), camera) for at in range(3)]
    copy = saved(tmp_path, "best of the night", EDITS[edit](drawn(1)))
    other = saved(tmp_path, "warming up", EDITS[edit](drawn(7)))  # in the same hall
    frames = [*held, copy, other]
    found = copies(frames, {one.name for one in held}, set())
    assert list(found) == [copy.name]
    assert "its picture may be that of TH1_0001" in found[copy.name] and is_copy(found[copy.name])
    assert "that of frame-0002, which" in called_otherwise(found[copy.name], {"TH1_0001": "frame-0002"})
    assert copies(frames, {one.name for one in held}, {copy.name}) == {}  # a person wrote who is in it
    known = replace(copy, exif=replace(camera, time=datetime(2026, 2, 14, 19, 45)))
    assert copies([*held, known], {one.name for one in held}, set()) == {}  # the next in a burst: its file says so
    lost = replace(copy, exif=replace(known.exif, make="", model=""))
    assert list(copies([*held, lost], {one.name for one in held}, set())) == [copy.name]


def test_a_picture_in_which_nothing_is_to_be_seen_is_no_copy(tmp_path: Path) -> None:
    grey = PIL.Image.new("RGB", (480, 320), (90, 90, 90))
    frames = [saved(tmp_path, "TH1_0001", grey), saved(tmp_path, "TH1_0002", drawn(1)), saved(tmp_path, "wall", grey)]
    frames[2].path.write_bytes(frames[2].path.read_bytes() + b"\0")  # not the same file
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8 no picture")
    broken = Frame("broken", tmp_path / "broken.jpg", "broken.jpg", "picture")
    assert copies([*frames, broken], {"TH1_0001", "TH1_0002"}, set()) == {}


def test_a_copy_of_one_of_many_is_found_and_no_picture_is_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(same, "_AT_ONCE", 300)  # so that the points of one picture are in two parts
    opened: list[Path] = []
    monkeypatch.setattr(copied, "grey_picture", lambda path, edge: opened.append(path) or grey_picture(path, edge))
    frames = [saved(tmp_path, f"TH1_{at:04d}", drawn(at, at)) for at in range(6)]
    frames += [saved(tmp_path, f"best {at}", EDITS["smaller"](drawn(at, at))) for at in (0, 3, 5)]
    held = {frame.name for frame in frames[:6]}
    found = copies(frames, held, set())
    assert {name: why.partition("that of ")[2][:8] for name, why in found.items()} == {
        "best 0": "TH1_0000", "best 3": "TH1_0003", "best 5": "TH1_0005",
    }  # fmt: skip
    opened.clear()
    copied._picture.cache_clear()
    assert copies(frames, held, set()) == found  # a review asks after each decision
    assert len(opened) == 6  # those that are compared in full


def look(picture: PIL.Image.Image) -> Look:
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=80)
    small = PIL.Image.open(data).convert("L")
    small.thumbnail((SAME.edge, SAME.edge))
    grey = np.asarray(small)
    return look_of(lambda: grey)


@pytest.mark.skipif(not COURT.is_dir(), reason="real court frames are not at ../shared/data/court")
def test_real_frames_and_their_neighbours() -> None:
    """Of a film with 30 frames a second: what is a tenth of a second away is another picture."""
    paths = sorted(COURT.glob("*.jpg"))
    looks = [look_of(lambda grey=grey: grey) for path in paths if (grey := grey_picture(path, SAME.edge)) is not None]
    with PIL.Image.open(paths[4]) as picture:
        for name, edit in EDITS.items():
            least = 0.97 if name == "cropped" else 0.85  # its finer detail is not held against it
            assert agreement(look(edit(picture.convert("RGB"))), looks[4]) >= least, name
    apart = [agreement(looks[4], one) for one in looks]
    assert min(apart[3], apart[5]) >= SAME.share  # 1/30 s
    assert max(*apart[:2], *apart[7:10]) < SAME.share
    assert apart[10] < 0.4  # another rally in the same hall
