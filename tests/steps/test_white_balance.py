"""white_balance's solve: on scenes made by hand, whose light is known, and on a small generated hall."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from pipeline.fixtures.demo import write_demo
from pipeline.fixtures.hall import BurstPlan, Hall
from pipeline.fixtures.light import Lamp

from pipeline.engine.measure import Measurements
from pipeline.engine.run import Shoot, measure_shoot, read_shoot
from pipeline.engine.solve import shoot_light
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light import scene_white
from pipeline.light.cast import CAST
from pipeline.light.comparing.tones import SIZE
from pipeline.light.gain_map import GainMap
from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.light.neutral import Candidate, Vote
from pipeline.light.references import MeasuredReferences
from pipeline.light.rendering.mercury import UnderMercury, greenness, rendering_matrix
from pipeline.light.scene_white import WhiteSource
from pipeline.light.scenes import Scene, ShootLight
from pipeline.shoot.facts import Facts, FrameFacts, Reference
from pipeline.steps import white_balance
from pipeline.steps.base import ApplyContext, SolveContext
from pipeline.steps.white_balance import WhiteBalanceMeasurement, WhiteBalanceParams, WhiteBalanceSolution, solve
from pipeline.store.store import Store
from pipeline.types import Burst, Domain, Exif, Frame, Image, Noise
from tests.casts import lamp_white
from tests.light.test_cast import room

DAY = np.array([1.9, 1.0, 1.5])
WHITE = Candidate(np.array([0.3, -0.2]), 1.0)


def scene(names: Sequence[str], whites: tuple[Candidate, ...] = (WHITE,), **more: object) -> Scene:
    chroma_histogram = np.zeros((80, 112), np.float16)
    chroma_histogram[40, 70] = 1.0
    given = {
        "flicker": tuple(GainMap.constant(np.zeros(3)) for _ in names), "steady": (1.0,) * len(names),
        "pan": (0.0,) * len(names), "zoom": (1.0,) * len(names),
        "chroma_gradient": ChromaGradient.none(), "level": np.full(3, -3.0),
        "to_working": np.eye(3), "lies": (Orientation.TOP_LEFT,) * len(names),
    }  # fmt: skip
    return Scene(
        tuple(names),
        chroma_histogram=chroma_histogram,
        tone_histogram=np.zeros(SIZE, np.uint8),
        whites=whites,
        **(given | more),
    )  # type: ignore[arg-type]


def light_of(scenes: Sequence[Scene], chromaticities: Sequence[tuple[float, float]] | None = None) -> ShootLight:
    count = len(scenes)
    of = {n: i for i, s in enumerate(scenes) for n in s.names}
    places = np.array(chromaticities) if chromaticities is not None else np.zeros((count, 2))
    none = np.zeros(count, dtype=int)
    return ShootLight(tuple(scenes), places, np.zeros(count), none, np.ones(count), none, of)


NO_REFERENCES = MeasuredReferences(np.zeros((0, 3)), np.zeros((0, 2)), np.zeros((0, 3, 3)), ())


def context_of(
    light: ShootLight, facts: Facts | None = None, **measured: dict
) -> SolveContext[WhiteBalanceMeasurement]:
    names = [n for s in light.scenes for n in s.names]
    frames = [Frame(n, Path(n), n, "raw", Exif(make="Evencourt", model="One")) for n in names]
    plain = WhiteBalanceMeasurement(np.array([2.0, 1.0, 1.4]), DAY, NO_REFERENCES)
    found = {n: replace(plain, **measured.get(n, {})) for n in names}
    return SolveContext(
        frames, [Burst(s.names) for s in light.scenes], facts or Facts(), found, lambda: light, dict, dict, {}
    )


def reference_of(white: np.ndarray, column: float = 0.0, reason: str = "", row: float = 0.0) -> dict:
    """As measure_references keeps one reference: the raw colour of white."""
    places, matrices = np.array([[row, column]]), np.full((1, 3, 3), np.nan)
    return {"references": MeasuredReferences(white[None], places, matrices, (reason,))}


def test_as_shot_and_fixed() -> None:
    context = context_of(light_of([scene(["F1", "F2"])]), F2={"as_shot": np.array([4.0, 2.0, 3.0])})
    found = solve(context, WhiteBalanceParams(method="camera"))
    assert found.by_frame["F1"].gains.tolist() == [2.0, 1.0, 1.4]
    assert found.by_frame["F2"].gains.tolist() == [2.0, 1.0, 1.5]
    found = solve(context, WhiteBalanceParams(method="fixed", multipliers=(3.0, 1.5, 3.0)))
    assert found.by_frame["F1"].gains.tolist() == [2.0, 1.0, 2.0]


def test_file_without_balance_falls_back_and_says_so() -> None:
    light = light_of([scene(["F1"]), scene(["F2"], whites=())], [(0, 0), (0, 0)])
    context = context_of(replace(light, group=np.array([0, 1]), place=np.array([0, 1])), F1={"as_shot": None})
    found = solve(context, WhiteBalanceParams(method="camera")).by_frame
    assert found["F1"].gains == pytest.approx([1.9 * np.exp(-0.3), 1, 1.5 * np.exp(0.2)], rel=0.02)
    assert found["F1"].source is WhiteSource.GRAY_WORLD and "no camera balance" in found["F1"].words
    assert found["F2"].source is WhiteSource.CAMERA


def test_gray_world_makes_the_white_of_the_hall_neutral() -> None:
    """By definition: gains undo daylight's multipliers and the chroma of white, ln R/G and ln B/G. A dozen scenes
    agree, so that the camera's balance has next to no say."""
    dozen = [replace(scene([f"F{n}"]), level=np.full(3, -n)) for n in range(12)]  # no copies of one picture
    found = solve(context_of(light_of(dozen)), WhiteBalanceParams(method="gray_world"))
    white = np.exp([0.3, 0, -0.2]) / DAY
    assert np.ptp(np.log(white * found.by_frame["F1"].gains)) == pytest.approx(0, abs=0.03)
    assert not found.notices_by_frame
    assert any("judged from the colours" in n and "grey card" in n for n in found.notices)


