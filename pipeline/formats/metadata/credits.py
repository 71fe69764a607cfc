"""Who made a picture, what may be done with it and where it was taken: typed once, written into every file.

Names and meanings: IPTC Photo Metadata Standard 2025.1. Every field is "" where nothing was typed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, TypeVar

from pipeline.types import CameraFacts

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

# Field of Contact -> IPTC CreatorContactInfo.
_IPTC = {
    "address": "CiAdrExtadr",
    "city": "CiAdrCity",
    "region": "CiAdrRegion",
    "postcode": "CiAdrPcode",
    "country": "CiAdrCtry",
    "phone": "CiTelWork",
    "email": "CiEmailWork",
    "web": "CiUrlWork",
}


@dataclass(frozen=True)
class Contact:
    """How the creator is reached (IPTC Creator's Contact Info)."""

    email: str = ""
    web: str = ""
    phone: str = ""
    address: str = ""
    city: str = ""
    region: str = ""
    postcode: str = ""
    country: str = ""

    @classmethod
    def of_text(cls, text: str) -> Contact:
        """A single text is an e-mail address, a web address, a telephone number or else a postal address."""
        if not text:
            return cls()
        if "@" in text:
            return cls(email=text)
        if re.search(r"[A-Za-z]\.[A-Za-z]{2}", text):
            return cls(web=text)
        return cls(phone=text) if re.fullmatch(r"[+\d ()/.-]+", text) else cls(address=text)

    @classmethod
    def of_iptc(cls, texts: Mapping[str, str]) -> Contact:
        """From texts by the names that IPTC gives them; other names are left out."""
        return cls(**{name: texts.get(iptc, "") for name, iptc in _IPTC.items()})

    def changed(self, change: Callable[[str], str]) -> Contact:
        """Every text as `change` makes it."""
        return Contact(**{item.name: change(getattr(self, item.name)) for item in fields(self)})

    def iptc(self) -> dict[str, str]:
        """The texts that are not empty, by the names that IPTC gives them, sorted by these."""
        return dict(sorted((_IPTC[item.name], text) for item in fields(self) if (text := getattr(self, item.name))))


@dataclass(frozen=True)
class Rights:
    """The statements of rights that everybody may read.

    credit     how the credit line is to read (IPTC Credit Line)
    copyright  the copyright notice
    usage      what may be done with the picture (IPTC Rights Usage Terms); may have several lines
    """

    credit: str = ""
    copyright: str = ""
    usage: str = ""


@dataclass(frozen=True)
class Credits(Rights):
    """Who made the picture, for whom, and what the desk should know.

    creator         the photographer
    job_title       what the creator is, "Staff photographer"
    source          who supplies the picture (IPTC Source)
    rights_url      web address of the rights statement (IPTC Web Statement of Rights)
    instructions    embargoes and the like, for the desk; may have several lines
    job_id          the desk's number for the job
    caption_writer  who wrote the caption
    """

    creator: str = ""
    job_title: str = ""
    contact: Contact = field(default_factory=Contact)
    source: str = ""
    rights_url: str = ""
    instructions: str = ""
    job_id: str = ""
    caption_writer: str = ""


@dataclass(frozen=True)
class Place:
    """Where the picture was taken: the hall, the town, and the state or province. The country is apart from these,
    because the event has its code and a file its name."""

    venue: str = ""
    city: str = ""
    region: str = ""


Record = TypeVar("Record", bound="DataclassInstance")


def copied(record: Record, other: object, kind: type[Rights] | type[Place] | type[CameraFacts]) -> Record:
    """`record` with the fields of `kind` as `other` has them; both are of that kind."""
    return changed(record, {item.name: getattr(other, item.name) for item in fields(kind)})


def changed(record: Record, values: Mapping[str, object]) -> Record:
    """`record` with these fields, named at run time. Raises TypeError for the name of no field."""
    return replace(record, **values)
