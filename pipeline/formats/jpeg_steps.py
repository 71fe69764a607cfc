"""The steps by which a JPEG rounds its coefficients (ITU-T T.81: A.3.4, and B.2.4.1 for the tables)."""

from __future__ import annotations

import numpy as np
import PIL.Image
import PIL.JpegImagePlugin
from numpy.typing import NDArray


def jpeg_steps(picture: PIL.Image.Image) -> NDArray[np.uint16] | None:
    """(2, 8, 8) of luma and colour, in codes, by frequency down and across at full size; None for no JPEG.

    Colour that was halved has no higher frequencies: there stands the step of its highest. Its steps count for as many
    times as its pixels were made more: their power falls on so many fewer coefficients.
    """
    if not isinstance(picture, PIL.JpegImagePlugin.JpegImageFile) or not picture.layer:
        return None
    tables = {key: np.array(table).reshape(8, 8) for key, table in picture.quantization.items() if len(table) == 64}
    # Of each component: its name, samples across, samples down, its table (T.81, B.2.2).
    luma, colour = picture.layer[0], picture.layer[-1]
    if luma[3] not in tables or colour[3] not in tables:
        return None
    across, down = (max(1, luma[side] // max(1, colour[side])) for side in (1, 2))
    at = np.ix_(*(np.minimum(np.arange(8) * times, 7) for times in (down, across)))
    of_colour = np.minimum(tables[colour[3]][at] * (across * down) ** 0.5, 65535)
    return np.stack([tables[luma[3]], of_colour]).astype(np.uint16)