def test_unsure_and_nothing_are_named() -> None:
    violet = (Candidate(np.array([0.2, -1.0]), 1.0),)
    found = solve(context_of(light_of([scene(["F1"], violet)])), WhiteBalanceParams(method="gray_world"))
    assert any("least sure about F1" in n for n in found.notices) and list(found.notices_by_frame) == ["F1"]
    dark = context_of(light_of([scene(["F1", "F2"], ())]))
    as_shot = solve(dark, WhiteBalanceParams(method="gray_world"))
    assert as_shot.by_frame["F1"].gains == pytest.approx([2.0, 1.0, 1.4])
    assert as_shot.by_frame["F1"].source is WhiteSource.CAMERA
    none = {n: replace(m, as_shot=None) for n, m in dark.measured.items()}
    found = solve(replace(dark, measured=none), WhiteBalanceParams(method="gray_world"))
    assert found.by_frame["F1"].gains == pytest.approx(DAY)
    assert any("F1 and 1 more" in n and "daylight" in n for n in found.notices)


def test_a_strong_cast_of_a_finished_picture_is_taken_off_in_part_and_said_but_not_out_of_doors() -> None:
    white = np.array([0.42, -0.49])
    orange = replace(scene(["F1"], (Candidate(white, 1.0),)), chroma_histogram=room(white))
    context = context_of(light_of([orange]), F1={"as_shot": np.ones(3), "daylight": np.ones(3)})
    found = solve(context, WhiteBalanceParams(method="gray_world"))
    assert found.by_frame["F1"].gains == pytest.approx(np.exp(CAST.taken * np.array([-0.42, 0, 0.49])), rel=1e-3)
    assert "part of its cast was taken off" in found.notices_by_frame["F1"]
    (frame,) = context.frames
    lamps = Exif(make="Evencourt", model="One", f_number=2.8, exposure_time=1 / 1000, iso=6400.0)
    lit = solve(replace(context, frames=[replace(frame, exif=lamps)]), WhiteBalanceParams(method="gray_world"))
    most = np.exp(CAST.taken_in_halls * np.array([-0.42, 0, 0.49]))
    assert lit.by_frame["F1"].gains == pytest.approx(most, rel=1e-3)
    sun = Exif(make="Evencourt", model="One", f_number=11.0, exposure_time=1 / 125, iso=100.0)
    outdoors = solve(replace(context, frames=[replace(frame, exif=sun)]), WhiteBalanceParams(method="gray_world"))
    assert np.abs(np.log(outdoors.by_frame["F1"].gains)).max() < 0.1
    assert "stays near the camera's own balance" in outdoors.notices_by_frame["F1"]
    little = lamp_white("A") / 4.5  # likely in a hall, and not sure enough where the exposure is not known
    warm = replace(scene(["F1"], (Candidate(little, 1.0),)), chroma_histogram=room(little))
    context = context_of(light_of([warm]), F1={"as_shot": np.ones(3), "daylight": np.ones(3)})
    for exif, cast in ((lamps, True), (frame.exif, False)):
        some = solve(replace(context, frames=[replace(frame, exif=exif)]), WhiteBalanceParams(method="gray_world"))
        assert ("part of its cast" in some.notices_by_frame.get("F1", "")) is cast
    plain = {"as_shot": np.ones(3), "daylight": np.ones(3)}
    other = replace(warm, names=("F2",), level=warm.level - 1)
    two = context_of(light_of([warm, other]), F1=plain, F2=plain)  # two rallies of one hall
    agreed = np.log(solve(two, WhiteBalanceParams(method="gray_world")).by_frame["F2"].gains)
    assert agreed[2] - agreed[0] > CAST.taken * (little[0] - little[1])  # as much as of a cast at least goes


