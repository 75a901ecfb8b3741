"""Long columns that need not stay in memory: each lies in a temporary file of its own, mapped where arrays would be.

They are ordinary arrays to whoever reads them. What is touched of them counts as this process's memory until
`let_go_of_pages`, which loses nothing: the system keeps the pages, or writes them to the file where memory is short.
"""

from __future__ import annotations

import mmap
import weakref
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from spinlag.spill import SpillFile

LEAST_BYTES = 1 << 20
"""Shorter columns stay in ordinary memory."""

_PIECE_BYTES = 1 << 18
"""What is gathered before it is written."""

_mapped: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()


def paged(values: NDArray[Any]) -> NDArray[Any]:
    """The same one-dimensional values; in a file where they are long. Raises OutputError, as where the disk is full."""
    if values.nbytes < LEAST_BYTES or _is_paged(values):
        return values
    column = Column(values.dtype)
    column.append(values)
    return column.join()


def paged_full(count: int, value: Any, dtype: DTypeLike) -> NDArray[Any]:
    """`count` times the same value, to be written over; in a file where they are many. Raises OutputError."""
    column = Column(dtype)
    column.append(np.broadcast_to(np.asarray(value, dtype=dtype), (count,)))
    return column.join()


def let_go_of_pages() -> None:
    """Take the pages of all long columns out of this process's memory; they come back when they are touched."""
    if hasattr(mmap, "MADV_DONTNEED"):
        for area in list(_mapped):
            area.madvise(mmap.MADV_DONTNEED)


def _is_paged(values: NDArray[Any]) -> bool:
    base = values.base
    return isinstance(base, memoryview) and isinstance(base.obj, mmap.mmap)


class Column:
    """Pieces of one column, to be joined at the end. Beyond LEAST_BYTES they go to a file on the way, so that neither
    a second copy of the column is made nor millions of small pieces leave the memory in tatters."""

    def __init__(self, dtype: DTypeLike) -> None:
        self.dtype = np.dtype(dtype)
        self._small: list[NDArray[Any]] = []
        self._bytes = 0
        self._file: SpillFile | None = None

    def append(self, values: NDArray[Any]) -> None:
        """Take in one piece. Raises OutputError, as where the disk is full."""
        step = max(_PIECE_BYTES // self.dtype.itemsize, 1)
        for start in range(0, len(values), step):
            self._small.append(values[start : start + step].astype(self.dtype, copy=False))
            self._bytes += self._small[-1].nbytes
            if self._bytes >= (LEAST_BYTES if self._file is None else _PIECE_BYTES):
                self._write()

    def _write(self) -> None:
        if self._file is None:
            self._file = SpillFile()
        self._file.write(self._merged())
        let_go_of_pages()  # of what the pieces were read from

    def _merged(self) -> NDArray[Any]:
        merged = np.concatenate([np.empty(0, dtype=self.dtype), *self._small])
        self._small.clear()
        self._bytes = 0
        return merged

    def join(self) -> NDArray[Any]:
        """The whole column; what was gathered is handed over. Raises OutputError."""
        if self._file is None:
            return self._merged()
        if self._small:
            self._write()
        area = self._file.mapped()
        self._file = None
        _mapped.add(area)
        return np.frombuffer(area, dtype=self.dtype)
