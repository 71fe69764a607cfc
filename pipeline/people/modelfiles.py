"""The model files that find people and faces: which they are, where they are looked for, how they are fetched.

They are no part of the program: a few megabytes that a user fetches once, or brings on a stick. A file counts only
when its SHA-256 (FIPS 180-4) is the one listed here, so that the same program finds the same people everywhere.
"""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs

from pipeline.errors import InputError, RunStoppedError
from pipeline.store.files import write_atomic
from pipeline.store.keys import digest_file

VARIABLE = "EVENCOURT_MODELS"
_SECONDS = 30  # without an answer, or between two pieces of one


@dataclass(frozen=True)
class ModelFile:
    """One file: `name` in this program, `size` in bytes, `sha256` in lower case hex, `address` pinned to a commit."""

    name: str
    file: str
    purpose: str
    licence: str
    address: str
    sha256: str
    size: int


PERSON = ModelFile(
    name="person",
    file="yolox_nano.onnx",
    purpose="finds the players, and the ball where it is clear, so that a crop can follow the action",
    licence="Apache-2.0 (YOLOX, Megvii)",
    address="https://raw.githubusercontent.com/Kazuhito00/YOLOX-ONNX-TFLite-Sample/"
    "3d4f1119d0694200671c08069ecb847aa0d8495a/model/yolox_nano.onnx",
    sha256="695e750a5d5754bb5a8d5325643b59282191a7e7a564e435a415fd3c578eab14",
    size=3_660_092,
)
FACE = ModelFile(
    name="face",
    file="face_detection_yunet_2023mar.onnx",
    purpose="finds faces, so that no crop cuts through one; it does not tell whose face it is",
    licence="MIT (YuNet, Shiqi Yu)",
    address="https://raw.githubusercontent.com/ShiqiYu/libfacedetection.train/"
    "0047ac24afb1a50a0c6105001c89d1b5b805dbf1/onnx/yunet_s_640_640.onnx",
    sha256="8f2383e4dd3cfbb4553ea8718107fc0423210dc964f9f4280604804ed2552fa4",
    size=232_589,
)
MODELS = (PERSON, FACE)


@dataclass(frozen=True)
class ModelFiles:
    """The files that are there and right; None = not there.

    notices: what a person should know of damaged files.
    digest: names and hashes of the present ones, "" without any. It is part of the key of whatever they measured.
    """

    person: Path | None = None
    face: Path | None = None
    notices: tuple[str, ...] = ()
    digest: str = ""


def folders(option: Path | None = None) -> tuple[Path, ...]:
    """Where files are looked for, in this order: the folder given, the one in EVENCOURT_MODELS, the user's cache."""
    named = os.environ.get(VARIABLE, "")
    cache = Path(platformdirs.user_cache_dir("evencourt", appauthor=False)) / "models"
    places = [option, Path(named) if named else None, cache]
    return tuple(dict.fromkeys(place.expanduser() for place in places if place is not None))


def find(option: Path | None = None, models: Sequence[ModelFile] = MODELS) -> ModelFiles:
    """Look for each file in `folders(option)`; the first one with the right hash is used.

    A wrong or unreadable file is passed over with a notice. Raises InputError when the folder given is not there.
    """
    if option is not None and not option.expanduser().is_dir():
        raise InputError(f"{option}: there is no such folder of model files")
    found: dict[str, Path] = {}
    notices = []
    for model in models:
        for folder in folders(option):
            path = folder / model.file
            wrong = _wrong(path, model)
            if wrong is None:
                found[model.name] = path
                break
            if wrong:
                notices.append(f"{path}: {wrong}; it is not used. Delete it, then run: evencourt models fetch")
    digest = " ".join(f"{model.name}:{model.sha256}" for model in models if model.name in found)
    return ModelFiles(found.get("person"), found.get("face"), tuple(notices), digest)


