"""What ranking is told of the shoot: frames that no delivery may hold are no reason to rate another lower."""

from __future__ import annotations

import pytest

from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.imaging.level import Unsure
from pipeline.people.observe import FrameObservation
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.types import Burst
from tests.people.test_tracking import hall, observed, view

HIDDEN = Player("home", "9", "Zelda Quortz", publish=False, line=2)


def seen() -> FrameObservation:
    return FrameObservation(observed(small=view(hall(), 100, 90)), (True, True), 0.1, 0.2, 0.0, Unsure.FEW)


@pytest.mark.parametrize(
    ("row", "loses"),
    [
        (FrameFacts(), "B"), (FrameFacts(keep=False), "A"), (FrameFacts(players=(("home", "9"),)), "A"),
        (FrameFacts(words="Zelda Quortz jumps"), "A"),
    ],
)  # fmt: skip
def test_the_twin_of_a_frame_that_is_held_back_loses_nothing(row: FrameFacts, loses: str) -> None:
    """Two equal frames in bursts of their own: of equals the first is the better, but not where it may not go out."""
    facts = Facts(roster=(HIDDEN,), rows={"A": row})
    _, ranks, why = subjects_and_ranks({"A": seen(), "B": seen()}, [Burst(("A",)), Burst(("B",))], facts)
    assert not why and ranks["A"].moment == ranks["B"].moment
    assert min(ranks, key=lambda name: ranks[name].score) == loses
    assert ranks["A"].score != ranks["B"].score
