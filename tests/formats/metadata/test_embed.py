"""Metadata of a JPEG: what goes in whole, what is cut or refused, and that nothing else changes."""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
from dataclasses import fields
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import ExifTags, Image, IptcImagePlugin

from pipeline.formats.jpeg_segments import scan_digest, split, strip_jpeg
from pipeline.formats.metadata.credits import Contact
from pipeline.formats.metadata.embed import embed_jpeg, metadata_size, tiff_tags
from pipeline.formats.metadata.exif import exif_block
from pipeline.formats.metadata.iim import cut_utf8
from pipeline.formats.metadata.model import Metadata, MetadataTooLarge
from pipeline.formats.metadata.xmp import xmp_packet
from tests.formats.metadata.readers import TEXTS, by_exiv2, full, plain_jpeg


@pytest.fixture(scope="module")
def plain() -> bytes:
    return plain_jpeg()


def xmp_values(image: Any) -> dict[str, Any]:
    return {datum.key(): datum.value() for datum in image.xmpData()}


@pytest.mark.parametrize("name", TEXTS)
def test_caption_reads_back_whole(plain: bytes, name: str) -> None:
    text = TEXTS[name]
    if name == "long":
        assert len(text) >= 5000
    data, notices = embed_jpeg(plain, full(caption=text))
    image = by_exiv2(data)
    xmp = xmp_values(image)["Xmp.dc.description"]
    assert {xmp["x-default"], xmp["en"]} == {text}
    iim = {d.key(): d.toString() for d in image.iptcData()}
    expected = cut_utf8(text, 2000).decode()
    assert iim["Iptc.Application2.Caption"] == expected
    assert any("caption" in n for n in notices) == (expected != text)
    with Image.open(io.BytesIO(data)) as picture:
        tag = picture.getexif()[0x010E]
        raw = tag if isinstance(tag, bytes) else tag.encode("latin-1")
        assert raw.rstrip(b"\0") == text.encode()
        info = IptcImagePlugin.getiptcinfo(picture)
        assert info is not None
        assert info[(2, 120)] == expected.encode()
        assert info[(1, 90)] == b"\x1b%G"
        packet = ElementTree.fromstring(picture.info["xmp"].decode())
    rdf = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
    entries = packet.findall(f".//{{http://purl.org/dc/elements/1.1/}}description/{rdf}Alt/{rdf}li")
    language = "{http://www.w3.org/XML/1998/namespace}lang"
    assert [(entry.get(language), entry.text) for entry in entries] == [("x-default", text), ("en", text)]


def test_every_field_by_exiv2(plain: bytes) -> None:
    m = full()
    image = by_exiv2(embed_jpeg(plain, m)[0])
    xmp = {d.key(): d.toString() for d in image.xmpData()}
    assert xmp["Xmp.photoshop.Headline"] == m.headline
    assert xmp["Xmp.photoshop.DateCreated"] == "2026-02-14T19:31:05.35+01:00"
    assert xmp["Xmp.xmp.Rating"] == "4"
    assert xmp["Xmp.iptcExt.PersonInImage"] == "Łucja Żółkiewska, 王小雨"
    assert xmp["Xmp.iptc.CreatorContactInfo/Iptc4xmpCore:CiEmailWork"] == "desk@example.org"
    assert xmp["Xmp.iptcExt.LocationShown[1]/Iptc4xmpExt:CountryCode"] == "NOR"
    assert xmp["Xmp.iptcExt.DigitalSourceType"] == m.digital_source_type
    exif = {d.key(): d.toString() for d in image.exifData()}
    assert exif["Exif.Photo.DateTimeOriginal"] == "2026:02:14 19:31:05"
    assert exif["Exif.Photo.SubSecTimeOriginal"] == "35"  # a fraction, left aligned: Exif 2.32, 4.6.5
    assert exif["Exif.Photo.OffsetTimeOriginal"] == "+01:00"
    assert exif["Exif.Photo.ExposureTime"] == "1/1000"
    assert exif["Exif.Photo.FNumber"] == "14/5"
    assert exif["Exif.Photo.ISOSpeedRatings"] == "6400"
    assert exif["Exif.Photo.LensModel"] == m.lens
    assert exif["Exif.Photo.PixelXDimension"] == "40"
    assert exif["Exif.Image.Artist"] == m.creator
    assert exif["Exif.Image.Copyright"] == m.copyright
    assert (exif["Exif.Image.Orientation"], exif["Exif.Photo.ColorSpace"]) == ("1", "1")
    assert not [key for key in exif if "GPS" in key or "Serial" in key or "MakerNote" in key]
    iim = [(d.key(), d.toString()) for d in image.iptcData()]
    assert [v for k, v in iim if k == "Iptc.Application2.Keywords"] == list(m.keywords)
    assert dict(iim)["Iptc.Application2.DateCreated"] == "2026-02-14"
    assert dict(iim)["Iptc.Application2.TimeCreated"] == "19:31:05+01:00"


