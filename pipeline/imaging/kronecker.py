"""Sums over a grid of tiles for least squares with functions that are a function of the row times one of the column.

They are taken along the columns first and then along the rows, without a matrix of every function in every tile (the
vec of a Kronecker product: Van Loan, Journal of Computational and Applied Mathematics 123, 2000, 85-100). Functions of
the column are (C, J), or (R, C, J) where each row has its own.
"""

from __future__ import annotations

import numpy as np

from pipeline.types import F64


def gram(weight: F64, rows: F64, columns: F64) -> F64:
    """(..., I, J, I, J) sums of weight (..., R, C) times the products of two functions rows (R, I) columns (C, J)."""
    count, other = rows.shape[1], columns.shape[-1]
    along = _along(weight, _pairs(columns))  # (..., R, J J)
    both = np.swapaxes(along, -1, -2) @ _pairs(rows)  # (..., J J, I I)
    apart = both.reshape(*weight.shape[:-2], other, other, count, count)
    return np.moveaxis(apart, (-2, -1), (-4, -2))


def side(values: F64, rows: F64, columns: F64) -> F64:
    """(..., I, J) sums of values (..., R, C) times functions rows (R, I) columns (C, J)."""
    return np.asarray(rows.T @ _along(values, columns))


def at_tiles(coefficients: F64, rows: F64, columns: F64) -> F64:
    """(..., R, C) values of functions rows (R, I) columns (C, J) with coefficients (..., I, J)."""
    return _along(rows @ coefficients, np.swapaxes(columns, -1, -2))


def _pairs(functions: F64) -> F64:
    """(..., K K) products of each two of (..., K)."""
    return np.asarray((functions[..., :, None] * functions[..., None, :]).reshape(*functions.shape[:-1], -1))


def _along(values: F64, columns: F64) -> F64:
    """(..., R, J) sums along each row of values (..., R, C) times columns (C, J) or (R, C, J)."""
    if columns.ndim == 2:
        return np.asarray(values @ columns)
    by_row = np.moveaxis(values.reshape(-1, *values.shape[-2:]), 1, 0) @ columns
    return np.asarray(np.moveaxis(by_row, 0, 1).reshape(*values.shape[:-1], columns.shape[-1]))
