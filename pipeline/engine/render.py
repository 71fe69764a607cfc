"""Phase three, render: (raw bytes, resolved recipe, solution) -> delivered files. Each frame alone, in any order."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.engine.earlier import Rendered, announce, text_key
from pipeline.engine.measure import CHANGED, GONE
from pipeline.engine.solve import Plan
from pipeline.engine.thumbs import before_thumb, jpeg, keep_before, large_thumb, shrunk_display
from pipeline.errors import FrameError
from pipeline.formats.jpeg_segments import scan_digest
from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.formats.metadata.model import Metadata
from pipeline.imaging.geometry import WHOLE, Box, box_to_pixels
from pipeline.imaging.memory import give_back_memory
from pipeline.imaging.raw.demosaic import FULL_ABOVE
from pipeline.imaging.raw.frame import DecodeOptions, PictureCorrection, SensorCorrection
from pipeline.imaging.shown_light import shown_light
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import FrameFacts
from pipeline.steps.base import ApplyContext, Solution
from pipeline.steps.decode import STEP as DECODE
from pipeline.steps.decode import decode
from pipeline.store.disk import move
from pipeline.store.files import write_atomic
from pipeline.store.keys import digest_json, environment
from pipeline.store.store import Store
from pipeline.types import F32, Frame, Image

# Decimals of the fractions of a window: half a pixel of a frame 5,000 wide, far less than the rim decoded around it.
_WINDOW_DIGITS = 4
_TRIED_EDGES = (0, 1, -1, 2, 3)  # pixels about the edge by proportion: rounding moves the sides of a crop by one or two
# Octets of a picture from which the memory that a step leaves is given back: of several so large the next finds no hole
# of its size, and emptying pages anew is little of the time that so many pixels take. `python -m tests.benchmark`.
_LARGE = 120_000_000


@dataclass(frozen=True, slots=True)
class Output:
    """One file to make. relative  posix path below OUT; metadata  None for no texts; key  see pixel_key."""

    delivery: Delivery
    relative: str
    metadata: Metadata | None
    key: str


@dataclass(frozen=True, slots=True)
class Job:
    """All that a render of one frame depends on.

    long_edge  of the decode, pixels, None for all; window  the part of the upright frame that is decoded
    solutions  by label of the step; thumbs  start of the names of its small pictures, "" for none
    to         a folder to write to in place of OUT, small pictures too
    seen       (octets, time of change in nanoseconds) of the frame's file when its digest was taken, None: not compared
    """

    out: Path
    frame: Frame
    row: FrameFacts
    long_edge: int | None
    shared: tuple[Bound, ...]
    outputs: tuple[Output, ...]
    solutions: Mapping[str, Solution]
    thumbs: str
    window: Box = WHOLE
    to: Path | None = None
    seen: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """An output that cannot be made, and why; the frame's other outputs are."""

    relative: str
    reason: str


@dataclass(frozen=True, slots=True)
class Moved:
    """A file that was not proven ours, and that was set aside for an output of the same path below OUT."""

    relative: str


def long_edge_needed(recipe: Recipe, plan: Plan, frame: str, full: tuple[int, int]) -> int | None:
    """Pixels of the longer side of the whole frame that are enough for every delivery; None for all of them.

    full  (height, width) of the upright frame. Where a crop is followed by a resize, the edge is chosen so that the
    crop comes out at exactly the delivered size, and no second interpolation softens it.
    """
    if any(b.step.every_pixel is not None and b.step.every_pixel(b.params) for b in recipe.steps):
        return None
    needed = 0
    for delivery in recipe.written:
        sized = next((b for b in delivery.steps if b.step.output_size is not None), None)
        if sized is None or sized.step.output_size is None:
            return None
        x0, y0, x1, y1 = box_to_pixels(kept_box(delivery, plan, frame, *full), *full)
        wanted = sized.step.output_size(sized.params, y1 - y0, x1 - x0)
        ratio = max(wanted) / max(y1 - y0, x1 - x0)
        edge = min(max(full), round(max(full) * ratio))
        for more in _TRIED_EDGES:
            candidate = edge + more
            h, w = (round(side * candidate / max(full)) for side in full)
            cx0, cy0, cx1, cy1 = box_to_pixels(kept_box(delivery, plan, frame, h, w), h, w)
            if max(cx1 - cx0, cy1 - cy0) == max(wanted):
                edge = candidate
                break
        else:
            edge += max(_TRIED_EDGES)  # a little too large: resize then brings it to size
        needed = max(needed, edge)
    return None if needed >= max(full) else needed