def test_exif_by_pillow(plain: bytes) -> None:
    with Image.open(io.BytesIO(embed_jpeg(plain, full())[0])) as picture:
        exif = picture.getexif()
        detail = exif.get_ifd(ExifTags.IFD.Exif)
        assert not exif.get_ifd(ExifTags.IFD.GPSInfo)
    assert exif[ExifTags.Base.Make] == "Maker"
    assert detail[ExifTags.Base.FocalLength] == 135
    assert detail[ExifTags.Base.ExposureTime] == pytest.approx(0.001)
    assert detail[ExifTags.Base.ISOSpeedRatings] == 6400


def test_iim_by_iptcinfo3(plain: bytes) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        iptcinfo3 = pytest.importorskip("iptcinfo3", reason="iptcinfo3 (extra: test) reads IIM")
        info = iptcinfo3.IPTCInfo(io.BytesIO(embed_jpeg(plain, full())[0]))

    def text(value: Any) -> str:
        return value.decode() if isinstance(value, bytes) else str(value)

    m = full()
    assert [text(word) for word in info["keywords"]] == list(m.keywords)
    names = {
        "by-line": m.creator, "by-line title": m.job_title, "copyright notice": m.copyright, "headline": m.headline,
        "caption/abstract": m.caption, "writer/editor": m.caption_writer, "object name": m.title, "credit": m.credit,
        "source": m.source, "city": m.city, "sub-location": m.venue, "province/state": m.region,
        "country/primary location code": m.country_code, "country/primary location name": m.country,
        "original transmission reference": m.job_id, "special instructions": m.instructions,
        "date created": "20260214", "time created": "193105+0100", "digital creation date": "20260214",
        "originating program": "evencourt",
    }  # fmt: skip
    assert {name: text(info[name]) for name in names} == names


@pytest.mark.parametrize("letter", ["a", "é", "王", "🎉"])
def test_iim_is_cut_between_characters(letter: str) -> None:
    for octets in range(1, 40):
        cut = cut_utf8(letter * 50, octets)
        assert len(cut) <= octets < len(cut) + len(letter.encode())
        assert cut.decode() == letter * (len(cut) // len(letter.encode()))


@pytest.mark.parametrize(
    "whole", ["e\u0301", "\U0001f1f5\U0001f1f1", "\U0001f44d\U0001f3fd", "\u2764\ufe0f", "\U0001f469\u200d\U0001f680"]
)
def test_iim_is_cut_between_visible_characters(whole: str) -> None:
    """Unicode Standard Annex 29, GB9 to GB13: a letter with its accent, a flag, a hand with its skin tone, a heart with
    its variation, a joined emoji. Each is one visible character, kept or left out as a whole."""
    for octets in range(1 + len(whole.encode()), 60):
        cut = cut_utf8("a" + whole * 30, octets).decode()
        assert cut == "a" + whole * (cut.count(whole))
        assert len(cut.encode()) <= octets < len(cut.encode()) + len(whole.encode())


@pytest.mark.parametrize("maker", ["Westerby", "Westerby1"])
def test_values_of_exif_begin_on_a_word_boundary(maker: str) -> None:
    """TIFF 6.0, section 2: a value that does not fit into its entry begins on a word boundary."""
    block = exif_block(Metadata(make=maker, model="A model", lens="A lens of 85", caption="Odd."), (6, 4))
    order = "<" if block[:2] == b"II" else ">"
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}
    at = [struct.unpack_from(order + "I", block, 4)[0]]
    while at:
        start = at.pop()
        (count,) = struct.unpack_from(order + "H", block, start)
        for entry in range(count):
            tag, kind, number, place = struct.unpack_from(order + "HHII", block, start + 2 + 12 * entry)
            if tag == 0x8769:
                at.append(place)
            elif sizes[kind] * number > 4:
                assert place % 2 == 0, hex(tag)


def test_resource_digest(plain: bytes) -> None:
    """Resource 0x0425 is the MD5 of resource 0x0404."""
    (payload,) = [s.payload for s in split(embed_jpeg(plain, full())[0])[0] if s.marker == 0xED]
    at, found = len(b"Photoshop 3.0\0"), {}
    while at < len(payload):
        signature, number, name, size = struct.unpack_from(">4sHHI", payload, at)
        assert (signature, name) == (b"8BIM", 0)
        found[number] = payload[at + 12 : at + 12 + size]
        at += 12 + size + size % 2
    assert found[0x0425] == hashlib.md5(found[0x0404]).digest()


