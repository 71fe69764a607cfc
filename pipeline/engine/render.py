"""Phase three: (raw bytes, resolved recipe, solution) -> delivered files. Pure per frame, any machine, any order."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image

from pipeline.engine.measure import read_measured, read_proxy
from pipeline.engine.solve import Plan
from pipeline.errors import FrameError
from pipeline.formats.jpeg_segments import scan_digest
from pipeline.formats.metadata.embed import embed_jpeg, metadata_size
from pipeline.formats.metadata.model import Metadata
from pipeline.formats.tiff import encode_tiff
from pipeline.imaging import tone as tone_curve
from pipeline.imaging.geometry import WHOLE, Box, box_to_pixels
from pipeline.imaging.raw.demosaic import AHD_ABOVE
from pipeline.imaging.resample import resize
from pipeline.light.highlights import rebuild_highlights
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import FrameFacts
from pipeline.steps import crop
from pipeline.steps import denoise as denoise_step
from pipeline.steps import resize as resize_step
from pipeline.steps.base import ApplyContext, Solution
from pipeline.steps.decode import correction_of, decode
from pipeline.steps.save import encode_jpeg
from pipeline.store.files import write_atomic
from pipeline.store.keys import digest_json, environment
from pipeline.store.store import Store
from pipeline.types import Frame, Image

THUMB_EDGE = 320
_NO_PIXELS = ("caption", "select")  # steps that change none
# Metadata is budgeted in steps, so that a longer caption seldom changes the pixels of a file that must fit.
_BUDGET = 4096


@dataclass(frozen=True)
class Output:
    """One file to make: where, from which delivery, with which metadata, under which pixel key."""

    delivery: Delivery
    relative: str
    metadata: Metadata | None
    key: str


@dataclass(frozen=True)
class Job:
    """All that a render depends on."""

    out: Path
    frame: Frame
    row: FrameFacts
    long_edge: int | None
    shared: tuple[Bound, ...]
    outputs: tuple[Output, ...]
    solutions: Mapping[str, Solution]
    thumbs: str
    window: Box = WHOLE  # of the upright frame: nothing outside is delivered
    to: Path | None = None  # write here instead of OUT (verify)


@dataclass(frozen=True)
class Rendered:
    """What became of one output."""

    relative: str
    key: str
    sha256: str
    bytes: int
    width: int
    height: int
    quality: int
    scan: str
    thumb: str
    notices: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Refused:
    """An output that cannot be made, and why; the frame's other outputs are."""

    relative: str
    reason: str


def long_edge_needed(recipe: Recipe, plan: Plan, frame: str, full: tuple[int, int]) -> int | None:
    """Pixels of the longer side of the whole frame that serve every delivery; None for all of them.

    Where a crop is followed by a resize, an edge is sought at which the crop comes out at exactly the
    delivered size, so that no second interpolation softens it.
    """
    if any(b.step.name == "decode" and getattr(b.params, "size", "") == "full" for b in recipe.steps):
        return None
    needed = 0
    for delivery in recipe.deliveries:
        bounds = {b.step.name: b for b in delivery.steps}
        if "resize" not in bounds:
            return None
        cut, solution = bounds.get("crop"), plan.of(f"{delivery.name}/crop", frame)
        x0, y0, x1, y1 = box_to_pixels(_box(cut, solution, *full), *full)
        wanted = resize_step.output_size(bounds["resize"].params, y1 - y0, x1 - x0)  # type: ignore[arg-type]
        ratio = max(wanted) / max(y1 - y0, x1 - x0)
        edge = min(max(full), round(max(full) * ratio))
        for candidate in (edge, edge + 1, edge - 1, edge + 2, edge + 3):
            h, w = (round(side * candidate / max(full)) for side in full)
            cx0, cy0, cx1, cy1 = box_to_pixels(_box(cut, solution, h, w), h, w)
            if max(cx1 - cx0, cy1 - cy0) == max(wanted):
                edge = candidate
                break
        else:
            edge += 3  # a touch too large: resize then brings it to size
        needed = max(needed, edge)
    return None if needed >= max(full) else needed


