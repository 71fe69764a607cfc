"""The colour matrix of cameras whose table LibRaw keeps to itself."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import rawpy

from pipeline.imaging.colour import camera_to_working
from pipeline.imaging.raw.colour_matrix import _by_libraw, colour_matrix
from pipeline.imaging.raw.mosaic import open_raw


@pytest.mark.parametrize("name", ["CRW_0101.CRW", "CRW_0304.CRW"])
def test_what_libraw_does_is_what_its_table_says(shared: Callable[[str], Path], name: str) -> None:
    """Where both are known: LibRaw's table of XYZ -> camera (after D. Coffin), against its own development."""
    path = shared(f"data/raw/{name}")
    with open_raw(path) as raw:
        found = _by_libraw(raw, lambda: open_raw(path))
        assert found is not None
        table, _ = camera_to_working(np.asarray(raw.rgb_xyz_matrix, dtype=np.float64)[:3])
    np.testing.assert_allclose(found, table, atol=0.005)


@pytest.mark.parametrize("name", ["P003909.KDC", "P003917.KDC", "DC0008L.KDC"])
def test_a_1990s_raw_has_a_matrix(shared: Callable[[str], Path], name: str) -> None:
    path = shared(f"data/raw/{name}")
    notices: list[str] = []
    with open_raw(path) as raw:
        before = raw.raw_image.copy()
        matrix, daylight = colour_matrix(raw, lambda: open_raw(path), notices)
        assert (raw.raw_image == before).all(), "the picture itself was touched"
    assert notices == [] and (daylight > 0).all()
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=0.001)
    assert np.diag(matrix).min() > 1.2, "as grey as without"


def test_where_libraw_knows_none_it_is_said() -> None:
    raw = SimpleNamespace(
        rgb_xyz_matrix=np.zeros((4, 3)), color_matrix=np.zeros((3, 4)), daylight_whitebalance=[1.0, 1.0, 1.0],
        raw_type=rawpy.RawType.Stack, num_colors=3, raw_image=None,
    )  # fmt: skip
    notices: list[str] = []
    matrix, daylight = colour_matrix(raw, lambda: raw, notices)
    assert (matrix == np.eye(3)).all() and (daylight == 1).all() and "no colour matrix" in notices[0]
