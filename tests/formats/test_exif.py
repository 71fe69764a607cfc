"""The Exif reader against ExifRead, Pillow and LibRaw on real files, and on the small ones of exif_files."""

from __future__ import annotations

import io
import os
import random
import struct
import subprocess
import sys
import warnings
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import ExifTags, Image

from pipeline.formats.exif import _wall_clock, read_exif
from tests.formats.exif_files import (
    ASCII,
    CONTAINERS,
    EXIF_TAGS,
    EXPECTED,
    LONG,
    MAIN_TAGS,
    RATIONAL,
    SHORT,
    Entries,
    box,
    cr3,
    directory,
    jpeg,
    read,
    tiff,
)

Shared = Callable[[str], Path]


@pytest.mark.parametrize("name", CONTAINERS)
def test_synthetic_container(name: str, tmp_path: Path) -> None:
    kind = "picture" if name.endswith(("jpg", "png")) else "raw"
    assert read(tmp_path, CONTAINERS[name], name, kind) == EXPECTED


@pytest.mark.parametrize("name", ["little.dng", "big.nef", "a.raf", "a.jpg", "a.png"])
def test_exifread_reads_the_same_synthetic_files(name: str) -> None:
    """The builders above are right at least where the outside reader knows the container."""
    exifread = pytest.importorskip("exifread", reason="ExifRead is not installed")
    data = CONTAINERS[name]
    if name == "a.raf":
        data = data[148:]
    tags = exifread.process_file(io.BytesIO(data), details=False)
    assert str(tags["Image Model"]) == "W1"
    assert str(tags["EXIF BodySerialNumber"]) == "0012345"
    assert str(tags["EXIF DateTimeOriginal"]) == "2026:02:14 19:42:07"


def test_written_by_pillow(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Model] = "W1"
    exif[ExifTags.Base.Orientation] = 8
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {0x9003: "2026:02:14 19:42:07", 0x9291: "5", 0x9011: "-03:30", 0x8827: 3200, 0x829A: 0.002}
    )
    for name in ("a.jpg", "a.png"):
        Image.new("RGB", (64, 64)).save(tmp_path / name, exif=exif)
        got = read_exif(tmp_path / name, "picture")
        assert (got.model, got.orientation, got.iso) == ("W1", 8, 3200), name
        assert got.exposure_time == pytest.approx(0.002)
        assert (got.time, got.utc_offset) == (datetime(2026, 2, 14, 19, 42, 7, 500_000), -210), name
        assert got.notices == ()
    # Pillow gives a TIFF the main directory only; a compressed one has it behind the pixels.
    for extra in ({}, {"compression": "tiff_lzw"}):
        Image.new("RGB", (64, 64)).save(tmp_path / "a.tif", exif=exif, **extra)
        got = read_exif(tmp_path / "a.tif", "picture")
        assert (got.model, got.orientation) == ("W1", 8)


def with_gps(stamp: str, clock: list[tuple[int, int]], order: str = "<") -> bytes:
    """A TIFF whose GPS directory (Exif 2.32, 4.6.3) holds GPSDateStamp and GPSTimeStamp."""
    gps: Entries = {0x0007: (RATIONAL, clock), 0x001D: (ASCII, stamp.encode() + b"\0")}
    length = len(directory(MAIN_TAGS | {0x8825: (LONG, [0])}, order, 8))
    first = directory(MAIN_TAGS | {0x8825: (LONG, [8 + length])}, order, 8)
    head = b"II*\0" if order == "<" else b"MM\0*"
    return head + struct.pack(order + "I", 8) + first + directory(gps, order, 8 + length)


@pytest.mark.parametrize("order", ["<", ">"])
def test_time_of_the_satellites(tmp_path: Path, order: str) -> None:
    """GPS tags 7 and 29 of Exif 2.32 are UTC; ExifRead finds the same."""
    block = with_gps("2026:02:14", [(18, 1), (42, 1), (750, 100)], order)
    assert read(tmp_path, jpeg(block)).gps_time == datetime(2026, 2, 14, 18, 42, 7, 500_000)
    exifread = pytest.importorskip("exifread", reason="ExifRead is not installed")
    tags = exifread.process_file(io.BytesIO(jpeg(block)), details=False)
    assert str(tags["GPS GPSDate"]) == "2026:02:14"
    assert [float(value) for value in tags["GPS GPSTimeStamp"].values] == [18, 42, 7.5]


