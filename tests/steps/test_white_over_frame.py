"""white_balance's solve over a frame: light that changes from side to side, players before a wall, pans and flicker."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap
from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.light.mixing.standing import standing
from pipeline.shoot.facts import Facts, Reference
from pipeline.steps.white_balance import WhiteBalanceParams, solve
from tests.light.mixing.test_standing import VIEW, WALL, boxes
from tests.steps.test_white_balance import DAY, context_of, light_of, reference_of, scene

PLAYER_DISTANCE = 0.45  # as README says: a little less than halfway to the wall
# Of a burst that shows a third more than a frame.
SLANTED = ChromaGradient(np.array([[0.2, -0.1], *[[0.0, 0.0]] * 3]), half=1.3)


def taken_for(column: float, half: float = SLANTED.half) -> float:
    """How far from the camera what is seen in a column is taken to be, 1 = the wall: players in the middle, nearer than
    the walls that a gradient is measured on, and the wall at the sides of what a burst shows."""
    return PLAYER_DISTANCE + (1 - PLAYER_DISTANCE) * (column / half) ** 4


def test_boards_at_the_sides_get_the_light_of_the_wall_and_players_in_the_middle_theirs() -> None:
    """Light that runs by 0.4 along the wall: at the sides, where hardly a player is, nothing of it is left; halfway
    out a player at 0.45 of the wall's distance is in 0.45 of it, and comes out within a tenth of that."""
    slanted = replace(SLANTED, half=1.0)
    light = light_of([scene(["F1"], chroma_gradient=slanted)])
    found = solve(context_of(light), WhiteBalanceParams(method="gray_world")).by_frame["F1"].stops
    middle = found.at(0.0, 0.0)
    for side in (-1.0, 1.0):
        wall, halfway = (slanted.at(np.array([at]))[0] / np.log(2) for at in (side, side / 2))
        assert (found.at(0.0, side) - middle)[[0, 2]] == pytest.approx(-wall, rel=0.02)
        assert (found.at(0.0, side / 2) - middle)[[0, 2]] == pytest.approx(-PLAYER_DISTANCE * halfway, rel=0.1)


def test_light_on_a_player_is_that_at_the_feet_not_of_the_wall_behind() -> None:
    """Two players before a wall whose light leans: at the chest of the nearer, nine metres of 24 away, the map gives
    the light that is there to 0.042 stops, where the wall's would be off by 0.3."""
    people = standing([boxes((0.75, 9.0, 1.8), (0.2, 12.0, 1.8))], [0.0], 1.0)
    light = light_of([scene(["F1"], chroma_gradient=VIEW, people=people)])
    found = solve(context_of(light), WhiteBalanceParams(method="gray_world")).by_frame["F1"].stops
    on_player, on_wall = (
        (found.at(row, column) - found.at(-0.6, 0.0))[[0, 2]] for row, column in ((0, 0.5), (-0.6, 0.8))
    )
    there, wall = (-VIEW.at(np.array([x]), d)[0] / np.log(2) for x, d in ((0.5, 9.0 / WALL), (0.8, 1.0)))
    assert np.hypot(*(on_player - there)) < 0.042
    assert on_wall == pytest.approx(wall, abs=0.03)


