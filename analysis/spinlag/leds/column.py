"""A long table column gathered piece by piece."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

_CHUNK_BYTES = 1 << 21


class Column:
    """Pieces of one column, to be joined at the end. Small pieces are merged on the way: millions of them would leave
    the memory in tatters."""

    def __init__(self, dtype: DTypeLike) -> None:
        self.dtype = np.dtype(dtype)
        self._chunks: list[NDArray[Any]] = []
        self._small: list[NDArray[Any]] = []
        self._bytes = 0

    def append(self, values: NDArray[Any]) -> None:
        """Take in one piece."""
        self._small.append(values.astype(self.dtype, copy=False))
        self._bytes += values.nbytes
        if self._bytes >= _CHUNK_BYTES:
            self._merge()

    def _merge(self) -> None:
        self._chunks.append(np.concatenate(self._small))
        self._small.clear()
        self._bytes = 0

    def join(self) -> NDArray[Any]:
        """The whole column; what was gathered is handed over."""
        if self._small:
            self._merge()
        joined = np.concatenate(self._chunks) if self._chunks else np.empty(0, dtype=self.dtype)
        self._chunks.clear()
        return joined
