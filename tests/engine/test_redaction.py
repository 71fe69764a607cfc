"""The record of a run without withheld names: it may be passed on with a delivery. The people are made up."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.engine.jobs import Shoot
from pipeline.engine.redaction import STAND_IN, Redaction
from pipeline.people.modelfiles import ModelFiles
from pipeline.recipe.recipe import load_recipe
from pipeline.shoot.facts import Facts, Player
from pipeline.steps import REGISTRY
from pipeline.types import Frame

HIDDEN, SHOWN = "Siri Fjellheim", "Ada Brekke"
ROSTER = (Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3))
FRAMES = ("TH1_0001", "fjellheim_2", "fjellheim_2b")
MISSING = (("Fjellheim_7", "frames.csv line 4: no frame Fjellheim_7"),)


def redaction(minors: bool = False, roster: tuple[Player, ...] = ROSTER) -> Redaction:
    frames = tuple(Frame(n, Path(f"{n}.dng"), f"{n}.dng", "raw") for n in FRAMES)
    facts = Facts(roster=roster, minors=minors, language="en")
    return Redaction(Shoot(Path(), frames, (), facts, None, MISSING, (), ModelFiles()))


def clean(value: object) -> bool:
    text = json.dumps(value, ensure_ascii=False).casefold()
    return "siri" not in text and "fjellheim" not in text


def test_whole_names_go_wherever_they_stand() -> None:
    record = {
        "captions": [f"{HIDDEN} scores for the Gulls", ("FJELLHEIM, Siri", {"note": f"by {HIDDEN}"})],
        HIDDEN: f"key and value: {HIDDEN}",
        "frames": 3, "ok": True, "none": None,
    }  # fmt: skip
    found = redaction().record(record)
    assert clean(found)
    assert found["captions"][0] == f"{STAND_IN} scores for the Gulls"
    assert (found["frames"], found["ok"], found["none"]) == (3, True, None)
    assert HIDDEN in record  # the record itself is left alone


def test_names_that_may_be_shown_stay_and_minors_have_none() -> None:
    record = {"captions": f"{SHOWN} scores", "notices": [f"{SHOWN} was chosen"]}
    assert redaction().record(record) == record
    assert SHOWN not in json.dumps(redaction(minors=True).record(record))
    assert "Brekke" not in json.dumps(redaction(minors=True).record({"notices": ["Brekke was chosen"]}))


@pytest.mark.parametrize("key", ["notices", "reason", "problems", "relative", "stopped"])
def test_a_lone_surname_goes_from_what_the_program_says(key: str) -> None:
    """A file called after a surname turns up in messages; captions stay as they were delivered."""
    found = redaction().record({key: ["Fjellheim-final.jpg: changed by hand"], "caption": "At Fjellheim hall"})
    assert clean(found[key]) and found[key][0].endswith("changed by hand")
    assert found["caption"] == "At Fjellheim hall"


def test_frames_called_after_somebody_go_by_their_number() -> None:
    found = redaction()
    assert [found.frame(n) for n in FRAMES] == ["TH1_0001", "frame-0002", "frame-0003"]
    assert found.text("fjellheim_2b.dng and fjellheim_2.dng of fjellheim_2b") == (
        "frame-0003.dng and frame-0002.dng of frame-0003"
    )
    assert found.frame("Fjellheim_7") == "missing-0001"
    assert found.text("no frame Fjellheim_7") == "no frame missing-0001"


def test_nobody_withheld_changes_nothing() -> None:
    record = {"notices": [f"{HIDDEN} was chosen"], "frames": [*FRAMES]}
    assert redaction(roster=(Player("home", "9", HIDDEN, True, 3),)).record(record) == record


def test_the_recipe_is_shown_without_names(tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(
        "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n  web:\n    - caption: {headline: 'Thanks to Siri Fjellheim', "
        "keywords: [handball, Fjellheim]}\n    - save: {name: 'Siri Fjellheim {{ frame }}'}\n"
        "    - deliver: {page: true}\n",
        encoding="utf-8",
    )
    recipe = load_recipe(path, REGISTRY)
    shown = redaction().recipe(recipe)
    params = [b.params.model_dump(mode="json") for d in shown.deliveries for b in d.steps]
    assert clean(params)
    assert "handball" in json.dumps(params)
    assert not clean([b.params.model_dump(mode="json") for d in recipe.deliveries for b in d.steps])
