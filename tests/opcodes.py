"""Opcode lists of a DNG, as a camera writes them: Adobe DNG specification 1.6, chapter 7; big-endian."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np


def opcode_list(*opcodes: bytes) -> bytes:
    return struct.pack(">I", len(opcodes)) + b"".join(opcodes)


def opcode(number: int, parameters: bytes, flags: int = 1) -> bytes:
    """Flags 1: optional. The version that brought these opcodes is 1.3."""
    return struct.pack(">I4BII", number, 1, 3, 0, 0, flags, len(parameters)) + parameters


def vignette(*powers: float, centre: tuple[float, float] = (0.5, 0.5)) -> bytes:
    """FixVignetteRadial: k0 to k4."""
    return opcode(3, struct.pack(">7d", *powers, *[0.0] * (5 - len(powers)), *centre))


def warp(*planes: Sequence[float], centre: tuple[float, float] = (0.5, 0.5)) -> bytes:
    """WarpRectilinear: kr0 to kr3, kt0, kt1 of one plane or of each."""
    values = [v for plane in planes for v in plane]
    return opcode(1, struct.pack(f">I{len(values) + 2}d", len(planes), *values, *centre))


def gain_map(
    gains: np.ndarray, size: tuple[int, int], start: tuple[int, int] = (0, 0), pitch: int = 1, planes: int = 1
) -> bytes:
    """GainMap over the whole image of `size`; gains (V, H, P) at points from edge to edge."""
    rows, columns, deep = gains.shape
    head = struct.pack(">10I", *start, *size, 0, planes, pitch, pitch, rows, columns)
    spacing = struct.pack(">4dI", 1 / max(rows - 1, 1), 1 / max(columns - 1, 1), 0.0, 0.0, deep)
    return opcode(9, head + spacing + gains.astype(">f4").tobytes())