def window_needed(recipe: Recipe, plan: Plan, frame: Frame, full: tuple[int, int], edge: int | None) -> Box:
    """The part of the upright frame that any delivery needs, fractions; all of it where less would save no work.

    full  (height, width) of the upright frame; edge  as long_edge_needed gave it
    """
    if edge is not None and edge <= FULL_ABOVE * max(full):
        return WHOLE
    boxes = [_read(delivery, plan, frame.name, *full) for delivery in recipe.written]
    for bound in reversed(recipe.steps):
        solution = plan.of(bound.step.name, frame.name)
        if bound.step.reaches is not None and solution is not None:
            boxes = [bound.step.reaches(solution, frame, box, *full) for box in boxes]
    rounded = [[round(v, _WINDOW_DIGITS) for v in box] for box in boxes]
    x0, y0, x1, y1 = zip(*rounded, strict=True)
    return Box(max(min(x0), 0.0), max(min(y0), 0.0), min(max(x1), 1.0), min(max(y1), 1.0))


def kept_box(delivery: Delivery, plan: Plan, frame: str, height: int, width: int) -> Box:
    """What a delivery keeps of the upright frame, fractions, at a size in pixels."""
    for b in delivery.steps:
        if b.step.kept is not None:
            return b.step.kept(b.params, plan.of(delivery.label(b), frame), height, width)
    return WHOLE


def _read(delivery: Delivery, plan: Plan, frame: str, height: int, width: int) -> Box:
    """What a delivery needs decoded of the upright frame, fractions: more than it keeps where it turns the picture."""
    for b in delivery.steps:
        if b.step.reads is not None:
            return b.step.reads(b.params, plan.of(delivery.label(b), frame), height, width)
    return WHOLE


def pixel_key(
    digest: str,
    long_edge: int | None,
    window: Box,
    recipe: Recipe,
    delivery: Delivery,
    solutions: Mapping[str, Solution],
    metadata: Metadata | None,
) -> str:
    """Hash of everything that the encoded pixels depend on; the text of a caption is not part of it."""
    return digest_json(
        {
            "frame": digest,
            "edge": long_edge,
            "window": list(window),
            "steps": [
                bound.key(solutions.get(label), metadata)
                for label, bound in recipe.labelled(delivery)
                if bound.step.changes_pixels
            ],
            "on": environment(),
        }
    )


def render(job: Job) -> list[Rendered | Refused | Moved]:
    """Make every output of one frame; a file appears whole or not at all.

    Raises FrameError where the frame cannot be decoded, OSError where a file cannot be read or written.
    """
    # A frame that needs the full demosaic is denoised before it, if the recipe does so for all deliveries.
    early = next((b for b in job.shared if b.step.on_mosaic is not None), None)
    clean = None
    if early is not None and early.step.on_mosaic is not None:
        clean = early.step.on_mosaic(early.params, job.solutions.get(early.step.name))
    correction = job.solutions.get(DECODE.name)
    known = correction if isinstance(correction, SensorCorrection) else None
    picture = correction if isinstance(correction, PictureCorrection) else None
    with _held_still(job):
        decoded = decode(
            job.frame, job.long_edge, DecodeOptions(known, clean=clean, window=job.window, picture=picture)
        )
    image = decoded.image
    before = keep_before(Store(job.to or job.out), job.thumbs, decoded, job.frame.kind) if job.thumbs else None
    cleaned = decoded.cleaned
    del decoded  # a large picture is held once only
    if cleaned and early is not None and early.step.after_mosaic is not None:
        image = early.step.after_mosaic(image, early.params)
    for bound in job.shared:
        if not (cleaned and bound is early):
            image = _apply(image, bound, job, bound.step.name)
    made: list[Rendered | Refused | Moved] = []
    alike: dict[tuple[str, str], list[Output]] = {}  # of one picture with one text, made once
    for output in job.outputs:
        alike.setdefault((output.key, text_key(output.metadata)), []).append(output)
    # Each delivery takes the picture from here, the last one the list's own: it is then held no longer than needed.
    images = [image] * len(alike)
    large = image.pixels.nbytes > _LARGE
    del image
    for outputs in alike.values():
        delivery = outputs[0].delivery
        try:
            said = [
                b.step.off_mosaic(b.params, b in job.shared)
                for b in (*job.shared, *delivery.steps)
                if job.frame.kind == "raw" and b.step.off_mosaic is not None and not (cleaned and b is early)
            ]
            made += _deliver(job, images.pop(), outputs, said, before)
        except FrameError as error:
            made += [Refused(one.relative, f"{one.delivery.name}: {error}") for one in outputs]
    if large:
        give_back_memory()
    return made


@contextmanager
def _held_still(job: Job) -> Iterator[None]:
    """Raises FrameError where the frame's file is not the one that was measured, before or after the block: whom
    another picture shows, nobody has looked at."""
    try:
        yield
    except (FrameError, OSError):
        _refuse_changed(job)
        raise
    _refuse_changed(job)


