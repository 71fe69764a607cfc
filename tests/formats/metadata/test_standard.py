"""Every property that is written, against the IPTC Photo Metadata Standard 2025.1 and the tables of libexiv2.

The standard's machine-readable form (technical reference, CC BY 4.0) says the ids in XMP, IIM and Exif, the type and
the most octets; libexiv2's own tables say which list an XMP array is and which IIM datasets may repeat.
"""

from __future__ import annotations

import re
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from pipeline.formats.metadata.carried import _SOURCES
from pipeline.formats.metadata.embed import embed_jpeg, tiff_tags
from pipeline.formats.metadata.iim import LIMITS
from pipeline.formats.metadata.model import ALT_TEXT_MAXIMUM, Metadata, MetadataTooLarge
from pipeline.formats.tiff import encode_tiff
from tests.formats.metadata.readers import (
    NAMESPACES,
    PREFIXES,
    TEXTS,
    Read,
    by_exiv2,
    exiv2,
    full,
    plain_jpeg,
    read_exiv2,
    read_pillow,
)
from tests.tables import texts

ROWS = texts("iptc_2025_1")
TOP = {row["property"]: row for row in ROWS if not row["structure"]}
READERS = {"exiv2": read_exiv2, "Pillow": read_pillow}

# Field of Metadata -> property of the standard.
PROPERTIES = {
    "headline": "headline", "caption": "description", "caption_writer": "captionWriter",
    "alt_text": "altTextAccessibility", "keywords": "keywords", "event": "eventName",
    "persons": "personInImageNames", "organisations": "organisationInImageNames", "creator": "creatorNames",
    "contact": "creatorContactInfo", "credit": "creditLine", "source": "source", "copyright": "copyrightNotice",
    "usage": "usageTerms", "venue": "sublocationName", "city": "cityName", "region": "provinceState",
    "country": "countryName", "country_code": "countryCode", "created": "dateCreated",
    "digital_source_type": "digitalSourceType", "rating": "imageRating", "title": "title", "job_title": "jobtitle",
    "job_id": "jobid", "instructions": "instructions", "rights_url": "webstatementRights",
}  # fmt: skip
# The place is said in the structures of the Extension too: member of Location -> field.
LOCATION = {"sublocation": "venue", "city": "city", "provinceState": "region", "countryName": "country",
            "countryCode": "country_code"}  # fmt: skip
CAMERA = {"make", "model", "lens", "iso", "exposure_time", "f_number", "focal_length"}
# Written beside the standard: XMP specification part 1, 8.4, and part 2, 1.2.2 and 1.2.4; IIM 4.2.
EXTRA_XMP = {"dc:language", "xmp:CreateDate", "xmp:CreatorTool", "xmpRights:Marked"}
EXTRA_IIM = {0, 62, 63, 65}
STRUCTURES = {"CreatorContactInfo", "LocationCreated", "LocationShown"}
DATE = "2026-02-14T19:31:05.35+01:00"


def members(structure: str) -> dict[str, dict[str, str]]:
    """Rows of a structure by the name of the member."""
    return {row["property"]: row for row in ROWS if row["structure"] == structure}


@pytest.fixture(scope="module")
def jpeg() -> bytes:
    return plain_jpeg()


def encode(kind: str, metadata: Metadata) -> bytes:
    if kind == "JPEG":
        return embed_jpeg(plain_jpeg(), metadata)[0]
    return encode_tiff(np.full((6, 5, 3), 0.5, np.float32), metadata)[0]


def meant(m: Metadata, name: str) -> Any:
    """What a reader of XMP should see of a field, before its type is looked at."""
    value = getattr(m, name)
    if name == "created":
        return DATE
    return (value,) if name == "creator" else str(value) if name == "rating" else value


