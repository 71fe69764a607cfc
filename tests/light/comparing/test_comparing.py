"""Scenes compared with each other: tones of published surfaces, and comparisons of which some are wrong."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.fixtures.light import colour_matrix, response, tables

from pipeline.imaging.colour import LUMINANCE, REC709_FROM_XYZ, XYZ_FROM_REC709
from pipeline.light.comparing.pairs import PAIRS, Pair, agreed_chroma, agreed_tones, of_one_place
from pipeline.light.comparing.tones import (
    CELL,
    CHROMA_LOW,
    SIZE,
    AsShown,
    Brighter,
    as_shown,
    brighter,
    tone_histogram,
    tone_spectrum,
)
from pipeline.light.palette import ChromaSamples
from tests.light.test_palette import DAYLIGHT, HEIGHT, WIDTH, hall, measured, samples_of


def found(one: ChromaSamples, other: ChromaSamples, step: tuple[float, float]) -> Brighter:
    return brighter(tone_spectrum(tone_histogram(one)), tone_spectrum(tone_histogram(other)), np.array(step))


@pytest.mark.parametrize("stops", [0.5, -0.8, 0.0])
def test_brighter_finds_stops(stops: float) -> None:
    """The shared surfaces in `stops` more light of another colour, seen with another share of floor."""
    colours = measured("FL2")
    one = samples_of(hall(1, colours, floor=0.55) * 0.3 * 2**stops * np.exp([0.2, 0, -0.15]))
    other = samples_of(hall(2, colours) * 0.3)
    assert found(one, other, (0.2, -0.15)).stops == pytest.approx(stops, abs=0.08)


def test_a_surface_of_the_same_colour_that_one_scene_lacks_says_nothing() -> None:
    """A grey card over a third of one frame, before a wall that is as neutral and two stops brighter: common practice
    is to photograph a card so. What the mean of all neutral pixels says would be off by most of a stop."""
    wall = np.full((HEIGHT, WIDTH, 3), 0.4) * np.random.default_rng(1).uniform(0.9, 1, (HEIGHT, WIDTH, 1))
    card = wall.copy()
    card[20:70, 30:120] *= 0.25
    without = found(samples_of(card), samples_of(wall), (0.0, 0.0))
    assert without.stops == pytest.approx(0.0, abs=0.03)


def test_brighter_of_scenes_that_share_nothing_is_nothing() -> None:
    grey = samples_of(np.full((HEIGHT, WIDTH, 3), 0.2))
    red = samples_of(np.full((HEIGHT, WIDTH, 3), 0.2) * [1, 0.2, 0.2])
    assert found(grey, red, (0.0, 0.0)).match < 0.01
    nothing = np.zeros(SIZE, np.uint8)
    assert brighter(tone_spectrum(nothing), tone_spectrum(tone_histogram(grey)), np.zeros(2)) == Brighter(0.0, 0.0)


@pytest.mark.parametrize("name", ["orange yellow", "light skin", "foliage", "white 9.5 (.05 D)"])
def test_luminance_of_a_colour_against_its_green(name: str) -> None:
    """The cell of a published surface under a published lamp, balanced on white: its luminance by the matrix itself."""
    surface, white = (response(np.array(tables()["reflectances"][n]), "HP3") for n in (name, "white 9.5 (.05 D)"))
    day = 1 / response(np.ones(31), "D65")
    day /= day[1]
    matrix = np.array([[1.6, -0.5, -0.1], [-0.2, 1.5, -0.3], [0.0, -0.6, 1.6]])
    gains = white[1] / white
    true = np.log2(LUMINANCE @ matrix @ (surface * gains) / surface[1])
    chroma = np.log(surface * day / surface[1])[[0, 2]]
    at = tuple(np.floor((chroma - CHROMA_LOW) / CELL).astype(int))
    assert as_shown(gains / day, matrix).stops[at] == pytest.approx(true, abs=0.12)


def test_offsets_move_each_colour_by_its_own_stops() -> None:
    grey = tone_histogram(samples_of(np.full((HEIGHT, WIDTH, 3), 0.2)))
    shown = AsShown(np.full(SIZE[:2], 0.7), np.ones(SIZE[:2]))
    moved = brighter(tone_spectrum(grey, shown), tone_spectrum(grey), np.zeros(2))
    assert moved.stops == pytest.approx(0.7, abs=0.01) and moved.match == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize(("one", "other"), [("HP3", "LED-B5"), ("H38HT-100", "LED-B3"), ("FL4", "FL2")])
def test_what_is_neutral_says_most_of_a_level(one: str, other: str) -> None:
    """Two ends of a hall under published lamps, each balanced on its white, so that neutral surfaces are as bright in
    both. The floor, two thirds of the frame, is not, since lamps show its colour otherwise."""
    matrix = np.linalg.inv(colour_matrix() / (colour_matrix() @ XYZ_FROM_REC709.sum(axis=1))[:, None])
    matrix = REC709_FROM_XYZ @ matrix
    scenes, floors = [], []
    for lamp in (one, other):
        colours, white = measured(lamp), response(np.ones(31), lamp)
        gains = white[1] / white / DAYLIGHT
        floors.append(np.log2(LUMINANCE @ matrix @ (colours[1] * gains * DAYLIGHT)))
        scenes.append((tone_histogram(samples_of(hall(1, colours, floor=0.65) * 0.3)), as_shown(gains, matrix), gains))
    step = np.log(scenes[1][2] / scenes[0][2])[[0, 2]]
    level = brighter(*(tone_spectrum(h, s) for h, s, _ in scenes), step).stops
    assert abs(level) < 0.5 * abs(floors[0] - floors[1])  # all colours alike: 0.83 to 1.08 of it


def ring(count: int, rng: np.random.Generator) -> tuple[list[Pair], np.ndarray]:
    """Each scene against the one before and the four before that, and the true places (N, 2)."""
    places = rng.normal(0, 0.3, (count, 2))
    pairs = [
        Pair(i, j, places[i] - places[j] + rng.normal(0, 0.002, 2), 1.0)
        for i in range(1, count)
        for j in range(max(0, i - 5), i)
    ]
    return pairs, places


def test_one_bad_comparison_among_many_is_outvoted() -> None:
    """The comparison of the first two scenes, on which all the others once stood, is off by 0.4: by the cycles through
    the other scenes everyone is within a hundredth of the truth."""
    pairs, places = ring(12, np.random.default_rng(3))
    bad = [Pair(1, 0, pairs[0].step + np.array([0.4, -0.3]), 1.0), *pairs[1:]]
    got = agreed_chroma(bad, np.array([0]), places[:1])
    assert np.abs(got - places).max() < 0.01
    tones = [Brighter(float(p.step[0]), 0.95) for p in bad]
    assert agreed_tones(bad, tones, np.array([0])) == pytest.approx(places[:, 0] - places[0, 0], abs=0.01)


def test_a_poor_match_says_less() -> None:
    """Two ways to the third scene disagree: the one that matches better counts."""
    pairs = [Pair(1, 0, np.zeros(2), 1.0), Pair(2, 1, np.zeros(2), 1.0), Pair(2, 0, np.zeros(2), 1.0)]
    got = agreed_tones(pairs, [Brighter(0.0, 0.95), Brighter(0.0, 0.95), Brighter(0.3, 0.6)], np.array([0]))
    assert abs(got[2]) < 0.03


def test_groups_that_nothing_connects_stand_by_themselves() -> None:
    pairs = [Pair(1, 0, np.array([0.1, 0.0]), 1.0), Pair(3, 2, np.array([0.0, 0.2]), 1.0)]
    got = agreed_chroma(pairs, np.array([0, 2]), np.array([[0.5, 0.0], [-0.5, 0.0]]))
    assert got == pytest.approx(np.array([[0.5, 0.0], [0.6, 0.0], [-0.5, 0.0], [-0.5, 0.2]]), abs=1e-4)


def test_one_place_is_proven_by_colours_and_tones_together_and_by_way_of_others() -> None:
    same, none = PAIRS.same_surfaces, np.zeros(2)
    pairs = [Pair(1, 0, none, 1.0, same + 0.05), Pair(2, 1, none, 1.0, same - 0.04), Pair(3, 2, none, 1.0, same + 0.05)]
    found = [Brighter(0.0, same), Brighter(0.0, same + 0.05), Brighter(0.0, same - 0.06)]
    assert of_one_place(pairs, found, 5).tolist() == [0, 0, 0, 1, 2]
    assert of_one_place([], [], 2).tolist() == [0, 1]
