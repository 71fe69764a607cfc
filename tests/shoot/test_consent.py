"""Frames that say themselves whom they show, wherever an editor of metadata (exiv2 here) may have put a name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import exiv2
import PIL.Image
import pytest

from pipeline.formats.metadata.search_blocks import MAKER_NOTE, Found
from pipeline.formats.source import Source
from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.shoot.sidecar import SIZE_LIMIT
from pipeline.types import Exif, Frame
from tests.shoot.text_places import XMP, dataset, jpeg, packet, resources, tiff

HIDDEN, SHOWN = "Siri Fjellheim", "Ada Brekke"
FACTS = Facts(roster=(Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3)))


def frame(folder: Path, name: str = "TH1_0001", **texts: str) -> Frame:
    """A JPEG with texts by their exiv2 key, "_" for ".": IIM (Iptc_...) and XMP (Xmp_...)."""
    path = folder / f"{name}.jpg"
    PIL.Image.new("RGB", (16, 16), (90, 90, 90)).save(path)
    if texts:
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        for key, text in texts.items():
            data = image.iptcData() if key.startswith("Iptc_") else image.xmpData()
            data[key.replace("_", ".")] = text
        image.writeMetadata()
    return Frame(name, path, path.name, "picture")


@pytest.mark.parametrize(
    "key",
    [
        # IPTC Photo Metadata Standard 2025.1: what may name a person shown.
        "Xmp_iptcExt_PersonInImage", "Xmp_dc_subject", "Xmp_dc_description", "Xmp_photoshop_Headline", "Xmp_dc_title",
        # IIM 4.2, record 2: object name 5, keywords 25, headline 105, caption 120.
        "Iptc_Application2_ObjectName", "Iptc_Application2_Keywords", "Iptc_Application2_Headline",
        "Iptc_Application2_Caption",
    ],
)  # fmt: skip
def test_a_name_is_found_wherever_it_may_stand(tmp_path: Path, key: str) -> None:
    text = f"A shot by {HIDDEN}"[: 60 if key.startswith("Iptc") else None]
    held = held_by_own_texts(FACTS, [frame(tmp_path, **{key: text})])
    assert list(held) == ["TH1_0001"]
    assert "metadata" in held["TH1_0001"] and "(line 3)" in held["TH1_0001"]
    assert "Siri" not in held["TH1_0001"] and "Fjellheim" not in held["TH1_0001"]


def test_the_file_s_own_name_and_sidecars_count(tmp_path: Path) -> None:
    named = frame(tmp_path, "siri_fjellheim-2")
    beside = frame(tmp_path, "TH1_0002")
    data = exiv2.XmpData()
    data["Xmp.dc.description"] = f"{HIDDEN} scores"
    (tmp_path / "TH1_0002.xmp").write_text(exiv2.XmpParser.encode(data)[1], encoding="utf-8")
    plain = frame(tmp_path, "TH1_0003")
    held = held_by_own_texts(FACTS, [named, beside, plain])
    assert set(held) == {"siri_fjellheim-2", "TH1_0002"}
    assert "file" in held["siri_fjellheim-2"] and "sidecar" in held["TH1_0002"]


@pytest.mark.parametrize(
    ("name", "is_of_it"),
    [
        ("TH1_0001_edit", True), ("th1_0001 (1)", True), ("Copy of TH1_0001.jpg", True), ("TH1_00011", False),
        ("TH1_0001-2", False),  # of the frame that is called so
    ],
)  # fmt: skip
def test_the_sidecar_of_a_version_counts_that_is_not_there_any_more(tmp_path: Path, name: str, is_of_it: bool) -> None:
    frames = [frame(tmp_path, one) for one in ("TH1_0001", "TH1_0002", "TH1_0001-2")]
    data = exiv2.XmpData()
    data["Xmp.dc.description"] = f"{HIDDEN} scores"
    (tmp_path / f"{name}.xmp").write_text(exiv2.XmpParser.encode(data)[1], encoding="utf-8")
    assert ("TH1_0001" in held_by_own_texts(FACTS, frames[:2])) == is_of_it
    (tmp_path / f"{name}.xmp").unlink()
    (tmp_path / f"{name} {HIDDEN}.xmp").write_text("<x:xmpmeta xmlns:x='adobe:ns:meta/'/>", encoding="utf-8")
    assert ("TH1_0001" in held_by_own_texts(FACTS, frames[:2])) == (is_of_it or name == "TH1_0001-2")


@pytest.mark.parametrize(
    ("name", "is_of_it"),
    [("edits/TH1_0001", True), ("th1_0001.JPG", True), ("sub/deep/TH1_0001-web", True), (".old/TH1_0001", False),
     ("edits/TH1_00011", False)],
)  # fmt: skip
def test_a_sidecar_in_another_folder_counts(tmp_path: Path, name: str, is_of_it: bool) -> None:
    (tmp_path / "card1").mkdir()
    one = replace(frame(tmp_path / "card1"), relative="card1/TH1_0001.jpg")
    path = tmp_path / f"{name}.xmp"
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_text(packet(f"<dc:description>{HIDDEN} scores</dc:description>"), encoding="utf-8")
    held = held_by_own_texts(FACTS, [one])
    assert list(held) == (["TH1_0001"] if is_of_it else [])
    assert not is_of_it or held["TH1_0001"].startswith("its sidecar in another folder names a player")
    path.write_bytes(b"<x")
    assert not is_of_it or "sidecar in another folder cannot be read" in held_by_own_texts(FACTS, [one])["TH1_0001"]
    frame(path.parent, path.stem)  # beside its own frame
    assert held_by_own_texts(FACTS, [one]) == {} or "-web" in name


@pytest.mark.parametrize(
    ("name", "is_of_it"), [("TH1_0001", True), ("raw/th1_0001.CR3", True), ("TH1_0002", False), ("TH1_000", False)]
)
def test_the_sidecar_of_an_original_counts_that_is_not_there_any_more(
    tmp_path: Path, name: str, is_of_it: bool
) -> None:
    one = frame(tmp_path, "TH1_0001_edit")
    path = tmp_path / f"{name}.xmp"
    path.parent.mkdir(exist_ok=True)
    path.write_text(packet(f"<dc:description>{HIDDEN} scores</dc:description>"), encoding="utf-8")
    assert list(held_by_own_texts(FACTS, [one])) == (["TH1_0001_edit"] if is_of_it else [])


def test_the_sidecar_of_a_raw_that_was_renamed_counts_for_its_edit(tmp_path: Path) -> None:
    one = frame(tmp_path, "ball7_edit")
    (tmp_path / "ball7.CR3.xmp").write_text(packet(f"<dc:description>{HIDDEN}</dc:description>"), encoding="utf-8")
    assert list(held_by_own_texts(FACTS, [one])) == ["ball7_edit"]


@pytest.mark.parametrize(
    ("name", "is_of_it"),
    [("TH1_0001_v1", True), ("TH1_0001_v1.jpg", True), ("TH1_0001-0003", False), ("TH1_0002_v1", False)],
)  # fmt: skip
def test_the_sidecar_of_another_version_counts(tmp_path: Path, name: str, is_of_it: bool) -> None:
    one = frame(tmp_path, "TH1_0001_v2" if name != "TH1_0001-0003" else "TH1_0001-0004")
    (tmp_path / f"{name}.xmp").write_text(packet(f"<dc:description>{HIDDEN} scores</dc:description>"), encoding="utf-8")
    assert list(held_by_own_texts(FACTS, [one])) == ([one.name] if is_of_it else [])


@pytest.mark.parametrize("codec", ["utf-8", "utf-16", "cp1252"])
@pytest.mark.parametrize("name", ["TH1_0001.json", "th1_0001.jpg.more.JSON", "TH1_0001.jpg.txt", "TH1_0001.txt"])
def test_notes_beside_a_frame_count(tmp_path: Path, name: str, codec: str) -> None:
    one, other = frame(tmp_path, "TH1_0001"), frame(tmp_path, "TH1_00011")
    note = tmp_path / name
    note.write_text('{"people": ["Siri Fjellheim", "Åse"]}', encoding=codec)
    held = held_by_own_texts(FACTS, [one, other])
    assert list(held) == ["TH1_0001"] and held["TH1_0001"].startswith("its note beside it names a player")
    note.write_text('{"people": ["Åse"]}', encoding=codec)
    assert held_by_own_texts(FACTS, [one, other]) == {}
    note.write_bytes(b" " * (SIZE_LIMIT + 1))
    assert "note beside it cannot be read" in held_by_own_texts(FACTS, [one])["TH1_0001"]


def noted(folder: Path, name: str, note: bytes) -> Frame:
    exif = PIL.Image.Exif()
    exif.get_ifd(0x8769)[0x927C] = note  # MakerNote (Exif 3.0, 4.6.5)
    path = folder / f"{name}.jpg"
    PIL.Image.new("RGB", (16, 16), (90, 90, 90)).save(path, exif=exif)
    return Frame(name, path, path.name, "picture", Exif(make="Evencourt", model="Test Camera"))


@pytest.mark.parametrize("before", [b"EVC\0\1\0\2", b"EVC II*\0", b"\xff\xfe\x80", b"name=", b"a b " * 14])
@pytest.mark.parametrize("behind", [bytes(12), b" " * 16 + b"\0", b" 9999:99:99 00:00:00\0", b";next=1\0"])
def test_whom_a_camera_recognised_is_found_in_its_own_note(tmp_path: Path, before: bytes, behind: bytes) -> None:
    frames = [noted(tmp_path, f"TH1_{at:04d}", before + bytes(9) + b"no name here") for at in range(4)]
    frames[3] = noted(tmp_path, "TH1_0003", before + HIDDEN.encode() + behind)
    held = held_by_own_texts(FACTS, frames)
    assert list(held) == ["TH1_0003"] and held["TH1_0003"].startswith("its maker note names a player")


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("Bo Li", "Bo Li"),
        ("\u5c71\u7530\u592a\u90ce", "\u5c71\u7530\u592a\u90ce"),
        ("Bo Li", "Li, Bo"),
        ("Bo Li", "BO_LI"),
    ],
)
def test_short_names_and_other_scripts_are_found_in_a_note(tmp_path: Path, name: str, written: str) -> None:
    facts = Facts(roster=(Player("home", "9", name, False, 3),))
    assert held_by_own_texts(facts, [noted(tmp_path, "TH1_0001", bytes(4) + written.encode() + bytes(4))])


@pytest.mark.parametrize(
    "note",
    [
        "Bjørn Dæhli".encode("latin-1"), b"\xff\xfe\x80" + "Dæhli, Bjørn".encode("latin-1") + b"\xff",
        "Bjørn Dæhli".encode("utf-16-le"), b"\1" + "Bjørn Dæhli".encode("utf-16-be"),
        b"Bj\xf8rn\0\0\0\0\0D\xe6hli\0", "Bjørn\0\0\0Dæhli\0".encode(), b"Dahli\0\1\2\x80\xf0\3\0Bjorn\0\4",
        "Bjørn\0\0Dæhli\0".encode("utf-16-le"), b"\7" + "Bjørn Dæhli".encode("utf-16-le"),
        "Bjørn Dæhli".encode("utf-16-be") + b"\7",
    ],
)  # fmt: skip
def test_a_note_is_read_in_one_or_two_octets_a_letter_and_in_two_fields(tmp_path: Path, note: bytes) -> None:
    facts = Facts(roster=(Player("home", "9", "Bjørn Dæhli", False, 3),))
    notes = (b"\0EVC\0" + note + b"\0\7", b"Bj\xf8rn Dahl\0Ola D\xe6hli\0", "Bjørn".encode("utf-16-le"))
    frames = [noted(tmp_path, f"TH1_{at:04d}", one) for at, one in enumerate(notes)]
    assert list(held_by_own_texts(facts, frames)) == ["TH1_0000"]


def test_numbers_in_a_note_are_no_names(tmp_path: Path) -> None:
    """Those of a real camera: as letters of central Europe they had an A and a B in them."""
    facts = Facts(roster=(Player("home", "9", "Ada Berg", False, 3),))
    numbers = noted(tmp_path, "TH1_0001", b"\x01ASAkA\x85A\xaeA\xefA B\0")
    assert held_by_own_texts(facts, [numbers]) == {}
    assert held_by_own_texts(facts, [noted(tmp_path, "TH1_0001", b"\x01A. Berg\0")])


def test_a_note_that_a_converter_keeps_and_the_note_of_another_container_are_read() -> None:
    found = Found()
    found.tiff(Source.of_bytes(tiff([(0xC634, 1, b"Adobe\0MakN" + bytes(9000) + HIDDEN.encode() + bytes(9))])))
    assert [text.where for text in found.texts if HIDDEN in text.text] == [MAKER_NOTE]


def test_one_name_in_all_notes_of_a_camera_holds_unless_it_is_the_creator_s(tmp_path: Path) -> None:
    """It may be the owner's, or of the one child whom that camera knows: only a person can say."""
    frames = [noted(tmp_path, f"TH1_{at:04d}", bytes(4) + HIDDEN.encode() + bytes(4)) for at in range(31)]
    frames[30] = replace(frame(tmp_path, "TH1_0030"), exif=frames[0].exif)  # an export without a note
    said: list[str] = []
    held = held_by_own_texts(FACTS, frames, said)
    assert len(held) == 30 and len(said) == 1 and said[0].startswith("TH1_0000 and 29 more are held back")
    said.clear()
    assert all("write it under creator in shoot.yaml" in why and HIDDEN not in why for why in held.values())
    by_her = replace(FACTS, creator=f"Ada Holm; {HIDDEN.upper()}")
    assert held_by_own_texts(by_her, frames, said) == {}
    assert "Evencourt Test Camera: the maker notes of all its 30 frames" in said[0] and "line 3" in said[0]
    (tmp_path / "TH1_0007.xmp").write_text("<x")  # nobody knows whom it names: the others go on
    assert list(held_by_own_texts(by_her, frames)) == ["TH1_0007"]
    noted(tmp_path, "TH1_0002", b"Mette Haugland\0")  # not in each of them: a camera that recognises
    assert len(held_by_own_texts(by_her, frames)) == 29


