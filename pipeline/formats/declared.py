"""What a picture says of its own size, held against the memory of a worker before any decoder runs.

A file of one kilobyte may declare a picture of ten gigabytes, a strip of it may expand without end, and a JPEG may go
over its pixels a thousand times. Only a few octets of the file are read here.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import COPY_AGAIN, FrameError
from pipeline.formats.jpeg_segments import FRAMES, SOS, walk
from pipeline.formats.source import DamagedError, Source
from pipeline.imaging.memory import MEMORY, refuse_too_large


@dataclass(frozen=True)
class DecodeLimits:
    """Bounds on what one picture may take. Ours, no source but where one is named; `pytest tests/formats`."""

    scans: int = 100  # of one JPEG; encoders write up to some twenty, the format allows thousands
    segments: int = 1 << 20  # strips or tiles of one TIFF: 100 megapixels in tiles of 16 x 16 are 400,000
    entries: int = 4096  # of a directory, as tifffile takes them
    samples: int = 8  # of a pixel; four colours, and what layered files add
    overlap: int = 2  # times the length of the file that its strips may add up to
    piece: int = 1 << 20  # octets that a strip is expanded by at a time, when it is tried


LIMITS = DecodeLimits()

_BIG_TIFF = {b"II+\0": "<", b"MM\0+": ">"}
_TIFF = {b"II*\0": "<", b"MM\0*": ">"}
# Octets of a value of each type (TIFF 6.0, section 2; BigTIFF adds 16 to 18), and how whole numbers are read.
_WIDTHS = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_WHOLE = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
# Tags of TIFF 6.0; 32997 is ImageDepth (SGI), which multiplies the picture.
_WIDTH, _LENGTH, _BITS, _SAMPLES, _DEPTH, _TILE_WIDTH, _TILE_LENGTH = 256, 257, 258, 277, 32997, 322, 323
_PLACES = (273, 279, 324, 325)  # of strips and tiles, and their lengths
_NUMBERS = (_WIDTH, _LENGTH, _BITS, _SAMPLES, _DEPTH, _TILE_WIDTH, _TILE_LENGTH)
_MOST_VALUES = 64  # of one tag that are looked at here: samples of a pixel
_DEFLATE = (8, 32946)  # TIFF compressions that may expand a thousandfold; those with a bound of their own are not here
_MOST_EXPANSION = 1032  # times, by deflate (RFC 1951: 258 octets of two bits)
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # that ends the data of a scan (ITU-T T.81, B.1.1.2)
_PROGRESSIVE = (0xC2, 0xC6, 0xCA, 0xCE)


def held_shallow(more: int = 0) -> int:
    """Bytes a pixel that a picture of 8 bits takes at the most.

    more  what its decoder keeps beside what Pillow has while it hands it on: its own four bytes, and three twice
    """
    return max(10 + more, MEMORY.linear)


def held_deep(wide: int) -> int:
    """The same of a picture of `wide` bytes a pixel, decoded and turned, or beside its three channels of float32."""
    return max(2 * wide, wide + 12, MEMORY.linear)


def check_png(head: bytes, length: int) -> None:
    """Raise FrameError for a PNG that is too large. head  its first 26 octets, up to the type of its colour (PNG, third
    edition, 11.2.1); length  of the file, which the decoder of 16 bits takes whole"""
    width, height, bits, colour = struct.unpack_from(">IIBB", head, 16)
    if bits == 16:
        refuse_too_large(width, height, held_deep(2 * {0: 1, 4: 2, 6: 4}.get(colour, 3)), length)
    else:
        refuse_too_large(width, height, held_shallow())


def check_jpeg(path: Path) -> None:
    """Raise FrameError for a JPEG that is too large, or goes over its pixels too often; nothing for a damaged one."""
    with path.open("rb") as file:
        source = Source.whole(file)
        components, progressive = 3, False
        try:
            for place in walk(source):
                if place.marker in FRAMES:
                    head = place.payload.read(0, 6)
                    if len(head) < 6:
                        return
                    height, width, components = struct.unpack_from(">HHB", head, 1)
                    progressive = place.marker in _PROGRESSIVE
                    refuse_too_large(width, height, held_shallow(2 * components if progressive else 0))
                elif place.marker == SOS:
                    first = source.read(place.begin, 5)
                    if progressive or first[4:5] < bytes((components,)):
                        _count_scans(source.read(place.begin, source.length))
        except DamagedError:
            return  # the decoder finds it damaged too, with words of its own


def _count_scans(data: bytes) -> None:
    at, scans = 0, 0
    while found := _MARKER.search(data, at):
        marker, at = data[found.start() + 1], found.end()
        if marker == 0xD9:
            return
        scans += marker == SOS
        if scans > LIMITS.scans:
            raise FrameError(
                f"its pixels are written in more than {LIMITS.scans} scans, as no camera does; save it anew as a JPEG"
            )
        at += int.from_bytes(data[at : at + 2], "big")


def check_tiff(path: Path) -> None:
    """Raise FrameError for a TIFF or BigTIFF whose first directory declares too much; nothing for a damaged one."""
    with path.open("rb") as file:
        source = Source.whole(file)
        values, places = _first_directory(source)
        if places > LIMITS.segments:
            raise FrameError(f"its file says that it has {places:,} strips or tiles: it is damaged; {COPY_AGAIN}")

        def most(tag: int, least: int = 1) -> int:
            return max([least, *values.get(tag, [])])

        check_tiff_size(
            width=most(_WIDTH),
            height=most(_LENGTH) * most(_DEPTH),
            samples=most(_SAMPLES, len(values.get(_BITS, ())) or 1),
            bits=most(_BITS),
            tile=most(_TILE_WIDTH) * most(_TILE_LENGTH),
        )


def check_tiff_size(width: int, height: int, samples: int, bits: int, tile: int = 1) -> None:
    """The same of numbers that were read; tile  pixels of one. Raises FrameError."""
    if samples > LIMITS.samples:
        raise FrameError(f"{samples:,} samples a pixel: this is not a photograph")
    wide = samples * -(-bits // 8)
    refuse_too_large(width, height, held_deep(wide) if bits > 8 else held_shallow(wide))
    refuse_too_large(tile, 1, 2 * wide)


def check_strips(file: Any, page: Any) -> None:
    """Raise FrameError where the strips or tiles of a tifffile page lie about their lengths, or expand without end."""
    handle, length = file.filehandle, file.filehandle.size
    counts: Sequence[int] = page.databytecounts
    if sum(counts) > LIMITS.overlap * length + LIMITS.piece:
        raise FrameError(f"its strips are longer than the file: it is damaged or cut short; {COPY_AGAIN}")
    if page.compression not in _DEFLATE:
        return
    rows, columns = (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, page.imagewidth)
    rows = rows if page.is_tiled else min(rows, page.imagelength)
    samples = page.samplesperpixel if page.planarconfig == 1 else 1
    expected = rows * columns * samples * max(1, page.dtype.itemsize if page.dtype is not None else 1)
    for offset, count in zip(page.dataoffsets, counts, strict=False):
        if count * _MOST_EXPANSION > expected + MEMORY.decode // 8:
            handle.seek(offset)
            _try_strip(handle, min(count, length), expected)


def _try_strip(handle: Any, count: int, expected: int) -> None:
    """Expand one strip piece by piece, keeping nothing."""
    unpacker = zlib.decompressobj()
    made, data = 0, b""
    while count > 0 and not unpacker.eof:
        data = unpacker.unconsumed_tail or handle.read(min(count, LIMITS.piece))
        if not data:
            return
        if not unpacker.unconsumed_tail:
            count -= len(data)
        made += len(unpacker.decompress(data, LIMITS.piece))
        if made > expected + LIMITS.piece:
            raise FrameError(f"one of its strips expands without end: the TIFF is damaged; {COPY_AGAIN}")


def _first_directory(source: Source) -> tuple[dict[int, list[int]], int]:
    """Values of the tags that say how large the picture is, all that the first directory gives, and the most places of
    strips or tiles. Nothing where there is no directory."""
    head = source.read(0, 16)
    order, big = _TIFF.get(head[:4]) or _BIG_TIFF.get(head[:4]), head[:4] in _BIG_TIFF
    if order is None or len(head) < 16:
        return {}, 0
    (at,) = struct.unpack_from(order + ("Q" if big else "I"), head, 8 if big else 4)
    size, form, room = (20, order + "HHQ", 8) if big else (12, order + "HHI", 4)
    number = source.read(at, 8 if big else 2)
    if len(number) < (8 if big else 2):
        return {}, 0
    (count,) = struct.unpack(order + ("Q" if big else "H"), number)
    block = source.read(at + len(number), size * min(count, LIMITS.entries))
    found: dict[int, list[int]] = {}
    places = 0
    for begin in range(0, len(block) - size + 1, size):
        tag, kind, many = struct.unpack_from(form, block, begin)
        if tag in _PLACES:
            places = max(places, many)
        if tag in _NUMBERS and kind in _WHOLE:
            width = _WIDTHS[kind]
            inside = width * many <= room
            value = block[begin + size - room : begin + size]
            if not inside:
                (place,) = struct.unpack(order + ("Q" if big else "I"), value)
                value = source.read(place, width * min(many, _MOST_VALUES))
            some = min(many, _MOST_VALUES, len(value) // width)
            found.setdefault(tag, []).extend(struct.unpack_from(f"{order}{some}{_WHOLE[kind]}", value))
            if tag == _BITS and many > _MOST_VALUES:
                found.setdefault(_SAMPLES, []).append(many)
    return found, places
