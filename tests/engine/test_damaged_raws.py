"""A damaged raw is delivered from the JPEG of the same exposure, and what either file says counts for consent."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from pipeline.engine import render as module
from pipeline.errors import UndecodableError
from tests.engine.test_run import evencourt
from tests.shoot.test_pairs import START, jpeg, raw, scene

RECIPE = """\
recipe: 1
steps:
  - decode:
  - exposure: {across: burst}
deliveries:
  web:
    - caption:
    - save: {format: jpeg, quality: 95}
"""
ROSTER = "team,number,name,publish\nhome,4,Tuva Rønning,no\nhome,7,Ingrid Solbakken,yes\n"
NAMED = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title><rdf:Alt>
<rdf:li xml:lang="x-default">Tuva Rønning</rdf:li></rdf:Alt></dc:title></rdf:Description></rdf:RDF></x:xmpmeta>"""


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    """Three pairs of one burst, the JPEGs on a card of their own; the recipe beside them."""
    for number in range(3):
        time = START + timedelta(seconds=0.1 * number)
        raw(tmp_path / "shoot" / "raw" / f"A_{number:04d}.DNG", number, time)
        jpeg(tmp_path / "shoot" / "jpeg" / f"A_{number:04d}.JPG", number, time)
    (tmp_path / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    return tmp_path / "shoot"


def run(shoot: Path, *more: str, wanted: int = 0) -> Any:
    """The record of a run."""
    out = shoot.parent / "out"
    status, text = evencourt("run", shoot.parent / "recipe.yaml", shoot, "--out", out, "--workers", 1, *more)
    assert status == wanted, text
    return json.loads((out / "run.json").read_text(encoding="utf-8"))


def of_jpeg(path: Path, number: int) -> bool:
    """Whether a delivered file has the blocks of that scene, which no other one has."""
    with Image.open(path) as picture:
        green = np.asarray(picture.resize((12, 8), Image.Resampling.BOX), dtype=np.float64)[..., 1]
    truth = scene(number)[4::8, 4::8, 1] ** (1 / 2.2)
    return float(np.corrcoef(green.ravel(), truth.ravel())[0, 1]) > 0.9


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])


def test_a_damaged_raw_is_delivered_from_its_jpeg(shoot: Path) -> None:
    cut(shoot / "raw" / "A_0001.DNG")
    record = run(shoot)
    assert record["counts"]["delivered"] == 3 and record["counts"]["failed"] == 0
    assert "3 frames are there both as raw and as JPEG: the raw is used" in " ".join(record["notices"])
    assert "A_0001: the raw is damaged or cannot be read now, and its JPEG is used" in record["notices"]
    frame = record["frames"]["A_0001"]
    assert frame["relative"] == "jpeg/A_0001.JPG"
    assert frame["notices"][0].startswith(
        "delivered from its JPEG, A_0001.JPG, because the raw is damaged or cannot be read now: "
    )
    assert not any("its JPEG" in text for name in ("A_0000", "A_0002") for text in record["frames"][name]["notices"])
    made = shoot.parent / "out" / "web" / "A_0001.jpg"
    assert of_jpeg(made, 1) and not of_jpeg(made, 2)
    assert run(shoot)["counts"]["rendered"] == 0
    status, text = evencourt("verify", shoot.parent / "out", "--render", 3)
    assert status == 0, text
    status, text = evencourt("inspect", shoot, "--workers", 1)
    said = " ".join(text.split())
    assert status == 0 and "3 frames are there both as raw and as JPEG" in said
    assert said.count("delivered from its JPEG, A_0001.JPG, because the raw is damaged or cannot be read now") == 1


