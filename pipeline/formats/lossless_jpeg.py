"""Lossless JPEG (ITU-T T.81, process 14, Huffman coding), in which DNG files hold their mosaics.

LibRaw reads it too, and five times as slowly; where anything is damaged or unusual it has the last word.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.jpeg_segments import SOS
from pipeline.imaging.compiled import compiled

_SOF3, _DHT, _DRI = 0xC3, 0xC4, 0xDD  # ITU-T T.81, table B.1
_SKIPPED = frozenset({*range(0xE0, 0xF0), 0xFE})  # application data and comments
_PEEK = 11  # bits of a code that are looked up at once: the tables fit into the processor's first cache
_LONGEST = 16  # bits of a code (T.81, annex C)
_LAST, _OFFSET, _SYMBOLS = (1 << _PEEK) + np.array([0, _LONGEST + 1, 2 * (_LONGEST + 1)])  # parts of a table
_WIDEST = 15  # bits of a difference; 16 means 32,768 without further bits, in which readers differ
_MOST_SEGMENTS = 64  # before the scan; two to six at hand


@dataclass(frozen=True)
class Scan:
    """A lossless JPEG of one or two components, as its header describes it.

    height, width  lines, and samples of one component in a line; restart  lines from one restart marker to the next, 0
    for none; tables  Huffman table of each component; begin, end  place of the coded data
    """

    height: int
    width: int
    bits: int
    predictor: int
    restart: int
    tables: tuple[NDArray[np.int32], ...]
    begin: int
    end: int

    @property
    def shape(self) -> tuple[int, int]:
        """(lines, samples of all components in a line)"""
        return self.height, self.width * len(self.tables)


def read_scan(data: memoryview, begin: int, end: int) -> Scan | None:
    """The JPEG in data[begin:end]; None where it is cut, or more than `decode` knows, among them all in which readers
    differ."""
    if bytes(data[begin : begin + 2]) != b"\xff\xd8":
        return None
    at, frame, restart = begin + 2, b"", 0
    tables: dict[int, bytes] = {}
    for _ in range(_MOST_SEGMENTS):
        if end < at + 4 or data[at] != 0xFF:
            return None
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or end < at + 2 + length:
            return None
        segment = bytes(data[at + 4 : at + 2 + length])
        at += 2 + length
        if marker == SOS:
            return _checked(frame, segment, tables, restart, at, end)
        if marker == _SOF3 and not frame:
            frame = segment
        elif marker == _DHT:
            while segment:
                head, size = segment[0], 17 + sum(segment[1:17])
                if head > 3 or head in tables or len(segment) < size:
                    return None
                tables[head], segment = segment[1:size], segment[size:]
        elif marker == _DRI and length == 4:
            restart = int.from_bytes(segment, "big")
        elif marker not in _SKIPPED:
            return None
    return None


def _checked(frame: bytes, scan: bytes, tables: dict[int, bytes], restart: int, begin: int, end: int) -> Scan | None:
    count = frame[5] if len(frame) > 5 else 0
    if count not in (1, 2) or len(frame) != 6 + 3 * count or len(scan) != 4 + 2 * count or scan[0] != count:
        return None
    bits, height, width = struct.unpack_from(">BHH", frame)
    predictor, last, shifted = scan[-3:]
    if not (2 <= bits <= 16 and height and width and 1 <= predictor <= 7) or last or shifted:
        return None
    if any(frame[7 + 3 * i] != 0x11 or frame[6 + 3 * i] != scan[1 + 2 * i] for i in range(count)):
        return None
    # Readers that take the tables in order of their numbers, and those that follow the scan, must find the same ones.
    used = [tables.get(scan[2 + 2 * i] >> 4) for i in range(count)]
    if used != [tables.get(0), tables.get(1, tables.get(0))][:count]:
        return None
    # Nor do they agree in how lines after a restart are predicted, where that is not by the sample to the left.
    if restart and (restart % width or predictor != 1):
        return None
    read = tuple(None if table is None else _table(table) for table in used)
    whole = tuple(table for table in read if table is not None)
    return Scan(height, width, bits, predictor, restart // width, whole, begin, end) if len(whole) == count else None


def decode(data: NDArray[np.uint8], scan: Scan, out: NDArray[np.uint16]) -> bool:
    """Whether the coded data are whole; `out`, of the scan's shape, then holds its samples, components in turn.

    data  all of the bytes in which read_scan found the scan
    """
    if out.shape != scan.shape or scan.end > data.size:
        raise ValueError(f"{out.shape} is not {scan.shape}, or {data.size} bytes are too few")
    tables = np.stack(scan.tables)
    return bool(_decode(data, scan.begin, scan.end, tables, scan.bits, scan.predictor, scan.restart, out))


@lru_cache(maxsize=64)
def _table(coded: bytes) -> NDArray[np.int32] | None:
    """A Huffman table (16 counts, then symbols) for _decode, None for one that contradicts itself (T.81, annex C).

    By the next _PEEK bits: 256 times the length of the difference, plus that of the code; 0 where the code is longer.
    Then, by length: the last code, -1 for none, and what is added to a code for the place of its symbol. Then symbols.
    """
    counts, symbols = coded[:_LONGEST], coded[_LONGEST:]
    table = np.zeros(_SYMBOLS + 256, np.int32)
    table[_LAST:_OFFSET] = -1
    if len(symbols) > 256:
        return None
    table[_SYMBOLS : _SYMBOLS + len(symbols)] = list(symbols)
    code = place = 0
    for length, count in enumerate(counts, 1):
        if code + count > 1 << length:
            return None
        if count:
            table[_LAST + length], table[_OFFSET + length] = code + count - 1, place - code
        if length <= _PEEK:
            each = 1 << (_PEEK - length)
            for index in range(count):
                if symbols[place + index] <= _WIDEST:
                    table[(code + index) * each : (code + index + 1) * each] = symbols[place + index] * 256 + length
        code, place = (code + count) << 1, place + count
    return table


@compiled(error_model="numpy")
def _decode(
    data: NDArray[Any],
    begin: int,
    end: int,
    tables: NDArray[Any],
    bits: int,
    predictor: int,
    restart: int,
    out: NDArray[Any],
) -> bool:
    """As decode. Nothing here is checked by the compiler: `at` stays below `end` wherever it is read, what is looked up
    is masked to the size of its table, and `out` is walked by its own shape."""
    one, peek, mask = np.uint64(1), np.uint64(_PEEK), np.uint64((1 << _PEEK) - 1)
    limit = np.uint64(end)
    height, wide = out.shape
    parts = tables.shape[0]
    first, above = np.empty(parts, np.int64), out[0]
    # held  bits that were read, of which the last `count` were not used yet; missing  octets among them that are not
    # there: zeros stand for what follows the end or a marker
    at, held, count, missing = np.uint64(begin), np.uint64(0), np.uint64(0), np.uint64(0)
    wrong = np.int64(0)
    for y in range(height):
        by = predictor if y > 0 else 1
        if y == 0:
            first[:] = 1 << (bits - 1)
        elif restart > 0 and y % restart == 0:
            marker = 0xD0 + (y // restart - 1) % 8
            if at + np.uint64(2) > limit or data[at] != 0xFF or data[at + one] != marker:
                return False
            at, held, count, missing = at + np.uint64(2), np.uint64(0), np.uint64(0), np.uint64(0)
            first[:] = 1 << (bits - 1)
        line = out[y]
        part = 0
        for x in range(wide):
            if count < np.uint64(32):
                ready = False
                if at + np.uint64(4) <= limit:
                    word = (
                        (np.uint32(data[at]) << np.uint32(24))
                        | (np.uint32(data[at + one]) << np.uint32(16))
                        | (np.uint32(data[at + np.uint64(2)]) << np.uint32(8))
                        | np.uint32(data[at + np.uint64(3)])
                    )
                    # Taking 1 from each octet of the complement borrows into its top bit where it is 0: FF in `word`.
                    ready = ((~word) - np.uint32(0x01010101)) & word & np.uint32(0x80808080) == 0
                if ready:
                    held = (held << np.uint64(32)) | np.uint64(word)
                    at += np.uint64(4)
                else:
                    at, held, missing = _four_octets(data, limit, at, held, missing)
                count += np.uint64(32)
            entry = tables[np.uint64(part), (held >> (count - peek)) & mask]
            if entry == 0:
                entry = _long_code(tables[part], held, count)
                if entry == 0:
                    return False
            length = np.uint64(entry >> 8)
            count -= np.uint64(entry & 0xFF) + length
            value = np.int64((held >> count) & ((one << length) - one))
            full = np.int64(one << length)
            # Below half of its range a difference is negative (T.81, F.1.2.1.1).
            value -= (full - 1) * np.int64(value < (full >> 1))
            if x < parts:
                value += first[part]
                first[part] = value
            elif by == 1:
                value += np.int64(line[np.uint64(x - parts)])
            else:
                value += _guess(
                    by,
                    np.int64(line[np.uint64(x - parts)]),
                    np.int64(above[np.uint64(x)]),
                    np.int64(above[np.uint64(x - parts)]),
                )
            value &= 0xFFFF  # T.81, H.1.2.1
            wrong |= value
            line[np.uint64(x)] = value
            part += 1
            if part == parts:
                part = 0
        if np.uint64(8) * missing > count:  # bits were used that are not there
            return False
        above = line
    return bool(wrong >> bits == 0)


@compiled(error_model="numpy")
def _guess(predictor: int, left: Any, above: Any, corner: Any) -> Any:
    """T.81, table H.1."""
    if predictor == 2:
        return above
    if predictor == 3:
        return corner
    if predictor == 4:
        return left + above - corner
    if predictor == 5:
        return left + ((above - corner) >> 1)
    if predictor == 6:
        return above + ((left - corner) >> 1)
    return (left + above) >> 1


@compiled(error_model="numpy")
def _four_octets(data: NDArray[Any], limit: Any, at: Any, held: Any, missing: Any) -> Any:
    """(at, held, missing) after four more octets, where one may be FF or not there."""
    one = np.uint64(1)
    for _ in range(4):
        value = np.uint64(0)
        if at < limit and data[at] != 0xFF:
            value = np.uint64(data[at])
            at += one
        elif at + one < limit and data[at + one] == 0:  # FF 00 stands for FF (T.81, B.1.1.5)
            value = np.uint64(0xFF)
            at += np.uint64(2)
        else:
            missing += one
        held = (held << np.uint64(8)) | value
    return at, held, missing


@compiled(error_model="numpy")
def _long_code(table: NDArray[Any], held: Any, count: Any) -> int:
    """As an entry of the table, for a code that it has no entry for; 0 where there is no such code."""
    for length in range(1, _LONGEST + 1):
        wide = np.uint64(length)
        code = np.int64((held >> (count - wide)) & ((np.uint64(1) << wide) - np.uint64(1)))
        if code <= table[_LAST + length]:
            place = code + table[_OFFSET + length]
            if place < 0 or place > 255 or table[_SYMBOLS + place] > _WIDEST:
                return 0
            return int(table[_SYMBOLS + place] * 256 + length)
    return 0
