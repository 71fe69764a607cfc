"""The model files that find people and faces: which they are, where they are looked for, how they are fetched.

They are no part of the program: a few megabytes that a user fetches once, or brings on a stick. A file counts only
when its SHA-256 (FIPS 180-4) is the one listed here, so that the same program finds the same people everywhere.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pipeline.errors import InputError, RunStoppedError
from pipeline.store.disk import user_cache_folder
from pipeline.store.files import write_atomic
from pipeline.store.keys import digest_file

VARIABLE = "EVENCOURT_MODELS"
OFFLINE = "EVENCOURT_OFFLINE"


@dataclass(frozen=True)
class Patience:
    """How long a fetch may take, in seconds; chosen by use, no source.

    silence  without an answer, or between two pieces of one
    unasked  in all, name look-up and connection included, where no person asked for the fetch
    cheap    a failure that took no longer than this may be tried again at once
    again    after a longer failure, before it is tried again unasked
    """

    silence: float = 30.0
    unasked: float = 10.0
    cheap: float = 2.0
    again: float = 3600.0


PATIENCE = Patience()


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

    @property
    def folder(self) -> Path | None:
        """Where the first of them is; None without any."""
        first = self.person or self.face
        return None if first is None else first.parent


def folders(option: Path | None = None) -> tuple[Path, ...]:
    """Where files are looked for, in this order: the folder given, the one in EVENCOURT_MODELS, the user's cache."""
    named = os.environ.get(VARIABLE, "")
    cache = user_cache_folder()
    places = [option, Path(named) if named else None, cache / "models" if cache is not None else None]
    return tuple(dict.fromkeys(_expanded(place) for place in places if place is not None))


def _expanded(place: Path) -> Path:
    try:
        return place.expanduser()
    except RuntimeError:  # nobody's home folder: a folder of that name, then
        return place


def find(option: Path | None = None, models: Sequence[ModelFile] = MODELS) -> ModelFiles:
    """Look for each file in `folders(option)`; the first one with the right hash is used.

    A wrong or unreadable file is passed over with a notice. Raises InputError when the folder given is not there.
    """
    if option is not None and not _expanded(option).is_dir():
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


def offline() -> bool:
    """Whether EVENCOURT_OFFLINE is set, to anything but nothing, 0, no and false."""
    return os.environ.get(OFFLINE, "").strip().casefold() not in ("", "0", "no", "false")


def ensure(
    option: Path | None = None,
    never: bool = False,
    say: Callable[[str], None] = lambda text: None,
    models: Sequence[ModelFile] = MODELS,
) -> str:
    """Fetch what `find(option)` would not find, once and in at most `PATIENCE.unasked` seconds; what is then missing.

    never  fetch nothing, as with EVENCOURT_OFFLINE; say  is called with one line before a transfer
    Returns a sentence on what is missing, why, and what to do; "" where nothing is. Raises nothing: a night's work does
    not depend on these files.
    """
    missing = sorted(_missing(folders(option), models), key=lambda model: model.size)
    if not missing:
        return ""
    names = {model.name for model in missing}
    many = len(missing) > 1
    found = " and ".join(what for name, what in (("person", "people"), ("face", "faces")) if name in names)
    what = f"the model file{'s that find' if many else ' that finds'} {found}"
    lacking = f"{what} {'are' if many else 'is'} missing"
    by_hand = f"without one, bring {'them' if many else 'it'} on a stick (see: evencourt models)"
    if never or offline():
        return f"{lacking}, and {'--offline' if never else OFFLINE} says to fetch nothing (see: evencourt models)"
    place = next((folder for folder in folders() if _writable(folder)), None)
    if place is None:
        where = f"{folders()[-1]} cannot be written" if folders() else "this user has no home folder"
        return f"{lacking}, and {where}; name another folder in {VARIABLE}"
    mark = place / _MARK
    if last := _lately(mark):
        return f"{lacking}: {last}. With a network, now: evencourt models fetch; {by_hand}"
    host, size = urlsplit(missing[0].address).hostname, sum(model.size for model in missing) / 1e6
    say(f"fetching {what} from {host}, once ({size:.1f} MB, into {place})")
    start = time.monotonic()
    try:
        fetch(place, missing, until=start + PATIENCE.unasked)
    except RunStoppedError as error:
        why = error.brief if isinstance(error, FetchError) else str(error)
        if time.monotonic() - start > PATIENCE.cheap:
            with contextlib.suppress(OSError):
                mark.write_text(why, encoding="utf-8")
        return f"{lacking} and could not be fetched: {why}. With a network: evencourt models fetch; {by_hand}"
    with contextlib.suppress(OSError):
        mark.unlink(missing_ok=True)
    return ""


_MARK = "last-failure.txt"


def _missing(places: Sequence[Path], models: Sequence[ModelFile]) -> list[ModelFile]:
    return [m for m in models if not any(_wrong(place / m.file, m) is None for place in places)]


