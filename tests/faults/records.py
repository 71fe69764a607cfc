"""What a run keeps, damaged and made up: OUT/.work, run.json and the cache, byte by byte, value by value, as links.

A case changes one to four things in a copy of a finished OUT and its cache. Then status, verify, check, run and verify
must end in words and touch nothing outside OUT, and the run must leave the delivered bytes of an undisturbed one.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner

from pipeline.cli.app import app
from pipeline.errors import EvencourtError
from pipeline.store.packing import pack_parts, unpack_part
from pipeline.store.seal import sealed, unsealed
from pipeline.workers.executors import WorkChoice
from tests.faults.harness import cases, wrong
from tests.golden import write_shoot

NAME = "records"
FULL, QUICK = 600, 6
RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: gray_world}
  - exposure: {across: burst}
deliveries:
  web: [crop: {to: subject}, resize: {long_edge: 120}, caption: , save: {}, deliver: {zip: true, page: true}]
  phone: [resize: {long_edge: 60}, save: {}]
"""
ARRAYS = {"measured": ("decode", "white_balance", "exposure", "crop", "proxy", "facts"), "burst_light": ("scene",)}
# A made-up name of a frame, with a right seal, is a name: these may change what files are called.
NAMES = ("names.json",)
_PATHS = ("../kept/file.jpg", "../../kept/file.jpg", "/etc/passwd", "C:\\kept\\file.jpg", "web/../../kept/file.jpg",
          "web\\..\\..\\kept", "\0", "con", "web/\ud800.jpg", "a" * 5000, "~/kept", "//server/share/file")  # fmt: skip
_VALUES: tuple[Any, ...] = (
    None, True, -1, 0, 2**63, 10**400, 1e308, float("nan"), float("inf"), "", [], {}, "\x1b[31m", [[[[]]]], "x",
    {"a": [1]}, *_PATHS,
)  # fmt: skip
_MAY_BE_NAN = ("level", "whites", "matrices", "tilt")  # "not known", which only measuring again can refute
_MAY_BE_HUGE = ("rows",)


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """Each case in copies of its own."""
    found = []
    with _here():
        right = _finished(folder)
        for number, chance in cases(amount, seed):
            case = folder / f"case{number}"
            for name in ("out", "cache"):
                shutil.copytree(folder / "night" / name, case / name)
            done = [_change(case, folder, chance) for _ in range(chance.randint(1, 4))]
            problems = list(_looked_at(case, folder, chance, right, any(text.startswith("named ") for text in done)))
            found += [wrong(NAME, number, f"{text}\n    after: {'; '.join(done)}") for text in problems]
            shutil.rmtree(case)
    return found


@contextmanager
def _here() -> Iterator[None]:
    """Commands work in this process: a case would else take seconds to start others."""
    true = WorkChoice.open
    WorkChoice.open = lambda self: nullcontext(1)  # type: ignore[method-assign, assignment, return-value]
    try:
        yield
    finally:
        WorkChoice.open = true  # type: ignore[method-assign]


def _finished(folder: Path) -> dict[str, str]:
    """Make the shoot and what an undisturbed run leaves; its delivered files."""
    write_shoot(folder / "shoot")
    (folder / "kept").mkdir()
    (folder / "kept" / "file.jpg").write_bytes(b"nobody's business")
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    night = folder / "night"
    night.mkdir()
    status, text = _command("run", *_night(folder, night))
    assert status == 0, text
    return _delivered(night / "out")


def _night(folder: Path, case: Path) -> tuple[object, ...]:
    return (folder / "night.yaml", folder / "shoot", "--out", case / "out", "--cache", case / "cache")


def _command(*words: object) -> tuple[int, str]:
    """Exit status and output; what is no error of ours goes through."""
    result = CliRunner().invoke(app, [str(word) for word in words])
    if isinstance(result.exception, EvencourtError):
        return 2, result.output + str(result.exception)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def _looked_at(case: Path, folder: Path, chance: random.Random, right: dict[str, str], is_named: bool) -> Iterator[str]:
    """What is wrong with how the commands take a case."""
    outside = _content(folder / "shoot") | _content(folder / "kept")
    out = case / "out"
    night = _night(folder, case)
    commands: list[tuple[object, ...]] = [
        ("status", out), ("verify", out), ("check", *night[:2], *night[4:]), ("verify", out, "--render", 1),
    ]  # fmt: skip
    chance.shuffle(commands)
    status = -1
    for words in (*commands[: chance.randint(0, 2)], ("run", *night), ("verify", out, "--render", 1), ("run", *night)):
        try:
            status, text = _command(*words)
        except Exception as error:
            yield f"{words[0]}: {type(error).__name__}: {str(error)[:300]}"
            continue
        if words[0] == "run" and ("is a link, and what is written" in text or "is a folder, and a run" in text):
            _make_way(out)
            status, text = _command(*words)
        if words[0] == "run" and status and not (status == 1 and "not known what was put where" in text):
            yield f"run ends with {status}: {text[-600:]}"
        if len(text) > 20_000:
            yield f"{words[0]}: {len(text)} characters of output"
    if _content(folder / "shoot") | _content(folder / "kept") != outside:
        yield "something outside of OUT was changed"
    if not is_named and _delivered(out) != right:
        differ = sorted(name for name, _ in set(_delivered(out).items()) ^ set(right.items()))
        yield f"other bytes: {differ}"


