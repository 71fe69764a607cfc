"""Small pictures of the report: light is averaged as a lens out of focus does, in linear light (IEC 61966-2-1)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.engine.thumbs import THUMB_EDGE, shrunk, shrunk_display
from pipeline.imaging.colour import srgb_encode
from pipeline.imaging.shown_light import shown_light
from pipeline.types import F32


def striped(height: int, width: int) -> F32:
    """Linear: columns of 0.1 and 0.9 in turn, as fine as a crowd in the stands."""
    picture = np.full((height, width, 3), 0.1, np.float32)
    picture[:, ::2] = 0.9
    return picture


@pytest.mark.parametrize("size", [(640, 960), (1280, 640), (613, 1001)])
def test_a_picture_left_as_it_is_is_as_bright_after_as_before(size: tuple[int, int]) -> None:
    linear = striped(*size)
    small = shrunk_display(srgb_encode(linear).astype(np.float32))
    assert small.shape == shrunk(linear).shape and max(small.shape) == THUMB_EDGE
    np.testing.assert_allclose(small, srgb_encode(shrunk(linear)), atol=0.002)
    before, after = shown_light(srgb_encode(shrunk(linear)).astype(np.float32)), shown_light(small)
    assert before is not None and after is not None
    assert after.brightness == pytest.approx(before.brightness, abs=0.01)  # by the mean of codes 0.3 lower


def test_a_small_picture_stays_as_it_is() -> None:
    picture = srgb_encode(striped(20, 30)).astype(np.float32)
    np.testing.assert_allclose(shrunk_display(picture), picture, atol=0.001)
