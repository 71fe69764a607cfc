"""A withheld name holds a frame wherever it stands and however it is spelled: places times spellings.

Every combination is written by tests/shoot/text_places.py, which shares no code with the reader; libexiv2, where it
knows the place, says that the text stands in it. The people are made up.
"""

from __future__ import annotations

from itertools import count
from pathlib import Path

import exiv2
import pytest

from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.facts import Facts, Player
from pipeline.types import Frame
from tests.shoot.spellings import short, whole
from tests.shoot.text_places import BROKEN, PLACES

HIDDEN = "Åse Fjellheim"
FACTS = Facts(language="en", roster=(Player("home", "7", "Ada Brekke", True, 2), Player("home", "9", HIDDEN, False, 3)))
SPELLINGS = {**whole(HIDDEN), **short(HIDDEN)}
INNOCENT = "Ase scores, Fjell og heim"


def held(place: str, folder: Path, text: str) -> str | None:
    """Why a frame with the text in that place is held; None where the place cannot hold the text's letters."""
    folder.mkdir()
    try:
        path = PLACES[place](folder, text)
    except UnicodeEncodeError:
        return None
    relative = path.relative_to(folder)
    frame = Frame(relative.with_suffix("").as_posix(), path, relative.as_posix(), "picture")
    return held_by_own_texts(FACTS, [frame]).get(frame.name, "")


def test_there_are_as_many_as_the_issue_asks() -> None:
    assert len(PLACES) >= 40 and len(SPELLINGS) >= 25


@pytest.mark.parametrize("place", PLACES)
def test_a_name_holds_a_frame(place: str, tmp_path: Path) -> None:
    number, found = count(), 0
    for what, text in SPELLINGS.items():
        why = held(place, tmp_path / str(next(number)), text)
        if why is None:
            continue
        found += 1
        assert "publish: no" in why, (what, text)
        assert place in BROKEN or "(line 3)" in why, (what, text, why)
        assert "Fjellheim" not in why and HIDDEN not in why
    assert found >= 25


@pytest.mark.parametrize("place", PLACES)
def test_a_text_that_names_nobody_holds_none(place: str, tmp_path: Path) -> None:
    why = held(place, tmp_path / "0", INNOCENT)
    assert why is not None and ("cannot be read" in why) == (place in BROKEN) == bool(why)


@pytest.mark.parametrize(
    ("place", "key"),
    [
        ("XMP PersonInImage", "Xmp.iptcExt.PersonInImage"), ("XMP face region", "Xmp.mwg-rs.Regions"),
        ("XMP keyword", "Xmp.dc.subject"), ("IIM caption", "Iptc.Application2.Caption"),
        ("Exif description", "Exif.Image.ImageDescription"), ("Exif comment, UTF-16LE", "Exif.Photo.UserComment"),
        ("Exif title of a system", "Exif.Image.XPTitle"), ("comment", "comment"), ("PNG XMP", "Xmp.dc.description"),
        ("PNG Exif", "Exif.Image.ImageDescription"),
        ("raw, description", "Exif.Image.ImageDescription"),
    ],
)  # fmt: skip
def test_another_reader_finds_the_text_there(place: str, key: str, tmp_path: Path) -> None:
    image = exiv2.ImageFactory.open(str(PLACES[place](tmp_path, HIDDEN)))
    image.readMetadata()
    every = {d.key(): d.print() for data in (image.exifData(), image.iptcData(), image.xmpData()) for d in data}
    every["comment"] = image.comment()
    assert any(k.startswith(key) and HIDDEN in text for k, text in every.items()), sorted(every)
