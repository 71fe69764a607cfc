"""A small form of tests.real_files: one raw with a chart beside the picture that its camera put into it."""

from __future__ import annotations

import numpy as np
import PIL.Image
import pytest

from tests.real_files import DATA, compare, look_at

RAW = DATA / "raw" / "CRW_0101.CRW"


@pytest.mark.long
@pytest.mark.skipif(not RAW.is_file(), reason="../shared/data is absent")
def test_a_real_raw_is_as_finished_as_the_cameras_own_picture() -> None:
    """Spread of L* and mean chroma within a tenth of the camera's, skin within 3 CIEDE2000 of the straight curve apart
    from lightness, and no pixel newly clipped."""
    found = compare(RAW, 640, "camera")
    assert found is not None and found.counts
    assert found.against_camera("spread") == pytest.approx(1, abs=0.1)
    assert found.against_camera("chroma") == pytest.approx(1, abs=0.1)
    assert found.skin is not None and max(found.skin) < 3
    assert found.looked["tool"].clipped == 0 and found.looked["tool"].black < 0.1


def test_figures_of_a_drawn_picture() -> None:
    """CIE 15:2004: sRGB black, white and middle grey 119 are L* 0, 100 and 50."""
    codes = np.zeros((90, 90, 3), np.uint8)
    codes[30:60], codes[60:] = 119, 255
    found = look_at(PIL.Image.fromarray(codes), 640, None)
    assert (found.spread, found.chroma) == (pytest.approx(100, abs=0.1), pytest.approx(0, abs=0.05))
    assert found.lightness == pytest.approx(50, abs=0.1)
    assert (found.clipped, found.black) == (pytest.approx(100 / 3), pytest.approx(100 / 3))
