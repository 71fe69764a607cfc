"""After a night: what is to be remembered of its hall, from its references and from what was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from types import MappingProxyType
from typing import Literal

import numpy as np

from pipeline.engine.hall.gather import SceneLevels, scene_levels
from pipeline.engine.hall.known import Known, look_at
from pipeline.engine.jobs import Shoot
from pipeline.engine.measure import MeasuredFrame
from pipeline.errors import InputError
from pipeline.light.hall.lamps import EVENED
from pipeline.light.hall.settings import settings_of
from pipeline.light.hall.unchanged import RULES
from pipeline.light.references import WhiteMap
from pipeline.light.scenes import Scene
from pipeline.shoot.facts import Facts
from pipeline.shoot.hall.folder import halls_folder, held, read_hall, write_hall
from pipeline.shoot.hall.memory import (
    MOST_CAMERAS,
    MOST_LIGHTS,
    MOST_MARKS,
    MOST_NIGHTS,
    MOST_SCENES,
    HallMemory,
    Night,
    RememberedCamera,
    RememberedLight,
    RememberedScene,
    mark,
    packed,
)
from pipeline.shoot.names import first_named
from pipeline.store.keys import digest_json
from pipeline.store.store import Store
from pipeline.types import F64, Frame
from pipeline.workers.executors import Workers

# What a photographer may call an end, and what cannot be a person's name: nothing else that was typed is kept.
_SIDES = (
    "left right north south east west near far home away links rechts nord süd ost norr söder öst väst",
    "venstre høyre gauche droite izquierda derecha",
)
_ENDS = frozenset(" ".join(_SIDES).split())
_PLAIN = str.maketrans({"ü": "u", "ö": "o", "ä": "a", "ø": "o"})
NOTHING: Mapping[str, float] = MappingProxyType({})
_DIGITS = 4  # of chroma: a tenth of what registration resolves


@dataclass(frozen=True)
class Learned:
    """What one night says of a hall: cameras  with references; the night itself; marks  of all its frames"""

    cameras: tuple[RememberedCamera, ...]
    night: Night
    marks: frozenset[str] = frozenset()

    def is_of(self, night: Night) -> bool:
        """Whether a night of the memory is this one."""
        return night.id == self.night.id or not self.marks.isdisjoint(night.sample)


def remember_night(store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: Workers) -> list[str]:
    """Remember what a finished night says of its hall; what to say of it. Raises OSError."""
    known = look_at(store, shoot, measured_frames, workers)
    if known is None:
        return []
    digests = {s.frame.name: s.digest for s in measured_frames if not s.error}
    return remember(shoot.facts, learn(known, shoot.facts, digests, shoot.added))


def learn(known: Known, facts: Facts, digests: Mapping[str, str], added: Mapping[str, float] = NOTHING) -> Learned:
    """From a night's frames and what white was taken from.

    digests  frame -> SHA-256 of its bytes; added  frame -> seconds that were added to its camera's time
    """
    by_name = {f.name: f for f in known.frames}
    levels = scene_levels(known)
    cameras = []
    for group, whites in known.maps.items():
        members = np.flatnonzero(known.light.group == group)
        first = by_name[known.light.scenes[members[0]].names[0]]
        exif = first.exif
        if first.kind != "raw" or not exif.model or _names_somebody(f"{exif.make} {exif.model}", facts):
            continue
        cameras.append(_camera(known, first, members.tolist(), whites, levels))
    proofs = known.proofs.values()
    white: Literal["references", "memory", "neither"] = (
        "references" if known.maps else "memory" if any(p.state == "unchanged" for p in proofs) else "neither"
    )
    times = [f.exif.time for f in known.frames if f.exif.time is not None and not f.exif.doubt]
    marks = {
        mark(f.exif.time - timedelta(seconds=added.get(f.name, 0.0)), digests[f.name])
        for f in known.frames
        if f.exif.time is not None and f.name in digests
    }
    night = Night(
        id=digest_json(sorted(digests.values()))[:16], day=date.fromordinal(min(times).toordinal()) if times else None,
        frames=len(known.frames), white=white, changed=any(p.state == "changed" for p in proofs),
        sample=tuple(sorted(sorted(marks, key=lambda one: one.rpartition(" ")[2])[:MOST_MARKS])),
    )  # fmt: skip
    unique: dict[tuple[str, str], RememberedCamera] = {}
    for one in cameras:  # two groups of one camera: the one with more frames
        key = (one.make, one.model)
        if key not in unique or sum(s.frames for s in one.scenes) > sum(s.frames for s in unique[key].scenes):
            unique[key] = one
    own = (one.model_copy(update={"night": night.id}) for one in unique.values())
    return Learned(tuple(own), night, frozenset(marks))


def remember(facts: Facts, learned: Learned) -> list[str]:
    """Write what was learned into the memory of the hall, while no other run does; what to say of it.

    What tonight's references said takes the place of what was known by that camera; without references only the night
    is added. A file that is damaged stays as it is; a disk that refuses it costs the memory, never the night.
    """
    try:
        with held(facts.hall) as path:
            before = read_hall(facts.hall)
            after = merged(before or HallMemory(hall=facts.hall), learned)
            if after != before and (before is not None or learned.cameras):
                write_hall(path, after)
    except InputError as error:
        return [f"{line}; nothing was added to the memory of the hall" for line in error.lines[:3]]
    except OSError as error:
        why = error.strerror or str(error)
        return [f"{halls_folder()}: cannot be written ({why}); nothing was added to the memory of the hall"]
    if learned.cameras and after != before:
        return ["hall memory: what tonight's references said is kept for the next match there"]
    return []


def merged(before: HallMemory, learned: Learned) -> HallMemory:
    """A memory with what one night says. A night that it knows already takes its own place, and keeps what was known
    before it."""
    again = {n.id for n in before.nights if learned.is_of(n)}
    cameras = {
        (c.make, c.model): c.model_copy(update={"night": learned.night.id}) if c.night in again else c
        for c in before.cameras
    }
    for one in learned.cameras:
        old = cameras.pop((one.make, one.model), None)
        if old is not None:
            old = old.before if old.night == learned.night.id else old.model_copy(update={"before": None})
        cameras[one.make, one.model] = one.model_copy(update={"before": old})
    nights = [n for n in before.nights if n.id not in again]
    nights = sorted([*nights, learned.night], key=lambda n: (n.day or date.min, n.id))
    return HallMemory(
        hall=before.hall, nights=tuple(nights[-MOST_NIGHTS:]), cameras=tuple(cameras.values())[-MOST_CAMERAS:]
    )


def _camera(
    known: Known, first: Frame, members: Sequence[int], whites: WhiteMap, levels: SceneLevels
) -> RememberedCamera:
    light = known.light
    words = {r.frame: r.end for r in known.references if r.end}
    share = {i: whites.shares(light.chromaticities[i]) for i in members}
    lights: list[RememberedLight] = []
    for at in range(min(len(whites.names), MOST_LIGHTS)):
        own = [i for i in members if share[i][at] >= RULES.end]
        bursts = [i for i in own if len(light.scenes[i].names) >= EVENED]
        flicker = known.lamps.of_scenes(bursts) if bursts else None
        ev = levels.ev100[bursts or own] if own else np.full(1, np.nan)
        ev = ev[np.isfinite(ev)]
        called = next((words[n] for n in whites.names[at].split(" and ") if n in words), "")
        end = _end(called, at, {one.end for one in lights})
        matrix = whites.matrices[at]
        lights.append(RememberedLight(
            end=end, chroma=_pair(whites.chromaticities[at]), white=_pair(whites.whites[at]),
            matrix=None if matrix is None else (_row(matrix[0]), _row(matrix[1]), _row(matrix[2])),
            ev100=round(float(np.median(ev)), 2) if len(ev) else None,
            flicker=None if flicker is None or flicker.at_least or known.lamps.mains.hz is None
            else round(flicker.percent, 1),
        ))  # fmt: skip
    by_name = {f.name: f for f in known.frames}
    scenes = []
    for i in _spread(known, members, whites):
        scene, exif = light.scenes[i], by_name[light.scenes[i].names[0]].exif
        own_settings = settings_of(exif.iso, exif.exposure_time, exif.f_number)
        scenes.append(RememberedScene(
            chroma=_pair(light.chromaticities[i]), gain=None if own_settings is None else round(own_settings.gain, 3),
            aperture=bool(exif.f_number), frames=len(scene.names), colours=packed(_levels(scene)),
            tones=packed(np.asarray(scene.tone_histogram)),
        ))  # fmt: skip
    day = known.daylight[first.name]
    hz = known.lamps.mains.hz
    return RememberedCamera(
        make=first.exif.make[:80], model=first.exif.model[:80],
        daylight=(round(float(day[0]), 6), round(float(day[1]), 6), round(float(day[2]), 6)),
        hz=100 if hz == 100 else 120 if hz == 120 else None, lights=tuple(lights), scenes=tuple(scenes),
    )  # fmt: skip


def _spread(known: Known, members: Sequence[int], whites: WhiteMap) -> list[int]:
    """The scenes that are kept: bursts before single frames and well recognised ones before others; first the nearest
    to each light, then always the one farthest from those that are chosen."""
    light = known.light
    usable = [i for i in members if light.match[i] >= 0.6 and np.isfinite(light.scenes[i].level).all()]
    bursts = [i for i in usable if len(light.scenes[i].names) >= EVENED]
    pool = bursts or usable or list(members)
    chosen: list[int] = []
    for at in range(len(whites.names)):
        gap = {i: float(np.hypot(*(light.chromaticities[i] - whites.chromaticities[at]))) for i in pool}
        chosen += [i for i in sorted(gap, key=lambda i: (gap[i], i))[:2] if i not in chosen]
    chosen = chosen[:MOST_SCENES]
    while len(chosen) < min(MOST_SCENES, len(pool)):
        rest = [i for i in pool if i not in chosen]
        far = {
            i: min(float(np.hypot(*(light.chromaticities[i] - light.chromaticities[k]))) for k in chosen) for i in rest
        }
        chosen.append(max(rest, key=lambda i: (far[i], -i)))
    return sorted(chosen)


def _levels(scene: Scene) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    histogram = np.asarray(scene.chroma_histogram).astype(np.float64)
    most = float(histogram.max())
    return np.round(histogram * (255 / most if most > 0 else 0)).astype(np.uint8)


def _pair(values: F64) -> tuple[float, float]:
    return round(float(values[0]), _DIGITS), round(float(values[1]), _DIGITS)


def _row(values: F64) -> tuple[float, float, float]:
    return round(float(values[0]), 6), round(float(values[1]), 6), round(float(values[2]), 6)


def _end(called: str, at: int, taken: set[str]) -> str:
    """What a light is called in the memory: only a word for a side, which is nobody's name; else its number."""
    word = called.strip().casefold()
    plain = word.translate(_PLAIN)
    return plain if word in _ENDS and plain not in taken else f"light {at + 1}"


def _names_somebody(text: str, facts: Facts) -> bool:
    return first_named(text, [player.name for player in facts.roster]) is not None
