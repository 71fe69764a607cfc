"""Functions that are compiled when they are first called; Python itself is the oracle."""

from __future__ import annotations

import numpy as np

from pipeline.imaging.compiled import compiled


@compiled()
def half(x: float) -> float:
    """Half."""
    return x / 2 if x < 0 else twice(x) / 4


@compiled(error_model="numpy")
def twice(x: float) -> float:
    return x * 2 if x >= 0 else half(x) * 4


@compiled(error_model="numpy")
def total(values: np.ndarray) -> float:
    found = 0.0
    for value in values:
        found += half(value) / 0.0 if value > 100 else half(value)
    return found


def test_functions_that_call_each_other() -> None:
    assert half.__name__ == "half" and half.__doc__ == "Half."
    values = np.array([1.0, -2.0, 4.5])
    assert total(values) == values.sum() / 2
    assert half(3.0) == 1.5 and twice(-3.0) == -6.0
    assert total(np.array([101.0])) == np.inf  # the error model reaches numba