def test_damage_that_shows_when_it_is_rendered(shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some of a raw's data is first touched by the full decode, which the small one before it leaves out."""
    whole = module.decode

    def broken(frame: Any, *arguments: Any, **more: Any) -> Any:
        if frame.relative == "raw/A_0001.DNG":
            raise UndecodableError("the raw data is damaged or cut short (simulated); copy it again")
        return whole(frame, *arguments, **more)

    monkeypatch.setattr(module, "decode", broken)
    record = run(shoot, "--no-cache")
    assert record["counts"]["delivered"] == 3 and record["counts"]["failed"] == 0 and record["state"] == "done"
    assert "(simulated)" in record["frames"]["A_0001"]["notices"][0]
    files = {p.name: p.read_bytes() for p in (shoot.parent / "out" / "web").iterdir()}
    assert of_jpeg(shoot.parent / "out" / "web" / "A_0001.jpg", 1) and len(files) == 3
    again = run(shoot, "--no-cache")
    assert again["counts"]["rendered"] == 0 and again["counts"]["reused"] == 3
    status, text = evencourt("verify", shoot.parent / "out", "--render", 3)
    assert status == 0, text
    # Without a JPEG the frame fails by name, and the rest is delivered.
    (shoot / "jpeg" / "A_0001.JPG").unlink()
    record = run(shoot, "--no-cache", wanted=1)
    assert "(simulated)" in record["frames"]["A_0001"]["reason"] and record["counts"]["delivered"] == 2


def test_where_both_are_damaged_both_reasons_are_said(shoot: Path) -> None:
    cut(shoot / "raw" / "A_0001.DNG")
    cut(shoot / "jpeg" / "A_0001.JPG")
    record = run(shoot, wanted=1)
    assert record["counts"]["delivered"] == 2 and record["counts"]["failed"] == 1
    reason = record["frames"]["A_0001"]["reason"]
    assert "its JPEG: the JPEG is damaged or cut short" in reason and reason.count("cut short") == 2


@pytest.mark.parametrize("where", ["sidecar of the JPEG", "text of the JPEG", "folder of a copy"])
def test_what_the_files_that_are_not_used_say_counts(shoot: Path, where: str) -> None:
    (shoot / "roster.csv").write_text(ROSTER, encoding="utf-8")
    if where == "sidecar of the JPEG":
        (shoot / "jpeg" / "A_0001.xmp").write_text(NAMED, encoding="utf-8")
    elif where == "text of the JPEG":
        with Image.open(shoot / "jpeg" / "A_0001.JPG") as picture:
            picture.save(shoot / "jpeg" / "A_0001.JPG", exif=picture.getexif(), comment="Tuva Rønning".encode())
    else:
        copy = shoot / "for Tuva Rønning" / "A_0001.DNG"
        copy.parent.mkdir()
        copy.write_bytes((shoot / "raw" / "A_0001.DNG").read_bytes())
    record = run(shoot)
    assert {name: frame["status"] for name, frame in record["frames"].items()} == {
        "A_0000": "delivered", "A_0001": "held", "A_0002": "delivered",
    }  # fmt: skip


@pytest.mark.parametrize("written", ["A_0001.JPG", "A_0001.DNG", "A_0001", "jpeg/A_0001.JPG", "raw/A_0001.dng"])
def test_a_row_may_name_either_file(shoot: Path, written: str) -> None:
    (shoot / "roster.csv").write_text(ROSTER, encoding="utf-8")
    (shoot / "frames.csv").write_text(f"frame,players\n{written},home 4\n", encoding="utf-8")
    record = run(shoot)
    assert [name for name, frame in record["frames"].items() if frame["status"] == "held"] == ["A_0001"]
    assert record["counts"]["frames"] == 3


def test_the_raw_comes_after_its_jpeg_was_delivered(shoot: Path) -> None:
    """One card is copied before the other: what was delivered from the JPEG is the same frame."""
    (shoot / "raw").rename(shoot.parent / "later")
    first = run(shoot)
    assert first["frames"]["A_0001"]["relative"] == "jpeg/A_0001.JPG"
    (shoot.parent / "later").rename(shoot / "raw")
    record = run(shoot)
    assert list(record["frames"]) == ["A_0000", "A_0001", "A_0002"] and record["counts"]["rendered"] == 3
    assert record["frames"]["A_0001"]["relative"] == "raw/A_0001.DNG"
    assert sorted(p.name for p in (shoot.parent / "out" / "web").iterdir()) == [f"A_000{n}.jpg" for n in range(3)]


def test_two_frames_that_prove_to_be_one_leave_no_second_file(shoot: Path) -> None:
    """An earlier run had only the time to the second of one card's files, say, and took them for two pictures."""
    for number in range(3):
        jpeg(shoot / "jpeg" / f"A_{number:04d}.JPG", number, START + timedelta(hours=1, seconds=number))
    assert run(shoot)["counts"]["delivered"] == 6
    for number in range(3):
        jpeg(shoot / "jpeg" / f"A_{number:04d}.JPG", number, START + timedelta(seconds=0.1 * number))
    record = run(shoot)
    assert record["counts"]["delivered"] == 3 and len(record["frames"]) == 3
    assert sorted(p.name for p in (shoot.parent / "out" / "web").iterdir()) == [f"A_000{n}.jpg" for n in range(3)]
    assert not any("no longer in the shoot" in text for text in record["notices"])
