"""The record of a run without withheld names: it may be passed on with a delivery. The people are made up."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.jobs import Shoot
from pipeline.engine.redaction import STAND_IN, Redaction
from pipeline.people.modelfiles import ModelFiles
from pipeline.recipe.recipe import load_recipe
from pipeline.report.record import Counts, FileRecord, FrameRecord, RunRecord, SentRecord
from pipeline.shoot.facts import Facts, Player
from pipeline.steps import REGISTRY
from pipeline.types import Frame

HIDDEN, SHOWN = "Siri Fjellheim", "Ada Brekke"
ROSTER = (Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3))
FRAMES = ("TH1_0001", "fjellheim", "fjellheim-2b")
MISSING = (("Fjellheim_7", "frames.csv line 4: no frame Fjellheim_7"),)


def redaction(minors: bool = False, roster: tuple[Player, ...] = ROSTER) -> Redaction:
    frames = tuple(Frame(n, Path(f"{n}.dng"), f"{n}.dng", "raw") for n in FRAMES)
    facts = Facts(roster=roster, minors=minors, language="en")
    return Redaction(Shoot(Path(), frames, (), facts, None, MISSING, (), ModelFiles()))


def clean(value: object) -> bool:
    text = json.dumps(value, ensure_ascii=False).casefold()
    return "siri" not in text and "fjellheim" not in text


def record(**changes: Any) -> RunRecord:
    """A record with one delivered frame."""
    usual = RunRecord(
        evencourt="1", state="done", title="Lantern Cup", recipe="recipe.yaml", recipe_flat="recipe: 1\n",
        environment={}, models="", counts=Counts(frames=3), bursts=[],
        frames={"TH1_0001": FrameRecord("TH1_0001.dng", "delivered")},
    )  # fmt: skip
    return replace(usual, **changes)


def photo(caption: str) -> FileRecord:
    return FileRecord("web/TH1_0001.jpg", "0" * 64, 9, 3, 2, 88, "", True, caption, caption, caption, [])


def test_whole_names_go_wherever_they_stand() -> None:
    frame = FrameRecord(
        "TH1_0001.dng", "delivered", decisions=[f"crop: {HIDDEN}"], deliveries={"web": photo("FJELLHEIM, Siri scores")},
        solutions={"web/crop": {"source": HIDDEN, HIDDEN: [f"by {HIDDEN}", 3, True, None]}},
    )  # fmt: skip
    before = record(title=f"Farewell of {HIDDEN}", recipe_flat=f"headline: {HIDDEN}\n", frames={"TH1_0001": frame})
    found = redaction().record(before)
    assert clean(found.as_json())
    assert found.title == f"Farewell of {STAND_IN}"
    assert found.frames["TH1_0001"].solutions["web/crop"][STAND_IN] == [f"by {STAND_IN}", 3, True, None]
    assert found.counts == before.counts
    assert before.title == f"Farewell of {HIDDEN}"  # the record itself is left alone


def test_names_that_may_be_shown_stay_and_minors_have_none() -> None:
    redacted = record(title=f"{SHOWN} scores", notices=["Brekke was chosen"])
    assert redaction().record(redacted) == redacted
    assert "Brekke" not in json.dumps(redaction(minors=True).record(redacted).as_json())


@pytest.mark.parametrize("where", ["notices", "stopped", "reason", "frame's notices", "relative", "problems"])
def test_a_lone_surname_goes_from_what_the_program_says(where: str) -> None:
    """A file called after a surname turns up in messages; captions stay as they were delivered."""
    message, frame = "Fjellheim-final.jpg: changed by hand", FrameRecord("TH1_0001.dng", "failed")
    frame.deliveries["web"] = photo("At Fjellheim hall")
    changes: dict[str, Any] = {"frames": {"TH1_0001": frame}}
    if where == "notices":
        changes["notices"] = [message]
    elif where == "stopped":
        changes["stopped"] = message
    elif where == "problems":
        changes["sent"] = {"web": SentRecord(problems=[message])}
    elif where == "frame's notices":
        frame.notices = [message]
    elif where == "reason":
        frame.reason = message
    else:
        frame.relative = message
    found = redaction().record(record(**changes)).as_json()
    assert json.dumps(found).count("changed by hand") == 1
    assert json.dumps(found).count("Fjellheim") == 3  # caption, alternative text and headline
    assert "Fjellheim-final" not in json.dumps(found)


def test_frames_called_after_somebody_go_by_their_number() -> None:
    found = redaction()
    assert [found.frame(n) for n in FRAMES] == ["TH1_0001", "frame-0002", "frame-0003"]
    assert found.text("fjellheim-2b.dng and fjellheim.dng of fjellheim-2b") == (
        "frame-0003.dng and frame-0002.dng of frame-0003"
    )
    assert found.frame("Fjellheim_7") == "missing-0001"
    assert found.text("no frame Fjellheim_7") == "no frame missing-0001"


def test_nobody_withheld_changes_nothing() -> None:
    before = record(notices=[f"{HIDDEN} was chosen", *FRAMES])
    assert redaction(roster=(Player("home", "9", HIDDEN, True, 3),)).record(before) == before


def test_the_recipe_is_shown_without_names(tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(
        "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n  web:\n    - caption: {headline: 'Thanks to Siri Fjellheim', "
        "keywords: [handball, Fjellheim]}\n    - save: {name: 'Siri Fjellheim {{ frame }}'}\n"
        "    - deliver: {page: true}\n",
        encoding="utf-8",
    )
    recipe = load_recipe(path, REGISTRY)
    redacted = redaction().recipe(recipe)
    params = [b.params.model_dump(mode="json") for d in redacted.deliveries for b in d.steps]
    assert clean(params)
    assert "handball" in json.dumps(params)
    assert not clean([b.params.model_dump(mode="json") for d in recipe.deliveries for b in d.steps])