def test_a_cast_that_was_taken_off_is_named_however_sure_its_white_is() -> None:
    white = np.array([0.42, -0.49])
    orange = replace(scene(["F1"], (Candidate(white, 1.0),)), chroma_histogram=room(white))
    context = context_of(light_of([orange]), F1={"as_shot": np.ones(3), "daylight": np.ones(3)})
    sure = [Vote(np.zeros(2), 0.95, cast=True)]
    with patch("pipeline.light.scene_white.votes_of", lambda *_: sure):
        found = solve(context, WhiteBalanceParams(method="gray_world"))
    assert "part of its cast was taken off" in found.notices_by_frame["F1"]


def test_darks_that_the_camera_cut_off_come_out_grey() -> None:
    dark = np.tile(np.array([0.02, 0.002, 0.0], np.float32), (4, 6, 1))
    image = Image(dark, Domain.CAMERA, Noise(np.zeros(3), np.zeros(3)), np.ones(3), np.eye(3), cut_darks=0.02)
    solution = WhiteBalanceSolution(np.array([0.7, 1.0, 1.3]), WhiteSource.CAMERA, "camera")
    frame = Frame("F1", Path("F1"), "F1", "raw", Exif())
    found = white_balance.apply(image, WhiteBalanceParams(), ApplyContext(frame, Orientation.TOP_LEFT, solution))  # type: ignore[arg-type]
    assert np.ptp(found.pixels, axis=2).max() < 1e-6 < found.pixels.min()


def test_reference_carries_to_other_light_by_the_chromaticity() -> None:
    """Scene two differs by a step of its light (0.25, -0.15): so does its white."""
    light = light_of([scene(["F1"]), scene(["F2"])], [(0.1, 0.1), (0.35, -0.05)])
    context = context_of(
        light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=reference_of(1 / DAY * 0.4)
    )
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame
    assert found["F1"].gains == pytest.approx(DAY, rel=1e-5)
    assert found["F2"].gains == pytest.approx(DAY * np.exp([-0.25, 0, 0.15]), rel=1e-5)
    assert "F1" in found["F1"].words