def test_a_first_name_that_the_creator_has_too_frees_no_child(tmp_path: Path) -> None:
    """A roster may have first names only, and who photographs may be called so as well."""
    facts = replace(FACTS, roster=(Player("away", "4", "Annemarie", False, 4),))
    frames = [noted(tmp_path, f"TH1_{at:04d}", bytes(4) + b"Annemarie Lund" + bytes(4)) for at in range(3)]
    assert len(held_by_own_texts(replace(facts, creator="Annemarie Haugland"), frames)) == 3
    assert held_by_own_texts(replace(facts, creator="Annemarie"), frames) == {}


def test_whom_else_a_camera_recognised_is_held_beside_its_owner(tmp_path: Path) -> None:
    other = "Mette Haugland"
    facts = replace(FACTS, roster=(*FACTS.roster, Player("away", "4", other, False, 4)), creator=HIDDEN)
    notes = [bytes(4) + HIDDEN.encode() + bytes(4) + (other.encode() + bytes(4)) * (at == 5) for at in range(9)]
    frames = [noted(tmp_path, f"TH1_{at:04d}", note) for at, note in enumerate(notes)]
    held = held_by_own_texts(facts, frames)
    assert list(held) == ["TH1_0005"] and "line 4" in held["TH1_0005"] and "creator" not in held["TH1_0005"]


