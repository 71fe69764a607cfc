"""Names of files as cards, disks and people make them."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from pipeline.shoot.gather.checksums import Checksums
from pipeline.shoot.gather.portable import label, portable, split
from pipeline.shoot.scan import scan
from pipeline.store.files import folded
from tests.shoot.gather.cards import FOLDER, content, gather, holds_all, put, sums, tops, unfinished, write_card

linux = pytest.mark.skipif(sys.platform != "linux", reason="file systems elsewhere do not take such names")


@linux
@pytest.mark.parametrize(
    "names",
    [
        ["IMG.JPG", "img.jpg", "Img.Jpg"],
        [unicodedata.normalize("NFC", "Tor é.JPG"), unicodedata.normalize("NFD", "Tor é.JPG")],
        ["a/IMG.JPG", "A/img.JPG"],
        ["straße.jpg", "STRASSE.JPG"],
        ["what?.jpg", "what*.jpg", "what_.jpg"],
        ["end.", "end ", "end_"],
        ["con.jpg", "CON.JPG", "_con.jpg", "nul", "com1.CR3", "lpt9.tar.gz"],
        ["line\nbreak.jpg", "back\\slash.jpg", "re\rturn.jpg", "tab\t.jpg", "bell\x07.jpg"],
        [os.fsdecode(b"latin \xe9.jpg"), os.fsdecode(b"latin \xe8.jpg")],
        ["x" * 251 + ".JPG", "x" * 250 + "y.JPG", "é" * 120 + ".JPG", "." + "z" * 250, "q." + "r" * 250],
        [".evencourt-part-gather-1-a", ".evencourt-part-1-a", "gathered.sha256", ".evencourt-gather.lock"],
        [".hidden.jpg", ".config/settings", "..jpg", "...", "-rf", "$(reboot).jpg", "%s%n.jpg", "[red]x[/red].jpg"],
        ["IMG-2.JPG", "IMG.JPG", "img.JPG", "IMG-3.JPG"],
        ["x" * 251 + ".JPG", "X" * 251 + ".JPG"],
    ],
    ids=lambda names: ascii(names[0])[:24],
)
def test_every_name_is_copied_under_one_that_all_disks_take(tmp_path: Path, names: list[str]) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for name in names:
        put(card / name, content(ascii(name)))
    for copied in (len(names), 0, 0):
        (result,) = gather(card, shoot)
        assert result.whole and result.copied == copied and holds_all(card, shoot) and not unfinished(shoot)
    there = [path.relative_to(shoot).as_posix() for path in shoot.rglob("*") if path.is_file()]
    copies = [path for path in there if path.startswith("CARD/")]
    assert len(copies) == len(names)
    assert len({unicodedata.normalize("NFKC", path).casefold() for path in copies}) == len(names)
    for path in copies:
        for part in path.split("/"):
            # Microsoft Learn, "Naming Files, Paths, and Namespaces"
            assert not set(part) & set('<>:"\\|?*') and not any(ord(c) < 32 for c in part)
            assert not part.endswith((" ", ".")) and part.split(".")[0].upper() not in {"CON", "NUL", "COM1", "LPT9"}
            assert len(part.encode()) <= 255
            assert not part.startswith(".evencourt-part-")
    done = subprocess.run(
        ["sha256sum", "-c", "--strict", "gathered.sha256"], cwd=shoot, capture_output=True, timeout=60
    )
    assert done.returncode == 0 and done.stdout.count(b": OK") == len(names), done.stderr


@linux
@pytest.mark.parametrize("other", ["IMG-2.CR3", "img-2.CR3"], ids=["copied before", "copied after"])
def test_a_number_makes_no_companion_of_another_frame(tmp_path: Path, other: str) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for name in ("IMG.JPG", "IMg.JPG", other):
        put(card / name, content(name))
    gather(card, shoot)
    assert set(sums(shoot)) == {"CARD/IMG.JPG", f"CARD/{other}", "CARD/IMg-3.JPG"}


@linux
def test_what_is_no_file_is_named_and_not_followed(tmp_path: Path) -> None:
    card, shoot, outside = write_card(tmp_path / "CARD"), tmp_path / "shoot", write_card(tmp_path / "outside", "o")
    (card / "to a file.CR3").symlink_to(outside / FOLDER / "HALL0001.CR3")
    (card / "to a folder").symlink_to(outside)
    (card / "to nothing").symlink_to("nowhere")
    (card / "circle").symlink_to(card)
    os.mkfifo(card / "pipe.CR3")
    with socket.socket(socket.AF_UNIX) as opened:
        opened.bind(str(card / "socket"))
    (result,) = gather(card, shoot)
    assert result.whole and sums(shoot) == {
        f"CARD/{p}": d for p, d in sums(card).items() if p.startswith(("D", "P", "M"))
    }
    (note,) = [text for text in result.notes if "no file" in text]
    assert "circle (a link, not followed) and 5 more" in note


def test_what_computers_leave_on_a_card_is_counted_and_not_copied(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    apple = bytes.fromhex("00051607 00020000")  # RFC 1740
    for path in (".DS_Store", "System Volume Information/IndexerVolumeGuid", f"{FOLDER}/._HALL0001.CR3"):
        put(card / path, apple + b"...")
    put(card / ".Trashes" / "501" / "HALL0000.CR3", content("thrown away"))
    put(card / "$RECYCLE.BIN" / "x", content("thrown away there"))
    put(card / FOLDER / "._HALL0007.CR3", content("a photograph with an odd name"))
    put(card / ".hidden" / "file", content("hidden"))
    put(card / "RECYCLED" / "HALL0008.CR3", content("a person's own folder"))
    (result,) = gather(card, shoot)
    assert result.whole and result.found == 13
    names = set(sums(shoot))
    assert f"CARD/{FOLDER}/._HALL0007.CR3" in names and "CARD/.hidden/file" in names
    assert not any("HALL0000" in n or n.endswith(("._HALL0001.CR3", ".DS_Store", "/x")) for n in names)
    assert "CARD/RECYCLED/HALL0008.CR3" in names
    text = "\n".join(result.notes)
    assert f"empty on the card, perhaps a picture that it lost: {FOLDER}/HALL9999.JPG" in text
    assert "trash of a computer: $RECYCLE.BIN/x and 1 more" in text and ".DS_Store and 2 more" in text


def test_a_copy_in_the_trash_of_the_shoots_disk_is_no_copy(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    shutil.copytree(card, shoot / ".Trash-1000" / "CARD")
    (result,) = gather(card, shoot)
    assert result.whole and result.copied == result.found


def test_the_list_and_the_lock_are_no_photographs(tmp_path: Path) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    put(card / FOLDER / "HALL0001.JPG", content("a damaged picture is a frame all the same"))
    gather(card, shoot)
    put(shoot / ".evencourt-part-gather-1-x.JPG", b"unfinished")
    found = scan(shoot)
    assert [frame.relative for frame in found.frames] == [f"CARD/{FOLDER}/HALL0001.JPG"]
    assert not any("gathered" in name or ".evencourt" in name for name, _ in found.skipped)


def test_a_hidden_card_gets_a_folder_that_other_commands_see(tmp_path: Path) -> None:
    put(tmp_path / ".card" / "HALL0001.JPG", content("one"))
    (result,) = gather(tmp_path / ".card", tmp_path / "shoot")
    assert result.whole and len(scan(tmp_path / "shoot").frames) == 1


def test_the_checksum_list_loses_no_line(tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    foreign = b"# by hand\n" + b"0" * 64 + b" *other file\n\\" + b"1" * 64 + b"  with\\nbreak\nno line end"
    shoot.mkdir()
    (shoot / "gathered.sha256").write_bytes(foreign)
    gather(write_card(tmp_path / "a" / "A", "a"), shoot)
    first = (shoot / "gathered.sha256").read_bytes()
    assert first.startswith(foreign + b"\n") and first.count(b"\n") == 4 + 10
    gather(write_card(tmp_path / "b" / "B", "b"), shoot)
    second = (shoot / "gathered.sha256").read_bytes()
    assert second.startswith(first) and second.count(b"\n") == 4 + 20
    gather(tmp_path / "b" / "B", shoot)
    assert (shoot / "gathered.sha256").read_bytes() == second


def test_a_name_that_the_list_gives_to_other_bytes_is_not_used_again(tmp_path: Path) -> None:
    """The old line would say that the new file is damaged."""
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    put(card / "A.CR3", content("old"))
    gather(card, shoot)
    (shoot / "CARD" / "A.CR3").rename(tmp_path / "elsewhere.CR3")
    put(card / "A.CR3", content("new"))
    (result,) = gather(card, shoot)
    assert result.whole and set(sums(shoot)) == {"CARD/A-2.CR3"}


def test_a_list_that_cannot_be_written_is_no_yes(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    gather(card, shoot)
    put(card / "MISC" / "NEW.TXT", b"new")
    (shoot / "gathered.sha256").unlink()
    real = Checksums.write
    try:
        Checksums.write = lambda self: (_ for _ in ()).throw(OSError(28, "No space left on device"))  # type: ignore
        (result,) = gather(card, shoot)
    finally:
        Checksums.write = real  # type: ignore[method-assign]
    assert not result.whole and "the checksum list in" in result.verdict() and "is full" in result.verdict()


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("A.CR3", ("A", ".CR3")),
        ("A.CR3.xmp", ("A", ".CR3.xmp")),
        (".x", (".x", "")),
        (".x.y", (".x", ".y")),
        ("A", ("A", "")),
    ],
)
def test_a_sidecar_belongs_to_the_raw_that_it_is_named_after(name: str, parts: tuple[str, str]) -> None:
    assert split(name) == parts


@pytest.mark.parametrize(
    "name", ["HALL0001.CR3", "100HALL", "Tor für Mühle.jpg", "得点.JPG", "a b-c_d (1).tif", "console.jpg"]
)
def test_a_common_name_stays(name: str) -> None:
    assert portable(name) == name


@pytest.mark.parametrize(
    ("card", "expected"),
    [("/media/me/HALL_A", ("HALL_A", "")), ("/media/me/HALL_A/DCIM", ("HALL_A", "DCIM/")), ("/", ("card", "")),
     ("/DCIM", ("DCIM", "")), ("/x/dcim", ("x", "dcim/")), ("/x/...", ("card", ""))],
)  # fmt: skip
def test_a_cards_folder_is_called_as_the_card_is(card: str, expected: tuple[str, str]) -> None:
    assert label(Path(card)) == expected


def test_folding_is_stable() -> None:
    for text in ("ǰ", "ΐ", "İ", "ﬃ", "ß", "Å", "e\u0301\u0323"):
        assert folded(folded(text)) == folded(text) == folded(unicodedata.normalize("NFD", text))


@linux
def test_files_of_one_folded_name_and_the_same_bytes_are_both_copied(tmp_path: Path) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for folder in ("DCIM", "dcim"):
        put(card / folder / "notes", content("the same"))
    for copied in (2, 0):
        assert gather(card, shoot)[0].copied == copied
    assert len(sums(shoot)) == len(sums(card))


def test_a_card_goes_to_the_folder_that_holds_most_of_it(tmp_path: Path) -> None:
    """A person may have put a file of it into another card's folder."""
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for i in range(5):
        put(card / FOLDER / f"HALL{i}.CR3", content(f"{i}"))
    put(shoot / "CARD" / FOLDER / "HALL0.CR3", content("0"))
    shutil.copytree(card / FOLDER, shoot / "CARD-2" / FOLDER)
    put(card / "NOTES.TXT", b"new")
    (result,) = gather(card, shoot)
    assert result.whole and tops(result) == {"CARD-2"} and result.copied == 1


@pytest.mark.parametrize("hidden", [".rejected/HALL0001.CR3", "HALL0001.CR3.bak", ".HALL0001.CR3", "HALL0001"])
def test_a_copy_that_no_other_command_sees_is_no_copy(tmp_path: Path, hidden: str) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    put(card / FOLDER / "HALL0001.CR3", content("one"))
    put(shoot / hidden, content("one"))
    assert gather(card, shoot)[0].copied == 1 and f"CARD/{FOLDER}/HALL0001.CR3" in sums(shoot)
    assert gather(card, shoot)[0].copied == 0
