"""What is not held names no withheld player in any byte that leaves: places times spellings, through to the file.

tests/shoot/test_places.py shows what is held. Here: texts of who made the picture, of the camera, of the event, and
of a row, with players that may not be shown and in a shoot of minors; and a run with one of everything. The people are
made up.
"""

from __future__ import annotations

import html
import io
import json
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape

import PIL.Image
import pytest

from pipeline.formats.exif import read_exif
from pipeline.formats.metadata.carried import read_carried
from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.shoot.facts import Facts, FrameFacts, Player, held_back
from pipeline.steps.caption import CaptionParams, describe
from pipeline.types import Frame
from tests.engine.privacy_scan import found_in, pieces
from tests.engine.test_run import evencourt
from tests.shoot.spellings import short, whole
from tests.shoot.text_places import PLACES, XMP, _plain_jpeg, dataset, jpeg, packet, tiff

HIDDEN, SHOWN = "Åse Fjellheim", "Ada Brekke"
SPELLINGS = {**whole(HIDDEN), **short(HIDDEN)}
NOT_SHOWN = Facts(
    language="en", roster=(Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3)),
    teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"}, title="Lantern Cup",
)  # fmt: skip
MINORS = replace(NOT_SHOWN, minors=True, roster=tuple(replace(player, publish=True) for player in NOT_SHOWN.roster))
PARAMS = CaptionParams(from_camera="all")


def _xmp(form: str, text: str) -> tuple[int, bytes]:
    return 0xE1, XMP + packet(form.format(escape(text))).encode()


def _iim(number: int, text: str) -> tuple[int, bytes]:
    data = dataset(90, b"\x1b%G", 1) + dataset(number, text.encode())
    data += b"\0" * (len(data) % 2)
    return 0xED, b"Photoshop 3.0\0" + b"8BIM\x04\x04\0\0" + len(data).to_bytes(4, "big") + data


def _exif(tag: int, text: str, inside: int = 0) -> tuple[int, bytes]:
    return 0xE1, b"Exif\0\0" + tiff([(tag, 2, text.encode() + b"\0")], inside=inside)


_BAG = "<{0}><rdf:Seq><rdf:li>{{}}</rdf:li></rdf:Seq></{0}>"
MAKERS = {
    "creator": lambda t: _xmp(_BAG.format("dc:creator"), t),
    "rights": lambda t: _xmp(_BAG.format("dc:rights"), t),
    "credit": lambda t: _xmp("<photoshop:Credit>{}</photoshop:Credit>", t),
    "source": lambda t: _xmp("<photoshop:Source>{}</photoshop:Source>", t),
    "caption writer": lambda t: _xmp("<photoshop:CaptionWriter>{}</photoshop:CaptionWriter>", t),
    "job title": lambda t: _xmp("<photoshop:AuthorsPosition>{}</photoshop:AuthorsPosition>", t),
    "IIM by-line": lambda t: _iim(80, t),
    "IIM credit": lambda t: _iim(110, t),
    "IIM copyright": lambda t: _iim(116, t),
    "Exif artist": lambda t: _exif(315, t),
    "Exif copyright": lambda t: _exif(33432, t),
    "make": lambda t: _exif(271, t),
    "model": lambda t: _exif(272, t),
    "lens": lambda t: _exif(0xA434, t, 0x8769),
    "owner": lambda t: _exif(0xA430, t, 0x8769),
    "software": lambda t: _exif(305, t),
}


def written(text: str) -> Iterator[bytes]:
    """A planted text as a file may have it."""
    one_line = " ".join(text.split())
    for form in dict.fromkeys((text, one_line, html.escape(text), escape(text), json.dumps(text)[1:-1])):
        for codec in ("utf-8", "utf-16-le", "utf-16-be", "latin-1"):
            yield form.encode(codec, "ignore")


def leaked(data: bytes, *planted: str) -> bool:
    """Whether the name, or a planted text as it was written, stands in the bytes."""
    forms = (form for text in planted for form in written(text))
    return bool(found_in(data, [HIDDEN])) or any(len(form) > 5 and form in data for form in forms)


def made(path: Path, facts: Facts, row: FrameFacts) -> bytes:
    """The metadata of the delivered file, in a JPEG."""
    frame = Frame("TH1_0001", path, path.name, "picture", read_exif(path, "picture"))
    metadata, notices = describe(frame, facts, row, PARAMS, read_carried(path))
    return embed_jpeg(jpeg(), metadata)[0] + "\n".join(notices).encode()


@pytest.mark.parametrize("place", MAKERS)
def test_who_made_it_and_with_what(place: str, tmp_path: Path) -> None:
    path, ordinary = tmp_path / "TH1_0001.jpg", 0
    for number, (what, text) in enumerate(SPELLINGS.items()):
        facts = MINORS if number % 3 == 2 else NOT_SHOWN
        path.write_bytes(jpeg(MAKERS[place](text)))
        assert not leaked(made(path, facts, FrameFacts()), text), what
    for text in ("Ada Nordlys", "Vale Pictures 35 mm f/1.8"):  # what names nobody stays
        path.write_bytes(jpeg(MAKERS[place](text)))
        ordinary += text.encode() in made(path, NOT_SHOWN, FrameFacts())
    assert ordinary == (0 if place in ("owner", "software", "caption writer") else 2)


