"""Writes lossless JPEG (ITU-T T.81, process 14) and DNG files (Adobe DNG 1.6) of every form that tests need."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

# Codes of 1 to 15 bits, and two of 16: the most different lengths that there can be (T.81, annex C).
UNEVEN = bytes([1] * 15 + [2]) + bytes(range(17))
EVEN = bytes([0, 0, 0, 0, 17] + [0] * 11) + bytes(range(17))


def _codes(table: bytes) -> dict[int, tuple[int, int]]:
    """(code, bits) by symbol (T.81, annex C)."""
    found, code, place = {}, 0, 16
    for length, count in enumerate(table[:16], 1):
        for _ in range(count):
            found[table[place]] = (code, length)
            code, place = code + 1, place + 1
        code <<= 1
    return found


def _guesses(lines: np.ndarray, predictor: int) -> np.ndarray:
    """Predictions of (H, W, components) by T.81, table H.1; the first line by the left, its first sample not at all."""
    left, above, corner = np.roll(lines, 1, 1), np.roll(lines, 1, 0), np.roll(lines, (1, 1), (0, 1))
    guesses = [
        left, above, corner, left + above - corner, left + ((above - corner) >> 1), above + ((left - corner) >> 1),
        (left + above) >> 1,
    ][predictor - 1].copy()  # fmt: skip
    guesses[0] = left[0]
    guesses[:, 0] = above[:, 0]
    return guesses


def encode(
    samples: np.ndarray,
    *,
    bits: int = 14,
    predictor: int = 1,
    components: int = 1,
    restart: int = 0,
    tables: tuple[bytes, ...] = (EVEN,),
    used: tuple[int, ...] | None = None,
    longest: int = 15,
) -> bytes:
    """Samples (lines, components times width).

    restart  lines from one marker to the next, 0 for none; tables  by number; used  the numbers of those that the
    components use, 0, 1, ... if there are as many; longest  bits of a difference that are written, 16 as some do
    """
    height, wide = samples.shape
    lines = samples.reshape(height, wide // components, components).astype(np.int64)
    used = used or tuple(min(c, len(tables) - 1) for c in range(components))
    codes = [_codes(tables[number]) for number in used]
    out = b"\xff\xd8"
    frame = struct.pack(">BHHB", bits, height, wide // components, components)
    out += _segment(0xC3, frame + b"".join(bytes((c, 0x11, 0)) for c in range(components)))
    for number, table in enumerate(tables):
        out += _segment(0xC4, bytes((number,)) + table)
    if restart:
        out += _segment(0xDD, struct.pack(">H", restart * (wide // components)))
    chosen = b"".join(bytes((c, number << 4)) for c, number in enumerate(used))
    out += _segment(0xDA, bytes((components,)) + chosen + bytes((predictor, 0, 0)))
    step = restart or height
    for number, top in enumerate(range(0, height, step)):
        part = lines[top : top + step]
        guesses = _guesses(part, predictor)
        guesses[0, 0] = 1 << (bits - 1)
        differences = (part - guesses + 32767) % 65536 - 32767  # 32,768 for half of 65,536
        out += b"" if number == 0 else bytes((0xFF, 0xD0 + (number - 1) % 8))
        out += _coded(differences.reshape(-1), codes, longest)
    return out + b"\xff\xd9"


def _segment(marker: int, payload: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload


def _coded(differences: np.ndarray, codes: list[dict[int, tuple[int, int]]], longest: int) -> bytes:
    written = []
    for index, value in enumerate(differences.tolist()):
        size = abs(value).bit_length()
        code, length = codes[index % len(codes)][size]
        written.append(f"{code:0{length}b}")
        if 0 < size <= longest:
            written.append(f"{value if value > 0 else value + (1 << size) - 1:0{size}b}")
    text = "".join(written)
    text += "1" * (-len(text) % 8)
    return int(text, 2).to_bytes(len(text) // 8, "big").replace(b"\xff", b"\xff\x00")


def write_dng(
    path: Path,
    mosaic: np.ndarray,
    *,
    order: str = "<",
    tile: tuple[int, int] | None = None,
    lines: int = 1,
    below: bool = False,
    beside: dict[int, tuple[str, object]] | None = None,
    tags: dict[int, tuple[str, object] | None] | None = None,
    make: str = "Evencourt",
    **coding: object,
) -> Path:
    """A DNG of a mosaic (H, W). tile  (height, width), None for one strip; lines  of the mosaic in one of the JPEG
    below  whether the mosaic is in a SubIFD, below a small picture; beside  tags by which such a picture in a SubIFD
    differs, None for no such picture; tags  of the mosaic's directory beside the usual
    ones, or None to leave one out; coding  as for encode"""
    height, width = mosaic.shape
    high, wide = tile or (height, width)
    padded = np.pad(mosaic, ((0, -height % high), (0, -width % wide)), mode="edge")
    tiles = [
        encode(padded[y : y + high, x : x + wide].reshape(high // lines, wide * lines), **coding)
        for y in range(0, height, high)
        for x in range(0, width, wide)
    ]
    raw: dict[int, tuple[str, object]] = {
        254: ("I", 0), 256: ("I", width), 257: ("I", height), 258: ("H", 16), 259: ("H", 7), 262: ("H", 32803),
        277: ("H", 1), 284: ("H", 1), 33421: ("H", (2, 2)), 33422: ("B", (0, 1, 1, 2)), 50714: ("H", 64),
        50717: ("I", 16000),
    }  # fmt: skip
    places = (324, 325) if tile else (273, 279)
    raw |= {322: ("I", wide), 323: ("I", high)} if tile else {278: ("I", height)}
    raw |= {places[0]: ("I", (0,) * len(tiles)), places[1]: ("I", tuple(len(t) for t in tiles))}
    for tag, value in (tags or {}).items():
        raw.pop(tag, None)
        raw |= {} if value is None else {tag: value}
    main: dict[int, tuple[str, object]] = {
        271: ("B", make.encode() + b"\0"), 272: ("B", b"Test\0"), 274: ("H", 1), 50706: ("B", (1, 4, 0, 0)),
        50708: ("B", b"Evencourt Test\0"), 50721: ("i", (83, 100, -26, 100, -8, 100, -46, 100, 124, 100, 24, 100,
        -8, 100, 19, 100, 6, 10)), 50728: ("R", (55, 100, 1, 1, 6, 10)), 50778: ("H", 21),
    }  # fmt: skip
    small = {254: ("I", 1), 256: ("I", 4), 257: ("I", 4), 258: ("H", (8, 8, 8)), 259: ("H", 1), 262: ("H", 2),
             277: ("H", 3), 278: ("I", 4), 273: ("I", 8), 279: ("I", 48)}  # fmt: skip
    head = main | small if below else main | raw
    second = raw if below else small | (beside or {})
    if below or beside is not None:
        head |= {330: ("I", 0)}
    second_at = 8 + 48 + len(_directory(head, 0, order))
    second_at += second_at % 2
    data_at = second_at + len(_directory(second, 0, order))
    starts = [data_at + sum(len(t) for t in tiles[:i]) for i in range(len(tiles))]
    holder = raw if below else head
    holder[places[0]] = (holder[places[0]][0], tuple(starts))
    if 330 in head:
        head[330] = ("I", second_at)
    mark = b"II*\0" if order == "<" else b"MM\0*"
    out = mark + struct.pack(order + "I", 56) + bytes(48) + _directory(head, 56, order)
    out = out.ljust(second_at, b"\0") + _directory(second, second_at, order)
    path.write_bytes(out + b"".join(tiles) + bytes(16))
    return path


_KINDS = {"B": 1, "H": 3, "I": 4, "R": 5, "i": 10}


def _directory(tags: dict[int, tuple[str, object]], start: int, order: str) -> bytes:
    entries, tail = b"", b""
    behind = start + 2 + 12 * len(tags) + 4
    for tag, (kind, values) in sorted(tags.items()):
        listed = list(values) if isinstance(values, (tuple, bytes)) else [values]
        form = {"R": "I"}.get(kind, kind)
        raw = struct.pack(f"{order}{len(listed)}{form}", *listed)
        count = len(listed) // (2 if kind in "Ri" else 1)
        value = raw.ljust(4, b"\0") if len(raw) <= 4 else struct.pack(order + "I", behind + len(tail))
        tail += b"" if len(raw) <= 4 else raw + bytes(len(raw) % 2)
        entries += struct.pack(order + "HHI", tag, _KINDS[kind], count) + value
    return struct.pack(order + "H", len(tags)) + entries + bytes(4) + tail
