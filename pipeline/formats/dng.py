"""The mosaic of a DNG, decoded here rather than by LibRaw (Adobe DNG 1.6, TIFF 6.0, ITU-T T.81).

LibRaw still reads the file, from memory and without the beginning of the mosaic, so that it finds nothing to decode:
levels, margins and colours are its own, and it gives the memory that the mosaic is then decoded into.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.lossless_jpeg import Scan, decode, read_scan
from pipeline.formats.source import Source
from pipeline.formats.tiff_ifd import Directory, directory, header
from pipeline.imaging.memory import MEMORY

# Tags of TIFF 6.0 and TIFF/EP.
_WIDTH, _LENGTH, _BITS, _COMPRESSION, _PHOTOMETRIC, _SAMPLES = 256, 257, 258, 259, 262, 277
_STRIPS, _STRIP_BYTES, _TILE_WIDTH, _TILE_LENGTH, _TILES, _TILE_BYTES = 273, 279, 322, 323, 324, 325
_POINTERS = (330, 34665, 34853, 40965)  # to SubIFDs, and to Exif, GPS and interoperability (Exif 2.32)
_OF_STRIPS, _OF_TILES = (_STRIPS, 278, _STRIP_BYTES), (_TILE_WIDTH, _TILE_LENGTH, _TILES, _TILE_BYTES)
_DNG_VERSION, _MASKED = 50706, 50830  # tags of DNG
_LOSSLESS, _CFA = 7, 32803  # compression and photometric interpretation
_BYTE, _SHORT, _LONG, _IFD = 1, 3, 4, 13  # types of TIFF 6.0, and of its technical note 1
_MOST_DIRECTORIES = 16  # of one file; cameras and converters write up to seven
_LEAST_TILE, _MOST_TILES = 16, 16384  # pixels of a side; tiles of 64 x 64 of a 60-megapixel frame


@dataclass(frozen=True)
class CodedMosaic:
    """A mosaic that waits to be decoded.

    without_mosaic  the file, the beginning of its mosaic overwritten; shape  (height, width) of the mosaic
    tile  (height, width) of one; tiles  the scans of all, row by row
    """

    without_mosaic: bytearray
    shape: tuple[int, int]
    tile: tuple[int, int]
    tiles: tuple[Scan, ...]

    def decode_into(self, mosaic: NDArray[np.uint16]) -> bool:
        """Whether the mosaic is whole; it is then in `mosaic`, (height, width) and contiguous."""
        data = np.frombuffer(self.without_mosaic, np.uint8)
        if mosaic.shape != self.shape or not mosaic.flags.c_contiguous:
            return False
        if self.tile == mosaic.shape:
            return decode(data, self.tiles[0], mosaic.reshape(self.tiles[0].shape))
        high, wide = self.tile
        across = -(-self.shape[1] // wide)
        whole = np.empty(self.tile, np.uint16)
        for number, scan in enumerate(self.tiles):
            if not decode(data, scan, whole.reshape(scan.shape)):
                return False
            row, column = number // across * high, number % across * wide
            part = mosaic[row : row + high, column : column + wide]
            part[:] = whole[: part.shape[0], : part.shape[1]]
        return True


def coded_mosaic(path: Path) -> CodedMosaic | None:
    """The mosaic of the DNG at `path`, None for any other file, and for a DNG that is damaged or unusual in any way:
    LibRaw has the last word there."""
    try:
        with path.open("rb") as file:
            source = Source.whole(file)
            place = _place(source)
            if place is None:
                return None
            data = bytearray(source.length)
            file.seek(0)
            if file.readinto(data) != len(data):
                return None
    except (OSError, ValueError, struct.error):
        return None
    scans = [read_scan(memoryview(data), begin, begin + size) for begin, size in place.tiles]
    tiles = tuple(scan for scan in scans if scan is not None and _is_as_libraw_reads(scan, place))
    if len(tiles) != len(scans):
        return None
    first = place.tiles[0][0]
    data[first : first + 2] = bytes(2)
    return CodedMosaic(data, (place.height, place.width), place.tile, tiles)


def _is_as_libraw_reads(scan: Scan, place: _Place) -> bool:
    lines, samples = scan.shape
    # LibRaw takes a line of two components as wide as half of the mosaic for a longer one.
    return lines * samples == place.tile[0] * place.tile[1] and (len(scan.tables) == 1 or 2 * samples != place.width)


@dataclass(frozen=True)
class _Place:
    """Where a mosaic lies. tile  (height, width); tiles  (place, bytes) of each, row by row"""

    height: int
    width: int
    tile: tuple[int, int]
    tiles: tuple[tuple[int, int], ...]


def _place(source: Source) -> _Place | None:
    start = header(source)
    if start is None or source.read(2, 2) not in (b"*\0", b"\0*"):
        return None
    order, first = start
    version = directory(source, first, order).tags.fields.get(_DNG_VERSION)
    if version is None or (version.kind, version.count) != (_BYTE, 4):
        return None
    waiting, found = [first], dict[int, Directory]()
    while waiting:
        at = waiting.pop()
        if at in found:
            continue
        if len(found) == _MOST_DIRECTORIES:
            return None
        found[at] = one = directory(source, at, order)
        if not _leads_inside(one):
            return None
        for tag in _POINTERS:
            waiting += _numbers(one, tag) or ()
        waiting += [one.following] if one.following else []
    raws = [one for one in found.values() if _numbers(one, _PHOTOMETRIC) == (_CFA,)]
    # Of several mosaics, or pictures of one size, a reader chooses one by rules of its own.
    sizes = [(_numbers(one, _LENGTH), _numbers(one, _WIDTH)) for one in found.values()]
    if len(raws) != 1 or sizes.count((_numbers(raws[0], _LENGTH), _numbers(raws[0], _WIDTH))) != 1:
        return None
    return _checked(raws[0], source.length)


def _leads_inside(found: Directory) -> bool:
    """Whether every tag is of a known type and in the file: LibRaw goes on elsewhere after a place beyond the end of
    memory than after one beyond the end of a file."""
    parts = [field.part() for _, field in found.every]
    whole = len(parts) == len(found.entries) and not found.tags.damaged
    return whole and all(part.length == part.wanted for part in parts)


def _checked(found: Directory, size: int) -> _Place | None:
    """None where LibRaw might read the mosaic otherwise than from one lossless JPEG a tile, its values as they are."""
    fields = found.tags.fields
    rows, columns = _one(found, _LENGTH), _one(found, _WIDTH)
    if rows * columns == 0 or rows * columns * MEMORY.raw + size > MEMORY.decode:
        return None
    if len(fields) != len(found.entries) or _MASKED in fields:
        return None
    if _one(found, _COMPRESSION) != _LOSSLESS or _one(found, _SAMPLES) != 1 or _one(found, _BITS) == 0:
        return None
    is_tiled = _TILES in fields
    if any(tag in fields for tag in (_OF_STRIPS if is_tiled else _OF_TILES)):
        return None
    places = _numbers(found, _TILES if is_tiled else _STRIPS) or ()
    lengths = _numbers(found, _TILE_BYTES if is_tiled else _STRIP_BYTES) or ()
    high, wide = (_one(found, _TILE_LENGTH), _one(found, _TILE_WIDTH)) if is_tiled else (rows, columns)
    if len(places) == 1:
        fits = (high, wide) == (rows, columns)
    else:
        fits = is_tiled and min(high, wide) >= _LEAST_TILE and high <= rows and wide <= columns
        fits = fits and len(places) == -(-rows // high) * -(-columns // wide) and fields[_TILES].kind == _LONG
    tiles = tuple(zip(places, lengths, strict=False))
    if not fits or len(places) != len(lengths) or any(at < 8 or n < 1 or at + n > size for at, n in tiles):
        return None
    return _Place(rows, columns, (high, wide), tiles)


def _one(found: Directory, tag: int) -> int:
    """The one value of a tag, 0 where it has none or several."""
    numbers = _numbers(found, tag) or ()
    return numbers[0] if len(numbers) == 1 else 0


def _numbers(found: Directory, tag: int) -> tuple[int, ...] | None:
    """All values of a tag of unsigned numbers, None where it has others, or more than a picture has tiles."""
    field = found.tags.fields.get(tag)
    if field is None or field.kind not in (_SHORT, _LONG, _IFD) or field.count > _MOST_TILES:
        return None
    form = f"{field.order}{field.count}{'H' if field.kind == _SHORT else 'I'}"
    raw = field.source.read(field.at, struct.calcsize(form))
    return struct.unpack(form, raw) if len(raw) == struct.calcsize(form) else None
