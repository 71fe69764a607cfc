"""Model files: only the listed bytes are used, and only whole ones are kept."""

from __future__ import annotations

import hashlib
import os
import pickle
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import InputError, RunStoppedError
from pipeline.people import modelfiles
from pipeline.people.modelfiles import MODELS, ModelFile, Patience, ensure, fetch, find
from pipeline.store.keys import digest_file

PERSON = b"stands in for the person model" * 9_000
FACE = b"stands in for the face model" * 500


class Handler(BaseHTTPRequestHandler):
    """/good sends it all; /short promises more than it sends; /other sends other bytes; /endless goes on and on;

    /slow sends a few bytes at a time, /silent nothing.
    """

    asked: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        _, how, name = self.path.split("/")
        self.asked.append(name)
        data = {"person": PERSON, "face": FACE}[name]
        if how == "gone":
            self.send_error(404)
            return
        self.send_response(200)
        if how != "endless":
            self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        if how == "silent":
            time.sleep(8)
        for at in range(0, 80 if how == "slow" else 0):
            self.wfile.write(data[at : at + 1])
            time.sleep(0.1)
        if how == "other":
            data = b"<html>Welcome to the hall's network, please log in</html>".ljust(len(data))
        for _ in range(50 if how == "endless" else 1):
            self.wfile.write(data[: len(data) // 2] if how == "short" else data)

    def handle(self) -> None:
        try:
            super().handle()
        except ConnectionError:  # whoever asked has heard enough
            self.close_connection = True

    def log_message(self, format: str, *args: object) -> None:
        pass


Models = Callable[..., tuple[ModelFile, ModelFile]]


@pytest.fixture(autouse=True)
def places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Path]:
    """The three places, none of them the real ones."""
    found = {name: tmp_path / name for name in ("option", "variable", "cache")}
    monkeypatch.setenv("EVENCOURT_MODELS", str(found["variable"]))
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *a, **k: tmp_path / "cache")
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    Handler.asked.clear()
    return found | {"cache": tmp_path / "cache" / "models"}


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as one:
        thread = threading.Thread(target=one.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{one.server_port}"
        one.shutdown()
        thread.join()


@pytest.fixture
def served(server: str) -> Models:
    def models(person: str = "good", face: str = "good", at: str = server) -> tuple[ModelFile, ModelFile]:
        kinds = zip(MODELS, (person, face), (PERSON, FACE), strict=True)
        first, second = (
            replace(m, address=f"{at}/{how}/{m.name}", sha256=hashlib.sha256(d).hexdigest(), size=len(d))
            for m, how, d in kinds
        )
        return first, second

    return models


def put(folder: Path, model: ModelFile, data: bytes) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / model.file).write_bytes(data)
    return folder / model.file


def everything(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.name)
def test_listed_files_are_those_that_were_measured(model: ModelFile, shared: Callable[[str], Path]) -> None:
    path = shared(f"models/{model.file}")
    assert (digest_file(path), path.stat().st_size) == (model.sha256, model.size)
    assert len(model.address.split("/")[5]) == 40  # a commit, which cannot change under us


def test_real_files_are_found(shared: Callable[[str], Path]) -> None:
    files = find(shared("models"))
    assert files.person is not None and files.face is not None and not files.notices
    assert all(model.sha256 in files.digest for model in MODELS)
    assert pickle.loads(pickle.dumps(files)) == files


def test_nothing_there_is_no_error() -> None:
    assert find() == modelfiles.ModelFiles(None, None, (), "")


def test_a_folder_given_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        find(tmp_path / "nowhere")


def test_places_in_their_order(places: dict[str, Path], served: Models) -> None:
    models = served()
    for place in ("cache", "variable", "option"):
        path = put(places[place], models[0], PERSON)
        places["option"].mkdir(exist_ok=True)
        files = find(places["option"], models)
        assert (files.person, files.face, files.notices) == (path, None, ())
    assert files.digest == f"person:{models[0].sha256}"
    assert find(None, models).person == places["variable"] / models[0].file


@pytest.mark.parametrize("data", [PERSON[:-1], PERSON[:-1] + b"!", b""], ids=["cut", "one byte", "empty"])
def test_a_damaged_file_is_passed_over(places: dict[str, Path], served: Models, data: bytes) -> None:
    models = served()
    bad = put(places["cache"], models[0], data)
    files = find(None, models)
    assert (files.person, files.digest) == (None, "")
    assert len(files.notices) == 1 and files.notices[0].startswith(f"{bad}: is damaged")
    assert "evencourt models fetch" in files.notices[0]

    put(places["cache"], models[0], PERSON)
    put(places["variable"], models[0], data)
    files = find(None, models)
    assert files.person == bad and len(files.notices) == 1  # the next place serves