def test_time_of_the_satellites_in_boxes(tmp_path: Path) -> None:
    gps = tiff(main={0x0007: (RATIONAL, [(0, 1), (0, 1), (5, 1)]), 0x001D: (ASCII, b"2026:02:15\0")}, exif=None)
    data = cr3().replace(box(b"CMT2", tiff(main=EXIF_TAGS, exif=None)), b"")
    moov = box(b"moov", box(b"uuid", bytes(16) + box(b"CNCV", b"x" * 30) + box(b"CMT4", gps)))
    assert read(tmp_path, data[: 8 + len(b"crx \0\0\0\1crx isom")] + moov, "x.cr3", "raw").gps_time == datetime(
        2026, 2, 15, 0, 0, 5
    )


@pytest.mark.parametrize(
    ("stamp", "clock"),
    [("2026:02:14", [(18, 1), (42, 1), (7, 0)]), ("2026:02:14", [(18, 1), (42, 1)]), ("    :  :  ", [(18, 1)] * 3),
     ("2026:02:30", [(18, 1)] * 3), ("9999:12:31", [(4_000_000_000, 1)] * 3)],
)  # fmt: skip
def test_no_time_of_the_satellites(tmp_path: Path, stamp: str, clock: list[tuple[int, int]]) -> None:
    assert read(tmp_path, jpeg(with_gps(stamp, clock))).gps_time is None
    assert read(tmp_path, jpeg(tiff())).gps_time is None


def test_real_jpegs_as_exifread_and_pillow_read_them(shared: Shared) -> None:
    exifread = pytest.importorskip("exifread", reason="ExifRead is not installed")
    paths = sorted([*shared("data/chart-jpeg").glob("*.JPG"), *shared("data/burst-jpeg").glob("*.JPG")])
    assert len(paths) == 8
    for path in paths:
        got = read_exif(path, "picture")
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        with warnings.catch_warnings(), Image.open(path) as picture:
            warnings.simplefilter("ignore")  # Pillow's own remarks on the files
            pillow = picture.getexif()
            inner = pillow.get_ifd(ExifTags.IFD.Exif)
        assert got.make == str(tags["Image Make"]).strip() == pillow[0x010F].strip("\0 ")
        assert got.model == str(tags["Image Model"]).strip() == pillow[0x0110].strip("\0 ")
        assert got.serial == str(tags.get("EXIF BodySerialNumber", "")).strip()
        assert got.lens == str(tags.get("EXIF LensModel", "")).strip()
        assert got.iso == tags["EXIF ISOSpeedRatings"].values[0] == inner[0x8827]
        for value, name, tag in (
            (got.exposure_time, "EXIF ExposureTime", 0x829A),
            (got.f_number, "EXIF FNumber", 0x829D),
            (got.focal_length, "EXIF FocalLength", 0x920A),
        ):
            assert value == pytest.approx(float(tags[name].values[0])) == pytest.approx(float(inner[tag]))
        assert got.orientation == tags["Image Orientation"].values[0] == pillow[0x0112]
        stamp = str(tags["EXIF DateTimeOriginal"])
        digits = str(tags.get("EXIF SubSecTimeOriginal", "")).strip()
        moment = datetime.strptime(f"{stamp}.{digits or '0'}", "%Y:%m:%d %H:%M:%S.%f")
        assert (got.time, got.has_subseconds) == (moment, bool(digits))
        offset = str(tags.get("EXIF OffsetTimeOriginal", ""))
        assert (got.utc_offset is None) == (offset == "")
        if got.utc_offset is not None:
            assert abs(got.utc_offset) == int(offset[1:3]) * 60 + int(offset[4:6])
            assert (got.utc_offset < 0) == (offset[0] == "-")


def test_old_raws_get_time_from_libraw_or_their_directory(shared: Shared) -> None:
    exifread = pytest.importorskip("exifread", reason="ExifRead is not installed")
    for path in sorted(shared("data/raw").glob("*.KDC")):
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        got = read_exif(path, "raw")
        assert got.model == str(tags["Image Model"]).strip()
        assert got.time == datetime.strptime(str(tags["Image DateTime"]), "%Y:%m:%d %H:%M:%S")
        assert got.iso and got.exposure_time and not got.has_subseconds
    for path in sorted(shared("data/raw").glob("*.CRW")):
        got = read_exif(path, "raw")
        assert (got.iso, got.has_subseconds, got.orientation) == (50.0, False, 1)
        assert got.model and got.notices == ("no Exif in this file: its lens may be unknown",)


def ciff_records(data: bytes, wanted: int, begin: int, end: int) -> list[int]:
    """Places of the records of one type, in the heap from `begin` to `end` and in the heaps inside it."""
    table = begin + struct.unpack_from("<I", data, end - 4)[0]
    found = []
    for index in range(struct.unpack_from("<H", data, table)[0]):
        kind, size, offset = struct.unpack_from("<HII", data, table + 2 + 10 * index)
        if kind == wanted:
            found.append(begin + offset)
        elif kind & 0xF800 in (0x2800, 0x3000):
            found += ciff_records(data, wanted, begin + offset, begin + offset + size)
    return found


