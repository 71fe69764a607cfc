"""What a measured shoot is known by: its light, its lamps, and the white of each frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Literal

from pipeline.engine.burst_light import Before
from pipeline.engine.jobs import Shoot
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.solve import shoot_light
from pipeline.light.hall.lamps import Lamps, lamps_of_frames
from pipeline.light.hall.remembered import hall_proofs
from pipeline.light.hall.unchanged import Proof
from pipeline.light.references import WhiteMap
from pipeline.light.scene_white import reference_maps, votes_of
from pipeline.light.scenes import ShootLight
from pipeline.people.observe import FrameObservation
from pipeline.shoot.facts import Reference
from pipeline.steps import crop, lens, white_balance
from pipeline.steps.base import SolveContext
from pipeline.store.store import Store
from pipeline.types import F64, Burst, Frame
from pipeline.workers.executors import Workers


@dataclass(frozen=True)
class Known:
    """frames  that could be read; balances  what white_balance decided for each, and its notices
    daylight, as_shot  the camera's (3,) multipliers; seen  what was observed in each; references  of the shoot
    maps     group of scenes -> white by its references; proofs  group -> whether the remembered light is still there
    """

    frames: Sequence[Frame]
    bursts: Sequence[Burst]
    light: ShootLight
    lamps: Lamps
    balances: Mapping[str, white_balance.WhiteBalanceSolution]
    daylight: Mapping[str, F64]
    as_shot: Mapping[str, F64 | None]
    seen: Mapping[str, FrameObservation]
    references: Sequence[Reference]
    notices: tuple[str, ...] = ()
    maps: Mapping[int, WhiteMap] = field(default_factory=dict)
    proofs: Mapping[int, Proof] = field(default_factory=dict)


def look_at(store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: Workers) -> Known | None:
    """The light as white_balance would see it: by the references where there are any, else by gray_world. None where no
    frame could be read. Arguments as of engine.solve."""
    frames = [s.frame for s in measured_frames if not s.error]
    if not frames:
        return None
    measured = Measurements(store, measured_frames, white_balance.STEP)
    found = cache(lambda: shoot_light(store, measured_frames, shoot.bursts, shoot.facts, workers))
    lenses = SolveContext(
        frames, shoot.bursts, shoot.facts, Measurements(store, measured_frames, lens.STEP), found, dict, dict, {}
    )
    # What lens takes out would be taken for flicker.
    before = Before(lens.STEP, lens.solve(lenses, lens.LensParams.model_validate({})).by_frame).of(
        [f.name for f in frames]
    )
    light = (
        found() if before is None else shoot_light(store, measured_frames, shoot.bursts, shoot.facts, workers, [before])
    )
    context = SolveContext(frames, shoot.bursts, shoot.facts, measured, lambda: light, dict, dict, {})
    told = bool(shoot.facts.references or shoot.facts.hall)
    method: Literal["reference_patch", "gray_world"] = "reference_patch" if told else "gray_world"
    solved = white_balance.solve(
        context, white_balance.WhiteBalanceParams(method=method, multipliers=None, within_frame=True)
    )
    balances = [(name, m.daylight, m.as_shot) for name, m in measured.items()]
    said: list[str] = []  # white_balance has said it
    votes = votes_of(light, measured)
    maps = reference_maps(shoot.facts.references, measured, light, votes, said)
    remembered = shoot.facts.remembered
    proofs = hall_proofs(remembered, light, frames, measured, votes, said) if shoot.facts.hall else {}
    return Known(
        frames, shoot.bursts, light, lamps_of_frames(light, frames), solved.by_frame, {n: d for n, d, _ in balances},
        {n: a for n, _, a in balances}, Measurements(store, measured_frames, crop.STEP), shoot.facts.references,
        solved.notices, maps, proofs,
    )  # fmt: skip
