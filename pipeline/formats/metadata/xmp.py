"""XMP packet of a `Metadata` (ISO 16684-1; property names of the IPTC Photo Metadata Standard 2025.1)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from pipeline.formats.metadata.model import (
    ALT_TEXT_MAXIMUM,
    SOFTWARE,
    Metadata,
    MetadataTooLarge,
    offset_text,
    subseconds,
)
from pipeline.textfile.messages import counted

XMP_MAXIMUM = 65_502  # octets of a packet in one APP1 segment: XMP specification part 3, 1.1.3

NAMESPACES = {
    "dc": "http://purl.org/dc/elements/1.1/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "xmpRights": "http://ns.adobe.com/xap/1.0/rights/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
}
_LANGUAGE = re.compile(r"[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*")  # form of a BCP 47 tag


def xmp_packet(metadata: Metadata) -> bytes:
    """UTF-8 packet with its wrapper, without padding (a delivered file is not edited in place).

    Without xmp:ModifyDate and xmp:MetadataDate, which would differ from run to run: the same texts make the
    same bytes. Raises MetadataTooLarge when it would not fit into a JPEG or when the alternative text is too long.
    """
    m = metadata
    if len(m.alt_text) > ALT_TEXT_MAXIMUM:
        raise MetadataTooLarge(
            f"the alternative text has {len(m.alt_text)} characters and may have {ALT_TEXT_MAXIMUM}; shorten it"
        )
    declared = "".join(f" xmlns:{prefix}={quoteattr(uri)}" for prefix, uri in NAMESPACES.items())
    packet = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about=""{declared}>\n'
        + "".join(_properties(m))
        + '</rdf:Description></rdf:RDF></x:xmpmeta>\n<?xpacket end="w"?>'
    ).encode("utf-8")
    if len(packet) > XMP_MAXIMUM:
        raise MetadataTooLarge(
            f"the texts need {len(packet)} bytes as XMP, and a JPEG holds {XMP_MAXIMUM}; "
            f"shorten the caption ({len(m.caption)} characters) or the {counted(len(m.keywords), 'keyword')}"
        )
    return packet


def _properties(m: Metadata) -> list[str]:
    """Each property as an element, "" where there is nothing to say (IPTC Photo Metadata Standard 2025.1)."""
    return [
        _alternatives("dc:description", m.caption, m.language),
        _alternatives("dc:title", m.title, m.language),
        _alternatives("dc:rights", m.copyright, m.language),
        _list("dc:creator", "Seq", [m.creator]),
        _list("dc:subject", "Bag", m.keywords),
        _list("dc:language", "Bag", [m.language if _LANGUAGE.fullmatch(m.language) else ""]),
        _simple("photoshop:Headline", m.headline),
        _simple("photoshop:CaptionWriter", m.caption_writer),
        _simple("photoshop:AuthorsPosition", m.job_title),
        _simple("photoshop:Instructions", m.instructions),
        _simple("photoshop:TransmissionReference", m.job_id),
        _simple("photoshop:Credit", m.credit),
        _simple("photoshop:Source", m.source),
        _simple("photoshop:City", m.city),
        _simple("photoshop:State", m.region),
        _simple("photoshop:Country", m.country),
        _simple("photoshop:DateCreated", _date(m)),
        _simple("xmp:CreateDate", _date(m)),
        _simple("xmp:CreatorTool", SOFTWARE),
        _simple("xmp:Rating", "" if m.rating is None else str(m.rating)),
        _simple("xmpRights:Marked", "True" if m.copyright else ""),
        _simple("xmpRights:WebStatement", m.rights_url),
        _alternatives("xmpRights:UsageTerms", m.usage, m.language),
        _alternatives("Iptc4xmpCore:AltTextAccessibility", m.alt_text, m.language),
        _simple("Iptc4xmpCore:Location", m.venue),
        _simple("Iptc4xmpCore:CountryCode", m.country_code),
        _contact(m),
        _alternatives("Iptc4xmpExt:Event", m.event, m.language),
        _list("Iptc4xmpExt:PersonInImage", "Bag", m.persons),
        _list("Iptc4xmpExt:OrganisationInImageName", "Bag", m.organisations),
        _simple("Iptc4xmpExt:DigitalSourceType", m.digital_source_type),
        _locations(m),
    ]


def _simple(name: str, text: str) -> str:
    return f"<{name}>{escape(text)}</{name}>\n" if text else ""


def _list(name: str, kind: str, entries: Iterable[str]) -> str:
    items = "".join(f"<rdf:li>{escape(entry)}</rdf:li>" for entry in entries if entry)
    return f"<{name}><rdf:{kind}>{items}</rdf:{kind}></{name}>\n" if items else ""


def _alternatives(name: str, text: str, language: str) -> str:
    """Language alternative: x-default first, then the same text under its own language (ISO 16684-1)."""
    if not text:
        return ""
    tags = ["x-default"] + ([language] if _LANGUAGE.fullmatch(language) else [])
    items = "".join(f'<rdf:li xml:lang="{tag}">{escape(text)}</rdf:li>' for tag in tags)
    return f"<{name}><rdf:Alt>{items}</rdf:Alt></{name}>\n"


def _date(m: Metadata) -> str:
    if m.created is None:
        return ""
    fraction = subseconds(m.created)
    offset = "" if m.utc_offset is None else offset_text(m.utc_offset)
    return f"{m.created:%Y-%m-%dT%H:%M:%S}{'.' if fraction else ''}{fraction}{offset}"


def _struct(parts: str) -> str:
    return f"<rdf:Description>{parts}</rdf:Description>"


def _contact(m: Metadata) -> str:
    parts = "".join(_simple(f"Iptc4xmpCore:{key}", text) for key, text in m.contact.iptc().items())
    if not parts:
        return ""
    return f"<Iptc4xmpCore:CreatorContactInfo>{_struct(parts)}</Iptc4xmpCore:CreatorContactInfo>\n"


def _locations(m: Metadata) -> str:
    """Indoors the place shown is the place where the picture was taken, so both structures have it."""
    parts = (
        _simple("Iptc4xmpExt:Sublocation", m.venue)
        + _simple("Iptc4xmpExt:City", m.city)
        + _simple("Iptc4xmpExt:ProvinceState", m.region)
        + _simple("Iptc4xmpExt:CountryName", m.country)
        + _simple("Iptc4xmpExt:CountryCode", m.country_code)
    )
    if not parts:
        return ""
    entries = f"<rdf:Bag><rdf:li>{_struct(parts)}</rdf:li></rdf:Bag>"
    names = ("Iptc4xmpExt:LocationCreated", "Iptc4xmpExt:LocationShown")
    return "".join(f"<{name}>{entries}</{name}>\n" for name in names)
