"""The small pictures of the report, kept in OUT/.work/thumbs: before, larger before, and of each delivery after."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import PIL.Image

from pipeline.engine.measure import read_measured, read_proxy
from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.imaging.raw.frame import DecodedFrame
from pipeline.imaging.resample import resize
from pipeline.imaging.shown_light import ShownLight, shown_light
from pipeline.light.highlights import rebuild_highlights
from pipeline.steps import white_balance
from pipeline.steps.decode import decode
from pipeline.steps.tone import ToneParams, displayed
from pipeline.store.store import Store
from pipeline.types import F32, F64, Frame, Image

THUMB_EDGE = 320  # pixels of the longer side of a small picture
LARGE_EDGE = 1280  # of the picture before that is shown large: as large as most screens show it beside its facts
_QUALITY = 80  # of the JPEG; chosen by eye, decides no delivered picture
_STRIP = 256  # rows


def before_thumb(thumbs: str) -> str:
    """Name of the small picture before. thumbs  as of render.Job"""
    return f"{thumbs}.before.jpg"


def large_thumb(thumbs: str) -> str:
    """Name of the larger picture before. thumbs  as of render.Job"""
    return f"{thumbs}.large.jpg"


def keep_before(store: Store, thumbs: str, decoded: DecodedFrame, kind: str) -> F32:
    """The frame as the camera balanced it, small, display sRGB (H, W, 3); that, and a larger one, are kept.

    thumbs  as of render.Job; kind  as of Frame. Raises OSError.
    """
    whole, balance = decoded.overview or decoded.image, decoded.camera_balance
    small = _before(whole, balance, kind)
    store.put("thumbs", before_thumb(thumbs), jpeg(small))
    store.put("thumbs", large_thumb(thumbs), jpeg(_before(whole, balance, kind, LARGE_EDGE)))
    return small


def proxy_thumb(key: str) -> str:
    """Name of the small picture that `thumb_of_proxy` makes of the frame of this measure key."""
    return f"{key[:32]}.jpg"


def make_proxy_thumb(task: tuple[Path, str, str]) -> str:
    """As thumb_of_proxy, for a worker. task  OUT, the frame's measure key, its kind"""
    return thumb_of_proxy(Store(task[0]), *task[1:])


def thumb_of_proxy(store: Store, key: str, kind: str) -> str:
    """Name of the small picture of a frame that is not rendered, made from its proxy. kind  as of Frame. Raises
    FrameError."""
    name = proxy_thumb(key)
    if store.get("thumbs", name) is None:
        balance = read_measured(store, key, white_balance.STEP).camera_balance
        store.put("thumbs", name, jpeg(_before(read_proxy(store, key), balance, kind)))
    return name


def light_of_thumb(store: Store, name: str) -> ShownLight | None:
    """How bright the small picture of this name is; None where there is none, or it cannot tell."""
    data = store.get("thumbs", name)
    if data is None:
        return None
    with PIL.Image.open(io.BytesIO(data)) as picture:
        return shown_light(np.asarray(picture.convert("RGB"), dtype=np.float32) / np.float32(255))


def whole_before(frame: Frame, edge: int) -> bytes:
    """The whole frame as the camera balanced it, upright, JPEG, at most `edge` pixels on its longer side.

    Raises FrameError, OSError where the file cannot be read.
    """
    decoded = decode(frame, edge)
    return jpeg(_before(decoded.image, decoded.camera_balance, frame.kind, edge))


def _before(image: Image, gains: F64, kind: str, edge: int = THUMB_EDGE) -> F32:
    """The picture as the camera balanced it, its longer side `edge` pixels or fewer, display sRGB, with the tone step's
    defaults."""
    small = shrunk(image.pixels, edge)
    balanced = rebuild_highlights(small * gains.astype(np.float32), image.saturation * gains)
    return displayed(replace(image, pixels=balanced), ToneParams.model_validate({}), finished=kind != "raw").pixels


def shrunk(pixels: F32, edge: int = THUMB_EDGE) -> F32:
    """Linear pixels (H, W, 3), the longer side `edge` or fewer."""
    return resize(pixels, *_size(pixels, edge))


def shrunk_display(display: F32) -> F32:
    """A finished picture (H, W, 3), sRGB from 0 to 1, small. Its light is averaged, as that of the picture before is:
    the mean of codes is darker wherever small things differ, by 0.1 EV in a hall with a crowd."""
    height, width = _size(display, THUMB_EDGE)
    codes = len(_linear_of_codes()) - 1
    narrow = []
    for top in range(0, len(display), _STRIP):  # a few rows at a time: a print has 24 megapixels and more
        strip = np.clip(display[top : top + _STRIP], 0, 1) * np.float32(codes) + np.float32(0.5)
        light = _linear_of_codes()[strip.astype(np.uint16)]
        narrow.append(resize(light, len(light), width))
    return srgb_encode(resize(np.concatenate(narrow), height, width)).astype(np.float32)


@lru_cache(maxsize=1)
def _linear_of_codes() -> F32:
    return srgb_decode(np.linspace(0, 1, 4096, dtype=np.float32))


def _size(pixels: F32, edge: int) -> tuple[int, int]:
    """Height and width of pixels (H, W, 3) when the longer side is `edge` or less."""
    height, width = pixels.shape[:2]
    scale = min(1.0, edge / max(height, width))
    return max(1, round(height * scale)), max(1, round(width * scale))


def jpeg(display: F32) -> bytes:
    """A picture (H, W, 3), display values from 0 to 1, as JPEG."""
    small = (np.clip(display, 0, 1) * 255 + 0.5).astype(np.uint8)
    buffer = io.BytesIO()
    PIL.Image.fromarray(small, "RGB").save(buffer, "JPEG", quality=_QUALITY)
    return buffer.getvalue()