def test_every_field_is_in_the_table() -> None:
    names = {item.name for item in fields(Metadata)}
    assert names == set(PROPERTIES) | CAMERA | {"utc_offset", "language"}
    assert all(getattr(full(), name) not in ("", (), None, {}) for name in names)


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_every_property_in_xmp(kind: str, reader: str) -> None:
    m = full()
    found = READERS[reader](encode(kind, m)).xmp
    parts = {row["xmp"]: row for row in members("CreatorContactInfo").values()}
    for name, pmd in PROPERTIES.items():
        row = TOP[pmd]
        value, key = meant(m, name), row["xmp"]
        if row["dataformat"] == "AltLang":
            assert found[key] == {"x-default": value, "en": value}, name
        elif row["datatype"] == "struct":
            inner = {k.partition("/")[2]: v for k, v in found.items() if k.startswith(f"{key}/")}
            assert inner == {f"Iptc4xmpCore:{k}": v for k, v in value.iptc().items()}, name
            assert all(parts[k]["datatype"] == "string" for k in inner)
        else:
            assert row["datatype"] in ("string", "number")
            assert isinstance(found[key], tuple) == (row["occurrence"] == "multi"), name
            assert found[key] == value, name
            if row["dataformat"] == "uri":
                assert re.fullmatch(r"https?://\S+", value), name
    for structure in ("LocationCreated", "LocationShown"):
        assert f"Iptc4xmpExt:{structure}" in {row["xmp"] for row in TOP.values()}
        for part, name in LOCATION.items():
            member = members("Location")[part]["xmp"]
            assert found[f"Iptc4xmpExt:{structure}/{member}"] == getattr(m, name)
    known = {row["xmp"] for row in TOP.values()} | EXTRA_XMP
    assert {key.partition("/")[0] for key in found} <= known
    assert found["xmp:CreateDate"] == DATE
    assert (found["xmp:CreatorTool"], found["xmpRights:Marked"]) == ("evencourt", "True")
    assert found["dc:language"] == ("en",)


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_every_property_in_iim(kind: str, reader: str) -> None:
    m = full()
    found = READERS[reader](encode(kind, m)).iim
    expected: dict[int, Any] = {}
    for name, pmd in PROPERTIES.items():
        row = TOP[pmd]
        if name != "created" and row["iim"]:
            number = int(row["iim"])
            assert LIMITS[number] == int(row["iim_octets"]), name
            value = getattr(m, name)
            expected[number] = value if isinstance(value, tuple) else (value,)
    assert "2:60" in TOP["dateCreated"]["iim_name"]
    assert set(found) - set(expected) == EXTRA_IIM | {55, 60}
    assert {number: found[number] for number in expected} == expected
    assert set(LIMITS) == set(expected)
    for date, time in ((55, 60), (62, 63)):
        assert [v.replace("-", "") for v in found[date]] == ["20260214"]
        assert [v.replace(":", "") for v in found[time]] == ["193105+0100"]


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_every_mirror_in_exif(kind: str, reader: str) -> None:
    """Exif 2.32 for what the standard does not mirror: 37521 sub-seconds, 36881 offset and their digitised twins."""
    m = full()
    found = READERS[reader](encode(kind, m)).exif
    mirrors = {name: TOP[pmd] for name, pmd in PROPERTIES.items()}
    assert {name for name, row in mirrors.items() if row["exif"] or row["exif_name"]} == {
        "caption", "copyright", "created", "creator",
    }  # fmt: skip
    assert mirrors["creator"]["exif_name"] == "Artist"
    assert found[315] == m.creator
    assert found[int(mirrors["caption"]["exif"])] == m.caption
    assert found[int(mirrors["copyright"]["exif"])] == m.copyright
    for time, fraction, offset in ((int(mirrors["created"]["exif"]), 37521, 36881), (36868, 37522, 36882)):
        assert (found[time], found[fraction], found[offset]) == ("2026:02:14 19:31:05", "35", "+01:00")
    assert (found[271], found[272], found[42036], found[34855]) == (m.make, m.model, m.lens, "6400")
    assert found[305] == "evencourt"
    if kind == "TIFF":
        assert found[306] == "2026:02:14 19:31:05"  # TIFF 6.0: time of image creation
    # Owner, serial numbers of body and lens, maker note, GPS directory.
    assert not {42032, 42033, 42037, 37500, 34853} & set(found)


def test_lists_and_repeats_are_those_of_libexiv2(jpeg: bytes) -> None:
    """libexiv2's tables: XMP bag, sequence, text or language alternatives; IIM octets and what may repeat."""
    image = by_exiv2(embed_jpeg(jpeg, full())[0])
    for datum in image.xmpData():
        if "/" in datum.key() or "[" in datum.key():
            continue
        prefix, name = datum.key().split(".")[1:]
        uri = exiv2.XmpProperties.ns(prefix)
        assert NAMESPACES[uri] == PREFIXES.get(prefix, prefix)
        if name not in STRUCTURES:
            kind = exiv2.XmpProperties.propertyType(exiv2.XmpKey(datum.key()))
            assert datum.typeId() == kind, datum.key()
    numbers = [datum.tag() for datum in image.iptcData() if datum.record() == 2]
    assert numbers == sorted(numbers)
    for entry in exiv2.IptcDataSets.application2RecordList():
        if entry.number_ in LIMITS:
            assert LIMITS[entry.number_] == entry.maxbytes_, entry.name_
        if numbers.count(entry.number_) > 1:
            assert entry.repeatable_
    assert image.iptcData().detectCharset() == "UTF-8"


def test_what_is_carried_is_read_where_the_standard_has_it() -> None:
    for name, (xmp, dataset, tag) in _SOURCES.items():
        row = TOP[PROPERTIES[name]]
        assert row["xmp"] == xmp
        assert row["iim"] == (f"{dataset:02d}" if dataset else "")
        assert row["exif"] == (str(tag) if tag and name != "creator" else "")


