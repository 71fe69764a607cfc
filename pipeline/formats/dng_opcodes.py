"""What a DNG says of its lens: opcode lists 2 and 3 (Adobe Digital Negative specification 1.6, chapter 7).

LibRaw carries out none of these opcodes (tests/formats/test_dng_opcodes.py), so they are still to be done.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.formats.source import Source
from pipeline.formats.tiff_ifd import Tags, directory, header
from pipeline.imaging.lens.opcodes import NO_OPCODES, GainTable, LensOpcodes, RectilinearWarp

_LISTS = (51009, 51022)  # OpcodeList2 of the mosaic, OpcodeList3 of the demosaiced picture
_SUB_DIRECTORIES, _KIND_OF_PICTURE, _PHOTOMETRIC, _PATTERN, _DNG_VERSION = 330, 254, 262, 33422, 50706
_MOSAIC, _LINEAR = 32803, 34892  # values of PhotometricInterpretation of raw pictures
_WARP, _VIGNETTE, _GAIN_MAP = 1, 3, 9
_MOST_BYTES = 1 << 20  # of one list; a phone's hold some 30 kB (no source)
_MOST_OPCODES = 64  # of one list (no source)
_MOST_POINTS = 512  # of a gain map, each way (no source)


def read_lens_opcodes(path: Path) -> LensOpcodes:
    """The lens opcodes of a file; none for a file that is no DNG, and where a list is damaged or not understood.

    Raises OSError where the file cannot be opened or read.
    """
    with path.open("rb") as file:
        source = Source.whole(file)
        raw = _raw_directory(source)
        if raw is None:
            return NO_OPCODES
        pattern = _pattern(raw)
        try:
            found = [one for tag in _LISTS for one in _opcodes(raw, tag)]
            return _understood(found, pattern)
        except (ValueError, struct.error):
            return NO_OPCODES


def _raw_directory(source: Source) -> Tags | None:
    """The tags of the raw picture of a DNG: in the first directory or one below it (chapter 4, SubIFD trees)."""
    start = header(source)
    if start is None:
        return None
    order, offset = start
    first = directory(source, offset, order).tags
    if _DNG_VERSION not in first.fields:
        return None
    below = first.fields.get(_SUB_DIRECTORIES)
    listed = b"" if below is None else below.part().read(0, 64)
    places = struct.unpack(f"{order}{len(listed) // 4}I", listed[: len(listed) // 4 * 4])
    for tags in (first, *(directory(source, at, order).tags for at in places)):
        if tags.number(_PHOTOMETRIC) in (_MOSAIC, _LINEAR) and tags.number(_KIND_OF_PICTURE) is None:  # 0: the picture
            return tags
    return None


def _pattern(tags: Tags) -> tuple[int, ...]:
    """Colours (0 R, 1 G, 2 B) of a 2x2 cell from the top left of the active area, row by row; () for no such mosaic."""
    found = tags.fields.get(_PATTERN)
    values = b"" if found is None else found.part().read(0, 4)
    return tuple(values) if len(values) == 4 and max(values) <= 2 else ()


def _opcodes(tags: Tags, tag: int) -> Iterator[tuple[int, int, bytes]]:
    """(tag of the list, number of the opcode, its parameters); big-endian whatever the file is."""
    found = tags.fields.get(tag)
    if found is None:
        return
    part = found.part()
    if not 4 <= part.length <= _MOST_BYTES or part.length < part.wanted:
        raise ValueError("the list is cut short or too long")
    data = part.read(0, part.length)
    (count,) = struct.unpack_from(">I", data)
    if count > _MOST_OPCODES:
        raise ValueError("too many opcodes")
    at = 4
    for _ in range(count):
        number, _version, _flags, size = struct.unpack_from(">IIII", data, at)
        if at + 16 + size > len(data):
            raise ValueError("the list is cut short")
        yield tag, number, data[at + 16 : at + 16 + size]
        at += 16 + size


def _understood(found: list[tuple[int, int, bytes]], pattern: tuple[int, ...]) -> LensOpcodes:
    vignettes, tables, warps = [], [], []
    for tag, number, data in found:
        if number == _VIGNETTE:
            vignettes.append(_finite(struct.unpack(">7d", data)))
        elif number == _WARP:
            (planes,) = struct.unpack_from(">I", data)
            values = _finite(struct.unpack_from(f">{6 * planes + 2}d", data, 4)) if planes in (1, 3) else ()
            if values:
                warps.append(RectilinearWarp(np.array(values[:-2]).reshape(planes, 6), (values[-2], values[-1])))
        elif number == _GAIN_MAP:
            tables.append(_gain_table(data, pattern if tag == _LISTS[0] else ()))
    return LensOpcodes(tuple(vignettes), tuple(tables), tuple(warps))


def _finite(values: tuple[float, ...]) -> tuple[float, ...]:
    if not np.isfinite(values).all():
        raise ValueError("not a number")
    return values


def _gain_table(data: bytes, pattern: tuple[int, ...]) -> GainTable:
    """A GainMap; pattern  of the mosaic it is for, () where it is for a picture. Raises ValueError."""
    top, left, _, _, plane, planes, down, across, rows, columns = struct.unpack_from(">10I", data)
    spacing_v, spacing_h, origin_v, origin_h, deep = struct.unpack_from(">4dI", data, 40)
    _finite((spacing_v, spacing_h, origin_v, origin_h))
    if not (1 <= rows <= _MOST_POINTS and 1 <= columns <= _MOST_POINTS and 1 <= deep <= 4 and 1 <= planes <= 4):
        raise ValueError("a gain map of no size")
    gains = np.frombuffer(data, ">f4", rows * columns * deep, 76).astype(np.float32).reshape(rows, columns, deep)
    if not np.isfinite(gains).all() or gains.min() <= 0:
        raise ValueError("gains that are not positive")
    if pattern and (down, across) == (2, 2):
        colours: tuple[int, ...] = (pattern[2 * (top % 2) + left % 2],)
    elif pattern and (down, across) != (1, 1):
        raise ValueError("a pitch that is not the mosaic's")
    else:
        colours = (0, 1, 2) if pattern else tuple(range(plane, min(plane + planes, 3)))
    return GainTable(colours, gains, (spacing_v, spacing_h), (origin_v, origin_h))