def test_fetch_goes_where_files_are_looked_for(
    places: dict[str, Path], served: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = served()
    assert fetch(places["option"], models) == tuple(places["option"] / m.file for m in models)
    assert fetch(None, models) == tuple(places["variable"] / m.file for m in models)
    assert find(None, models).person == places["variable"] / models[0].file
    monkeypatch.delenv("EVENCOURT_MODELS")
    asked: list[str] = []
    put(places["cache"], models[1], FACE)
    assert fetch(None, models, lambda model: asked.append(model.name)) == (places["cache"] / models[0].file,)
    assert asked == ["person"]  # the face model was there already
    assert fetch(None, models) == ()
    assert len(everything(places["cache"])) == 2


def test_fetch_replaces_a_damaged_file(places: dict[str, Path], served: Models) -> None:
    models = served()
    path = put(places["variable"], models[0], b"half")
    fetch(None, models)
    assert path.read_bytes() == PERSON
    assert find(None, models).notices == ()


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("other", ["expected SHA-256 ", hashlib.sha256(PERSON).hexdigest(), "came ", f"({len(PERSON)} bytes)"]),
        ("short", ["broke off after ", f" of {len(PERSON)} bytes"]),
        ("endless", [f"expected {len(PERSON)} bytes, more came"]),
        ("gone", ["the server answered 404"]),
    ],
)
def test_nothing_wrong_is_kept(places: dict[str, Path], served: Models, how: str, words: list[str]) -> None:
    models = served(person=how)
    before = put(places["variable"], models[0], b"an earlier damaged file")
    with pytest.raises(RunStoppedError) as caught:
        fetch(None, models)
    text = str(caught.value)
    assert (
        text.startswith("yolox_nano.onnx: ")
        and f"save {models[0].address} as {before}" in text
        and "Nothing was kept" in text
    )
    assert all(word in text for word in words), text
    assert everything(places["variable"]) == [before]
    assert before.read_bytes() == b"an earlier damaged file"


def test_what_came_before_a_failure_stays(places: dict[str, Path], served: Models) -> None:
    with pytest.raises(RunStoppedError):
        fetch(None, served(face="other"))
    assert [p.name for p in everything(places["variable"])] == ["yolox_nano.onnx"]


def test_a_server_that_is_not_there(places: dict[str, Path], served: Models) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(RunStoppedError, match=r"no answer .*whether this computer is online"):
        fetch(None, served(at=f"http://127.0.0.1:{port}"))
    assert not places["variable"].exists()


def test_a_disk_that_refuses(tmp_path: Path, served: Models) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(RunStoppedError, match="cannot be written"):
        fetch(tmp_path / "file" / "below", served())


def test_commands(places: dict[str, Path], served: Models, monkeypatch: pytest.MonkeyPatch) -> None:
    models = served()
    monkeypatch.setattr(modelfiles, "MODELS", models)
    monkeypatch.setattr(modelfiles.find, "__defaults__", (None, models))
    monkeypatch.setattr(modelfiles.fetch, "__defaults__", (None, models, lambda model: None, None))

    def run(*words: str) -> str:
        result = CliRunner().invoke(app.app, ["models", *words], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    empty = run()
    assert empty == run("list")
    assert empty.count("  there    no") == 2 and "evencourt models fetch" in empty
    for word in (models[0].file, "Apache-2.0", "MIT", "so that no crop cuts through one", str(places["cache"])):
        assert word in empty
    put(places["cache"], models[0], b"damaged")
    assert f"note: {places['cache'] / models[0].file}: is damaged" in run()
    out = run("fetch", "--to", str(places["option"]))
    assert f"fetched  {places['option'] / models[1].file}" in out and f"fetching {models[1].file}, 0.0 MB" in out
    assert "nothing to fetch" in run("fetch", "--to", str(places["option"]))
    for words in (("--models", str(places["option"])), ("list", "--models", str(places["option"]))):
        out = run(*words)
        assert f"there    {places['option'] / models[0].file}" in out and "models fetch" not in out.split("note:")[0]
    assert CliRunner().invoke(app.app, ["models", "--models", "x", "fetch"]).exit_code == 2


# ---- unasked ----------------------------------------------------------------------------------------------


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
