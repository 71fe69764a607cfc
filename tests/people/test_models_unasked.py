"""Model files that a command fetches by itself: once, for ten seconds at most, and never offline."""

from __future__ import annotations

import os
import re
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.people import modelfiles
from pipeline.people.modelfiles import MODELS, Patience, ensure, find
from tests.people.model_server import FACE, PERSON, Handler, Models, everything, places, put, served, server

__all__ = ["places", "served", "server"]  # fixtures


@pytest.fixture
def online(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Let commands fetch; called with seconds, make the wait and what counts as cheap shorter."""
    monkeypatch.delenv("EVENCOURT_OFFLINE", raising=False)
    return lambda seconds: monkeypatch.setattr(modelfiles, "PATIENCE", Patience(unasked=seconds, cheap=seconds / 2))


def test_the_wait_is_ten_seconds_at_most() -> None:
    assert modelfiles.PATIENCE.unasked <= 10


def test_what_is_missing_comes_once(places: dict[str, Path], served: Models, online: object) -> None:
    models, lines = served(), list[str]()
    put(places["cache"], models[0], PERSON)
    assert ensure(None, False, lines.append, models) == ""
    assert len(lines) == 1
    assert f"finds faces from 127.0.0.1, once (0.0 MB, into {places['variable']})" in lines[0]
    assert find(None, models).face == places["variable"] / models[1].file
    assert ensure(None, False, lines.append, models) == "" and len(lines) == 1
    assert Handler.asked == ["face"]


def test_the_folder_given_is_enough(places: dict[str, Path], served: Models, online: object) -> None:
    models = served()
    put(places["option"], models[0], PERSON)
    put(places["option"], models[1], FACE)
    assert ensure(places["option"], False, pytest.fail, models) == "" and not Handler.asked


@pytest.mark.parametrize("value", ["1", "yes", "TRUE", "on"])
def test_offline_fetches_nothing(
    places: dict[str, Path], served: Models, online: object, monkeypatch: pytest.MonkeyPatch, value: str
) -> None:
    said = ensure(None, True, pytest.fail, served())
    assert said.startswith("the model files that find people and faces are missing") and "--offline" in said
    monkeypatch.setenv("EVENCOURT_OFFLINE", value)
    assert "EVENCOURT_OFFLINE" in ensure(None, False, pytest.fail, served())
    assert not Handler.asked and everything(places["variable"].parent) == []
    monkeypatch.setenv("EVENCOURT_OFFLINE", "0")
    assert ensure(None, False, lambda text: None, served()) == ""


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("slow", r"no answer|only \d+ of 270000 bytes came"),
        ("silent", "no answer"),
        ("other", "something else came .a network that asks for a log-in"),
        ("gone", "the server answered 404"),
        ("short", "the transfer broke off"),
        ("endless", "expected 270000 bytes, more came"),
    ],
)
def test_a_fetch_that_fails_is_one_sentence(
    places: dict[str, Path], served: Models, online: Callable[[float], None], how: str, words: str
) -> None:
    online(0.4)
    start, lines = time.monotonic(), list[str]()
    said = ensure(None, False, lines.append, served(person=how))
    assert time.monotonic() - start < 6  # of the server's eight
    assert re.search(words, said), said
    assert said.startswith("the model files that find people and faces are missing") and "\n" not in said
    assert "models fetch" in said and "evencourt models" in said.split("stick")[1]
    assert len(lines) == 1
    assert find(None, served()).face is not None  # what came stays
    assert not (places["variable"] / MODELS[0].file).exists()


def test_a_long_wait_is_not_repeated_within_the_hour(
    places: dict[str, Path], served: Models, online: Callable[[float], None]
) -> None:
    online(0.4)
    first = ensure(None, False, lambda text: None, served(person="silent"))
    assert "no answer within" in first
    again = ensure(None, False, pytest.fail, served())
    assert re.search(r"could not be fetched at \d\d:\d\d \(no answer", again) and "models fetch" in again
    mark = places["variable"] / "last-failure.txt"
    os.utime(mark, (time.time() - 3700,) * 2)
    assert ensure(None, False, lambda text: None, served()) == "" and not mark.exists()


def test_a_clock_set_back_does_not_stop_fetching(
    places: dict[str, Path], served: Models, online: Callable[[float], None]
) -> None:
    online(0.4)
    ensure(None, False, lambda text: None, served(person="silent"))
    os.utime(places["variable"] / "last-failure.txt", (time.time() + 86_400,) * 2)
    assert ensure(None, False, lambda text: None, served()) == ""


def test_a_quick_failure_may_be_tried_again(places: dict[str, Path], served: Models, online: object) -> None:
    assert "404" in ensure(None, False, lambda text: None, served(person="gone"))
    assert ensure(None, False, lambda text: None, served()) == ""


def test_a_name_that_is_not_found_in_time(
    places: dict[str, Path], served: Models, online: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look-up of a name has no time limit of its own: on a hall's network it may take half a minute."""
    online(0.4)
    held = threading.Event()

    def look_up(*args: object, **more: object) -> list[object]:
        held.wait(20)
        raise socket.gaierror("no such name")

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    start = time.monotonic()
    said = ensure(None, False, lambda text: None, served(at="http://models.invalid"))
    assert time.monotonic() - start < 10 and "no answer within" in said
    held.set()


def test_no_place_to_keep_them(tmp_path: Path, served: Models, online: object, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "cache").write_text("a file stands where the folder should be", encoding="utf-8")
    monkeypatch.setenv("EVENCOURT_MODELS", str(tmp_path / "cache" / "below"))
    said = ensure(None, False, pytest.fail, served())
    assert "cannot be written" in said and "EVENCOURT_MODELS" in said and not Handler.asked


def test_commands_fetch_and_say_so(
    tmp_path: Path, places: dict[str, Path], served: Models, online: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = served()
    monkeypatch.setattr(modelfiles.find, "__defaults__", (None, models))
    monkeypatch.setattr(modelfiles.ensure, "__defaults__", (None, False, lambda text: None, models))
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    (shoot / "A_1.jpg").write_bytes(b"no picture")
    recipe = Path(__file__).resolve().parents[2] / "recipes" / "overnight-web.yaml"
    out = str(tmp_path / "out")
    for words in (
        ["run", str(recipe), str(shoot), "--out", out],
        ["inspect", str(shoot)],
        ["captions", str(shoot), "--out", str(tmp_path / "frames.csv")],
    ):
        for model in MODELS:
            (places["variable"] / model.file).unlink(missing_ok=True)
        result = CliRunner().invoke(app.app, [*words, "--offline"], catch_exceptions=False)
        assert result.exit_code == 1, result.output  # the frame is no picture; that is all
        assert result.output.count("--offline") == 1 and result.output.count("models fetch") == 0
        result = CliRunner().invoke(app.app, words, catch_exceptions=False)
        assert result.output.count("fetching the model files that find people and faces from 127.0.0.1") == 1
        assert (places["variable"] / MODELS[1].file).is_file()
