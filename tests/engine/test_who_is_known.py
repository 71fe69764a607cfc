"""What a run says of consent as a whole: where nothing says who must not be shown, and why frames are held back."""

from __future__ import annotations

import os
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine.jobs import read_shoot
from pipeline.shoot.facts import nobody_known
from tests.engine.test_run import evencourt

RECIPE = "recipe: 1\ndeliveries:\n  web: [resize: {long_edge: 60}, save: {}]\n"
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,no\nhome,8,Ada Holm,\n"
SAID = "it is not known who must not be shown, and no frame is held back for consent"


def shoot(folder: Path, **files: str) -> Path:
    """A folder of five pictures, below one with a recipe. files  name without its suffix -> text of a file of facts"""
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    folder = folder / "shoot"
    folder.mkdir()
    for number in range(1, 6):
        noise = PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3))
        noise.save(folder / f"TH1_000{number}.jpg")
    for name, text in files.items():
        (folder / f"{name}.{'yaml' if name == 'shoot' else 'csv'}").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("files", [{}, {"shoot": "title: Lantern Cup\n", "frames": "frame,words\nTH1_0001,jumps\n"}])
def test_without_a_roster_it_is_said_once_that_nobody_is_known(tmp_path: Path, files: dict[str, str]) -> None:
    folder = shoot(tmp_path, **files)
    commands: list[tuple[object, ...]] = [
        ("check", tmp_path / "night.yaml", folder),
        ("run", tmp_path / "night.yaml", folder, "--out", tmp_path / "out", "--workers", 1, "--no-cache"),
    ]
    for command in [*commands, ("captions", folder, "--check")] if files else commands:
        status, told = evencourt(*command)
        assert status == 0 and told.count(f"no roster.csv was given or found, so {SAID}") == 1, told
        if command[0] != "captions":
            # The most serious thing that is to be looked at stands first.
            assert told.index(SAID) < told.index("no capture time")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert SAID in page and "before you publish any" in page


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"roster": "team,number,name,publish\n"}, "roster.csv has no players"),
        ({"roster": "team,number,name,publish\n", "shoot": "title: Lantern Cup\n"}, "roster.csv has no players"),
        ({"roster": ROSTER}, ""),
        ({"roster": "team,number,name\nhome,8,Ada Holm\n"}, ""),
        ({"shoot": "title: Lantern Cup\n"}, "no roster.csv was given or found"),
        ({"frames": "frame,keep\nTH1_0001,no\n"}, "no roster.csv was given or found"),
        ({"shoot": "minors: true\n"}, "no roster.csv was given or found, so minors: true knows no name"),
    ],
)
def test_it_is_said_where_no_roster_is_filled_in(tmp_path: Path, files: dict[str, str], said: str) -> None:
    found = nobody_known(read_shoot(shoot(tmp_path, **files), models=tmp_path).facts)
    assert len(found) == bool(said)
    assert all(one.startswith(said) and SAID in one for one in found)


@pytest.mark.parametrize(
    ("roster", "rows", "said"),
    [
        (ROSTER, "frame,players\n", "5 frames have nobody under players, and a player is withheld by roster.csv"),
        (ROSTER, "frame,players\nTH1_0002,home 8\nTH1_0003,home 7\nTH1_0004,\n", "2 frames have nobody"),
        (
            f"{ROSTER}home,9,Tone Eik,no\n",
            "frame,players,keep\nTH1_0002,,no\n",
            "3 frames have nobody under players, and 2 ",
        ),
        (ROSTER.replace(",no", ",yes"), "frame,players\n", ""),
    ],
)
def test_frames_with_nobody_under_players_are_to_be_looked_at(
    tmp_path: Path, roster: str, rows: str, said: str
) -> None:
    """A child whom nobody has looked for went out without a word: "0 held back" looked like an answer."""
    event = "references: [{frame: TH1_0001, patch: [0.1, 0.1, 0.9, 0.9]}]\n"
    event = event if "keep" in rows or "TH1_0002" in rows else "title: Lantern Cup\n"
    folder = shoot(tmp_path, roster=roster, frames=rows, shoot=event)
    run = ("run", tmp_path / "night.yaml", folder, "--out", tmp_path / "out", "--workers", 1, "--no-cache")
    for command in (("check", tmp_path / "night.yaml", folder), run):
        told = " ".join(evencourt(*command)[1].split())
        assert told.count("look through these before you publish any: TH1_000") == bool(said), told
        assert said in told
    told = " ".join(evencourt("captions", folder, "--check")[1].split())
    named = "TH1_0004" in rows or "TH1_0002,," in rows  # of a table without rows nothing is checked
    assert ("look through these before" in told) == ("TH1_0004" in rows), (told, named)


