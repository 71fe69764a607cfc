"""The plain form of tone for a few samples, which the parent uses, against the compiled one, which makes pictures."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.tone import render
from pipeline.light.highlights import rebuild_highlights, rebuild_samples

MATRIX = np.array([[1.6, -0.5, -0.1], [-0.2, 1.4, -0.2], [0.0, -0.6, 1.6]])  # a wide camera's: colours leave Rec. 709
CURVES = {
    "straight": {},
    "straight, raw": {"raw": True},
    "contrast": {"contrast": 0.4, "raw": True},
    "black and floor": {"contrast": 0.9, "black": 0.004, "floor": 0.001, "raw": True},
    "finished": {"keep_hue": True},
}


def samples() -> np.ndarray:
    """(1, N, 3) light of all kinds: noise about black, pale, pure, below zero, far above white."""
    rng = np.random.default_rng(5)
    lots = [
        rng.normal(0, 0.01, (400, 3)),
        rng.uniform(0, 1, (800, 3)),
        rng.uniform(0, 1, (400, 1)) * rng.uniform(0.95, 1.05, (400, 3)),
        rng.uniform(0, 1, (400, 3)) ** 6 * 4,
        np.eye(3),
        -np.eye(3),
        np.zeros((1, 3)),
        np.full((1, 3), 8.0),
    ]
    return np.concatenate(lots)[None].astype(np.float32)


@pytest.mark.parametrize("saturation", [1.0, 1.4])
@pytest.mark.parametrize("curve", CURVES.values(), ids=list(CURVES))
def test_samples_come_out_as_pixels_do_to_the_last_bit(curve: dict[str, float], saturation: float) -> None:
    """Float32 operations of IEEE 754 in the same order: LLVM joins none without being told to."""
    for ev, knee, white in ((0.0, 0.55, 3.0), (1.3, 0.3, 1.0), (-0.7, 0.9, 2.0)):
        given = samples(), MATRIX, ev, knee, white, saturation
        pictures, plain = render(*given, **curve), render(*given, **curve, samples=True)
        assert plain.dtype == np.float32
        np.testing.assert_array_equal(plain, pictures)


@pytest.mark.parametrize("finished", [False, True])
@pytest.mark.parametrize("ends", [(1.0, 1.0, 1.0), (0.9, 1.0, 0.6)])
def test_rebuilt_samples_are_rebuilt_pixels_to_the_last_bit(ends: tuple[float, float, float], finished: bool) -> None:
    pixels = np.abs(samples())
    gains = np.random.default_rng(6).uniform(0.4, 2.5, pixels.shape).astype(np.float32)
    saturation = np.array(ends)
    rebuilt = rebuild_highlights(pixels, saturation, gains, finished=finished)
    np.testing.assert_array_equal(rebuild_samples(pixels, saturation, gains, finished), rebuilt)
