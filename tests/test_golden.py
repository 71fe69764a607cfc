"""A step whose pixels change must raise its version; see DEVELOPERS.md."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests import golden

PIXELS = ("decode", "lens", "white_balance", "exposure", "denoise", "crop", "resize", "tone", "save")


def test_pixels_change_only_with_a_version(tmp_path: Path) -> None:
    kept = json.loads(golden.FILE.read_text(encoding="utf-8"))
    assert kept["versions"] == golden.versions(), "run `python -m tests.golden` and look at what changed"
    now = dict(golden.found(tmp_path))
    assert now.keys() == kept["files"].keys()
    changed = [name for name, entry in now.items() if not alike(entry, kept["files"][name])]
    assert not changed, f"other pixels than these versions made before: raise the version of the step: {changed}"


def alike(one: dict, other: dict) -> bool:
    """Whether two files are the same but for the last bits of another processor."""
    return (
        one["size"] == other["size"]
        and one["fine"] == pytest.approx(other["fine"], rel=0.005)
        and one["cells"] == pytest.approx(other["cells"], abs=golden.ROOM)
    )


def test_every_parameter_of_a_step_that_changes_pixels_is_away_from_its_default(tmp_path: Path) -> None:
    """In one recipe or the other; so that a change of what it does is seen."""
    away: set[tuple[str, str]] = set()
    for name, text in golden.RECIPES.items():
        path = tmp_path / f"{name}.yaml"
        path.write_text(text, encoding="utf-8")
        recipe = load_recipe(path, REGISTRY)
        for bound in (*recipe.steps, *(b for d in recipe.deliveries for b in d.steps)):
            plain = bound.step.Params()
            fields = type(bound.params).model_fields
            away |= {(bound.step.name, f) for f in fields if getattr(bound.params, f) != getattr(plain, f)}
    every = {(name, field) for name in PIXELS for field in REGISTRY[name].Params.model_fields}
    assert every - away == set()
