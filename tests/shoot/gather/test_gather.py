"""Cards into a shoot folder. What must be there is worked out by hashlib and by sha256sum of GNU coreutils."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.shoot.gather import copying
from pipeline.shoot.gather.gather import Gathering
from pipeline.store import disk
from tests.shoot.gather.cards import (
    FOLDER,
    TIME,
    content,
    gather,
    holds_all,
    put,
    snapshot,
    sums,
    tops,
    unfinished,
    write_card,
)

RAW = f"{FOLDER}/HALL0001.CR3"


def check_list(folder: Path) -> subprocess.CompletedProcess[str]:
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum is not installed")
    return subprocess.run(
        ["sha256sum", "-c", "--strict", "gathered.sha256"], cwd=folder, capture_output=True, text=True, timeout=60
    )


def test_a_card_is_copied_as_it_is_into_a_folder_of_its_own(tmp_path: Path) -> None:
    card = write_card(tmp_path / "HALL_A")
    (result,) = gather(card, tmp_path / "shoot", tmp_path / "second")
    for folder in (tmp_path / "shoot", tmp_path / "second"):
        assert sums(folder) == {f"HALL_A/{path}": digest for path, digest in sums(card).items()}
        for path in sums(card):
            assert (folder / "HALL_A" / path).stat().st_mtime_ns == (card / path).stat().st_mtime_ns
        assert check_list(folder).returncode == 0
        assert check_list(folder).stdout.count(": OK") == len(sums(card))
        assert not unfinished(folder)
    assert result.whole and result.copied == result.gathered == result.found == len(sums(card)) == 10
    assert "all 10 files stand in " in result.verdict()


def test_the_card_is_not_touched(tmp_path: Path) -> None:
    card = write_card(tmp_path / "card")
    old = TIME - 10**15  # an access time long ago, which any mount option would bring up to date
    for path in card.rglob("*"):
        if path.is_file():
            os.utime(path, ns=(old, TIME))
    before = snapshot(card)
    gather(card, tmp_path / "shoot", tmp_path / "second")
    assert snapshot(card) == before


def test_each_file_of_the_card_is_read_once_for_both_copies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = write_card(tmp_path / "card", size=300_000)
    size = {path: (card / path).stat().st_size for path in sums(card)}
    names: dict[int, str] = {}
    octets: dict[str, int] = {}
    opened, read = os.open, os.read

    def watched_open(path, *arguments, **keywords):
        number = opened(path, *arguments, **keywords)
        names[number] = str(path)
        return number

    def watched_read(number, count):
        data = read(number, count)
        octets[names.get(number, "")] = octets.get(names.get(number, ""), 0) + len(data)
        return data

    monkeypatch.setattr(os, "open", watched_open)
    monkeypatch.setattr(os, "read", watched_read)
    gather(card, tmp_path / "shoot", tmp_path / "second")
    assert {path: octets.get(str(card / path), 0) for path in size} == size
    octets.clear()
    assert gather(card, tmp_path / "shoot", tmp_path / "second")[0].whole  # all there: read once to know it
    more = {path: octets[str(card / path)] - size[path] for path in size if size[path]}
    # A few files' first 64 KiB are read before, to know the card's folder again.
    assert max(more.values()) <= copying.HEAD and sum(map(bool, more.values())) <= 16


def test_a_second_time_nothing_is_copied_and_the_card_is_still_safe(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "card"), tmp_path / "shoot"
    gather(card, shoot)
    before = snapshot(shoot)
    (result,) = gather(card, shoot)
    assert (result.whole, result.copied, result.gathered) == (True, 0, 10)
    after = snapshot(shoot)
    assert {p: s[:4] for p, s in after.items()} == {p: s[:4] for p, s in before.items()}


def test_what_is_there_is_known_by_content_wherever_it_is_and_whatever_its_name(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "card"), tmp_path / "shoot"
    put(shoot / "best of" / "winner.CR3", (card / RAW).read_bytes())
    put(shoot / "other.CR3", content("another of the same size"))
    (result,) = gather(card, shoot)
    assert result.whole and result.copied == 9
    assert list(sums(shoot).values()).count(sums(card)[RAW]) == 1
    assert "best of/winner.CR3" in (shoot / "gathered.sha256").read_text()


def test_a_file_that_only_begins_like_one_that_is_there_is_copied(tmp_path: Path) -> None:
    """A frame that the card lost half of may begin as the good copy does, and be as long."""
    card, shoot = tmp_path / "card", tmp_path / "shoot"
    good = content("good", copying.HEAD + 5000)
    put(card / RAW, good)
    put(shoot / "broken.CR3", good[:-1] + bytes([good[-1] ^ 1]))
    (result,) = gather(card, shoot)
    assert result.whole and holds_all(card, shoot)
    assert len(sums(shoot)) == 2


def test_two_cards_of_one_name_keep_their_files_apart(tmp_path: Path) -> None:
    a = write_card(tmp_path / "left" / "CARD", "a")
    b = write_card(tmp_path / "right" / "CARD", "b")
    shoot = tmp_path / "shoot"
    results = gather([a, b], shoot)
    assert [tops(r) for r in results] == [{"CARD"}, {"CARD-2"}] and all(r.whole for r in results)
    expected = {f"CARD/{p}": d for p, d in sums(a).items()} | {f"CARD-2/{p}": d for p, d in sums(b).items()}
    assert sums(shoot) == expected
    assert all(r.whole and r.copied == 0 for r in gather([b, a], shoot))  # in the other order too
    assert sums(shoot) == expected


def test_a_card_that_comes_again_with_more_goes_to_its_own_folder(tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    gather(write_card(tmp_path / "x" / "CARD", "x"), shoot)
    card = write_card(tmp_path / "y" / "CARD", "y")
    gather(card, shoot)
    before = sums(shoot)
    put(card / FOLDER / "HALL0004.CR3", content("later"))
    put(card / FOLDER / "HALL0002.xmp", content("later sidecar"))
    put(card / "MISC/INDEX.CTG", content("the index of more", 120))  # a camera writes its index anew
    (result,) = gather(card, shoot)
    new = set(sums(shoot)) - set(before)
    assert result.whole and new == {
        f"CARD-2/{FOLDER}/HALL0004.CR3",
        f"CARD-2/{FOLDER}/HALL0002.xmp",
        "CARD-2/MISC/INDEX-2.CTG",
    }
    assert before.items() <= sums(shoot).items()
    assert gather(card, shoot)[0].copied == 0


def test_a_card_that_was_formatted_and_used_again_gets_a_new_folder(tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    card = write_card(tmp_path / "CARD", "first half")
    gather(card, shoot)
    shutil.rmtree(card)
    write_card(card, "second half")
    (result,) = gather(card, shoot)
    assert result.whole and tops(result) == {"CARD-2"} and len(sums(shoot)) == 20


def test_a_changed_picture_keeps_its_companions_beside_it(tmp_path: Path) -> None:
    """Rated in the camera after the first copy: raw and JPEG change together, and the old ones stay."""
    shoot, card = tmp_path / "shoot", write_card(tmp_path / "CARD")
    gather(card, shoot)
    before = sums(shoot)
    for suffix in ("CR3", "JPG"):
        put(card / FOLDER / f"HALL0002.{suffix}", content(f"rated {suffix}"))
    (result,) = gather(card, shoot)
    at = f"CARD/{FOLDER}/"
    assert set(sums(shoot)) - set(before) == {f"{at}HALL0002-2.CR3", f"{at}HALL0002-2.JPG"}
    assert before.items() <= sums(shoot).items() and result.whole and len(result.renamed) == 2
    put(card / FOLDER / "HALL0002.CR3.xmp", content("sidecar of the rated one"))
    gather(card, shoot)
    assert f"{at}HALL0002-2.CR3.xmp" in sums(shoot)


def test_companions_follow_a_raw_that_a_person_has_moved(tmp_path: Path) -> None:
    shoot, card = tmp_path / "shoot", write_card(tmp_path / "CARD")
    put(shoot / "first half" / "HALL0002.CR3", (card / FOLDER / "HALL0002.CR3").read_bytes())
    gather(card, shoot)
    assert "first half/HALL0002.JPG" in sums(shoot) and f"CARD/{FOLDER}/HALL0003.JPG" in sums(shoot)


def test_the_folder_dcim_alone_goes_where_the_card_goes(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    gather(card / "DCIM", shoot)
    assert set(sums(shoot)) == {f"CARD/{path}" for path in sums(card) if path.startswith("DCIM/")}
    (result,) = gather(card, shoot)
    assert result.whole and set(sums(shoot)) == {f"CARD/{path}" for path in sums(card)}


def test_a_card_given_twice_is_read_once(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    (tmp_path / "link").symlink_to(card)
    gathering = Gathering([card, tmp_path / "link", card], tmp_path / "shoot")
    assert len(gathering.results) == 1 and len(gathering.notes) == 2


def test_an_empty_folder_is_never_safe_to_format(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (result,) = gather(tmp_path / "card", tmp_path / "shoot")
    assert not result.whole and "no file was found" in result.verdict()


def test_an_empty_file_keeps_its_name(tmp_path: Path) -> None:
    """It tells of a picture that the card lost; that another file is empty too makes it no copy of that one."""
    card, shoot = tmp_path / "card", tmp_path / "shoot"
    for name in ("A.CR3", "B.CR3"):
        put(card / name, b"")
    for _ in range(3):
        (result,) = gather(card, shoot)
        assert result.whole and set(sums(shoot)) == {"card/A.CR3", "card/B.CR3"}


@pytest.mark.parametrize("where", ["on the card", "is the card", "around the card", "through a link"])
def test_the_card_and_the_shoot_may_not_lie_in_each_other(tmp_path: Path, where: str) -> None:
    card = write_card(tmp_path / "shoot" / "CARD")
    (tmp_path / "link").symlink_to(card / "DCIM")
    to = {
        "on the card": card / "new" / "shoot",
        "is the card": card,
        "around the card": tmp_path / "shoot",
        "through a link": tmp_path / "link",
    }[where]
    before = snapshot(tmp_path)
    for arguments in ((to, None), (tmp_path / "elsewhere", to)):
        with pytest.raises(InputError):
            Gathering([card], *arguments)
    assert snapshot(tmp_path) == before


def test_the_second_copy_may_not_be_the_first(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    to = tmp_path / "disk" / "shoot"
    for also in (to, to / "second", tmp_path / "disk"):
        with pytest.raises(InputError, match="a second copy"):
            Gathering([card], to, also)


def test_a_hard_link_to_the_cards_own_file_is_no_copy(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    shoot.mkdir()
    (shoot / "HALL0001.CR3").hardlink_to(card / RAW)
    (result,) = gather(card, shoot)
    assert result.whole and result.copied == 10
    assert (shoot / "CARD" / RAW).stat().st_ino != (card / RAW).stat().st_ino


def test_a_link_in_the_shoot_is_no_copy_and_is_not_written_through(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    shoot.mkdir()
    (shoot / "CARD").symlink_to(card)
    (shoot / "HALL0001.CR3").symlink_to(card / RAW)
    before = snapshot(card)
    (result,) = gather(card, shoot)
    assert snapshot(card) == before
    assert result.whole and tops(result) == {"CARD-2"} and holds_all(card, shoot / "CARD-2")


def test_a_link_further_down_is_not_written_through_either(tmp_path: Path) -> None:
    card, shoot, outside = write_card(tmp_path / "CARD"), tmp_path / "shoot", tmp_path / "outside"
    outside.mkdir()
    (shoot / "CARD").mkdir(parents=True)
    (shoot / "CARD" / "DCIM").symlink_to(outside)
    (result,) = gather(card, shoot)
    assert (
        list(outside.iterdir()) == []
        and not result.whole
        and "is a link or a file and not a folder" in result.verdict()
    )


def test_the_copy_is_on_the_disk_before_it_is_read_back_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In this order: flush, forget the cached pages, read back, name, flush the name."""
    card = tmp_path / "card"
    put(card / RAW, content("one"))
    order: list[str] = []
    for module, name in (
        (disk, "flush"), (disk, "forget"), (copying, "hash_from_disk"), (disk, "move"), (disk, "flush_folder"),
    ):  # fmt: skip
        real = getattr(module, name)

        def watched(*arguments, real=real, name=name):
            order.append(name)
            return real(*arguments)

        monkeypatch.setattr(module, name, watched)
    gather(card, tmp_path / "shoot")
    order = order[order.index("flush") :]
    assert order[:4] == ["flush", "forget", "hash_from_disk", "forget"] and order.index("move") > 3
    assert "flush_folder" in order[order.index("move") :]