def test_time_of_a_ciff_raw_does_not_depend_on_the_zone_of_the_computer(shared: Shared) -> None:
    """CIFF's CapturedTime (record 0x180E) is read straight from the file; the layout is from memory."""
    path = shared("data/raw/CRW_0101.CRW")
    data = path.read_bytes()
    (place,) = ciff_records(data, 0x180E, 26, len(data))
    wall_clock = str(datetime(1970, 1, 1) + timedelta(seconds=struct.unpack_from("<I", data, place)[0]))
    code = "import sys; from pathlib import Path; from pipeline.formats.exif import _wall_clock, read_exif; "
    code += "print(read_exif(Path(sys.argv[1]), 'raw').time)"
    for zone in ("UTC", "America/New_York", "Asia/Kolkata"):
        ran = subprocess.run(
            [sys.executable, "-c", code, str(path)], env=os.environ | {"TZ": zone}, capture_output=True, text=True,
            check=True, cwd=Path(__file__).resolve().parents[2],
        )  # fmt: skip
        assert ran.stdout.strip() == wall_clock, zone


def test_a_time_of_libraw_before_1980_is_none() -> None:
    """0 seconds since 1970 stand for "not known"; no digital camera is older than 1980."""
    assert _wall_clock(datetime(1970, 1, 1), ciff=False) is _wall_clock(datetime(1979, 12, 31), ciff=False) is None
    assert _wall_clock(datetime(1980, 1, 2), ciff=False) == datetime(1980, 1, 2)


def write_dng(path: Path, orientation: int | None) -> None:
    """A minimal DNG 1.4 of our own, with or without its orientation."""
    extra = [
        (50706, 1, 4, (1, 4, 0, 0), True), (33421, 3, 2, (2, 2), True), (33422, 1, 4, (0, 1, 1, 2), True),
        (50708, 2, 0, "W1", True), (36867, 2, 0, "2026:02:14 19:42:07", True),
    ]  # fmt: skip
    if orientation is not None:
        extra.append((274, 3, 1, orientation, True))
    mosaic = np.full((64, 96), 1000, np.uint16)
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=extra, metadata=None, software=False)


