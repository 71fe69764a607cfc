"""The facts that travel inside a delivered file, cleaned once so that XMP, IIM and Exif say the same."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime

from pipeline.errors import FrameError

SOFTWARE = "evencourt"  # without its version: the same texts make the same bytes
ALT_TEXT_MAXIMUM = 250  # characters: IPTC Photo Metadata Standard 2025.1, Alt Text (Accessibility)

# XML 1.0 (fifth edition), production 2 "Char", and the note below it: the first class may not appear in a
# document, even escaped; C1 controls and what Unicode calls noncharacters are discouraged and say nothing.
_FORBIDDEN = re.compile(
    "[^\t\n\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|[\x7f-\x9f\ufdd0-\ufdef]|["
    + "".join(chr(plane + last) for plane in range(0x10000, 0x110000, 0x10000) for last in (0xFFFE, 0xFFFF))
    + "]"
)
_LINE_END = re.compile("\r\n?|[\x85\u2028\u2029]")
_SURROGATE = re.compile("[\ud800-\udfff]")
# These keep their line breaks; every other text is one line.
_PARAGRAPHS = frozenset({"caption", "usage", "instructions"})

# Names a photographer would write -> IPTC CreatorContactInfo (Photo Metadata Standard 2025.1).
CONTACT_FIELDS: Mapping[str, str] = {
    "address": "CiAdrExtadr",
    "city": "CiAdrCity",
    "region": "CiAdrRegion",
    "postcode": "CiAdrPcode",
    "country": "CiAdrCtry",
    "phone": "CiTelWork",
    "email": "CiEmailWork",
    "web": "CiUrlWork",
}


class MetadataTooLarge(FrameError, ValueError):
    """The text does not fit into the segment of the file that has to hold it."""


def clean_text(text: str) -> str:
    """NFC text without control characters, noncharacters and lone surrogates; every line end becomes LF.

    A pair of surrogates, as badly decoded JSON leaves it, becomes the character it stands for.
    """
    if _SURROGATE.search(text):
        text = text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "ignore")
    text = _FORBIDDEN.sub("", _LINE_END.sub("\n", text))
    return unicodedata.normalize("NFC", text).strip()


def clean_line(text: str) -> str:
    """Like `clean_text`, on one line: every run of white space becomes one space."""
    return " ".join(clean_text(text).split())


@dataclass(frozen=True)
class Metadata:
    """Everything that is written into a file. "" , () or None = not written.

    Texts are cleaned on construction (see `clean_text`); lists lose empty and repeated entries.

    contact         keys of CONTACT_FIELDS or the IPTC names themselves
    created         naive local time, microseconds; utc_offset minutes east of UTC, -840 to 840
    rating          -1 (rejected) to 5
    language        BCP 47 tag of the texts
    exposure_time   seconds; focal_length mm; iso as on the camera
    title           short name of the picture (IPTC Title, IIM Object Name), say the frame's name
    job_title       what the creator is, "Staff photographer"; job_id the desk's number for the job
    instructions    embargoes and the like, for the desk, on lines of their own
    rights_url      web address of the rights statement (Web Statement of Rights)
    Raises ValueError for a rating, offset, time or contact key outside these.
    """

    headline: str = ""
    caption: str = ""
    caption_writer: str = ""
    alt_text: str = ""
    keywords: tuple[str, ...] = ()
    event: str = ""
    persons: tuple[str, ...] = ()
    organisations: tuple[str, ...] = ()
    creator: str = ""
    contact: Mapping[str, str] = field(default_factory=dict)
    credit: str = ""
    source: str = ""
    copyright: str = ""
    usage: str = ""
    venue: str = ""
    city: str = ""
    region: str = ""
    country: str = ""
    country_code: str = ""
    created: datetime | None = None
    utc_offset: int | None = None
    digital_source_type: str = ""
    rating: int | None = None
    language: str = ""
    make: str = ""
    model: str = ""
    lens: str = ""
    iso: float | None = None
    exposure_time: float | None = None
    f_number: float | None = None
    focal_length: float | None = None
    title: str = ""
    job_title: str = ""
    instructions: str = ""
    job_id: str = ""
    rights_url: str = ""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, str):
                tidy = clean_text if item.name in _PARAGRAPHS else clean_line
                object.__setattr__(self, item.name, tidy(value))
            elif isinstance(value, tuple):
                lines = (clean_line(entry) for entry in value)
                object.__setattr__(self, item.name, tuple(dict.fromkeys(entry for entry in lines if entry)))
        contact = {CONTACT_FIELDS.get(key, key): clean_line(text) for key, text in self.contact.items()}
        if unknown := sorted(set(contact) - set(CONTACT_FIELDS.values())):
            raise ValueError(f"contact has no {', '.join(unknown)}; write {', '.join(CONTACT_FIELDS)}")
        object.__setattr__(self, "contact", {key: text for key, text in contact.items() if text})
        if self.rating is not None and not -1 <= self.rating <= 5:
            raise ValueError(f"rating {self.rating} is outside -1 to 5")
        if self.utc_offset is not None and not -840 <= self.utc_offset <= 840:
            raise ValueError(f"an offset of {self.utc_offset} minutes from UTC is outside -840 to 840")
        if self.created is not None and self.created.tzinfo is not None:
            raise ValueError("created is naive local time; its offset belongs in utc_offset")


def offset_text(minutes: int, colon: str = ":") -> str:
    """Minutes east of UTC -> "+01:00" (or "+0100" with colon="")."""
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}{colon}{rest:02d}"


def subseconds(moment: datetime) -> str:
    """Decimal fraction of the second, left aligned, no trailing zeros: 0.35 s -> "35", 0 s -> ""."""
    return f"{moment.microsecond:06d}".rstrip("0")
