"""Chroma on one scale for all cameras: published lamps and sensitivities of two measured ones (fixtures/light.json)."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.fixtures.light import colour_matrix

from pipeline.imaging.colour import camera_to_working, to_lab
from pipeline.light import scenes
from pipeline.light.comparing.common_chroma import to_common
from pipeline.light.neutral import Candidate, agree_on_white, candidates
from pipeline.light.references import Reading, WhiteMap, agreeing, plausible
from pipeline.light.scene_white import votes_of
from tests.light.test_neutral import LAMPS, chroma, scene, true_white
from tests.light.test_scenes import DAY, hall, taken

LAYERED = "SD Merrill"
WHITE = np.ones(31)


def own(camera: str) -> np.ndarray:
    return camera_to_working(colour_matrix(camera))[0]


def off(camera: str, white: np.ndarray, found: np.ndarray) -> float:
    """CIELAB units by which a white is off that is balanced by another one."""
    step = white - found
    a, b = to_lab(own(camera) @ np.exp([step[0], 0.0, step[1]]))[1:]
    return float(np.hypot(a, b))


def test_the_measured_camera_is_the_scale() -> None:
    assert to_common(own("D5100")) == pytest.approx(np.eye(2), abs=0.01)


@pytest.mark.parametrize("nothing", [np.eye(3), np.full((3, 3), 1 / 3), np.zeros((3, 3)), 1000 * own(LAYERED)])
def test_what_is_no_cameras_matrix_changes_nothing(nothing: np.ndarray) -> None:
    assert to_common(nothing) == pytest.approx(np.eye(2))


def test_published_lamps_lie_nearer_to_where_the_measured_camera_sees_them() -> None:
    there = np.array([chroma(WHITE, lamp) for lamp in LAMPS])
    seen = np.array([chroma(WHITE, lamp, LAYERED) for lamp in LAMPS])
    before, now = (np.linalg.norm(of - there, axis=1) for of in (seen, seen @ to_common(own(LAYERED)).T))
    assert np.median(now) < 0.5 * np.median(before)


def one_picture(camera: str, lamp: str, shown: float, turn: float) -> tuple[float, float]:
    """How far white comes off, CIELAB, and how sure it is, by one picture under a lamp that the camera balanced right
    and whose brightest colour shows as a grey that is `shown` off, in the direction `turn` (natural log of R/G and B/G,
    linear Rec. 709)."""
    matrix, light = own(camera), chroma(WHITE, lamp, camera)
    steps = matrix[[0, 2]][:, [0, 2]] - matrix[1, [0, 2]]  # chain rule at white, whose row sums are 1
    colour = light + np.linalg.solve(steps, shown * np.array([np.cos(turn), np.sin(turn)]))
    floor = light + np.linalg.solve(steps, [0.3, -0.6])
    (vote,) = agree_on_white(floor[None], [[Candidate(colour, 1.0)]], light[None], scale=to_common(matrix))
    return off(camera, light, vote.white), vote.sure


@pytest.mark.parametrize("turn", np.arange(0, 2 * np.pi, np.pi / 4))
@pytest.mark.parametrize("shown", [0.3, 2.0])
@pytest.mark.parametrize("lamp", ["D65", "LED-B3"])
def test_the_same_picture_moves_white_as_far_whatever_camera_took_it(lamp: str, shown: float, turn: float) -> None:
    usual, layered = (one_picture(camera, lamp, shown, turn) for camera in ("D5100", LAYERED))
    assert layered[1] == pytest.approx(usual[1], abs=0.05)
    assert layered[0] == pytest.approx(usual[0], rel=0.3, abs=1.0)


@pytest.mark.parametrize("lamp", ["FL2", "FL4", "FL11", "HP3", "LED-B3", "LED-B5"])
def test_white_kit_is_chosen_in_a_layered_camera_too(lamp: str) -> None:
    """3 % of the picture, six CIELAB units, since noise of 2 % counts for four in such a camera."""
    found = candidates(scene(lamp, 0.3, 0.03, camera=LAYERED), to_common(own(LAYERED)))
    assert off(LAYERED, true_white(lamp, LAYERED), found[0].chroma) < 6.0


def lit(camera: str, step: np.ndarray) -> SimpleNamespace:
    """The light of two scenes of one camera that lie so far apart, each with something that may be white."""
    both = [
        SimpleNamespace(
            names=(f"F{i}",), whites=(Candidate(2 * step + i * step, 1.0),), chroma_histogram=np.full((2, 2), i + 1.0),
            level=np.zeros(3), to_working=own(camera),
        )
        for i in (0, 1)
    ]  # fmt: skip
    return SimpleNamespace(
        scenes=both, place=np.zeros(2), group=np.zeros(2), chromaticities=np.array([0 * step, step])
    )  # fmt: skip


def tubes(camera: str) -> np.ndarray:
    """From the white of warm to that of cool tubes, FL4 and FL2 (CIE 15)."""
    return chroma(WHITE, "FL4", camera) - chroma(WHITE, "FL2", camera)


def test_two_lamps_are_two_zones_in_every_camera() -> None:
    for camera in ("D5100", LAYERED):
        assert list(scenes.zones(lit(camera, 0.5 * tubes(camera)))) == [0, 1]  # type: ignore[arg-type]
        assert list(scenes.zones(lit(camera, 0.05 * tubes(camera)))) == [0, 0]  # type: ignore[arg-type]


def test_white_of_a_scene_is_judged_on_the_scale_of_its_camera() -> None:
    """A far lamp and a camera that was left on daylight: as unsure in both."""
    sure = []
    for camera in ("D5100", LAYERED):
        measured = {f"F{i}": SimpleNamespace(daylight=np.array([2.0, 1.0, 1.5]), as_shot=np.array([2.0, 1.0, 1.5]))
                    for i in (0, 1)}  # fmt: skip
        votes = votes_of(lit(camera, 0.3 * chroma(WHITE, "FL4", camera)), measured)  # type: ignore[arg-type]
        sure.append(votes[0].sure)
    assert sure[1] == pytest.approx(sure[0], abs=0.05)


def test_only_frames_exposed_for_a_hall_have_a_camera_that_was_left_on_daylight() -> None:
    """The balance of both is daylight's, and both show a far lamp."""
    day = np.array([2.0, 1.0, 1.5])
    measured = {f"F{i}": SimpleNamespace(daylight=day, as_shot=day) for i in (0, 1)}
    light = lit("D5100", 0.3 * chroma(WHITE, "FL4"))
    inside, outside = (votes_of(light, measured, halls=of)[0].sure for of in (("F0", "F1"), ()))  # type: ignore[arg-type]
    assert inside > outside + 0.1


