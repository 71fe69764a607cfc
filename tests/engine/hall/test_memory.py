"""The memory of a hall: used where the lamps are proven unchanged, and nowhere else."""

from __future__ import annotations

import errno
import json
import os
import tracemalloc
from dataclasses import replace
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from pipeline.engine.hall.recall import keep_snapshot, recall
from pipeline.engine.hall.remember import Learned, learn, merged, remember
from pipeline.light.comparing.tones import SIZE as TONE_SIZE
from pipeline.light.hall.unchanged import RULES
from pipeline.light.palette import SIZE as CHROMA_SIZE
from pipeline.light.scene_white import WhiteSource
from pipeline.shoot.facts import Facts, Player
from pipeline.shoot.hall import memory as records
from pipeline.shoot.hall.folder import hall_file, listed_halls, read_hall
from pipeline.shoot.hall.memory import HallMemory, Night, RememberedCamera, as_yaml, mark
from pipeline.store.store import Store
from tests.engine.hall.made import (
    HALIDE,
    LED,
    NAME,
    Dimmed,
    hall_of,
    known_of,
    look,
    memory_of,
    next_hall,
    plan,
    put_memory,
    truth_of,
    white_errors,
    write_night,
)

FIRST = (plan(-8.0, 60.0, 4), plan(8.0, 300.0, 4), plan(0.5, 900.0, 3))


@pytest.fixture(scope="module")
def night_one(tmp_path_factory: pytest.TempPathFactory):
    """A night with a card at each end: metal halide on the left, LED on the right."""
    known, shoot, _ = known_of(tmp_path_factory.mktemp("first") / "shoot", hall_of(HALIDE, LED, FIRST))
    return known, shoot


@pytest.fixture(scope="module")
def first(night_one) -> HallMemory:
    """What that night leaves."""
    return memory_of(*night_one)


@pytest.fixture(autouse=True)
def _own_halls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EVENCOURT_HALLS", str(tmp_path / "halls"))


def night(folder: Path, hall, memory: HallMemory, **more):
    """The next match there, without a card."""
    put_memory(memory)
    write_night(folder, hall, 11, references=False, named=NAME)
    known, shoot, _ = look(folder)
    return known, next(iter(known.proofs.values()), None), shoot


def sources(known) -> set[WhiteSource]:
    return {b.source for b in known.balances.values()}


def test_the_sizes_of_histograms_are_those_of_the_light() -> None:
    assert records.CHROMA_SIZE == CHROMA_SIZE and records.TONE_SIZE == TONE_SIZE


@pytest.mark.long
def test_unchanged_lamps_need_no_card(first: HallMemory, night_one, tmp_path: Path) -> None:
    """White by the memory against published spectra: within two CIELAB units (0.035 in log chroma) in every burst; and
    what is done to the colours of the halide end is done again, to another team."""
    hall = next_hall(HALIDE, LED)
    known, proof, _ = night(tmp_path / "shoot", hall, first)
    assert proof is not None and proof.state == "unchanged"
    assert proof.lights == {"left": "unchanged", "right": "unchanged"}
    assert proof.off < RULES.off / 3
    assert sources(known) == {WhiteSource.HALL}
    assert max(white_errors(known, truth_of(tmp_path / "shoot"), hall)) < 0.035
    assert any("hall memory: used" in n for n in known.notices)
    before, again = (night.balances[night.light.scenes[2].names[0]].matrix for night in (night_one[0], known))
    assert before is not None and again == pytest.approx(before, abs=0.05)


@pytest.mark.long
@pytest.mark.parametrize(
    ("left", "right", "end", "word"),
    [
        pytest.param(HALIDE, replace(LED, spectrum="LED-B3"), "right", "have changed", id="other LED right"),
        pytest.param(
            HALIDE,
            Dimmed(**{**vars(LED), "share": 0.5}),
            "right",
            "dead or dimmed",
            id="half dead right",
        ),
        pytest.param(
            replace(HALIDE, depth=0.03, second=0.0),
            LED,
            "left",
            "another kind",
            id="other ballast left",
        ),
    ],
)
def test_changed_lamps_are_told_and_the_memory_is_not_used(
    first: HallMemory, tmp_path: Path, left, right, end: str, word: str
) -> None:
    known, proof, _ = night(tmp_path / "shoot", next_hall(left, right), first)
    assert proof is not None and proof.state == "changed"
    assert proof.lights[end] == "changed"
    assert any(end in text and word in text for text in proof.words), proof.words
    assert WhiteSource.HALL not in sources(known)
    assert any("not used" in n and "card" in n for n in known.notices)


@pytest.mark.long
def test_as_without_memory_where_nothing_is_proven(first: HallMemory, tmp_path: Path) -> None:
    """Another floor: the same whites, to the last bit, as where the shoot names no hall."""
    hall = next_hall(HALIDE, LED, floor="grey floor", bursts=(plan(-7.0, 60.0, 4), plan(7.0, 300.0, 4)))
    known, proof, _ = night(tmp_path / "shoot", hall, first)
    assert proof is not None and proof.state == "unproven" and "not recognised" in proof.words[0]
    event = tmp_path / "shoot" / "shoot.yaml"
    event.write_text(event.read_text(encoding="utf-8").replace("hall:", "# hall:"), encoding="utf-8")
    without, shoot, _ = look(tmp_path / "shoot")
    assert not shoot.facts.hall
    for name, balance in known.balances.items():
        np.testing.assert_array_equal(balance.gains, without.balances[name].gains)
        assert balance.source == without.balances[name].source


