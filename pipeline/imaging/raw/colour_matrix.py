"""The matrix from camera colour to Rec. 709, from wherever LibRaw knows it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import rawpy

from pipeline.errors import FrameError
from pipeline.imaging.colour import camera_to_working
from pipeline.types import F64

# Of the range between black and white, in the test picture of `_by_libraw`: dark enough that no colour of it leaves
# the range under a matrix of 3 on its diagonal, bright enough for a thousandth in 16 bits.
_GREY, _COLOUR = 0.3, 0.42
_ROW_SUM = 0.02  # by which rows of a camera -> Rec. 709 matrix may miss 1: white stays white


def colour_matrix(raw: Any, again: Callable[[], Any], notices: list[str]) -> tuple[F64, F64]:
    """(3, 3) balanced camera colour -> linear Rec. 709 of an open raw, and (3,) multipliers for daylight, green = 1.

    From LibRaw's table of XYZ -> camera, else from the file's own (DNG), else from what LibRaw does with the colours.
    Where it does nothing, colours are used as they are, and `notices` says so. again: opens the same file once more.
    """
    xyz_to_camera = np.asarray(raw.rgb_xyz_matrix, dtype=np.float64)[:3]
    if abs(np.linalg.det(xyz_to_camera)) > 1e-6:
        return camera_to_working(xyz_to_camera)
    daylight = np.asarray(raw.daylight_whitebalance[:3], dtype=np.float64)
    daylight = daylight / daylight[1] if daylight.min() > 0 else np.ones(3)
    # A DNG brings its own matrix, which LibRaw has already turned into camera -> Rec. 709.
    own: F64 | None = np.asarray(raw.color_matrix, dtype=np.float64)[:3, :3]
    if own is None or not _keeps_white(own):
        own = _by_libraw(raw, again)
    if own is not None and _keeps_white(own) and not np.allclose(own, np.eye(3), atol=0.01):
        return own, daylight
    notices.append("LibRaw knows no colour matrix for this camera: its colours are used as they are")
    return np.eye(3), np.ones(3)


def _keeps_white(matrix: F64) -> bool:
    return bool(np.abs(matrix.sum(axis=1) - 1).max() < _ROW_SUM)


def _by_libraw(raw: Any, again: Callable[[], Any]) -> F64 | None:
    """The matrix (3, 3) that LibRaw itself works with, of which rawpy hands out no table: some 1990s cameras have one.

    LibRaw develops a picture of three known colours in the mosaic's place, once in camera colour and once in sRGB's
    primaries; the matrix is what lies between. None where there is no mosaic of three colours. Developing changes the
    levels of an open file, so another one is opened.
    """
    if raw.raw_type != rawpy.RawType.Flat or raw.num_colors != 3 or raw.raw_image is None:
        return None
    try:
        with again() as other:
            mosaic, of = other.raw_image, np.asarray(other.raw_colors)
            black = np.asarray(other.black_level_per_channel, dtype=np.float64)[of]
            third = np.minimum(np.arange(mosaic.shape[1]) * 3 // mosaic.shape[1], 2)
            level = np.where(np.where(of == 3, 1, of) == third, _COLOUR, _GREY)
            mosaic[:] = np.round(black + level * (float(other.white_level) - black)).astype(mosaic.dtype)
            camera, rec709 = (_three(other, space) for space in (rawpy.ColorSpace.raw, rawpy.ColorSpace.sRGB))
        return np.asarray(np.linalg.solve(camera, rec709).T)
    except (rawpy.LibRawError, np.linalg.LinAlgError, FrameError, ValueError):
        return None


def _three(raw: Any, space: Any) -> F64:
    """(3, 3) the colours of the three thirds of the width, one a row, as LibRaw develops them into a colour space."""
    rgb = raw.postprocess(
        half_size=True,
        user_flip=0,
        user_wb=[1, 1, 1, 1],
        output_color=space,
        output_bps=16,
        gamma=(1, 1),
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        highlight_mode=rawpy.HighlightMode.Clip,
    )
    height, width = rgb.shape[:2]
    rows = slice(height // 3, 2 * height // 3)
    thirds = [slice(int(width * (k / 3 + 0.12)), int(width * (k / 3 + 0.22))) for k in range(3)]
    return np.array([rgb[rows, columns].reshape(-1, 3).mean(axis=0) for columns in thirds])