def test_a_camera_without_a_model_that_has_no_reference_is_told_by_its_frames() -> None:
    light = replace(light_of([scene(["F1"]), scene(["F2", "F3"])]), group=np.array([0, 1]))
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=reference_of(0.3 / DAY))
    others = [replace(frame, exif=Exif()) for frame in context.frames[1:]]
    found = solve(replace(context, frames=[context.frames[0], *others]), WhiteBalanceParams(method="reference_patch"))
    assert any(
        "no reference frame of a camera without a model (F2 and 1 more); white is judged" in n for n in found.notices
    )


def test_flicker_of_the_reference_frame_is_taken_off() -> None:
    """The frame was caught with 0.5 stops too little red; the burst's own light is what its patch is brought to."""
    flicker = (GainMap.constant(np.array([0.5, 0, 0])), GainMap.constant(np.array([-0.5, 0, 0])))
    light = light_of([scene(["F1", "F2"], flicker=flicker)])
    white = 1 / DAY * np.array([2**-0.5, 1, 1]) * 0.3
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=reference_of(white))
    found = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame
    for name, stops in (("F1", 0.5), ("F2", -0.5)):
        total = found[name].stops.on(3, 3)[1, 1]
        assert total == pytest.approx(np.log2(DAY) + np.array([stops, 0, 0]), abs=1e-4)


def test_brightness_is_left_to_exposure() -> None:
    """The balance takes the colour of the flicker out: green, and what all channels share, stay as they are."""
    pulse = (GainMap.constant(np.array([0.5, 0.3, 0.3])), GainMap.constant(np.array([-0.5, -0.3, -0.3])))
    found = solve(context_of(light_of([scene(["F1", "F2"], flicker=pulse)])), WhiteBalanceParams(method="gray_world"))
    for name, stops in (("F1", 0.2), ("F2", -0.2)):
        gain_map = found.by_frame[name].gain_map
        assert gain_map is not None
        assert gain_map.on(2, 2)[0, 0] == pytest.approx([stops, 0, 0], abs=1e-6)


def test_a_chart_matrix_takes_the_place_of_the_cameras() -> None:
    own = np.array([[1.4, -0.3, -0.1], [-0.2, 1.5, -0.3], [0.0, -0.4, 1.4]])
    noise = Noise(np.full(3, 1e-4), np.full(3, 1e-6))
    image = Image(np.full((4, 6, 3), 0.1, np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3))
    context = ApplyContext(Frame("F1", Path("F1"), "F1", "raw"), FrameFacts(), None)
    for matrix in (None, own):
        solution = WhiteBalanceSolution(np.array([2.0, 1.0, 1.5]), WhiteSource.REFERENCE, "", matrix=matrix)
        balanced = white_balance.apply(image, WhiteBalanceParams(), replace(context, solution=solution))
        assert balanced.to_working == pytest.approx(np.eye(3) if matrix is None else own)
        assert balanced.pixels[0, 0] == pytest.approx([0.2, 0.1, 0.15], rel=1e-5)


