"""Random texts, in JPEG and TIFF, through two readers; and what writing costs."""

from __future__ import annotations

import random
import re
import unicodedata
from typing import Any

import numpy as np
import pytest

from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.formats.metadata.iim import LIMITS, cut_utf8, iim_block
from pipeline.formats.metadata.model import ALT_TEXT_MAXIMUM, Metadata, clean_line, clean_text
from pipeline.formats.tiff import encode_tiff
from tests.formats.metadata.readers import Read, full, plain_jpeg, read_exiv2, read_pillow

# Letters of many scripts, marks, joiners, directions, signs of XML, controls, surrogates, noncharacters.
ALPHABETS = (
    "aB ,.-ąćęłńóśźżčćšžđĐİığşçÖü",
    "\"'&<>]]>;#%{}\\/=?!-- \t\n\r",
    "ليلى الحارثي \u200e\u200f\u2066\u2067\u2069\u202a\u202b\u202c",
    "王小雨射门得分𠀋𪚥　、。",
    "🤾🏽\u200d♀️🎉👩👧🇭🇷✋🏿",
    "e\u0301\u0323\u0308a\u030a\u1100\u1161\u11a8कि्ष",
    "".join(map(chr, [*range(0x20), *range(0x7F, 0xA1), 0xAD, 0x2028, 0x2029, 0xFEFF, 0xFFFD])),
    "\ud800\udbff\udc00\udfff\ufffe\uffff\ufdd0\U0001fffe\U0010ffff\U0010fffd",
)
XMP = {
    "headline": "photoshop:Headline", "caption": "dc:description", "alt_text": "Iptc4xmpCore:AltTextAccessibility",
    "caption_writer": "photoshop:CaptionWriter", "keywords": "dc:subject", "persons": "Iptc4xmpExt:PersonInImage",
    "creator": "dc:creator", "copyright": "dc:rights", "usage": "xmpRights:UsageTerms", "event": "Iptc4xmpExt:Event",
    "venue": "Iptc4xmpCore:Location", "city": "photoshop:City", "title": "dc:title",
}  # fmt: skip
IIM = {"headline": 105, "caption": 120, "caption_writer": 122, "keywords": 25, "creator": 80, "copyright": 116,
       "venue": 92, "city": 90, "title": 5}  # fmt: skip
EXIF = {"caption": 270, "creator": 315, "copyright": 33432}


def random_text(source: random.Random, longest: int = 400) -> str:
    length = source.choice((0, 1, 2, 31, 32, 33, 64, 65, 128, longest))
    letters = source.choice(ALPHABETS)
    text = []
    for _ in range(length):
        if source.random() < 0.05:
            letters = source.choice(ALPHABETS)
        text.append(chr(source.randrange(0x110000)) if source.random() < 0.02 else source.choice(letters))
    return "".join(text)


def random_metadata(source: random.Random) -> Metadata:
    values: dict[str, Any] = {name: random_text(source) for name in XMP}
    values["caption"] = random_text(source, source.choice((400, 1900, 5000)))
    for name in ("keywords", "persons"):
        values[name] = tuple(random_text(source, 80) for _ in range(source.randrange(5)))
    values["alt_text"] = unicodedata.normalize("NFC", clean_line(values["alt_text"]))[:ALT_TEXT_MAXIMUM]
    return Metadata(**values, language=source.choice(("", "en", "pl", "hr", "tr", "ar", "zh-Hant")))


