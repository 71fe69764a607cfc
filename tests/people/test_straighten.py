"""By how much a burst is turned, and what is said of it; every number of the rules, see tests/people/rules."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.geometry import Box
from pipeline.imaging.level import Tilt, Unsure
from pipeline.imaging.rotation import inscribed, inside, rotated, widest
from pipeline.people.straighten import STRAIGHTENING, cuts, turn
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


def cut(*people: tuple[float, float, float, float], degrees: float = 4.0, sure: float = 0.9) -> bool:
    """Whether a frame of 640 by 960 with these boxes is cut at somebody by such a turn."""
    found = np.array([[*box, sure] for box in people], np.float32).reshape(-1, 5)
    return cuts(found, inscribed(degrees, 640, 960), degrees, 640, 960)


def at_rim(free: float = 0.03, tall: float = 0.2, wide: float = 0.1) -> tuple[float, float, float, float]:
    return 1 - free - wide, 0.5 - tall / 2, 1 - free, 0.5 + tall / 2


def free_of(beyond: float, wide: float = 0.1) -> float:
    """How far from the right side, half way up, somebody is of whom such a share is beyond what a turn leaves."""
    turned = 0.5 + (inscribed(4.0, 640, 960).x1 + wide * beyond - wide / 2 - 0.5) / np.cos(np.radians(4.0))
    return float(1 - turned - wide / 2)


def below_top(beyond: float, tall: float = 0.3) -> tuple[float, float, float, float]:
    """In the middle, of such a share of the height above what a turn leaves."""
    middle = 0.5 + (inscribed(4.0, 640, 960).y0 - tall * beyond + tall / 2 - 0.5) / np.cos(np.radians(4.0))
    return 0.45, float(middle - tall / 2), 0.55, float(middle + tall / 2)


def test_a_turn_that_cuts_somebody_who_was_whole_is_told() -> None:
    assert cut(at_rim()) and not cut(at_rim(), degrees=0.3) and not cut((0.4, 0.4, 0.6, 0.6)) and not cut()
    assert not cut(at_rim(free=0.0))  # whom the frame cuts already
    assert not cut((0.3, 0.2, 0.5, 0.8), at_rim(tall=0.1))  # in the stand behind


@pytest.mark.parametrize(("height", "width"), [(640, 960), (960, 640), (540, 960)])
@pytest.mark.parametrize("degrees", [-5.0, 0.4, 4.0])
def test_the_widest_part_of_a_turned_frame_touches_its_sides_and_holds_more(
    degrees: float, height: int, width: int
) -> None:
    box, same = widest(degrees, height, width), inscribed(degrees, height, width)
    grown = Box(box.x0 - 1e-3, box.y0, box.x1 + 1e-3, box.y1), Box(box.x0, box.y0 - 1e-3, box.x1, box.y1 + 1e-3)
    assert inside(box, degrees, height, width) and not any(inside(one, degrees, height, width) for one in grown)
    assert box.x1 - box.x0 >= same.x1 - same.x0 or box.y1 - box.y0 >= same.y1 - same.y0
    assert inside(widest(degrees, 100, 900), degrees, 100, 900)
    assert (box.x1 - box.x0) * (box.y1 - box.y0) >= (same.x1 - same.x0) * (same.y1 - same.y0)


@pytest.mark.parametrize("degrees", [-4.0, 4.0])
@pytest.mark.parametrize("y", [0.2, 0.8])
def test_who_is_cut_is_told_where_the_picture_goes(degrees: float, y: float) -> None:
    """Somebody of a few pixels near the right side, above or below the middle: painted, turned and looked for."""
    picture = np.zeros((640, 960, 3), np.float32)
    box = (0.93, y - 0.02, 0.95, y + 0.02)
    rows, columns = slice(round(box[1] * 640), round(box[3] * 640)), slice(round(box[0] * 960), round(box[2] * 960))
    picture[rows, columns] = 1
    x0, y0, x1, y1 = np.array(inscribed(degrees, 640, 960)) * [960, 640, 960, 640]
    turned = rotated(picture, degrees)[..., 0]
    left = turned[round(y0) : round(y1), round(x0) : round(x1)].sum() / turned.sum()
    assert cut(box, degrees=degrees) == (left < 0.9) == (degrees * (y - 0.5) < 0)


SCENARIOS: dict[str, Scenario] = {
    "STRAIGHTENING.frames": lambda: turned(2.0, None, None) == -2.0 and turned(2.0, None, None, None) == 0.0,
    "STRAIGHTENING.percentiles": lambda: near(turned(*SLOPE), -2.0) and turned(*STEEP) == 0.0,
    "STRAIGHTENING.spread": lambda: turns(lambda spread: turned(*[2.0] * 3, *[2.0 + spread] * 3) == 0.0, 0.8),
    "STRAIGHTENING.sure": lambda: turns(lambda sure: cut(at_rim(), sure=sure), 0.5),
    "STRAIGHTENING.tall": lambda: turns(lambda tall: cut((0.3, 0.2, 0.5, 0.7), at_rim(tall=tall * 0.5)), 0.4),
    "STRAIGHTENING.cut": lambda: turns(lambda beyond: cut(at_rim(free_of(beyond))), 0.1),
    "STRAIGHTENING.head": lambda: turns(lambda beyond: cut(below_top(beyond)), 0.03),
    "STRAIGHTENING.rim": lambda: turns(lambda free: cut(at_rim(free)), 0.01),
    "STRAIGHTENING.least": lambda: turns(lambda tilt: turned(tilt) != 0.0, 0.15, by=0.06),
}
# Even slopes: between the 20th and the 80th percentile 0.79 and 0.81 of a degree.
SLOPE, STEEP = (tuple(2.0 + spread / 0.6 * np.linspace(-0.5, 0.5, 101)) for spread in (0.79, 0.81))


test_a_tenth_more_or_less_changes_a_turn, test_every_number_is_guarded = guards(
    {"STRAIGHTENING": STRAIGHTENING}, SCENARIOS
)
