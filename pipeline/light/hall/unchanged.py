"""Whether the lamps of a hall are those that are remembered, proven by tonight's frames; else there is no memory.

Tonight's bursts register with remembered ones by their log-chroma histograms (light.palette). Chroma against daylight
is absolute for one camera model, so the shift between two nights is the change of the light on the same surfaces. Under
the same lamps every burst lies on a mixture of the remembered lights; under other lamps it lies beside them. Brightness
on the same surfaces, less the settings, tells dead and dimmed lamps; the depth of flicker tells another kind of lamp of
the same colour; and the white that the pictures themselves suggest must not speak against the remembered one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from pipeline.light import palette
from pipeline.light.comparing.pairs import PAIRS
from pipeline.light.comparing.tones import ToneSpectrum, brighter, tone_spectrum
from pipeline.light.hall.lamps import EVENED, Lamps
from pipeline.light.hall.settings import Settings
from pipeline.light.neutral import Vote
from pipeline.light.references import WhiteMap
from pipeline.light.scenes import ShootLight
from pipeline.shoot.hall.memory import CHROMA_SIZE, TONE_SIZE, RememberedCamera, unpacked
from pipeline.textfile.messages import counted, listed
from pipeline.types import F64


@dataclass(frozen=True)
class UnchangedRules:
    """When lamps count as unchanged. Chroma in natural log. Chosen on generated halls: `python -m tests.hall_memory`,
    where unchanged nights come within a third of `off`, and no swap of a lamp that moves whites by more than a CIELAB
    unit or two stays under it.

    off        chroma by which a burst may lie beside the mixtures of the remembered lights: about two CIELAB units
    beyond     share by which a mixture may lie outside the lights
    end        share of a light from which a burst stands for it
    spread     chroma by which what a burst's comparisons say may differ (standard deviation)
    recognised share of the frames that must show the remembered surfaces
    elsewhere  share of the frames beside the mixtures, from which the lamps have changed
    dimmer     stops by which the same surfaces may be darker or brighter: lenses differ by a third
    depth      per cent of flicker, and share of it, by which lamps of one kind may seem to differ
    white      chroma between the remembered white and one that the pictures surely suggest
    sure       certainty from which the pictures' own white is heard
    most       bursts that are compared, spread over the night, so that a long one costs no more
    """

    off: float = 0.035
    beyond: float = 0.12
    end: float = 0.75
    spread: float = 0.03
    recognised: float = 0.6
    elsewhere: float = 0.1
    dimmer: float = 0.5
    depth: float = 8.0
    depth_share: float = 0.4
    white: float = 0.2
    sure: float = 0.6
    most: int = 240


RULES = UnchangedRules()
LightState = Literal["unchanged", "changed", "not seen"]
_NEAR = 0.07  # chroma within which brightness is compared: of bursts in like light


@dataclass(frozen=True)
class Tonight:
    """What is known of the scenes of one camera tonight.

    members  indices of its scenes; settings  of each, None where not known; votes  white by the pictures, of all scenes
    """

    light: ShootLight
    members: Sequence[int]
    settings: Mapping[int, Settings | None]
    votes: Sequence[Vote]
    lamps: Lamps


@dataclass(frozen=True)
class Proof:
    """What came of it.

    state    "unchanged": its lights give the white of `scenes`; else nothing of the memory is used
    scenes   scene -> its chroma (2,) on the memory's scale, for those that the proof covers
    map      chroma -> white, of the lights that were seen to be unchanged
    lights   end -> what became of it; words  sentences for a person
    offset   (2,) to add to tonight's chromaticities, None where the hall was not recognised; off  median distance from
             the remembered mixtures, chroma, NaN for none
    """

    state: Literal["unchanged", "changed", "unproven"]
    scenes: Mapping[int, F64] = field(default_factory=dict)
    map: WhiteMap | None = None
    lights: Mapping[str, LightState] = field(default_factory=dict)
    words: tuple[str, ...] = ()
    offset: F64 | None = None
    off: float = float("nan")


@dataclass(frozen=True)
class _Placed:
    """One scene against the memory: chroma (2,) on its scale, spread of what comparisons say, match of colours and
    tones; brighter  stops on the same surfaces, NaN where not known"""

    scene: int
    chroma: F64
    spread: float
    match: float
    brighter: float


def prove(tonight: Tonight, camera: RememberedCamera) -> Proof:
    """Whether the light of tonight's scenes is the remembered one. Conservative: what is not proven is not used."""
    frames = {i: len(tonight.light.scenes[i].names) for i in tonight.members}
    sample = _sample(tonight.members)
    placed = [_place(tonight, i, camera, reader) for reader in [_Reader(camera)] for i in sample]
    own = [p for p in placed if p.match >= PAIRS.same_surfaces and p.spread <= RULES.spread]
    seen = sum(frames[p.scene] for p in own) / max(sum(frames[i] for i in sample), 1)
    if not own or seen < RULES.recognised:
        return Proof(
            "unproven",
            words=(f"the hall is not recognised: {100 * seen:.0f} % of the frames show the remembered surfaces, and "
                   f"{100 * RULES.recognised:.0f} % are asked for; it is another hall, or its lamps are others",),
        )  # fmt: skip
    chroma = tonight.light.chromaticities
    offset = np.median([p.chroma - chroma[p.scene] for p in own], axis=0)
    own = [p for p in own if np.hypot(*(p.chroma - chroma[p.scene] - offset)) <= RULES.spread]
    if not own:
        return Proof("unproven", words=("tonight's bursts do not agree on how they compare with the remembered ones",))
    whites = white_map(camera)
    off = {p.scene: _beside(chroma[p.scene] + offset, whites, camera) for p in own}
    share = {p.scene: whites.shares(chroma[p.scene] + offset) for p in own}
    total = sum(frames[i] for i in off)
    beside = [i for i in off if off[i] > RULES.off]
    ends = [light.end for light in camera.lights]
    lights: dict[str, LightState] = {}
    doubts: list[str] = []
    for at, end in enumerate(ends):
        of = [p for p in own if share[p.scene][at] >= RULES.end and off[p.scene] <= RULES.off]
        lights[end] = "unchanged" if of else "not seen"
        why = _other_lamp(tonight, camera, at, [p.scene for p in of]) if of else ""
        if why:
            lights[end] = "changed"
            doubts.append(why)
    even = [p for p in own if frames[p.scene] >= EVENED] or own
    far = [p for p in even if np.isfinite(p.brighter) and abs(p.brighter) > RULES.dimmer]
    if sum(frames[p.scene] for p in far) > RULES.elsewhere * sum(frames[p.scene] for p in even):
        doubts.append(_dimmer(far, share, ends, lights))
    middle = float(np.median(list(off.values())))
    if sum(frames[i] for i in beside) > RULES.elsewhere * total:
        doubts.insert(0, _moved(beside, off, lights, frames))
    if doubts:
        return Proof("changed", lights=lights, words=tuple(doubts), offset=offset, off=middle)
    if "unchanged" not in lights.values():
        return Proof("unproven", lights=lights, offset=offset, off=middle, words=(
            "no burst stands in the light of one end alone, so that its lamps are not proven to be the same",
        ))  # fmt: skip
    against = _speaks_against(tonight, own, whites, offset)
    if against:
        return Proof("unproven", lights=lights, words=(against,), offset=offset, off=middle)
    known = [at for at, end in enumerate(ends) if lights[end] == "unchanged"]
    scenes = _covered(tonight, offset, whites, camera, known, set(beside), {p.scene for p in placed} - set(off))
    words = [
        f"the lamps are proven unchanged ({listed([e for e in ends if lights[e] == 'unchanged'])}): half of the bursts "
        f"within {_ratio(middle)} of the remembered lights ({_ratio(RULES.off)} is the limit)"
    ]
    unseen = [e for e in ends if lights[e] == "not seen"]
    if unseen:
        words.append(
            f"the light of {listed(unseen)} was not seen: nothing was photographed under it alone, or its lamps have "
            "become like those of another end, or are dead"
        )
    return Proof("unchanged", scenes, whites, lights, tuple(words), offset, middle)


