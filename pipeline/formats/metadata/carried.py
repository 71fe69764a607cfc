"""Texts that a photographer typed in the camera or later, and that may be kept in delivered files.

Only the fields of `PictureTexts` are read. GPS positions, serial numbers, the owner's name, maker notes, places and
names of persons shown are not among them, so they cannot survive by accident.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import cast

from pipeline.formats.metadata.blocks import CAPTION, COPYRIGHT, CREATOR, Blocks, read_blocks
from pipeline.formats.metadata.credits import Contact, changed
from pipeline.formats.metadata.model import ALT_TEXT_MAXIMUM, Metadata, PictureTexts
from pipeline.formats.metadata.xmp_read import Packet
from pipeline.types import JsonObject

# Field of PictureTexts -> (XMP property, IIM dataset of record 2, Exif tag); IPTC Photo Metadata Standard 2025.1.
_SOURCES: Mapping[str, tuple[str, int, int]] = {
    "creator": ("dc:creator", 80, CREATOR),
    "copyright": ("dc:rights", 116, COPYRIGHT),
    "credit": ("photoshop:Credit", 110, 0),
    "source": ("photoshop:Source", 115, 0),
    "usage": ("xmpRights:UsageTerms", 0, 0),
    "rights_url": ("xmpRights:WebStatement", 0, 0),
    "job_title": ("photoshop:AuthorsPosition", 85, 0),
    "headline": ("photoshop:Headline", 105, 0),
    "title": ("dc:title", 5, 0),
    "job_id": ("photoshop:TransmissionReference", 103, 0),
    "instructions": ("photoshop:Instructions", 40, 0),
    "alt_text": ("Iptc4xmpCore:AltTextAccessibility", 0, 0),
    "caption": ("dc:description", 120, CAPTION),
    "caption_writer": ("photoshop:CaptionWriter", 122, 0),
    "keywords": ("dc:subject", 25, 0),
}
NOTHING_CARRIED = PictureTexts()
_LISTS = ("creator", "keywords")
_OWN_NAME = ("copyright", "caption")  # what cameras fill with the name of the file
CARRIED = tuple(item.name for item in fields(PictureTexts))
# Texts that belong to another text: they are carried only with it.
_BELONGS = {"job_title": "creator", "contact": "creator", "caption_writer": "caption"}
# Descriptions and copyrights that cameras write automatically (common practice, from memory).
_AUTOMATIC = re.compile(r".*digital (still )?camera.*|.*camera pictures|(.* )?dsc\d*|exif[_ ]jpeg.*|dcim.*", re.I)
# Characters of all texts together, and keywords; the rest is left out. Even all "&", in two languages, they fit into
# one packet.
_MOST, _MOST_KEYWORDS = 6000, 200


def read_carried(path: Path) -> PictureTexts:
    """The texts of a JPEG, TIFF or raw file as `read_texts`, less those that only repeat the name of the file."""
    return without_own_name(read_texts(path), path)


def without_own_name(texts: PictureTexts, path: Path) -> PictureTexts:
    """The texts without a caption or copyright that is only the file's own name, as some cameras write it."""
    own = path.stem.casefold()
    return changed(texts, {name: "" for name in _OWN_NAME if getattr(texts, name).casefold() == own})


def read_texts(path: Path) -> PictureTexts:
    """The texts of a JPEG, TIFF or raw file, by its bytes alone.

    XMP before IIM before Exif; IIM first where its digest shows that it was changed after XMP, unless it is only
    the same text cut short. Never raises for what is in the file: what cannot be read is absent. Raises OSError
    where the file cannot be opened or read.
    """
    blocks = read_blocks(path)
    packet, iim = Packet(blocks.xmp), iim_texts(blocks.iim)
    texts: dict[str, str] = {}
    keywords: tuple[str, ...] = ()
    room = _MOST
    for name, (xmp_name, dataset, tag) in _SOURCES.items():
        newer, older = packet.texts(xmp_name) if name in _LISTS else (packet.text(xmp_name),), iim.get(dataset, ())
        if blocks.iim_newer and not _cut_short(older, newer):
            newer, older = older, newer
        values = _filled(newer) or _filled(older) or _filled([_exif_text(blocks, tag)])
        length = sum(map(len, values))
        if length <= room and _sensible(name, values):
            if name == "keywords":
                keywords = values[:_MOST_KEYWORDS]
            else:
                texts[name] = ", ".join(values if name == "creator" else values[:1])
            room -= length
    if texts.get("alt_text") == texts.get("caption"):  # an alternative text must not copy the caption
        texts.pop("alt_text", None)
    members = packet.structure("Iptc4xmpCore:CreatorContactInfo")
    contact = Contact.of_iptc({name.rpartition(":")[2]: text for name, text in members.items()})
    if sum(map(len, contact.iptc().values())) > room:
        contact = Contact()
    rating = _rating(packet.text("xmp:Rating"))
    return changed(PictureTexts(keywords=keywords, contact=contact, rating=rating), texts)


