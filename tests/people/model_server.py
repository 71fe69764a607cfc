"""A server of model files, and the places where they are looked for; imported by the tests as fixtures."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar

import pytest

from pipeline.people.modelfiles import MODELS, ModelFile

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