@pytest.mark.long
def test_one_end_alone_says_that_the_other_was_not_seen(first: HallMemory, tmp_path: Path) -> None:
    hall = next_hall(HALIDE, LED, bursts=(plan(-7.0, 60.0, 4), plan(-6.5, 300.0, 4)))
    put_memory(first)
    write_night(tmp_path / "shoot", hall, 11, references=False, named=NAME)
    for card in ("TH1_0001.dng", "TH1_0002.dng"):  # which nobody took that night
        (tmp_path / "shoot" / card).unlink()
    known, _, _ = look(tmp_path / "shoot")
    proof = next(iter(known.proofs.values()))
    assert proof.state == "unchanged" and proof.lights == {"left": "unchanged", "right": "not seen"}
    assert any("right was not seen" in text for text in proof.words)


@pytest.mark.long
def test_another_camera_model_knows_nothing(first: HallMemory, tmp_path: Path) -> None:
    hall = next_hall(HALIDE, LED, bursts=(plan(-7.0, 60.0, 3),), camera="SD Merrill")
    known, proof, _ = night(tmp_path / "shoot", hall, first)
    assert proof is None and WhiteSource.HALL not in sources(known)
    assert any("camera model" in n and "do not carry over" in n for n in known.notices)


def test_a_file_holds_no_name_of_a_person_no_frame_and_no_serial_number(first: HallMemory) -> None:
    text = as_yaml(first)
    for word in ("TH1_", "EC-000123", "Nordlys", "Westerby", "Solbakken", "Lantern"):
        assert word not in text
    assert len(text) < 100_000


def test_ends_are_kept_only_as_words_for_a_side(night_one) -> None:
    """What a person typed may be a name; here "Idas end"."""
    known, shoot = night_one
    typed = [replace(r, end="Idas end" if r.end == "left" else r.end) for r in known.references]
    learned = learn(replace(known, references=typed), shoot.facts, {})
    assert {light.end for c in learned.cameras for light in c.lights} == {"light 1", "right"}
    assert "Idas end" not in as_yaml(merged(HallMemory(hall=NAME), learned))


def test_a_hall_that_is_called_as_a_player_is_not_remembered() -> None:
    facts = Facts(hall="Ida Holm Hall", roster=(Player("home", "7", "Ida Holm", publish=False),))
    found = recall(facts, None)
    assert found.facts.hall == "" and "roster" in found.notices[0]


DAMAGED = {
    "no yaml": "hall: [",
    "no keys": "- 1",
    "another form": "version: 3\nhall: Old Market Hall\n",
    "unknown key": "version: 1\nhall: Old Market Hall\nrun: rm\n",
    "white beyond reason": None,
    "histogram of another size": None,
    "histogram that unfolds without end": None,
}


@pytest.mark.parametrize("case", DAMAGED)
def test_damaged_and_planted_files_are_named_and_not_used(first: HallMemory, case: str) -> None:
    path = put_memory(first)
    text = path.read_text(encoding="utf-8")
    if case == "white beyond reason":
        text = text.replace("white: [", "white: [9", 1)
    elif case == "histogram of another size":
        text = text.replace(first.cameras[0].scenes[0].colours, first.cameras[0].scenes[0].tones)
    elif case == "histogram that unfolds without end":
        bomb = records.packed(np.zeros(40_000_000, np.uint8))
        assert len(bomb) < 60_000
        text = text.replace(first.cameras[0].scenes[0].colours, bomb)
    path.write_text(DAMAGED[case] or text, encoding="utf-8")
    found = recall(Facts(hall=NAME), None)
    assert found.facts.remembered is None
    assert found.notices and all(str(path) in n and "not used" in n for n in found.notices)
    before = path.read_bytes()
    said = remember(Facts(hall=NAME), Learned(first.cameras, Night(id="0" * 16, frames=1, white="references")))
    assert path.read_bytes() == before and any(str(path) in n for n in said)
    assert [type(one).__name__ for _, one in listed_halls()] == ["InputError"]


def test_a_histogram_unfolds_no_further_than_its_size() -> None:
    bomb = records.packed(np.zeros(40_000_000, np.uint8))
    tracemalloc.start()
    with pytest.raises(ValueError, match="no histogram"):
        records.unpacked(bomb, CHROMA_SIZE)
    assert tracemalloc.get_traced_memory()[1] < 2_000_000
    tracemalloc.stop()


