"""IIM datasets of a `Metadata` and the image resource block that holds them (IPTC-NAA IIM 4.2)."""

from __future__ import annotations

import hashlib
import re
import struct
import unicodedata
from dataclasses import dataclass

from pipeline.formats.metadata.model import SOFTWARE, Metadata, offset_text

# Maximum octets per dataset of record 2: IPTC Photo Metadata Standard 2025.1, technical reference.
LIMITS = {5: 64, 25: 64, 40: 256, 80: 32, 85: 32, 90: 32, 92: 32, 95: 32, 100: 3, 101: 64, 103: 32, 105: 256,
          110: 32, 115: 32, 116: 128, 120: 2000, 122: 32}  # fmt: skip
# Not in that reference: IIM 4.2, datasets 2:62, 2:63 and 2:65.
_DIGITIZED_DATE, _DIGITIZED_TIME, _PROGRAM = 62, 63, 65

_JOINER = "\u200d"
_FLAG_HALF = re.compile("[\U0001f1e6-\U0001f1ff]")
_UTF8 = b"\x1b%G"  # ISO 2022 escape sequence, dataset 1:90


@dataclass(frozen=True)
class Iim:
    """`data` = the datasets; `cut` = one line per value that its limit shortened (XMP keeps it whole)."""

    data: bytes
    cut: tuple[str, ...]


def cut_utf8(text: str, octets: int) -> bytes:
    """At most `octets` bytes of UTF-8, never ending inside a character.

    Nor inside one visible character: before a mark, joiner, variation selector or skin tone, after a joiner,
    between the two halves of a flag (Unicode Standard Annex 29, rules GB9, GB11, GB12); unless nothing would be
    left.
    """
    kept = text.encode("utf-8")[:octets].decode("utf-8", "ignore")
    end = len(kept)
    while 0 < end < len(text) and _joined(text, end):
        end -= 1
    return text[: end or len(kept)].encode("utf-8")


def _joined(text: str, at: int) -> bool:
    """Whether the characters before and after `at` form one visible character."""
    after = text[at]
    if after == _JOINER or text[at - 1] == _JOINER or "\U0001f3fb" <= after <= "\U0001f3ff":
        return True
    if _FLAG_HALF.match(after):
        before = re.search(f"{_FLAG_HALF.pattern}*$", text[:at])
        return before is not None and len(before[0]) % 2 == 1
    return unicodedata.category(after)[0] == "M"


def iim_block(metadata: Metadata) -> Iim:
    """Datasets of records 1 and 2, in order. 2:60 needs an offset, so without one the time is left out."""
    m = metadata
    values: list[tuple[int, str, str]] = [
        (5, "title", m.title),
        *((25, "keyword", word) for word in m.keywords),
        (40, "instructions", m.instructions),
        (80, "creator", m.creator),
        (85, "job title", m.job_title),
        (90, "city", m.city),
        (92, "venue", m.venue),
        (95, "region", m.region),
        (100, "country code", m.country_code),
        (101, "country", m.country),
        (103, "job id", m.job_id),
        (105, "headline", m.headline),
        (110, "credit", m.credit),
        (115, "source", m.source),
        (116, "copyright", m.copyright),
        (120, "caption", m.caption),
        (122, "caption writer", m.caption_writer),
    ]
    records: list[tuple[int, bytes]] = [(0, b"\x00\x04")]
    cut: list[str] = []
    for dataset, name, text in values:
        if not text:
            continue
        whole, kept = text.encode("utf-8"), cut_utf8(text, LIMITS[dataset])
        if len(kept) < len(whole):
            cut.append(
                f"{name} is {len(whole)} bytes; the older IIM field 2:{dataset:02d} holds {LIMITS[dataset]}, "
                f"so it keeps the first {len(kept)} (XMP has all of it)"
            )
        if kept:
            records.append((dataset, kept))
    records.append((_PROGRAM, SOFTWARE.encode("ascii")))
    if m.created is not None:
        date = m.created.strftime("%Y%m%d").encode("ascii")
        records += [(55, date), (_DIGITIZED_DATE, date)]
        if m.utc_offset is not None:
            time = (f"{m.created:%H%M%S}" + offset_text(m.utc_offset, "")).encode("ascii")
            records += [(60, time), (_DIGITIZED_TIME, time)]
    records.sort(key=lambda record: record[0])  # stable: repeated datasets keep their order
    data = _dataset(1, 90, _UTF8) + b"".join(_dataset(2, number, value) for number, value in records)
    return Iim(data, tuple(cut))


def _dataset(record: int, number: int, data: bytes) -> bytes:
    return struct.pack(">BBBH", 0x1C, record, number, len(data)) + data


def image_resources(iim: bytes) -> bytes:
    """Resources 0x0404 (the datasets) and 0x0425 (their MD5, which tells readers that IIM and XMP agree)."""
    digest = hashlib.md5(iim, usedforsecurity=False).digest()
    return _resource(0x0404, iim) + _resource(0x0425, digest)


def _resource(number: int, data: bytes) -> bytes:
    # An empty Pascal name of two bytes; data padded to an even length that the size does not count.
    return struct.pack(">4sHHI", b"8BIM", number, 0, len(data)) + data + b"\0" * (len(data) % 2)