def white_map(camera: RememberedCamera) -> WhiteMap:
    """Chroma of a light -> its white, as remembered."""
    lights = camera.lights
    return WhiteMap(
        np.array([one.chroma for one in lights], dtype=np.float64),
        np.array([one.white for one in lights], dtype=np.float64),
        tuple(None if one.matrix is None else np.array(one.matrix) for one in lights),
        tuple(one.end for one in lights),
    )


def _sample(members: Sequence[int]) -> list[int]:
    if len(members) <= RULES.most:
        return list(members)
    return [members[i] for i in np.unique(np.linspace(0, len(members) - 1, RULES.most).round().astype(int))]


class _Reader:
    """The remembered scenes, unpacked and transformed once."""

    def __init__(self, camera: RememberedCamera) -> None:
        self.chroma = np.array([one.chroma for one in camera.scenes], dtype=np.float64)
        self.gain = [one.gain for one in camera.scenes]
        self.aperture = [one.aperture for one in camera.scenes]
        self.colours = [palette.spectrum(_unit(unpacked(one.colours, CHROMA_SIZE))) for one in camera.scenes]
        self._tones = [one.tones for one in camera.scenes]
        self._read: dict[int, ToneSpectrum] = {}

    def tones(self, at: int) -> ToneSpectrum:
        if at not in self._read:
            self._read[at] = tone_spectrum(unpacked(self._tones[at], TONE_SIZE))
        return self._read[at]


