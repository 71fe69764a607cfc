"""What the network for finished pictures sees, as far as NumPy and PyTorch share it: tests/training learns in it.

Cells of 2x2 pixels and a map of how strong noise is, as Zhang, Zuo and Zhang have it ("FFDNet: toward a fast and
flexible solution for CNN-based image denoising", IEEE Trans. Image Process. 27(9), 2018). Pixels are sRGB (IEC
61966-2-1), parted into what differs within a cell, about it and farther, each over the deviation that noise has at that
brightness: so a network sees noise of one size, and what it gives is a correction in that unit. Where no noise is told,
nothing is changed.
"""

from __future__ import annotations

from typing import Any

SCALES = 4  # sizes of which noise is told, each half of the one before
CHANNELS = 12 + 3 + 3 + 3 + 1 + 2 * SCALES  # of the input
NEAR, FAR = 5, 17  # cells along the sides of the two means
LEAST = 0.0012  # deviation in sRGB, about that of rounding to 8 bits, below which a correction is worth less and less
SOFT = 64.0  # deviations: what is more counts less and less


def level(d: Any, of: Any) -> Any:
    """The plane that says how strong noise is where; d  its deviation in sRGB."""
    return 0.5 * of.log(d.clip(min=2e-4) / 0.01)


def worth(d: Any, of: Any) -> Any:
    """What a correction of 1 is worth in sRGB."""
    return d * (d / LEAST).clip(max=1)


def numbers(luma: Any, colour: Any, of: Any) -> Any:
    """(B, SCALES) power of the detail of each size, of luma and of the mean of two planes of colour -> (B, 2 SCALES):
    natural logarithms of deviations against that of all."""
    total = ((luma + 2 * colour) / 3).sum(1)[:, None]
    cat = of.cat if hasattr(of, "cat") else of.concatenate
    return 0.5 * of.log((cat([luma, colour], 1) / total).clip(min=3e-4))
