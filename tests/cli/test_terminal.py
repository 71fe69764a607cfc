"""What the terminal gets: lines of ours alone, with nothing that it would act upon, of bounded length and number."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from pipeline.cli import console
from pipeline.cli.console import clean
from pipeline.cli.look.tables import print_table
from tests.golden import write_shoot

# ECMA-48 (escape and control sequences) and Unicode Standard Annex 9 (what turns the direction of a line).
EVIL = "a\x1b]0;title\x07\x1b[2J\x9b31m\u202egpj.\u2066b\u2028c\r\nsafe to format: yes\udcff\x00"
ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")


def acting(text: str) -> set[str]:
    """What in an output a terminal would act upon, line ends aside."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ACTING}


def evencourt(*words: str | bytes, **environment: str) -> subprocess.CompletedProcess[bytes]:
    given = {**os.environ, "EVENCOURT_OFFLINE": "1", **environment}
    command = [sys.executable, "-m", "pipeline.cli.app", *words]
    return subprocess.run(command, capture_output=True, env=given, timeout=120, check=False)


def test_clean_shows_what_a_terminal_would_act_upon() -> None:
    shown = clean(EVIL)
    assert not acting(shown) and "\n" not in shown
    assert shown == (r"a\x1b]0;title\x07\x1b[2J\x9b31m\u202egpj.\u2066b\u2028c\r\nsafe to format: yes\xff\x00")


@pytest.mark.parametrize(
    "text", ["Zoë Müller-Østergård", "می\u200cخواهم", "क्\u200dष", "東京 体育館", "👩\u200d🦰", "a\xa0b", "co\xadop", ""]
)
def test_clean_leaves_every_script_alone(text: str) -> None:
    assert clean(text) == text


