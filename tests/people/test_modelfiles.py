"""Model files: only the listed bytes are used, and only whole ones are kept."""

from __future__ import annotations

import hashlib
import pickle
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import InputError, RunStoppedError
from pipeline.people import modelfiles
from pipeline.people.modelfiles import MODELS, ModelFile, fetch, find
from pipeline.store.keys import digest_file
from tests.people.model_server import FACE, PERSON, Models, everything, places, put, served, server

__all__ = ["places", "served", "server"]  # fixtures


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
