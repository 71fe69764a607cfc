"""gray_world beside the camera's own balance on real pictures of charts (all of them: python -m tests.real_white)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.real_white import WORSE, rows


def test_white_is_never_worse_than_the_cameras_own(shared: Callable[[str], Path]) -> None:
    """The bar of the issue: at most 1.0 above the camera alone and in pairs, and lower in the median."""
    data = shared("data/chart-jpeg").parent
    names = ("raw/CRW_0101.CRW", "raw/CRW_0304.CRW", "chart-jpeg/Canon_EOS_RP___MG_0635.JPG",
             "chart-jpeg/Nikon_D3100__DSC_0008.JPG", "burst-jpeg/Apple_iPhone_XR__IMG_3606.JPG")  # fmt: skip
    found = rows(data, names, ())
    for row in found:
        assert row.worst <= row.camera + WORSE, row
    assert np.median([r.alone for r in found]) < np.median([r.camera for r in found]) - 1
