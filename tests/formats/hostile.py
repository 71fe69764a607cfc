"""Files that ask for far more than they hold: small on disk, without end for who believes them."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import PIL.Image

_RNG = np.random.default_rng(7)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png(width: int, height: int, bits: int, kind: int, *chunks: bytes, data: bytes = b"\0" * 64) -> bytes:
    """By PNG, third edition, 5.3 and 11.2: whatever it says, of `data`."""
    head = struct.pack(">IIBBBBB", width, height, bits, kind, 0, 0, 0)
    end = (_chunk(b"IDAT", zlib.compress(data)), _chunk(b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + b"".join(chunks) + b"".join(end)


def tiff(tags: dict[int, tuple[str, tuple[int, ...] | int]], data: bytes = b"", big: bool = False) -> bytes:
    """A directory by TIFF 6.0, section 2, or as BigTIFF; the data at byte 16. "B", "H", "I" or "Q", and the values."""
    kinds, room = {"B": 1, "H": 3, "I": 4, "Q": 16}, 8 if big else 4
    at = 16 + len(data)
    entry = 20 if big else 12
    behind = at + (8 if big else 2) + entry * len(tags) + room
    entries, tail = b"", b""
    for tag, (form, value) in sorted(tags.items()):
        values = value if isinstance(value, tuple) else (value,)
        raw = struct.pack(f"<{len(values)}{form}", *values)
        count = struct.pack("<Q" if big else "<I", len(values))
        field = raw.ljust(room, b"\0")
        if len(raw) > room:
            field = struct.pack("<Q" if big else "<I", behind + len(tail))
            tail += raw
        entries += struct.pack("<HH", tag, kinds[form]) + count + field
    head = struct.pack("<2sHHHQ", b"II", 43, 8, 0, at) if big else struct.pack("<2sHII4x", b"II", 42, at, 0)[:16]
    number = struct.pack("<Q" if big else "<H", len(tags))
    return head.ljust(16, b"\0") + data + number + entries + bytes(room) + tail


def plain(width: int, height: int, **changed: tuple[str, tuple[int, ...] | int]) -> dict[int, tuple[str, object]]:
    """The tags of a picture of 16 bits a channel in one strip at byte 16. changed  by "tNUMBER"."""
    tags: dict[int, tuple[str, object]] = {
        256: ("I", width), 257: ("I", height), 258: ("H", (16, 16, 16)), 259: ("H", 1), 262: ("H", 2),
        273: ("I", 16), 277: ("H", 3), 278: ("I", height), 279: ("I", 600), 284: ("H", 1),
    }  # fmt: skip
    return tags | {int(name[1:]): value for name, value in changed.items()}


def bomb(size: int) -> bytes:
    """A zlib stream of `size` zeros (RFC 1950 and 1951), written in no time: the same block again and again."""
    packer = zlib.compressobj(9)
    first = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    again = packer.compress(bytes(1 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
    return first + again * (size >> 20)


def _jpeg(**options: object) -> bytes:
    buffer = io.BytesIO()
    pixels = _RNG.integers(0, 256, (64, 64, 3), dtype=np.uint8)
    mode = options.pop("mode", "RGB")
    PIL.Image.fromarray(pixels).convert(mode).save(buffer, "JPEG", **options)
    return buffer.getvalue()


def resized(jpeg: bytes, width: int, height: int) -> bytes:
    """With another size in its frame header (ITU-T T.81, B.2.2)."""
    at = next(jpeg.index(bytes((0xFF, m))) for m in (0xC0, 0xC2) if bytes((0xFF, m)) in jpeg)
    return jpeg[: at + 5] + struct.pack(">HH", height, width) + jpeg[at + 9 :]


def many_scans(number: int, side: int = 5000) -> bytes:
    """A progressive JPEG that says the last of its scans again and again."""
    jpeg = _jpeg(progressive=True)
    last = jpeg.rindex(b"\xff\xda")
    scan = jpeg[last:-2]
    return resized(jpeg[:last] + scan * number + jpeg[-2:], side, side)


def _floats() -> bytes:
    return tiff(plain(30000, 30000, t258=("H", (64,) * 3), t339=("H", (3,) * 3)), bytes(600))


def _tiles() -> bytes:
    tags = plain(64, 64, t322=("I", 60000), t323=("I", 60000), t324=("I", 16), t325=("I", 600))
    return tiff({tag: value for tag, value in tags.items() if tag not in (273, 278, 279)}, bytes(600))


def _bomb_tiff() -> bytes:
    data = bomb(6 << 30)
    return tiff(plain(64, 64, t259=("H", 8), t279=("I", len(data))), data)


def _lying() -> bytes:
    rows = 5000
    places, counts = ("I", (16,) * rows), ("I", (0x7FFFFFFF,) * rows)
    return tiff(plain(64, rows, t273=places, t279=counts, t278=("I", 1)), bytes(1 << 20))


def _samples() -> bytes:
    tags = plain(9000, 9000, t258=("H", (16,) * 6), t277=("H", 60000), t284=("H", 2))
    return tiff(tags, bytes(600))


def _depth() -> bytes:
    return tiff(plain(6000, 6000, t32997=("I", 60000)), bytes(600))


def _huge_icc() -> bytes:
    data = tiff(plain(64, 64), bytes(64 * 64 * 6))
    at = len(data)  # the profile says that it has 4 GB
    tags = plain(64, 64, t279=("I", 64 * 64 * 6))
    built = bytearray(tiff(tags | {34675: ("B", (1, 2, 3, 4, 5))}, bytes(64 * 64 * 6)))
    entry = built.rindex(struct.pack("<HHI", 34675, 1, 5))
    built[entry + 4 : entry + 12] = struct.pack("<II", 0xFFFFFFF0, at)
    return bytes(built)


def _jpeg_with_exif() -> bytes:
    """Texts of Exif that say they have 4 GB, one after the other."""
    entries = b"".join(struct.pack("<HHII", 270 + n, 2, 0xFFFFFFF0, 8) for n in range(100))
    block = b"Exif\0\0II*\0" + struct.pack("<IH", 8, 100) + entries + bytes(4)
    jpeg = _jpeg()
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + jpeg[2:]


def _texts() -> bytes:
    packed = zlib.compress(b"x" * (200 << 20), 1)
    chunks = [_chunk(b"zTXt", b"Comment\0\0" + packed), _chunk(b"iTXt", b"Comment\0\1\0\0\0" + packed)]
    chunks.append(_chunk(b"iCCP", b"icc\0\0" + packed))
    return png(8, 8, 8, 2, *chunks, data=bytes(8 * 25))


# What is too large, or lies, and is refused before it is decoded.
REFUSED: dict[str, Callable[[], bytes]] = {
    "one_bit.png": lambda: png(60000, 60000, 1, 0),
    "palette.png": lambda: png(60000, 60000, 8, 3, _chunk(b"PLTE", bytes(6))),
    "sixteen_bit.png": lambda: png(16000, 16000, 16, 2),
    "sixteen_bit_alpha.png": lambda: png(13000, 13000, 16, 6),
    "sixteen_bit.tif": lambda: tiff(plain(60000, 60000), bytes(600)),
    "one_bit.tif": lambda: tiff(plain(60000, 60000, t258=("H", 1), t277=("H", 1), t262=("H", 1)), bytes(600)),
    "planar.tif": lambda: tiff(plain(30000, 30000, t284=("H", 2), t273=("I", (16,) * 3), t279=("I", (9,) * 3))),
    "floats.tif": _floats,
    "tiles.tif": _tiles,
    "many_samples.tif": _samples,
    "depth.tif": _depth,
    "big.tif": lambda: tiff(plain(60000, 60000, t256=("Q", 60000)), bytes(600), big=True),
    "bomb.tif": _bomb_tiff,
    "lying_strips.tif": _lying,
    "progressive.jpg": lambda: resized(_jpeg(progressive=True), 65500, 65500),
    "sequential.jpg": lambda: resized(_jpeg(), 65500, 65500),
    "cmyk.jpg": lambda: resized(_jpeg(mode="CMYK", progressive=True), 13000, 13000),
    "thousand_scans.jpg": lambda: many_scans(1000),
}
# What claims too much beside its pixels, which can be read or not.
CLAIMING: dict[str, Callable[[], bytes]] = {
    "no_number.tif": lambda: tiff(plain(60_000_000, 1, t257=("H", (0, 0, 0, 1, 1, 1))), bytes(600)),
    "icc.tif": _huge_icc,
    "exif.jpg": _jpeg_with_exif,
    "texts.png": _texts,
}


def write_all(folder: Path) -> None:
    """Each of the files into `folder`."""
    for name, build in (REFUSED | CLAIMING).items():
        (folder / name).write_bytes(build())


# ---- texts: what a name is searched in, in the parent -----------------------------------------------------------


def _many_packed_texts() -> bytes:
    packed = bomb(15 << 20)
    return png(8, 8, 8, 2, *[_chunk(b"zTXt", b"Comment\0\0" + packed)] * 400, data=bytes(8 * 25))


def _one_text_many_times() -> bytes:
    """A directory in which 500 texts are the same 12 MB, in no known encoding."""
    entries = b"".join(struct.pack("<HHII", 0x9C00 + n, 2, 12 << 20, 16) for n in range(500))
    data = _RNG.integers(128, 256, 12 << 20, dtype=np.uint8).tobytes()
    at = 16 + len(data)
    return struct.pack("<2sHI8x", b"II", 42, at) + data + struct.pack("<H", 500) + entries + bytes(4)


def _metadata_segments() -> bytes:
    segment = b"\xff\xe5" + struct.pack(">H", 65_000) + _RNG.integers(0, 256, 64_998, dtype=np.uint8).tobytes()
    jpeg = _jpeg()
    return jpeg[:2] + segment * 2000 + jpeg[2:]


def _elements() -> bytes:
    packet = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>" + b"<a/>" * (3 << 20) + b"</x:xmpmeta>"
    return tiff(plain(8, 8) | {700: ("B", tuple(packet))}, bytes(600))


def _datasets() -> bytes:
    return tiff(plain(8, 8) | {33723: ("B", tuple(b"\x1c\2\x19\0\1x" * (2 << 20)))}, bytes(600))


def _nested() -> bytes:
    """A JPEG in the Exif of a JPEG, and so on (tag 0x2E, as one maker's raws have it)."""
    inner = _jpeg()
    while len(inner) < 65_000 - 60:
        head = struct.pack("<2sHIHHHIII", b"II", 42, 8, 1, 0x2E, 7, len(inner), 26, 0)
        block = b"Exif\0\0" + head + inner
        inner = b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 2) + block
    return inner


TEXTS: dict[str, Callable[[], bytes]] = {
    "packed.png": _many_packed_texts,
    "one_text.tif": _one_text_many_times,
    "segments.jpg": _metadata_segments,
    "elements.tif": _elements,
    "datasets.tif": _datasets,
    "nested.jpg": _nested,
}
