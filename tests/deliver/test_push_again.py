"""A second push to a folder: whose files are there, in which order they change, and what is sure to be gone."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.deliver.deliver import withdraw
from pipeline.deliver.targets import Folder, Observation
from tests.deliver.test_push import go, names, out, picture, same, there

__all__ = ["out", "there"]  # fixtures


def overwrite(path: Path) -> bytes:
    """Other bytes of the same length, at another time: only the mark tells them apart."""
    data = bytes(255 - b for b in path.read_bytes())
    path.write_bytes(data)
    os.utime(path, ns=(10**18, 10**18))
    return data


def test_a_file_of_the_same_length_is_not_ours_for_that(out: Path, there: Path) -> None:
    """The club put another picture in place of ours: it is neither taken for sent, nor written over, nor removed."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there)
    theirs = overwrite(there / "TH1_0.jpg")
    done = go(out, items, there)
    assert any("TH1_0.jpg is there and is not what was put there" in p for p in done.problems)
    assert "TH1_0.jpg" not in (*done.push.kept, *done.push.sent)
    done = go(out, [picture(out, "TH1_0.jpg", 7), items[1]], there)
    assert any("TH1_0.jpg is there and is not what was put there" in p for p in done.problems)
    done = go(out, items[1:], there)
    assert any("TH1_0.jpg may no longer be shown" in p for p in done.problems)
    assert (there / "TH1_0.jpg").read_bytes() == theirs


def test_only_the_time_has_changed(out: Path, there: Path) -> None:
    """A copy of the folder has other times; by its bytes the file is still ours, and can be taken back."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there)
    os.utime(there / "TH1_0.jpg", ns=(10**18, 10**18))
    assert set(go(out, items, there).push.kept) == {"TH1_0.jpg", "TH1_1.jpg"}
    os.utime(there / "TH1_0.jpg", ns=(10**18 + 5, 10**18 + 5))
    assert go(out, items[1:], there).problems == ()
    assert names(there) == {"TH1_1.jpg"}


def test_changed_pictures_go_first_and_zip_and_page_last(
    out: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An earlier version may show a name that is withheld now, so it is replaced before anything new is sent; zip and
    page hold or name the pictures, so they wait for them."""
    go(out, [picture(out, f"TH1_{n}.jpg", n) for n in (5, 6)], there, zip=True, page=True)
    order: list[str] = []
    put = Folder.put

    def noted(self: Folder, local: Path, name: str, sha256: str) -> Observation:
        order.append(name)
        return put(self, local, name, sha256)

    monkeypatch.setattr(Folder, "put", noted)
    items = [picture(out, f"TH1_{n}.jpg", n + 10 * (n == 6)) for n in (1, 2, 5, 6)]
    assert go(out, items, there, zip=True, page=True).problems == ()
    first = [n for n in order if n in ("TH1_6.jpg", "small/TH1_6.jpg")]
    assert order[: len(first)] == first and "TH1_6.jpg" in first
    assert order[-2:] == ["web.zip", "index.html"]
    assert {"TH1_1.jpg", "TH1_2.jpg"} <= set(order) and same(out, there)


def test_what_is_still_there_after_its_removal_is_told(out: Path, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there)
    with monkeypatch.context() as patched:
        patched.setattr(Folder, "remove_path", lambda self, path: None)
        done = go(out, items[:1], there)
    assert any("TH1_1.jpg is still there after it was removed" in p for p in done.problems)
    assert done.push.removed == ()
    assert go(out, items[:1], there).push.removed == ("TH1_1.jpg",)  # it was not forgotten