def _unit(levels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> F64:
    """A histogram of unit energy, as palette.histogram."""
    found = levels.astype(np.float64)
    size = float(np.sqrt((found**2).sum()))
    return np.asarray(found / size if size > 0 else found)


def _place(tonight: Tonight, scene: int, camera: RememberedCamera, known: _Reader) -> _Placed:
    one = tonight.light.scenes[scene]
    own = palette.spectrum(np.asarray(one.chroma_histogram).astype(np.float64))
    shifts = [palette.register(own, other, PAIRS.reach) for other in known.colours]
    scores = [s.match * (1 - PAIRS.distance_cost * float(np.hypot(*s.step))) for s in shifts]
    best = shifts[int(np.argmax(scores))].match
    say = [r for r, s in enumerate(shifts) if s.match >= PAIRS.nearly_best * best]
    told = np.array([known.chroma[r] + shifts[r].step for r in say])
    weight = np.array(
        [shifts[r].match ** PAIRS.match_power / (PAIRS.nearness + float(np.hypot(*shifts[r].step))) for r in say]
    )
    weight = weight / max(float(weight.sum()), 1e-12)
    chroma = weight @ told
    spread = float(np.sqrt(weight @ ((told - chroma) ** 2).sum(axis=1)))
    tones = tone_spectrum(np.asarray(one.tone_histogram))
    match, stops = 0.0, []
    settings = tonight.settings.get(scene)
    for r in sorted(say, key=lambda r: -scores[r])[:4]:
        found = brighter(tones, known.tones(r), shifts[r].step)
        match = max(match, (shifts[r].match + found.match) / 2)
        gain = known.gain[r]
        alike = settings is not None and gain is not None and bool(settings.f_number) == known.aperture[r]
        if alike and settings is not None and gain is not None and np.hypot(*shifts[r].step) <= _NEAR:
            stops.append(found.stops - (settings.gain - gain))
    return _Placed(scene, chroma, spread, match, min(stops, key=abs, default=float("nan")))


def _beside(chroma: F64, whites: WhiteMap, camera: RememberedCamera) -> float:
    """Distance in chroma from the mixtures of any two lights, and from what was seen on the remembered night."""
    distances = [float(np.hypot(*(chroma - np.array(one.chroma)))) for one in camera.scenes]
    lights = np.exp(whites.chromaticities)
    distances += [float(np.hypot(*(chroma - light))) for light in whites.chromaticities]
    grid = np.linspace(-RULES.beyond, 1 + RULES.beyond, 200)[:, None]
    for i in range(len(lights)):
        for k in range(i):
            mixed = np.log(np.maximum(lights[i] + grid * (lights[k] - lights[i]), 1e-3))
            distances.append(float(np.hypot(*(mixed - chroma).T).min()))
    return min(distances)


def _other_lamp(tonight: Tonight, camera: RememberedCamera, at: int, scenes: Sequence[int]) -> str:
    """Why the flicker of these scenes is not that of a remembered light; "" where it may be."""
    light, hz = camera.lights[at], tonight.lamps.mains.hz
    if light.flicker is None or hz is None or camera.hz is None:
        return ""
    if hz != camera.hz:
        return f"lamps flicker at {hz} Hz, and at {camera.hz} Hz on the remembered night"
    found = tonight.lamps.of_scenes(scenes)
    if found is None or found.at_least:
        return ""
    if abs(found.percent - light.flicker) <= max(RULES.depth, RULES.depth_share * max(light.flicker, found.percent)):
        return ""
    return (
        f"the lamps of {light.end} flicker by {found.percent:.0f} %, on the remembered night by {light.flicker:.0f} %: "
        "they are of another kind"
    )


def _dimmer(
    far: Sequence[_Placed], share: Mapping[int, F64], ends: Sequence[str], lights: dict[str, LightState]
) -> str:
    stops = float(np.median([p.brighter for p in far]))
    at = int(np.argmax(np.sum([share[p.scene] for p in far], axis=0)))
    lights[ends[at]] = "changed"
    what = "darker: a lamp may be dead or dimmed" if stops < 0 else "brighter: lamps may have been changed or added"
    return f"the same surfaces in the light of {ends[at]} are {abs(stops):.1f} stops {what}"


def _moved(
    beside: Sequence[int], off: Mapping[int, float], lights: dict[str, LightState], frames: Mapping[int, int]
) -> str:
    unseen = [end for end, state in lights.items() if state == "not seen"]
    for end in unseen:
        lights[end] = "changed"
    where = f"the lamps of {listed(unseen)} have changed" if unseen else "lamps have changed"
    by = float(np.median([off[i] for i in beside]))
    return (
        f"{where}: {counted(sum(frames[i] for i in beside), 'frame')} lie {_ratio(by)} beside any mixture of the "
        f"remembered lights ({_ratio(RULES.off)} is the limit)"
    )


def _ratio(chroma: float) -> str:
    """A distance in log chroma (natural) as a photographer reads it: what red or blue is off against green."""
    return f"{100 * float(np.expm1(chroma)):.1f} % of red or blue against green"


def _speaks_against(tonight: Tonight, own: Sequence[_Placed], whites: WhiteMap, offset: F64) -> str:
    """Why the pictures' own white speaks against the remembered one; "" where it does not."""
    apart = [
        float(np.hypot(*(vote.white - whites.white(tonight.light.chromaticities[p.scene] + offset))))
        for p in own
        if (vote := tonight.votes[p.scene]).sure >= RULES.sure
    ]
    if not apart or float(np.median(apart)) <= RULES.white:
        return ""
    return (
        f"what surely looks white in the pictures lies {_ratio(float(np.median(apart)))} from the remembered white "
        f"({_ratio(RULES.white)} is the limit): it may be another hall"
    )


def _covered(
    tonight: Tonight, offset: F64, whites: WhiteMap, camera: RememberedCamera, known: Sequence[int],
    beside: set[int], unrecognised: set[int],
) -> dict[int, F64]:  # fmt: skip
    """The scenes that the proof covers: their light is a mixture of lights that were seen to be unchanged."""
    scenes = {}
    for i in tonight.members:
        chroma = tonight.light.chromaticities[i] + offset
        if i in beside or i in unrecognised or tonight.light.match[i] < PAIRS.nothing_shared:
            continue
        shares = whites.shares(chroma)
        if _beside(chroma, whites, camera) <= RULES.off and shares[list(known)].sum() >= RULES.end:
            scenes[i] = chroma
    return scenes
