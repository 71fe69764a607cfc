"""A finished picture whose camera's contrast is known: gains act on light, and nothing else changes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.imaging.camera_curve import bend, straighten
from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.frame import DecodeOptions, PictureCorrection
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.references import MeasuredReferences
from pipeline.light.response.evidence import TRIED, CurveEvidence
from pipeline.light.response.references import straightened
from pipeline.shoot.facts import Facts, FrameFacts, Reference
from pipeline.steps import decode, exposure, tone, white_balance
from pipeline.steps.base import ApplyContext
from pipeline.steps.bright_pixels import bright_pixels
from pipeline.steps.decode import DecodeMeasurement, DecodeParams
from pipeline.steps.exposure import ExposureMeasurement, ExposureSolution
from pipeline.steps.exposure_limits import Shown
from pipeline.steps.tone import ToneParams
from pipeline.steps.white_balance import WhiteBalanceParams
from pipeline.types import Burst, Domain, Exif, Frame, Image, Noise
from tests.steps.test_white_balance import context_of, light_of, reference_of, scene

CURVE = 0.4
UP = Orientation.TOP_LEFT
_REST = (Domain.CAMERA, Noise(np.full(3, 1e-5), np.full(3, 1e-7)), np.ones(3), np.eye(3))
RAMP = np.linspace(0, 255, 256).round().astype(np.uint8)


@pytest.fixture
def frame(tmp_path: Path) -> Frame:
    """A picture that holds every grey code, and every code of each channel beside middle grey."""
    codes = np.full((64, 256, 3), 128, np.uint8)
    codes[:16] = RAMP[None, :, None]
    for channel in range(3):
        codes[16 * (channel + 1) : 16 * (channel + 2), :, channel] = RAMP
    path = tmp_path / "A.png"
    PIL.Image.fromarray(codes).save(path)
    return Frame("A", path, "A.png", "picture", Exif(make="Make", model="One"))


def decoded(frame: Frame, curve: float) -> Image:
    return decode.decode(frame, None, DecodeOptions(picture=PictureCorrection(None, curve))).image


def codes_of(image: Image, lift: float = 0.0) -> np.ndarray:
    params = ToneParams(white=max(1.0, 2.0**lift), knee=0.99)
    return tone.apply(image, params, ApplyContext(Frame("A", Path(), "A", "picture"), FrameFacts(), None)).pixels * 255


def test_with_no_gain_every_code_comes_out_as_it_came_in(frame: Frame) -> None:
    given = np.asarray(PIL.Image.open(frame.path)).astype(np.float64)
    image = decoded(frame, CURVE)
    assert image.curve == CURVE
    assert np.abs(codes_of(image) - given).max() < 0.05
    assert not np.allclose(image.pixels, decoded(frame, 0.0).pixels, atol=0.01)


def test_a_gain_is_one_of_the_light_that_the_camera_bent(frame: Frame) -> None:
    """The picture of half the light: by the curve's formula, not by the code."""
    gain = GainMap.constant(np.full(3, -1.0))
    darker = codes_of(apply_gain_map(decoded(frame, CURVE), gain, UP))[0, :, 0] / 255
    e = np.linspace(0, 1, 20001)
    bent = (1 - CURVE) * e + CURVE * (3 * e**2 - 2 * e**3)
    light = srgb_decode(np.interp(RAMP / 255, bent, e).astype(np.float32)) / 2
    wanted = np.interp(srgb_encode(light), e, bent)
    assert np.abs(darker - wanted).max() < 1e-3
    plain = codes_of(apply_gain_map(decoded(frame, 0.0), gain, UP))[0, :, 0] / 255
    assert np.abs(plain - wanted).max() > 0.03


def test_white_that_is_lifted_stays_white_and_neutral(frame: Frame) -> None:
    lifted = codes_of(apply_gain_map(decoded(frame, CURVE), GainMap.constant(np.array([0.4, 0.0, 0.6])), UP), 0.6)
    assert lifted[0, -1] == pytest.approx([255, 255, 255], abs=0.5)


def evidence(strength: float) -> CurveEvidence:
    return CurveEvidence(1e5 * (strength - TRIED), np.ones(3))


@pytest.mark.parametrize(("kind", "found"), [("picture", 0.3), ("raw", 0.0)])
def test_bursts_of_one_camera_share_its_curve(kind: str, found: float) -> None:
    light = light_of([replace(scene(["A0", "A1"]), curve=evidence(0.3)), scene(["A2"]), scene(["B0", "B1"])])
    of = {name: Exif(make="Make", model=name[0]) for name in ("A0", "A1", "A2", "B0", "B1")}
    frames = [Frame(n, Path(n), n, kind, exif) for n, exif in of.items()]
    context = replace(
        context_of(light), frames=frames, bursts=[Burst(("A0", "A1")), Burst(("A2",)), Burst(("B0", "B1"))],
        measured={n: DecodeMeasurement(None) for n in of},
    )  # fmt: skip
    solved = decode.solve(context, DecodeParams())
    curves = {name: one.curve for name, one in solved.by_frame.items()}
    assert curves == (dict.fromkeys(("A0", "A1", "A2"), pytest.approx(found)) if found else {})
    assert bool(solved.notices) == bool(found)


def test_pictures_of_no_camera_prove_nothing_of_each_other() -> None:
    """Saved again without their Exif they may be of several cameras."""
    light = light_of([replace(scene(["A0", "A1"]), curve=evidence(0.3)), scene(["B0", "B1"])])
    names = ("A0", "A1", "B0", "B1")
    context = replace(
        context_of(light), frames=[Frame(n, Path(n), n, "picture", Exif()) for n in names],
        bursts=[Burst(names[:2]), Burst(names[2:])], measured={n: DecodeMeasurement(None) for n in names},
    )  # fmt: skip
    assert sorted(decode.solve(context, DecodeParams()).by_frame) == ["A0", "A1"]


