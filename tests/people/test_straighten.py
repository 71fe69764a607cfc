"""By how much a burst is turned, and what is said of it; every number of the rules, see tests/people/rules."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.level import Tilt, Unsure
from pipeline.people.straighten import STRAIGHTENING, turn
from tests.people.rules import Scenario, guards, near, turns


def turned(*tilts: float | None) -> float:
    """Degrees by which a burst is turned whose frames tell these tilts."""
    return turn([Unsure.FEW if one is None else Tilt(one, 0.8) for one in tilts]).degrees


def test_a_burst_is_turned_against_its_tilt_and_says_how_sure_it_is() -> None:
    found = turn([Tilt(2.0, 0.9), Tilt(2.2, 0.7), Unsure.DISAGREE, Tilt(2.1, 0.8)])
    assert (found.degrees, found.said) == (-2.1, "turned by \N{MINUS SIGN}2.1\N{DEGREE SIGN} (certainty 0.80)")
    assert turn([Tilt(-0.6, 0.5)]).said == "turned by +0.6\N{DEGREE SIGN} (certainty 0.50)"
    assert turn([Tilt(0.1, 0.9)]).said == "straight already"


@pytest.mark.parametrize(
    ("tilts", "said"),
    [
        ([Unsure.FEW, Unsure.FEW, Unsure.FAR], "too few upright or level lines to be sure"),
        ([Unsure.DISAGREE, Unsure.DISAGREE, Unsure.FEW], "upright and level lines disagree"),
        ([Unsure.FAR], "tilted by more than 5\N{DEGREE SIGN}, which may be meant"),
        ([Tilt(-2.0, 0.9), Tilt(2.0, 0.9)] * 2, "the frames of the burst disagree"),
    ],
)
def test_what_is_left_alone_says_why(tilts: list[Tilt | Unsure], said: str) -> None:
    for order in (tilts, tilts[::-1]):
        found = turn(order)
        assert (found.degrees, found.said) == (0.0, f"not straightened: {said}")


SCENARIOS: dict[str, Scenario] = {
    "STRAIGHTENING.frames": lambda: turned(2.0, None, None) == -2.0 and turned(2.0, None, None, None) == 0.0,
    "STRAIGHTENING.percentiles": lambda: near(turned(*SLOPE), -2.0) and turned(*STEEP) == 0.0,
    "STRAIGHTENING.spread": lambda: turns(lambda spread: turned(*[2.0] * 3, *[2.0 + spread] * 3) == 0.0, 0.8),
    "STRAIGHTENING.least": lambda: turns(lambda tilt: turned(tilt) != 0.0, 0.15, by=0.06),
}
# Even slopes: between the 20th and the 80th percentile 0.79 and 0.81 of a degree.
SLOPE, STEEP = (tuple(2.0 + spread / 0.6 * np.linspace(-0.5, 0.5, 101)) for spread in (0.79, 0.81))


test_a_tenth_more_or_less_changes_a_turn, test_every_number_is_guarded = guards(
    {"STRAIGHTENING": STRAIGHTENING}, SCENARIOS
)
