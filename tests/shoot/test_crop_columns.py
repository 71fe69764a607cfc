"""A crop for one delivery: the column `crop DELIVERY` of frames.csv, read, used, and written again."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from pipeline.engine.solve import _crops_unused
from pipeline.engine.tables.caption_sheet import _joined
from pipeline.engine.tables.frame_table import frame_table
from pipeline.imaging.geometry import Box
from pipeline.people.tracking import Observation
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.shoot.frame_names import row_digest
from pipeline.shoot.read_facts import load_facts
from pipeline.steps.base import SolveContext
from pipeline.steps.crop import CropParams, CropSource, fallback, solve
from pipeline.textfile.tables import Row
from pipeline.types import Burst
from tests.shoot.called import frame_called, index_of

NAMES = ["TH1_0001", "TH1_0002"]
ALL, WEB, PHONE = Box(0.1, 0.1, 0.9, 0.9), Box(0.2, 0.2, 0.8, 0.8), Box(0.4, 0.0, 0.6, 1.0)


def read(folder: Path, table: str) -> tuple[Facts, list[str]]:
    (folder / "frames.csv").write_text(table, encoding="utf-8")
    facts, problems, _ = load_facts(folder, None, index_of(NAMES))
    return facts, [f"{p.line}:{p.column}: {p.message}" for p in problems]


@pytest.mark.parametrize("header", ["frame,crop,crop web,Crop  Phone", "frame;crop;CROP WEB;crop phone"])
def test_a_delivery_has_its_own_crop_and_the_others_that_of_all(tmp_path: Path, header: str) -> None:
    separator = ";" if ";" in header else ","
    rows = [
        ("TH1_0001", "0.1 0.1 0.9 0.9", "0.2 0.2 0.8 0.8", ""),
        ("TH1_0002", "", "", "0.4 0 0.6 1"),
    ]
    table = "\n".join([header, *(separator.join(row) for row in rows)])
    facts, problems = read(tmp_path, table)
    assert problems == []
    first, second = (facts.row(name) for name in NAMES)
    assert (first.crop_of("web"), first.crop_of("WEB"), first.crop_of("phone")) == (WEB, WEB, ALL)
    assert (second.crop_of("web"), second.crop_of("phone")) == (None, PHONE)


def test_what_is_no_crop_is_named_with_its_column(tmp_path: Path) -> None:
    _, problems = read(tmp_path, "frame,crop web\nTH1_0001,0.8 0.2 0.2 0.8\n")
    assert problems == [
        "2:10: crop web: 0.8 0.2 0.2 0.8 is not a crop; write x0 y0 x1 y1, each from 0 to 1, x0 < x1 and y0 < y1"
    ]
    _, problems = read(tmp_path, "frame,crops web\nTH1_0001,\n")
    assert len(problems) == 1 and "no column is called crops web" in problems[0]


def test_each_delivery_is_cut_by_its_own_crop() -> None:
    rows = {NAMES[0]: FrameFacts(crop=ALL, crops=(("web", WEB),)), NAMES[1]: FrameFacts(crops=(("phone", PHONE),))}
    frames = [frame_called(name) for name in NAMES]

    def boxes(delivery: str, by: object = solve) -> list[Box | None]:
        context: SolveContext[Observation] = SolveContext(
            frames, [Burst(tuple(NAMES))], Facts(rows=rows), {}, None, lambda: {}, lambda: {}, {}, delivery=delivery
        )  # type: ignore[arg-type]
        solved = by(context, CropParams(to="none")).by_frame  # type: ignore[operator]
        assert all((one.source is CropSource.TABLE) == (one.box is not None) for one in solved.values())
        return [solved[name].box for name in NAMES]

    assert boxes("web") == boxes("Web") == [WEB, None]
    assert boxes("phone") == boxes("phone", fallback) == [ALL, PHONE]
    assert boxes("paper") == [ALL, None]


def test_a_column_of_no_delivery_is_said_once() -> None:
    facts = Facts(rows={name: FrameFacts(crops=(("web", WEB), ("wbe", PHONE))) for name in NAMES})
    assert _crops_unused(facts, ["Web", "phone"]) == [
        "frames.csv: the crops in column crop wbe are not used, since the recipe makes no delivery wbe; it makes Web "
        "and phone"
    ]


def test_the_columns_are_kept_when_the_table_is_written_again(tmp_path: Path) -> None:
    table = "frame,crop,crop web,crop phone\nTH1_0001,,0.2 0.2 0.8 0.8,\nTH9_0001,,,0.4 0 0.6 1\n"
    facts, problems = read(tmp_path, table)
    assert problems == []
    frames = [frame_called(name) for name in NAMES]
    text = frame_table(frames, [Burst(tuple(NAMES))], facts, {})
    rows = {row["frame"]: row for row in csv.DictReader(io.StringIO(text))}
    name = next(name for name in rows if name.startswith("TH1_0001"))
    assert (rows[name]["crop web"], rows[name]["crop phone"]) == ("0.2 0.2 0.8 0.8", "")
    assert rows["TH9_0001"]["crop phone"] == "0.4 0 0.6 1"
    again, problems = read(tmp_path, text)
    assert problems == [] and again.row("TH1_0001").crops == facts.row("TH1_0001").crops == (("web", WEB),)


def test_a_table_that_is_filled_up_keeps_the_crops_of_both() -> None:
    both = _joined(FrameFacts(crops=(("web", WEB),)), FrameFacts(crops=(("phone", PHONE), ("web", ALL))))
    assert both.crops == (("phone", PHONE), ("web", WEB))


def test_what_a_row_meant_is_remembered_by_its_crops_too() -> None:
    plain = {"frame": "TH1_0001", "crop": "0.1 0.1 0.9 0.9"}
    digests = {row_digest(Row("", 2, plain | {"crop web": text})) for text in ("", "0 0 1 1", "0.1 0 1 1")}
    assert len(digests) == 3 and row_digest(Row("", 2, plain)) in digests