def _writable(folder: Path) -> bool:
    """Whether files can be kept there; makes the folder."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _lately(mark: Path) -> str:
    """When and why a fetch failed slowly within `PATIENCE.again`; "" where none did, or the clock was set back."""
    try:
        when, why = mark.stat().st_mtime, mark.read_text(encoding="utf-8")
    except (OSError, ValueError):
        return ""
    if not 0 <= time.time() - when < PATIENCE.again:
        return ""
    return f"they could not be fetched at {time.strftime('%H:%M', time.localtime(when))} ({why})"


class FetchError(RunStoppedError):
    """A file did not arrive as it should: `why`, the same in `brief`, and what a person can do `then`."""

    def __init__(self, model: ModelFile, why: str, then: str, brief: str = "") -> None:
        super().__init__(f"{model.file}: could not be fetched: {why}. {then}")
        self.why, self.then, self.brief = why, then, brief or why


def _by_hand(model: ModelFile, path: Path) -> str:
    return f"Nothing was kept. It can also be brought from another computer: save {model.address} as {path}"


def fetch(
    to: Path | None = None,
    models: Sequence[ModelFile] = MODELS,
    started: Callable[[ModelFile], None] = lambda model: None,
    until: float | None = None,
) -> tuple[Path, ...]:
    """Fetch what is missing; returns the files written.

    With `to`, whatever is not in that folder is fetched into it. Without, whatever `find()` does not find, into the
    folder in EVENCOURT_MODELS or else the user's cache. `started` is called before each transfer; `until` (of
    time.monotonic) ends them. A file takes its name only whole and with the right hash; a damaged one of that name is
    replaced then, and not before.
    Raises FetchError where the network, the server or the bytes are at fault, RunStoppedError where the disk is; files
    that came before that stay; InputError where there is no folder to fetch into.
    """
    places = (_expanded(to),) if to is not None else folders()
    if not places:
        raise InputError(f"this user has no home folder; name a folder with --to, or in {VARIABLE}")
    written = []
    missing = _missing(places, models)
    for number, model in enumerate(missing, 1):
        started(model)
        path = places[0] / model.file
        try:
            data = _transfer(model, path) if until is None else _transfer_until(until, model, path)
        except FetchError as error:
            rest = "".join(f" Missing too: {m.address}, as {places[0] / m.file}." for m in missing[number:])
            raise FetchError(model, error.why, f"{error.then}.{rest}" if rest else error.then, error.brief) from error
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, data)
        except OSError as error:
            raise RunStoppedError(f"{path}: cannot be written ({error.strerror or error}); nothing was kept") from error
        written.append(path)
    return tuple(written)


def _transfer_until(until: float, model: ModelFile, path: Path) -> bytes:
    """`_transfer`, given up at `until`. In a thread of its own, since nothing else bounds a name look-up or a trickle.

    A thread that is given up ends by itself or with the process; it writes nothing.
    """
    sink = _Bounded(model.size)
    found: list[bytes | Exception] = []

    def work() -> None:
        try:
            found.append(_transfer(model, path, sink, until))
        except Exception as error:  # whatever a client, a proxy or a certificate may come up with
            found.append(error)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(max(until - time.monotonic(), 0))
    if not found:
        came = f"only {sink.tell()} of {model.size} bytes came" if sink.tell() else "no answer"
        raise FetchError(model, f"{came} within {PATIENCE.unasked:.0f} s", _by_hand(model, path))
    if isinstance(found[0], bytes):
        return found[0]
    if isinstance(found[0], FetchError):
        raise found[0]
    why = f"{type(found[0]).__name__}: {found[0]}"
    raise FetchError(model, why, _by_hand(model, path)) from found[0]


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


def _transfer(model: ModelFile, path: Path, sink: _Bounded | None = None, until: float | None = None) -> bytes:
    """The bytes at the model's address, checked. They touch no disk before that: the files are small."""
    import pooch  # brings an HTTP client with it, which no other command should wait for

    by_hand = _by_hand(model, path)
    sink = sink or _Bounded(model.size)
    silence = PATIENCE.silence if until is None else max(until - time.monotonic(), 0.1)
    answers: list[Any] = []
    hooks = {"response": lambda answer, *rest, **more: answers.append(answer)}
    try:
        pooch.HTTPDownloader(timeout=silence, chunk_size=1 << 16, hooks=hooks)(model.address, sink, None)
    except _TooLongError:
        raise FetchError(model, f"expected {model.size} bytes, more came; this is another file", by_hand) from None
    except OSError as error:  # every error of the client is one
        response = getattr(error, "response", None)
        if response is not None:
            why = f"the server answered {response.status_code} {response.reason}"
        elif sink.tell():
            why = f"the transfer broke off after {sink.tell()} of {model.size} bytes; try again"
        else:
            why = f"no answer ({type(error).__name__}); see whether this computer is online"
        raise FetchError(model, why, by_hand) from error
    finally:
        for answer in answers:  # the downloader leaves the connection open when a transfer fails
            answer.close()
    data = sink.getvalue()
    came = hashlib.sha256(data).hexdigest()
    if came != model.sha256:
        why = f"expected SHA-256 {model.sha256} ({model.size} bytes), came {came} ({len(data)} bytes)"
        asks = "a network that asks for a log-in first answers so too"
        raise FetchError(model, f"{why}; {asks}", by_hand, f"something else came ({asks})")
    return data
