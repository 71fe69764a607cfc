"""A made-up handball evening of any number of small raw frames, for `python -m tests.scale`.

Frames are drawn in two cameras' bursts of eight under lamps that flicker, each with noise of its own, so that no two
files have the same bytes. They are as small as every step can still work on: what is measured is how the program
grows with the number of frames, and not pixels.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from pipeline.fixtures.dng import write_dng

BURST = 8
SMALL = (64, 96)  # rows and columns
MIXED = (320, 480), (1280, 1920)  # of three bursts in four and of the others, where costs are mixed as cameras differ
START = datetime(2026, 2, 14, 17, 0, 0, 100_000)
PAUSE = 6.0  # s from burst to burst
_BLACK, _WHITE = 512, 16383
_MATRIX = np.array([[0.9, -0.3, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]])  # XYZ -> camera; made up
_NEUTRAL = (0.55, 1.0, 0.7)
_FIRST = ("Ada", "Bea", "Cleo", "Dora", "Edda", "Fenna", "Gro", "Hedda", "Ines", "Juna", "Kaia", "Lova", "Mira", "Nora")
_LAST = ("Aspen", "Birk", "Dahl", "Elv", "Fjord", "Gran", "Hauge", "Iversund")
_NUMBERS = range(1, 15)


def name_of(at: int) -> str:
    """The stem of frame `at`."""
    return f"HB{1 + at // BURST % 2}_{at:05d}"


def _scene(rng: np.random.Generator, size: tuple[int, int]) -> np.ndarray:
    """Floor, wall and a few players in flat colours, (H, W, 3) of the sensor's range."""
    height, width = size
    picture = np.empty((height, width, 3), np.float32)
    picture[: height // 3] = (0.10, 0.20, 0.15)
    picture[height // 3 :] = (0.16, 0.24, 0.11)
    for _ in range(6):
        x, y = rng.integers(0, width - width // 8), rng.integers(height // 4, height - height // 3)
        picture[y : y + height // 3, x : x + width // 10] = rng.uniform(0.03, 0.5, 3)
    picture[height // 2 : height // 2 + height // 6, width // 2 : width // 2 + width // 8] = np.array(_NEUTRAL) * 0.3
    return picture


def _mosaic(scene: np.ndarray, gain: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    height, width, _ = scene.shape
    colour = np.array([[0, 1], [1, 2]])[np.arange(height)[:, None] % 2, np.arange(width)[None] % 2]
    light = np.take_along_axis(scene, colour[..., None], 2)[..., 0] * gain[:, None]
    noise = rng.standard_normal((height, width), np.float32) * np.sqrt(light * 0.002 + 1e-5)
    return np.clip(_BLACK + (light + noise) * (_WHITE - _BLACK), 0, _WHITE).astype(np.uint16)


def write_frames(shoot: Path, count: int, mixed: bool = False, first: int = 0) -> Iterator[Path]:
    """Write frames `first` to `count` of the evening, where they are not there yet, and yield their paths.

    mixed  larger frames, and in one burst in four sixteen times the pixels of the others, as where two cameras differ
    """
    shoot.mkdir(parents=True, exist_ok=True)
    scene = np.empty(0)
    for at in range(first, count):
        burst, step = divmod(at, BURST)
        size = MIXED[burst % 4 == 1] if mixed else SMALL
        if not step or at == first:
            scene = _scene(np.random.default_rng([1, burst]), size)
        path = shoot / f"{name_of(at)}.dng"
        if not path.exists():
            flicker = 1 + 0.2 * np.sin(np.arange(size[0]) / size[0] * 3 + 2.1 * step)
            camera = 1 + burst % 2
            write_dng(
                path, _mosaic(scene, flicker.astype(np.float32), np.random.default_rng([2, at])), black=_BLACK,
                white=_WHITE, pattern="RGGB", make="Evencourt", model=f"Court {camera}", serial=f"00{camera:04d}",
                lens="70-200 mm F2.8", iso=6400, exposure_time=0.001, f_number=2.8, focal_length=150,
                time=START + timedelta(seconds=PAUSE * burst + 0.1 * step), color_matrix=_MATRIX,
                as_shot_neutral=_NEUTRAL,
            )  # fmt: skip
        yield path


def write_facts(folder: Path, count: int) -> None:
    """shoot.yaml, a roster of 28 with one player who must not be published, and a row for every frame."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shoot.yaml").write_text(
        "title: Evening cup\nteams: {home: Harbour Gulls, away: Mill Lane Foxes}\nvenue: Town hall\ncity: Westerby\n"
        "country: NOR\nstart: 2026-02-14T17:00:00+01:00\nlanguage: en\ncreator: Sample Person\nroster: roster.csv\n"
        f"frames: frames.csv\nreferences:\n  - {{frame: {name_of(0)}, patch: [0.52, 0.53, 0.6, 0.64], end: left}}\n",
        encoding="utf-8",
    )
    roster = io.StringIO()
    roster.write("team,number,name,publish\n")
    for side, team in enumerate(("home", "away")):
        for number in _NUMBERS:
            name = f"{_FIRST[number - 1]} {_LAST[(number + 3 * side) % len(_LAST)]}"
            roster.write(f"{team},{number},{name},{'no' if team == 'away' and number == 14 else 'yes'}\n")
    (folder / "roster.csv").write_text(roster.getvalue(), encoding="utf-8")
    rows = io.StringIO()
    rows.write("frame,keep,rating,players,words,crop\n")
    for at in range(count):
        burst = at // BURST
        keep = "always" if at % 97 == 5 else "no" if at % 101 == 7 else ""
        rating = str(1 + burst % 5) if burst % 3 == 0 else ""
        players = f"home {1 + burst % 13}; away {1 + burst % 12}" if burst % 2 else ""
        if burst % 200 == 150:
            players = "away 14"
        rows.write(f"{name_of(at)},{keep},{rating},{players},{'jumps to shoot' if players else ''},\n")
    (folder / "frames.csv").write_text(rows.getvalue(), encoding="utf-8")
