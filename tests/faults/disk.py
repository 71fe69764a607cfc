"""Disks that fail while a command runs: full, failing, read-only, gone, at any call that changes OUT, the cache, the
temporary folder or the folder of facts.

Each case is one command in a process of its own, one place, one way to fail, at one call. The command must end as
documented, in words that name the place, with nothing half written under a final name; the next run ends in the same
bytes as one that nothing disturbed.
"""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.engine.run import read_shoot
from pipeline.engine.run import run as execute
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.faults.command import command, delivered, sums, unfinished
from tests.faults.harness import cases, wrong
from tests.faults.injection import Fault
from tests.golden import write_shoot

NAME = "disk"
FULL, QUICK = 420, 8

RECIPE = """\
recipe: 1
deliveries:
  web:
    - resize: {long_edge: 90}
    - caption:
    - save:
    - deliver: {zip: true, page: true, push: "PUSH"}
  print:
    - resize: {long_edge: 60}
    - save: {format: tiff}
"""
EVENT = "title: Town cup\nteams: {home: Harbour Gulls, away: Mill Lane Foxes}\nvenue: Old Market Hall\nlanguage: en\n"
FRAMES = ("TH5_0001.dng", "TH5_0002.dng")


@dataclass(frozen=True)
class Night:
    """The folders of one case."""

    top: Path
    shoot: Path

    def place(self, name: str) -> Path:
        """OUT, the folder of facts, the cache or the one for temporary files."""
        return self.top / name

    @property
    def recipe(self) -> Path:
        """The recipe's file."""
        return self.top / "night.yaml"

    def run(self, *more: object) -> list[object]:
        """Arguments of a run."""
        return ["run", self.recipe, self.shoot, "--out", self.place("out"), "--cache", self.place("cache"), *more]


@dataclass(frozen=True)
class Kind:
    """One command against one place. prior  whether a run has been in OUT before"""

    name: str
    place: str
    arguments: Callable[[Night], list[object]]
    prior: bool = False


KINDS = (
    Kind("run", "out", lambda n: n.run()),
    Kind("run again", "out", lambda n: n.run(), prior=True),
    Kind("run", "cache", lambda n: n.run()),
    Kind("captions", "facts", lambda n: ["captions", n.shoot, "--out", n.place("facts") / "frames.csv", "--no-cache"]),
    Kind("run", "out", lambda n: n.run()),
    Kind("check", "tmp", lambda n: ["check", n.recipe, n.shoot, "--cache", n.place("cache")]),
    Kind("prepare", "facts", lambda n: ["prepare", n.shoot, "--facts", n.place("facts"), "--no-cache"]),
    Kind("run", "tmp", lambda n: n.run()),
    Kind("inspect", "tmp", lambda n: ["inspect", n.shoot, "--cache", n.place("cache")]),
    Kind("dry run", "tmp", lambda n: n.run("--dry-run")),
    Kind("verify", "tmp", lambda n: ["verify", n.place("out"), "--render", 1], prior=True),
)


@dataclass(frozen=True)
class Way:
    """How the disk fails. onward  for ever; short  in the middle of what is written; no number: the folder is gone"""

    name: str
    onward: bool = False
    short: bool = False

    @property
    def number(self) -> int:
        """The system's number of the error, 0 where the folder is gone."""
        return int(getattr(errno, self.name, 0))


WAYS = (
    Way("ENOSPC", onward=True, short=True), Way("EIO"), Way("gone"), Way("EROFS", onward=True), Way("ENOSPC"),
    Way("EDQUOT", onward=True), Way("EIO", onward=True, short=True),
)  # fmt: skip


