"""All texts of an XMP packet, whatever its properties, to search; also of one damaged or wrongly encoded."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from pipeline.formats.metadata.decode import decodings, xml_texts
from pipeline.formats.metadata.xmp_read import RefusedPacketError, parse

_DC, _PHOTOSHOP = "{http://purl.org/dc/elements/1.1/}", "{http://ns.adobe.com/photoshop/1.0/}"
_TIFF, _CORE = "{http://ns.adobe.com/tiff/1.0/}", "{http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/}"
_PLUS, _AUX = "{http://ns.useplus.org/ldf/xmp/1.0/}", "{http://ns.adobe.com/exif/1.0/aux/}"
# IPTC Photo Metadata Standard 2025.1: who made or owns a picture, and with what, not whom it shows.
_MAKERS = frozenset((
    _DC + "creator", _DC + "rights", _PHOTOSHOP + "Credit", _PHOTOSHOP + "Source", _PHOTOSHOP + "AuthorsPosition",
    _PHOTOSHOP + "CaptionWriter", _CORE + "CreatorContactInfo", _TIFF + "Artist", _TIFF + "Copyright", _TIFF + "Make",
    _TIFF + "Model", _TIFF + "Software", "{http://ns.adobe.com/xap/1.0/rights/}Owner", _PLUS + "ImageCreator",
    _PLUS + "CopyrightOwner", _PLUS + "Licensor", _PLUS + "ImageSupplier", _AUX + "OwnerName", _AUX + "Lens",
    "{http://cipa.jp/exif/1.0/}CameraOwnerName", "{http://cipa.jp/exif/1.0/}LensModel",
))  # fmt: skip
_OPENS = re.compile(r"<(?:[\w.-]+:)?(?:xmpmeta|xapmeta|RDF)\b")
_CLOSES = re.compile(r"</(?:[\w.-]+:)?(?:xmpmeta|xapmeta|RDF)\s*>")
_DOCTYPE = re.compile(r"<!(?:DOCTYPE|ENTITY)", re.I)  # its entities could stand for anything
_LONE_AMPERSAND = re.compile(r"&(?!(?:#\d+|#x[0-9a-fA-F]+|lt|gt|amp|quot|apos);)")
_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2


@dataclass(frozen=True)
class Text:
    """One text of a file: `where` it stands, in words; `maker`: it says who made the picture, not whom it shows."""

    where: str
    text: str
    maker: bool = False


def xmp_texts(data: bytes, where: str) -> tuple[list[Text], bool]:
    """(every value and attribute of the packet, whether it could be read as XML).

    A packet that is not well-formed is mended where that is safe; else its octets in every encoding are the texts.
    """
    if not data.strip(b"\0 \t\r\n"):
        return [], True
    found: list[Text] = []
    readable = False
    for text in xml_texts(data):
        for tried in (text,) if _DOCTYPE.search(text) else (text, _mended(text)):
            try:
                root = parse(tried.encode("utf-8", "ignore"), "utf-8")
            except RefusedPacketError:
                continue
            if not len(root) and tried is not text:  # only what was put around it is XML
                continue
            found += texts_of(where, list(_values(root, False)))
            readable = True
            break
    if readable:
        return list(dict.fromkeys(found)), True
    return [Text(where, re.sub(r"<[^<>]*>", "\n", text)) for text in decodings(data)] + [
        Text(where, text) for text in decodings(data)
    ], False


def _mended(text: str) -> str:
    """What is between the outermost elements of XMP, one packet or more, without what XML forbids."""
    begin = _OPENS.search(text)
    ends = [match.end() for match in _CLOSES.finditer(text, begin.end())] if begin else []
    text = _without_instructions(_NO_XML.sub("", text[begin.start() : ends[-1]] if begin and ends else text))
    return f"<all>{_LONE_AMPERSAND.sub('&amp;', text)}</all>"


def _without_instructions(text: str) -> str:
    """Without what stands between <? and ?>. A regular expression would look to the end for each <? that has none."""
    kept, at = list[str](), 0
    while (begin := text.find("<?", at)) >= 0 and (end := text.find("?>", begin + 2)) >= 0:
        kept.append(text[at:begin])
        at = end + 2
    return "".join((*kept, text[at:]))


def _values(element: Element, maker: bool) -> Iterator[tuple[str, bool]]:
    maker = maker or element.tag in _MAKERS
    for name, value in element.items():
        yield value, maker or name in _MAKERS
    yield element.text or "", maker
    for child in element:
        yield from _values(child, maker)
        yield child.tail or "", maker


def texts_of(where: str, values: list[tuple[str, bool]]) -> list[Text]:
    """The values, and what `words_of` makes of them."""
    found = [Text(where, text, maker) for value, maker in values if (text := value.strip())]
    return found + words_of(where, values)


def words_of(where: str, values: list[tuple[str, bool]]) -> list[Text]:
    """All values that are single words as one text: given name and surname may be two keywords, or two fields. Numbers
    among them count as nothing."""
    some = (value.replace("\0", " ").split() for value, maker in values if not maker)
    words = [one[0] for one in some if len(one) == 1 and (one[0].upper() != one[0].lower() or not one[0].isascii())]
    return [Text(where, " ".join(words))] if len(words) > 1 else []