def test_pixels_profile_and_order_stay(plain: bytes) -> None:
    once, _ = embed_jpeg(plain, full())
    twice, _ = embed_jpeg(once, full(caption="Other"))
    assert strip_jpeg(once) == strip_jpeg(twice) == strip_jpeg(plain) == plain
    assert scan_digest(once) == scan_digest(twice) == scan_digest(plain)
    assert embed_jpeg(twice, full())[0] == once
    assert len(once) - len(plain) == metadata_size(full())
    markers = [(s.marker, s.payload[:4]) for s in split(twice)[0]]
    assert markers[:5] == [  # JFIF first, the profile after
        (0xE0, b"JFIF"), (0xE1, b"Exif"), (0xE1, b"http"), (0xED, b"Phot"), (0xE2, b"ICC_"),
    ]  # fmt: skip
    with Image.open(io.BytesIO(plain)) as a, Image.open(io.BytesIO(once)) as b:
        assert np.array_equal(np.asarray(a), np.asarray(b))
        assert a.info["icc_profile"] == b.info["icc_profile"]


def test_earlier_metadata_of_another_writer_goes(plain: bytes) -> None:
    exif = Image.Exif()
    exif[0x010E] = "secret name"
    out = io.BytesIO()
    with Image.open(io.BytesIO(plain)) as picture:
        picture.save(out, "JPEG", exif=exif, xmp=b"<x>secret name</x>", quality=90)
    assert b"secret name" in out.getvalue()
    assert b"secret name" not in embed_jpeg(out.getvalue(), full())[0]


def test_too_long_is_refused_before_writing(plain: bytes) -> None:
    for metadata in (full(caption="王" * 30_000), full(keywords=tuple(f"word {i:05d}" for i in range(5000)))):
        for attempt in (lambda m: embed_jpeg(plain, m), metadata_size, tiff_tags):
            with pytest.raises(MetadataTooLarge, match="shorten"):
                attempt(metadata)
    assert issubclass(MetadataTooLarge, ValueError)


def test_longest_packet_that_fits(plain: bytes) -> None:
    """65,502 octets: XMP specification part 3."""
    room = 65_502 - len(xmp_packet(full(caption="a", language="")))
    fits = full(caption="a" * (1 + room), language="")
    assert len(xmp_packet(fits)) == 65_502
    image = by_exiv2(embed_jpeg(plain, fits)[0])
    assert len(xmp_values(image)["Xmp.dc.description"]["x-default"]) == room + 1
    with pytest.raises(MetadataTooLarge):
        xmp_packet(full(caption="a" * (2 + room), language=""))


def test_forbidden_characters_are_removed(plain: bytes) -> None:
    """XML 1.0, production 2."""
    forbidden = "".join(map(chr, [*range(9), 11, 12, *range(14, 32), 0xD800, 0xFFFE, 0xFFFF]))
    m = Metadata(caption=f"a{forbidden}b\r\nc\td", headline=f"x\n{forbidden} y")
    assert (m.caption, m.headline) == ("ab\nc\td", "x y")
    assert xmp_values(by_exiv2(embed_jpeg(plain, m)[0]))["Xmp.dc.description"]["x-default"] == "ab\nc\td"


@pytest.mark.parametrize(("iso", "written"), [(6400, 6400), (65535, 65535), (102_400, 65535), (0.4, None)])
def test_iso_beyond_sixteen_bits(plain: bytes, iso: float, written: int | None) -> None:
    """Exif 2.32, tag 34855: 65535 stands for "this or more"."""
    with Image.open(io.BytesIO(embed_jpeg(plain, Metadata(iso=iso))[0])) as picture:
        assert picture.getexif().get_ifd(0x8769).get(34855) == written


def test_settings_are_close_fractions(plain: bytes) -> None:
    """As a hundredth of the f-number and of a millimetre, and a millionth of a second, they are written exactly."""
    m = Metadata(exposure_time=0.123457, f_number=2.83, focal_length=70.01)
    with Image.open(io.BytesIO(embed_jpeg(plain, m)[0])) as picture:
        exif = picture.getexif().get_ifd(0x8769)
    pairs = [(exif[tag].numerator, exif[tag].denominator) for tag in (33434, 33437, 37386)]
    assert pairs == [(123457, 1_000_000), (283, 100), (7001, 100)]


def test_empty_and_senseless_values(plain: bytes) -> None:
    empty, notices = embed_jpeg(plain, Metadata())
    assert not notices
    assert {d.key() for d in by_exiv2(empty).xmpData()} == {"Xmp.xmp.CreatorTool"}
    odd = Metadata(iso=float("nan"), exposure_time=-1.0, f_number=float("inf"), focal_length=0.0)
    assert embed_jpeg(plain, odd)[0] == empty
    for wrong in ({"rating": 6}, {"utc_offset": 900}):
        with pytest.raises(ValueError):
            Metadata(**wrong)
    assert all(getattr(Metadata(), f.name) in ("", (), None, Contact()) for f in fields(Metadata))


BROKEN = (b"", b"PNG", b"\xff\xd8", b"\xff\xd8\xff\xe1\xff\xff", b"\xff\xd8\xff\xd9")


@pytest.mark.parametrize("broken", BROKEN)
def test_no_jpeg_is_refused(broken: bytes) -> None:
    with pytest.raises(ValueError, match="JPEG"):
        strip_jpeg(broken)
