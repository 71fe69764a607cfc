"""ICC profiles: the sRGB one that is embedded, and matrix profiles of input pictures.

ICC.1:2001-04 (version 2.4) for what is written, which every viewer reads.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache

import numpy as np

from pipeline.imaging.colour import BRADFORD_D50_TO_D65, REC709_FROM_XYZ, XYZ_FROM_REC709, srgb_decode
from pipeline.types import F32, F64

_D50 = (0.9642, 1.0, 0.8249)  # PCS illuminant of ICC.1:2001-04
_MOST_TAGS = 100  # of a profile; profiles have some 20


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _xyz(values: tuple[float, ...]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(map(_fixed, values))


def _description(text: str) -> bytes:
    raw = text.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(raw)) + raw + bytes(8) + bytes(3) + bytes(67)


@cache
def srgb_profile() -> bytes:
    """The sRGB profile (IEC 61966-2-1); the same bytes every time, without a creation date."""
    curve = np.round(srgb_decode(np.linspace(0, 1, 1024, dtype=np.float32)).astype(np.float64) * 65535).astype(">u2")
    columns = np.linalg.inv(BRADFORD_D50_TO_D65) @ XYZ_FROM_REC709
    trc = b"curv\0\0\0\0" + struct.pack(">I", len(curve)) + curve.tobytes()
    tags = {
        b"desc": _description("sRGB, IEC 61966-2-1"),
        b"cprt": b"text\0\0\0\0No copyright, use freely\0",
        b"wtpt": _xyz(_D50),
        b"rXYZ": _xyz(tuple(columns[:, 0])),
        b"gXYZ": _xyz(tuple(columns[:, 1])),
        b"bXYZ": _xyz(tuple(columns[:, 2])),
        b"rTRC": trc,
        b"gTRC": trc,
        b"bTRC": trc,
    }
    table, body, placed = b"", b"", dict[bytes, int]()
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        if data not in placed:
            placed[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        table += name + struct.pack(">II", placed[data], len(data))
    size = start + len(body)
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += struct.pack(">6H", 2000, 1, 1, 0, 0, 0) + b"acsp" + bytes(28) + b"".join(map(_fixed, _D50))
    head += bytes(128 - len(head))
    return head + struct.pack(">I", len(tags)) + table + body


@dataclass(frozen=True)
class MatrixProfile:
    """An RGB profile of three curves and a matrix, or a grey one of a single curve (three alike, no matrix)."""

    to_rec709: F64  # (3, 3) linear device RGB -> linear Rec. 709, D65
    curves: F32  # (3, 65536) encoded value -> linear

    def linearise(self, encoded: F32) -> F32:
        """(..., 3) encoded 0 to 1 -> linear Rec. 709."""
        index = (np.clip(encoded, 0, 1) * 65535 + 0.5).astype(np.int32)
        linear = np.stack([self.curves[c][index[..., c]] for c in range(3)], axis=-1)
        return np.asarray(linear @ self.to_rec709.T.astype(np.float32), dtype=np.float32)


@cache
def adobe_rgb() -> MatrixProfile:
    """Adobe RGB (1998) Color Image Encoding, version 2005-05: gamma 2 + 51/256, D65, its own primaries."""
    return _of_primaries(((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), np.linspace(0.0, 1.0, 65536) ** (2 + 51 / 256))


# Codes of ITU-T H.273, table 2: BT.2020 and P3 with the white of D65.
_CODED = {9: ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)), 12: ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))}


@cache
def coded_primaries(code: int) -> MatrixProfile | None:
    """The curve of sRGB with primaries by their code in ITU-T H.273; None for other codes than 9 and 12."""
    if code not in _CODED:
        return None
    return _of_primaries(_CODED[code], srgb_decode(np.linspace(0.0, 1.0, 65536, dtype=np.float32)).astype(np.float64))


def _of_primaries(primaries: tuple[tuple[float, float], ...], curve: F64) -> MatrixProfile:
    """Red, green and blue by their x and y (CIE 1931), white D65, one curve."""
    xy = np.array(primaries)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    white = XYZ_FROM_REC709.sum(axis=1)
    to_xyz = columns * np.linalg.solve(columns, white)
    return MatrixProfile(REC709_FROM_XYZ @ to_xyz, np.stack([curve] * 3).astype(np.float32))


def matrix_profile(data: bytes) -> MatrixProfile | None:
    """Parse an RGB matrix/curve profile, or a grey one of a curve; None for any other kind and for damaged data.

    ICC.1:2010 (version 4.3): clause 7 (header, tag table), 10.5 (curveType), 10.15 (parametricCurveType), 10.27
    (XYZType). A profile that also holds a table (A2B0) is left to a colour engine that knows tables.
    """
    try:
        with np.errstate(all="ignore"):  # wild numbers in a curve are found by the check below
            matrix, curves = _parsed(data)
    except (struct.error, KeyError, IndexError, ValueError, ArithmeticError):
        return None
    if not (np.isfinite(matrix).all() and np.isfinite(curves).all()):
        return None
    return MatrixProfile(matrix, np.clip(curves, 0.0, 1.0).astype(np.float32))


def _parsed(data: bytes) -> tuple[F64, F64]:
    if data[16:20] not in (b"RGB ", b"GRAY") or data[20:24] != b"XYZ ":
        raise ValueError("not an RGB or grey profile over XYZ")
    (count,) = struct.unpack_from(">I", data, 128)
    tags = {}
    for i in range(min(count, _MOST_TAGS)):
        name, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        tags[name] = data[offset : offset + size]
    if b"A2B0" in tags:
        raise ValueError("the profile has a table")
    if data[16:20] == b"GRAY":
        return np.eye(3), np.stack([_curve(tags[b"kTRC"])] * 3)
    columns = np.stack([_column(tags[n]) for n in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
    curves = np.stack([_curve(tags[n]) for n in (b"rTRC", b"gTRC", b"bTRC")])
    return REC709_FROM_XYZ @ BRADFORD_D50_TO_D65 @ columns, curves


def _column(data: bytes) -> F64:
    if data[:4] != b"XYZ ":
        raise ValueError("a primary is not of XYZType")
    return np.array(struct.unpack_from(">3i", data, 8)) / 65536


def _curve(data: bytes) -> F64:
    x = np.linspace(0.0, 1.0, 65536)
    if data[:4] == b"curv":
        (count,) = struct.unpack_from(">I", data, 8)
        if count == 0:
            return x
        values = np.frombuffer(data, ">u2", count, 12).astype(np.float64)
        table = x ** (values[0] / 256) if count == 1 else np.interp(x, np.linspace(0, 1, count), values / 65535)
        return np.asarray(table)
    if data[:4] != b"para":
        raise ValueError("unknown curve")
    (kind,) = struct.unpack_from(">H", data, 8)
    lengths = (1, 3, 4, 5, 7)
    p = [v / 65536 for v in struct.unpack_from(f">{lengths[kind]}i", data, 12)] + [0.0] * 7
    g, a, b, c, d, e, f = p[0], p[1], p[2], p[3], p[4], p[5], p[6]
    if kind == 0:
        return np.asarray(x**g)
    power: F64 = np.maximum(a * x + b, 0.0) ** g
    if kind == 1:
        return np.asarray(np.where(x >= -b / a, power, 0.0))
    if kind == 2:
        return np.asarray(np.where(x >= -b / a, power + c, c))
    return np.asarray(np.where(x >= d, power + (e if kind == 4 else 0.0), c * x + (f if kind == 4 else 0.0)))