def test_a_long_name_in_a_narrow_table_is_whole(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As in inspect; what is cut off could be several frames."""
    monkeypatch.setattr(console.out_console, "width", 30)
    print_table("", ("frames", "time"), [["holiday_2026_card2_0001", "2026-02-14 19:30:00"]])
    shown = capsys.readouterr().out
    cells = "".join(line.partition("2026-02-14 ")[0].strip() for line in shown.splitlines()[1:])
    assert cells == "holiday_2026_card2_0001" and "2026-02-14 19:30:00" in shown


BURSTS = ("burst", "frames", "camera", "time", "ISO", "shutter", "zone", "in the dark phase")
NOISE = ("camera", "ISO", "frames", "grain at middle grey", "against other ISOs", "")
TOO_FEW = "too few frames: judged by other ISOs"


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize(
    ("columns", "row", "folded"),
    [
        (BURSTS, ["12", "CRW_0112 (1)", "3", "2021-03-26 21:14:40", "12800", "1/1000", "3", "4 of 6"], 0),
        (BURSTS, ["12", "TH1_0015 .. TH1_0020 (6)", "3", "2021-03-26 21:14:40", "50", "1/6", "3", "4 of 6"], 1),
        (BURSTS[:2] + BURSTS[3:], ["5", "TH1_0015 .. TH1_0020 (6)", "19:57:10", "12800", "1/1000", "1", ""], 0),
        (NOISE, ["Evencourt Test Camera", "12800", "6", "17.5%", "+7%", TOO_FEW], 5),
    ],
)  # fmt: skip
def test_headings_give_way_before_cells(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    width: int, columns: tuple[str, ...], row: list[str], folded: int,
) -> None:  # fmt: skip
    """At 80 characters only the longest text is folded, between words; at 120 none is."""
    monkeypatch.setattr(console.out_console, "width", width)
    print_table("", columns, [row])
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= width for line in lines)
    cells = [cell for k, cell in enumerate(row) if k != folded or width == 120]
    (shown,) = (line for line in lines if f" {row[1]} " in line or f" {row[2]} " in line)
    assert all(cell in shown for cell in cells), shown
    words = {word for line in lines for word in line.split()}
    assert words == {word for cell in (*columns, *row) for word in cell.split()}


def test_clean_bounds_a_line() -> None:
    assert clean("x" * 2000) == "x" * 2000
    assert clean("x" * 5000) == "x" * 2000 + "... (3,000 more characters)"
    assert len(clean("\x1b" * 10**6)) < 2100


def test_some_says_how_many_more() -> None:
    said: list[str] = []
    console.some(said.append, [str(n) for n in range(25)], "failed frame", " in the report")
    assert said[:20] == [str(n) for n in range(20)] and said[20:] == ["and 5 more failed frames in the report"]
    said.clear()
    console.some(said.append, [str(n) for n in range(90)], "failed frame")  # no other place has them
    assert len(said) == 90


USAGE = (
    ("run", "--no-such\x1b[31m"), ("no\x1b[2Jsuch",), ("steps", "a\x1b]0;x\x07", "more\u202e\n"),
    ("verify", "out", "--render", "a\x1b[1m\u2066"), ("status", b"none\xff\x1b[5m\n/"), ("steps", "crop\x1b[1m\n"),
    ("check", b"recipe\x9b\xff.yaml"), ("run", "r\x1b.yaml", "shoot\nx", "--out", "o\u2028"),
    ("inspect", "x\x1b" * 1000), ("gather", b"card\x1b\xff", "--to", "x\n"), ("models", "fetch\x1b"),
)  # fmt: skip


@pytest.mark.parametrize("words", USAGE)
@pytest.mark.parametrize(
    "locale",
    [
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii:strict"},
        pytest.param({}, marks=pytest.mark.long),
    ],
)
def test_what_is_wrong_with_an_argument(words: tuple[str | bytes, ...], locale: dict[str, str]) -> None:
    """Arguments come back in messages, of ours and of typer; bytes that are no text are lone surrogates in Python."""
    done = evencourt(*words, **locale)
    text = (done.stdout + done.stderr).decode()
    assert done.returncode == 2 and text and not acting(text), text
    assert "Traceback" not in text and len(text) < 4000


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Frames whose names, Exif and tables hold what a terminal would act upon, some of them damaged."""
    folder = tmp_path_factory.mktemp("evil")
    whole = folder / "whole"
    write_shoot(whole, size=(64, 96))
    frames = sorted(whole.rglob("*.dng"))
    shoot = folder / "shoot\x1b[31m\n"
    shoot.mkdir()
    named = [b"one\x1b[2J.dng", b"two\n\x9b.dng", b"thr\xffee.dng", "fo\u202eur.dng".encode()]
    for name, frame in zip(named, frames, strict=False):
        shutil.copy(frame, os.fsencode(shoot) + b"/" + name)
    data = frames[0].read_bytes()
    (shoot / "cut\x1b[5m.dng").write_bytes(data[:-9000])
    make = data.index(b"Evencourt")
    (shoot / "exif.dng").write_bytes(data[:make] + b"\x1b[7m\x9b\r\nX" + data[make + 9 :])
    (shoot / "empty\u2028.jpg").write_bytes(b"")
    (shoot / "junk\x07.tif").write_bytes(b"II*\0\x08\0\0\0\xff\xff" + bytes(99))
    (shoot / "frames.csv").write_text("frame,keep,words\nnone\u202e,yes,jumps\u2066\n", "utf-8")
    return shoot


@pytest.mark.parametrize(
    "command", ["run", *(pytest.param(c, marks=pytest.mark.long) for c in ("inspect", "check", "captions"))]
)
def test_a_shoot_that_means_harm(shoot: Path, tmp_path: Path, command: str) -> None:
    out = tmp_path / "out\x1b[1m"
    words = {
        "inspect": ("inspect", shoot), "check": ("check", "recipes/overnight-web.yaml", shoot),
        "run": ("run", "recipes/overnight-web.yaml", shoot, "--out", out),
        "captions": ("captions", shoot, "--out", tmp_path / "t\x1b.csv"),
    }[command]  # fmt: skip
    one = ("--cache", tmp_path / "cache", "--workers", "1")
    done = evencourt(*map(os.fsencode, (*words, *one)), LC_ALL="C", PYTHONUTF8="0", PYTHONIOENCODING="ascii:strict")
    text = (done.stdout + done.stderr).decode()
    assert done.returncode in (1, 2) and not acting(text), text
    assert "Traceback" not in text and "unexpected" not in text
    for bare in ("Unexpected end of file", "TiffPage", "libpng", "Warning"):
        assert bare not in text
    if command == "run":
        for words in (("status", out), ("verify", out)):
            done = evencourt(*map(os.fsencode, words))
            text = (done.stdout + done.stderr).decode()
            assert done.returncode in (0, 1) and text and not acting(text), text


def test_what_libraries_print_is_dropped_and_what_is_ours_is_not() -> None:
    program = (
        "import ctypes, logging, os, subprocess, sys, warnings\n"
        "from pipeline.cli.console import note, quiet_libraries, say\n"
        "with quiet_libraries():\n"
        "    os.write(1, b'bare\\n'); os.write(2, b'bare\\n')\n"
        "    ctypes.CDLL(None).puts(b'bare'); ctypes.CDLL(None).fflush(None)\n"
        "    warnings.warn('bare'); logging.getLogger('tifffile').error('bare')\n"
        "    subprocess.run(['sh', '-c', 'echo bare; echo bare >&2'])\n"
        "    say('ours'); note('ours too')\n"
        "say('after'); os.write(2, b'after\\n')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert (done.stdout, done.stderr) == ("ours\nafter\n", "note: ours too\nafter\n")