def test_names_are_on_the_disk_before_the_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """fsync(2) of Linux: the entry in the folder needs one of its own."""
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    flushed: list[Path] = []
    monkeypatch.setattr(disk, "flush_folder", flushed.append)
    gather(card, shoot)
    assert {shoot, shoot / "CARD", *((shoot / "CARD" / path).parent for path in sums(card))} <= set(flushed)
    last = {folder: max(i for i, one in enumerate(flushed) if one == folder) for folder in flushed}
    assert last[shoot / "CARD" / FOLDER] > last[shoot / "CARD"]  # after its files, not only when it was made

    def fails(folder: Path) -> None:
        if folder.name == "CLIPS" and any(folder.glob("CLIP*")):
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(disk, "flush_folder", fails)
    (result,) = gather(card, tmp_path / "other")
    assert not result.whole and "other cannot be written (Input/output error)" in result.verdict()


def test_what_another_program_has_just_copied_is_flushed_before_it_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    put(card / RAW, content("one"))
    there = put(shoot / "by hand.CR3", content("one"))
    flushed: list[int] = []
    real = os.fsync

    def fsync(number: int) -> None:
        flushed.append(os.fstat(number).st_ino)
        real(number)

    monkeypatch.setattr(os, "fsync", fsync)
    assert gather(card, shoot)[0].whole and there.stat().st_ino in flushed


def test_the_pages_of_a_copy_are_not_in_memory_when_it_is_read_back(tmp_path_factory: pytest.TempPathFactory) -> None:
    if shutil.which("fincore") is None:
        pytest.skip("fincore (util-linux) is not installed")
    path = put(tmp_path_factory.mktemp("disk") / "file", content("one", 1 << 20))

    def pages() -> int:
        done = subprocess.run(
            ["fincore", "-n", "-b", "-o", "RES", path], capture_output=True, text=True, timeout=60, check=True
        )
        return int(done.stdout)

    if pages() == 0:
        pytest.skip("fincore sees no cached pages here")
    opened = os.open(path, os.O_RDWR)
    disk.flush(opened)
    if pages() == 0:
        pytest.skip("this file system caches nothing")
    disk.forget(opened)
    os.close(opened)
    assert pages() == 0
