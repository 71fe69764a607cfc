"""Files of earlier runs: what stays, what is written again, and what must go. The people are made up."""

from __future__ import annotations

import hashlib
import io
import os
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import PIL.Image
import pytest

from pipeline.engine.earlier import Rendered
from pipeline.engine.outputs import Outputs
from pipeline.engine.render import Output
from pipeline.formats.jpeg_segments import scan_digest
from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.formats.metadata.model import Metadata
from pipeline.shoot.facts import Facts, Player
from pipeline.store.keys import record_name
from pipeline.store.store import Store

NAMED, NAMELESS = Metadata(caption="Siri Fjellheim scores."), Metadata(caption="A player scores.")
EVENT = Metadata(caption="Lantern Cup, semi-final.")
WEB = SimpleNamespace(name="web")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.open(tmp_path / "out", tmp_path / "shoot")


def delivered(
    store: Store, relative: str = "web/TH1_0001.jpg", frame: str = "TH1_0001", text: Metadata = NAMED
) -> bytes:
    """A JPEG as an earlier run left it, with its record; its bytes."""
    buffer = io.BytesIO()
    pixels = np.random.default_rng(0).integers(0, 256, (24, 32, 3), dtype=np.uint8)
    PIL.Image.fromarray(pixels).save(buffer, "JPEG", quality=90)
    data, _ = embed_jpeg(buffer.getvalue(), text)
    path = store.out / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    scan, digest = scan_digest(data), hashlib.sha256(data).hexdigest()
    one = Rendered(relative, "the key", digest, len(data), 32, 24, 90, scan, "", ())
    Outputs(store).keep(one, frame, text)
    return data


def by_hand(path: Path) -> bytes:
    """A person changes a pixel's bits: as long as before, at another time."""
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(10**18 + 7, 10**18 + 7))
    return bytes(data)


def asked(key: str = "the key", text: Metadata | None = NAMED, relative: str = "web/TH1_0001.jpg") -> Output:
    return Output(WEB, relative, text, key)  # type: ignore[arg-type]


def settled(
    store: Store,
    texts: dict[str, Metadata | None],
    frames: tuple[str, ...] = ("TH1_0001",),
    held: tuple[str, ...] = (),
    **facts: Any,
) -> Outputs:
    """What becomes of earlier files where this run made none of them."""
    planner = SimpleNamespace(
        recipe=SimpleNamespace(deliveries=[WEB]),
        shoot=SimpleNamespace(
            facts=Facts(**facts), frames=(), index=SimpleNamespace(formerly={}), withheld=lambda name: name in held
        ),
        text=lambda delivery, frame, row: (EVENT, ()),
    )
    outputs = Outputs(store)
    outputs.settle(planner, texts, frames)  # type: ignore[arg-type]
    return outputs


def test_a_file_stands_by_its_key_and_its_bytes(store: Store) -> None:
    data = delivered(store)
    path = store.out / "web" / "TH1_0001.jpg"
    outputs = Outputs(store)
    assert outputs.still_good(asked()) and outputs.reused == 1 and not outputs.rewritten
    os.utime(path, ns=(10**18, 10**18))  # a copy of OUT has other times
    assert Outputs(store).still_good(asked())
    assert not Outputs(store).still_good(asked(key="another key"))
    assert not Outputs(store).still_good(asked(relative="web/TH1_0002.jpg"))
    by_hand(path)
    assert not Outputs(store).still_good(asked())
    path.write_bytes(data[:-30])
    assert not Outputs(store).still_good(asked())
    path.unlink()
    assert not Outputs(store).still_good(asked())


def test_another_text_is_put_around_the_same_pixels(store: Store) -> None:
    before = delivered(store)
    outputs = Outputs(store)
    assert outputs.still_good(asked(text=NAMELESS))
    assert (outputs.reused, len(outputs.rewritten)) == (0, 1)
    after = (store.out / "web" / "TH1_0001.jpg").read_bytes()
    assert b"Fjellheim" in before and b"Fjellheim" not in after and b"A player scores." in after
    assert scan_digest(after) == scan_digest(before)
    again = Outputs(store)
    assert again.still_good(asked(text=NAMELESS)) and again.reused == 1
    assert not Outputs(store).still_good(asked(text=None))  # without a caption step it is made anew


def test_what_nobody_asks_for_goes(store: Store) -> None:
    """keep: no, or publish: no, since: neither the file nor its record stays, and a notice names it."""
    delivered(store)
    outputs = settled(store, {})
    assert not (store.out / "web" / "TH1_0001.jpg").exists() and store.names("done") == []
    assert outputs.files == {} and "web/TH1_0001.jpg: removed" in outputs.notices[0]


def test_a_name_that_was_withheld_since_goes_from_the_file(store: Store) -> None:
    delivered(store)
    outputs = settled(store, {"web/TH1_0001.jpg": NAMELESS})
    data = (store.out / "web" / "TH1_0001.jpg").read_bytes()
    assert b"Fjellheim" not in data and b"A player scores." in data
    assert list(outputs.files) == ["web/TH1_0001.jpg"] and len(outputs.rewritten) == 1
    assert Outputs(store).still_good(asked(text=NAMELESS))


