"""Arrays of which a night has thousands, and that are mostly empty: kept compressed, unfolded for each use."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


class Folded:
    """An array (any shape and kind) at a fraction of its size in memory; numpy takes it for the array."""

    def __init__(self, array: NDArray[Any]) -> None:
        self.shape, self.dtype = array.shape, array.dtype
        self._data = zlib.compress(np.ascontiguousarray(array).tobytes(), 1)

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        array = np.frombuffer(zlib.decompress(self._data), self.dtype).reshape(self.shape)
        return array if dtype is None else array.astype(dtype)

    def astype(self, dtype: DTypeLike) -> NDArray[Any]:
        """As numpy.ndarray.astype."""
        return self.__array__().astype(dtype)