def window_needed(recipe: Recipe, plan: Plan, frame: str, full: tuple[int, int], edge: int | None) -> Box:
    """The part of the upright frame that any delivery shows, where that saves work; all of it where one is turned."""
    if edge is not None and edge <= AHD_ABOVE * max(full):
        return WHOLE
    boxes = []
    for delivery in recipe.deliveries:
        cut = next((b for b in delivery.steps if b.step.name == "crop"), None)
        solution = plan.of(f"{delivery.name}/crop", frame)
        boxes.append(WHOLE if solution.get("turned") else _box(cut, solution, *full))
    rounded = [[round(v, 4) for v in box] for box in boxes]
    x0, y0, x1, y1 = zip(*rounded, strict=True)
    return Box(max(min(x0), 0.0), max(min(y0), 0.0), min(max(x1), 1.0), min(max(y1), 1.0))


def _box(cut: Bound | None, solution: Solution, height: int, width: int) -> Box:
    """The crop's box at a size; it differs in the last pixel, since its aspect is one of whole pixels."""
    if cut is None:
        return WHOLE
    return crop.box_for(cut.params, solution, height, width)  # type: ignore[arg-type]


def pixel_key(
    digest: str,
    long_edge: int | None,
    window: Box,
    shared: Sequence[Bound],
    delivery: Delivery,
    solutions: Mapping[str, Solution],
    metadata: Metadata | None,
) -> str:
    """Hash of everything the encoded pixels depend on; the text of the caption is not among it."""
    steps: list[Any] = [
        [b.step.name, b.step.version, b.params.model_dump(mode="json"), dict(solutions.get(b.step.name, {}))]
        for b in shared
        if b.step.name not in _NO_PIXELS
    ]
    for b in delivery.steps:
        if b.step.name not in _NO_PIXELS:
            solution = dict(solutions.get(f"{delivery.name}/{b.step.name}", {}))
            # A file's name is none of its pixels.
            params = b.params.model_dump(mode="json", exclude={"name"} if b.step.name == "save" else None)
            steps.append([b.step.name, b.step.version, params, solution])
    save = delivery.save
    if save.format == "tiff":  # a TIFF is written whole, text included
        steps.append(repr(metadata))
    elif save.at_most:
        steps.append(_reserve(metadata))
    return digest_json(
        {
            "frame": digest,
            "edge": long_edge,
            "window": list(window),
            "steps": steps,
            "on": environment(),
        }
    )