def test_raw_without_orientation_is_upright_and_no_complaint(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", None)
    got = read_exif(tmp_path / "a.dng", "raw")
    assert (got.orientation, got.time, got.notices) == (1, datetime(2026, 2, 14, 19, 42, 7), ())


@pytest.mark.parametrize(
    ("digits", "microseconds"),
    # Exif 2.32, tag 37521: a fraction of a second as decimal digits, padded with blanks.
    [(b"35\0", 350_000), (b"035 \0", 35_000), (b"5", 500_000), (b"00\0", 0), (b"9999999\0", 999_999)],
)
def test_subseconds_are_a_left_aligned_fraction(digits: bytes, microseconds: int, tmp_path: Path) -> None:
    got = read(tmp_path, jpeg(tiff(exif=EXIF_TAGS | {0x9291: (ASCII, digits)})))
    assert got.has_subseconds and got.time is not None and got.time.microsecond == microseconds


@pytest.mark.parametrize("digits", [b"   \0", b"x1\0", b"\xc2\xb2\0"])
def test_subseconds_that_are_none(digits: bytes, tmp_path: Path) -> None:
    got = read(tmp_path, jpeg(tiff(exif=EXIF_TAGS | {0x9291: (ASCII, digits)})))
    assert not got.has_subseconds and got.time == datetime(2026, 2, 14, 19, 42, 7)


def test_last_second_of_the_calendar_does_not_overflow(tmp_path: Path) -> None:
    late = {0x9003: (ASCII, b"9999:12:31 23:59:59\0"), 0x9291: (ASCII, b"9999999\0")}
    assert read(tmp_path, jpeg(tiff(exif=EXIF_TAGS | late))).time == datetime.max


@pytest.mark.parametrize(
    ("more", "iso"),
    [({0x8832: (LONG, [102400])}, 102400), ({0x8831: (LONG, [80000])}, 80000), ({}, 65535)],
)
def test_iso_beyond_sixteen_bits(more: Entries, iso: int, tmp_path: Path) -> None:
    """Exif 2.32, tag 34855: 65535 where the true value stands in another tag."""
    assert read(tmp_path, jpeg(tiff(exif=EXIF_TAGS | {0x8827: (SHORT, [65535])} | more))).iso == iso


def test_sub_seconds_belong_to_their_own_time(tmp_path: Path) -> None:
    """DateTime (a later change) does not borrow SubSecTimeOriginal."""
    exif = {tag: value for tag, value in EXIF_TAGS.items() if tag != 0x9003}
    main = MAIN_TAGS | {0x0132: (ASCII, b"2026:02:15 08:00:00\0")}
    got = read(tmp_path, jpeg(tiff(main=main, exif=exif)))
    assert (got.time, got.has_subseconds, got.utc_offset) == (datetime(2026, 2, 15, 8), False, None)


def test_serial_from_dng_tag_and_zero_denominator(tmp_path: Path) -> None:
    main = MAIN_TAGS | {0xC62F: (ASCII, b"77\0")}
    exif = {0x829A: (RATIONAL, [(1, 0)]), 0x9003: (ASCII, b"    :  :     :  :  \0")}
    got = read(tmp_path, jpeg(tiff(main=main, exif=exif)))
    assert (got.serial, got.exposure_time, got.time) == ("77", None, None)
    assert any("no capture time" in notice for notice in got.notices)


def test_pointer_to_exif_in_a_chained_directory(tmp_path: Path) -> None:
    first = directory(MAIN_TAGS, "<", 8)
    second_at = 8 + len(first)
    second = directory({0x8769: (LONG, [second_at + 18])}, "<", second_at)
    data = b"II*\0" + struct.pack("<I", 8) + directory(MAIN_TAGS, "<", 8, second_at) + second
    assert read(tmp_path, data + directory(EXIF_TAGS, "<", second_at + 18), "x.tif") == EXPECTED


def test_orientation_in_xmp_alone(tmp_path: Path) -> None:
    """As Pillow's exif_transpose has it: XMP decides where Exif says nothing, and only there."""
    packet = (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Orientation="8"/></rdf:RDF></x:xmpmeta>'
    )
    for name, orientation in (("none", 8), ("exif", 6)):
        exif = Image.Exif()
        if name == "exif":
            exif[ExifTags.Base.Orientation] = 6
        path = tmp_path / f"{name}.jpg"
        Image.new("RGB", (64, 32)).save(path, exif=exif, xmp=packet.encode())
        assert read_exif(path, "picture").orientation == orientation
        with Image.open(path) as picture:
            assert picture.getexif()[ExifTags.Base.Orientation] == orientation


def test_directory_that_points_to_itself_ends(tmp_path: Path) -> None:
    data = b"II*\0" + struct.pack("<I", 8) + directory(MAIN_TAGS, "<", 8, following=8)
    assert read(tmp_path, data, "x.tif").model == "W1"
    data = b"II*\0" + struct.pack("<I", 8) + directory(MAIN_TAGS | {0x8769: (LONG, [8])}, "<", 8)
    assert read(tmp_path, data, "x.tif").model == "W1"


def test_directory_at_the_end_of_a_large_file(tmp_path: Path) -> None:
    """Only the directories are read, wherever they lie (here behind 6 MB)."""
    far = 6 << 20
    data = b"II*\0" + struct.pack("<I", far) + bytes(far - 8) + directory(EXIF_TAGS | MAIN_TAGS, "<", far)
    assert read(tmp_path, data, "x.tif") == EXPECTED


def test_empty_and_missing_file(tmp_path: Path) -> None:
    assert read(tmp_path, b"", "x.dng", "raw").notices == ("the file is empty",)
    with pytest.raises(OSError, match="nothing"):
        read_exif(tmp_path / "nothing.dng", "raw")


def test_cut_exif_is_named_as_damaged(tmp_path: Path) -> None:
    got = read(tmp_path, tiff()[:150], "x.tif")
    assert got.notices[0].startswith("its Exif is damaged")


def test_junk_never_raises_or_hangs(tmp_path: Path) -> None:
    """Truncated and bit-flipped files of every container, seeded; LibRaw is asked in a few only."""
    chance = random.Random(14)
    cases = 0
    for name, whole in CONTAINERS.items():
        for index in range(60):
            data = bytearray(whole)
            for _ in range(chance.choice((0, 1, 3, 30))):
                data[chance.randrange(len(data))] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
            if index % 3 == 0:
                del data[chance.randrange(len(data)) :]
            got = read(tmp_path, bytes(data), name, "raw" if index < 4 else "picture")
            assert 1 <= got.orientation <= 8
            cases += 1
    for index in range(60):
        head = chance.choice([whole[:12] for whole in CONTAINERS.values()])
        assert read(tmp_path, head + chance.randbytes(600), f"r{index}.jpg")
        cases += 1
    assert cases > 700


@pytest.mark.parametrize("number", [0, 9, 65535])
def test_an_orientation_that_exif_does_not_have_is_upright(number: int, tmp_path: Path) -> None:
    """Exif 2.32, 4.6.4: 1 to 8; anything else is reserved."""
    assert read(tmp_path, jpeg(tiff(main=MAIN_TAGS | {0x0112: (SHORT, [number])}))).orientation == 1
