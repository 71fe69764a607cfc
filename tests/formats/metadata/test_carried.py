"""What an input file carries on: files written by Pillow, by libexiv2 and by hand, then hostile ones."""

from __future__ import annotations

import hashlib
import io
import json
import random
import struct
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from pipeline.formats.metadata.blocks import read_blocks
from pipeline.formats.metadata.carried import (
    CARRIED,
    carried_as_json,
    carried_of_json,
    iim_texts,
    read_carried,
    with_carried,
)
from pipeline.formats.metadata.credits import Contact, Credits, copied
from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.formats.metadata.model import ALT_TEXT_MAXIMUM, Metadata, PictureTexts
from pipeline.formats.metadata.xmp_read import Packet, RefusedPacketError
from pipeline.formats.tiff import encode_tiff
from tests.formats.metadata.readers import TEXTS, exiv2, full, plain_jpeg

NEVER = ("event", "persons", "organisations", "venue", "city", "region", "country", "country_code", "make", "lens")


def packet(body: str, attributes: str = "") -> bytes:
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" xmlns:p="http://ns.adobe.com/photoshop/1.0/"'
        ' xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/"'
        ' xmlns:core="http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/">'
        f'<rdf:Description rdf:about="" {attributes}>{body}</rdf:Description></rdf:RDF></x:xmpmeta>'
        + " " * 200
        + '<?xpacket end="w"?>'
    ).encode()


def jpeg_with(tmp_path: Path, exif: Image.Exif | None = None, xmp: bytes = b"", iim: bytes = b"") -> Path:
    """A JPEG that Pillow wrote; `iim` = whole image resources."""
    path = tmp_path / "TH1_0001.jpg"
    out = io.BytesIO()
    Image.new("RGB", (16, 8)).save(out, "JPEG", exif=exif or Image.Exif(), xmp=xmp)
    data = out.getvalue()
    if iim:
        payload = b"Photoshop 3.0\0" + iim
        data = data[:2] + struct.pack(">BBH", 0xFF, 0xED, len(payload) + 2) + payload + data[2:]
    path.write_bytes(data)
    return path


def resources(iim: bytes, digest: bytes | None) -> bytes:
    found = b"8BIM" + struct.pack(">HHI", 0x0404, 0, len(iim)) + iim + b"\0" * (len(iim) % 2)
    return found if digest is None else found + b"8BIM" + struct.pack(">HHI", 0x0425, 0, 16) + digest


def dataset(number: int, value: bytes, record: int = 2) -> bytes:
    return struct.pack(">BBBH", 0x1C, record, number, len(value)) + value


def written(m: Metadata, kind: str) -> bytes:
    if kind == "JPEG":
        return embed_jpeg(plain_jpeg(), m)[0]
    return encode_tiff(np.zeros((3, 4, 3), np.float32), m)[0]


