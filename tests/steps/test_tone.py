"""tone: which matrix it takes, that its parameters arrive, and what is left after it."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.imaging.colour import srgb_encode
from pipeline.shoot.facts import FrameFacts
from pipeline.steps.base import ApplyContext
from pipeline.steps.tone import ToneParams, apply
from pipeline.types import Domain, Frame, Image, Noise

MATRIX = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])  # channels in another order
COLOUR = (0.1, 0.2, 0.3)


def displayed(tmp_path, domain: Domain, **params: float) -> Image:
    pixels = np.full((2, 3, 3), COLOUR, np.float32)
    image = Image(pixels, domain, Noise(np.zeros(3), np.zeros(3)), np.ones(3), MATRIX)
    return apply(image, ToneParams(**params), ApplyContext(Frame("F", tmp_path, "F", "raw"), FrameFacts(), None))


def test_camera_colour_goes_through_the_matrix_once(tmp_path) -> None:
    out = displayed(tmp_path, Domain.CAMERA)
    assert out.pixels[0, 0] == pytest.approx(srgb_encode(np.array([0.2, 0.3, 0.1])), abs=1e-3)
    assert out.domain is Domain.DISPLAY
    assert np.array_equal(out.to_working, np.eye(3))
    again = displayed(tmp_path, Domain.WORKING)
    assert again.pixels[0, 0] == pytest.approx(srgb_encode(np.array(COLOUR)), abs=1e-3)


@pytest.mark.parametrize("changed", [{"ev": 0.1}, {"knee": 0.15}, {"white": 1.5, "knee": 0.2}, {"saturation": 0.9}])
def test_every_parameter_arrives(tmp_path, changed: dict[str, float]) -> None:
    plain = displayed(tmp_path, Domain.WORKING).pixels
    assert np.abs(displayed(tmp_path, Domain.WORKING, **changed).pixels - plain).max() > 2e-3


def test_a_knee_needs_room_below_white() -> None:
    with pytest.raises(ValidationError):
        ToneParams(knee=0.99, white=0.99)
    with pytest.raises(ValidationError):
        ToneParams(white=0.9)
    assert ToneParams(knee=0.99, white=1.0).knee == 0.99
