"""What is in a file by two readers that are not ours: libexiv2; and Pillow with the XML parser of the library."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageCms, IptcImagePlugin

from pipeline.formats.metadata.credits import Contact
from pipeline.formats.metadata.model import Metadata

exiv2 = pytest.importorskip("exiv2", reason="exiv2 (extra: test) is the independent reader")

TEXTS = {
    "Polish": "Łucja Żółkiewska rzuca z prawego skrzydła, zażarta gęś",
    "Croatian": "Đurđica Šćepanović-Žižek šutira s devet metara",
    "Turkish": "İpek Işıkoğlu kaleye şut çekiyor",
    "Arabic": "ليلى الحارثي تسدد الكرة نحو المرمى",
    "right-to-left": "\u2067ليلى الحارثي (7)\u2069 scores, \u200fפנינה לוי\u200f (12, Gulls) watches",
    "Chinese": "王小雨在右翼射门得分 𠀋𪚥",
    "emoji": "Goal 🤾🏽‍♀️ 🎉 at the buzzer 👩‍👩‍👧",
    "quotes": "\"Gulls\" & 'Foxes' <b>5 > 3</b> ]]> &amp; <!-- %s {{ x }} ?> “so” «la»",
    "newlines": "First line\nsecond line\n\nfourth line",
    "long": "Ćwierćfinał. " * 384 + "konieckon",
}
_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_LANGUAGE = "{http://www.w3.org/XML/1998/namespace}lang"
# Namespaces by XMP specification part 2 and the IPTC Photo Metadata Standard, with the prefixes exiv2 has for them.
NAMESPACES = {
    "http://purl.org/dc/elements/1.1/": "dc",
    "http://ns.adobe.com/photoshop/1.0/": "photoshop",
    "http://ns.adobe.com/xap/1.0/": "xmp",
    "http://ns.adobe.com/xap/1.0/rights/": "xmpRights",
    "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/": "Iptc4xmpCore",
    "http://iptc.org/std/Iptc4xmpExt/2008-02-29/": "Iptc4xmpExt",
}
PREFIXES = {"iptc": "Iptc4xmpCore", "iptcExt": "Iptc4xmpExt"}  # exiv2's -> the standard's

Value = str | tuple[str, ...] | dict[str, str]


@dataclass(frozen=True)
class Read:
    """`xmp` = prefixed name (members of structures after a slash) -> text, list or language alternatives;
    `iim` = dataset of record 2 -> texts; `exif` = tag of the main or the Exif directory -> text."""

    xmp: dict[str, Value]
    iim: dict[int, tuple[str, ...]]
    exif: dict[int, str]


def full(caption: str = "Seven-metre throw.", **other: Any) -> Metadata:
    """Metadata with every field filled."""
    facts = Metadata(
        headline="Town cup, semi-final", caption=caption, caption_writer="M. Vale",
        alt_text="A player throws.",
        keywords=("handball", "Łódź", "王小雨"), event="Town cup", persons=("Łucja Żółkiewska", "王小雨"),
        organisations=("Harbour Gulls", "Mill Lane Foxes"), creator="Márta Völgyi",
        contact=Contact(email="desk@example.org", phone="+00 1", city="Westerby", address="Quay 3",
                        region="Østfold", postcode="0001", country="Norge", web="https://example.org"),
        credit="Westerby Post", source="Vale Pictures", copyright="© 2026 Márta Völgyi", usage="Club use\nonly",
        venue="Old Market Hall", city="Westerby", region="Østfold", country="Norge", country_code="NOR",
        created=datetime(2026, 2, 14, 19, 31, 5, 350000), utc_offset=60, rating=4, language="en",
        digital_source_type="http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture",
        make="Maker", model="Body 1", lens="70-200 mm f/2.8", iso=6400.0, exposure_time=0.001, f_number=2.8,
        focal_length=135.0, title="TH1_0001", job_title="Staff photographer", job_id="WP-114",
        instructions="Embargo: 15 February\nno archive", rights_url="https://example.org/rights",
    )  # fmt: skip
    return replace(facts, **other)


def plain_jpeg() -> bytes:
    """A progressive JPEG of 24 rows and 40 columns with a profile and no metadata."""
    pixels = np.random.default_rng(7).integers(0, 256, (24, 40, 3), dtype=np.uint8)
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=90, icc_profile=icc, progressive=True)
    return out.getvalue()


def by_exiv2(data: bytes) -> Any:
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    return image


def read_exiv2(data: bytes) -> Read:
    image = by_exiv2(data)
    xmp: dict[str, Value] = {}
    for datum in image.xmpData():
        _, prefix, name = datum.key().split(".", 2)
        name = re.sub(r"\[\d+\]", "", f"{PREFIXES.get(prefix, prefix)}:{name}")
        value = datum.value()
        if datum.typeName() == "LangAlt":
            xmp[name] = dict(value.items())
        elif datum.typeName() in ("XmpBag", "XmpSeq"):
            xmp[name] = tuple(value)
        elif datum.toString() and not datum.toString().startswith("type="):
            xmp[name] = datum.toString()
    iim: dict[int, tuple[str, ...]] = {}
    for datum in image.iptcData():
        if datum.record() == 2:
            iim[datum.tag()] = (*iim.get(datum.tag(), ()), datum.toString())
    exif = {d.tag(): d.toString().rstrip("\0") for d in image.exifData() if d.groupName() in ("Image", "Photo")}
    return Read(xmp, iim, exif)


def read_pillow(data: bytes) -> Read:
    with Image.open(io.BytesIO(data)) as picture:
        packet = picture.info["xmp"] if picture.format == "JPEG" else picture.tag_v2[700]
        found = IptcImagePlugin.getiptcinfo(picture) or {}
        exif = picture.getexif()
        tags = dict(exif) | dict(exif.get_ifd(ExifTags.IFD.Exif))
        assert not exif.get_ifd(ExifTags.IFD.GPSInfo)
    iim = {}
    for (record, number), value in found.items():
        if record == 2:
            iim[number] = tuple(v.decode() for v in (value if isinstance(value, list) else [value]))
    return Read(_xmp(packet), iim, {tag: _text(value) for tag, value in tags.items()})


def _text(value: Any) -> str:
    """Pillow gives the octets of a text, or has them as Latin 1."""
    if isinstance(value, bytes):
        return value.rstrip(b"\0").decode("utf-8", "replace")
    return value.rstrip("\0").encode("latin-1").decode() if isinstance(value, str) else str(value)


def _xmp(packet: bytes) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for description in ElementTree.fromstring(packet.decode()).iterfind(f"{_RDF}RDF/{_RDF}Description"):
        for element in description:
            _value(found, _name(element), element)
    return found


def _value(found: dict[str, Value], name: str, element: ElementTree.Element) -> None:
    if (structure := element.find(f"{_RDF}Description")) is not None:
        for member in structure:
            found[f"{name}/{_name(member)}"] = member.text or ""
    elif (alternatives := element.find(f"{_RDF}Alt")) is not None:
        found[name] = {item.get(_LANGUAGE, ""): item.text or "" for item in alternatives}
    elif len(element):
        items = element.findall(f"*/{_RDF}li")
        found[name] = tuple(item.text or "" for item in items if not len(item))
        for item in items:
            if len(item):
                del found[name]
                _value(found, name, item)
    else:
        found[name] = element.text or ""


def _name(element: ElementTree.Element) -> str:
    uri, _, local = element.tag.removeprefix("{").rpartition("}")
    return f"{NAMESPACES[uri]}:{local}"
