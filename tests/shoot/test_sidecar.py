"""xmp:Rating of sidecars. Values and both forms: XMP specification part 1 (ISO 16684-1), 7.4, 7.9.2.2 and 8.4."""

from __future__ import annotations

from pathlib import Path

import exiv2
import pytest

from pipeline.errors import InputError
from pipeline.formats.metadata.model import Metadata
from pipeline.formats.metadata.xmp import xmp_packet
from pipeline.shoot.sidecar import SIZE_LIMIT, sidecar_rating

HEAD = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    '<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/"'
)
TAIL = "</rdf:Description></rdf:RDF></x:xmpmeta>"


def rated(folder: Path, text: str | bytes, name: str = "TH1_0001.xmp") -> int | None:
    (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return sidecar_rating(folder / "TH1_0001.NEF")


@pytest.mark.parametrize(
    ("value", "rating"),
    [("0", 0), ("3", 3), ("5", 5), ("-1", -1), (" 4\n", 4), ("3.0", 3), ("3.5", 3),
     ("6", None), ("-2", None), ("-0.5", None), ("", None), ("good", None), ("nan", None)],
)  # fmt: skip
def test_both_forms(tmp_path: Path, value: str, rating: int | None) -> None:
    attribute = f'{HEAD} xmp:Rating="{value}">{TAIL}'
    element = f"{HEAD}><xmp:Rating>{value}</xmp:Rating>{TAIL}"
    assert rated(tmp_path, attribute) == rated(tmp_path, element) == rating
    other = attribute.replace("xmp:", "q:").replace(":xmp=", ":q=")
    assert rated(tmp_path, other) == rating
    assert rated(tmp_path, ("\ufeff" + attribute).encode("utf-16-le")) == rating


def test_what_another_library_writes(tmp_path: Path) -> None:
    """exiv2 is the reference."""
    data = exiv2.XmpData()
    data["Xmp.xmp.Rating"] = "4"
    data["Xmp.dc.subject"] = "handball"
    assert rated(tmp_path, exiv2.XmpParser.encode(data)[1]) == 4
    assert rated(tmp_path, xmp_packet(Metadata(caption="Rating 2", rating=1))) == 1


def test_only_the_rating_of_the_frame_itself(tmp_path: Path) -> None:
    nested = f'{HEAD}><xmp:Old><rdf:Description xmp:Rating="5"><xmp:Rating>5</xmp:Rating></rdf:Description></xmp:Old>'
    assert rated(tmp_path, nested + TAIL) is None
    assert rated(tmp_path, f'{HEAD.replace("xap/1.0", "other")} xmp:Rating="5">{TAIL}') is None


def test_which_file(tmp_path: Path) -> None:
    frame = tmp_path / "TH1_0001.NEF"
    assert sidecar_rating(frame) is None
    (tmp_path / "TH1_0001.xmp").mkdir()
    with pytest.raises(InputError, match="a folder, not a file"):  # a note says so
        sidecar_rating(frame)
    (tmp_path / "TH1_0001.xmp").rmdir()
    rated(tmp_path, f'{HEAD} xmp:Rating="2">{TAIL}', "TH1_0001.XMP")
    assert sidecar_rating(frame) == 2
    assert rated(tmp_path, f"{HEAD}>{TAIL}", "TH1_0001.NEF.xmp") == 2
    assert rated(tmp_path, f'{HEAD} xmp:Rating="5">{TAIL}', "TH1_0001.NEF.xmp") == 5


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not well-formed"),
        (b"<x", "not well-formed"),
        (b'<?xml version="1.0" encoding="nosuch"?><a/>', "not well-formed"),
        (b"<a>\n<!-- ok --></a><!DOCTYPE a>", "not well-formed"),
        (b'<!DOCTYPE a [<!ENTITY b "bbbb"><!ENTITY c "&b;&b;">]><a>&c;</a>', "document type"),
        (b'<!DOCTYPE a SYSTEM "file:///etc/hostname"><a/>', "document type"),
        (b"<a>" + b" " * SIZE_LIMIT + b"</a>", "larger than 10 MB"),
    ],
)
def test_unsafe_or_broken_is_refused_by_name(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        rated(tmp_path, data)
    assert caught.value.problems[0].file.endswith("TH1_0001.xmp")
