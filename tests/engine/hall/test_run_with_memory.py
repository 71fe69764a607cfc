"""Whole runs, night after night in one hall: what the memory does to the delivered bytes, and what it does not."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.report.record import RunRecord, read_record
from pipeline.shoot.hall.folder import hall_file, read_hall
from tests.engine.hall.made import HALIDE, LED, NAME, hall_of, next_hall, plan, write_night
from tests.engine.test_run import evencourt

pytestmark = pytest.mark.long

RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: reference_patch}
  - exposure: {across: burst}
deliveries:
  web:
    - resize: {long_edge: 256}
    - save: {quality: 88}
"""
FIRST = (plan(-8.0, 60.0, 3), plan(8.0, 300.0, 3), plan(0.5, 900.0, 3))
NEXT = (plan(-7.2, 60.0, 3), plan(7.5, 300.0, 3))


def delivered(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((out / "web").iterdir())}


def run(folder: Path, name: str, out: str) -> RunRecord:
    status, text = evencourt("run", folder / "recipe.yaml", folder / name, "--out", folder / out, "--workers", "1")
    assert status == 0, text
    record = read_record(folder / out)
    assert record is not None
    return record


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory):
    """A night with cards; the next match without; the same frames where the shoot names no hall."""
    folder = tmp_path_factory.mktemp("nights")
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("EVENCOURT_HALLS", str(folder / "halls"))
        (folder / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
        write_night(folder / "first", hall_of(HALIDE, LED, FIRST), named=NAME)
        write_night(folder / "next", next_hall(HALIDE, LED, NEXT), 11, references=False, named=NAME)
        write_night(folder / "unasked", next_hall(HALIDE, LED, NEXT), 11, references=False)
        yield folder, run(folder, "first", "out1"), run(folder, "next", "out2"), run(folder, "unasked", "out3")


def test_the_next_night_starts_from_the_first(nights) -> None:
    folder, first, second, _ = nights
    assert any("kept for the next match" in n for n in first.notices)
    assert any("hall memory: used" in n for n in second.notices)
    assert first.hall_memory == "" and len(second.hall_memory) == 64
    balances = [f.solutions["white_balance"]["source"] for f in second.frames.values() if f.deliveries]
    assert balances and set(balances) == {"hall memory"}
    memory = read_hall(NAME)
    assert memory is not None
    assert {n.white for n in memory.nights} == {"references", "memory"} and len(memory.nights) == 2
    assert delivered(folder / "out2") != delivered(folder / "out3")


def test_another_run_of_a_night_is_no_second_night_and_proves_nothing(nights) -> None:
    """Into another OUT, and with a frame less: it begins with what was known before that night, gives the same bytes,
    and the memory has two nights as before."""
    folder, _, _, _ = nights
    known = read_hall(NAME)
    again = run(folder, "first", "again")
    assert any("these frames were run before" in n for n in again.notices), again.notices
    assert not any("unchanged" in n or "hall memory: used" in n for n in again.notices), again.notices
    assert delivered(folder / "again") == delivered(folder / "out1")
    assert read_hall(NAME) == known

    shutil.copytree(folder / "next", folder / "fewer")
    gone = sorted((folder / "fewer").glob("*.dng"))[-1]
    gone.unlink()
    table = folder / "fewer" / "frames.csv"
    rows = table.read_text(encoding="utf-8-sig").splitlines(keepends=True)
    table.write_text("".join(row for row in rows if gone.stem not in row), encoding="utf-8")
    fewer = run(folder, "fewer", "fewer-out")
    assert any("these frames were run before" in n for n in fewer.notices)
    assert any("hall memory: used" in n for n in fewer.notices)  # that of the first night
    after = read_hall(NAME)
    assert known is not None and after is not None and len(after.nights) == len(known.nights) == 2
    assert min(n.frames for n in after.nights) == min(n.frames for n in known.nights) - 1


def test_no_hall_named_nothing_used(nights) -> None:
    _, _, _, unasked = nights
    assert not any("hall memory" in n for n in unasked.notices)


def test_the_same_bytes_again_whatever_became_of_the_memory(nights) -> None:
    """The run into OUT keeps to what it began with: a second run renders nothing, and verify renders the same bytes,
    also where the hall is forgotten. Into an empty OUT, it is then as if there had never been one."""
    folder, _, _, _ = nights
    before = delivered(folder / "out2")
    status, text = evencourt("inspect", "--forget-hall", NAME)
    assert status == 0 and not hall_file(NAME).exists(), text
    again = run(folder, "next", "out2")
    assert again.counts.rendered == 0 and delivered(folder / "out2") == before
    hall_file(NAME).unlink(missing_ok=True)
    status, text = evencourt("verify", folder / "out2", "--render", "2")
    assert status == 0 and "2 frames rendered again" in text, text
    fresh = run(folder, "next", "out4")
    assert any("nothing is remembered" in n for n in fresh.notices)
    assert delivered(folder / "out4") == delivered(folder / "out3")


def test_halls_are_shown_and_listed(nights) -> None:
    folder, _, _, _ = nights
    run(folder, "first", "out5")
    status, text = evencourt("inspect", "--halls")
    assert status == 0 and NAME in text and "Evencourt Test Camera" in text
    status, text = evencourt("inspect", "--hall", NAME)
    assert status == 0 and "left: white at" in text and "EV" in text and "2026-02-14" in text
    for words in (("--hall", "Elsewhere"), ("--forget-hall", "Elsewhere"), (), ("--halls", "--hall", NAME)):
        status, text = evencourt("inspect", *words)
        assert status != 0
