"""Sums over tiles against the matrix of all products, numpy.kron."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.kronecker import at_tiles, gram, side

RANDOM = np.random.default_rng(7)
ROWS, COLUMNS, WEIGHT = RANDOM.normal(size=(6, 3)), RANDOM.normal(size=(5, 2)), RANDOM.normal(size=(4, 6, 5))
EVERY = np.kron(ROWS, COLUMNS)  # (30, 6)


def test_gram() -> None:
    expected = [EVERY.T @ (one.reshape(-1, 1) * EVERY) for one in WEIGHT]
    assert gram(WEIGHT, ROWS, COLUMNS).reshape(4, 6, 6) == pytest.approx(np.array(expected))


def test_side_and_values() -> None:
    expected = np.array([EVERY.T @ one.ravel() for one in WEIGHT])
    found = side(WEIGHT, ROWS, COLUMNS)
    assert found.reshape(4, 6) == pytest.approx(expected)
    assert at_tiles(found, ROWS, COLUMNS).reshape(4, 30) == pytest.approx(expected @ EVERY.T)


def test_columns_of_each_row() -> None:
    own = RANDOM.normal(size=(6, 5, 2))
    every = np.einsum("ri,rcj->rcij", ROWS, own).reshape(30, 6)
    expected = [every.T @ (one.reshape(-1, 1) * every) for one in WEIGHT]
    assert gram(WEIGHT, ROWS, own).reshape(4, 6, 6) == pytest.approx(np.array(expected))
    found = side(WEIGHT, ROWS, own)
    assert found.reshape(4, 6) == pytest.approx(np.array([every.T @ one.ravel() for one in WEIGHT]))
    assert at_tiles(found, ROWS, own).reshape(4, 30) == pytest.approx(found.reshape(4, 6) @ every.T)
