"""No constant that decides about light or level can change by a tenth and be overlooked.

Whether the values are good is for the tests of each module, against measured lamps, known geometry and photographs;
here each is only held in place: the recorded figures change with it, or tests/constants.py says why they do not.
"""

from __future__ import annotations

import json

import pytest

from tests.constants import FILE, TOPICS, cases, same

RECORDED = json.loads(FILE.read_text(encoding="utf-8"))


# Each takes longer than all the others together.
LONG = {"denoise", "window", "defects", "row noise", "static"}


@pytest.mark.parametrize("topic", [pytest.param(t, marks=pytest.mark.long) if t in LONG else t for t in TOPICS])
def test_figures_are_those_recorded(topic: str) -> None:
    assert same(TOPICS[topic].figures(), RECORDED[topic]), "changed on purpose? run `python -m tests.constants`"


@pytest.mark.long
@pytest.mark.parametrize(("topic", "name"), cases())
def test_a_tenth_more_shows(topic: str, name: str) -> None:
    """A tenth less too: `python -m tests.constants` tries both, and this only one to be quick."""
    of = TOPICS[topic]
    assert of.shows(name, 1.1, RECORDED[topic]) != (name in of.flat), of.flat.get(name, "nothing changes")
