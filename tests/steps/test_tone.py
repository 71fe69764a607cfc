"""tone: which matrix it takes, that its parameters arrive, and what is left after it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.light.gain_map import GainMap
from pipeline.light.scene_white import WhiteSource
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps.base import ApplyContext, MeasureContext, SolveContext
from pipeline.steps.exposure import ExposureSolution
from pipeline.steps.tone import RULES, ToneMeasurement, ToneParams, ToneSolution, apply, measure, solve
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.types import Burst, Domain, Frame, Image, Noise

MATRIX = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])  # channels in another order
COLOUR = (0.1, 0.2, 0.3)


def image_of(
    pixels: np.ndarray, domain: Domain = Domain.CAMERA, matrix: np.ndarray = MATRIX, noise: float = 0
) -> Image:
    return Image(pixels.astype(np.float32), domain, Noise(np.zeros(3), np.full(3, noise)), np.ones(3), matrix)


def displayed(tmp_path, domain: Domain, **params: float) -> Image:
    image = image_of(np.full((2, 3, 3), COLOUR), domain)
    return apply(image, ToneParams(**params), ApplyContext(Frame("F", tmp_path, "F", "raw"), FrameFacts(), None))


def test_camera_colour_goes_through_the_matrix_once(tmp_path) -> None:
    out = displayed(tmp_path, Domain.CAMERA, contrast=0)
    assert out.pixels[0, 0] == pytest.approx(srgb_encode(np.array([0.2, 0.3, 0.1])), abs=1e-3)
    assert out.domain is Domain.DISPLAY
    assert np.array_equal(out.to_working, np.eye(3))
    again = displayed(tmp_path, Domain.WORKING, contrast=0)
    assert again.pixels[0, 0] == pytest.approx(srgb_encode(np.array(COLOUR)), abs=1e-3)


@pytest.mark.parametrize(
    "changed", [{"ev": 0.1}, {"knee": 0.15}, {"white": 1.1, "knee": 0.1}, {"saturation": 0.9}, {"contrast": 0.3}]
)
def test_every_parameter_arrives(tmp_path, changed: dict[str, float]) -> None:
    given = {"knee": 0.1} if "white" in changed else {}
    plain = displayed(tmp_path, Domain.WORKING, **given).pixels
    assert np.abs(displayed(tmp_path, Domain.WORKING, **changed).pixels - plain).max() > 1e-3
    if "contrast" not in changed:
        straight = displayed(tmp_path, Domain.WORKING, contrast=0, **given).pixels
        assert np.abs(displayed(tmp_path, Domain.WORKING, contrast=0, **changed).pixels - straight).max() > 2e-3


def test_a_knee_needs_room_below_white() -> None:
    with pytest.raises(ValidationError):
        ToneParams(knee=0.99, white=0.99)
    with pytest.raises(ValidationError):
        ToneParams(white=0.9)
    assert ToneParams(knee=0.99, white=1.0).knee == 0.99


def shot(name: str, kind: str = "raw") -> Frame:
    return Frame(name, Path(name), name, kind)


def solved(
    frames: list[Frame], shadows: dict[str, tuple[float, float]], stops: dict[str, float], **params: float
) -> dict[str, ToneSolution]:
    """Solutions of one burst. shadows  (level, noise) of each frame; stops  that exposure adds."""
    brought = {name: ExposureSolution.of(GainMap.constant(np.full(3, ev))) for name, ev in stops.items()}
    context = SolveContext(
        frames, [Burst(tuple(f.name for f in frames))], Facts(), {n: ToneMeasurement(*v) for n, v in shadows.items()},
        None, None, None, {"exposure": brought},
    )  # fmt: skip
    return dict(solve(context, ToneParams(**params)).by_frame)


def test_a_burst_shares_one_curve() -> None:
    frames = [shot(n) for n in "ABC"]
    found = solved(
        frames, {"A": (0.002, 1e-4), "B": (0.004, 2e-4), "C": (0.005, 9e-4)}, {"A": 0.0, "B": -1.0, "C": 0.0}
    )
    assert found["A"] == found["B"] == found["C"]
    assert found["A"].black == pytest.approx(0.5 * (0.002 - 1e-4)) and found["A"].floor == pytest.approx(1e-4)


def test_the_black_point_stays_above_noise_and_below_its_limit() -> None:
    """A dark hall stays dark: what is no more than noise is no shadow to go by, and a pale wall has no black point."""
    assert solved([shot("A")], {"A": (0.004, 0.005)}, {})["A"].black == 0
    assert solved([shot("A")], {"A": (0.2, 0.001)}, {"A": 2.0})["A"].black == RULES.most
    lifted = solved([shot("A")], {"A": (0.002, 0.0005)}, {"A": 1.0})["A"]
    assert lifted.black == pytest.approx(0.5 * (0.004 - 0.001)) and lifted.floor == pytest.approx(0.001)


def test_shadows_are_measured_in_cells_that_average_noise() -> None:
    rng = np.random.default_rng(4)
    pixels = np.full((160, 240, 3), 0.2)
    pixels[32:64, 48:96] = 0.01
    image = image_of(pixels + 0.004 * rng.standard_normal(pixels.shape), noise=0.004**2)
    context = MeasureContext(shot("A"), image, None, np.ones(3), (), (160, 240), None, None)  # type: ignore[arg-type]
    found = measure(context)
    assert found.shadow == pytest.approx(0.01, abs=0.0015) and found.noise == pytest.approx(0.004)
    assert ToneMeasurement.from_arrays(found.as_arrays()) == found
    with pytest.raises(ValueError):
        ToneMeasurement.from_arrays({"shadow": np.array([-1.0, 0.0])})


def test_a_finished_frame_that_nothing_else_changes_comes_out_as_it_went_in() -> None:
    """IEC 61966-2-1 there and back, all 256 codes and colours of them, whatever contrast the recipe asks for raws."""
    rng = np.random.default_rng(6)
    codes = np.vstack([np.repeat(np.arange(256)[:, None], 3, axis=1), rng.integers(0, 256, (500, 3))])[None]
    image = image_of(srgb_decode(codes.astype(np.float32) / 255), matrix=np.eye(3))
    solution = solved([shot("A", "picture")], {"A": (0.01, 0.001)}, {"A": 0.0})["A"]
    for given in (solution, None):
        context = ApplyContext(shot("A", "picture"), FrameFacts(), given)
        out = apply(image, ToneParams(contrast=0.8), context).pixels
        assert np.array_equal((out * 255 + 0.5).astype(int), codes)


def test_a_finished_frame_rolls_off_as_far_as_its_burst_was_lifted() -> None:
    """Two frames a third of a stop apart share one curve; what was white before the lift is white after it."""
    frames = [shot("A", "picture"), shot("B", "picture")]
    found = solved(frames, {"A": (0.01, 0.001), "B": (0.01, 0.001)}, {"A": 1.0, "B": 2 / 3})
    assert found["A"] == found["B"] and found["A"].white == pytest.approx(2.0, abs=1e-4)
    lifted = image_of(np.array([[[2.0, 2.0, 2.0], [1.9, 1.9, 1.9], [0.3, 0.3, 0.3]]]), matrix=np.eye(3))
    out = apply(lifted, ToneParams(), ApplyContext(frames[0], FrameFacts(), found["A"])).pixels[0, :, 0]
    assert out[0] == pytest.approx(1.0, abs=1e-4) and out[1] < 0.9999
    assert out[2] == pytest.approx(float(srgb_encode(np.array(0.3))), abs=1e-3)
    assert solved(frames[:1], {"A": (0.01, 0.001)}, {"A": -1.0})["A"].white == 1.0
    assert solved(frames[:1], {"A": (0.01, 0.001)}, {"A": 3.0}, white=2.5)["A"].white == 2.5
    assert solved(frames[:1], {"A": (0.01, 0.001)}, {"A": 0.0}, ev=1.0)["A"].white == 2.0


def test_white_of_a_finished_frame_stays_white_where_only_a_colour_was_lifted() -> None:
    """Blue by 0.1 stop: what is nearly white ends at green (light.highlights), and 255 stays 255. By 1 stop: what is
    0.8 of the scale ends at 1.6."""
    frame = shot("A", "picture")
    for stops, white in ((0.1, 1.0), (1.0, 1.6)):
        balance = WhiteBalanceSolution(np.array([0.9, 1.0, 2.0**stops]), WhiteSource.GRAY_WORLD, "")
        context = SolveContext(
            [frame], [Burst(("A",))], Facts(), {"A": ToneMeasurement(0.01, 0.001)}, None, None, None,
            {"exposure": {}, "white_balance": {"A": balance}},
        )  # fmt: skip
        assert solve(context, ToneParams()).by_frame["A"].white == pytest.approx(white, abs=1e-4)
        lit = image_of(np.ones((1, 1, 3)), matrix=np.eye(3))
        lit = replace(lit, saturation=np.array([0.9, 1.0, 2.0**stops]))
        shown = apply(lit, ToneParams(), ApplyContext(frame, FrameFacts(), None)).pixels
        assert shown.min() == pytest.approx(1.0, abs=1e-4) if white == 1 else shown.max() < 0.99


def test_a_finished_frame_that_was_lifted_keeps_its_hues() -> None:
    """A skin tone a stop brighter stays on its line from grey, where R alone would roll off to yellow."""
    skin = np.array([0.55, 0.30, 0.20])
    lifted = image_of(2 * skin[None, None], matrix=np.eye(3))
    context = ApplyContext(shot("A", "picture"), FrameFacts(), ToneSolution(white=2.0))
    out = srgb_decode(apply(lifted, ToneParams(), context).pixels)[0, 0].astype(float)
    assert (out[1] - out[2]) / (out[0] - out[2]) == pytest.approx((skin[1] - skin[2]) / (skin[0] - skin[2]), abs=0.01)