def test_a_file_that_was_being_replaced_does_not_stay(out: Path, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut while a new version was on its way: which of the two is there is not known, so it may not stay for the
    bytes that it had."""
    old = picture(out, "TH1_0.jpg")
    go(out, [old], there)
    with monkeypatch.context() as patched:
        patched.setattr(Folder, "_rename", lambda self, part, final: (_ for _ in ()).throw(ConnectionResetError()))
        go(out, [picture(out, "TH1_0.jpg", 3)], there)
    assert len(names(there)) == 2
    go(out, [], there, {"web/TH1_0.jpg": old.sha256})
    assert names(there) == set()


@pytest.mark.parametrize(("caption", "page_stays"), [("A throw.", True), ("Another text.", False)])
def test_old_zip_and_page_go_with_what_they_hold(
    out: Path, there: Path, monkeypatch: pytest.MonkeyPatch, caption: str, page_stays: bool
) -> None:
    """The zip holds the bytes, the page the texts: what has changed must not outlast a link that is cut now."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there, zip=True, page=True)
    changed = [picture(out, "TH1_0.jpg", 8, caption, size=200), items[1]]
    monkeypatch.setattr(Folder, "put", lambda self, local, name, sha: (_ for _ in ()).throw(ConnectionResetError()))
    assert go(out, changed, there, zip=True, page=True).problems != ()
    assert "web.zip" not in names(there)
    assert ("index.html" in names(there)) == page_stays


def test_what_may_stay_stays_and_what_names_others_does_not(out: Path, there: Path) -> None:
    """Withdrawing takes zips and pages that were made before somebody else was withheld: their words may name them. The
    pictures are as they were, and nothing is sent."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there, zip=True, page=True)
    may_stay = {one.relative: one.sha256 for one in items}
    everything = names(there), names(out / "web")
    assert withdraw(out, may_stay, (), environ={}, pauses=()) == {}
    assert (names(there), names(out / "web")) == everything
    taken = withdraw(out, may_stay, ("Ada Nordlys",), environ={}, pauses=())
    left = {"TH1_0.jpg", "TH1_1.jpg", "small/TH1_0.jpg", "small/TH1_1.jpg"}
    assert names(there) == names(out / "web") == left
    assert set(taken["web"].push.removed) == {"index.html", "web.zip"} and taken["web"].problems == ()
    withdraw(out, dict(list(may_stay.items())[:1]), ("Ada Nordlys",), environ={}, pauses=())
    assert names(there) == {"TH1_0.jpg", "small/TH1_0.jpg"}
    assert names(out / "web") == {"TH1_0.jpg", "small/TH1_0.jpg", "TH1_1.jpg"}  # pictures are the run's own


def test_zip_and_page_go_with_a_picture_that_they_hold(out: Path, there: Path) -> None:
    """Whoever is withheld by the row of a picture, where no other name is: by what was made of it, not by the names."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there, zip=True, page=True)
    withdraw(out, {items[0].relative: items[0].sha256}, (), environ={}, pauses=())
    assert names(there) == {"TH1_0.jpg", "small/TH1_0.jpg"}
    assert names(out / "web") == {"TH1_0.jpg", "small/TH1_0.jpg", "TH1_1.jpg"}


def test_a_cut_file_goes_on_where_it_was(out: Path, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of what arrived is thrown away: no part is removed to begin again."""
    item = picture(out, "TH1_0.jpg", size=600)
    with monkeypatch.context() as patched:
        patched.setattr(Folder, "_rename", lambda self, part, final: (_ for _ in ()).throw(ConnectionResetError()))
        go(out, [item], there)
    (part,) = (there / n for n in names(there))
    part.write_bytes((out / item.relative).read_bytes()[:5000])
    removed: list[str] = []
    monkeypatch.setattr(Folder, "remove_path", lambda self, path: removed.append(path))
    assert go(out, [item], there).problems == ()
    assert removed == [] and same(out, there)


def test_folders_named_by_facts_are_made(out: Path, tmp_path: Path) -> None:
    """{date}/{delivery} is made below a disk that is there, and not below one that is not plugged in."""
    item = picture(out, "TH1_0.jpg")
    assert go(out, [item], f"{tmp_path}/{{title}}/{{delivery}}").problems == ()
    assert names(tmp_path / "Lantern-Cup-semi-final") == {"web/TH1_0.jpg"}
    done = go(out, [item], f"{tmp_path}/disk/{{title}}/{{delivery}}")
    assert "plug in its disk" in done.problems[0] and not (tmp_path / "disk").exists()


def test_small_pictures_without_their_page_stay_here(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    (out / "web" / "index.html").mkdir()
    done = go(out, items, there, page=True)
    assert "web/index.html" in done.problems[0] and "is a folder" in done.problems[0]
    assert names(there) == {"TH1_0.jpg", "TH1_1.jpg"}


def test_a_picture_that_nobody_has_cleared_has_no_small_one(out: Path, there: Path) -> None:
    """Somebody has put another picture in place of the delivered one: it is in no page, not even small."""
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    picture(out, "TH1_0.jpg", 9)
    done = go(out, items, there, page=True)
    assert any("TH1_0.jpg: changed since it was delivered" in p for p in done.problems)
    assert names(out / "web" / "small") == {"TH1_1.jpg"}
    assert "small/TH1_0.jpg" not in names(there) and "TH1_0.jpg" not in names(there)