def test_frames_that_a_wrong_line_holds_are_not_counted_for_consent(tmp_path: Path) -> None:
    roster = ROSTER.replace("Holm,", "Holm,yes") + "home,9,Tone Eik,perhaps\nhome,10,Jo Li,yes\n"
    rows = "frame,players\nTH1_0001,home 7\nTH1_0002,home 8; home 9\nTH1_0003,home 8 home\nTH1_0004,home 7; home 9\n"
    folder = shoot(tmp_path, roster=roster, frames=rows)
    status, told = evencourt(
        "run", tmp_path / "night.yaml", folder, "--out", tmp_path / "out", "--workers", 1, "--no-cache"
    )
    assert status == 1 and "4 held back (2 for consent, 2 for a wrong line in a table)" in told, told
    assert (
        "4 held back (2 for consent, 2 for a wrong line in a table)" in (tmp_path / "out" / "report.html").read_text()
    )
    assert "4 held back (2 for consent, 2 for" in evencourt("status", tmp_path / "out")[1]


def test_the_screen_calls_a_file_with_a_withheld_name_by_its_number(tmp_path: Path) -> None:
    rows = "frame,players,words\nsiri_fjellheim-6,home 8,\nTH1_0001,,Ada Holm jumps\nfjellheim_3,home 99,\n"
    folder = shoot(tmp_path, roster=ROSTER, frames=rows)
    for name in ("siri_fjellheim-6.jpg", "Siri Fjellheim.jpg", "fjellheim_3.jpg"):
        (folder / "TH1_0005.jpg").rename(folder / name) if name[0] == "s" else (folder / name).write_bytes(
            b"no picture"
        )
    commands: list[tuple[object, ...]] = [
        ("check", tmp_path / "night.yaml", folder),
        ("inspect", folder),
        ("captions", folder, "--out", tmp_path / "table.csv"),
        ("captions", folder, "--check"),
        ("run", tmp_path / "night.yaml", folder, "--out", tmp_path / "out", "--workers", 1, "--no-cache"),
        ("status", tmp_path / "out"),
    ]
    for command in commands:
        _, told = evencourt(*command)
        told = told.replace(str(tmp_path), "")
        assert "frame-0" in told, told
        assert "siri" not in told.casefold() and "fjellheim" not in told.casefold(), (command[0], told)


def test_all_that_are_held_are_counted_by_their_reason(tmp_path: Path) -> None:
    rows = "frame,keep,players\nTH1_0001,,home 7\nTH1_0002,no,\nTH1_0003,no,home 8\n"
    folder = shoot(tmp_path, roster=ROSTER, frames=rows)
    told = evencourt("check", tmp_path / "night.yaml", folder)[1]
    assert "3 held back (1 for consent, 2 for keep: no)" in told
    (folder / "roster.csv").write_text(ROSTER.replace("no", "yes"), encoding="utf-8")
    assert "2 held back\n" in evencourt("check", tmp_path / "night.yaml", folder)[1]


def test_captions_check_ends_as_check_does(tmp_path: Path) -> None:
    rows = "frame,players\n" + "".join(f"TH1_000{number},home 8\n" for number in range(1, 6))
    folder = shoot(tmp_path, roster=ROSTER, frames=rows)
    for wrong, status in ((rows, 0), (rows.replace("1,home 8", "1,home 9"), 1), (rows.replace("home 8", "home 9"), 2)):
        (folder / "frames.csv").write_text(wrong, encoding="utf-8")
        assert evencourt("check", tmp_path / "night.yaml", folder)[0] == status
        assert evencourt("captions", folder, "--check")[0] == status
