"""Folders that can only be read, and users without a home: every command that writes nothing there works."""

from __future__ import annotations

import ctypes
import os
import stat
import tempfile
from dataclasses import dataclass
from pathlib import Path

from pipeline.engine.run import read_shoot
from pipeline.engine.run import run as execute
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.faults.command import command, sums
from tests.faults.harness import cases, wrong
from tests.golden import write_shoot

NAME = "readonly"
RECIPE = "recipe: 1\ndeliveries:\n  web: [resize: {long_edge: 90}, caption: , save: ]\n"
_CAPABILITIES = 0x20080522  # _LINUX_CAPABILITY_VERSION_3 of linux/capability.h


def without_privileges() -> None:
    """From here on permissions count for this process, also where the administrator runs it (capset(2) of Linux)."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        head = (ctypes.c_uint32 * 2)(_CAPABILITIES, 0)
        if ctypes.CDLL(None, use_errno=True).capset(head, (ctypes.c_uint32 * 6)()) != 0:
            raise OSError(ctypes.get_errno(), "capset")


def lock(folder: Path, *, open_again: bool = False) -> None:
    """Take the right to write from all in a folder, or give it back to its owner."""
    for path in (folder, *folder.rglob("*")):
        mode = stat.S_IMODE(path.stat().st_mode)
        path.chmod(mode | stat.S_IWUSR if open_again else mode & ~0o222)


@dataclass(frozen=True)
class Case:
    """arguments  with SHOOT, OUT and RECIPE for the places; locked  which of them can only be read

    environment  that is set, None for a variable that is taken away; status, says  what is expected
    """

    arguments: str
    locked: tuple[str, ...] = ("OUT", "SHOOT")
    environment: tuple[tuple[str, str | None], ...] = ()
    status: int = 0
    says: str = ""


_NO_HOME = (("HOME", "/nonexistent"), ("XDG_CACHE_HOME", None), ("EVENCOURT_CACHE", None))
_NOBODY = (("HOME", None), ("XDG_CACHE_HOME", None), ("EVENCOURT_CACHE", None))
CASES = (
    Case("status OUT", says="2 of 2 frames delivered"),
    Case("verify OUT", says="files as delivered"),
    Case("verify OUT --render 1", says="1 frame rendered again"),
    Case("inspect SHOOT", says="TH5_0001"),
    Case("check RECIPE SHOOT", says="2 of 2 frames would be delivered"),
    Case("run RECIPE SHOOT --out OUT --dry-run", says="2 of 2 frames would be delivered"),
    Case("run RECIPE SHOOT --out OUT", status=2, says="cannot be written"),
    Case("prepare SHOOT --facts OUT/facts", status=2, says="cannot be made"),
    Case("captions SHOOT --out OUT/frames.csv", status=2, says="cannot be written"),
    Case("run RECIPE SHOOT --out NEW", ("SHOOT",), says="2 of 2 frames delivered"),
    Case("run RECIPE SHOOT --out NEW", ("SHOOT",), _NO_HOME, says="2 of 2 frames delivered"),
    Case("inspect SHOOT", ("SHOOT",), _NOBODY, says="TH5_0001"),
    Case("inspect SHOOT --cache LOCKED/cache", ("SHOOT", "LOCKED"), says="not used to keep what is measured"),
    Case("models", ("SHOOT",), _NOBODY, says="looked for"),
    Case("inspect SHOOT", ("SHOOT", "LOCKED"), (("TMPDIR", "LOCKED"),), says="TH5_0001"),
)
FULL = QUICK = len(CASES)


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """See `harness`."""
    places = {name: folder / name.lower() for name in ("SHOOT", "OUT", "NEW", "LOCKED")}
    places["RECIPE"] = folder / "night.yaml"
    write_shoot(places["SHOOT"])
    for path in places["SHOOT"].iterdir():
        if path.name not in ("TH5_0001.dng", "TH5_0002.dng"):
            path.unlink()
    places["RECIPE"].write_text(RECIPE, encoding="utf-8")
    places["LOCKED"].mkdir()
    execute(load_recipe(places["RECIPE"], REGISTRY), read_shoot(places["SHOOT"]), places["OUT"], workers=1)
    found = []
    for number, _ in cases(amount, seed):
        found += [wrong(NAME, number, text) for text in _wrong(CASES[number % len(CASES)], places)]
    return found


def _wrong(case: Case, places: dict[str, Path]) -> list[str]:
    def named(text: str) -> str:
        for name, place in places.items():
            text = text.replace(name, str(place))
        return text

    def prepare() -> None:
        for name, value in case.environment:
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = named(value)
        tempfile.tempdir = None
        os.chdir(places["SHOOT"])  # where people often stand
        without_privileges()

    before = {name: sums(places[name]) for name in ("SHOOT", "OUT")}
    for name in case.locked:
        lock(places[name])
    try:
        ended = command([named(word) for word in case.arguments.split()], places["RECIPE"].with_name("log"), prepare)
    finally:
        for name in case.locked:
            lock(places[name], open_again=True)
    found = []
    if ended.status != case.status or case.says not in ended.text or "Traceback" in ended.text:
        found.append(f"ends with {ended.status}, not {case.status} and {case.says!r}:\n{ended.text[-2000:]}")
    found += [f"{name} has changed" for name, sums_before in before.items() if sums(places[name]) != sums_before]
    return [f"{case.arguments} with {case.environment}, {case.locked} locked: {text}" for text in found]
