"""A push to a folder: what goes, what stays, what is taken back."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.deliver.deliver import deliver, recall
from pipeline.deliver.model import Delivered, Item, SetFacts, Wanted
from pipeline.deliver.targets import Folder
from pipeline.engine.sending import sent_record
from pipeline.store.files import TEMPORARY
from pipeline.store.source import Source
from pipeline.store.store import Store

pytest.importorskip("fsspec", reason="fsspec is not installed: pip install 'evencourt[push]'")
FACTS = SetFacts(title="Lantern Cup, semi-final", credit="Ada Nordlys")


def picture(out: Path, name: str, seed: int = 0, caption: str = "A throw.", size: int = 160) -> Item:
    """A delivered JPEG of noise in OUT/web."""
    pixels = np.random.default_rng(seed).integers(0, 256, (size, size * 3 // 2, 3), dtype=np.uint8)
    data = cv2.imencode(".jpg", pixels)[1].tobytes()
    path = out / "web" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return Item(
        f"web/{name}", hashlib.sha256(data).hexdigest(), len(data), size * 3 // 2, size, caption, "A player throws"
    )


def go(
    out: Path, items: Sequence[Item], address: object, earlier: Mapping[str, str] | None = None, **params: object
) -> Delivered:
    made = Wanted(**{"push": None if address is None else str(address), **params})
    return deliver(out, "web", items, made, FACTS, earlier=earlier, environ={}, pauses=())


def names(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


def same(out: Path, there: Path) -> bool:
    return all((there / n).read_bytes() == (out / "web" / n).read_bytes() for n in names(there))


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


@pytest.fixture
def there(tmp_path: Path) -> Path:
    return tmp_path / "club"  # its parent is there; it is made


def test_all_of_a_delivery_arrives_and_stays(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(3)]
    first = go(out, items, there, zip=True, page=True)
    assert first.problems == ()
    everything = {"TH1_0.jpg", "TH1_1.jpg", "TH1_2.jpg", "index.html", "web.zip"}
    everything |= {f"small/TH1_{n}.jpg" for n in range(3)}
    assert names(there) == everything == set(first.push.sent)
    assert same(out, there)
    times = {n: (there / n).stat().st_mtime_ns for n in everything}
    again = go(out, items, there, zip=True, page=True)
    assert again.push.sent == () and set(again.push.kept) == everything
    assert {n: (there / n).stat().st_mtime_ns for n in everything} == times


def test_a_withdrawn_picture_is_taken_back_and_nothing_else(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(3)]
    go(out, items, there, zip=True, page=True)
    (there / "club.txt").write_text("the club's own")
    (there / "small" / "other.jpg").write_text("the club's own")
    (out / "web" / "TH1_1.jpg").unlink()
    done = go(out, [items[0], items[2]], there, zip=True, page=True)
    assert done.problems == ()
    assert set(done.push.removed) == {"TH1_1.jpg", "small/TH1_1.jpg"}
    assert names(there) == {"TH1_0.jpg", "TH1_2.jpg", "small/TH1_0.jpg", "small/TH1_2.jpg", "small/other.jpg",
                            "index.html", "web.zip", "club.txt"}  # fmt: skip
    assert b"TH1_1" not in (there / "web.zip").read_bytes() + (there / "index.html").read_bytes()


def test_taking_back_works_without_a_push_now(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there)
    done = go(out, items[:1], None)
    assert names(there) == {"TH1_0.jpg"} and done.push.removed == ("TH1_1.jpg",)


def test_a_former_address_keeps_only_what_may_be_shown_today(out: Path, tmp_path: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(3)]
    go(out, items, tmp_path / "a", page=True)
    renamed = picture(out, "TH1_2.jpg", 9, "Without the name.")
    go(out, [items[0], renamed], tmp_path / "b", page=True)
    assert names(tmp_path / "a") == {"TH1_0.jpg", "small/TH1_0.jpg"}  # the old page told of what is gone
    assert names(tmp_path / "b") == {"TH1_0.jpg", "TH1_2.jpg", "small/TH1_0.jpg", "small/TH1_2.jpg", "index.html"}


def test_a_file_that_was_not_made_now_stays_only_with_the_bytes_it_has(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(3)]
    go(out, items, there)
    go(out, items[:1], there, {"web/TH1_1.jpg": items[1].sha256, "web/TH1_2.jpg": "0" * 64})
    assert names(there) == {"TH1_0.jpg", "TH1_1.jpg"}


def test_what_somebody_else_put_there_is_neither_written_over_nor_removed(out: Path, there: Path) -> None:
    there.mkdir()
    (there / "index.html").write_text("the club's own page")
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    done = go(out, items, there, page=True)
    assert (there / "index.html").read_text() == "the club's own page"
    assert len(done.problems) == 1 and "index.html is there and is not what was put there from here" in done.problems[0]
    assert "held back now" not in done.problems[0]
    (there / "TH1_1.jpg").write_bytes(b"changed by the club")
    done = go(out, items[:1], there)
    assert (there / "TH1_1.jpg").read_bytes() == b"changed by the club"
    assert any("TH1_1.jpg may no longer be shown" in p and "remove it by hand" in p for p in done.problems)


def test_the_old_zip_and_page_go_before_anything_is_sent_when_a_picture_was_withdrawn(
    out: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there, zip=True, page=True)

    def cut(self: Folder, local: Path, name: str, sha256: str) -> None:
        raise ConnectionResetError

    monkeypatch.setattr(Folder, "put", cut)
    more = [items[0], picture(out, "TH1_5.jpg", 5)]
    done = go(out, more, there, zip=True, page=True)
    assert names(there) == {"TH1_0.jpg", "small/TH1_0.jpg"}
    assert "link was cut" in done.problems[0] and "not sent" in done.problems[1]
    monkeypatch.undo()
    assert go(out, more, there, zip=True, page=True).problems == ()
    assert same(out, there) and {"web.zip", "index.html", "TH1_5.jpg"} <= names(there)


def test_an_old_text_that_could_not_be_replaced_is_told(
    out: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go(out, [picture(out, "TH1_0.jpg", caption="Tuva Rønning throws.")], there)
    monkeypatch.setattr(Folder, "_sync", lambda self, file: (_ for _ in ()).throw(ConnectionResetError()))
    done = go(out, [picture(out, "TH1_0.jpg", 1, caption="A player throws.")], there)
    assert any("still holds TH1_0.jpg with the earlier text" in p for p in done.problems)
    assert "Rønning" not in str(done.problems)


def test_a_push_that_is_killed_is_still_known_and_goes_on(
    out: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    item = picture(out, "TH1_0.jpg", size=900)
    data = (out / item.relative).read_bytes()

    def killed(self: Folder, file: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Folder, "_sync", killed)
    with pytest.raises(KeyboardInterrupt):
        go(out, [item], there)
    (part,) = names(there)
    assert part == f"{TEMPORARY}{item.sha256[:32]}"
    monkeypatch.undo()
    (there / part).write_bytes(data[:1000])  # as a cut would leave it
    assert go(out, [item], there).push.sent == ("TH1_0.jpg",)
    assert names(there) == {"TH1_0.jpg"} and same(out, there)


def test_a_part_that_was_spoilt_is_sent_anew(out: Path, there: Path) -> None:
    item = picture(out, "TH1_0.jpg")
    there.mkdir()
    (there / f"{TEMPORARY}{item.sha256[:32]}").write_bytes(b"x" * 1000)
    assert go(out, [item], there).problems == ()
    assert names(there) == {"TH1_0.jpg"} and same(out, there)


def test_a_begun_file_is_taken_back_too(out: Path, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item = picture(out, "TH1_0.jpg")
    monkeypatch.setattr(Folder, "_rename", lambda self, part, final: (_ for _ in ()).throw(ConnectionResetError()))
    go(out, [item], there)
    assert len(names(there)) == 1
    monkeypatch.undo()
    go(out, [], there)
    assert names(there) == set()


def test_a_file_changed_since_it_was_made_does_not_leave(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    (out / "web" / "TH1_0.jpg").write_bytes(b"something else")
    done = go(out, items, there)
    assert names(there) == {"TH1_1.jpg"}
    assert done.problems == ("TH1_0.jpg: changed since it was delivered; not sent. Run again",)


def test_a_disk_that_is_not_plugged_in_does_not_become_a_folder(out: Path, tmp_path: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    done = go(out, items, tmp_path / "disk" / "club")
    assert not (tmp_path / "disk").exists() and "plug in its disk" in done.problems[0]
    (tmp_path / "disk").mkdir()
    assert go(out, items, tmp_path / "disk").problems == ()
    (tmp_path / "disk").rename(tmp_path / "away")
    done = go(out, items[:1], tmp_path / "disk")
    assert not (tmp_path / "disk").exists()
    assert any("still holds TH1_1.jpg, which may no longer be shown" in p for p in done.problems)
    (tmp_path / "away").rename(tmp_path / "disk")
    assert go(out, items[:1], tmp_path / "disk").problems == ()
    assert names(tmp_path / "disk") == {"TH1_0.jpg"}


def test_the_shoot_and_out_are_no_address(out: Path, tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    item = picture(out, "TH1_0.jpg")
    (out / ".work").mkdir()
    Store(out).keep_source(Source.of(shoot, None))
    assert "lies in the shoot" in go(out, [item], shoot / "club").problems[0]
    assert "lies in OUT" in go(out, [item], out / "web").problems[0]
    assert names(shoot) == set()


def test_a_file_whose_name_tells_a_withheld_name_stays_here(out: Path, there: Path) -> None:
    items = [picture(out, "Tuva_Ronning_3.jpg"), picture(out, "TH1_0.jpg", 1)]
    params = Wanted(**{"push": str(there), "zip": True, "page": True})
    facts = SetFacts(withheld=("Tuva Rønning",))
    done = deliver(out, "web", items, params, facts, environ={}, pauses=())
    assert len(done.problems) == 1 and "the name of the file holds a name that is withheld" in done.problems[0]
    assert names(there) == {"TH1_0.jpg", "small/TH1_0.jpg", "index.html", "web.zip"}
    assert b"Ronning" not in (there / "web.zip").read_bytes() + (there / "index.html").read_bytes()


def test_a_disk_of_ours_that_fails_is_told(out: Path, there: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    item = picture(out, "TH1_0.jpg")

    def full(self: Store, kind: str, name: str, data: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Store, "put", full)
    done = go(out, [item], there)
    assert done.problems[0].endswith("pushed: No space left on device; nothing more was sent")
    assert not there.exists() or names(there) == set()


def test_two_deliveries_do_not_share_a_folder(out: Path, there: Path) -> None:
    go(out, [picture(out, "TH1_0.jpg")], there)
    item = picture(out, "TH1_0.jpg", 3)
    (out / "web").rename(out / "print")
    other = Item("print/TH1_0.jpg", item.sha256, item.bytes, item.width, item.height)
    params = Wanted(**{"push": str(there)})
    done = deliver(out, "print", [other], params, FACTS, environ={}, pauses=())
    assert "from delivery web; give each delivery an address of its own" in done.problems[0]


def test_a_delivery_that_the_recipe_no_longer_has_is_recalled(out: Path, there: Path) -> None:
    items = [picture(out, f"TH1_{n}.jpg", n) for n in range(2)]
    go(out, items, there, zip=True, page=True)
    assert recall(out, ["web"], environ={}, pauses=()) == {}
    done = recall(out, ["other"], earlier={"web/TH1_0.jpg": items[0].sha256}, environ={}, pauses=())
    assert list(done) == ["web"] and names(there) == {"TH1_0.jpg"}
    assert names(out / "web") == {"TH1_0.jpg", "TH1_1.jpg"}  # the pictures themselves are the run's


def test_what_came_of_it_can_be_recorded(out: Path, there: Path) -> None:
    done = go(out, [picture(out, "TH1_0.jpg")], there, page=True)
    record = sent_record(done)
    assert record.push is not None and record.push.address == str(there)
    page = record.files["web/index.html"]
    assert page.sha256 == hashlib.sha256((out / "web" / "index.html").read_bytes()).hexdigest()