def _make_way(out: Path) -> None:
    """What a person would do who is asked to."""
    if (out / "run.json").is_dir():
        (out / "run.json").rmdir()
    for path in (out, *out.rglob("*")):
        if path.is_symlink():
            path.unlink()


def _content(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        str(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
    }


def _delivered(out: Path) -> dict[str, str]:
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in ("web", "phone")
        for path in (out / folder).rglob("*")
        if path.is_file() and not path.is_symlink()
    }


# ---- changes ---------------------------------------------------------------------------------------------------


def _change(case: Path, folder: Path, chance: random.Random) -> str:
    """Change one thing; what was done."""
    files = sorted(p for p in case.rglob("*") if p.is_file() and not p.is_symlink() and _is_kept(case, p))
    path = chance.choice(files)
    how = chance.choice((_cut, _flip, _fill, _swap, _values, _values, _values, _arrays, _arrays, _plant, _link, _other))
    try:
        return f"{how(path, files, case, folder, chance)} ({path.relative_to(case)})"
    except (FileNotFoundError, NotADirectoryError, FileExistsError):  # an earlier change is in the way
        return "nothing"


def _is_kept(case: Path, path: Path) -> bool:
    relative = path.relative_to(case).as_posix()
    return relative.startswith(("out/.work/", "cache/")) or relative == "out/run.json"


