"""A temporary file for what is too long to keep in memory."""

from __future__ import annotations

import errno
import mmap
import os
import tempfile
import threading
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import OutputError


class SpillFile:
    """A nameless temporary file of numbers, in the folder that `tempfile` picks (TMPDIR overrules it).

    It has no directory entry while it is open, so that nothing is left behind however the process ends.
    """

    def __init__(self) -> None:
        with _clear_errors():
            self._file = tempfile.TemporaryFile(prefix="spinlag-", buffering=0)  # noqa: SIM115 - closed with this object
        self._size = 0
        self._lock = threading.Lock()
        weakref.finalize(self, self._file.close)

    def write(self, values: NDArray[Any]) -> int:
        """Append values; returns the byte offset where they begin. Raises OutputError, as where the disk is full."""
        offset = self._size
        left = _bytes(np.ascontiguousarray(values))
        with _clear_errors(), self._lock:
            self._file.seek(offset)
            while left:
                count = self._file.write(left)
                left = left[count:]
                self._size += count
        return offset

    def read(self, offset: int, values: NDArray[Any]) -> None:
        """Fill `values` from byte `offset` on."""
        left = _bytes(values)
        with _clear_errors():
            while left:
                count = self._read_some(left, offset)
                if count == 0:
                    raise OutputError("the temporary file of this capture lost part of its contents")
                left = left[count:]
                offset += count

    def mapped(self) -> mmap.mmap:
        """The whole file (not empty), to be read and written in place as memory; it outlives this object."""
        with _clear_errors():
            return mmap.mmap(self._file.fileno(), self._size)

    def _read_some(self, buffer: memoryview, offset: int) -> int:
        if hasattr(os, "preadv"):
            return os.preadv(self._file.fileno(), [buffer], offset)
        with self._lock:
            self._file.seek(offset)
            return self._file.readinto(buffer)


def _bytes(values: NDArray[Any]) -> memoryview:
    return values.data.cast("B") if len(values) else memoryview(b"")


@contextmanager
def _clear_errors() -> Iterator[None]:
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        folder = tempfile.gettempdir()
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            reason = f"no room in {folder} for what this capture needs; free some, or set TMPDIR to another folder"
        else:
            reason = f"the temporary file of this capture in {folder} cannot be used: {error.strerror or error}"
        raise OutputError(reason) from None
