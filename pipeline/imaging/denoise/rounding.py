"""What the rounding of a JPEG hides of its noise.

A JPEG rounds each coefficient of its blocks to a multiple of a step (ITU-T T.81, A.3.4). Where noise is weak against
the step, quiet blocks lose it: all is rounded to 0. Blocks with picture in them keep it, and so quiet blocks say too
little of it. At such frequencies noise is taken to be what the coarser ones lead to, if that is so weak that it hides.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.denoise.picture_noise import SCALES, hidden_by_step
from pipeline.types import F64

# Gaussian noise of a twentieth of the squared step loses half its power where it is rounded: numbers beyond half a step
# are 2.2 deviations out. A tenth more or less of it is flat.
_HALF_LOST = 1 / 20
# Natural logarithms of power below that, from where on noise is less and less beside the error of the rounding itself,
# a twelfth of the squared step, and from where on nothing. Chosen by trial: `python -m tests.jpeg_noise --clean`.
_FAINT = (1.5, 3.0)
_SQUARED: F64 = np.add.outer(np.arange(8.0) ** 2, np.arange(8.0) ** 2)  # of the radius of each coefficient
_OCTAVE = 4.0  # radius by which a scale is judged; that of the next coarser is half as much


def hidden(steps: NDArray[Any]) -> F64:
    """Natural logarithms of the power (SCALES, 3, 8, 8) below which noise of luma and of two colour planes is hidden.

    steps  (2, 8, 8) of luma and colour at full size, in codes; 0 where nothing was rounded
    """
    out = np.full((SCALES, 3, 8, 8), -np.inf)
    for scale in range(SCALES):
        at = np.arange(8) >> scale
        power = _HALF_LOST * steps[:, at][:, :, at].astype(np.float64) ** 2 / 4.0**scale
        with np.errstate(divide="ignore"):
            out[scale] = np.log(power[[0, 1, 1]] * (hidden_by_step() ** 2)[:, None, None])
    return out


def raised(power: F64, least: F64, ring: NDArray[np.bool_]) -> F64:
    """Logarithms of power (SCALES, 3, 8, 8), raised where they were hidden to what the coarser frequencies lead to.

    least  what is hidden, as `power`
    ring   (8, 8) the coefficients by which a scale is judged

    The logarithm of the power of smoothed noise falls with the square of the frequency, as a Gaussian does.
    """
    out = power.copy()
    octave = np.log(4.0) * np.arange(SCALES)
    for plane in range(power.shape[1]):
        density = out[:, plane][:, ring].mean(axis=1) + octave
        for s in range(SCALES - 2, -1, -1):
            own = out[s, plane]
            if s + 2 < SCALES:
                fall = max(0.0, density[s + 2] - density[s + 1]) / (_OCTAVE**2 / 4 * 3 / 4)
                coarser = density[s + 1] - fall * (_OCTAVE**2 - _OCTAVE**2 / 4) - octave[s]
                density[s] = _more(own, np.asarray(coarser), least[s, plane])[ring].mean() + octave[s]
            fall = max(0.0, density[s + 1] - density[s]) / (_OCTAVE**2 * 3 / 4)
            line = density[s] - octave[s] - fall * (_SQUARED - _OCTAVE**2)
            out[s, plane] = np.where(_SQUARED > 0, _more(own, line, least[s, plane]), own)
    return out


def _more(own: F64, line: F64, least: F64) -> F64:
    """`own` (8, 8) raised to the line, no higher than what is hidden."""
    part = np.interp(least - line, _FAINT, (1, 0))
    return np.asarray(own + part * np.maximum(0, np.minimum(line, least) - own))
