"""Generated halls of known lamps, small, with settings that tell how bright they are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.fixtures.demo import write_demo
from pipeline.fixtures.hall import BurstPlan, Hall
from pipeline.fixtures.light import Lamp

from pipeline.engine.hall.known import Known, look_at
from pipeline.engine.jobs import Shoot
from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.store.store import Store

SIZE = (384, 256)


@dataclass(frozen=True)
class Dimmed(Lamp):
    """A lamp of which only a share of the light is left: some of its kind are dead, or it is dimmed."""

    share: float = 1.0

    def during(self, start, exposure, frequency=100.0):
        return self.share * super().during(start, exposure, frequency)


def plan(x: float, start: float, frames: int = 6, fps: float = 13.0, iso: int = 1600, exposure: float = 1.0, **more):
    """A burst; the generator takes ISO for its noise alone, so exposure must be given with it."""
    return BurstPlan(x, iso, exposure, start, frames=frames, fps=fps, **more)


def hall_of(left: Lamp, right: Lamp, bursts: tuple[BurstPlan, ...], **more) -> Hall:
    """Cards at both ends; ISO 3200 of the cards is an exposure of 0.8 and 0.8: see `exposure_of`."""
    return Hall(left, right, width=3.0, bursts=bursts, **more)


def known_of(folder: Path, hall: Hall, seed: int = 3, references: bool = True) -> tuple[Known, Shoot, Store]:
    """A hall as inspect sees it, measured without model files."""
    write_demo(folder, hall=hall, seed=seed, width=SIZE[0], height=SIZE[1])
    if not references:
        event = folder / "shoot.yaml"
        event.write_text(event.read_text(encoding="utf-8").split("references:")[0], encoding="utf-8")
    shoot = read_shoot(folder)
    store = Store.open(folder.parent / f"{folder.name}-out", folder)
    measured = measure_shoot(store, shoot, 1, lambda *_: None)
    known = look_at(store, shoot, measured, 1)
    assert known is not None
    return known, shoot, store