def filled(m: PictureTexts) -> set[str]:
    return {item.name for item in fields(m) if getattr(m, item.name) not in ("", (), None, Contact())}


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_what_we_write_is_carried_and_nothing_else(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a"
    m = full()
    path.write_bytes(written(m, kind))
    carried = read_carried(path)
    assert filled(carried) == set(CARRIED)
    assert all(getattr(carried, name) == getattr(m, name) for name in CARRIED)
    assert not set(NEVER) & set(CARRIED)


@pytest.mark.parametrize("name", TEXTS)
def test_every_script_from_another_writer(tmp_path: Path, name: str) -> None:
    """A packet, datasets and Exif that libexiv2 wrote."""
    text = TEXTS[name]
    path = tmp_path / "a.jpg"
    for block in ("Xmp.dc.description", "Iptc.Application2.Caption", "Exif.Image.ImageDescription"):
        path.write_bytes(plain_jpeg())
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        if block.startswith("Xmp"):
            value = exiv2.LangAltValue()
            value.read(text)
            image.xmpData().add(exiv2.XmpKey(block), value)
        elif block.startswith("Iptc"):
            image.iptcData()["Iptc.Envelope.CharacterSet"] = "\x1b%G"
            image.iptcData()[block] = text
        else:
            image.exifData()[block] = text
        image.writeMetadata()
        assert read_carried(path).caption == text, block


def test_typed_in_the_camera(tmp_path: Path) -> None:
    """Exif 2.32: 315 Artist; 33432 two copyrights with a NUL between. Owner, serial number and position stay."""
    exif = Image.Exif()
    exif[ExifTags.Base.Artist] = "Márta Völgyi ".encode()
    exif[ExifTags.Base.Copyright] = "© 2026 Márta Völgyi\0Westerby Post".encode()
    exif.get_ifd(ExifTags.IFD.Exif)[42032] = "Owner Name"
    exif.get_ifd(ExifTags.IFD.Exif)[42033] = "12345"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[1] = "N"
    m = read_carried(jpeg_with(tmp_path, exif))
    assert (m.creator, m.copyright) == ("Márta Völgyi", "© 2026 Márta Völgyi, Westerby Post")
    assert filled(m) == {"creator", "copyright"}


@pytest.mark.parametrize("text", ["A DIGITAL CAMERA", "MAKER DSC", "th1_0001", "Exif_JPEG_PICTURE", "   ", "\0\0"])
def test_what_cameras_write_by_themselves_is_no_caption(tmp_path: Path, text: str) -> None:
    """Common practice, no source; the frame's own name as its description stands in ../shared/data/raw."""
    exif = Image.Exif()
    exif[ExifTags.Base.ImageDescription] = text
    assert read_carried(jpeg_with(tmp_path, exif)) == PictureTexts()


def test_no_sample_file_has_typed_text(shared: Callable[[str], Path]) -> None:
    """Files of many cameras, none with a text that a person typed (looked at by hand): nothing is carried."""
    paths = [
        p
        for folder in ("raw", "burst-jpeg", "chart-jpeg", "people")
        for p in sorted(shared(f"data/{folder}").glob("*.*"))
    ]
    pictures = [p for p in paths if p.suffix.lower() in (".jpg", ".crw", ".kdc", ".tif")]
    assert pictures
    assert {p.name: filled(read_carried(p)) for p in pictures if filled(read_carried(p))} == {}


def test_forms_of_rdf(tmp_path: Path) -> None:
    """ISO 16684-1, 7: attributes, elements, lists, alternatives; structures in their three ways; other prefixes."""
    lists = (
        "<dc:creator><rdf:Seq><rdf:li>A</rdf:li><rdf:li>B</rdf:li></rdf:Seq></dc:creator>"
        '<dc:description><rdf:Alt><rdf:li xml:lang="pl">Rzut</rdf:li><rdf:li xml:lang="x-default">Throw</rdf:li>'
        "</rdf:Alt></dc:description><dc:rights><rdf:Alt><rdf:li xml:lang='pl'>©</rdf:li></rdf:Alt></dc:rights>"
        "<dc:subject><rdf:Bag><rdf:li>x</rdf:li><rdf:li/><rdf:li>y</rdf:li></rdf:Bag></dc:subject>"
    )
    contact = "core:CreatorContactInfo"
    for structure in (
        f'<{contact}><rdf:Description core:CiEmailWork="a@example.org"/></{contact}>',
        f'<{contact} rdf:parseType="Resource"><core:CiEmailWork>a@example.org</core:CiEmailWork></{contact}>',
        f'<{contact} core:CiEmailWork="a@example.org"/>',
    ):
        data = packet(lists + structure, 'p:Headline="Cup &amp; more" xmp:Rating="3"')
        m = read_carried(jpeg_with(tmp_path, xmp=data))
        assert m == PictureTexts(
            creator="A, B", caption="Throw", copyright="©", keywords=("x", "y"), headline="Cup & more", rating=3,
            contact=Contact(email="a@example.org"),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "rating"), [("0", None), ("5", 5), ("-1", -1), ("3.0", 3), ("9", None), ("nan", None), ("x", None)]
)
def test_ratings(tmp_path: Path, text: str, rating: int | None) -> None:
    assert read_carried(jpeg_with(tmp_path, xmp=packet("", f'xmp:Rating="{text}"'))).rating == rating


def test_iim_and_its_digest(tmp_path: Path) -> None:
    """XMP counts while 0x0425 is the MD5 of 0x0404; changed since, IIM counts, unless it is the same cut short."""
    xmp = packet("<p:Headline>Semi-final of the town cup</p:Headline>")
    for value, digest, expected in (
        (b"Other", "right", "Semi-final of the town cup"),
        (b"Other", None, "Semi-final of the town cup"),
        (b"Other", "wrong", "Other"),
        (b"Semi-final of", "wrong", "Semi-final of the town cup"),
    ):
        iim = dataset(105, value)
        sums = {"right": hashlib.md5(iim).digest(), "wrong": bytes(16), None: None}
        assert read_carried(jpeg_with(tmp_path, xmp=xmp, iim=resources(iim, sums[digest]))).headline == expected
    assert read_carried(jpeg_with(tmp_path, iim=resources(dataset(105, "Łódź".encode()), None))).headline == "Łódź"


