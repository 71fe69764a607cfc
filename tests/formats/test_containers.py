"""The readers of TIFF directories, ISO base media boxes and JPEG segments, on bytes that are damaged on purpose.

Layouts are those of TIFF 6.0, section 2, ISO/IEC 14496-12, 4.2, and ITU-T T.81, annex B.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.formats import bmff, jpeg_segments, tiff_ifd
from pipeline.formats.exif import read_tags
from pipeline.formats.jpeg_segments import APP1, SOS, split, walk
from pipeline.formats.metadata.blocks import read_blocks
from pipeline.formats.source import DamagedError, Source
from tests.formats.exif_files import CONTAINERS, LONG, MAIN_TAGS, SHORT, box, directory, jpeg, tiff


class CountedSource(Source):
    """Counts what is read, so that a test sees a loop before it is endless."""

    reads = 0

    def read(self, at: int, size: int) -> bytes:
        CountedSource.reads += 1
        assert CountedSource.reads < 30_000, "a loop without an end"
        found = super().read(at, size)
        assert len(found) <= max(0, min(size, self.length - at)), "read past the end of the part"
        return found

    def part(self, at: int, length: int) -> Source:
        inner = super().part(at, length)
        return CountedSource(inner.file, inner.start, inner.length)


def counted(data: bytes) -> Source:
    CountedSource.reads = 0
    whole = Source.of_bytes(data)
    return CountedSource(whole.file, whole.start, whole.length)


def named(source: Source) -> list[tuple[bytes, ...]]:
    return [path for path, _ in bmff.boxes(source)]


# ---- a part of a file ---------------------------------------------------------------------------------------


def test_a_part_never_reads_outside_itself() -> None:
    part = Source.of_bytes(bytes(range(100))).part(10, 20)
    assert part.read(0, 1000) == bytes(range(10, 30))
    assert part.read(19, 5) == b"\x1d"
    assert (part.read(20, 1), part.read(-1, 5), part.read(3, -4)) == (b"", b"", b"")
    assert part.part(15, 1000).read(0, 1000) == bytes(range(25, 30))
    assert part.part(-5, 3).start == 10
    assert part.part(50, 3).length == part.part(5, -3).length == 0


# ---- TIFF ---------------------------------------------------------------------------------------------------


def test_a_circle_of_directories_is_walked_once() -> None:
    """The first directory chains to itself, and the second back to the first."""
    itself = b"II*\0" + struct.pack("<I", 8) + directory(MAIN_TAGS, "<", 8, following=8)
    assert tiff_ifd.read_tiff(counted(itself)).text(0x0110) == "W1"
    length = len(directory(MAIN_TAGS, "<", 8))
    first = directory(MAIN_TAGS, "<", 8, following=8 + length)
    second = directory({0x0112: (SHORT, [3])}, "<", 8 + length, following=8)
    tags = tiff_ifd.read_tiff(counted(b"II*\0" + struct.pack("<I", 8) + first + second))
    assert tags.number(0x0112) == 6  # the first directory's own


def test_a_pointer_to_exif_that_leads_back_is_not_followed() -> None:
    data = b"II*\0" + struct.pack("<I", 8) + directory(MAIN_TAGS | {0x8769: (LONG, [8])}, "<", 8)
    source = counted(data)
    assert tiff_ifd.read_tiff(source).text(0x0110) == "W1"
    assert CountedSource.reads < 10


@pytest.mark.parametrize(("place", "found"), [(tiff_ifd.MAXIMUM_DIRECTORIES, True),
                                              (tiff_ifd.MAXIMUM_DIRECTORIES + 1, False)])  # fmt: skip
def test_a_long_chain_is_searched_to_a_limit(place: int, found: bool) -> None:
    """The pointer to Exif stands in directory number `place` of the chain, and eight are looked at."""
    data, at = b"", 8
    for number in range(1, place + 1):
        entries = {0x0100: (LONG, [1])} if number < place else {0x8769: (LONG, [at + 18])}
        data += directory(entries, "<", at, following=at + 18 if number < place else 0)
        at += 18
    data = b"II*\0" + struct.pack("<I", 8) + data + directory({0x8827: (SHORT, [3200])}, "<", at)
    assert tiff_ifd.MAXIMUM_DIRECTORIES == 8
    assert (tiff_ifd.read_tiff(counted(data)).number(0x8827) == 3200) is found


@pytest.mark.parametrize(("count", "damaged"), [(512, False), (513, True)])
def test_entries_of_a_directory_are_limited(count: int, damaged: bool) -> None:
    entries = b"".join(struct.pack("<HHII", tag, LONG, 1, tag) for tag in range(1, count + 1))
    data = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", count) + entries + bytes(4)
    tags = tiff_ifd.first_directory(counted(data))
    assert (len(tags.fields), tags.damaged) == (512, damaged)


def test_a_count_beyond_the_file_reads_to_its_end() -> None:
    data = b"II*\0" + struct.pack("<IHHHII", 8, 1, 0x010F, 2, 0xFFFFFFFF, 26) + bytes(4) + b"Westerby"
    tags = tiff_ifd.first_directory(counted(data))
    assert tags.text(0x010F) == "Westerby"
    assert tags.damaged
    assert tags.fields[0x010F].part().length == len(b"Westerby")


def test_a_text_is_read_to_its_limit() -> None:
    data = b"II*\0" + struct.pack("<IHHHII", 8, 1, 0x010F, 2, 2000, 26) + bytes(4) + b"x" * 2000
    assert tiff_ifd.first_directory(counted(data)).text(0x010F) == "x" * 1024


def test_of_a_tag_twice_the_first_counts() -> None:
    entries = struct.pack("<HHII", 0x0112, SHORT, 1, 6) + struct.pack("<HHII", 0x0112, SHORT, 1, 3)
    tags = tiff_ifd.first_directory(counted(b"II*\0" + struct.pack("<IH", 8, 2) + entries + bytes(4)))
    assert tags.number(0x0112) == 6


@pytest.mark.parametrize("data", [b"", b"II*\0", b"II\x2b\0\x08\0\0\0", b"XX*\0\x08\0\0\0", tiff()[:9]])
def test_no_tiff_has_no_tags(data: bytes) -> None:
    tags = tiff_ifd.read_tiff(counted(data))
    assert (tags.fields, tags.damaged) == ({}, True)


# ---- boxes --------------------------------------------------------------------------------------------------


def test_boxes_in_order_with_their_bodies() -> None:
    inner = box(b"uuid", bytes(16) + box(b"CMT1", b"one") + box(b"CMT2", b"two"))
    data = box(b"ftyp", b"crx ") + box(b"moov", inner + box(b"trak", box(b"deep", b""))) + box(b"uuid", b"top")
    found = [(path, body.read(0, 99)) for path, body in bmff.boxes(counted(data)) if path[0] != b"moov" or path[2:]]
    moov = (b"moov", b"uuid")
    assert found == [
        ((b"ftyp",), b"crx "),
        ((*moov, b"CMT1"), b"one"),
        ((*moov, b"CMT2"), b"two"),
        ((b"uuid",), b"top"),
    ]


def test_sizes_of_boxes() -> None:
    """ISO/IEC 14496-12, 4.2.2: 1 says that 64 bits follow, 0 that the box goes on to the end."""
    large = struct.pack(">I4sQ", 1, b"mdat", 19) + b"abc"
    data = large + struct.pack(">I4s", 0, b"free") + b"to the end"
    assert [body.read(0, 99) for _, body in bmff.boxes(counted(data))] == [b"abc", b"to the end"]
    cut = struct.pack(">I4s", 5000, b"mdat") + b"short"
    assert [body.length for _, body in bmff.boxes(counted(cut))] == [5]


@pytest.mark.parametrize("size", [1, 2, 7])
def test_a_box_smaller_than_its_header_ends_the_walk(size: int) -> None:
    """With a size of 1 and 64 bits that say 8, or with a size below 8, a walker that goes on would stand still."""
    bad = struct.pack(">I4sQ", size, b"free", 8)
    found = []
    with pytest.raises(DamagedError, match="at byte 12"):
        for path, _ in bmff.boxes(counted(box(b"ftyp", b"crx ") + bad)):
            found.append(path)
    assert found == [(b"ftyp",)]


def test_boxes_are_limited_over_all_levels() -> None:
    """The limit holds for the file, not for each level, or the levels would multiply."""
    many = box(b"moov", box(b"uuid", bytes(16) + box(b"free", b"") * 400))
    assert len(named(counted(many * 10))) == 4020
    with pytest.raises(DamagedError, match="more than 4096"):
        named(counted(many * 11))


# ---- JPEG segments ------------------------------------------------------------------------------------------


def segment(marker: int, body: bytes = b"", fill: int = 0) -> bytes:
    return b"\xff" * fill + struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


SCAN = segment(SOS) + b"\x12\x34\xff\xd9"


def markers(data: bytes) -> list[tuple[int, int]]:
    return [(place.marker, place.begin) for place in walk(counted(data))]


def test_segments_up_to_the_first_scan() -> None:
    """A marker in the scan is no segment; fill bytes belong to the marker that they stand before (B.1.1.2)."""
    data = b"\xff\xd8" + segment(0xE0, b"JFIF") + segment(APP1, b"x" * 10, fill=3) + SCAN + segment(APP1, b"late")
    assert markers(data) == [(0xE0, 2), (APP1, 10), (SOS, 27)]
    segments, rest = split(data)
    assert [s.payload for s in segments] == [b"JFIF", b"x" * 10]
    assert segments[1].raw == segment(APP1, b"x" * 10, fill=3)
    assert rest == data[27:]


@pytest.mark.parametrize(
    ("data", "why", "before"),
    [
        (b"", "not a JPEG", 0),
        (b"II*\0", "not a JPEG", 0),
        (b"\xff\xd8", "no marker at byte 2", 0),
        (b"\xff\xd8" + segment(0xE0, b"JFIF") + b"\0" + SCAN, "no marker at byte 10", 1),
        (b"\xff\xd8" + segment(0xE0, b"JFIF") + b"\xff\xd9", "ends before its first scan", 1),
        (b"\xff\xd8" + segment(0xE0, b"JFIF") + b"\xff\xd9\0\2", "bad segment at byte 10", 1),
        (b"\xff\xd8" + b"\xff\xe1\0\1" + SCAN, "bad segment at byte 2", 0),  # a length below its own two bytes
        (b"\xff\xd8" + b"\xff\x01\0\4ab" + SCAN, "bad segment at byte 2", 0),
        (b"\xff\xd8" + b"\xff\xe1\xff\xff" + b"x" * 50, "bad segment at byte 2", 1),
        (b"\xff\xd8" + segment(0xE1, b"a", fill=4097) + SCAN, "no marker at byte 2", 0),
        (b"\xff\xd8" + b"\xff" * 5000, "no marker at byte 2", 0),
    ],
)  # fmt: skip
def test_damaged_segments_end_the_walk_with_a_reason(data: bytes, why: str, before: int) -> None:
    found = []
    with pytest.raises(DamagedError, match=why):
        for place in walk(counted(data)):
            found.append(place)
    assert len(found) == before
    assert all(place.payload.length <= len(data) for place in found)


def test_segments_and_fill_bytes_are_limited() -> None:
    assert len(markers(b"\xff\xd8" + segment(APP1) * 4095 + SCAN)) == 4096
    with pytest.raises(DamagedError, match="more than 4096"):
        markers(b"\xff\xd8" + segment(APP1) * 4096 + SCAN)
    assert markers(b"\xff\xd8" + segment(APP1, b"a", fill=4096) + SCAN)[0] == (APP1, 2)
    assert (jpeg_segments.MAXIMUM_SEGMENTS, jpeg_segments.MAXIMUM_FILL) == (4096, 4096)


def test_a_segment_holds_at_most_65533_bytes_beside_its_length() -> None:
    """ITU-T T.81, B.1.1.4: a length of 16 bits counts its own two bytes."""
    assert jpeg_segments.make(APP1, bytes(65_533)).raw[:4] == b"\xff\xe1\xff\xff"
    with pytest.raises(ValueError, match="65533"):
        jpeg_segments.make(APP1, bytes(65_534))


# ---- PNG chunks ---------------------------------------------------------------------------------------------


def chunk(name: bytes, body: bytes = b"") -> bytes:
    """PNG, third edition, 5.3; without a right CRC."""
    return struct.pack(">I4s", len(body), name) + body + bytes(4)


def test_chunks_up_to_the_end_of_the_picture() -> None:
    head = b"\x89PNG\r\n\x1a\n"
    for data, model, damaged in (
        (head + chunk(b"IHDR", bytes(13)) + chunk(b"eXIf", tiff()), "W1", False),
        (head + chunk(b"IHDR", bytes(13)) + chunk(b"IEND") + chunk(b"eXIf", tiff()), "", False),
        (head + chunk(b"IHDR", bytes(13)), "", True),
        (head + chunk(b"tEXt") * 4095 + chunk(b"eXIf", tiff()), "W1", False),
        (head + chunk(b"tEXt") * 4096 + chunk(b"eXIf", tiff()), "", True),
    ):
        tags = read_tags(counted(data))
        assert (tags.text(0x0110), tags.damaged) == (model, damaged)


# ---- all readers on damaged files ---------------------------------------------------------------------------


def _cut(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randrange(len(data))]


def _flipped(data: bytes, chance: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.randrange(1, 6)):
        changed[chance.randrange(len(changed))] = chance.choice((0, 1, 0x7F, 0xFF, chance.randrange(256)))
    return bytes(changed)


@pytest.mark.parametrize("damage", [_cut, _flipped])
@pytest.mark.parametrize("name", CONTAINERS)
def test_damage_never_raises_loops_or_reads_outside(
    name: str, damage: Callable[[bytes, random.Random], bytes], tmp_path: Path
) -> None:
    chance = random.Random(name)
    path = tmp_path / name
    for _ in range(60):
        data = damage(CONTAINERS[name], chance)
        tags = read_tags(counted(data))
        for tag in tags.fields:
            tags.number(tag)
            tags.text(tag)
        path.write_bytes(data)
        read_blocks(path)


def test_exif_before_the_damage_is_read() -> None:
    data = jpeg(tiff())
    assert read_tags(counted(data[: data.index(b"\xff\xda")])).text(0x0110) == "W1"  # no scan follows
    tags = read_tags(counted(data[:80]))
    assert tags.damaged
