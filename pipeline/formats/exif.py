"""Capture facts of a frame, from the Exif of any container, else from LibRaw.

Exif 2.32 (CIPA DC-008-2019) for the tags; DNG 1.6 for CameraSerialNumber. The makers' containers are not
published: where their blocks lie is common practice, no source.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import rawpy

from pipeline.formats.bmff import boxes, exif_of_item, metadata_items
from pipeline.formats.ciff import MARK, make_and_model
from pipeline.formats.jpeg_segments import APP1, EXIF, of_raf, walk
from pipeline.formats.metadata.blocks import read_blocks
from pipeline.formats.metadata.xmp_read import Packet
from pipeline.formats.source import DamagedError, Source
from pipeline.formats.tiff_ifd import CAMERA_JPEG, Tags, read_tiff
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.quiet import quiet_libraw
from pipeline.types import Exif

T = TypeVar("T")

_RW2_ISO = 0x0017
_ORIENTATION = 0x0112
_GPS = 0x8825  # points to the GPS directory (Exif 2.32, 4.6.3)
_MOST_ITEM = 1 << 20  # octets of an Exif item
_MOST_CHUNKS = 4096  # of a PNG or MRW, looked at in one file
# Time, its sub-seconds, its offset from UTC: original, digitised, changed.
_TIMES = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012), (0x0132, 0x9290, 0x9010))
_WRITTEN = 1e-6  # part by which a fraction differs that was kept as a number of 32 bits: they have seven digits
_FRACTION_BELOW = 0.3  # s; shorter exposures are shown as a fraction (common practice, no source)
_LOG_STEP = 1 / 32  # EV, in which raws keep the logarithm of a time (common practice, no source)
# Times on the dials of cameras, by thirds and halves of a stop, s (common practice, no source).
_DIAL = tuple(
    1 / n for n in (8000, 6400, 6000, 5000, 4000, 3200, 3000, 2500, 2000, 1600, 1500, 1250, 1000, 800, 750, 640, 500,
                    400, 350, 320, 250, 200, 180, 160, 125, 100, 90, 80, 60, 50, 45, 40, 30, 25, 20, 15, 13, 10, 8, 6,
                    5, 4)
)  # fmt: skip
_DAMAGED = "its Exif is damaged: what cannot be read is left out"
_NO_TIME = "no capture time in this file: it is treated as a single frame, not as part of a burst"
_NO_EXIF = "no Exif in this file: its {} may be unknown"


def read_exif(path: Path, kind: str) -> Exif:
    """Capture facts of a file of `kind` "raw" or "picture"; units as in `Exif`.

    Never raises because of the content: what is missing or damaged is named in `notices`. Raises OSError
    where the file cannot be opened or read.
    """
    with path.open("rb") as file:
        source = Source.whole(file)
        if source.length == 0:
            return Exif(notices=("the file is empty",))
        tags = read_tags(source)
        exif = _exif(tags)
        ciff = source.read(6, 8) == MARK
        if ciff:
            make, model = make_and_model(source)
            exif = replace(exif, make=exif.make or make, model=exif.model or model)
        oriented = 1 <= (tags.number(_ORIENTATION) or 0) <= 8
        heif = kind == "picture" and source.read(4, 4) == b"ftyp"
    if heif:
        # Its decoder turns it upright, by other properties; the one in Exif says how the camera was held (ISO/IEC
        # 23008-12, 6.5.10 and 6.5.12).
        exif = replace(exif, orientation=1)
    elif kind == "picture" and not oriented:
        exif = replace(exif, orientation=_xmp_orientation(path))
    without = exif.time is None
    if kind == "raw" and (without or not oriented or exif.iso is None or exif.exposure_time is None):
        exif = _completed(exif, path, ciff, oriented)
    notices = [_DAMAGED] if tags.damaged else []
    if exif.time is None:
        notices.append(_NO_TIME)
    elif without:
        notices.append(_NO_EXIF.format("lens" if exif.model else "camera and lens"))
    return replace(exif, notices=tuple(notices))


def read_tags(source: Source) -> Tags:
    """TIFF and Exif tags of a JPEG, PNG, TIFF or raw file; none for a file of another kind or without Exif."""
    head = source.read(0, 12)
    if head[:2] == b"\xff\xd8":
        return _from_jpeg(source)
    if head[:8] == b"FUJIFILM":
        jpeg = of_raf(source)
        return _from_jpeg(jpeg) if jpeg is not None else Tags(damaged=True)
    if head[4:8] == b"ftyp":
        return _from_boxes(source)
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return _from_png(source)
    if head[:4] == b"\0MRM":
        return _from_mrw(source)
    if head[:4] in (b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR"):
        return read_tiff(source)
    if head[:4] == b"IIU\0":
        return _from_rw2(source)
    return Tags()


def _from_rw2(source: Source) -> Tags:
    tags = read_tiff(source)
    iso = tags.fields.get(_RW2_ISO)
    if iso is not None:
        tags.fields.setdefault(0x8827, iso)
    jpeg = tags.fields.get(CAMERA_JPEG)
    if jpeg is not None:
        tags.add(_from_jpeg(jpeg.part()))
    return tags


def _from_jpeg(source: Source) -> Tags:
    """The first APP1 segment with Exif before the first scan (Exif 3.0, 4.7.2)."""
    try:
        for place in walk(source):
            if place.marker == APP1 and place.payload.read(0, len(EXIF) - 1) == EXIF[:-1]:
                return read_tiff(place.payload.part(len(EXIF), place.payload.length))
    except DamagedError:
        return Tags(damaged=True)
    return Tags()


def _from_png(source: Source) -> Tags:
    """The eXIf chunk (PNG, third edition, 5.3 and 11.3.4.5): a length, a name, a body and a CRC of 4 bytes."""
    return _chunk(source, b"eXIf", ">I4s", 4, b"IEND")


def _from_mrw(source: Source) -> Tags:
    """Blocks of a name, a length and a body; TTW is the TIFF (common practice, no source)."""
    return _chunk(source, b"\0TTW", ">4sI", 0)


def _chunk(source: Source, wanted: bytes, form: str, after: int, last: bytes = b"") -> Tags:
    """Tags of the first chunk called `wanted`, none where `last` comes before it, damaged where neither comes.

    form   of the 8 bytes before a body, a name and a length in some order; chunks begin at byte 8
    after  bytes between a body and the next chunk
    """
    at = 8
    for _ in range(_MOST_CHUNKS):
        head = source.read(at, 8)
        if len(head) < 8:
            break
        one, other = struct.unpack(form, head)
        name, length = (one, other) if isinstance(one, bytes) else (other, one)
        if name == wanted:
            return read_tiff(source.part(at + 8, length))
        if last and name == last:
            return Tags()
        at += 8 + length + after
    return Tags(damaged=True)


def _from_boxes(source: Source) -> Tags:
    """The Exif item of a HEIF file; else TIFF blocks in a uuid box in moov (common practice, no source).

    CMT1 is the main directory, CMT2 the Exif directory, CMT4 the GPS directory, whose tags have other numbers; CMT3
    (maker note) is not needed.
    """
    tags = Tags()
    heif = False
    try:
        for path, body in boxes(source):
            if path[:2] == (b"moov", b"uuid") and path[2:] in ((b"CMT1",), (b"CMT2",), (b"CMT4",)):
                tags.add(read_tiff(body))
            elif path == (b"meta",):
                heif = True
                for kind, parts in metadata_items(source, body):
                    if kind == "Exif":
                        data = b"".join(part.read(0, _MOST_ITEM) for part in parts)
                        tags.add(read_tiff(Source.of_bytes(exif_of_item(data))))
    except DamagedError:
        tags.damaged = True
    tags.damaged |= not tags.fields and not heif
    return tags


@lru_cache(maxsize=1024, typed=True)
def _one(value: T) -> T:
    """The same object for equal values: most frames of a night share them, and 20,000 frames are in memory at once."""
    return value


def _exif(tags: Tags) -> Exif:
    time, has_subseconds, offset = _time(tags)
    iso = tags.number(0x8827)
    if iso is None or iso >= 65535:  # 65535 = see the other sensitivity tags (Exif 2.32, tag 34855)
        iso = tags.number(0x8832, 0x8831) or iso
    orientation = int(tags.number(_ORIENTATION) or 1)
    return Exif(
        make=_one(tags.text(0x010F)),
        model=_one(tags.text(0x0110)),
        serial=_one(tags.text(0xA431, 0xC62F)),
        lens=_one(tags.text(0xA434)),
        iso=_one(iso),
        exposure_time=_one(tags.number(0x829A)),
        f_number=_one(tags.number(0x829D)),
        focal_length=_one(tags.number(0x920A)),
        time=time,
        has_subseconds=has_subseconds,
        utc_offset=offset,
        orientation=orientation if 1 <= orientation <= 8 else 1,
        gps_time=_gps_time(tags.pointed(_GPS) if _GPS in tags.fields else tags),
    )


def _xmp_orientation(path: Path) -> int:
    """tiff:Orientation of the XMP packet (XMP specification part 2, Exif schema for TIFF), 1 where there is none."""
    written = Packet(read_blocks(path).xmp).text("tiff:Orientation")
    return int(written) if written in tuple("12345678") else 1


def _time(tags: Tags) -> tuple[datetime | None, bool, int | None]:
    """Local time, whether it has sub-seconds, minutes from UTC; the first of `_TIMES` that is a time."""
    for name, fraction, offset in _TIMES:
        try:
            moment = datetime.strptime(tags.text(name)[:19], "%Y:%m:%d %H:%M:%S")
        except ValueError:  # absent, blank ("    :  :  ") or zeros where the clock was never set
            continue
        # A decimal fraction, left aligned, maybe padded with spaces: "35" is 0.35 s (Exif 2.32, tag 37521).
        digits = tags.text(fraction)
        fine = digits.isascii() and digits.isdigit()
        if fine:
            moment += timedelta(microseconds=int(digits[:6].ljust(6, "0")))
        return moment, fine, _offset(tags.text(offset))
    return None, False, None


def _gps_time(gps: Tags) -> datetime | None:
    """UTC of GPSDateStamp and GPSTimeStamp (Exif 2.32, GPS tags 29 and 7: hour, minute and second as rationals)."""
    clock = gps.rationals(0x0007, 3)
    try:
        day = datetime.strptime(gps.text(0x001D)[:10], "%Y:%m:%d")
        return None if clock is None else day + timedelta(hours=clock[0], minutes=clock[1], seconds=clock[2])
    except (ValueError, OverflowError):
        return None


def _offset(value: str) -> int | None:
    """Minutes of "+HH:MM" or "-HH:MM" (Exif 2.32, tag 36881)."""
    try:
        moment = datetime.strptime(value[:6], "%z")
    except ValueError:
        return None
    shift = moment.utcoffset()
    return None if shift is None else round(shift.total_seconds() / 60)


def as_cameras_say(seconds: float | None) -> float | None:
    """An exposure time that a raw holds as a logarithm, such as 0.165655 s, as the camera shows it: 1/6 s.

    Cameras write 1/N, 10/N or N/10 (common practice, no source); what is one of these already stays. Of the times on
    a dial the nearest counts, up to one step of such a logarithm away.
    """
    if seconds is None:
        return None
    for one in (10 / max(round(10 / seconds), 1), round(10 * seconds) / 10):
        if abs(one - seconds) <= _WRITTEN * seconds:
            return seconds
    near = min(_DIAL, key=lambda one: abs(math.log2(one / seconds)))
    if abs(math.log2(near / seconds)) <= _LOG_STEP:
        return near
    return 1 / round(1 / seconds) if seconds < _FRACTION_BELOW else round(seconds, 1)


def _completed(exif: Exif, path: Path, ciff: bool, oriented: bool) -> Exif:
    """`exif` with what is missing taken from LibRaw, whose time has whole seconds."""
    try:
        with quiet_libraw(path), rawpy.imread(str(path)) as raw:
            other, flip = raw.other, raw.sizes.flip
    except (rawpy.LibRawError, OSError, ValueError, OverflowError):
        return exif  # the failure shows, with its reason, when the frame is decoded
    return replace(
        exif,
        iso=exif.iso or _positive(other.iso_speed),
        exposure_time=exif.exposure_time or as_cameras_say(_positive(other.shutter_speed)),
        f_number=exif.f_number or _positive(other.aperture),
        focal_length=exif.focal_length or _positive(other.focal_length),
        time=exif.time or _wall_clock(other.timestamp, ciff),
        orientation=exif.orientation if oriented else Orientation.from_libraw(flip).value,
    )


def _positive(value: float) -> float | None:
    return value if 0 < value < 1e9 else None


def _wall_clock(stamp: datetime | None, ciff: bool) -> datetime | None:
    """The camera's clock from LibRaw's time, whatever the time zone of this computer.

    LibRaw turns written-out times into seconds by the computer's zone, and rawpy turns them back by the same.
    CIFF counts seconds of the camera's own clock from 1970, which rawpy would shift by the computer's zone.
    """
    if stamp is None or stamp.year < 1980:  # 0 seconds since 1970: not known
        return None
    return datetime.fromtimestamp(stamp.timestamp(), UTC).replace(tzinfo=None) if ciff else stamp.replace(tzinfo=None)
