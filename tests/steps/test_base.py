"""What all steps share: how solutions are rounded and how numbers are written."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.steps.base import rounded, signed, stops_in_words


def test_solutions_keep_seven_digits() -> None:
    """So that the last bits of a sum change no key: 1 in 1e8 is gone, 1 in 1e6 stays; the shape is kept."""
    values = np.array([[1.9, 1.0], [0.00123456, 12345.678]])
    assert rounded(values) == pytest.approx(values, rel=5e-7) and rounded(values).shape == (2, 2)
    assert np.array_equal(rounded(values * (1 + 1e-9)), rounded(values))
    assert rounded(np.array([1.00000004]))[0] == 1.0 and rounded(np.array([1.0000006]))[0] == 1.000001
    assert np.array_equal(rounded(np.array([1.000001])), [1.000001])


def test_numbers_carry_their_sign() -> None:
    assert signed(0.5) == "+0.50" and signed(-0.5) == "\N{MINUS SIGN}0.50"
    assert signed(-0.0001) == "+0.00" and signed(-1.26, 1) == "\N{MINUS SIGN}1.3"
    assert stops_in_words(np.array([0.5, 0, -0.25])) == "R +0.50, G +0.00, B \N{MINUS SIGN}0.25 EV"
