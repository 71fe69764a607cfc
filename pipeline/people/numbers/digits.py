"""Numbers on shirts, read by a network for printed text: PP-OCR as packed by `rapidocr`, the optional extra "numbers".

It reads a sharp number nearly always, and is confidently wrong on a blurred one: a reading is worth something only
where several frames say the same, see people.numbers.jersey_numbers.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box
from pipeline.textfile.messages import install


@dataclass(frozen=True)
class Digits:
    """How a torso is given to the network. Chosen by eye on shoots of the generator and checked with
    `python -m tests.people.test_numbers FOLDER...`."""

    edge: int = 256  # pixels of the torso's longer side: digits are then about as tall as the network knows them
    larger_edge: int = 512  # for a second look, where nothing was found in the first
    smallest: int = 16  # pixels of the shorter side, which the network needs
    found: float = 0.4  # certainty from which a place is taken for one of text
    dark: float = 0.2  # its threshold for single pixels
    # Room beside and above a number, in its heights; the readings with both must agree.
    room: tuple[tuple[float, float], ...] = ((0.10, 0.02), (0.25, 0.10))
    most: int = 2  # digits; handball numbers go to 99 (IHF rules of the game, rule 4, from memory)


DIGITS = Digits()


@dataclass(frozen=True)
class Reading:
    """A number in a picture: its digits, certainty 0 to 1, and box in fractions of the picture."""

    digits: str
    sure: float
    box: Box


def available() -> str:
    """What is missing for reading numbers and how to get it; empty where nothing is missing."""
    if find_spec("rapidocr") is None or find_spec("onnxruntime") is None:
        return f"jersey numbers need a further package; install it with: {install('numbers')}"
    if None in _models():
        return f"the installed rapidocr brings no model files; uninstall it, then: {install('numbers')}"
    return ""


def reader() -> list[str]:
    """What reads: the packages, whose wheels bring the network, with their versions."""
    return [f"{name} {version(name)}" for name in ("rapidocr", "onnxruntime")]


def read_numbers(picture: NDArray[np.uint8]) -> list[Reading]:
    """Numbers of one or two digits in a BGR picture (H, W, 3) of a torso, 8 bit, where two readings of a place agree.

    Raises ImportError where `available` names a missing package.
    """
    for edge in (DIGITS.edge, DIGITS.larger_edge):
        found = _read_at(picture, edge)
        if found:
            return found
    return []


def _read_at(picture: NDArray[np.uint8], edge: int) -> list[Reading]:
    height, width = picture.shape[:2]
    scale = edge / max(height, width)
    size = (max(DIGITS.smallest, round(width * scale)), max(DIGITS.smallest, round(height * scale)))
    sized = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    places = _reader()(sized, use_det=True, use_cls=False, use_rec=False, box_thresh=DIGITS.found).boxes
    readings = []
    for corners in () if places is None else places:
        # The upright box, not the turned one of the corners: a lone 7 or 1 has no direction to turn it by.
        (x0, y0), (x1, y1) = np.min(corners, axis=0), np.max(corners, axis=0)
        read = [_read(_part(sized, x0, y0, x1, y1, beside, above)) for beside, above in DIGITS.room]
        digits = read[0][0]
        agree = all(text == digits for text, _ in read)
        if agree and 0 < len(digits) <= DIGITS.most and digits.isascii() and digits.isdigit():
            box = Box(float(x0) / size[0], float(y0) / size[1], float(x1) / size[0], float(y1) / size[1])
            readings.append(Reading(digits, min(sure for _, sure in read), box))
    return readings


def _part(picture: Any, x0: float, y0: float, x1: float, y1: float, beside: float, above: float) -> Any:
    tall = y1 - y0
    top, left = max(0, int(y0 - above * tall)), max(0, int(x0 - beside * tall))
    return picture[top : int(y1 + above * tall) + 1, left : int(x1 + beside * tall) + 1]


def _read(picture: Any) -> tuple[str, float]:
    result = _reader()(picture, use_det=False, use_cls=False, use_rec=True)
    return (str(result.txts[0]).strip(), float(result.scores[0])) if result.txts else ("", 0.0)


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
            "Det.limit_side_len": DIGITS.larger_edge,
            "Det.limit_type": "max",
            "Det.thresh": DIGITS.dark,
            "Rec.model_path": str(rec),
            # One thread a process, as everywhere: frames are the unit of parallel work.
            threads.format("intra"): 1,
            threads.format("inter"): 1,
        }
    )
