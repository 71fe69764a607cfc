"""Numbers on shirts, read by a network for printed text: PP-OCR as packed by `rapidocr`, the optional extra "numbers".

It reads a sharp number nearly always, and is confidently wrong on a blurred one: what it says is worth something only
where several frames say the same. See shoot.numbers for that.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box

TALL = 256  # pixels that the longer side of a torso is brought to: digits are then about as tall as the network knows
_LARGER = 512  # for a second look, where nothing was found in the first
_FOUND, _DARK = 0.4, 0.2  # certainty from which a place is taken for one of text; its threshold for single pixels
_ROOM = ((0.10, 0.02), (0.25, 0.10))  # beside and above a number, in its heights; both readings must say the same
_MOST_DIGITS = 2


@dataclass(frozen=True)
class Reading:
    """A number in a picture: its digits, certainty 0 to 1, and box in fractions of the picture."""

    digits: str
    sure: float
    box: Box


def available() -> str:
    """What is missing for reading numbers and what to do; empty where nothing is."""
    if find_spec("rapidocr") is None or find_spec("onnxruntime") is None:
        return "shirt numbers need a further package; install it with: pip install 'evencourt[numbers]'"
    if None in _models():
        return "the installed rapidocr brings no model files; install it anew with: pip install -U 'evencourt[numbers]'"
    return ""


def read_numbers(picture: NDArray[np.uint8]) -> list[Reading]:
    """Numbers of one or two digits in a BGR picture of a torso, 8 bit; where both looks at a place agree.

    Needs what `available` asks for.
    """
    for tall in (TALL, _LARGER):
        found = _look(picture, tall)
        if found:
            return found
    return []


def _look(picture: NDArray[np.uint8], tall: int) -> list[Reading]:
    height, width = picture.shape[:2]
    scale = tall / max(height, width)
    size = (max(16, round(width * scale)), max(16, round(height * scale)))
    sized = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    places = _reader()(sized, use_det=True, use_cls=False, use_rec=False, box_thresh=_FOUND).boxes
    readings = []
    for corners in () if places is None else places:
        # The upright box, not the turned one of the corners: a lone 7 or 1 has no direction to turn it by.
        (x0, y0), (x1, y1) = np.min(corners, axis=0), np.max(corners, axis=0)
        read = [_read(_part(sized, x0, y0, x1, y1, beside, above)) for beside, above in _ROOM]
        digits = read[0][0]
        if 0 < len(digits) <= _MOST_DIGITS and digits.isascii() and digits.isdigit() and digits == read[1][0]:
            box = Box(float(x0) / size[0], float(y0) / size[1], float(x1) / size[0], float(y1) / size[1])
            readings.append(Reading(digits, min(sure for _, sure in read), box))
    return readings


def _part(picture: Any, x0: float, y0: float, x1: float, y1: float, beside: float, above: float) -> Any:
    tall = y1 - y0
    top, left = max(0, int(y0 - above * tall)), max(0, int(x0 - beside * tall))
    return picture[top : int(y1 + above * tall) + 1, left : int(x1 + beside * tall) + 1]


def _read(picture: Any) -> tuple[str, float]:
    said = _reader()(picture, use_det=False, use_cls=False, use_rec=True)
    return (str(said.txts[0]).strip(), float(said.scores[0])) if said.txts else ("", 0.0)


def _models() -> tuple[Path | None, Path | None]:
    """The files for finding and for reading text that came with the package: nothing is fetched for this."""
    spec = find_spec("rapidocr")
    folder = Path(spec.origin).parent / "models" if spec is not None and spec.origin else Path()
    first = [next(iter(sorted(folder.glob(f"*_{kind}_*.onnx"))), None) for kind in ("det", "rec")]
    return first[0], first[1]


@lru_cache(maxsize=1)
def _reader() -> Any:
    det, rec = _models()
    threads = "EngineConfig.onnxruntime.{}_op_num_threads"
    return importlib.import_module("rapidocr").RapidOCR(
        params={
            "Global.log_level": "critical",
            "Global.text_score": 0.0,
            "Global.use_cls": False,
            "Det.model_path": str(det),
            "Det.limit_side_len": _LARGER,
            "Det.limit_type": "max",
            "Det.thresh": _DARK,
            "Rec.model_path": str(rec),
            # One thread a process, as everywhere: frames are the unit of parallel work.
            threads.format("intra"): 1,
            threads.format("inter"): 1,
        }
    )