def _refuse_changed(job: Job) -> None:
    if job.seen is None:
        return
    try:
        found = job.frame.path.stat()
    except FileNotFoundError:
        raise FrameError(GONE) from None
    if (found.st_size, found.st_mtime_ns) != job.seen:
        raise FrameError(CHANGED)


def _apply(image: Image, bound: Bound, job: Job, label: str) -> Image:
    if bound.step.apply is None:
        return image
    if image.pixels.nbytes > _LARGE:
        give_back_memory()
    return bound.step.apply(image, bound.params, ApplyContext(job.frame, job.row, job.solutions.get(label)))


def _deliver(
    job: Job, image: Image, outputs: Sequence[Output], said: Sequence[str], before: F32 | None
) -> list[Rendered | Moved]:
    """Make one file, and write it for each of the outputs, which are alike in pixels and texts.

    before  the whole frame as the camera balanced it, small, display; None where no small pictures are wanted
    """
    delivery, metadata = outputs[0].delivery, outputs[0].metadata
    for bound in delivery.steps:
        image = _apply(image, bound, job, delivery.label(bound))
    height, width = image.pixels.shape[:2]
    short = [b.step.shortfall(b.params, height, width) for b in delivery.steps if b.step.shortfall is not None]
    encode = delivery.encoder.step.encode
    assert encode is not None, "the last step of a delivery encodes"
    file = encode(image, delivery.encoder.params, metadata)
    notices = (*(text for text in (*said, *short) if text), *file.notices)
    thumb, light, light_before = "", None, None
    if before is not None:
        thumb = _thumb(job, delivery)
        small = shrunk_display(image.pixels)
        Store(job.to or job.out).put("thumbs", thumb, jpeg(small))
        light, light_before = shown_light(small), shown_light(_same_part(before, job, delivery))
    of = hashlib.sha256(file.data).hexdigest(), len(file.data), width, height, file.quality, file.scan, thumb, notices
    made: list[Rendered | Moved] = []
    for output in outputs:
        one = Rendered(output.relative, output.key, *of, light, light_before)
        if job.to is not None:
            aside = ""
            (job.to / output.relative).parent.mkdir(parents=True, exist_ok=True)
            write_atomic(job.to / output.relative, file.data)
        else:
            aside = put_delivered(Store(job.out), one, job.frame.name, metadata, file.data)
        made += [one, Moved(output.relative)] if aside else [one]
    return made


def put_delivered(store: Store, one: Rendered, frame: str, metadata: Metadata | None, data: bytes) -> str:
    """Record and write a delivered file. Where one that is not proven ours was set aside for it, a posix path below
    OUT, else "". Raises FrameError, OSError; what was set aside is then put back."""
    path = store.out / one.relative
    aside = announce(store, one, frame, metadata)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)  # after the record: none is made where OUT's disk was pulled
        write_atomic(path, data)
    except OSError:
        if aside:
            with suppress(OSError):
                move(store.out / aside, path)
        raise
    return aside


def _thumb(job: Job, delivery: Delivery) -> str:
    """Name of the small picture of what a delivery makes; the groups of a delivery have one and the same."""
    return f"{job.thumbs}.{delivery.written.name}.jpg"


def has_damaged_thumbs(store: Store, job: Job) -> bool:
    """Whether a small picture of a frame is there and is not what a render left; only a render makes it again."""
    names = [before_thumb(job.thumbs), large_thumb(job.thumbs)]
    names += [_thumb(job, output.delivery) for output in job.outputs]
    there = [name for name in names if job.thumbs and (store.work / "thumbs" / name).exists()]
    return any(store.get("thumbs", name) is None for name in there)


def rewrap(out: Path, relative: str, scan: str, metadata: Metadata | None) -> tuple[bytes, tuple[str, ...]] | None:
    """(bytes of the delivered JPEG with new metadata around the same scan data, notices); None where the file is no
    longer the one whose scan data had the digest `scan`, or `metadata` is None."""
    try:
        data = (out / relative).read_bytes()
    except OSError:
        return None
    if not scan or scan_digest(data) != scan:
        return None
    return embed_jpeg(data, metadata) if metadata is not None else None


def _same_part(before: F32, job: Job, delivery: Delivery) -> F32:
    """The part of the whole frame `before` (H, W, 3) that a delivery shows, but for a turn of some degrees."""
    height, width = before.shape[:2]
    for bound in delivery.steps:
        if bound.step.kept is not None:
            box = bound.step.kept(bound.params, job.solutions.get(delivery.label(bound)), height, width)
            x0, y0, x1, y1 = box_to_pixels(box, height, width)
            return before[y0:y1, x0:x1]
    return before
