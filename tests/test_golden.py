"""A step whose pixels change must raise its version; see DEVELOPERS.md."""

from __future__ import annotations

import json

import pytest

from tests import golden


def test_pixels_change_only_with_a_version() -> None:
    kept = json.loads(golden.FILE.read_text(encoding="utf-8"))
    now = golden.found()
    assert kept.keys() == now.keys()
    for name, entry in now.items():
        assert entry["version"] == kept[name]["version"], f"{name}: run `python -m tests.golden`"
        assert entry["summary"] == pytest.approx(kept[name]["summary"], rel=0.02, abs=1e-3), (
            f"{name} makes other pixels than version {entry['version']} did: raise its version"
        )
