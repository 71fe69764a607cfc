"""Colour spaces: sRGB, Rec. 709, CIELAB, and a camera's matrix."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F32, F64

# ITU-R BT.709-6 primaries with a D65 white, as tabulated in IEC 61966-2-1.
XYZ_FROM_REC709: F64 = np.array(
    [
        [0.4123907993, 0.3575843394, 0.1804807884],
        [0.2126390059, 0.7151686788, 0.0721923154],
        [0.0193308187, 0.1191947798, 0.9505321522],
    ]
)
REC709_FROM_XYZ: F64 = np.asarray(np.linalg.inv(XYZ_FROM_REC709), dtype=np.float64)
LUMINANCE: F64 = XYZ_FROM_REC709[1] / XYZ_FROM_REC709[1].sum()
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_D65 = XYZ_FROM_REC709.sum(axis=1)
_D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2010, the PCS illuminant
BRADFORD_D50_TO_D65: F64 = np.asarray(
    np.linalg.inv(_BRADFORD) @ np.diag((_BRADFORD @ _D65) / (_BRADFORD @ _D50)) @ _BRADFORD, dtype=np.float64
)


def srgb_encode(x: NDArray[np.floating]) -> F64:
    """Linear 0 to 1 (clipped) -> sRGB 0 to 1; IEC 61966-2-1. Any shape."""
    x = np.clip(np.asarray(x, dtype=np.float64), 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-12) ** (1 / 2.4) - 0.055)


def srgb_decode(v: F32) -> F32:
    """sRGB 0 to 1 -> linear 0 to 1; IEC 61966-2-1. Any shape."""
    v = np.asarray(v, dtype=np.float32)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4).astype(np.float32)


def to_lab(linear: NDArray[np.floating]) -> F64:
    """Linear Rec. 709 (..., 3) -> CIELAB (D65, 2 degree); CIE 15:2004."""
    ratio = np.asarray(linear, dtype=np.float64) @ XYZ_FROM_REC709.T / _D65
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def delta_e_2000(lab1: F64, lab2: F64) -> F64:
    """CIEDE2000 between CIELAB arrays (..., 3)."""
    from skimage.color import deltaE_ciede2000

    return np.asarray(deltaE_ciede2000(lab1, lab2))  # type: ignore[no-untyped-call]


def camera_to_working(xyz_to_camera: F64) -> tuple[F64, F64]:
    """Matrix XYZ -> camera (3, 3) to (to_working, daylight multipliers).

    `to_working` takes balanced camera colour, white = (1, 1, 1), to linear Rec. 709, white = (1, 1, 1);
    the multipliers (3,), green = 1, balance D65. Raises numpy.linalg.LinAlgError for a singular matrix.
    """
    rgb_to_camera = xyz_to_camera @ XYZ_FROM_REC709
    white = rgb_to_camera.sum(axis=1)
    return np.linalg.inv(rgb_to_camera / white[:, None]), white[1] / white