def test_names_that_may_be_shown_hold_nothing(tmp_path: Path) -> None:
    assert held_by_own_texts(FACTS, [frame(tmp_path, Xmp_dc_description=f"{SHOWN} scores")]) == {}
    nobody = Facts(roster=(Player("home", "7", HIDDEN, True, 2),))
    assert held_by_own_texts(nobody, [frame(tmp_path, Xmp_dc_description=f"{HIDDEN} scores")]) == {}


def test_who_made_or_owns_the_picture_is_not_who_is_shown(tmp_path: Path) -> None:
    assert held_by_own_texts(FACTS, [frame(tmp_path, Xmp_dc_creator=HIDDEN, Xmp_dc_rights=f"(c) {HIDDEN}")]) == {}


def test_a_namesake_who_may_be_shown_is_believed_only_where_the_table_has_her(tmp_path: Path) -> None:
    """Two players of one name, one of whom may not be shown: the row of the frame says which of them it is."""
    roster = (Player("home", "7", HIDDEN, True, 2), Player("away", "9", HIDDEN, False, 3))
    one = frame(tmp_path, Xmp_dc_description=f"{HIDDEN} scores")
    of_home = Facts(roster=roster, rows={"TH1_0001": FrameFacts(players=(("home", "7"),))})
    of_away = Facts(roster=roster, rows={"TH1_0001": FrameFacts(players=(("away", "9"),))})
    assert held_by_own_texts(of_home, [one]) == {}
    assert set(held_by_own_texts(of_away, [one])) == {"TH1_0001"}
    assert set(held_by_own_texts(Facts(roster=roster), [one])) == {"TH1_0001"}


