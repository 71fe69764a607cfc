"""run.json: its JSON Schema is what the dataclasses say and holds for a real run; what is damaged is refused."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.report.kept_frames import KeptFrames, read_checked, read_head, read_kept, read_left
from pipeline.report.record import (
    FRAMES_LINE,
    SCHEMA,
    SCHEMA_FILE,
    Counts,
    FrameRecord,
    RunRecord,
    json_schema,
    read_record,
    write_record,
)

RECORD = RunRecord(
    evencourt="0.1.0", state="done", title="Lantern Cup", recipe="night.yaml", recipe_flat="recipe: 1\n",
    environment={"numpy": "2"}, models="", counts=Counts(frames=1, undone=1), bursts=[["TH1_0001"]],
    frames={"TH1_0001": FrameRecord("TH1_0001.dng", "undone", solutions={"exposure": {"ev": 0.5}})},
)  # fmt: skip


def test_the_schema_shipped_is_that_of_the_dataclasses() -> None:
    """Write it anew with: python -m pipeline.report.record, and raise SCHEMA when an old record no longer fits."""
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json_schema()


def test_a_record_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    write_record(tmp_path, RECORD)
    assert json.loads((tmp_path / "run.json").read_bytes())["schema"] == SCHEMA
    assert read_record(tmp_path) == RECORD
    found = read_checked(tmp_path)
    assert isinstance(found.frames, KeptFrames) and replace(found, frames=dict(found.frames)) == RECORD


def test_a_folder_without_a_record_has_none(tmp_path: Path) -> None:
    assert read_record(tmp_path) is read_checked(tmp_path) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "damaged"),
        ("[]", "damaged"),
        (json.dumps(RECORD.as_json() | {"schema": SCHEMA - 1}), "another version"),
        (json.dumps(RECORD.as_json() | {"state": "asleep"}), "damaged"),
        (json.dumps(RECORD.as_json() | {"frames": {"TH1_0001": {"relative": 3, "status": "undone"}}}), "damaged"),
    ],
)
def test_what_is_no_record_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "run.json").write_text(text, encoding="utf-8")
    for read in (read_record, read_checked):
        with pytest.raises(InputError, match=words) as caught:
            read(tmp_path)
        assert "run.json" in str(caught.value) and "run the same command again" in str(caught.value)


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('"schema": 2', '"schema": 1'),
        ('"relative":"TH1_0001.dng"', '"relative":3'),
        ('"undone"', '"asleep"'),
        ("\n }\n}\n", "\n }\n}\n{}"),
        ("\n }\n}\n", ""),
        ('"TH1_0001": {', '"TH1_0001": \0'),
    ],
)
def test_a_frame_that_does_not_fit_is_found_though_none_is_held(tmp_path: Path, was: str, now: str) -> None:
    write_record(tmp_path, RECORD)
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    assert was in text
    (tmp_path / "run.json").write_text(text.replace(was, now), encoding="utf-8")
    with pytest.raises(InputError, match=r"run\.json"):
        read_checked(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes")
def test_a_pipe_in_place_of_the_record_is_no_wait(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "run.json")
    with pytest.raises(InputError, match="no plain file"):
        read_checked(tmp_path)


def test_an_endless_file_in_place_of_the_record_is_not_read(tmp_path: Path) -> None:
    """A file that its disk never wrote to can be of any size: read to its first line end it would fill the memory."""
    with (tmp_path / "run.json").open("wb") as file:
        file.truncate(1 << 42)
    for read in (read_head, read_kept):
        with pytest.raises(OSError, match="larger than any"):
            read(tmp_path)
    with pytest.raises(InputError, match="larger than any"):
        read_checked(tmp_path)


@pytest.mark.parametrize("before", ["{\n", FRAMES_LINE])
def test_brackets_without_end_are_damage_like_any_other(tmp_path: Path, before: str) -> None:
    """RFC 8259, section 9: a reader may limit how deep it goes. Every command that met one ended as by a mistake."""
    write_record(tmp_path, RECORD)
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    deep = '"x": ' if before == "{\n" else ""
    (tmp_path / "run.json").write_text(text.replace(before, f"{before}{deep}{'[' * 200_000}\n", 1), encoding="utf-8")
    with pytest.raises(InputError, match="is damaged"):
        read_checked(tmp_path)
    kept, is_sound = read_left(tmp_path)
    assert list(kept) == ["TH1_0001"] and is_sound is (before == "{\n")
    if before == "{\n":
        with pytest.raises(ValueError, match="recursion"):
            read_head(tmp_path)
