"""Generated halls of known lamps, small, with settings that tell how bright they are, from one night to the next."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pipeline.fixtures.demo import write_demo
from pipeline.fixtures.hall import BLUE_JERSEY, WHITE_JERSEY, BurstPlan, Hall, right_share
from pipeline.fixtures.light import Lamp, response

from pipeline.engine.hall.known import Known, look_at
from pipeline.engine.hall.remember import learn, merged
from pipeline.engine.jobs import Shoot
from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.shoot.hall.folder import hall_file, write_hall
from pipeline.shoot.hall.memory import HallMemory
from pipeline.store.keys import digest_file
from pipeline.store.store import Store

SIZE = (384, 256)
NAME = "Old Market Hall"
WIDTH = 3.0  # metres over which one lamp gives way to the other
HALIDE, LED = Lamp("HP5", 0.35, 0.3, 0.06, 1.0), Lamp("LED-B5", 0.06, 2.0)


@dataclass(frozen=True)
class Dimmed(Lamp):
    """A lamp of which only a share of the light is left: some of its kind are dead, or it is dimmed."""

    share: float = 1.0

    def during(self, start, exposure, frequency=100.0):
        return self.share * super().during(start, exposure, frequency)


def plan(x: float, start: float, frames: int = 6, fps: float = 13.0, iso: int = 4000, exposure: float = 1.0, **more):
    """A burst. The generator takes ISO for its noise alone, so `exposure` must be iso / 4000: as that of its cards."""
    return BurstPlan(x, iso, exposure, start, frames=frames, fps=fps, **more)


FIRST = (plan(-8.0, 60.0, 5), plan(8.0, 300.0, 5), plan(-5.0, 600.0, 4), plan(4.5, 900.0, 4), plan(0.5, 1200.0, 4))
NEXT = (plan(-7.2, 60.0, 4), plan(7.5, 300.0, 4), plan(-4.0, 600.0, 3))


def hall_of(left: Lamp, right: Lamp, bursts: tuple[BurstPlan, ...], **more) -> Hall:
    """With a card at both ends, which the generator takes at ISO 3200 and an exposure of 0.8."""
    return Hall(left, right, width=WIDTH, bursts=bursts, **more)


def next_hall(left: Lamp, right: Lamp, bursts: tuple[BurstPlan, ...] = NEXT, **more) -> Hall:
    """The next match there: another team, other places."""
    return hall_of(left, right, bursts, **{"jerseys": (WHITE_JERSEY, BLUE_JERSEY), **more})


def write_night(folder: Path, hall: Hall, seed: int = 3, references: bool = True, named: str = "") -> None:
    """A shoot folder, with or without references, that names its hall or none."""
    write_demo(folder, hall=hall, seed=seed, width=SIZE[0], height=SIZE[1])
    event = folder / "shoot.yaml"
    text = event.read_text(encoding="utf-8")
    text = text if references else text.split("references:")[0]
    event.write_text(text + (f"hall: {named}\n" if named else ""), encoding="utf-8")


def look(folder: Path) -> tuple[Known, Shoot, Store]:
    """A night as inspect sees it, measured without model files."""
    shoot = read_shoot(folder)
    store = Store.open(folder.parent / f"{folder.name}-out", folder)
    measured = measure_shoot(store, shoot, 1, lambda *_: None)
    known = look_at(store, shoot, measured, 1)
    assert known is not None
    return known, shoot, store


def known_of(folder: Path, hall: Hall, seed: int = 3, references: bool = True) -> tuple[Known, Shoot, Store]:
    write_night(folder, hall, seed, references)
    return look(folder)


def memory_of(known: Known, shoot: Shoot) -> HallMemory:
    """What a first night leaves."""
    return merged(HallMemory(hall=NAME), learn(known, shoot.facts, {f.name: digest_file(f.path) for f in known.frames}))


def put_memory(memory: HallMemory) -> Path:
    path = hall_file(memory.hall)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_hall(path, memory)
    return path


def truth_of(folder: Path) -> dict:
    return json.loads((folder.parent / f"{folder.name}-truth" / "truth.json").read_text(encoding="utf-8"))


def white_errors(known: Known, truth: dict, hall: Hall) -> list[float]:
    """Of each burst, how far a perfect white in the middle of its view comes out from grey, natural log of R/G and B/G:
    by the published spectra of lamps and camera, in the mixture of both lamps that is lit there."""
    lights = [response(np.ones(31), lamp.spectrum, hall.camera) for lamp in (hall.left, hall.right)]
    lit = [getattr(lamp, "share", 1.0) for lamp in (hall.left, hall.right)]
    errors = []
    for scene in known.light.scenes:
        entry = truth["frames"][scene.names[0]]
        if "card" in entry:
            continue
        share = float(right_share(entry["x"], hall.centre, hall.width))
        white = (1 - share) * lit[0] * lights[0] + share * lit[1] * lights[1]
        shown = known.balances[scene.names[0]].gains * white
        errors.append(float(np.hypot(*np.log(shown / shown[1])[[0, 2]])))
    return errors
