"""Files that hold the same: which of them are copied, and under which names."""

from __future__ import annotations

from pathlib import Path

from tests.shoot.gather.cards import FOLDER, content, gather, put, sums, write_card


def test_sidecars_that_hold_the_same_are_all_copied_beside_their_raws(tmp_path: Path) -> None:
    """Two of one content say something of two frames; which, only their names tell."""
    cards = [write_card(tmp_path / place / "CARD", place) for place in "ab"]
    for card in cards:
        for name in ("HALL0002.xmp", "HALL0003.xmp"):
            put(card / FOLDER / name, b"rating: 5")
    shoot = tmp_path / "shoot"
    assert all(result.whole for result in gather(cards, shoot))
    expected = {f"CARD/{p}": d for p, d in sums(cards[0]).items()} | {
        f"CARD-2/{p}": d for p, d in sums(cards[1]).items()
    }
    assert sums(shoot) == expected
    (shoot / "CARD" / FOLDER / "HALL0002.xmp").unlink()
    assert [result.copied for result in gather(cards, shoot)] == [1, 0]
    assert sums(shoot) == expected


def test_two_pictures_of_the_same_bytes_are_both_copied(tmp_path: Path) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for name in ("HALL0001.JPG", "HALL0002.JPG", "HALL0003.JPG"):
        put(card / FOLDER / name, content("the same"))
    put(shoot / "mine" / "best.jpg", content("the same"))
    put(shoot / "CARD" / FOLDER / "HALL0002.JPG", content("the same"))
    (result,) = gather(card, shoot)
    there = {"mine/best.jpg", f"CARD/{FOLDER}/HALL0002.JPG", f"CARD/{FOLDER}/HALL0003.JPG"}
    assert result.whole and result.copied == 1 and set(sums(shoot)) == there
    assert gather(card, shoot)[0].copied == 0


def test_a_picture_that_lies_in_two_folders_of_a_card_stays_in_both(tmp_path: Path) -> None:
    card, shoot, second = tmp_path / "CARD", tmp_path / "shoot", tmp_path / "second"
    for place in ("first/A.JPG", "second/A.JPG"):
        put(card / place, content("the same picture"))
    (result,) = gather(card, shoot, second)
    assert result.whole and set(sums(shoot)) == set(sums(second)) == {"CARD/first/A.JPG", "CARD/second/A.JPG"}


def test_a_copy_stands_for_the_file_of_its_name_first(tmp_path: Path) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    for name in ("HALL0001.JPG", "HALL0002.JPG"):
        put(card / FOLDER / name, content("the same"))
    put(shoot / "CARD" / FOLDER / "HALL0002.JPG", content("the same"))
    gather(card, shoot)
    assert set(sums(shoot)) == {f"CARD/{FOLDER}/HALL0001.JPG", f"CARD/{FOLDER}/HALL0002.JPG"}