@pytest.mark.parametrize("what", SPELLINGS)
def test_words_hold_a_frame_and_name_no_minor(what: str, tmp_path: Path) -> None:
    row = FrameFacts(words=f"scores after a pass of {SPELLINGS[what]}")
    why = held_back(NOT_SHOWN, row)
    assert "(line 3)" in why and "Fjellheim" not in why
    assert held_back(MINORS, row) == ""
    path = tmp_path / "TH1_0001.jpg"
    path.write_bytes(jpeg())
    assert not leaked(made(path, MINORS, row), SPELLINGS[what])


@pytest.mark.parametrize("field", ["title", "credit", "usage"])
def test_texts_of_the_event_name_nobody(field: str, tmp_path: Path) -> None:
    path = tmp_path / "TH1_0001.jpg"
    path.write_bytes(jpeg())
    for number, (what, text) in enumerate({**whole(HIDDEN), **_certain(short(HIDDEN))}.items()):
        changes: dict[str, str] = {field: f"For {text} 2026"}
        facts = replace(MINORS if number % 3 == 2 else NOT_SHOWN, **changes)  # type: ignore[arg-type]
        assert not leaked(made(path, facts, FrameFacts()), text), what


def _certain(forms: Mapping[str, str]) -> dict[str, str]:
    """Those that can only be this player; initials that a person typed for the event may be another's."""
    return {what: text for what, text in forms.items() if "initial" not in what or what == "middle initial"}


# ---- one run -----------------------------------------------------------------------------------------------------

RECIPE = """\
recipe: 1
deliveries:
  web:
    - caption: {template: "{{ opening }} {{ setting }} {{ words }}", from_camera: all}
    - save: {format: jpeg, name: "{{ players }}_{{ frame }}"}
    - deliver: {zip: true, page: true}
"""
_PLACES = ("XMP face region", "XMP UTF-16", "XMP second packet", "XMP extension", "XMP cut", "IIM keyword, Latin 1",
           "Exif comment, UTF-16BE", "Exif title of a system", "comment", "PNG zTXt", "PNG iTXt, packed",
           "sidecar UTF-16", "sidecar cut", "file name", "folder name")  # fmt: skip
_SOME = ("as typed", "turned with a comma", "dotted", "Cyrillic", "HTML hexadecimal", "initial", "inside a word")


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A frame for each of some places, in turn with each of some spellings, and one for each that says who made it."""
    folder, rows = tmp_path_factory.mktemp("shoot"), ["frame,words"]
    spellings = [SPELLINGS[what] for what in _SOME]
    for number, place in enumerate((*_PLACES, *MAKERS)):
        inside = folder / f"card {number:02d}"
        inside.mkdir()
        text = spellings[number % len(spellings)].replace("/", "")
        if place in MAKERS:
            _plain_jpeg.cache_clear()  # a picture of its own: no copy of one that is held
            (inside / f"TH{number:02d}_0001.jpg").write_bytes(jpeg(MAKERS[place](text)))
            continue
        written_to = PLACES[place](inside, text)
        if "name" not in place:
            for path in (written_to, *inside.glob("*.xmp")):
                path.rename(path.with_name(f"TH{number:02d}_0001{path.suffix}"))
    _plain_jpeg.cache_clear()
    for number, what in enumerate(_SOME):
        (folder / f"W_{number:04d}.jpg").write_bytes(jpeg())
        rows.append(f'W_{number:04d},"meets {SPELLINGS[what]}"')
    (folder / "frames.csv").write_text("\n".join(rows), encoding="utf-8")
    (folder.parent / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


@pytest.mark.parametrize("minors", [False, True], ids=["publish: no", "minors"])
def test_a_run_delivers_the_name_nowhere(shoot: Path, tmp_path: Path, minors: bool) -> None:
    publish = "yes" if minors else "no"
    (shoot / "roster.csv").write_text(f"team,number,name,publish\nhome,9,{HIDDEN},{publish}\n", encoding="utf-8")
    (shoot / "shoot.yaml").write_text(f"language: en\nminors: {str(minors).lower()}\n", encoding="utf-8")
    status, output = evencourt("run", shoot.parent / "recipe.yaml", shoot, "--out", tmp_path / "out", "--workers", 1)
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert status == 0, output
    assert record["counts"]["held"] == (0 if minors else len(_PLACES) + len(_SOME))
    assert record["counts"]["delivered"] == len(MAKERS) + (len(_PLACES) + len(_SOME) if minors else 0)
    planted = [SPELLINGS[what] for what in _SOME]
    searched = 0
    for path in sorted((tmp_path / "out").rglob("*")):
        relative = path.relative_to(tmp_path / "out")
        if relative.parts[0] == ".work" or relative.name == "frames.csv" or path.is_dir():
            continue
        for what, data in pieces(path):
            searched += 1
            assert not leaked(data, *planted), f"{relative}: {what}"
    assert searched > 3 * len(MAKERS)
    with zipfile.ZipFile(tmp_path / "out" / "web" / "web.zip") as archive:
        pictures = [name for name in archive.namelist() if name.endswith(".jpg")]
        assert len(pictures) == record["counts"]["delivered"]
        PIL.Image.open(io.BytesIO(archive.read(pictures[0]))).verify()