def test_characters_of_iim() -> None:
    """1:90 ESC % G is UTF-8; without it UTF-8 where it is valid, else Latin 1. Cut inside a character: without it."""
    utf8 = dataset(90, b"\x1b%G", 1)
    assert iim_texts(utf8 + dataset(25, "ż".encode()) + dataset(25, b"a\xc5")) == {25: ("ż", "a")}
    assert iim_texts(dataset(80, "Völgyi".encode("latin-1"))) == {80: ("Völgyi",)}
    assert iim_texts(dataset(80, b"a") + b"\x1c\x02\x50\xff\xff" + b"b") == {80: ("a",)}
    assert iim_texts(dataset(80, b"a") + b"junk") == {80: ("a",)}


@pytest.mark.parametrize(
    "prolog",
    [
        '<!DOCTYPE x [<!ENTITY a "boo">]>',
        '<!DOCTYPE x SYSTEM "file:///etc/hostname">',
        '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE x [<!ENTITY a "b"><!ENTITY b "&a;&a;&a;&a;">]>',
        "<!DOCTYPE x>",
    ],
)
def test_document_types_and_entities_are_refused(tmp_path: Path, prolog: str) -> None:
    """XML 1.0, 2.8 and 4: nothing of such a packet is used, whether its entity is used or not."""
    for body in ("<p:Headline>&a;</p:Headline>", "<p:Headline>x</p:Headline>"):
        data = packet(body)
        start = data.index(b"<x:xmpmeta")
        assert Packet(data[:start] + prolog.encode() + data[start:]).text("photoshop:Headline") == ""
        assert read_carried(jpeg_with(tmp_path, xmp=data[:start] + prolog.encode() + data[start:])) == PictureTexts()
    assert Packet(packet("<p:Headline>x</p:Headline>")).text("photoshop:Headline") == "x"


def test_deep_and_huge_packets_carry_nothing(tmp_path: Path) -> None:
    deep = packet("<p:City>" * 2000 + "</p:City>" * 2000)
    assert Packet(deep).text("photoshop:City") == ""
    long = packet("<p:Headline>" + "a" * 7000 + "</p:Headline><p:Source>Gulls</p:Source>")
    assert filled(read_carried(jpeg_with(tmp_path, xmp=long))) == {"source"}
    entries = "".join(f"<rdf:li>{n}</rdf:li>" for n in range(900))
    many = packet(f"<dc:subject><rdf:Bag>{entries}</rdf:Bag></dc:subject>")
    assert read_carried(jpeg_with(tmp_path, xmp=many)).keywords == tuple(map(str, range(200)))
    alt = packet(f"<core:AltTextAccessibility>{'a' * (ALT_TEXT_MAXIMUM + 1)}</core:AltTextAccessibility>")
    assert read_carried(jpeg_with(tmp_path, xmp=alt)) == PictureTexts()
    names = ("core:AltTextAccessibility", "dc:description")
    copy = packet("".join(f"<{name}>Throw.</{name}>" for name in names))
    assert read_carried(jpeg_with(tmp_path, xmp=copy)) == PictureTexts(caption="Throw.")


def test_a_text_longer_than_all_may_be_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    for length in (6000, 6001):
        data = packet(f"<dc:description>{'x' * length}</dc:description>")
        Image.new("RGB", (4, 4)).save(path, tiffinfo={700: data})
        assert len(read_carried(path).caption) == (6000 if length == 6000 else 0)


@pytest.mark.parametrize(("depth", "refused"), [(40, False), (41, True)])
def test_depth_of_a_packet_is_limited(depth: int, refused: bool) -> None:
    data = (b"<a>" * depth) + (b"</a>" * depth)
    if refused:
        with pytest.raises(RefusedPacketError, match="deeper than 40"):
            Packet.strict(data)
    else:
        Packet.strict(data)


