"""A long table column gathered piece by piece."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

_CHUNK_BYTES = 1 << 21


class Column:
    """Pieces of one column, to be joined at the end. Small pieces are merged on the way: millions of them would leave
    the memory in tatters. The column grows in place, so that no second copy of it is made."""

    def __init__(self, dtype: DTypeLike) -> None:
        self.dtype = np.dtype(dtype)
        self._joined: NDArray[Any] = np.empty(0, dtype=self.dtype)
        self._small: list[NDArray[Any]] = []
        self._bytes = 0

    def append(self, values: NDArray[Any]) -> None:
        """Take in one piece."""
        self._small.append(values.astype(self.dtype, copy=False))
        self._bytes += values.nbytes
        if self._bytes >= _CHUNK_BYTES:
            self._merge()

    def _merge(self) -> None:
        count = len(self._joined)
        self._joined.resize(count + sum(map(len, self._small)), refcheck=False)
        np.concatenate(self._small, out=self._joined[count:])
        self._small.clear()
        self._bytes = 0

    def join(self) -> NDArray[Any]:
        """The whole column; what was gathered is handed over."""
        if self._small:
            self._merge()
        joined, self._joined = self._joined, np.empty(0, dtype=self.dtype)
        return joined
