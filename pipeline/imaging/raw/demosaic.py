"""A Bayer mosaic to pixels of all colours, and what that does to noise.

For a web size the mosaic is demosaiced bilinearly and averaged by area (area.py): at half size and below
the average hides what a costlier demosaic would add. Larger sizes take residual_demosaic.py. Mosaics that are not of
2x2 cells of three colours are left to LibRaw.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import rawpy

from pipeline.errors import COPY_AGAIN, FrameError
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64

# Above this scale of the full size the bilinear demosaic would show; below it the area average hides it. No source.
FULL_ABOVE = 0.67
# The sample that demosaic_noise measures: raw numbers far from either end, enough of them for 1 % of the variance.
_SIDE, _MEAN, _DEVIATION, _RIM = 1024, 30000.0, 2000.0, 4
# The 2x2 patterns of colour indices (0 R, 1 G, 2 B), read row by row.
BAYER = frozenset({(0, 1, 1, 2), (2, 1, 1, 0), (1, 0, 2, 1), (1, 2, 0, 1)})


def by_libraw(raw: Any, orientation: Orientation, size: tuple[int, int], balance: F64, *, half: bool) -> F32:
    """LibRaw's demosaic (half: of cells) of an open raw, averaged by area to `size`, the upright (height, width).

    balance (3,) to demosaic in. The result is upright camera colour (H, W, 3), unbalanced, black subtracted, 1.0 =
    saturation. Raises FrameError where LibRaw cannot, and for a raw of a single colour.
    """
    import cv2

    # The demosaic compares channels, so it gets them balanced; without a clip, and undone afterwards.
    try:
        rgb = raw.postprocess(
            half_size=half,
            user_flip=0,
            user_wb=[*balance.tolist(), float(balance[1])],
            output_color=rawpy.ColorSpace.raw,
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            highlight_mode=rawpy.HighlightMode.Ignore,
        )
    except rawpy.LibRawError as error:
        raise FrameError(f"the raw data is damaged ({error}); {COPY_AGAIN}") from error
    if rgb.ndim != 3 or rgb.shape[2] < len(balance):
        raise FrameError("a raw of a single colour, as black-and-white cameras write it, cannot be read; use its JPEG")
    pixels: F32 = orientation.to_upright(rgb[..., :3]).astype(np.float32)
    pixels *= (balance.max() / balance / 65535.0).astype(np.float32)
    if pixels.shape[:2] != size:
        pixels = np.asarray(cv2.resize(pixels, (size[1], size[0]), interpolation=cv2.INTER_AREA), dtype=np.float32)
    return np.ascontiguousarray(pixels)


@cache
def demosaic_noise(scale: float) -> tuple[F64, F64]:
    """What bilinear demosaic and area average to `scale` do to white mosaic noise of unit variance.

    Returns the variance left (3,) and the relative power (2, 8, 8) in the DCT coefficients of luma and
    chroma. Measured on a fixed sample through OpenCV's demosaic and resize, not derived: the area weights at
    fractional scales have no short closed form. The full demosaic, used near full size, is taken as bilinear.
    """
    import cv2

    sample = np.random.default_rng(1).normal(_MEAN, _DEVIATION, (_SIDE, _SIDE)).astype(np.uint16)
    rgb = cv2.cvtColor(sample, cv2.COLOR_BayerRGGB2RGB)
    edge = max(16, round(_SIDE * scale))
    if edge < _SIDE:
        rgb = cv2.resize(rgb, (edge, edge), interpolation=cv2.INTER_AREA)
    inner = rgb[_RIM:-_RIM, _RIM:-_RIM].astype(np.float64)
    variance = inner.var(axis=(0, 1)) / _DEVIATION**2
    unit = (inner - inner.mean(axis=(0, 1))) / inner.std(axis=(0, 1))
    red, green, blue = unit[..., 0], unit[..., 1], unit[..., 2]
    luma = _power((red + green + blue) / np.sqrt(3))
    chroma = (_power((red - blue) / np.sqrt(2)) + _power((red - 2 * green + blue) / np.sqrt(6))) / 2
    return variance, np.stack([luma / luma.mean(), chroma / chroma.mean()])


def _power(plane: F64) -> F64:
    """Mean power of each coefficient of the 8x8 DCT over all blocks."""
    from scipy.fft import dctn

    rows, columns = (side // 8 * 8 for side in plane.shape)
    blocks = plane[:rows, :columns].reshape(rows // 8, 8, columns // 8, 8).transpose(0, 2, 1, 3)
    return np.asarray((dctn(blocks, axes=(2, 3), norm="ortho") ** 2).mean(axis=(0, 1)))