def test_what_may_be_white_is_looked_for_on_the_scale_of_its_camera(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[np.ndarray] = []
    monkeypatch.setattr(scenes, "candidates", lambda _, scale: asked.append(scale) or [])
    frame, image = taken(hall("FL2"), "F1")
    scenes.look([frame], [replace(image, to_working=own(LAYERED))], DAY)
    assert asked[0] == pytest.approx(to_common(own(LAYERED)))


def card(frame: str, light: np.ndarray, white: np.ndarray) -> Reading:
    return Reading(frame, light, white, None, scale=to_common(own(LAYERED)))


def test_references_are_compared_on_the_scale_of_their_camera() -> None:
    """Ten units of CIELAB are far, whatever the chroma: a card that contradicts two, and a box on the floor."""
    none, far = np.zeros(2), np.array([0.04, 0.0])
    assert off(LAYERED, far, none) > 8
    three = [card("F1", none, none), card("F2", none, none), card("F3", none, far)]
    assert agreeing(three, np.zeros((3, 2)), notices := []) == three[:2] and "F3" in notices[0]
    assert len(WhiteMap.of([card("F1", none, none), card("F2", far, far)]).names) == 2
    elsewhere = np.array([0.05, 0.0])  # another light, where nothing is contradicted
    assert len(agreeing([card("F1", none, none), card("F2", elsewhere, elsewhere + far)], np.zeros((2, 2)), [])) == 2
    floor = np.array([0.144, -0.167])  # wood under tubes
    assert off(LAYERED, floor, none) > 30
    assert plausible([card("F1", none, floor)], none[None], np.array([0.9]), np.array([1.0]), []) == []


@pytest.mark.parametrize("left", [True, False])
def test_a_pair_of_references_is_held_against_the_pictures_on_that_scale(left: bool) -> None:
    none, far = np.zeros(2), np.array([0.04, 0.0])
    pair = [card("F1", none, none), card("F2", none, far)]
    guess = np.array([none, none] if left else [far, far])
    assert [one.frame for one in agreeing(pair, guess, [])] == ["F1" if left else "F2"]
