"""Contact as a person writes it, and records that share fields."""

from __future__ import annotations

from dataclasses import fields

import pytest

from pipeline.formats.metadata.credits import Contact, Credits, Place, Rights, changed, copied
from pipeline.formats.metadata.model import Metadata
from pipeline.shoot.facts import Facts
from pipeline.types import CameraFacts, Exif


@pytest.mark.parametrize(
    ("text", "contact"),
    [
        ("desk@westerby.example", Contact(email="desk@westerby.example")),
        ("www.westerby.example/press", Contact(web="www.westerby.example/press")),
        ("+47 (0) 12 34-56", Contact(phone="+47 (0) 12 34-56")),
        ("Quay 3, Westerby", Contact(address="Quay 3, Westerby")),
        ("", Contact()),
    ],
)
def test_a_single_text_is_the_kind_of_contact_that_it_looks_like(text: str, contact: Contact) -> None:
    assert Contact.of_text(text) == contact


def test_contact_by_the_names_of_iptc_and_back() -> None:
    contact = Contact(email="a@b.example", web="https://b.example", country="Norge")
    assert list(contact.iptc()) == ["CiAdrCtry", "CiEmailWork", "CiUrlWork"]  # sorted, without the empty ones
    assert Contact.of_iptc(contact.iptc() | {"CiFax": "1"}) == contact


def test_records_share_what_means_one_thing() -> None:
    facts = Facts(creator="Ada Nordlys", usage="Club use", contact=Contact(phone="1"), venue="Old Market Hall")
    camera = Exif(make="Westerby Optics", serial="SN1", iso=6400.0)
    metadata = copied(copied(copied(Metadata(headline="Cup"), facts, Credits), facts, Place), camera, CameraFacts)
    for kind in (Rights, Credits, Place):
        assert all(getattr(metadata, item.name) == getattr(facts, item.name) for item in fields(kind))
    assert (metadata.headline, metadata.make, metadata.iso) == ("Cup", "Westerby Optics", 6400.0)
    assert "SN1" not in repr(metadata)
    with pytest.raises(TypeError):
        changed(metadata, {"fax": "1"})


@pytest.mark.parametrize("name", ["keywords", "persons", "organisations"])
def test_entries_are_cleaned_and_stand_once(name: str) -> None:
    assert getattr(Metadata(**{name: ("Gulls", " Gulls ", "", "Foxes")}), name) == ("Gulls", "Foxes")


def test_offsets_reach_fourteen_hours() -> None:
    """From UTC-12 to UTC+14 there are zones (IANA time zone database); 14 h is taken to both sides."""
    assert [Metadata(utc_offset=minutes).utc_offset for minutes in (-840, 840)] == [-840, 840]
    for minutes in (-841, 841):
        with pytest.raises(ValueError, match="outside -840 to 840"):
            Metadata(utc_offset=minutes)