def _cut(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    data = path.read_bytes()
    path.write_bytes(data[: chance.randrange(len(data) + 1)])
    return "cut"


def _flip(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    about, data = path.stat(), bytearray(path.read_bytes())
    for _ in range(chance.randint(1, 8)):
        if data:
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    path.write_bytes(data)
    if chance.random() < 0.5:
        os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
    return "flipped"


def _fill(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    size = chance.choice((0, 1, 40, 5000))
    nested, random_octets = (b"[" * 100_000, b'{"a":' * 50_000), (chance.randbytes(size), bytes(size))
    data = chance.choice((*nested, b"null", b"{}", b"[]", b"NaN", b"9" * 10_000, *random_octets))
    kind, name = _place(path)
    is_sealed = chance.random() < 0.5
    path.write_bytes(sealed(kind, name, data) if is_sealed and path.name != "run.json" else data)
    return f"filled with {data[:12]!r}{', sealed' if is_sealed else ''}"


def _swap(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    other = chance.choice([one for one in files if one.parent == path.parent] if chance.random() < 0.7 else files)
    mine, its = path.read_bytes(), other.read_bytes()
    path.write_bytes(its)
    other.write_bytes(mine)
    return f"swapped with {other.relative_to(case)}"


def _values(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    """Another value somewhere in a record, with a right seal."""
    records = [p for p in files if p.suffix == ".json" or p.parent.name in ("references", "digests")]
    path = chance.choice(records)
    kind, name = _place(path)
    data = path.read_bytes()
    text = data if name == "run.json" else unsealed(kind, name, data)
    try:
        value = json.loads(text or b"")
    except (ValueError, RecursionError):
        return "nothing"
    planted = chance.choice(_VALUES)
    where = _replaced(value, planted, chance)
    changed = json.dumps(value).encode()
    path.write_bytes(changed if name == "run.json" else sealed(kind, name, changed))
    return f"{'named ' if name in NAMES else ''}value {where} = {str(planted)[:40]!r} in {path.relative_to(case)}"


def _replaced(value: Any, planted: Any, chance: random.Random) -> str:
    """Put a value, or a name of a member, somewhere into others; where."""
    where = ""
    while isinstance(value, dict | list) and value:
        key = chance.choice(list(value) if isinstance(value, dict) else range(len(value)))
        where += f"/{str(key)[:40]}"
        if not isinstance(value[key], dict | list) or not value[key] or chance.random() < 0.1:
            if isinstance(value, dict) and chance.random() < 0.15:
                value[str(planted)] = value.pop(key)
            else:
                value[key] = planted
            return where
        value = value[key]
    return f"{where} (empty)"


def _arrays(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    """Numbers that cannot have been measured, in every place where the same frame's are kept, with a right seal."""
    path = chance.choice([p for p in files if p.parent.name in ARRAYS])
    kind, name = _place(path)
    data = unsealed(kind, name, path.read_bytes())
    if data is None:
        return "nothing"
    parts = {part: unpack_part(data, part) for part in ARRAYS[kind]}
    part = chance.choice(list(parts))
    if not parts[part]:
        return "nothing"
    which = chance.choice(list(parts[part]))
    how, make = chance.choice(_IMPOSSIBLE)
    if (how == "NaN in" and which in _MAY_BE_NAN) or (how == "huge" and which in _MAY_BE_HUGE):
        return "nothing"
    old = parts[part][which]
    new = make(old)
    if new is None:
        del parts[part][which]
    elif new.dtype == old.dtype and new.shape == old.shape and np.array_equal(new, old, equal_nan=True):
        return "nothing"
    else:
        parts[part][which] = new
    if chance.random() < 0.1:
        del parts[part]
    for one in files:
        if one.parent.name == kind and one.name == name:
            one.write_bytes(sealed(kind, name, pack_parts(parts)))
    return f"{how} {part}.{which}"


def _filled(value: float) -> Callable[[Any], Any]:
    return lambda a: np.full_like(a, value) if a.dtype.kind == "f" else a


_IMPOSSIBLE: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("no", lambda a: None),
    ("NaN in", _filled(np.nan)),
    ("infinite", _filled(-np.inf)),
    ("huge", lambda a: np.full_like(a, 1e300) if a.dtype == np.float64 else a),
    ("one more side of", lambda a: a[None]),
    ("a row less of", lambda a: a.reshape(-1)[:-1]),
    ("other kind of", lambda a: np.zeros(a.shape, np.int16)),
    ("double length of", lambda a: np.concatenate([a.reshape(-1)] * 2)),
)


def _plant(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    """A record of a file outside OUT, as whoever wants that removed would write it."""
    target = folder / "kept" / "file.jpg"
    digest = hashlib.sha256(target.read_bytes()).hexdigest()
    relative = chance.choice((f"../../kept/{target.name}", str(target), f"web/../../../kept/{target.name}", *_PATHS))
    name = hashlib.sha256(relative.encode("utf-8", "replace")).hexdigest()[:32] + ".json"
    kind, record = chance.choice((
        ("done", {"relative": relative, "key": "", "sha256": digest, "bytes": 17, "width": 1, "height": 1, "quality": 1,
                  "scan": "", "thumb": "", "frame": "gone", "mtime": 1}),
        ("extras", {"delivery": "web", "relative": relative, "sha256": digest, "pending": True}),
        ("extras", {"delivery": "../kept", "relative": "../kept/file.jpg", "sha256": digest}),
        ("pushed", {"delivery": "web", "address": "x", "name": relative, "sha256": digest}),
    ))  # fmt: skip
    data = json.dumps(record).encode()
    is_sealed = chance.random() < 0.8
    (case / "out" / ".work" / kind / name).write_bytes(sealed(kind, name, data) if is_sealed else data)
    return f"planted {kind} {relative[:40]!r}{', sealed' if is_sealed else ''}"


def _link(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    """A link in place of one of our files or folders."""
    out = case / "out"
    places = [
        out / ".work", out / "web", out / "phone", out / "run.json", out / "report.html", out / "frames.csv",
        out / "web" / "small", path, *(out / ".work" / name for name in ("lock", "done", "measured", "thumbs")),
    ]  # fmt: skip
    place = chance.choice(places)
    target = folder / chance.choice(("shoot", "kept"))
    target = target if place.is_dir() else chance.choice(sorted(target.iterdir()))
    if place.is_dir() and not place.is_symlink():
        shutil.rmtree(place)
    else:
        place.unlink(missing_ok=True)
    place.symlink_to(target)
    return f"link {place.relative_to(case)} to {target.name}"


def _other(path: Path, files: list[Path], case: Path, folder: Path, chance: random.Random) -> str:
    """A pipe, a folder, an endless file or nothing in place of a file."""
    what = chance.choice(("pipe", "folder", "large", "nothing", "another name"))
    if what == "another name":
        name = chance.choice((b"x\xff.json", b"a\n\x1b[31mb.json", b"-rf", b"a" * 200))
        path.rename(path.with_name(os.fsdecode(name)))
        return what
    if what == "large":
        with path.open("wb") as file:
            file.truncate(1 << 42)
        return what
    path.unlink()
    if what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    return what


def _place(path: Path) -> tuple[str, str]:
    """Kind and name under which a file is kept."""
    return ("" if path.parent.name == ".work" else path.parent.name), path.name