def test_a_block_is_read_to_its_limit(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    Image.new("RGB", (4, 4)).save(path, tiffinfo={700: b"x" * 1_200_000})
    assert len(read_blocks(path).xmp) == 1 << 20


def test_carried_texts_alone_always_fit(tmp_path: Path) -> None:
    """As much as is ever carried, of the character that grows most in XML."""
    names = ("Headline", "Credit", "Source", "Instructions")
    body = "".join(f"<p:{name}>{'&amp;' * 1500}</p:{name}>" for name in names)
    path = tmp_path / "a.tif"  # no JPEG holds so much, a TIFF does
    data = packet(body + f"<dc:description>{'&amp;' * 6000}</dc:description>")
    Image.new("RGB", (4, 4)).save(path, tiffinfo={700: data})
    m = read_carried(path)
    assert sum(len(getattr(m, name)) for name in ("headline", "credit", "source", "instructions", "caption")) == 6000
    embed_jpeg(plain_jpeg(), with_carried(Metadata(language="zh-Hant"), m))
    embed_jpeg(plain_jpeg(), replace(Metadata(caption="&" * 5900, creator="M. Vale"), language="zh-Hant"))


def test_resources_over_two_segments(tmp_path: Path) -> None:
    """Image resources longer than one segment go on in the next APP13."""
    iim = dataset(120, "Ć".encode() * 900)
    whole = b"8BIM" + struct.pack(">HHI", 0x0BB7, 0, 10) + bytes(10) + resources(iim, None)
    parts = (whole[:300], whole[300:])
    segments = b"".join(struct.pack(">BBH", 0xFF, 0xED, len(part) + 16) + b"Photoshop 3.0\0" + part for part in parts)
    data = plain_jpeg()
    path = tmp_path / "a.jpg"
    path.write_bytes(data[:2] + segments + data[2:])
    assert read_carried(path).caption == "Ć" * 900


def test_raw_containers(tmp_path: Path) -> None:
    """TIFF-shaped raws; RAF, whose own JPEG lies where byte 84 says; ISO base media with CMT1 and an XMP box."""
    jpeg = embed_jpeg(plain_jpeg(), Metadata(creator="M. Vale", headline="Cup"))[0]
    raf = b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 200, len(jpeg))
    (tmp_path / "a.raf").write_bytes(raf.ljust(200, b"\0") + jpeg)
    assert filled(read_carried(tmp_path / "a.raf")) == {"creator", "headline"}

    tiff = b"II*\0\x08\0\0\0" + struct.pack("<HHHIII", 1, 315, 2, 8, 26, 0) + b"M. Vale\0"

    def box(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I4s", 8 + len(body), name) + body

    xmp = bytes.fromhex("be7acfcb97a942e89c71999491e3afac") + packet("<p:Headline>Cup</p:Headline>")
    inner = box(b"uuid", bytes(16) + box(b"CNCV", b"x") + box(b"CMT1", tiff) + box(b"CMT4", tiff))
    boxes = (box(b"ftyp", b"crx "), box(b"moov", inner), box(b"uuid", xmp), box(b"mdat", b""))
    (tmp_path / "a.cr3").write_bytes(b"".join(boxes))
    assert read_carried(tmp_path / "a.cr3") == PictureTexts(creator="M. Vale", headline="Cup")
    for magic in (b"II*\0", b"IIRO", b"IIRS", b"IIU\0"):
        (tmp_path / "a.raw").write_bytes(magic + tiff[4:])
        assert read_carried(tmp_path / "a.raw") == PictureTexts(creator="M. Vale")


def test_another_character_set_is_not_read_as_utf_8() -> None:
    """IIM 4.2, 1:90: ISO 2022 escape sequences; ESC . A is the right half of ISO 8859-1."""
    for charset, text in ((b"\x1b.A", "Cup \xe5"), (b"\x1b%G", "Cup")):
        found = iim_texts(dataset(90, charset, record=1) + dataset(105, b"Cup \xe5"))[105][0]
        assert found.strip() == text


def test_a_contact_that_is_too_long_is_left_out(tmp_path: Path) -> None:
    for length, kept in ((5000, True), (6001, False)):
        body = f'<core:CreatorContactInfo core:CiEmailWork="{"a" * length}"/>'
        Image.new("RGB", (4, 4)).save(tmp_path / "a.tif", tiffinfo={700: packet(body)})
        assert read_carried(tmp_path / "a.tif").contact == Contact(email="a" * length * kept)


def test_resources_of_odd_length_are_padded(tmp_path: Path) -> None:
    """The size of an image resource does not count its padding."""
    odd = b"8BIM" + struct.pack(">HHI", 0x0BB7, 0, 3) + b"abc\0"
    path = tmp_path / "a.tif"
    Image.new("RGB", (4, 4)).save(path, tiffinfo={34377: odd + resources(dataset(105, b"Cup"), None)})
    assert read_carried(path).headline == "Cup"


def test_image_resources_go_before_the_bare_datasets_of_a_tiff(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    info = {33723: dataset(105, b"Bare"), 34377: resources(dataset(105, b"Resources"), None)}
    Image.new("RGB", (4, 4)).save(path, tiffinfo=info)
    assert read_carried(path).headline == "Resources"


def test_only_the_uuid_box_of_xmp_holds_xmp(tmp_path: Path) -> None:
    """XMP specification part 3, 1.1.10."""
    boxes = struct.pack(">I4s4s", 12, b"ftyp", b"crx ")
    for name, text in ((bytes(16), "Other"), (bytes.fromhex("be7acfcb97a942e89c71999491e3afac"), "Cup")):
        body = name + packet(f"<p:Headline>{text}</p:Headline>")
        boxes += struct.pack(">I4s", 8 + len(body), b"uuid") + body
    (tmp_path / "a.cr3").write_bytes(boxes)
    assert read_carried(tmp_path / "a.cr3").headline == "Cup"


def test_an_extended_dataset_ends_the_reading() -> None:
    """IIM 4.2, 1.5(d): with its highest bit set, a length says how many octets of the real length follow."""
    extended = b"\x1c\x02\x78\x80\x04" + struct.pack(">I", 40_000) + b"x" * 40_000
    assert iim_texts(dataset(105, b"Cup") + extended) == {105: ("Cup",)}


def test_hostile_lengths_come_to_an_end() -> None:
    """A megabyte of empty datasets, or of elements never closed, is read in one pass; any other way takes minutes."""
    assert set(iim_texts(b"\x1c\x02\x19\0\0" * 200_000)[25]) == {""}
    assert Packet(b"<a>" * 300_000).texts("dc:subject") == ()


@pytest.mark.parametrize("seed", range(150))
def test_damage_never_raises(tmp_path: Path, seed: int) -> None:
    """Files of ours with random octets changed, doubled, or cut off."""
    source = random.Random(seed)
    data = bytearray(written(full(), "JPEG" if seed % 2 else "TIFF"))
    for _ in range(source.choice((1, 10, 200))):
        data[source.randrange(len(data))] = source.choice((0, 1, 0x1C, 0x3C, 0x7F, 0xFF, source.randrange(256)))
    path = tmp_path / "a"
    path.write_bytes(data[: source.choice((len(data), source.randrange(len(data))))])
    assert filled(read_carried(path)) <= set(CARRIED)


JUNK = (b"", b"\xff\xd8", b"\xff\xd8\xff\xe1\xff", b"II*\0\xff\xff\xff\xff", b"II*\0\0\0\0\0", b"\0\0\0\0ftyp")


@pytest.mark.parametrize("data", JUNK)
def test_junk_carries_nothing(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a").write_bytes(data)
    assert read_carried(tmp_path / "a") == PictureTexts()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        read_carried(tmp_path / "a.jpg")


def test_facts_of_the_shoot_win() -> None:
    carried = PictureTexts(creator="Camera", copyright="© Camera", headline="Old", job_title="Stringer", rating=2,
                           contact=Contact(web="https://example.org"), caption="Seen", caption_writer="W")  # fmt: skip
    merged = with_carried(Metadata(headline="Cup", city="Westerby"), carried)
    assert merged == copied(Metadata(headline="Cup", city="Westerby", rating=2, caption="Seen"), carried, Credits)
    # A stranger's address and title do not go under another name; what belongs to a caption stays with it.
    merged = with_carried(Metadata(creator="Typed", caption="Typed", rating=5), carried)
    assert merged == Metadata(creator="Typed", caption="Typed", rating=5, copyright="© Camera", headline="Old")
    assert with_carried(Metadata(creator="Camera"), carried).contact == carried.contact


def test_carried_texts_through_json() -> None:
    carried = PictureTexts(caption="Throw", keywords=("a", "b"), rating=-1, contact=Contact(phone="1"))
    written = carried_as_json(carried)
    assert written == {"caption": "Throw", "keywords": ["a", "b"], "rating": -1, "contact": {"CiTelWork": "1"}}
    assert carried_of_json(json.loads(json.dumps(written))) == carried
    assert carried_of_json({}) == PictureTexts() and carried_as_json(PictureTexts()) == {}
