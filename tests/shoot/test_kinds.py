"""What is no photograph is named in one line; HEIC is a frame where it can be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PIL.Image
import pillow_heif
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import InputError
from pipeline.formats import heif
from pipeline.shoot.kinds import not_photographs, other_files
from pipeline.shoot.scan import scan


def fill(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.suffix.lower() in (".jpg", ".heic"):
            picture = PIL.Image.fromarray(np.full((64, 64, 3), 90 + len(name), np.uint8))
            if path.suffix.lower() == ".heic":
                pillow_heif.from_pillow(picture).save(path)
            else:
                picture.save(path)
        else:
            path.write_bytes(b"x")
    return folder


EVERYTHING = (
    "A_1.jpg", "A_1.xmp", "A_2.jpg", "A_2.JPG.xmp", "card/A_9.XMP", "card/A_1.xmp", "C_1.MP4", "C_2.mp4", "C_3.mov",
    "C_1.THM", "memo.wav", "notes.txt", "old.zip", "Makefile", "roster.csv", "shoot.yaml", "gathered.sha256",
    "Thumbs.db", ".hidden.mp4", "pic.webp", "H_1.heic", "H_2.HEIC",
)  # fmt: skip


def test_what_is_no_photograph_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, *EVERYTHING)
    line = (
        "left alone: 3 films (MP4, MOV), {}1 picture of another kind (WEBP; to read them: save them as JPEG, TIFF "
        "or PNG), 2 sidecars without a frame, 1 camera preview, 1 sound (WAV), 3 other files (TXT, ZIP)"
    )
    found = scan(tmp_path)
    assert line.format("") in found.notices and not found.skipped
    assert sorted(f.name for f in found.frames) == ["A_1", "A_2", "H_1", "H_2"]
    assert found.others["film"] == {"MP4": 2, "MOV": 1}
    monkeypatch.setattr(heif, "readable", lambda: False)
    found = scan(tmp_path)
    told = "2 HEIC pictures (to read them: pip install 'evencourt[heic]', in a checkout '.[heic]'), "
    assert line.format(told) in found.notices and sorted(f.name for f in found.frames) == ["A_1", "A_2"]


def test_heic_beside_a_raw_counts_for_consent_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heif, "readable", lambda: False)
    fill(tmp_path, "A_1.heic", "A_2.heic", "A_1.jpg")
    (tmp_path / "A_1.nef").write_bytes(b"damaged")
    found = scan(tmp_path)
    (frame,) = [frame for frame in found.frames if frame.kind == "raw"]
    assert tmp_path / "A_1.heic" in frame.files and frame.twin == tmp_path / "A_1.jpg"
    assert found.others == {"heic": {"HEIC": 1}}  # A_2


def test_nothing_else_gives_no_line(tmp_path: Path) -> None:
    found = scan(fill(tmp_path, "A_1.jpg", "a_1.XMP", "frames.csv", "desktop.ini"))
    assert not found.others and not any("left alone" in text for text in found.notices)


def test_many_kinds_are_cut_short() -> None:
    others = other_files([Path(f"x.{n}") for n in "abcdefgh"], [])
    assert not_photographs(others) == "left alone: 8 other files (A, B, C, D, E and 3 more kinds)"
    assert not_photographs({}) == ""


def test_a_folder_of_films_only_says_so(tmp_path: Path) -> None:
    result = CliRunner().invoke(app.app, ["inspect", str(fill(tmp_path, "C_1.MP4"))])
    assert isinstance(result.exception, InputError)
    first, *more = result.exception.lines  # in one text, the line break was printed as its code
    assert "holds no frames" in first and more == ["left alone: 1 film (MP4)"]


def test_the_commands_say_it_once(tmp_path: Path) -> None:
    shoot = fill(tmp_path / "shoot", "A_1.jpg", "H_1.heic", "C_1.MP4")
    recipe = Path(__file__).resolve().parents[2] / "recipes" / "overnight-web.yaml"
    out = tmp_path / "out"
    for words in (
        ["inspect", str(shoot)],
        ["check", str(recipe), str(shoot)],
        ["run", str(recipe), str(shoot), "--out", str(out)],
    ):
        result = CliRunner().invoke(app.app, [*words, "--workers", "1"], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        assert result.output.count("left alone: 1 film (MP4)") == 1, words
    for file in ("run.json", "report.html"):
        assert "left alone: 1 film (MP4)" in (out / file).read_text(encoding="utf-8")
    assert len(list((out / "web").glob("*.jpg"))) == 2