class _Cases:
    """The shoot that all cases share, what is expected of it, and how many calls each kind makes."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.shoot = folder, folder / "shoot"
        write_shoot(self.shoot)
        for path in self.shoot.iterdir():
            if path.name not in FRAMES:
                path.unlink()
        (self.shoot / "shoot.yaml").write_text(EVENT, encoding="utf-8")
        self.before = sums(self.shoot)
        self.plain = self.night("plain")
        # In this process, so that each case has at hand what is loaded and compiled.
        execute(load_recipe(self.plain.recipe, REGISTRY), read_shoot(self.shoot), folder / "warm", workers=1)
        ended = command(self.plain.run(), folder / "log", lambda: _prepare(self.plain, None))
        assert ended.status == 0, f"a run that nothing disturbs ends with {ended.status}: {ended.text}"
        self.expected = delivered(self.plain.place("out"))
        self._calls: dict[Kind, int] = {}

    def night(self, name: str, *, prior: bool = False) -> Night:
        """The folders of a case."""
        night = Night(self.folder / name, self.shoot)
        for made in ("tmp", "facts"):
            night.place(made).mkdir(parents=True)
        night.recipe.write_text(RECIPE.replace("PUSH", str(self.folder / f"pushed-{name}")), encoding="utf-8")
        if prior:
            shutil.copytree(self.plain.place("out"), night.place("out"))
        return night

    def calls(self, kind: Kind) -> int:
        """How many calls change the place while nothing fails."""
        if kind not in self._calls:
            night = self.night(f"calls-{len(self._calls)}", prior=kind.prior)
            fault, kept = Fault(night.place(kind.place)), night.top / "calls"
            ended = command(
                kind.arguments(night),
                night.top / "log",
                lambda: _prepare(night, fault),
                lambda: kept.write_text(str(fault.calls), encoding="utf-8"),
            )
            assert ended.status == 0, f"{kind.name} that nothing disturbs ends with {ended.status}: {ended.text}"
            self._calls[kind] = int(kept.read_text(encoding="utf-8"))
            shutil.rmtree(night.top)
        return self._calls[kind]

    def wrong(self, number: int, kind: Kind, way: Way, at: int) -> list[str]:
        """What goes wrong where `way` strikes at the so-manyth call."""
        night = self.night(str(number), prior=kind.prior)
        place, away, log = night.place(kind.place), night.top / "away", night.top / "log"
        fault = Fault(place, way.number, at, way.onward, way.short)
        if not way.number:
            fault.instead = lambda: _take_away(place, away)
        what = night.top / "what"
        ended = command(
            kind.arguments(night),
            log,
            lambda: _prepare(night, fault),
            lambda: what.write_text(fault.what, encoding="utf-8"),
        )
        found = []
        if ended.status not in (0, 1, 2) or "Traceback" in ended.text:
            found.append(f"ends with {ended.status}")
        if ended.status and str(place) not in ended.text:
            found.append(f"does not say where: {place}")
        if kind.place == "out" and ended.status == 0 and delivered(place) != self.expected:
            found.append("says that all is well")
        if away.exists():
            if kind.place == "out" and len(sums(place)) > 1:  # one file may have been on its way
                found.append(f"writes on where the disk was: {sorted(sums(place))}")
            shutil.rmtree(place)
            away.rename(place)
        if bad := {n for n, digest in delivered(night.place("out")).items() if self.expected.get(n) != digest}:
            found.append(f"half written: {bad}")
        if not way.onward and way.number and unfinished(place):
            found.append(f"left behind: {unfinished(place)}")
        for looking in ("status", "verify"):
            seen = command([looking, night.place("out")], night.top / "seen", lambda: _prepare(night, None))
            if seen.status not in (0, 1, 2) or "Traceback" in seen.text:
                found.append(f"{looking} ends with {seen.status}: {seen.text}")
        night.place("facts").mkdir(exist_ok=True)
        arguments = night.run() if kind.place in ("out", "cache") else kind.arguments(night)
        again = command(arguments, night.top / "again", lambda: _prepare(night, None))
        if again.status or (kind.place in ("out", "cache") and delivered(night.place("out")) != self.expected):
            found.append(f"the next one ends with {again.status}: {again.text}")
        if kind.place == "out" and unfinished(place):
            found.append(f"the next run leaves behind: {unfinished(place)}")
        if sums(self.shoot) != self.before:
            found.append("the shoot has changed")
        at_call = f"at call {at}, {what.read_text(encoding='utf-8') if what.exists() else 'which it did not survive'}"
        shutil.rmtree(night.top)
        how = f"{kind.name}, {kind.place}, {way.name}{' onward' if way.onward else ''} {at_call}"
        return [wrong(NAME, number, f"{how}: {text}\n{ended.text[-1500:]}") for text in found]


def _prepare(night: Night, fault: Fault | None) -> None:
    os.environ["TMPDIR"] = str(night.place("tmp"))
    tempfile.tempdir = None
    if fault is not None:
        fault.arm()


def _take_away(place: Path, away: Path) -> None:
    """As pulling a disk does: what is left is an empty folder."""
    if place.exists():
        place.rename(away)
        place.mkdir()


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """See `harness`."""
    all_cases = _Cases(folder)
    found = []
    for number, chance in cases(amount, seed):
        kind, way = KINDS[number % len(KINDS)], WAYS[number % len(WAYS)]  # numbers without a common divisor: all pairs
        found += all_cases.wrong(number, kind, way, 1 + int(chance.random() * all_cases.calls(kind)))
    return found
