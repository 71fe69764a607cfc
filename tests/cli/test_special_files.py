"""Pipes, devices, sockets, folders and dead links where a file belongs: named within seconds, and never waited for."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.cli import app
from pipeline.engine.jobs import read_shoot
from pipeline.errors import InputError
from tests.golden import write_shoot

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")

RECIPE = "recipe: 1\ndeliveries:\n  web:\n    - resize: {long_edge: 60}\n    - tone:\n    - caption:\n    - save:\n"


def _socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # a socket's own limit of about a hundred characters
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(path.name)
    os.chdir(here)


KINDS: dict[str, tuple[Callable[[Path], object], str]] = {
    "pipe": (os.mkfifo, "a pipe, not a file"),
    "endless": (lambda path: path.symlink_to("/dev/zero"), "a device, not a file"),
    "terminal": (lambda path: path.symlink_to("/dev/tty"), "a device, not a file"),
    "socket": (_socket, "a socket, not a file"),
    "folder": (lambda path: path.mkdir(), "a folder, not a file"),
    "dead link": (lambda path: path.symlink_to("/nowhere/at/all"), "a link that leads nowhere"),
}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("special") / "shoot"
    write_shoot(folder, size=(96, 144))
    (folder / "frames.csv").unlink()
    for path in sorted(folder.glob("*.dng"))[2:]:
        path.unlink()
    return folder


@pytest.fixture
def shoot(drawn: Path, tmp_path: Path) -> Path:
    shutil.copytree(drawn, tmp_path / "shoot")
    (tmp_path / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    return tmp_path / "shoot"


@contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """Ends what waits for ever; such a wait would never come back to the test."""

    def over(number: int, frame: object) -> None:
        raise TimeoutError("it hangs")

    before = signal.signal(signal.SIGALRM, over)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def evencourt(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: object
) -> tuple[int, str]:
    monkeypatch.setattr(sys, "argv", ["evencourt", *map(str, arguments)])
    status = 0
    with at_most(60):
        try:
            app.main()
        except SystemExit as ended:
            status = int(ended.code or 0)
    said = capsys.readouterr()
    return status, said.out + said.err


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("role", ["recipe", "--facts", "shoot.yaml", "roster.csv", "frames.csv", "--like", "captions"])
def test_what_a_person_wrote(
    shoot: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], kind: str, role: str
) -> None:
    make, words = KINDS[kind]
    recipe, out = shoot.parent / "recipe.yaml", shoot.parent / "out"
    command: list[object] = ["run", recipe, shoot, "--out", out, "--workers", 1]
    path = shoot / role
    if role == "recipe":
        path = recipe
        recipe.unlink()
    elif role == "--facts":
        path = shoot.parent / "facts.yaml"
        command += ["--facts", path]
        words = words if kind != "folder" else "holds none of"
    elif role == "--like":
        path = shoot.parent / "like" / "roster.csv"
        path.parent.mkdir()
        command = ["prepare", shoot, "--facts", shoot.parent / "new", "--like", path.parent]
    elif role == "captions":
        path = shoot.parent / "mine.csv"
        command = ["captions", shoot, path, "--check"]
    make(path)
    status, said = evencourt(monkeypatch, capsys, *command)
    assert status == 2 and words in said and path.name in said, said
    assert not out.exists() and "Traceback" not in said


@pytest.mark.parametrize("kind", KINDS)
def test_frames_and_sidecars(
    shoot: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    make, _ = KINDS[kind]
    make(shoot / "TH9_0001.dng")
    make(shoot / "TH9_0002.jpg")
    make(shoot / "notes.mov")
    make(shoot / "TH5_0001.xmp")
    out = shoot.parent / "out"
    command = ("run", shoot.parent / "recipe.yaml", shoot, "--out", out, "--workers", 1)
    _, said = evencourt(monkeypatch, capsys, *command)
    assert {path.name for path in (out / "web").iterdir()} == {"TH5_0001.jpg", "TH5_0002.jpg"}, said
    assert "TH5_0001: the rating of its sidecar is not used" in said
    if kind != "folder":
        assert "TH9_0001.dng" in said and "TH9_0002.jpg" in said
    # Nobody knows whom it names.
    (shoot / "shoot.yaml").write_text("roster: roster.csv\nteams: {home: Gulls}\n", encoding="utf-8")
    (shoot / "roster.csv").write_text("team,number,name,publish\nhome,4,Lina Hidden,no\n", encoding="utf-8")
    with at_most(30):
        assert "sidecar cannot be read" in read_shoot(shoot).withheld("TH5_0001")


@pytest.mark.parametrize("kind", ["pipe", "folder", "dead link"])
def test_facts_that_take_the_place_of_others_may_still_forbid(shoot: Path, kind: str) -> None:
    """A roster beside the frames that cannot be read may withhold somebody."""
    desk = shoot.parent / "desk"
    desk.mkdir()
    (desk / "shoot.yaml").write_text("teams: {home: Gulls}\n", encoding="utf-8")
    (desk / "roster.csv").write_text("team,number,name,publish\nhome,4,Lina Shown,yes\n", encoding="utf-8")
    KINDS[kind][0](shoot / "roster.csv")
    with at_most(30):
        assert "may say publish: no" in " ".join(read_shoot(shoot, desk).notices)
    KINDS[kind][0](shoot / "shoot.yaml")
    with at_most(30), pytest.raises(InputError, match=r"shoot\.yaml"):
        read_shoot(shoot, desk)
