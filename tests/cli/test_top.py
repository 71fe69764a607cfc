"""What reaches the top of a command: one line with what to do, and the documented exit status; never a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli import app
from pipeline.errors import in_short


def top(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    """Exit status of the whole command, and what stands on standard error."""
    monkeypatch.setattr(sys, "argv", ["evencourt", *arguments])
    with pytest.raises(SystemExit) as ended:
        app.main()
    return int(ended.value.code or 0), capfd.readouterr().err


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ZeroDivisionError("planted\x1b[31m\nfault"), "unexpected ZeroDivisionError: planted [31m fault; what is done"),
        (MemoryError(), "not enough memory; close other programs"),
        (RecursionError("maximum recursion depth exceeded"), "unexpected RecursionError"),
        (OSError(5, "Input/output error", "/disk/run.json"), "/disk/run.json: Input/output error; look at"),
        (ValueError("x" * 10_000), "..."),
        (AssertionError(), "unexpected AssertionError; what is done"),
    ],
)
def test_an_unforeseen_error_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path, error: Exception, words: str
) -> None:
    def broken(*_: Any) -> None:
        raise error

    monkeypatch.delenv("EVENCOURT_DEBUG", raising=False)
    monkeypatch.setattr("pipeline.cli.status.show_status", broken)
    status, said = top(monkeypatch, capfd, "status", str(tmp_path))
    assert status == 2 and words in said
    assert said.count("\n") == 1 and len(said) < 700 and "\x1b" not in said and "Traceback" not in said
    for shown in (("--debug", "status", str(tmp_path)), ("status", str(tmp_path))):  # --debug sets the environment
        monkeypatch.setenv("EVENCOURT_DEBUG", os.environ.get("EVENCOURT_DEBUG", "0"))
        status, said = top(monkeypatch, capfd, *shown)
        assert status == 2 and "in broken" in said and words in said


def test_an_error_that_cannot_be_printed() -> None:
    class OddError(Exception):
        def __str__(self) -> str:
            raise ValueError

    assert in_short(OddError()) == "OddError"


def output_to(descriptor: int) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli.app", "steps"],
        stdout=descriptor, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(descriptor)
    return done.returncode, done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_output_to_a_full_disk() -> None:
    status, said = output_to(os.open("/dev/full", os.O_WRONLY))
    assert status == 1 and said.count("\n") == 1 and "No space left" in said


def test_output_to_a_closed_pipe() -> None:
    """As after `| head`, which has seen enough."""
    read, write = os.pipe()
    os.close(read)
    assert output_to(write) == (1, "")


def test_letters_that_the_terminal_cannot_show(tmp_path: Path) -> None:
    (tmp_path / "recipe.yaml").write_text(
        "recipe: 1\ndeliveries:\n  web:\n    - caption: {headline: Łódź}\n    - save:\n", encoding="utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli.app", "check", str(tmp_path / "recipe.yaml")],
        capture_output=True, text=True, env={**os.environ, "PYTHONIOENCODING": "ascii"}, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "\\u0141" in done.stdout