def test_gradient_and_pan_decide_what_the_card_stood_in() -> None:
    """A card at the right edge, where the light is another: the middle of the frame gets the light of the middle."""
    chroma_gradient = ChromaGradient(np.array([[0.2, -0.1], *[[0.0, 0.0]] * 3]))
    card = np.exp(chroma_gradient.at(np.array([0.8]), taken_for(0.8, 1.0))[0])
    white = np.array([card[0], 1, card[1]]) / DAY * 0.3
    facts = Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),))
    context = context_of(
        light_of([scene(["F1"], chroma_gradient=chroma_gradient)]), facts, F1=reference_of(white, column=0.8)
    )
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame["F1"]
    assert found.gains == pytest.approx(DAY, rel=1e-4)
    # Red grows to the right by 0.2 in natural log, so it is taken off there, less what walls show more than players.
    right = found.stops.on(1, 3)[0, 2] - found.stops.on(1, 3)[0, 0]
    assert -0.2 * 4 / 3 / np.log(2) * 1.01 < right[0] < -0.05 / np.log(2)
    assert right[1] == pytest.approx(0, abs=1e-6) and right[2] > 0
    flat = solve(context, WhiteBalanceParams(method="reference_patch", within_frame=False)).by_frame["F1"]
    assert np.ptp(flat.stops.on(4, 4), axis=(0, 1)) == pytest.approx(np.zeros(3))
    assert flat.gains == pytest.approx(DAY, rel=1e-4)


def test_flicker_is_taken_off_where_the_patch_is() -> None:
    """Red lacks half a stop in the last row and has half a stop too much in the first; the patch is near the last."""
    wave = GainMap(np.array([[[0.0, 0.0, 0.0]], [[0.5, 0.0, 0.0]]]))  # along the rows
    light = light_of([scene(["F1", "F2"], flicker=(wave, GainMap.constant(np.zeros(3))))])
    white = 1 / DAY * np.array([2.0 ** -wave.at(0.8, -0.4)[0], 1, 1]) * 0.3
    patch = reference_of(white, column=-0.4, row=0.8)
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=patch)
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame
    assert found["F2"].gains == pytest.approx(DAY, rel=1e-5)


def test_light_over_a_frame_is_that_of_white_wherever_the_halls_own_colours_went() -> None:
    """From one lamp to the other white moves twice as far as the hall's own colours, as with mercury, in which wood has
    no red to show: a gradient, measured on walls and stands, is not stretched by that."""
    whites = [np.array([np.exp(u), 1, np.exp(-u / 2)]) / DAY * 0.3 for u in (0.0, 0.8)]
    facts = Facts(references=tuple(Reference(f, patch=Box(0, 0, 1, 1)) for f in ("F1", "F2")))
    scenes = [scene(["F1"]), scene(["F2"]), scene(["F3"], chroma_gradient=SLANTED)]
    light = light_of(scenes, [(0, 0), (0.4, -0.2), (0.2, -0.1)])
    context = context_of(light, facts, F1=reference_of(whites[0]), F2=reference_of(whites[1]))
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame["F3"]
    off = found.stops.at(0.0, 0.6) - found.stops.at(0.0, 0.0)
    assert off[[0, 2]] == pytest.approx(-SLANTED.at(np.array([0.6]), taken_for(0.6))[0] / np.log(2), abs=0.01)


@pytest.mark.parametrize("pan", [0.3, -0.3])
def test_a_reference_in_a_panned_frame_counts_for_its_place_in_the_hall(pan: float) -> None:
    """The scene lies `pan` right of where the middle frame has it: the card stood in the light of column - pan."""
    gradient = SLANTED
    card = np.exp(gradient.at(np.array([0.5 - pan]), taken_for(0.5 - pan))[0])
    white = np.array([card[0], 1, card[1]]) / DAY * 0.3
    light = light_of([scene(["F1", "F2"], chroma_gradient=gradient, pan=(pan, 0.0))])
    patch = reference_of(white, column=0.5)
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=patch)
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame
    assert found["F2"].gains == pytest.approx(DAY, rel=1e-4)


@pytest.mark.parametrize("pan", [0.3, -0.3])
def test_a_panned_frame_is_balanced_for_the_part_of_the_hall_that_it_shows(pan: float) -> None:
    """The same place of the hall gets the same gains in both frames, at column x of one and x - pan of the other."""
    light = light_of([scene(["F1", "F2"], chroma_gradient=SLANTED, pan=(pan, 0.0))])
    found = solve(context_of(light), WhiteBalanceParams(method="gray_world")).by_frame
    for column in (-0.5, 0.0, 0.5):
        moved, still = found["F1"].stops.at(0, column), found["F2"].stops.at(0, column - pan)
        assert moved == pytest.approx(still, abs=1e-4)
    assert np.abs(found["F1"].stops.at(0, 0.5) - found["F2"].stops.at(0, 0.5)).max() > 0.02


