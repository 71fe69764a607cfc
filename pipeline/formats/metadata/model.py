"""The texts and facts written into a delivered file, cleaned once so that XMP, IIM and Exif agree."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, fields
from datetime import datetime
from functools import lru_cache

from pipeline.errors import FrameError
from pipeline.formats.metadata.credits import Contact, Credits, Place
from pipeline.types import CameraFacts

SOFTWARE = "evencourt"  # without its version: the same texts make the same bytes
ALT_TEXT_MAXIMUM = 250  # characters: IPTC Photo Metadata Standard 2025.1, Alt Text (Accessibility)

# XML 1.0 (fifth edition), production 2 "Char", and the note below it: the first class may not appear in a
# document, even escaped; C1 controls and what Unicode calls noncharacters are discouraged and carry no meaning.
_FORBIDDEN = re.compile(
    "[^\t\n\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|[\x7f-\x9f\ufdd0-\ufdef]|["
    + "".join(chr(plane + last) for plane in range(0x10000, 0x110000, 0x10000) for last in (0xFFFE, 0xFFFF))
    + "]"
)
_LINE_END = re.compile("\r\n?|[\x85\u2028\u2029]")
_SURROGATE = re.compile("[\ud800-\udfff]")
# These keep their line breaks; every other text is one line.
_PARAGRAPHS = frozenset({"caption", "usage", "instructions"})


class MetadataTooLarge(FrameError, ValueError):
    """The text does not fit into the segment of the file that has to hold it."""


@lru_cache(maxsize=4096)  # those of the event are the same in every frame
def clean_text(text: str) -> str:
    """NFC text without control characters, noncharacters and lone surrogates; every line end becomes LF.

    A pair of surrogates, as badly decoded JSON leaves it, becomes the character it stands for.
    """
    if _SURROGATE.search(text):
        text = text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "ignore")
    text = _FORBIDDEN.sub("", _LINE_END.sub("\n", text))
    return unicodedata.normalize("NFC", text).strip()


@lru_cache(maxsize=4096)
def clean_line(text: str) -> str:
    """Like `clean_text`, on one line: every run of white space becomes one space."""
    return " ".join(clean_text(text).split())


@dataclass(frozen=True)
class PictureTexts(Credits):
    """What a person types for one picture, in the camera or for the event; "", () or None = nothing.

    Texts are cleaned on construction (see `clean_text`); lists lose empty and repeated entries.

    title     short name of the picture (IPTC Title, IIM Object Name), such as the frame's name
    alt_text  for readers who cannot see the picture, at most ALT_TEXT_MAXIMUM characters (not checked here)
    rating    -1 (rejected) to 5
    Raises ValueError for a rating outside these.
    """

    title: str = ""
    headline: str = ""
    caption: str = ""
    alt_text: str = ""
    keywords: tuple[str, ...] = ()
    rating: int | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, str):
                tidy = clean_text if item.name in _PARAGRAPHS else clean_line
                object.__setattr__(self, item.name, tidy(value))
            elif isinstance(value, tuple):
                lines = (clean_line(entry) for entry in value)
                object.__setattr__(self, item.name, tuple(dict.fromkeys(entry for entry in lines if entry)))
            elif isinstance(value, Contact):
                object.__setattr__(self, item.name, value.changed(clean_line))
        if self.rating is not None and not -1 <= self.rating <= 5:
            raise ValueError(f"rating {self.rating} is outside -1 to 5")


@dataclass(frozen=True, slots=True)  # more fields than Python lets objects share the keys of: a dict each is 1 kB more
class Metadata(PictureTexts, Place, CameraFacts):
    """Everything that is written into a file. "", () or None = not written.

    event           name of the event (IPTC Event Name)
    persons         names of the persons shown; organisations: names of the teams shown
    country         its name, in the language of the texts; country_code ISO 3166-1, three letters
    created         naive local time, microseconds; utc_offset minutes east of UTC, -840 to 840
    language        BCP 47 tag of the texts
    Raises ValueError for a rating, offset or time outside these.
    """

    event: str = ""
    persons: tuple[str, ...] = ()
    organisations: tuple[str, ...] = ()
    country: str = ""
    country_code: str = ""
    created: datetime | None = None
    utc_offset: int | None = None
    digital_source_type: str = ""
    language: str = ""

    def __post_init__(self) -> None:
        PictureTexts.__post_init__(self)  # a class with slots is made anew, and super() would be the first one's
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
