"""Strong warm casts of finished pictures: which are taken for one, and how much of it is taken off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pillow

from pipeline.light.cast import (
    CAST,
    in_hall,
    light_value,
    natural_colours,
    outdoors,
    unexposed,
    warm_cast,
    without_cast,
)
from pipeline.light.neutral import Candidate, Vote
from pipeline.light.palette import ChromaSamples, histogram, main_chroma
from pipeline.light.scenes import Scene
from pipeline.types import CameraFacts
from tests.casts import lamp_white
from tests.real_white import balanced, camera_balance, greys_off, outlines, read

WARM = np.array([0.42, -0.5])
ALONG = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)  # from daylight to warm white
WHITES = (Candidate(WARM, 1.0),)


def area(colours: list[tuple[float, float]], pixels: list[int]) -> np.ndarray:
    chroma = np.repeat(colours, pixels, axis=0)
    ones = np.ones(len(chroma))
    return histogram(ChromaSamples(chroma, ones, 0 * ones, 0 * ones, ones, ones))


# A room under filament lamps: white and grey things, wood, skin, a red and a green one, darker the further from white.
COLOURS = [(0.0, 0.0), (0.02, 0.03), (0.35, -0.55), (0.45, -0.4), (1.1, -0.2), (-0.35, -0.3)]
PIXELS = [300, 300, 200, 100, 40, 60]


def room(white: np.ndarray) -> np.ndarray:
    return area([tuple(np.array(c) + white) for c in COLOURS], PIXELS)


@pytest.mark.parametrize("name", ["A", "LED-B1", "FL12"])
def test_a_room_under_a_published_lamp_has_its_cast(name: str) -> None:
    """White of CIE A, LED-B1 and FL12 (CIE 15:2018) in linear Rec. 709, of which a camera left two thirds."""
    white = lamp_white(name) * 2 / 3
    assert warm_cast([Candidate(white, 1.0)], room(white)) == pytest.approx(white)
    found = warm_cast([Candidate(np.zeros(2), 1.0)], room(white))  # nothing white is seen where it should be
    assert found is not None and np.hypot(*(found - white)) < 0.25


def test_a_likely_cast_needs_that_nothing_white_is_seen() -> None:
    """A room in which a camera left a little of a filament lamp: with warm whites a cast, beside a white one none."""
    white = lamp_white("A") / 4.5
    assert warm_cast([Candidate(white, 1.0)], room(white)) == pytest.approx(white)
    assert warm_cast([Candidate(np.zeros(2), 1.0), Candidate(white, 1.0)], room(white)) is None


def test_where_the_exposure_is_not_known_a_cast_must_be_surer() -> None:
    """Files without one are of all kinds: a marigold that fills the frame, whose data were lost, was made white."""
    little, strong = (lamp_white("A") * part for part in (1 / 4.5, 2 / 3))
    assert warm_cast([Candidate(little, 1.0)], room(little), supported=False) is None
    assert warm_cast([Candidate(strong, 1.0)], room(strong), supported=False) == pytest.approx(strong)


def test_white_is_the_mean_of_what_may_be_white_near_the_cast() -> None:
    white = lamp_white("A") * 0.5
    two = (Candidate(white + 0.1, 1.0), Candidate(white - 0.2, 0.5), Candidate(np.zeros(2), 9.0))
    assert warm_cast(two, room(white)) == pytest.approx(white)


@pytest.mark.parametrize("white", [(0.0, 0.0), (0.08, -0.1), (-0.3, 0.3), (-0.4, -0.3)])
def test_what_is_neutral_or_little_off_or_not_warm_has_none(white: tuple[float, float]) -> None:
    """As balanced, a little warm, under a blue sky, under clear mercury."""
    assert warm_cast([Candidate(np.array(white), 1.0)], room(np.array(white))) is None


def test_red_things_and_a_wood_floor_are_no_cast_beside_something_white() -> None:
    for far in ((1.1, -0.2), (0.35, -0.55)):
        half = area([(0.0, 0.0), (0.02, 0.03), far], [250, 250, 500])
        assert warm_cast([Candidate(np.zeros(2), 1.0)], half) is None
    assert warm_cast((), room(WARM)) is None
    assert warm_cast(WHITES, np.zeros((80, 112))) is None


def test_natural_colours_are_shares_and_greyest_of_all() -> None:
    table = natural_colours()
    assert table.shape == (80, 112) and np.exp(table).sum() == pytest.approx(1, abs=0.02)
    assert np.hypot(*main_chroma(table.astype(np.float32))) < 0.08


def test_pictures_of_one_place_lose_the_same_part() -> None:
    """One of three that shows no white by itself is treated as the others; a minority changes nothing."""
    at = np.array([[0.1, 0.0], [0.12, 0.0], [0.1, 0.02]])
    votes = [Vote(np.zeros(2), 0.1)] * 3
    casts = [WARM, WARM + at[1] - at[0], None]
    got = without_cast(votes, at, casts)
    lit = without_cast(votes, at, casts, [True, True, False])  # exposed as halls are: nearly all of it
    for whites, taken in ((got, CAST.taken), (lit, CAST.taken_in_halls)):
        assert all(v.cast for v in whites)
        for vote, place in zip(whites, at, strict=True):
            left = WARM + place - at[0] - vote.white
            assert left == pytest.approx((1 - taken) * (WARM + place - at[0]) @ ALONG * ALONG)
    strong = without_cast(votes, at, [4 * WARM] * 3)  # 2.6 in log chroma: no more is left than by candles
    assert [(4 * WARM - v.white) @ ALONG for v in strong] == pytest.approx([CAST.left] * 3, abs=0.03)
    for vote, other in zip(without_cast(votes, at, casts, [True, False, True]), got, strict=True):
        assert vote.white == pytest.approx(other.white)  # one of the two that have a cast is not most of them
    assert without_cast(votes, at, [WARM, None, None]) == votes
    sure = [replace(v, white=0.9 * WARM, sure=0.9) for v in votes]  # the pictures' answer goes further
    assert without_cast(sure, at, [WARM, WARM, WARM]) == sure


def test_nothing_that_may_be_white_is_made_much_bluer_than_white() -> None:
    """A low sun behind a meadow, a cup whose rim is nearly burnt, a white wall in other light: the brightest is hardly
    warm, and turned blue or pink with the cast of the rest (real pictures, by eye). The way to white stays the same."""
    votes, at = [Vote(np.zeros(2), 0.1)] * 2, np.array([[0.2, -0.2], [0.3, -0.3]])
    casts = [2 * WARM, 2 * WARM + at[1] - at[0]]
    whole = without_cast(votes, at, casts, [True, True])
    warm = [Candidate(2 * WARM, 3.0), Candidate(0.1 * WARM, 1.0)]
    for some in ([], [warm, [replace(w, chroma=w.chroma + at[1] - at[0]) for w in warm]]):
        for vote, other in zip(without_cast(votes, at, casts, [True, True], some), whole, strict=True):
            assert vote.white == pytest.approx(other.white)
    hardly = [Candidate(0.1 * WARM, 3.0), Candidate(2 * WARM, 1.0)]
    limited = without_cast(votes[:1], at[:1], casts[:1], [True], [hardly])[0].white
    assert limited @ ALONG == pytest.approx(0.1 * WARM @ ALONG + CAST.bluer)
    assert limited / np.hypot(*limited) == pytest.approx(whole[0].white / np.hypot(*whole[0].white))
    cold = [Candidate(-0.5 * WARM, 1.0)]
    assert without_cast(votes[:1], at[:1], casts[:1], [True], [cold]) == votes[:1]


def test_light_value_of_sun_and_of_a_hall() -> None:
    """Full sun: f/16 at 1/100 s and ISO 100 (common practice); a hall: 1/1000 s, f/2.8, ISO 6400."""
    sun, hall = (CameraFacts(iso=i, exposure_time=t, f_number=n) for n, t, i in ((16, 0.01, 100), (2.8, 0.001, 6400)))
    assert light_value(sun) == pytest.approx(14.6, abs=0.1) and light_value(hall) == pytest.approx(6.9, abs=0.1)
    assert outdoors(sun) and not outdoors(hall) and not outdoors(CameraFacts(iso=100.0))
    assert not unexposed(hall) and unexposed(CameraFacts(iso=100.0, f_number=2.8))
    candle = CameraFacts(iso=1600.0, exposure_time=1 / 30, f_number=1.8)  # light value 2.6
    assert in_hall(hall) and not any(in_hall(of) for of in (sun, candle, CameraFacts(iso=100.0)))


def test_a_real_picture_under_tungsten_comes_nearer_to_its_chart(shared: Callable[[str], Path]) -> None:
    """Alone no picture outvotes its camera, but this one is orange and was exposed for a lit room: most of it goes."""
    name = "chart-jpeg/Pentax_ist_DL__IMGP6672.JPG"
    picture = read(shared("data") / name)
    solution, greys = balanced([picture])[picture.frame.name], outlines(name)
    assert greys_off(picture, solution, greys) < greys_off(picture, camera_balance(picture), greys) - 8.5
    assert "warm cast" in solution.words


@pytest.mark.parametrize(("name", "cast"), [("186", True), ("154", False), ("198", False), ("113", False)])
def test_candles_are_a_cast_and_a_red_mountain_faces_and_red_things_are_not(
    name: str, cast: bool, shared: Callable[[str], Path], tmp_path: Path
) -> None:
    """Photographs of ../shared/data/photos, judged by eye. (Of a sunset only its exposure tells.)"""
    Pillow.open(shared("data/photos") / f"{name}.webp").convert("RGB").save(tmp_path / "a.png")
    scene: Scene = read(tmp_path / "a.png").scene
    assert (warm_cast(scene.whites, scene.chroma_histogram) is not None) is cast
