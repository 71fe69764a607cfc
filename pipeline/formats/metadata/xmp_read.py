"""Properties of an XMP packet written by another program (ISO 16684-1), without entities or a DTD.

The packet is data from outside: a document type declaration, and with it every entity, is refused, and so is a
document nested deeper than any real one.
"""

from __future__ import annotations

from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Mapping
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from pipeline.formats.metadata.xmp import NAMESPACES

_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_LANGUAGE = "{http://www.w3.org/XML/1998/namespace}lang"
_READ = NAMESPACES | {"tiff": "http://ns.adobe.com/tiff/1.0/"}  # the last is only read, never written
_PREFIXES = {uri: prefix for prefix, uri in _READ.items()}
MOST_ELEMENTS = 100_000  # of one packet; each takes half a kilobyte of memory, and real ones have some thousands
DEEPEST = 40  # elements; structures of the standard need 12 (no source)


class Packet:
    """Properties by their prefixed names, whatever prefixes the packet itself has; the first of a name counts."""

    def __init__(self, data: bytes) -> None:
        """A packet that cannot be read has no properties."""
        try:
            self._properties = _properties(parse(data))
        except RefusedPacketError:
            self._properties = {}

    @classmethod
    def strict(cls, data: bytes) -> Packet:
        """Like the constructor, but raises RefusedPacketError for a packet that cannot be read."""
        packet = cls(b"")
        packet._properties = _properties(parse(data))
        return packet

    def text(self, name: str) -> str:
        """A simple value, the x-default (else the first) of language alternatives, the first of a list; or ""."""
        value = self._properties.get(name, "")
        if isinstance(value, str):
            return value
        items = value.findall(f"*/{_RDF}li")
        default = [item for item in items if item.get(_LANGUAGE, "").lower() == "x-default"]
        return ((default or items or [value])[0].text or "").strip()

    def texts(self, name: str) -> tuple[str, ...]:
        """Entries of a list; a value that is not a list counts as its only entry."""
        value = self._properties.get(name, "")
        items = [] if isinstance(value, str) else [item.text or "" for item in value.findall(f"*/{_RDF}li")]
        return tuple(items) or tuple(filter(None, [self.text(name)]))

    def structure(self, name: str) -> Mapping[str, str]:
        """Texts of a structure by prefixed name, in each of the three forms that RDF/XML has."""
        value = self._properties.get(name, "")
        if isinstance(value, str):
            return {}
        inner = value.find(f"{_RDF}Description")
        members = _members(value if inner is None else inner)
        return {key: part if isinstance(part, str) else (part.text or "").strip() for key, part in members.items()}


def _members(element: Element) -> dict[str, str | Element]:
    """Attributes and children in the known namespaces, by prefixed name."""
    known: dict[str, str | Element] = {}
    found: list[tuple[str, str | Element]] = [*element.items(), *((child.tag, child) for child in element)]
    for name, value in found:
        uri, _, local = name.lstrip("{").rpartition("}")
        if uri in _PREFIXES:
            known.setdefault(f"{_PREFIXES[uri]}:{local}", value)
    return known


class RefusedPacketError(ValueError):
    """A packet that is not well-formed or has parts that XMP does not use: `reason`, and the `line` (0: not known)."""

    def __init__(self, reason: str, line: int = 0) -> None:
        self.reason, self.line = reason, line
        super().__init__(reason)


def _properties(root: Element) -> dict[str, str | Element]:
    found: dict[str, str | Element] = {}
    rdf = next(root.iter(f"{_RDF}RDF"), None)
    for description in () if rdf is None else rdf.findall(f"{_RDF}Description"):
        for name, value in _members(description).items():
            found.setdefault(name, value)
    return found


def parse(data: bytes, encoding: str | None = None) -> Element:
    """The root of a packet; `encoding` wins over what its declaration says. Raises RefusedPacketError."""
    builder, depth, left = TreeBuilder(), 0, MOST_ELEMENTS

    def refuse(*_: object) -> None:
        message = "has a document type declaration, which is not read; delete it or the sidecar"
        raise RefusedPacketError(message, parser.CurrentLineNumber)

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth, left
        depth += 1
        left -= 1
        if depth > DEEPEST:
            raise RefusedPacketError(f"is nested deeper than {DEEPEST} elements", parser.CurrentLineNumber)
        if not left:
            raise RefusedPacketError(f"has more than {MOST_ELEMENTS:,} elements", parser.CurrentLineNumber)
        builder.start(_qualified(name), {_qualified(key): value for key, value in attributes.items()})

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(_qualified(name))

    parser = expat.ParserCreate(encoding, namespace_separator="}")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    if not data.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        data = data.strip(b"\0 \t\r\n")  # padding, as in a TIFF
    try:
        parser.Parse(data, True)
        return builder.close()
    except RefusedPacketError:
        raise
    except (expat.ExpatError, AssertionError, ValueError, LookupError) as error:  # LookupError: no such encoding
        line = error.lineno if isinstance(error, expat.ExpatError) else 0
        raise RefusedPacketError(f"is not well-formed XML ({error}); write it again or delete it", line) from None


def _qualified(name: str) -> str:
    return "{" + name if "}" in name else name