@pytest.mark.parametrize("zoom", [0.8, 1.25])
def test_a_zoom_shows_the_same_places_larger(zoom: float) -> None:
    """What lies at column x of one frame lies at zoom x of the other, and pan further right: one light, one gain."""
    light = light_of([scene(["F1", "F2"], chroma_gradient=SLANTED, pan=(0.1, 0.0), zoom=(zoom, 1.0))])
    found = solve(context_of(light), WhiteBalanceParams(method="gray_world")).by_frame
    for row, column in ((-0.4, -0.5), (0.2, 0.0), (0.4, 0.5)):
        larger, usual = found["F1"].stops.at(zoom * row, zoom * column + 0.1), found["F2"].stops.at(row, column)
        assert larger == pytest.approx(usual, abs=2e-3)
    assert np.abs(found["F1"].stops.at(0, 0.6) - found["F2"].stops.at(0, 0.5)).max() > 0.01


def test_players_are_lit_as_what_stands_nearer_than_halfway_to_the_wall() -> None:
    """From python -m tests.evenness; the walls' own gradient is what an honest map of the walls would take off."""
    gradient = SLANTED
    context = context_of(light_of([scene(["F1"], chroma_gradient=gradient)]))
    ends = solve(context, WhiteBalanceParams(method="gray_world")).by_frame["F1"].stops.on(1, 2, ends=True)[0]
    walls = gradient.at(np.array([-1.0, 1.0]))
    assert ends[1, 0] - ends[0, 0] == pytest.approx(-taken_for(1.0) * (walls[1, 0] - walls[0, 0]) / np.log(2), rel=0.01)


def test_what_no_player_stands_before_gets_the_whole_gradient() -> None:
    """The floor begins a quarter above the middle, and eyes are at most 0.4 half heights above that: the wall higher up
    is seen whole, and floor at half of its distance and nearer gets its own part."""
    view = replace(SLANTED, floor=-0.25, nearer=2.0)
    context = context_of(light_of([scene(["F1"], chroma_gradient=view)]))
    stops = solve(context, WhiteBalanceParams(method="gray_world")).by_frame["F1"].stops
    span = (view.at(np.array(1.0)) - view.at(np.array(-1.0)))[0] / np.log(2)
    for row, part in ((-0.95, 1.0), (-0.35, taken_for(1.0)), (0.9, 1 / (1 + 2 * 1.15))):
        assert stops.at(row, -1)[0] - stops.at(row, 1)[0] == pytest.approx(part * span, rel=0.1)


@pytest.mark.parametrize(("lies", "left", "right"), [
    (Orientation.TOP_LEFT, (0.0, -1.0), (0.0, 1.0)), (Orientation.BOTTOM_RIGHT, (0.0, 1.0), (0.0, -1.0)),
    (Orientation.RIGHT_TOP, (1.0, 0.0), (-1.0, 0.0)), (Orientation.LEFT_BOTTOM, (-1.0, 0.0), (1.0, 0.0)),
])  # fmt: skip
def test_light_changes_from_side_to_side_of_the_upright_picture(lies, left, right) -> None:
    """Exif 2.32, tag 274: 6 (RIGHT_TOP): the sensor's first row is the upright picture's right side."""
    context = context_of(light_of([scene(["F1"], chroma_gradient=SLANTED, lies=(lies,))]))
    stops = solve(context, WhiteBalanceParams(method="gray_world")).by_frame["F1"].stops
    assert stops.at(*left)[0] - stops.at(*right)[0] == pytest.approx(taken_for(1.0) * 0.4 / 1.3 / np.log(2), rel=0.01)
