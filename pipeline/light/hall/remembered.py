"""The white of scenes by what is remembered of the hall, where its lamps are proven unchanged."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from pipeline.light.hall.lamps import lamps_of_frames
from pipeline.light.hall.settings import settings_of
from pipeline.light.hall.unchanged import Proof, Tonight, prove
from pipeline.light.neutral import Vote
from pipeline.light.references import WhiteMap
from pipeline.light.scene_white import HasBalances, SceneWhite, WhiteSource
from pipeline.light.scenes import ShootLight
from pipeline.shoot.hall.memory import HallMemory
from pipeline.types import F64, Frame

_ALIKE = 1e-3  # in the log of daylight's multipliers, by which two decoders of one camera may differ


def hall_proofs(
    memory: HallMemory | None,
    light: ShootLight,
    frames: Sequence[Frame],
    measured: Mapping[str, HasBalances],
    votes: Sequence[Vote],
    notices: list[str],
) -> dict[int, Proof]:
    """Group of scenes -> whether the remembered light is still there (`unchanged`). Groups of cameras of which nothing
    can be remembered are named in `notices`.

    measured  what white_balance measured of each frame; votes  white by the pictures, of each scene
    """
    if memory is None:
        notices.append(
            "hall memory: nothing is remembered of this hall (a run into the same OUT goes by what its first run "
            "knew); a card at each end begins it"
        )
        return {}
    lamps = lamps_of_frames(light, frames)
    by_name = {f.name: f for f in frames}
    found: dict[int, Proof] = {}
    silent: dict[str, str] = {}
    for group in dict.fromkeys(light.group.astype(int).tolist()):
        members = np.flatnonzero(light.group == group).tolist()
        first = by_name[light.scenes[members[0]].names[0]]
        camera = memory.camera(first.exif.make, first.exif.model)
        called = first.exif.camera or "a camera without a model"
        if first.kind != "raw":
            silent[called] = "finished pictures have colours that a camera made, so that lamps cannot be compared"
        elif camera is None:
            silent[called] = "nothing is remembered by this camera model, and another's colours do not carry over"
        elif np.abs(np.log(np.array(camera.daylight) / measured[first.name].daylight)).max() > _ALIKE:
            silent[called] = "its raw files are read with other colours now than on the remembered night"
        else:
            settings = {}
            for i in members:
                exif = by_name[light.scenes[i].names[0]].exif
                settings[i] = settings_of(exif.iso, exif.exposure_time, exif.f_number)
            found[group] = prove(Tonight(light, members, settings, votes, lamps), camera)
    notices += [f"hall memory, {called}: {why}; photograph a card at each end" for called, why in silent.items()]
    return found


def maps_of_memory(found: Mapping[int, Proof], taken: Collection[int]) -> tuple[dict[int, WhiteMap], dict[int, F64]]:
    """Group -> its map, and scene -> where it lies on that (2,), of what whites_of_memory gives white by memory."""
    holds = {group: proof for group, proof in found.items() if group not in taken and _holds(proof)}
    maps = {group: proof.map for group, proof in holds.items() if proof.map is not None}
    return maps, {i: place for proof in holds.values() for i, place in proof.scenes.items()}


def _holds(proof: Proof) -> bool:
    return proof.state == "unchanged" and proof.map is not None


def whites_of_memory(
    found: Mapping[int, Proof],
    light: ShootLight,
    taken: Collection[int],
    notices: list[str],
    turned: Mapping[int, F64] | None = None,
) -> dict[int, SceneWhite]:
    """Scene -> its white, in the groups that no reference of tonight serves (`taken`) and whose proof holds. turned: as
    of hall.colours"""
    whites: dict[int, SceneWhite] = {}
    for group, proof in found.items():
        said = "; ".join(proof.words)
        if group in taken:
            notices.append(f"hall memory: {said}; tonight's references are used")
        elif not _holds(proof):
            notices.append(f"hall memory: not used: {said}; photograph a card at each end")
        else:
            members = np.flatnonzero(light.group == group)
            left = sum(len(light.scenes[i].names) for i in members if i not in proof.scenes)
            frames = sum(len(light.scenes[i].names) for i in members)
            rest = (
                f"; {left:,} of {frames:,} frames are not covered; their white is judged from their colours"
                if left
                else ""
            )
            notices.append(f"hall memory: used: {said}{rest}")
            for i, chroma in proof.scenes.items():
                whites[i] = _white(proof, float(light.match[i]), chroma, (turned or {}).get(i))
    return whites


def _white(proof: Proof, sure: float, chroma: F64, turn: F64 | None) -> SceneWhite:
    whites = proof.map
    assert whites is not None
    shares = whites.shares(chroma).clip(0, 1)
    parts = [f"{round(100 * s)} % {n}" for n, s in zip(whites.names, shares, strict=True) if round(100 * s) >= 1]
    return SceneWhite(
        whites.white(chroma), WhiteSource.HALL, f"hall memory, {', '.join(parts)}", sure,
        lambda foretold: whites.matrix(chroma, foretold, turn is not None), turn=turn,
    )  # fmt: skip