def carried_as_json(carried: PictureTexts) -> JsonObject:
    """What is not empty, by field; contact by the names that IPTC gives its fields."""
    values: JsonObject = {name: getattr(carried, name) for name in CARRIED if name not in ("contact", "keywords")}
    values |= {"keywords": list(carried.keywords), "contact": dict(carried.contact.iptc())}
    return {name: value for name, value in values.items() if value not in ("", [], {}, None)}


def carried_of_json(values: JsonObject) -> PictureTexts:
    """The texts that `carried_as_json` wrote. Raises TypeError for a field that is none of them, ValueError for a value
    of another type."""
    for name, value in values.items():
        wanted = {"contact": dict, "keywords": list, "rating": int}.get(name, str)
        inside = value if isinstance(value, list) else value.values() if isinstance(value, dict) else ()
        if type(value) is not wanted or not all(isinstance(one, str) for one in inside):
            raise ValueError(f"{name} is no {wanted.__name__}")
    contact = Contact.of_iptc(cast(Mapping[str, str], values.get("contact", {})))
    keywords = tuple(cast(Sequence[str], values.get("keywords", ())))
    others = {name: value for name, value in values.items() if name not in ("contact", "keywords")}
    return changed(PictureTexts(contact=contact, keywords=keywords), others)


def with_carried(typed: Metadata, carried: PictureTexts) -> Metadata:
    """`typed`, its empty fields filled from `carried`: facts typed for the shoot win.

    Call it before names are withheld, because a carried caption or keyword may contain one. Contact and job title
    are carried only with their creator, the caption writer only with the caption.
    """
    changes = {}
    for name in CARRIED:
        if getattr(typed, name) in ("", (), None, Contact()):
            owner = _BELONGS.get(name)
            if owner is None or getattr(typed, owner) in ("", getattr(carried, owner)):
                changes[name] = getattr(carried, name)
    return changed(typed, changes)


def _sensible(name: str, values: tuple[str, ...]) -> bool:
    if name == "alt_text":
        return len("".join(values)) <= ALT_TEXT_MAXIMUM
    return name != "rights_url" or re.fullmatch(r"https?://\S+", "".join(values)) is not None


def _filled(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(text.strip() for text in texts if text.strip())


def _cut_short(cut: tuple[str, ...], whole: tuple[str, ...]) -> bool:
    return not cut or (len(cut) == len(whole) and all(a.startswith(b) for a, b in zip(whole, cut, strict=True)))


def _rating(text: str) -> int | None:
    """Stars 1 to 5, or -1 for rejected; 0 is what cameras write where nobody has rated (common practice, no source)."""
    try:
        value = round(float(text))
    except (ValueError, OverflowError):
        return None
    return value if value in (-1, 1, 2, 3, 4, 5) else None


def _exif_text(blocks: Blocks, tag: int) -> str:
    """The text of a tag, unless the camera wrote it automatically.

    Copyright has the photographer's and the editor's, with a NUL between (Exif 2.32, tag 33432).
    """
    parts = _filled(_decode(blocks.texts.get(tag, b"")).split("\0"))
    text = ", ".join(parts) if tag == COPYRIGHT else "".join(parts[:1])
    itself = _AUTOMATIC.fullmatch(text) is not None
    return "" if itself and tag != CREATOR else text


def iim_texts(data: bytes) -> dict[int, tuple[str, ...]]:
    """Datasets of record 2 (IPTC-NAA IIM 4.2): number -> texts in order, up to what is not a dataset."""
    found: dict[int, list[str]] = {}
    at, unicode = 0, False
    while at + 5 <= len(data) and data[at] == 0x1C:
        record, number, size = struct.unpack_from(">BBH", data, at + 1)
        value = data[at + 5 : at + 5 + size]
        if size & 0x8000 or len(value) < size:  # an extended dataset does not hold text
            break
        if (record, number) == (1, 90):
            unicode = value == b"\x1b%G"
        elif record == 2:
            text = value.decode("utf-8", "ignore") if unicode else _decode(value)
            found.setdefault(number, []).append(text)
        at += 5 + size
    return {number: tuple(texts) for number, texts in found.items()}


def _decode(value: bytes) -> str:
    """UTF-8, else Latin 1 (common practice, no source)."""
    try:
        return value.decode("utf-8")
    except UnicodeDecodeError:
        return value.decode("latin-1")
