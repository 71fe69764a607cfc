"""A second card with the same file names: names stay, rows keep their meaning, and nobody is shown who must not be."""

from __future__ import annotations

import csv
import json
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import ExifTags, Image

from tests.engine.test_run import evencourt

RECIPE = """\
recipe: 1
steps:
  - decode:
deliveries:
  web:
    - caption:
    - save: {format: jpeg, quality: 90}
    - deliver: {zip: true, page: true, push: "PUSH"}
"""
FIRST = {"A_0001": (200, 40, 40), "A_0002": (40, 200, 40), "A_0003": (40, 40, 200)}
SECOND = {"A_0001": (200, 200, 40), "A_0002": (40, 200, 200), "A_0003": (200, 40, 200)}
ROSTER = "team,number,name,publish\nhome,4,Tuva Rønning,no\nhome,7,Ingrid Solbakken,yes\n"
ROWS = "frame,keep,players,words\nA_0002,,home 4,\nA_0003,,home 7,scores\n"


def card(folder: Path, colours: dict[str, tuple[int, int, int]], hour: int, serial: str) -> None:
    """Plain pictures of one camera, each of its own colour, which a delivered file still shows."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, (stem, colour) in enumerate(colours.items()):
        exif = Image.Exif()
        exif[ExifTags.Base.Model] = "W1"
        exif.get_ifd(ExifTags.IFD.Exif).update(
            {0x9003: f"2026:02:14 {hour}:{10 * number:02}:00", 0x9291: "50", 0xA431: serial}
        )
        Image.new("RGB", (64, 48), colour).save(folder / f"{stem}.JPG", quality=95, exif=exif)


def shows(path: Path) -> str:
    """Which picture a delivered file is of: "first/A_0001" and so on."""
    with Image.open(path) as picture:
        mean = np.asarray(picture.convert("RGB")).reshape(-1, 3).mean(axis=0)
    known = {f"first/{k}": v for k, v in FIRST.items()} | {f"second/{k}": v for k, v in SECOND.items()}
    return min(known, key=lambda name: float(np.abs(mean - known[name]).sum()))


class Night:
    """A folder with SHOOT, its facts and a recipe."""

    def __init__(self, folder: Path, rows: str = ROWS) -> None:
        self.folder, self.shoot = folder, folder / "shoot"
        self.shoot.mkdir(parents=True)
        (self.shoot / "roster.csv").write_text(ROSTER, encoding="utf-8")
        (self.shoot / "frames.csv").write_text(rows, encoding="utf-8")

    def run(self, out: str = "out", wanted: int = 0, recipe: str = RECIPE) -> str:
        pushed = self.folder / f"{out} pushed"
        pushed.mkdir(exist_ok=True)
        (self.folder / "recipe.yaml").write_text(recipe.replace("PUSH", pushed.as_posix()), encoding="utf-8")
        status, text = evencourt(
            "run", self.folder / "recipe.yaml", self.shoot, "--out", self.folder / out, "--workers", 1
        )
        assert status == wanted, text
        return " ".join(text.split())

    def delivered(self, out: str = "out") -> dict[str, str]:
        """File name -> which picture it is of; the zip and the pushed folder hold the same files, and no others."""
        web = self.folder / out / "web"
        files = {path.name: shows(path) for path in sorted(web.glob("*.jpg"))}
        with zipfile.ZipFile(web / "web.zip") as archive:
            zipped = {name.rpartition("/")[2] for name in archive.namelist() if name.endswith(".jpg")}
        pushed = {path.name for path in (self.folder / f"{out} pushed").glob("*.jpg")}
        assert zipped == pushed == set(files)
        return files

    def record(self, out: str = "out") -> Any:
        return json.loads((self.folder / out / "run.json").read_text(encoding="utf-8"))

    def names(self, out: str = "out") -> dict[str, str]:
        frames = self.record(out)["frames"]
        return {frame["relative"]: name for name, frame in frames.items() if frame["relative"]}


# Where the first card lies and where the second is put, and the hour at which each was taken: a new card may sort
# before or after, and be older or newer, than what is there.
PLACES = [
    ("", "card2", 19, 21), ("", "card2", 21, 19), ("card1", "card2", 19, 21), ("card2", "card1", 21, 19),
    ("b", "a", 19, 21), ("card1", "", 19, 21), ("card1", "", 21, 19),
]  # fmt: skip


@pytest.mark.parametrize(("first", "second", "hour", "other"), PLACES)
def test_a_second_card_shows_nobody_who_must_not_be(
    tmp_path: Path, first: str, second: str, hour: int, other: int
) -> None:
    night = Night(tmp_path)
    card(night.shoot / first, FIRST, hour, "1")
    night.run()
    before = night.delivered()
    files = {path.name: path.stat().st_mtime_ns for path in (tmp_path / "out" / "web").glob("*.jpg")}
    assert before == {"A_0001.jpg": "first/A_0001", "A_0003.jpg": "first/A_0003"}
    card(night.shoot / second, SECOND, other, "2")

    # The same OUT: the row meant the first card's frame, is unchanged, and still does.
    text = night.run()
    after = night.delivered()
    assert before.items() <= after.items() and sorted(after.values()) == [
        "first/A_0001", "first/A_0003", "second/A_0001", "second/A_0002", "second/A_0003",
    ]  # fmt: skip
    assert files.items() <= {p.name: p.stat().st_mtime_ns for p in (tmp_path / "out" / "web").glob("*.jpg")}.items()
    assert {night.names()[f"{first}/{n}.JPG".lstrip("/")] for n in FIRST} == set(FIRST)
    assert "A_0002 and 1 more may mean frames of several cards and mean those that they meant in the last run" in text
    assert "no longer" not in text and "no frame" not in text and night.record()["counts"]["rendered"] == 3
    assert "Ingrid Solbakken" in night.record()["frames"]["A_0003"]["deliveries"]["web"]["caption"]

    # A new OUT knows nothing of that: both frames that a row may mean are held.
    text = night.run("new", wanted=1)
    assert sorted(night.delivered("new").values()) == ["first/A_0001", "second/A_0001"]
    assert night.record("new")["frames"]["A_0002"]["status"] == "held" and night.record("new")["counts"]["held"] == 4
    assert "until then all of them are held back" in text


def test_what_says_which_frame_a_row_means(tmp_path: Path) -> None:
    night = Night(tmp_path)
    card(night.shoot / "card2", FIRST, 21, "1")
    night.run()
    card(night.shoot / "card1", SECOND, 19, "2")
    # A row that was changed since may mean the other card's frame by now.
    (night.shoot / "frames.csv").write_text(ROWS.replace("home 4,", "home 4,warm-up"), encoding="utf-8")
    night.run(wanted=1)
    assert "second/A_0002" not in night.delivered().values() and "first/A_0002" not in night.delivered().values()

    # What the program writes says which file a row means.
    (night.shoot / "frames.csv").write_text(ROWS, encoding="utf-8")
    night.run()
    shutil.copy(night.folder / "out" / "frames.csv", night.shoot / "frames.csv")
    night.run("third")
    assert "first/A_0002" not in night.delivered("third").values() and len(night.delivered("third")) == 5
    assert {night.names("third")[f"card2/{n}.JPG"] for n in FIRST} == set(FIRST)


@pytest.fixture
def two_cards(tmp_path: Path) -> Iterator[Night]:
    night = Night(tmp_path)
    card(night.shoot, FIRST, 19, "1")
    night.run()
    yield night


def test_moved_files_are_known_by_their_bytes(two_cards: Night) -> None:
    night = two_cards
    before = night.delivered()
    (night.shoot / "card1").mkdir()
    for path in night.shoot.glob("*.JPG"):
        path.rename(night.shoot / "card1" / path.name)
    card(night.shoot, SECOND, 21, "2")  # where the first card was
    text = night.run()
    assert {night.names()[f"card1/{n}.JPG"] for n in FIRST} == set(FIRST) and "no longer" not in text
    after = night.delivered()
    assert before.items() <= after.items() and "first/A_0002" not in after.values() and len(after) == 5


def test_the_same_card_twice_is_one_frame_each(two_cards: Night) -> None:
    night = two_cards
    before = night.delivered()
    shutil.copytree(night.shoot, night.folder / "copy", ignore=shutil.ignore_patterns("*.csv"))
    shutil.move(night.folder / "copy", night.shoot / "a backup")
    text = night.run()
    assert night.delivered() == before
    assert "3 files are there twice with the same bytes, and used once: a backup/A_0001.JPG and 2 more left out" in text
    assert night.run("new") and night.delivered("new") == before


@pytest.mark.parametrize("recipe", [RECIPE, RECIPE.replace("    - caption:\n", "")])
def test_a_frame_that_left_is_in_no_zip_page_or_push(tmp_path: Path, recipe: str) -> None:
    """Half a card is no reason to lose pictures; but what was taken out of the shoot is not to be shown. Without texts
    the file that stays has the bytes of the one that was pushed."""
    night = Night(tmp_path)
    card(night.shoot, FIRST, 19, "1")
    night.run(recipe=recipe)
    (night.shoot / "A_0001.JPG").unlink()
    text = night.run(recipe=recipe)
    assert "A_0001.jpg: the frame is no longer in the shoot folder; what was delivered stays" in text
    web = night.folder / "out" / "web"
    assert (web / "A_0001.jpg").is_file() and "A_0001" not in (web / "index.html").read_text(encoding="utf-8")
    with zipfile.ZipFile(next(web.glob("*.zip"))) as archive:
        assert not [name for name in archive.namelist() if "A_0001" in name]
    assert [path.name for path in (night.folder / "out pushed").glob("*.jpg")] == ["A_0003.jpg"]


def test_no_other_frame_gets_the_name_of_one_that_left(two_cards: Night) -> None:
    night = two_cards
    for path in night.shoot.glob("*.JPG"):
        if path.name != "A_0001.JPG":  # else it is another evening
            path.unlink()
    card(night.shoot / "card2", {**SECOND, "A_0001": FIRST["A_0001"]}, 21, "2")
    shutil.copy(night.shoot / "card2" / "A_0003.JPG", night.shoot / "A_0009.JPG")
    text = night.run(wanted=1)
    # The row of the frame that is gone may have been meant for this one.
    assert "second/A_0002" not in [shows(path) for path in (night.folder / "out" / "web").glob("card2*.jpg")]
    assert "it may be card2/A_0002" in text and night.names()["card2/A_0002.JPG"] == "card2/A_0002"


def test_a_row_copied_with_its_file_holds_both(two_cards: Night) -> None:
    """A person copies a row, changes the frame and forgets the file beside it."""
    night = two_cards
    rows = [["frame", "players", "file"], ["A_0002", "", "A_0002.JPG"], ["A_0003", "home 4", "A_0001.JPG"]]
    with (night.shoot / "frames.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    night.run("new", wanted=1)
    assert list(night.delivered("new").values()) == ["first/A_0002"]


def test_numbers_in_file_names_stay(tmp_path: Path) -> None:
    night = Night(tmp_path)
    recipe = RECIPE.replace("quality: 90}", 'quality: 90, name: "cup-{{ count }}"}')
    card(night.shoot, FIRST, 20, "1")
    night.run(recipe=recipe)
    before = night.delivered()
    assert before == {"cup-0001.jpg": "first/A_0001", "cup-0003.jpg": "first/A_0003"}
    card(night.shoot / "earlier", SECOND, 19, "2")
    night.run(recipe=recipe)
    after = night.delivered()
    assert before.items() <= after.items()
    assert sorted(after)[2:] == ["cup-0004.jpg", "cup-0005.jpg", "cup-0006.jpg"]
