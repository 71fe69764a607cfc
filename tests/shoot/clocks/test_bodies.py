"""Which frames are of one camera, and what a person may call it. CIPA DC-009 (DCF) for the folders of a card."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

import pytest

from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.clocks.bodies import as_yaml, bodies, card_folder, in_folder, meant
from tests.shoot.clocks.made import EVENING, frame


def keys(*frames: object) -> list[str]:
    return [body.key for body in bodies(frames)]  # type: ignore[arg-type]


def test_a_body_has_its_times_and_frames() -> None:
    body, other = bodies([frame("b.nef", 30, "2001234"), frame("a.nef", 10, "2005678"), frame("c.nef", 20, "2001234"),
                          frame("d.nef", None, "2005678")])  # fmt: skip
    assert [(body.serial, body.key), (other.serial, other.key)] == [("2005678", "5678"), ("2001234", "1234")]
    assert (body.first, body.last, len(body.frames)) == (EVENING.replace(second=10), EVENING.replace(second=10), 2)
    assert [f.name for f in other.frames] == ["c", "b"]
    assert (other.first, other.last) == (EVENING.replace(second=20), EVENING.replace(second=30))
    assert body.name == "W1 (5678)"
    assert bodies([frame("a.nef", None)])[0].first is None


def test_the_end_of_a_serial_is_shown_as_long_as_it_must_be() -> None:
    assert keys(frame("a.nef", 0, "0012345"), frame("b.nef", 1, "0099345")) == ["2345", "9345"]
    assert keys(frame("a.nef", 0, "9012345"), frame("b.nef", 1, "9002345")) == ["12345", "02345"]
    assert keys(frame("a.nef", 0, "12345"), frame("b.nef", 1, "9912345")) == ["12345", "912345"]
    assert keys(frame("a.nef", 0, "007")) == ["007"]


def test_every_key_that_is_shown_means_its_body_alone() -> None:
    serials = ("12345", "9912345", "2345", "007", "X-2345", "5")
    everybody = bodies([frame(f"{n}.nef", n, serial) for n, serial in enumerate(serials)])
    assert [meant(body.key, everybody) for body in everybody] == [[body] for body in everybody]


def test_a_model_serves_where_one_camera_has_it_and_no_serial_is_known() -> None:
    assert keys(frame("a.nef", 0, model="W1"), frame("b.nef", 1, model="W2")) == ["W1", "W2"]
    assert keys(frame("one/a.nef", 0), frame("two/b.nef", 1)) == ["one", "two"]
    assert keys(frame("a.nef", 0), frame("two/b.nef", 1)) == [".", "two"]
    assert keys(frame("a.png", None, model="")) == ["."]
    # A folder that is called like the camera in another folder.
    assert keys(frame("W2/a.nef", 0, model="W1"), frame("b.nef", 1, model="W2"))[1] == "."


def test_zeros_are_no_serial_number() -> None:
    assert keys(frame("one/a.nef", 0, "0000000"), frame("two/b.nef", 1, "0000000")) == ["one", "two"]


@pytest.mark.parametrize(
    ("relative", "folder"),
    [
        ("DCIM/100EVENT/a.nef", "."),
        ("101_PANA/a.nef", "."),
        ("card2/DCIM/999ABCDE/a.nef", "card2"),
        ("card2/099ABCDE/a.nef", "card2/099ABCDE"),  # DC-009: 100 to 999
        ("card2/100ABCD/a.nef", "card2/100ABCD"),
        ("100ABCDE/best/a.nef", "100ABCDE/best"),
    ],
)
def test_folders_that_a_camera_made_are_no_camera_of_their_own(relative: str, folder: str) -> None:
    assert card_folder(frame(relative)) == folder


def test_frames_of_a_folder() -> None:
    frames = [frame("a.nef"), frame("Card2/b.nef"), frame("Card2/DCIM/100ABCDE/c.nef"), frame("Card22/d.nef")]
    assert [f.name for f in in_folder(frames, "card2")] == ["Card2/b", "Card2/DCIM/100ABCDE/c"]
    assert [f.name for f in in_folder(frames, "Card2\\DCIM/")] == ["Card2/DCIM/100ABCDE/c"]
    assert [f.name for f in in_folder(frames, ".")] == ["a"]
    assert [f.name for f in in_folder([frame("Kälte/a.nef")], unicodedata.normalize("NFD", "kälte"))] == ["Kälte/a"]
    assert in_folder(frames, "") == in_folder(frames, "Card") == []


@pytest.mark.parametrize(
    ("text", "written"),
    [("0012", "0012"), ("W1 Mark II", "W1 Mark II"), ("*ist W", '"*ist W"'), ("a: b", '"a: b"'), ('"', '"\\""'),
     ("card, two", '"card, two"'), ("-3", '"-3"'), ("Käthe", "Käthe"), ("1e5", '"1e5"'), ("No", '"No"')],
)  # fmt: skip
def test_keys_as_yaml(text: str, written: str) -> None:
    assert as_yaml(text) == written


def test_bursts_do_not_mix_two_cameras_without_a_serial_number() -> None:
    one, two = frame("one/a.nef", 0), frame("two/b.nef", 0.1)
    assert [b.frames for b in find_bursts([one, two])] == [("one/a",), ("two/b",)]
    same_card = [frame("one/DCIM/100ABCDE/a.nef", 0), frame("one/DCIM/101ABCDE/b.nef", 0.1)]
    assert len(find_bursts(same_card)) == 1
    other_serial = replace(two, exif=replace(two.exif, serial="12"))
    assert len(find_bursts([one, other_serial])) == 2
