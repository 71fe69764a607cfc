"""No constant that decides about light or level can change by a tenth and be overlooked.

Whether the values are good is for the tests of each module, against measured lamps, known geometry and photographs;
here each is only held in place: the recorded figures change with it, or tests/constants.py says why they do not.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.constants import FILE, TOPICS, cases, changed

RECORDED = json.loads(FILE.read_text(encoding="utf-8"))


def same(figures: list[float], topic: str) -> bool:
    kept = np.array(RECORDED[topic])
    return len(figures) == len(kept) and bool(np.allclose(figures, kept, rtol=1e-5, atol=1e-7, equal_nan=True))


@pytest.mark.parametrize("topic", TOPICS)
def test_figures_are_those_recorded(topic: str) -> None:
    assert same(TOPICS[topic].figures(), topic), "changed on purpose? run `python -m tests.constants`"


@pytest.mark.parametrize(("topic", "name"), cases())
def test_a_tenth_more_or_less_shows(topic: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    of = TOPICS[topic]
    for factor in (1.1, 0.9):
        monkeypatch.setattr(of.module, of.name, changed(of.constants, name, factor))
        shows = not same(of.figures(), topic)
        monkeypatch.undo()
        assert shows != (name in of.flat), f"{name} times {factor}: {of.flat.get(name, 'nothing changes')}"