def test_under_mercury_the_matrix_that_is_foretold_takes_the_place_of_the_cameras() -> None:
    """Whole where a card shows white; of a white that is guessed as far as it is sure; not where the camera decides. A
    green white is clear mercury's, which is twice as green as foretold."""
    matrix = np.array([[2.0, -0.8, -0.2], [-0.3, 1.4, -0.1], [0.0, -0.2, 1.2]])
    green = np.array([-0.35, -0.3])
    lit = scene(["F1"], (Candidate(green, 1.0),), mercury=UnderMercury(greenness(green) / 2, matrix))
    card = Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),))
    shown = reference_of(np.exp([green[0], 0.0, green[1]]) / DAY)
    found = solve(context_of(light_of([lit]), card, F1=shown), WhiteBalanceParams(method="reference_patch"))
    assert found.by_frame["F1"].matrix == pytest.approx(matrix, abs=1e-4)
    camera = {"as_shot": DAY * np.exp([-0.6 * green[0], 0.0, -0.6 * green[1]])}  # half way there, as cameras are
    guessed = solve(context_of(light_of([lit]), F1=camera), WhiteBalanceParams(method="gray_world")).by_frame["F1"]
    assert guessed.sure is not None and 0.55 < guessed.sure < 0.95
    white = -np.log(guessed.gains / DAY)[[0, 2]]
    whole = rendering_matrix(white, np.eye(3), lit.mercury) - np.eye(3)
    assert guessed.matrix is not None
    assert guessed.matrix - np.eye(3) == pytest.approx((2 * guessed.sure - 1) * whole, abs=2e-3)
    assert solve(context_of(light_of([lit])), WhiteBalanceParams(method="camera")).by_frame["F1"].matrix is None


def test_no_usable_reference_means_gray_world_and_a_notice() -> None:
    facts = Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)), Reference("F9", patch=Box(0, 0, 1, 1))))
    bad = reference_of(np.full(3, np.nan), reason="the patch is clipped")
    found = solve(context_of(light_of([scene(["F1"])]), facts, F1=bad), WhiteBalanceParams(method="reference_patch"))
    assert found.by_frame["F1"].source is WhiteSource.GRAY_WORLD
    text = " | ".join(found.notices)
    assert (
        "F1: the patch is clipped" in text
        and "F9" in text
        and "white is judged from the colours of the pictures" in text
    )


def test_where_no_reference_was_named_none_is_missed() -> None:
    """How sure the white is, and what would make it so, is said once."""
    found = solve(context_of(light_of([scene(["F1"])]), Facts()), WhiteBalanceParams(method="reference_patch"))
    assert [text.count("judged from the colours") for text in found.notices] == [1]
    assert not any("no usable reference" in text for text in found.notices)


def test_camera_and_scenes_without_a_reference_are_named() -> None:
    light = light_of([scene(["F1"]), scene(["F2"]), scene(["F3"])])
    light = replace(light, group=np.array([0, 1, 2]))
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=reference_of(0.3 / DAY))
    other = replace(context.frames[2], exif=Exif(make="Evencourt", model="Two"))
    found = solve(replace(context, frames=[*context.frames[:2], other]), WhiteBalanceParams(method="reference_patch"))
    text = " | ".join(found.notices)
    assert "no reference frame of Evencourt Two; white is judged" in text
    third = replace(context.frames[1], exif=Exif(make="Evencourt", model="Three"))
    several = replace(context, frames=[context.frames[0], third, other])
    told = solve(several, WhiteBalanceParams(method="reference_patch")).notices
    assert sum("no reference frame of" in one for one in told) == 1  # one line, however many cameras
    assert any("no reference frame of Evencourt Three and Evencourt Two; white is judged" in one for one in told)
    assert "F2: shares no surface" in text
    assert set(found.by_frame) == {"F1", "F2", "F3"}


@pytest.mark.parametrize(("match", "named"), [(0.63, False), (0.57, True)])
def test_from_which_match_colours_are_like_those_of_the_references(match: float, named: bool) -> None:
    """Chosen by eye: 0.6 of the best match. A frame below it is balanced by the references all the same, and named."""
    light = replace(light_of([scene(["F1"]), scene(["F2"])]), match=np.array([1.0, match]))
    context = context_of(light, Facts(references=(Reference("F1", patch=Box(0, 0, 1, 1)),)), F1=reference_of(0.3 / DAY))
    found = solve(context, WhiteBalanceParams(method="reference_patch"))
    assert list(found.notices_by_frame) == (["F2"] if named else [])
    assert found.by_frame["F2"].source is WhiteSource.REFERENCE