def _wrong(path: Path, model: ModelFile) -> str | None:
    """What is wrong with a file, "" where there is none, None where it is right."""
    try:
        if not path.is_file():
            return ""
        size = path.stat().st_size
        if size != model.size:
            return f"is damaged or another file ({size} bytes, not {model.size})"
        if digest_file(path) != model.sha256:
            return "is damaged or another file (its SHA-256 is not the listed one)"
    except OSError as error:
        return f"cannot be read ({error.strerror or error})"
    return None


def fetch(
    to: Path | None = None,
    models: Sequence[ModelFile] = MODELS,
    started: Callable[[ModelFile], None] = lambda model: None,
) -> tuple[Path, ...]:
    """Fetch what is missing; returns the files written.

    With `to`, whatever is not in that folder is fetched into it. Without, whatever `find()` does not find, into the
    folder in EVENCOURT_MODELS or else the user's cache. `started` is called before each transfer. A file takes its
    name only whole and with the right hash; a damaged one of that name is replaced then, and not before.
    Raises RunStoppedError where the network, the server, the bytes or the disk are at fault; files that came before
    that stay.
    """
    places = (to.expanduser(),) if to is not None else folders()
    written = []
    missing = [m for m in models if not any(_wrong(place / m.file, m) is None for place in places)]
    for number, model in enumerate(missing, 1):
        started(model)
        path = places[0] / model.file
        try:
            data = _transfer(model, path)
        except RunStoppedError as error:
            rest = "".join(f" Missing too: {m.address}, as {places[0] / m.file}." for m in missing[number:])
            raise RunStoppedError(f"{error}.{rest}" if rest else str(error)) from error
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, data)
        except OSError as error:
            raise RunStoppedError(f"{path}: cannot be written ({error.strerror or error}); nothing was kept") from error
        written.append(path)
    return tuple(written)


class _Bounded(io.BytesIO):
    """Bytes in memory, no more than a model can have: a server is not trusted to come to an end."""

    def __init__(self, limit: int) -> None:
        super().__init__()
        self.limit = limit

    def write(self, data: bytes) -> int:  # type: ignore[override]
        if self.tell() + len(data) > self.limit:
            raise _TooLongError
        return super().write(data)


class _TooLongError(Exception):
    pass


def _transfer(model: ModelFile, path: Path) -> bytes:
    """The bytes at the model's address, checked. They touch no disk before that: the files are small."""
    import pooch  # brings an HTTP client with it, which no other command should wait for

    by_hand = f"Nothing was kept. It can also be brought from another computer: save {model.address} as {path}"
    what = f"{model.file}: could not be fetched"
    sink = _Bounded(model.size)
    answers: list[Any] = []
    hooks = {"response": lambda answer, *rest, **more: answers.append(answer)}
    try:
        pooch.HTTPDownloader(timeout=_SECONDS, chunk_size=1 << 16, hooks=hooks)(model.address, sink, None)
    except _TooLongError:
        raise RunStoppedError(
            f"{model.file}: expected {model.size} bytes, more came; this is another file. {by_hand}"
        ) from None
    except OSError as error:  # every error of the client is one
        response = getattr(error, "response", None)
        if response is not None:
            why = f"the server answered {response.status_code} {response.reason}"
        elif sink.tell():
            why = f"the transfer broke off after {sink.tell()} of {model.size} bytes; try again"
        else:
            why = f"no answer ({type(error).__name__}); see whether this computer is online"
        raise RunStoppedError(f"{what}: {why}. {by_hand}") from error
    finally:
        for answer in answers:  # the downloader leaves the connection open when a transfer fails
            answer.close()
    data = sink.getvalue()
    came = hashlib.sha256(data).hexdigest()
    if came != model.sha256:
        raise RunStoppedError(
            f"{model.file}: expected SHA-256 {model.sha256} ({model.size} bytes), came {came} ({len(data)} bytes). "
            f"A network that asks for a log-in first answers so too. {by_hand}"
        )
    return data