def test_contact_fields() -> None:
    parts = {row["xmp"] for row in members("CreatorContactInfo").values()}
    assert {f"Iptc4xmpCore:{name}" for name in full().contact.iptc()} == parts


@pytest.mark.parametrize("field", sorted(set(PROPERTIES) - {"created", "rating", "contact", "digital_source_type"}))
def test_each_alone_in_every_script(jpeg: bytes, field: str) -> None:
    """One property alone, in each script: the same by both readers, and nothing of another property."""
    for text in TEXTS.values():
        if field == "alt_text":
            text = text[:ALT_TEXT_MAXIMUM]
        value = (text, "Gulls") if field in ("keywords", "persons", "organisations") else text
        m = Metadata(**{field: value}, language="pl")
        data, _ = embed_jpeg(jpeg, m)
        one, two = read_exiv2(data), read_pillow(data)
        assert one.xmp == two.xmp
        marked = {"True"} if field == "copyright" else set()
        assert _texts(one) == {*_entries(getattr(m, field)), "pl", "evencourt"} | marked


def _entries(value: Any) -> tuple[str, ...]:
    return value if isinstance(value, tuple) else (value,)


def _texts(read: Read) -> set[str]:
    found: set[str] = set()
    for value in read.xmp.values():
        found |= set(value.values()) if isinstance(value, dict) else set(_entries(value))
    return found


def test_country_code_of_three_letters(jpeg: bytes) -> None:
    """Name and code stand beside each other; 2:100 has three octets (the standard; IIM 4.2: ISO 3166 alpha 3)."""
    found = read_exiv2(embed_jpeg(jpeg, full())[0])
    assert (found.iim[100], found.iim[101]) == (("NOR",), ("Norge",))
    assert found.xmp["Iptc4xmpCore:CountryCode"] == "NOR"
    assert found.xmp["photoshop:Country"] == "Norge"


def test_alternative_text_has_250_characters(jpeg: bytes) -> None:
    """250 is in the text of the standard, Alt Text (Accessibility), and not in its machine-readable form."""
    longest = "王" * 250
    assert read_exiv2(embed_jpeg(jpeg, Metadata(alt_text=longest))[0]).xmp["Iptc4xmpCore:AltTextAccessibility"] == {
        "x-default": longest
    }
    for write in (lambda m: embed_jpeg(jpeg, m), tiff_tags):
        with pytest.raises(MetadataTooLarge, match="alternative text"):
            write(Metadata(alt_text=longest + "a"))


@pytest.mark.parametrize("rating", [-1, 0, 5])
def test_ratings(jpeg: bytes, rating: int) -> None:
    """XMP specification part 2, 1.2.2: -1 is rejected, 0 is unrated, up to 5."""
    assert read_exiv2(embed_jpeg(jpeg, Metadata(rating=rating))[0]).xmp["xmp:Rating"] == str(rating)


@pytest.mark.parametrize(("language", "tags"), [("", []), ("pl", ["pl"]), ("zh-Hant-TW", ["zh-Hant-TW"]), ("a b<", [])])
def test_language_alternatives(jpeg: bytes, language: str, tags: list[str]) -> None:
    """ISO 16684-1: x-default first; a language that is no BCP 47 tag is left out, also from dc:language."""
    for read in READERS.values():
        xmp = read(embed_jpeg(jpeg, Metadata(caption="x", language=language))[0]).xmp
        found = list(xmp["dc:description"])
        if read is read_exiv2:  # which sorts them, in small letters: BCP 47 tags have no case
            found, expected = sorted(found), sorted(tag.lower() for tag in ["x-default", *tags])
        else:
            expected = ["x-default", *tags]
        assert found == expected
        assert xmp.get("dc:language", ()) == tuple(tags)


def test_offsets_and_fractions(jpeg: bytes) -> None:
    """Exif 2.32: 37521 is a left-aligned decimal fraction, 36881 "+HH:MM"; without an offset IIM has no time."""
    moment = full().created
    assert moment is not None
    cases = ((0, -210, None, "-03:30"), (1, 0, "000001", "+00:00"), (50_000, None, "05", None))
    for micro, offset, fraction, zone in cases:
        data, _ = embed_jpeg(jpeg, full(created=moment.replace(microsecond=micro), utc_offset=offset))
        found = read_exiv2(data)
        assert (found.exif.get(37521), found.exif.get(36881)) == (fraction, zone)
        whole = f"2026-02-14T19:31:05{'.' + fraction if fraction else ''}{zone or ''}"
        assert found.xmp["photoshop:DateCreated"] == found.xmp["xmp:CreateDate"] == whole
        assert found.iim.get(60) == ((f"19:31:05{zone}",) if zone else None)