@pytest.mark.parametrize(("sure", "named"), [(0.52, False), (0.48, True)])
def test_a_frame_whose_white_is_likelier_wrong_than_right_is_named(
    monkeypatch: pytest.MonkeyPatch, sure: float, named: bool
) -> None:
    monkeypatch.setattr(scene_white, "votes_of", lambda *_: [Vote(np.array([0.3, -0.2]), sure)])
    context = context_of(light_of([scene(["F1", "F2"])]), F2={"as_shot": None})
    found = solve(context, WhiteBalanceParams(method="gray_world"))
    assert ["least sure about F1" in n for n in found.notices] == [named]
    assert list(found.notices_by_frame) == (["F1", "F2"] if named else [])
    if named:
        assert "not sure" in found.notices_by_frame["F1"] and "camera's own balance" in found.notices_by_frame["F1"]
        assert "camera" not in found.notices_by_frame["F2"]


def test_chart_matrices_blend_and_keep_white() -> None:
    """Rows that sum to 1 keep white white; so does every blend of them."""
    own = np.array([[1.4, -0.3, -0.1], [-0.2, 1.5, -0.3], [0.0, -0.4, 1.4]])
    light = light_of([scene(["F1"]), scene(["F2"]), scene(["F3"])], [(0, 0), (0.5, -0.4), (0.22, -0.15)])
    facts = Facts(references=tuple(Reference(n, chart="auto") for n in ("F1", "F2")))
    with_matrix = {"references": replace(reference_of(0.3 / DAY)["references"], matrices=own[None])}
    other = reference_of(0.3 / DAY * np.exp([0.5, 0, -0.4]))
    found = solve(context_of(light, facts, F1=with_matrix, F2=other), WhiteBalanceParams(method="reference_patch"))
    matrices = {n: np.array(s.matrix) for n, s in found.by_frame.items()}
    assert matrices["F1"] == pytest.approx(own, abs=0.02)
    assert matrices["F2"] == pytest.approx(np.eye(3), abs=0.02)
    for matrix in matrices.values():
        assert matrix.sum(axis=1) == pytest.approx(np.ones(3))
    assert 0.2 < matrices["F3"][0, 0] - 1 < 0.35


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shoot, dict, SolveContext]:
    folder = tmp_path_factory.mktemp("small") / "shoot"
    plans = (BurstPlan(-7.0, 1600, 1.0, 60.0, frames=3), BurstPlan(7.0, 1600, 0.8, 300.0, frames=2))
    hall = Hall(Lamp("HP3", 0.35, 0.3), Lamp("LED-B5", 0.06, 2.0), width=4.0, bursts=plans)
    write_demo(folder, hall=hall, seed=6, width=480, height=320)
    truth = json.loads((folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    shoot = read_shoot(folder)
    store = Store.open(folder.parent / "out", folder)
    measured_frames = measure_shoot(store, shoot, 1, lambda *_: None)
    light = shoot_light(store, measured_frames, shoot.bursts, shoot.facts)
    measured = Measurements(store, measured_frames, white_balance.STEP)
    return shoot, truth, SolveContext(shoot.frames, shoot.bursts, shoot.facts, measured, lambda: light, dict, dict, {})


@pytest.mark.long
@pytest.mark.parametrize(("method", "most"), [("reference_patch", 0.07), ("gray_world", 0.12)])
def test_generated_hall(small, method, most) -> None:
    """White where the card stood, from the published lamps; 0.05 is three CIELAB units on a white. The gains are those
    of the middle of the frame, where the mixture differs a little."""
    shoot, truth, context = small
    found = solve(context, WhiteBalanceParams(method=method)).by_frame
    for name, end in (("TH1_0001", "left"), ("TH1_0002", "right")):
        white = np.array(truth["neutral_at_reference"][end])
        left = np.log(white * found[name].gains)
        assert np.hypot(*(left - left[1])[[0, 2]]) < most
    assert json.dumps([s.as_json() for s in found.values()], allow_nan=False)
    assert [f.name for f in shoot.frames] == list(found)
