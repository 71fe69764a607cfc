"""The strength of a camera's curve from drawn bursts: the truth is the formula that bent them."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from pipeline.imaging.camera_curve import STRONGEST, bend
from pipeline.light.flicker import View, agree, views
from pipeline.light.gain_map import GainMap
from pipeline.light.response.evidence import CurveEvidence, curve_evidence, strength_of
from pipeline.types import Domain, Image, Noise

_NOISE = 0.01  # of a pixel of the small picture, in parts of its light


def hall(seed: int) -> np.ndarray:
    """(108, 192, 3) light of surfaces of all brightnesses, not larger than a tenth of the picture."""
    rng = np.random.default_rng(seed)
    surfaces = np.exp(rng.uniform(np.log(0.01), np.log(0.55), (9, 16, 1))) * rng.uniform(0.8, 1.2, (9, 16, 3))
    return cv2.resize(surfaces, (192, 108), interpolation=cv2.INTER_NEAREST)


def burst(strength: float, depth: float = 0.35, frames: int = 6, seed: int = 3, gamma: float = 1.0) -> list[Image]:
    """Frames under a lamp that flickers, each row at its time, as the sRGB curve reads them."""
    rng, found = np.random.default_rng(seed), []
    light = hall(seed)
    for phase in rng.uniform(0, 2 * np.pi, frames):
        lamp = 1 + depth * np.sin(2 * np.pi * 0.4 * np.arange(108) / 108 + phase)[:, None, None]
        seen = light * lamp * (1 + rng.normal(0, _NOISE, light.shape))
        shown = bend(np.clip(seen, 0, 1).astype(np.float32), strength) ** np.float32(gamma)
        found.append(Image(shown, Domain.CAMERA, Noise(np.full(3, 1e-5), np.full(3, 1e-7)), np.ones(3), np.eye(3)))
    return found


@cache
def evidence(strength: float, depth: float = 0.35, seed: int = 3, gamma: float = 1.0) -> CurveEvidence | None:
    seen: list[View] = views(burst(strength, depth, seed=seed, gamma=gamma))
    return curve_evidence(seen, agree(seen))


def of(*found: CurveEvidence | None) -> float:
    return strength_of([one for one in found if one is not None])


@pytest.mark.parametrize(
    "strength", [pytest.param(s, marks=pytest.mark.long) if s != 0.4 else s for s in (0.25, 0.4, 0.7)]
)
def test_a_curve_is_found_by_how_it_bends_the_flicker(strength: float) -> None:
    """Two standard errors less than its best guess: rather too little than too much."""
    assert strength - 0.18 < of(evidence(strength)) < strength + 0.08


@pytest.mark.long
def test_plain_srgb_stays_plain() -> None:
    assert of(evidence(0.0)) == 0.0


@pytest.mark.long
def test_a_power_of_light_is_no_s() -> None:
    """All tones change by the same factor of stops: gains are as right as the flicker that was measured there."""
    assert of(evidence(0.0, gamma=1.2)) == 0.0


def test_steady_light_says_nothing() -> None:
    assert evidence(0.4, depth=0.01) is None


def scores(*score: float, variance: float = 1.0) -> CurveEvidence:
    return CurveEvidence(np.array(score), np.full(3, variance))


def test_a_burst_proves_as_much_as_its_errors_allow() -> None:
    """At the strength where the score is two standard errors: 8 - 10 x / 0.4 = 2 at x = 0.24."""
    assert strength_of([]) == 0.0
    assert strength_of([scores(3.9, -1, -4)]) == 0.0  # less than four standard errors
    assert strength_of([scores(8, -2, -4)]) == pytest.approx(0.24)
    assert strength_of([scores(9, 6, -2)]) == pytest.approx(0.6)
    assert strength_of([scores(9, 9, 9)]) == STRONGEST
    assert strength_of([scores(0, 0, 0, variance=0)]) == 0.0


def test_small_errors_of_many_bursts_are_no_proof() -> None:
    assert strength_of([scores(2, -1, -4)] * 50) == 0.0


def test_bursts_are_taken_together_by_what_they_can_say() -> None:
    strong, plain = scores(8, -2, -4), scores(0, -9, -9)
    assert strength_of([strong, strong, plain]) == pytest.approx(0.24)
    assert strength_of([strong, plain, plain]) == 0.0
    weak = scores(0, -0.09, -0.09, variance=1e-4)
    assert strength_of([strong, weak, weak, weak]) == pytest.approx(0.24)


def test_it_is_kept_as_it_is() -> None:
    one = evidence(0.4)
    assert one is not None
    back = CurveEvidence.from_arrays(one.as_arrays())
    assert back is not None
    np.testing.assert_array_equal(back.score, one.score)
    np.testing.assert_array_equal(back.variance, one.variance)
    assert CurveEvidence.from_arrays({}) is None
    with pytest.raises(ValueError):
        CurveEvidence.from_arrays({"curve": np.full((2, 3), np.nan)})


def test_nothing_is_found_in_a_black_burst() -> None:
    black = [
        Image(np.zeros((108, 192, 3), np.float32), i.domain, i.noise, i.saturation, i.to_working) for i in burst(0)
    ]
    seen = views(black)
    flat = [GainMap.constant(np.full(3, v)) for v in np.linspace(0, 1, len(seen))]
    found = curve_evidence(seen, flat)
    assert found is None or strength_of([found]) == 0.0