def test_a_link_in_place_of_a_file_is_not_followed(first: HallMemory, tmp_path: Path) -> None:
    path = put_memory(first)
    elsewhere = tmp_path / "elsewhere.yaml"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)
    before = elsewhere.read_bytes()
    assert "is a link" in recall(Facts(hall=NAME), None).notices[0]
    remember(Facts(hall=NAME), Learned(first.cameras, Night(id="0" * 16, frames=1, white="references")))
    assert elsewhere.read_bytes() == before and path.is_symlink()


def test_what_is_written_reads_back(first: HallMemory) -> None:
    put_memory(first)
    assert read_hall(NAME) == first
    assert read_hall("  old   MARKET hall ") == first
    assert read_hall("Old Market Hall 2") is None
    assert (hall_file(NAME).stat().st_mode & 0o077) == 0


def test_references_take_the_place_of_what_was_known_and_a_night_counts_once(first: HallMemory) -> None:
    camera = first.cameras[0]
    warmer = camera.model_copy(update={"lights": camera.lights[:1]})
    other = RememberedCamera.model_validate({**camera.model_dump(), "model": "Another"})
    warmer, other = (one.model_copy(update={"night": "1" * 16}) for one in (warmer, other))
    twice = Learned((warmer, other), Night(id="1" * 16, frames=5, white="references"))
    after = merged(merged(first, twice), twice)
    assert [c.model for c in after.cameras] == [camera.model, "Another"]
    assert after.camera(camera.make, camera.model) == warmer.model_copy(update={"before": camera, "night": "1" * 16})
    assert len(after.nights) == len(first.nights) + 1
    memory_only = Learned((), Night(id="2" * 16, frames=5, white="memory"))
    assert merged(after, memory_only).cameras == after.cameras


def test_what_was_known_before_a_night_is_kept_for_another_run_of_it(first: HallMemory) -> None:
    """References of a night take the place of what was known; a second run of it, and a card more, is the same one."""
    camera = first.cameras[0]
    marks = [mark(datetime(2026, 3, 1, 19, minute), f"{minute:064x}") for minute in range(30)]

    def night(number: int, some: list[str]) -> Learned:
        of = Night(id=f"{number:016d}", frames=len(some), white="references", sample=tuple(some[:16]))
        return Learned((camera.model_copy(update={"night": of.id, "hz": None}),), of, frozenset(some))

    once = merged(first, night(1, marks[:20]))
    twice = merged(once, night(2, marks[5:]))
    assert [n.id for n in twice.nights if n.id in (f"{1:016d}", f"{2:016d}")] == [f"{2:016d}"]
    assert len(twice.nights) == len(first.nights) + 1
    (now,) = twice.cameras
    assert now.night == f"{2:016d}" and now.before == camera
    assert twice.without({f"{2:016d}"}) == first
    assert first.without({n.id for n in first.nights}) is None
    assert _read_again(twice) == twice


def test_a_disk_that_refuses_the_memory_costs_no_night(first: HallMemory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Full, or gone: said, and nothing raised that a run would take for its own disk."""
    put_memory(first)
    before = hall_file(NAME).read_bytes()

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("pipeline.engine.hall.remember.write_hall", refuse)
    said = remember(Facts(hall=NAME), Learned((), Night(id="3" * 16, frames=1, white="neither")))
    assert "No space left" in said[0] and hall_file(NAME).read_bytes() == before


def _read_again(memory: HallMemory) -> HallMemory | None:
    put_memory(memory)
    return read_hall(memory.hall)


def _add(folder: str, number: int) -> None:
    os.environ["EVENCOURT_HALLS"] = folder
    for k in range(5):
        learned = Learned((), Night(id=f"{number:08d}{k:08d}", frames=1, white="neither"))
        remember(Facts(hall=NAME), learned)


def test_two_runs_at_once_lose_nothing(first: HallMemory) -> None:
    path = put_memory(first)
    started = [get_context("spawn").Process(target=_add, args=(str(path.parent), n)) for n in range(3)]
    for one in started:
        one.start()
    for one in started:
        one.join(120)
    found = read_hall(NAME)
    assert found is not None and len(found.nights) == len(first.nights) + 15
    assert found.cameras == first.cameras


def test_what_the_first_run_knew_is_kept_in_out_and_its_loss_is_said(first: HallMemory, tmp_path: Path) -> None:
    (tmp_path / "shoot").mkdir()
    store, facts = Store.open(tmp_path / "out", tmp_path / "shoot"), Facts(hall=NAME, remembered=first)
    assert recall(Facts(hall=NAME), store.out).notices == ()  # none is kept yet
    keep_snapshot(store, facts)
    again = recall(Facts(hall=NAME), store.out)
    assert again.facts.remembered == first and again.notices == ()
    (store.work / "hall.json").write_bytes(b"{")
    (said,) = recall(Facts(hall=NAME), store.out).notices
    assert "hall.json in OUT/.work is damaged" in said


def test_json_of_the_snapshot_is_the_memory(first: HallMemory) -> None:
    assert HallMemory.model_validate_json(first.model_dump_json()) == first
    changed = first.model_copy(update={"nights": ()})
    assert repr(first) != repr(changed)  # part of the digest by which a run knows that nothing has changed
    assert json.loads(first.model_dump_json())["hall"] == NAME
