"""Strong warm casts of finished pictures: which are taken for one, and how much of it is taken off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pillow

from pipeline.light.cast import CAST, in_hall, light_value, outdoors, warm_cast, without_cast
from pipeline.light.neutral import Candidate, Vote
from pipeline.light.palette import ChromaSamples, histogram
from pipeline.light.scenes import Scene
from pipeline.types import CameraFacts
from tests.real_white import balanced, camera_balance, greys_off, outlines, read

WARM = np.array([0.42, -0.5])
ALONG = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)  # from daylight to warm white
WHITES = (Candidate(WARM, 1.0),)


def area(colours: list[tuple[float, float]], pixels: list[int]) -> np.ndarray:
    chroma = np.repeat(colours, pixels, axis=0)
    ones = np.ones(len(chroma))
    return histogram(ChromaSamples(chroma, ones, 0 * ones, 0 * ones, ones, ones))


ORANGE = area([(0.42, -0.5), (0.9, -0.9), (0.3, 0.1)], [600, 300, 80])


def test_a_cast_is_strong_along_the_lamps_and_leaves_nothing_grey() -> None:
    assert warm_cast(WHITES, ORANGE) == pytest.approx(WARM)
    two = (*WHITES, Candidate(np.array([0.3, -0.6]), 0.5))  # white cloth, and paper with a blue brightener
    assert warm_cast(two, ORANGE) == pytest.approx([0.38, -1.6 / 3])
    assert warm_cast((), ORANGE) is None
    assert warm_cast((Candidate(0.6 * WARM, 1.0),), ORANGE) is None  # warm, and no more than that
    assert warm_cast((Candidate(-WARM, 1.0),), ORANGE) is None  # blue
    assert warm_cast((Candidate(np.array([0.7, 0.1]), 1.0),), ORANGE) is None  # red is no lamp
    assert warm_cast((*WHITES, Candidate(np.array([0.02, 0.0]), 0.5)), ORANGE) is None  # grey may be white as well
    assert warm_cast(WHITES, area([(0.42, -0.5), (0.9, -0.9), (0.0, 0.0)], [600, 300, 200])) is None


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
    for vote, other in zip(without_cast(votes, at, casts, [True, False, True]), got, strict=True):
        assert vote.white == pytest.approx(other.white)  # one of the two that have a cast is not most of them
    assert without_cast(votes, at, [WARM, None, None]) == votes
    sure = [replace(v, white=0.9 * WARM, sure=0.9) for v in votes]  # the pictures' answer goes further
    assert without_cast(sure, at, [WARM, WARM, WARM]) == sure


def test_light_value_of_sun_and_of_a_hall() -> None:
    """Full sun: f/16 at 1/100 s and ISO 100 (common practice); a hall: 1/1000 s, f/2.8, ISO 6400."""
    sun, hall = (CameraFacts(iso=i, exposure_time=t, f_number=n) for n, t, i in ((16, 0.01, 100), (2.8, 0.001, 6400)))
    assert light_value(sun) == pytest.approx(14.6, abs=0.1) and light_value(hall) == pytest.approx(6.9, abs=0.1)
    assert outdoors(sun) and not outdoors(hall) and not outdoors(CameraFacts(iso=100.0))
    candle = CameraFacts(iso=1600.0, exposure_time=1 / 30, f_number=1.8)  # light value 2.6
    assert in_hall(hall) and not any(in_hall(of) for of in (sun, candle, CameraFacts(iso=100.0)))


def test_a_real_picture_under_tungsten_comes_nearer_to_its_chart(shared: Callable[[str], Path]) -> None:
    """Alone no picture outvotes its camera, but this one is orange and was exposed for a lit room: most of it goes."""
    name = "chart-jpeg/Pentax_ist_DL__IMGP6672.JPG"
    picture = read(shared("data") / name)
    solution, greys = balanced([picture])[picture.frame.name], outlines(name)
    assert greys_off(picture, solution, greys) < greys_off(picture, camera_balance(picture), greys) - 8.5
    assert "warm cast" in solution.words


@pytest.mark.parametrize(("name", "cast"), [("186", True), ("154", False), ("228", False), ("113", False)])
def test_candles_are_a_cast_and_sunset_faces_and_red_things_are_not(
    name: str, cast: bool, shared: Callable[[str], Path], tmp_path: Path
) -> None:
    """Photographs of ../shared/data/photos, judged by eye."""
    Pillow.open(shared("data/photos") / f"{name}.webp").convert("RGB").save(tmp_path / "a.png")
    scene: Scene = read(tmp_path / "a.png").scene
    assert (warm_cast(scene.whites, scene.chroma_histogram) is not None) is cast
