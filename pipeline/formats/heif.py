"""HEIF pictures, as telephones and newer cameras write them (ISO/IEC 23008-12), where the extra `heic` is installed."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import FrameError
from pipeline.textfile.messages import install

SUFFIXES = frozenset(("heic", "heif", "hif"))
_PROCESS = Path(__file__).with_name("heif_process.py")
# Codes of ITU-T H.273, tables 2 and 3.
_HDR = {16: "PQ", 18: "HLG"}
PRIMARIES_REC709 = (1, 2, 5, 6)  # 2: not said; 5 and 6: those of standard television, which hardly differ


@dataclass(frozen=True)
class HeifPicture:
    """values (H, W, 1 to 4), uint8 or uint16 from 0 to 2**bits - 1, upright.

    profile  ICC, None where there is none; primaries  code of ITU-T H.273 that counts then
    """

    values: Any
    bits: int
    profile: bytes | None
    primaries: int


@cache
def readable() -> bool:
    """Whether the package that decodes HEIF is installed."""
    return importlib.util.find_spec("pi_heif") is not None


def is_heif(head: bytes) -> bool:
    """Whether a file that begins so is of the family; `head` 12 octets or more."""
    brands = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"mif2")
    return head[4:8] == b"ftyp" and head[8:12] in brands


def decode_heif(path: Path, most_pixels: int) -> HeifPicture:
    """The main picture of a file, turned upright as the file says (its properties irot and imir).

    Raises FrameError where the extra is not installed, where the picture has more than `most_pixels`, and for one in
    HDR; ValueError where it is damaged; OSError of the file.
    """
    if not readable():
        raise FrameError(f"a HEIC picture, and what reads it is not installed: {install('heic')}")
    with path.open("rb"):  # raises where the file cannot be read
        done = subprocess.run(
            [sys.executable, "-P", str(_PROCESS), str(path), str(most_pixels)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
        )
    line, _, data = done.stdout.partition(b"\n")
    if done.returncode != 0 or not line:
        raise ValueError("the HEIC cannot be decoded: its decoder crashed")
    said = json.loads(line)
    if "error" in said:
        raise ValueError(f"the HEIC cannot be decoded: {said['error']}")
    if said["pixels"] > most_pixels:
        raise FrameError(f"more than {most_pixels // 10**6} megapixels: too large to be a photograph")
    colour, profile = said["colour"], bytes.fromhex(said["profile"])
    if not profile and (hdr := _HDR.get(colour.get("transfer_characteristics", 0))):
        raise FrameError(f"an HDR picture ({hdr}), which cannot be read; deliver it as JPEG or raw")
    values = _values(data, said["mode"], said["width"], said["height"], said["row"])
    if values.dtype == np.uint16:  # widened by zeros at its end
        values = values >> (16 - said["bits"])
    return HeifPicture(values, said["bits"], profile or None, colour.get("color_primaries", 2))


def _values(data: bytes, mode: str, width: int, height: int, row: int) -> Any:
    """Rows are padded: of `row` octets each, `width` pixels count. mode  such as RGB or RGB;16, a letter a channel."""
    letters, _, deep = mode.partition(";")
    kind = np.dtype("<u2" if deep else "u1")
    rows = np.frombuffer(data, kind).reshape(height, row // kind.itemsize)
    return rows[:, : width * len(letters)].reshape(height, width, len(letters))