def test_a_file_without_a_text_of_today_goes(store: Store) -> None:
    delivered(store)
    settled(store, {"web/TH1_0001.jpg": None})
    assert not (store.out / "web" / "TH1_0001.jpg").exists()


def test_what_a_person_changed_is_set_aside_and_named(store: Store) -> None:
    delivered(store)
    changed = by_hand(store.out / "web" / "TH1_0001.jpg")
    outputs = settled(store, {"web/TH1_0001.jpg": NAMED})  # its text is right: nothing to say
    assert outputs.notices == [] and list(outputs.files) == ["web/TH1_0001.jpg"]
    for texts, held, why in (
        ({"web/TH1_0001.jpg": NAMELESS}, (), "may not stay as it is"),
        ({}, (), "may not stay as it is"),
        ({}, ("TH1_0001",), "its frame is held back"),
    ):
        delivered(store)
        by_hand(store.out / "web" / "TH1_0001.jpg")
        outputs = settled(store, texts, held=held)
        assert outputs.files == {} and store.names("done") == []
        assert "web/TH1_0001.jpg: changed since" in outputs.moved_notices()[0] and why in outputs.moved_notices()[0]
        [kept] = (store.work / "set_aside" / "web").iterdir()
        assert kept.read_bytes() == changed and not (store.out / "web" / "TH1_0001.jpg").exists()
        kept.unlink()


def test_a_frame_that_left_the_shoot_keeps_its_file_but_no_name(store: Store) -> None:
    """Half a card is no reason to lose pictures; but nobody vouches for the name any more."""
    delivered(store)
    outputs = settled(store, {}, frames=("TH1_0002",))
    data = (store.out / "web" / "TH1_0001.jpg").read_bytes()
    assert b"Fjellheim" not in data and b"Lantern Cup" in data
    assert list(outputs.files) == ["web/TH1_0001.jpg"]
    assert "no longer in the shoot folder" in outputs.notices[0]


def test_an_orphan_that_is_called_by_a_withheld_name_goes(store: Store) -> None:
    delivered(store, "web/Siri_Fjellheim_2.jpg", "Siri_Fjellheim_2", EVENT)
    roster = (Player("home", "9", "Siri Fjellheim", False, 3),)
    settled(store, {}, roster=roster)
    assert not (store.out / "web" / "Siri_Fjellheim_2.jpg").exists()


def test_an_orphan_of_a_delivery_that_is_gone_goes(store: Store) -> None:
    delivered(store, "print/TH1_0001.jpg", "TH1_0001", EVENT)
    settled(store, {}, frames=())
    assert not (store.out / "print" / "TH1_0001.jpg").exists()


def test_what_this_run_made_is_left_alone(store: Store) -> None:
    data = delivered(store)
    outputs = Outputs(store)
    assert outputs.still_good(asked())
    planner = SimpleNamespace(recipe=SimpleNamespace(deliveries=[]), shoot=SimpleNamespace(facts=Facts()))
    outputs.settle(planner, {}, ())  # type: ignore[arg-type]
    assert (store.out / "web" / "TH1_0001.jpg").read_bytes() == data and outputs.notices == []


def test_the_record_of_a_file_that_is_gone_goes_too(store: Store) -> None:
    delivered(store)
    (store.out / "web" / "TH1_0001.jpg").unlink()
    assert settled(store, {"web/TH1_0001.jpg": NAMED}).files == {} and store.names("done") == []


def test_only_a_file_of_other_bytes_has_changed_since_it_was_delivered(store: Store) -> None:
    delivered(store)
    outputs = Outputs(store)
    assert not outputs.still_good(asked(key="another key"))
    path = store.out / "web" / "TH1_0001.jpg"
    one = Rendered(
        "web/TH1_0001.jpg", "another key", hashlib.sha256(path.read_bytes()).hexdigest(), 1, 32, 24, 90, "", ""
    )
    outputs.keep(one, "TH1_0001", NAMED)  # the new settings make the same picture
    assert not outputs.changed
    assert not outputs.still_good(asked(key="a third key"))
    outputs.keep(replace(one, key="a third key", sha256="0" * 64), "TH1_0001", NAMED)
    assert outputs.changed == {"web/TH1_0001.jpg"}


def test_a_file_that_this_run_makes_twice_was_not_delivered_before(store: Store) -> None:
    delivered(store)
    path = store.out / "web" / "TH1_0001.jpg"
    outputs = Outputs(store)
    store.remove("done", record_name("web/TH1_0001.jpg"))
    one = Rendered("web/TH1_0001.jpg", "the key", hashlib.sha256(path.read_bytes()).hexdigest(), 1, 32, 24, 90, "", "")
    outputs.keep(one, "TH1_0001", NAMED)
    assert not outputs.still_good(asked(key="another key"))
    outputs.keep(replace(one, key="another key", sha256="0" * 64), "TH1_0001", NAMED)
    assert not outputs.changed