def test_raws_of_the_same_camera_are_left_alone() -> None:
    light = light_of([replace(scene(["A0", "A1"]), curve=evidence(0.3)), scene(["R0", "R1"])])
    exif = Exif(make="Make", model="A")
    kinds = {"A0": "picture", "A1": "picture", "R0": "raw", "R1": "raw"}
    context = replace(
        context_of(light), frames=[Frame(n, Path(n), n, kind, exif) for n, kind in kinds.items()],
        bursts=[Burst(("A0", "A1")), Burst(("R0", "R1"))], measured={n: DecodeMeasurement(None) for n in kinds},
    )  # fmt: skip
    assert sorted(decode.solve(context, DecodeParams()).by_frame) == ["A0", "A1"]


def test_the_light_is_looked_for_without_the_contrast() -> None:
    image = Image(np.full((4, 4, 3), 0.3, np.float32), *_REST)
    out = decode.on_proxy(image, PictureCorrection(None, CURVE), Frame("A", Path(), "A", "picture"))
    assert out.pixels[0, 0, 0] == pytest.approx(straighten(np.array([0.3], np.float32), CURVE)[0])
    assert out.curve == CURVE
    assert decode.on_proxy(image, PictureCorrection(None), Frame("A", Path(), "A", "picture")) is image


def test_a_limit_is_judged_in_the_curve_that_is_put_back() -> None:
    """The brightest seventh of a frame is judged, and 0.3 % of the frame may burn, so 2 % of these: coding scatters a
    flat part by 0.3 codes, so they may come to 0.6 below the 253.5 that count as burnt (2 of a normal distribution)."""
    pixels = np.full((60, 90, 3), 0.05, np.float32)
    pixels[:30] = 0.8
    image = Image(pixels, *_REST)
    measured = ExposureMeasurement(bright_pixels(image, np.ones(3), UP, True), np.ones(3))
    one = Frame("A", Path("A"), "A", "picture")
    still = GainMap.constant(np.zeros(3))

    def most(curve: float) -> float:
        solutions = {"A": PictureCorrection(None, curve)}
        context = replace(
            context_of(light_of([scene(["A"])])), measured={"A": measured}, earlier={"decode": solutions},
            displayed=lambda image, finished: [tone.displayed(image, ToneParams(white=1.0), finished)],
        )  # fmt: skip
        return Shown(context).most(one, still, 1.0)

    end = srgb_decode(np.array([252.9 / 255], np.float32))
    light, highest = straighten(np.array([0.8], np.float32), CURVE), straighten(end, CURVE)
    assert most(CURVE) == pytest.approx(float(np.log2(highest / light)[0]), abs=0.02)
    assert most(0.0) == pytest.approx(float(np.log2(end / 0.8)[0]), abs=0.02)


def test_the_shoulder_reaches_as_far_as_the_bent_picture_was_lifted() -> None:
    frames = [Frame("A", Path("A"), "A", "picture")]
    context = replace(
        context_of(light_of([scene(["A"])])), frames=frames, bursts=[Burst(("A",))],
        earlier={
            "decode": {"A": PictureCorrection(None, CURVE)},
            exposure.STEP.name: {"A": ExposureSolution.of(GainMap.constant(np.full(3, 1.0)))},
        },
    )  # fmt: skip
    found = tone.solve(context, ToneParams()).by_frame["A"].white
    assert found == pytest.approx(1 + (1 - CURVE))  # straight beyond white, at the slope that the formula has there


def test_references_are_straightened_as_they_were_bent() -> None:
    white = np.array([0.5, 0.4, 0.3])
    shown = bend(white.astype(np.float32), CURVE)
    greys = bend((0.3 * white).astype(np.float32), CURVE) / 0.3
    nothing = np.full((2, 3, 3), np.nan)
    measured = MeasuredReferences(np.stack([shown, greys]), np.zeros((2, 2)), nothing, ("", ""), (False, False))
    box = Box(0.1, 0.1, 0.2, 0.2)
    references = [Reference("A", patch=box), Reference("A", chart="auto")]
    assert straightened(measured, references, CURVE).whites == pytest.approx(np.stack([white, white]), abs=1e-4)


def test_a_card_gives_the_white_of_the_light() -> None:
    """A card at two fifths of white under warm light: its gains are those of the light, not of the bent picture."""
    white = np.array([0.5, 0.4, 0.3])
    facts = Facts(references=(Reference("F1", patch=Box(0.1, 0.1, 0.2, 0.2)),))
    shown = reference_of(bend(white.astype(np.float32), CURVE).astype(np.float64))
    of = {"as_shot": np.ones(3), "daylight": np.ones(3), **shown}
    context = replace(
        context_of(light_of([scene(["F1"])]), facts, F1=of), earlier={"decode": {"F1": PictureCorrection(None, CURVE)}}
    )
    found = white_balance.solve(context, WhiteBalanceParams(method="reference_patch")).by_frame["F1"].gains
    assert found == pytest.approx(0.4 / white, rel=1e-3)


def test_what_is_kept_of_it_says_so() -> None:
    assert PictureCorrection(None).as_json() == {}
    assert PictureCorrection(None, 0.4).as_json() == {"curve": 0.4}


def test_context_of_an_unknown_camera_has_none() -> None:
    assert decode.curves(context_of(light_of([scene(["A"])]))) == {}