@pytest.mark.parametrize("made", [b"", b"   ", bytes(300), b"<x", b"tekst uten merker", b"<a>\xff\xfe</b>"])
def test_a_sidecar_that_cannot_be_read_holds_the_frame(tmp_path: Path, made: bytes) -> None:
    one = frame(tmp_path)
    (tmp_path / "TH1_0001.xmp").write_bytes(made)
    why = held_by_own_texts(FACTS, [one])["TH1_0001"]
    assert "sidecar cannot be read" in why and "delete it" in why
    assert held_by_own_texts(Facts(roster=FACTS.roster, minors=True), [one])  # for the line with publish: no
    young = Facts(roster=(Player("home", "7", SHOWN, True, 2),), minors=True)
    assert held_by_own_texts(young, [one]) == {}  # minors: true takes names out, and holds nothing


def test_a_sidecar_that_is_too_large_or_not_allowed_holds_the_frame(tmp_path: Path) -> None:
    one = frame(tmp_path)
    (tmp_path / "TH1_0001.xmp").write_bytes(b"<a>" + b" " * SIZE_LIMIT + b"</a>")
    assert "sidecar" in held_by_own_texts(FACTS, [one])["TH1_0001"]


def test_a_readable_sidecar_and_empty_blocks_hold_nothing(tmp_path: Path) -> None:
    one = frame(tmp_path, Xmp_dc_description="A shot")
    (tmp_path / "TH1_0001.xmp").write_text("<x:xmpmeta xmlns:x='adobe:ns:meta/'/>", encoding="utf-8")
    assert held_by_own_texts(FACTS, [one]) == {}
    data = one.path.read_bytes()
    one.path.write_bytes(data[:2] + b"\xff\xe1\0\x1fhttp://ns.adobe.com/xap/1.0/\0" + data[2:])
    assert held_by_own_texts(FACTS, [one]) == {}


