"""One scale of chroma for all cameras: how far a step of a camera's own chroma moves a grey that is shown.

Chroma is ln R/G and ln B/G as a camera sees it, and cameras see the same step of colour as large or as small as their
filters are apart: 0.04 is two CIELAB units on a white for most, and ten where the layers of a sensor see nearly the
same. What is far and what is near was chosen with one measured camera; a camera's matrix says how it compares with it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from pipeline.types import F64

# `_shown` of the matrix of the measured camera that constants of chroma were chosen with (D5100, National Physical
# Laboratory 2013; held by tests/light/comparing/test_common_chroma.py).
_MEASURED = np.array([[1.899, 0.390], [0.220, 1.976]])
_FINEST, _COARSEST = 0.2, 10.0  # of a scale: what lies outside is no camera's


def to_common(to_working: F64) -> F64:
    """(2, 2) a step of chroma of the camera whose matrix is `to_working` (3, 3), in that of the measured camera: by the
    steps that show the same on a grey in daylight. The identity for finished pictures and where no matrix is known."""
    return _to_common(tuple(np.ravel(to_working).tolist())).copy()


@lru_cache(maxsize=16)
def _to_common(own: tuple[float, ...]) -> F64:
    to_working = np.array(own).reshape(3, 3)
    if np.array_equal(to_working, np.eye(3)):
        return np.eye(2)
    scale = np.linalg.solve(_MEASURED, _shown(to_working))
    sizes = np.linalg.svd(scale, compute_uv=False)
    return scale if sizes[-1] > _FINEST and sizes[0] < _COARSEST else np.eye(2)


def _shown(to_working: F64) -> F64:
    """(2, 2) how chroma in linear Rec. 709 grows with the camera's at white, where all channels are 1."""
    return np.asarray(to_working[[0, 2]][:, [0, 2]] - to_working[1, [0, 2]])