def _reserve(metadata: Metadata | None) -> int:
    return 0 if metadata is None else -(-metadata_size(metadata) // _BUDGET) * _BUDGET


def render(job: Job) -> list[Rendered | Refused]:
    """Make every output of one frame. Raises FrameError or OSError; files appear whole or not at all."""
    # A frame that needs the full demosaic is denoised before it, if the recipe does so for all deliveries.
    shared: Any = next((b.params for b in job.shared if b.step.name == "denoise"), None)
    clean = denoise_step.clean_of(shared) if shared is not None else None
    decoded = decode(
        job.frame, job.long_edge, correction_of(job.solutions.get("decode", {})), clean=clean, window=job.window
    )
    image = denoise_step.done(decoded.image, shared) if decoded.cleaned else decoded.image
    if job.thumbs:
        _thumb_before(job, image, decoded.as_shot if decoded.as_shot is not None else decoded.daylight)
    for bound in job.shared:
        if not (decoded.cleaned and bound.step.name == "denoise"):
            image = _apply(image, bound, job, bound.step.name)
    made: list[Rendered | Refused] = []
    for output in job.outputs:
        try:
            made.append(_deliver(job, image, output))
        except FrameError as error:
            made.append(Refused(output.relative, f"{output.delivery.name}: {error}"))
    return made


def _apply(image: Image, bound: Bound, job: Job, label: str) -> Image:
    if bound.step.apply is None:
        return image
    return bound.step.apply(image, bound.params, ApplyContext(job.frame, job.row, job.solutions.get(label, {})))


def _deliver(job: Job, image: Image, output: Output) -> Rendered:
    delivery = output.delivery
    for bound in delivery.steps:
        image = _apply(image, bound, job, f"{delivery.name}/{bound.step.name}")
    save = delivery.save
    notices: tuple[str, ...] = ()
    quality = 0
    height, width = image.pixels.shape[:2]
    asked = next((getattr(b.params, "long_edge", None) for b in delivery.steps if b.step.name == "resize"), None)
    if asked is not None and max(height, width) < asked:
        notices = (f"shorter than the {asked} pixels asked for: the frame, or its crop, holds no more",)
    if save.format == "tiff":
        data, cut = encode_tiff(image.pixels, output.metadata)
        scan, notices = "", notices + cut
    else:
        encoded = encode_jpeg(image, save, _reserve(output.metadata))
        data, quality, scan = encoded.data, encoded.quality, scan_digest(encoded.data)
        if quality < save.quality:
            notices += (f"quality {quality} instead of {save.quality} to stay within {save.at_most}",)
        if output.metadata is not None:
            data, cut = embed_jpeg(data, output.metadata)
            notices += cut
    path = (job.to or job.out) / output.relative
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(path, data)
    thumb = ""
    if job.thumbs:
        thumb = f"{job.thumbs}.{delivery.name}.jpg"
        Store(job.out).put("thumbs", thumb, _jpeg(image.pixels))
    digest = hashlib.sha256(data).hexdigest()
    return Rendered(output.relative, output.key, digest, len(data), width, height, quality, scan, thumb, notices)


def rewrap(out: Path, relative: str, scan: str, metadata: Metadata | None) -> tuple[bytes, tuple[str, ...]] | None:
    """The delivered JPEG with new metadata and the very same scan data; None when its pixels are not the ones made."""
    try:
        data = (out / relative).read_bytes()
    except OSError:
        return None
    if not scan or scan_digest(data) != scan:
        return None
    return embed_jpeg(data, metadata) if metadata is not None else None


def thumb_of_proxy(store: Store, key: str) -> str:
    """The name of a small picture of a frame that is not rendered, made from its kept proxy."""
    name = f"{key[:32]}.jpg"
    if store.get("thumbs", name) is None:
        measured = read_measured(store, key, "white_balance")
        balance = measured["as_shot"] if measured["as_shot"].any() else measured["daylight"]
        store.put("thumbs", name, _jpeg(_before(read_proxy(store, key), balance)))
    return name


def _thumb_before(job: Job, image: Image, balance: Any) -> None:
    Store(job.out).put("thumbs", f"{job.thumbs}.before.jpg", _jpeg(_before(image, balance)))


def _before(image: Image, balance: Any) -> Any:
    """The picture as the camera balanced it, for the display."""
    small = _shrink(image.pixels)
    gains = np.asarray(balance, dtype=np.float64)
    balanced = rebuild_highlights(small * gains.astype(np.float32), image.saturation * gains)
    return tone_curve.render(balanced, image.to_working, 0.0, 0.55, 3.0, 1.0)


def _shrink(pixels: Any) -> Any:
    height, width = pixels.shape[:2]
    scale = min(1.0, THUMB_EDGE / max(height, width))
    return resize(pixels, max(1, round(height * scale)), max(1, round(width * scale)))


def _jpeg(display: Any) -> bytes:
    small = (np.clip(_shrink(display), 0, 1) * 255 + 0.5).astype(np.uint8)
    buffer = io.BytesIO()
    PIL.Image.fromarray(small, "RGB").save(buffer, "JPEG", quality=80)
    return buffer.getvalue()