def test_a_file_of_the_same_exposure_that_cannot_be_opened_holds_the_frame(tmp_path: Path) -> None:
    one = frame(tmp_path)
    pair = replace(one, twin=tmp_path / "TH1_0001.JPG")
    assert "copy it again" in held_by_own_texts(FACTS, [pair])["TH1_0001"]
    assert held_by_own_texts(Facts(roster=FACTS.roster[:1]), [pair]) == {}


def test_who_made_it_holds_nothing_in_exif_and_iim_either(tmp_path: Path) -> None:
    one = frame(tmp_path, Iptc_Application2_Byline=HIDDEN, Iptc_Application2_Credit=HIDDEN)
    image = exiv2.ImageFactory.open(str(one.path))
    image.readMetadata()
    for key in ("Image.Artist", "Image.Copyright", "Image.Make", "Image.Model", "Photo.LensModel"):
        image.exifData()[f"Exif.{key}"] = HIDDEN
    image.exifData()["Exif.Photo.CameraOwnerName"] = HIDDEN
    image.writeMetadata()
    assert held_by_own_texts(FACTS, [one]) == {}
    data = jpeg((0xE1, XMP + packet(f"<dc:creator><rdf:Seq><rdf:li>{HIDDEN}</rdf:li></rdf:Seq></dc:creator>").encode()))
    one.path.write_bytes(data)
    assert held_by_own_texts(FACTS, [one]) == {}


def test_given_name_and_surname_in_two_fields_or_keywords(tmp_path: Path) -> None:
    apart = "<club:given>Siri</club:given><club:surname>Fjellheim</club:surname>"
    keywords = "<dc:subject><rdf:Bag><rdf:li>Fjellheim</rdf:li><rdf:li>Siri</rdf:li></rdf:Bag></dc:subject>"
    others = "<dc:subject><rdf:Bag><rdf:li>Ida Fjellheim</rdf:li><rdf:li>Siri Dahl</rdf:li></rdf:Bag></dc:subject>"
    between = apart.replace("<club:sur", "<club:plays>left wing</club:plays><club:sur")
    one = frame(tmp_path)
    for body, expected in ((apart, True), (keywords, True), (between, True), (others, False)):
        one.path.write_bytes(jpeg((0xE1, XMP + packet(body).encode())))
        assert bool(held_by_own_texts(FACTS, [one])) == expected, body


@pytest.mark.parametrize("codec", ["latin-1", "utf-8", "mac-roman"])
@pytest.mark.parametrize("kind", ["Exif", "titles", "IPTC"])
def test_given_name_and_surname_in_two_fields_of_any_encoding(tmp_path: Path, kind: str, codec: str) -> None:
    facts = Facts(roster=(Player("home", "9", "Siri Dæhli", False, 3),))
    given, surname = b"Siri", "Dæhli".encode(codec)
    blocks = {
        "Exif": (0xE1, b"Exif\0\0" + tiff([(0x010D, 2, given + b"\0"), (0x010E, 2, surname + b"\0")])),
        "titles": (0xE1, b"Exif\0\0" + tiff([(0x010E, 2, surname + b"\0"), (0x9C9B, 1, "Siri\0".encode("utf-16-le"))])),
        "IPTC": resources(dataset(25, given) + dataset(25, surname))[0],
    }
    one = frame(tmp_path)
    one.path.write_bytes(jpeg(blocks[kind]))
    assert held_by_own_texts(facts, [one])
    assert held_by_own_texts(replace(facts, roster=(Player("home", "9", "Ida Dæhli", False, 3),)), [one]) == {}


def test_a_frame_that_cannot_be_read_is_left_to_the_decoder(tmp_path: Path) -> None:
    gone = Frame("TH1_0009", tmp_path / "TH1_0009.jpg", "TH1_0009.jpg", "picture")
    assert held_by_own_texts(FACTS, [gone]) == {}
