"""Frames that look like a grey card or a colour chart, for a person to confirm as references."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from pipeline.engine.measure import MEASURED_EDGE, MeasuredFrame, octets, read_measured, read_proxy
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.references import measure_references
from pipeline.shoot.facts import Facts, Reference
from pipeline.steps import white_balance
from pipeline.steps.base import camera_of
from pipeline.steps.decode import decode
from pipeline.store.keys import digest_json, environment
from pipeline.store.records import is_record
from pipeline.store.store import Store
from pipeline.types import F32, F64, Burst, Frame, Image
from pipeline.workers.executors import Workers, map_unordered

_KIND = "references"
_VERSION = 1  # raised when the same frame may show something else
_GREY = 20  # neutral 6.5 of the chart


@dataclass(frozen=True)
class ProposalRules:
    """When a frame is proposed. Chosen by trial on photographs and drawn halls with and without cards, no source:
    MEASURED.md under "White without a reference"."""

    enlarged: int = 2  # times that the proxy is enlarged for the first look, which then finds smaller charts
    # A card is photographed once or a few times, play in bursts: frames of a burst from which on a rectangle is a board
    # or a shirt. A chart is known by its colours, and proposed from any burst.
    most_frames: int = 5
    least_card: float = 0.01  # share of the frame that the box in a card takes: boards and shirts afar are smaller
    central: float = (
        0.25  # share of a side, within which its middle lies from the frame's: it was held up for the camera
    )
    same_light: float = 0.08  # chroma of white, within which two frames say the same of the light
    most_lights: int = 4  # proposals for each camera; a hall has two ends


RULES = ProposalRules()


@dataclass(frozen=True)
class Proposal:
    """A frame that may be a reference.

    kind   "chart" or "card"; patch  a box on its grey, in fractions of the upright frame
    why    why it cannot be used after all, "" where it can
    white  (log R/G, log B/G) of its white against daylight; area  of the whole of it, as a share of the frame
    alike  names of other frames of the same camera that show the same light; camera  whose white it is
    """

    frame: str
    kind: str
    patch: Box
    why: str
    white: tuple[float, float] = (0.0, 0.0)
    area: float = 0.0
    alike: tuple[str, ...] = ()
    camera: str = ""


@dataclass(frozen=True)
class _Kept:
    """What is kept of a frame: what it shows, None where that is nothing. By its bytes, so without its name."""

    shown: Proposal | None


@dataclass(frozen=True)
class _Task:
    out: Path
    frame: Frame
    measured: str  # key of its measurements
    cards: bool

    @property
    def key(self) -> str:
        of = {"measured": self.measured, "cards": self.cards, "kind": self.frame.kind, "rules": asdict(RULES)}
        turned = self.frame.exif.orientation
        return digest_json({**of, "turned": turned, "version": _VERSION, "on": environment()})


def reference_proposals(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    workers: Workers,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[Proposal, ...]:
    """The best frame for each camera and light, charts before cards; then those with a chart that cannot be used.

    Looks at the middle frame of each burst: at its proxy, and where that shows something, at the frame again. What is
    found is kept in the store and the cache behind it. workers  as for map_unordered

    progress  called with frames looked at, frames in all

    Raises OSError where the disk is full.
    """
    by_name = {one.frame.name: one for one in measured_frames if not one.error}
    tasks = []
    for burst in bursts:
        group = [by_name[name] for name in burst.frames if name in by_name]
        if group:
            middle = group[len(group) // 2]
            tasks.append(_Task(store.out, middle.frame, middle.key, len(group) <= RULES.most_frames))
    waiting = [task for task in tasks if store.shared(_KIND, task.key, partial(is_record, _Kept)) is None]
    for done, (index, result) in enumerate(map_unordered(_look, waiting, workers, size=octets), 1):
        task = waiting[index]
        progress(done, len(waiting))
        if isinstance(result, Exception):
            continue  # a frame that cannot be read again is no reference
        store.put_record(_KIND, task.key, _Kept, result)
        if store.is_as_read(task.frame):  # else it may be what other bytes show
            store.share(_KIND, task.key)
    kept = [(task.frame, store.record(_KIND, task.key, _Kept)) for task in tasks]
    return best_of_each_light(
        [replace(one.shown, frame=of.name, camera=camera_of(of)) for of, one in kept if one and one.shown]
    )


def may_show_references(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    workers: Workers,
) -> tuple[str, ...]:
    """Names of the frames that may show a card or a chart, in the order they were found, where facts name none at all:
    a person who has named some has looked. Raises as `reference_proposals`."""
    if facts.references:
        return ()
    found = reference_proposals(store, measured_frames, bursts, workers)
    return tuple(dict.fromkeys(name for one in found for name in (one.frame, *one.alike)))


def best_of_each_light(found: Sequence[Proposal]) -> tuple[Proposal, ...]:
    """The proposals to show, of those `found` in the order of the shoot."""
    usable = sorted((one for one in found if not one.why), key=lambda one: (one.kind != "chart", -one.area))
    best: dict[str, list[Proposal]] = {}
    for one in usable:
        some = best.setdefault(one.camera, [])
        at = next((n for n, other in enumerate(some) if math.dist(one.white, other.white) < RULES.same_light), None)
        if at is None:
            some.append(one)
        else:
            some[at] = replace(some[at], alike=(*some[at].alike, one.frame))
    shown = {one.frame: one for some in best.values() for one in some[: RULES.most_lights]}
    order = [shown[one.frame] for one in found if one.frame in shown]
    return (*order, *(one for one in found if one.why))


def _look(task: _Task) -> _Kept:
    import cv2

    store = Store(task.out)
    proxy = read_proxy(store, task.measured)
    daylight = read_measured(store, task.measured, white_balance.STEP).daylight
    size = (proxy.pixels.shape[1] * RULES.enlarged, proxy.pixels.shape[0] * RULES.enlarged)
    larger = np.maximum(cv2.resize(proxy.pixels, size, interpolation=cv2.INTER_CUBIC), 0)
    if not _shows(replace(proxy, pixels=larger), daylight, task.cards):
        return _Kept(None)
    return _Kept(_shown(task, daylight))


def _shown(task: _Task, daylight: F64) -> Proposal | None:
    """What a frame shows at the size at which references are measured."""
    from pipeline.light.chart.card import find_card
    from pipeline.light.chart.find import find_chart

    image = decode(task.frame, MEASURED_EDGE).image
    corners = find_chart(image.pixels)
    if corners is not None:
        return _proposal(task.frame, "chart", _grey_of(corners), _area(corners), corners, image, daylight)
    box = find_card(image.pixels, image.saturation, daylight) if task.cards else None
    if box is None:
        return None
    area = (box.x1 - box.x0) * (box.y1 - box.y0)
    off = max(abs(box.x0 + box.x1 - 1), abs(box.y0 + box.y1 - 1)) / 2
    if area < RULES.least_card or off > RULES.central:
        return None
    found = _proposal(task.frame, "card", box, area, None, image, daylight)
    return None if found.why else found


def _shows(image: Image, daylight: F64, cards: bool) -> bool:
    from pipeline.light.chart.card import find_card
    from pipeline.light.chart.find import find_chart

    pixels: F32 = image.pixels
    if find_chart(pixels) is not None:
        return True
    return cards and find_card(pixels, image.saturation, daylight) is not None


def _proposal(
    frame: Frame, kind: str, patch: Box, area: float, corners: F64 | None, image: Image, daylight: F64
) -> Proposal:
    """What white_balance would make of it."""
    rendered = frame.kind == "picture"
    if corners is None:
        reference = Reference(frame.name, patch)
    else:
        one, two, three, four = ((float(x), float(y)) for x, y in corners)
        reference = Reference(frame.name, chart=(one, two, three, four))
    shown = measure_references(image, [reference], daylight, Orientation(frame.exif.orientation), rendered)
    if shown.reasons[0]:
        return Proposal("", kind, patch, shown.reasons[0])
    white = np.log(shown.whites[0] * daylight)
    return Proposal("", kind, patch, "", (float(white[0] - white[1]), float(white[2] - white[1])), area)


def _grey_of(corners: F64) -> Box:
    """A box on the grey patch of a chart, clear of its rim however the chart is turned."""
    from pipeline.light.chart.values import half_side, mapped, places, to_area

    half = 0.5 * half_side()
    around = mapped(to_area(corners), places()[_GREY] + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))
    middle = around.mean(axis=0)
    x, y = np.abs(around - middle).mean(axis=0)
    return Box(float(middle[0] - x), float(middle[1] - y), float(middle[0] + x), float(middle[1] + y))


def _area(corners: F64) -> float:
    x, y = corners.T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)
