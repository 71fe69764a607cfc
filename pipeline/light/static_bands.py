"""Static banding: bands that stand still over a burst, because the frame rate is a fraction of the lamps' flicker.

At 20 frames a second under lamps that flicker at 120 Hz every frame meets nearly the same phase: the bands of an
electronic shutter are then in all frames, and comparing frames shows only what jitter moves. But whatever the
phase, the flicker is as deep in one frame as in the next: the complex amplitudes of the frames lie on a circle
about zero. The measured ones lie on the same circle about minus the static part, so its centre gives that part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.light.row_wave import ACROSS, DEGREE, Terms
from pipeline.types import F64

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class StaticConstants:
    """When static bands are believed.

    Chosen by trial on bursts drawn from closed forms: `pytest tests/light/test_flicker.py`. That each one matters:
    `pytest tests/test_constants.py`.
    """

    frames: int = 4  # fewest: three numbers of a circle, and one to spare
    arc: float = 0.5  # radians, least spread of the phases: less is no circle
    deep: float = 0.9  # stops, largest amplitude: no lamp swings further
    sure: float = 3.0  # standard errors
    outlier: float = 0.02  # stops off the circle, from which a frame counts less (soft L1)
    least_error: float = 0.003  # stops, of an amplitude


STATIC = StaticConstants()
_START = 0.3  # stops, radius at the start of the fit: hardly any effect, since the better of two fits is kept


def static_bands(model: Terms, parts: F64) -> F64 | None:
    """(DEGREE + 1, ACROSS + 1, 3) Legendre coefficients of the bands that all frames share, or None.

    parts (F, T, 3): the coefficients of the model's terms for each frame, by common part and differences.
    """
    at = np.linspace(-1, 1, 201)
    angle = np.pi * model.cycles * at
    raw = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    project = np.linalg.pinv(raw) @ np.polynomial.legendre.legvander(at, DEGREE)
    whole = np.stack([model.legendre(one) for one in parts])  # (F, rows, across, 3)
    cos, sin = np.einsum("kr,frap->kfap", project, whole)
    waves = cos - 1j * sin
    found = static_amplitudes(waves[:, 0, 0], waves.reshape(len(parts), -1))
    if found is None:
        return None
    shared = found[1].reshape(ACROSS + 1, 3)
    back = np.polynomial.legendre.legfit(at, raw, DEGREE)
    return np.asarray(back[:, 0, None, None] * shared.real - back[:, 1, None, None] * shared.imag)


def static_amplitudes(main: Complex, others: Complex) -> tuple[complex, Complex] | None:
    """The static parts of the amplitudes, or None where the frames do not show them.

    main (F,): amplitude of the common wave of each frame (stops), relative to an unknown part that all frames
    share; others (F, N): further amplitudes (across the frame, of colour) that turn by the same phase. Returns
    what to ADD to each. The circle is fitted geometrically (Gander, Golub and Strebel, BIT 34, 1994), robustly.
    """
    from scipy.optimize import least_squares

    count = len(main)
    if count < STATIC.frames:
        return None
    centre = main.mean()
    offsets = main - centre
    # Start on both sides of the arc, along its shorter axis.
    axis = np.linalg.svd(np.column_stack([offsets.real, offsets.imag]), full_matrices=False)[2][-1]
    best = None
    for sign in (-1, 1):
        start = centre + sign * _START * complex(axis[0], axis[1])
        found = least_squares(
            lambda p: np.abs(main - complex(p[0], p[1])) - p[2],
            [start.real, start.imag, _START], loss="soft_l1", f_scale=STATIC.outlier, max_nfev=200,
        )  # fmt: skip
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    middle, radius = complex(best.x[0], best.x[1]), float(best.x[2])
    rest = np.abs(main - middle) - radius
    variance = max(float((rest**2).sum()) / max(count - 3, 1), STATIC.least_error**2)
    information = best.jac.T @ best.jac + 1e-9 * np.eye(3)
    error = float(np.sqrt(np.trace(np.linalg.inv(information)[:2, :2]) * variance))
    turned = (main - middle) / np.where(np.abs(main - middle) > 0, np.abs(main - middle), 1)
    together = abs(turned.mean())
    arc = float(np.sqrt(-2 * np.log(max(together, 1e-9)))) if together < 1 else 0.0
    if not 0 < radius < STATIC.deep or arc < STATIC.arc or abs(middle) < STATIC.sure * error:
        return None
    # Every other amplitude is a constant times the same turning, plus its own static part.
    design = np.column_stack([turned, np.ones(count)])
    solution = np.linalg.lstsq(design, others, rcond=None)[0]
    return -middle, -solution[1]
