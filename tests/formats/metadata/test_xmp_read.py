"""Packets of other writers: ISO 16684-1 lets a packet have several descriptions of the same resource."""

from __future__ import annotations

from pipeline.formats.metadata.xmp_read import Packet

DESCRIPTION = (
    '<rdf:Description rdf:about="" xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/">'
    "<photoshop:Headline>{headline}</photoshop:Headline>{more}</rdf:Description>"
)


def test_of_two_descriptions_the_first_counts_and_the_second_adds() -> None:
    parts = DESCRIPTION.format(headline="Cup", more="") + DESCRIPTION.format(
        headline="Old", more="<photoshop:City>Westerby</photoshop:City>"
    )
    data = f'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">{parts}</rdf:RDF>'
    packet = Packet.strict(data.encode())
    assert packet.text("photoshop:Headline") == "Cup"
    assert packet.text("photoshop:City") == "Westerby"


def test_padding_of_a_packet_is_no_part_of_it() -> None:
    """XMP specification part 3, 1.1.3: white space to write into; a TIFF adds NULs."""
    data = '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">' + DESCRIPTION.format(
        headline="Cup", more=""
    )
    assert Packet((data + "</rdf:RDF>").encode() + b" \n\0\0").text("photoshop:Headline") == "Cup"
