"""HEIF pictures, as telephones and newer cameras write them (ISO/IEC 23008-12), where the extra `heic` is installed."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import FrameError
from pipeline.formats.declared import held_deep
from pipeline.imaging.memory import MEMORY, refuse_too_large
from pipeline.textfile.messages import install

SUFFIXES = frozenset(("heic", "heif", "hif"))
_PROCESS = Path(__file__).with_name("heif_process.py")
HELD = held_deep(6)  # bytes a pixel: three channels of up to 16 bits
_MOST_LINE = 64 << 20  # octets of what the process says before the picture; colour profiles are in it
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


def decode_heif(path: Path) -> HeifPicture:
    """The main picture of a file, turned upright as the file says (its properties irot and imir).

    Raises FrameError where the extra is not installed, where the picture is too large, and for one in HDR; ValueError
    where it is damaged; OSError of the file.
    """
    if not readable():
        raise FrameError(f"a HEIC picture, and what reads it is not installed: {install('heic')}")
    with path.open("rb"):  # raises where the file cannot be read
        pass
    limits = map(str, (MEMORY.decode // HELD, MEMORY.decode, os.getpid()))
    command = [sys.executable, "-P", str(_PROCESS), str(path), *limits]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdout is not None
        try:
            line = process.stdout.readline(_MOST_LINE)
            said = json.loads(line) if line.endswith(b"\n") else {}
            data = _octets(process.stdout, said) if "mode" in said else None
        finally:
            process.stdout.close()  # one that still writes ends
    if not said or (process.returncode != 0 and "mode" in said):
        raise ValueError("the HEIC cannot be decoded: its decoder crashed")
    if "error" in said:
        raise ValueError(f"the HEIC cannot be decoded: {said['error']}")
    refuse_too_large(said["size"][0], said["size"][1], HELD)
    colour, profile = said["colour"], bytes.fromhex(said["profile"])
    if not profile and (hdr := _HDR.get(colour.get("transfer_characteristics", 0))):
        raise FrameError(f"an HDR picture ({hdr}), which cannot be read; deliver it as JPEG or raw")
    if data is None:
        raise ValueError("the HEIC cannot be decoded")
    values = _values(data, said["mode"], said["width"], said["height"], said["row"])
    if values.dtype == np.uint16:  # widened by zeros at its end
        values >>= 16 - said["bits"]
    return HeifPicture(values, said["bits"], profile or None, colour.get("color_primaries", 2))


def _octets(pipe: Any, said: dict[str, Any]) -> Any:
    """What follows the line, read into the one place where it stays. Raises ValueError where it ends early."""
    data = np.empty(said["height"] * said["row"], np.uint8)
    at, view = 0, data.data
    while at < len(data):
        some = pipe.readinto(view[at:])
        if not some:
            raise ValueError("the HEIC cannot be decoded: its decoder crashed")
        at += some
    return data


def _values(data: Any, mode: str, width: int, height: int, row: int) -> Any:
    """Rows are padded: of `row` octets each, `width` pixels count. mode  such as RGB or RGB;16, a letter a channel."""
    letters, _, deep = mode.partition(";")
    kind = np.dtype("<u2" if deep else "u1")
    rows = data.view(kind).reshape(height, row // kind.itemsize)
    return rows[:, : width * len(letters)].reshape(height, width, len(letters))
