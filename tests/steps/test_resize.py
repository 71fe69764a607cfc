"""resize: delivered sizes, and that pixels and noise model are scaled together."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.shoot.facts import FrameFacts
from pipeline.steps.base import ApplyContext
from pipeline.steps.resize import ResizeParams, apply, output_size
from pipeline.types import Domain, Frame, Image, Noise


def context(tmp_path) -> ApplyContext:
    return ApplyContext(Frame("F", tmp_path / "F.dng", "F.dng", "raw"), FrameFacts(), None)


@pytest.mark.parametrize(
    ("asked", "height", "width", "wanted"),
    [
        ({}, 4000, 6000, (1365, 2048)),  # the default that the help promises
        ({"long_edge": 1500}, 4000, 6000, (1000, 1500)),
        ({"long_edge": 1500}, 6000, 4000, (1500, 1000)),
        ({"width": 1200}, 4000, 6000, (800, 1200)),
        ({"height": 1000}, 4000, 6000, (1000, 1500)),
        ({"width": 1200, "height": 600}, 4000, 6000, (600, 900)),  # within both
        ({"width": 900, "height": 1200}, 4000, 6000, (600, 900)),
        ({"long_edge": 1500}, 400, 600, (400, 600)),  # not enlarged unless asked
        ({"long_edge": 1500, "enlarge": True}, 400, 600, (1000, 1500)),
        ({"long_edge": 16}, 10, 4000, (1, 16)),  # never no pixel at all
    ],
)
def test_delivered_size(asked: dict, height: int, width: int, wanted: tuple[int, int]) -> None:
    assert output_size(ResizeParams(**asked), height, width) == wanted


def test_long_edge_and_width_exclude_each_other() -> None:
    with pytest.raises(ValidationError, match="not both"):
        ResizeParams(long_edge=1000, width=500)


def test_noise_after_is_what_the_model_says(tmp_path) -> None:
    """Poisson counts and read noise: their variance is a x + b by definition, and after the step the pixels still
    have the variance that the image's own model states."""
    rng = np.random.default_rng(2)
    a, b, level = 0.01, 2e-4, 0.25
    pixels = (rng.poisson(level / a, (396, 600, 3)) * a + rng.normal(0, np.sqrt(b), (396, 600, 3))).astype(np.float32)
    image = Image(pixels, Domain.CAMERA, Noise(np.full(3, a), np.full(3, b)), np.ones(3), np.eye(3))
    out = apply(image, ResizeParams(long_edge=200, sharpen=0), context(tmp_path))
    variance = out.noise.a * level + out.noise.b
    assert out.pixels.var(axis=(0, 1)) == pytest.approx(variance, rel=0.05)
    assert variance == pytest.approx((a * level + b) / 9)  # a mean of 3 x 3


def test_amount_and_radius_of_the_sharpening_arrive(tmp_path) -> None:
    """A bump: the wider the blur it is held against, the more of it counts as detail; none leaves it alone."""
    y, x = np.mgrid[-15:16, -15:16]
    bump = 0.2 + 0.05 * np.exp(-(x * x + y * y) / 8)
    pixels = np.repeat(bump[..., None], 3, axis=2).astype(np.float32)
    image = Image(pixels, Domain.CAMERA, Noise(np.zeros(3), np.zeros(3)), np.ones(3), np.eye(3))

    def centre(**params: float) -> float:
        return float(apply(image, ResizeParams(**params), context(tmp_path)).pixels[15, 17, 1])

    plain = float(pixels[15, 17, 1])
    assert centre(sharpen=0) == plain
    narrow, wide, more = (centre(sharpen=s, radius=r) - plain for s, r in ((0.1, 1.0), (0.1, 2.0), (0.2, 2.0)))
    assert 0 < narrow < wide < more


def test_what_was_correlated_is_white_after_an_average(tmp_path) -> None:
    """A mean over areas decorrelates: the spectrum of the noise before says nothing of the noise after."""
    noise = Noise(np.full(3, 1e-3), np.full(3, 1e-5), np.ones((2, 8, 8)))
    image = Image(np.full((60, 90, 3), 0.2, np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3))
    assert apply(image, ResizeParams(long_edge=45), context(tmp_path)).noise.spectrum is None
    assert apply(image, ResizeParams(long_edge=90), context(tmp_path)).noise.spectrum is noise.spectrum