def check(m: Metadata, read: Read, notices: tuple[str, ...]) -> None:
    for name, key in XMP.items():
        value = getattr(m, name)
        found = read.xmp.get(key, () if isinstance(value, tuple) else "")
        if isinstance(found, dict):
            assert set(found.values()) == {value}, name
            assert len(found) == (2 if m.language else 1)
        else:
            assert found == ((value,) if name == "creator" and value else value), name
    for name, number in IIM.items():
        value = getattr(m, name)
        entries = value if isinstance(value, tuple) else (value,)
        cut = tuple(cut_utf8(entry, LIMITS[number]).decode() for entry in entries if entry)
        assert read.iim.get(number, ()) == cut, name
        for entry, kept in zip(filter(None, entries), cut, strict=True):
            assert entry.startswith(kept) and 0 < len(kept.encode()) <= LIMITS[number]
        assert (cut != tuple(filter(None, entries))) == any(f"2:{number:02d}" in notice for notice in notices)
    for name, tag in EXIF.items():
        assert read.exif.get(tag, "") == getattr(m, name), name


@pytest.mark.parametrize("seed", range(60))
def test_what_is_read_is_what_was_meant_jpeg(seed: int) -> None:
    m = random_metadata(random.Random(seed))
    data, notices = embed_jpeg(plain_jpeg(), m)
    one, two = read_exiv2(data), read_pillow(data)
    check(m, one, notices)
    check(m, two, notices)


@pytest.mark.parametrize("seed", range(100, 115))
def test_what_is_read_is_what_was_meant_tiff(seed: int) -> None:
    m = random_metadata(random.Random(seed))
    data, notices = encode_tiff(np.full((4, 3, 3), 0.5, np.float32), m)
    check(m, read_exiv2(data), notices)
    check(m, read_pillow(data), notices)


@pytest.mark.parametrize("seed", range(200))
def test_cleaning_takes_only_what_says_nothing(seed: int) -> None:
    """Controls (Cc) but tab and line feed, surrogates (Cs), noncharacters: Unicode, chapter 23.7 and the UCD."""
    text = random_text(random.Random(seed))
    clean = clean_text(text)
    assert clean_text(clean) == clean == clean.strip()
    whole = text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "ignore")
    lines = re.sub("\r\n|[\r\x85\u2028\u2029]", "\n", whole)
    kept = "".join(c for c in lines if c in "\t\n" or not _says_nothing(c))
    assert clean == unicodedata.normalize("NFC", kept).strip()
    assert clean_line(text) == " ".join(clean.split())


def _says_nothing(letter: str) -> bool:
    code = ord(letter)
    return unicodedata.category(letter) in ("Cc", "Cs") or 0xFDD0 <= code <= 0xFDEF or code & 0xFFFE == 0xFFFE


def test_surrogates() -> None:
    """A pair is the character it stands for (Unicode, 3.9, D91); one alone is nothing."""
    assert clean_text("a\ud83e\udd3eb") == "a🤾b"
    assert clean_text("a\ud83eb\udd3e") == "ab"


@pytest.mark.parametrize(
    ("text", "octets", "kept"),
    [
        ("ab👩\u200d👩\u200d👧", 12, "ab"),  # family: one emoji of three joined
        ("ab🤾🏽", 8, "ab"),  # skin tone
        ("abq\u0323\u0307c", 5, "ab"),  # letter with two marks
        ("ab✋\ufe0f", 6, "ab"),  # variation selector
        ("\u0301" * 50, 7, "\u0301" * 3),  # marks only: at least whole code points
        ("ab🇭🇷🇵🇱c", 14, "ab🇭🇷"),  # flags are pairs
        ("王王", 5, "王"),
    ],
)
def test_cut_keeps_what_is_seen_as_one_character(text: str, octets: int, kept: str) -> None:
    """Unicode Standard Annex 29, rules GB9, GB11 and GB12."""
    assert cut_utf8(text, octets).decode() == kept


def test_every_cut_is_said() -> None:
    long = "Łódź " * 1000
    m = full(
        caption=long, headline=long, title=long, instructions=long, creator=long, job_title=long, city=long,
        venue=long, region=long, country=long, country_code="NORWAY", job_id=long, credit=long, source=long,
        copyright=long, caption_writer=long, keywords=(long,),
    )  # fmt: skip
    said = "\n".join(iim_block(m).cut)
    assert all(f"2:{number:02d} holds {limit}" in said for number, limit in LIMITS.items())
