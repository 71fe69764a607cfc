"""A small run to review: six pictures of a made-up evening, delivered twice."""

from __future__ import annotations

import http.client
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.cli.review import open_session
from pipeline.review.serve import Server
from pipeline.review.session import Session
from pipeline.store.source import Source
from pipeline.store.store import Store
from tests.engine.test_run import evencourt

NAMES = [f"TH1_000{n}" for n in range(1, 7)]
ODD = "TH1 <b onload=x>&'%41#;=1"  # a frame may be called so: file systems but that of Windows allow it
ALL = [*NAMES, ODD]
EVENT = """\
title: Lantern Cup   # the semi-final
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
language: en
references:          # none yet
  # - {frame: TH1_0001, chart: auto}
"""
ROSTER = "team,number,name,publish\nhome,7,Ingrid Solbakken,\nhome,4,Tuva Rønning,no\naway,12,Zofia Kłosowska,\n"
FRAMES = (
    "frame;keep;rating;players;words;crop;file\r\n"
    "TH1_0001;;3;home 7;jumps to shoot;;TH1_0001.jpg\r\n"
    'TH1_0002;;;home 7; "meets ""the wall""";;TH1_0002.jpg\r\n'
    "TH1_0003;;;away 12;;;TH1_0003.jpg\r\n"
    "TH1_0004;no;;;;;TH1_0004.jpg\r\n"
    "TH1_0005;;;home 4;;;TH1_0005.jpg\r\n"
)
RECIPE = """\
recipe: 1
deliveries:
  web: [crop: {to: none, aspect: "3:2"}, caption: {}, save: {}]
  phone: [crop: {to: none}, resize: {long_edge: 120}, save: {}]
"""


def write_shoot(folder: Path) -> None:
    """Six pictures that a camera may have made: noise over a slope of light."""
    chance = np.random.default_rng(5)
    for number, name in enumerate(ALL):
        slope = np.linspace(40, 200, 180)[None, :, None] + np.zeros((120, 1, 3)) + 4 * number
        pixels = np.clip(slope + chance.normal(0, 6, slope.shape), 0, 255).astype(np.uint8)
        exif = PIL.Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"2026:02:14 19:3{number}:00"
        folder.mkdir(parents=True, exist_ok=True)
        PIL.Image.fromarray(pixels).save(folder / f"{name}.jpg", quality=90, exif=exif)


def _given(home: Path, facts: str | None, cache: Path | None = None) -> list[str]:
    """Arguments of evencourt for a run over the shoot of a `night`."""
    given = ["run", str(home / "night.yaml"), str(home / "shoot"), "--out", str(home / "out"), "--workers", "1"]
    kept = ["--no-cache"] if cache is None else ["--cache", str(cache)]
    return [*given, *kept, "--offline", *(() if facts is None else ("--facts", str(home / facts)))]


def run(home: Path, facts: str | None = "facts", cache: Path | None = None) -> tuple[int, str]:
    """Exit status and words of a run over the shoot of a `night`, in this process."""
    return evencourt(*_given(home, facts, cache))


def run_in_a_terminal(home: Path) -> subprocess.CompletedProcess[str]:
    """The same in a process of its own, with a worker."""
    code = "from pipeline.cli.entry import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *_given(home, "facts")],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
    )


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with shoot, facts, night.yaml and out."""
    home = tmp_path_factory.mktemp("night")
    write_shoot(home / "shoot")
    (home / "facts").mkdir()
    (home / "facts" / "shoot.yaml").write_text(EVENT, encoding="utf-8")
    (home / "facts" / "roster.csv").write_text(ROSTER, encoding="utf-8")
    (home / "facts" / "frames.csv").write_bytes(FRAMES.encode("utf-8-sig"))
    (home / "night.yaml").write_text(RECIPE, encoding="utf-8")
    status, text = run(home)
    assert status == 0, text
    return home


def copy_of(finished: Path, home: Path) -> Path:
    """A copy of it, in which OUT knows where it is. All copies share a cache: their pictures are the same."""
    shutil.copytree(finished, home, ignore=shutil.ignore_patterns("cache"))
    (cache := finished / "cache").mkdir(exist_ok=True)
    Store(home / "out").keep_source(Source.of(home / "shoot", home / "facts", None, home / "night.yaml", cache=cache))
    return home


@pytest.fixture
def night(finished: Path, tmp_path: Path) -> Path:
    """A copy for one test."""
    return copy_of(finished, tmp_path / "night")


@dataclass(frozen=True)
class Answer:
    """status, headers, body"""

    status: int
    headers: Mapping[str, str]
    body: bytes


@dataclass
class Tab:
    """A tab of a browser, as far as the server sees one."""

    session: Session
    server: Server

    @property
    def home(self) -> str:
        """The origin."""
        return f"http://127.0.0.1:{self.server.port}"

    def ask(
        self, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None, method: str = ""
    ) -> Answer:
        """Any request; `path` begins with a slash, or else stands behind the token."""
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=30)
        where = path if path.startswith("/") else f"/{self.server.token}/{path}"
        connection.request(method or ("GET" if body is None else "POST"), where, body, dict(headers or {}))
        answer = connection.getresponse()
        found = Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        connection.close()
        return found

    def get(self, path: str) -> dict:
        """JSON."""
        answer = self.ask(path)
        assert answer.status == 200, answer
        return json.loads(answer.body)

    def post(self, path: str, expect: int = 200, **body: object) -> dict:
        """JSON for JSON."""
        headers = {"Origin": self.home, "X-Court": "1", "Content-Type": "application/json"}
        answer = self.ask(path, json.dumps(body).encode(), headers)
        assert answer.status == expect, answer
        return json.loads(answer.body)

    def frame(self, name: str) -> dict:
        """A frame's view."""
        return next(one for one in self.get("api/view")["frames"] if one["name"] == name)


def open_tab(home: Path, facts: Path | None = None) -> Tab:
    """A review of its OUT."""
    session, where = open_session(home / "out", None, facts, None, 1)
    server = Server(session, where)
    server.start()
    return Tab(session, server)


@pytest.fixture
def tab(night: Path) -> Iterator[Callable[..., Tab]]:
    """Opens the review of `night`."""
    tabs: list[Tab] = []

    def opened(facts: Path | None = None) -> Tab:
        tabs.append(open_tab(night, facts))
        return tabs[-1]

    yield opened
    for one in tabs:
        one.server.stop()


@pytest.fixture(scope="module")
def one(finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    """A tab for all tests of a file, which change nothing."""
    home = copy_of(finished, tmp_path_factory.mktemp("shared") / "night")
    opened = open_tab(home)
    yield opened
    opened.server.stop()
    assert (home / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")
