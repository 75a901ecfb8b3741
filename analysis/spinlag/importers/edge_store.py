"""Edges of one line: gathered block by block, kept in memory while they fit a budget, and in a file beyond it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any, Literal, overload

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Edges, Ticks
from spinlag.spill import SpillFile

MEMORY_SHARE = 1 / 64
"""Share of the machine's memory that edges may take before the longest lines move to a temporary file."""

MEMORY_CAP = 32 << 20
"""The same in bytes, on machines where the share would be more: the figure for peak memory is for all of them."""

_TICK_BYTES = 8
_FIRST_ROOM = 64
_GROWTH = 4
_LONG = 1 << 18
_MOST_ROOM = 1 << 24
_FILE_PIECE = 1 << 17
"""Edges written to the file at a time, and read back at a time for a search."""

_NARROW_SPAN = 1 << 32
"""A piece no longer than this, in ticks, is stored as distances from its first edge: half the bytes, as fresh pages of
the system's cache cost more than the arithmetic."""


def default_budget() -> int:
    """Bytes of edges that stay in memory: MEMORY_SHARE of what the machine has, at most MEMORY_CAP."""
    try:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return MEMORY_CAP
    return min(MEMORY_CAP, int(memory * MEMORY_SHARE))


@dataclass(frozen=True, slots=True)
class _Piece:
    """Consecutive edges of one line in a file: from byte `offset` on, `count` of them, the first at tick `first`.

    Each is an int64 tick, or where `narrow` the uint32 distance from the first.
    """

    offset: int
    count: int
    first: int
    narrow: bool


def _written(file: SpillFile, ticks: Ticks) -> _Piece:
    first = int(ticks[0])
    narrow = int(ticks[-1]) - first < _NARROW_SPAN
    stored = (ticks - first).astype(np.uint32) if narrow else ticks
    return _Piece(file.write(stored), len(ticks), first, narrow)


class EdgeStore:
    """Edges of one line in a SpillFile, read by position: its pages are the system's cache, not this process's memory.

    Offers what `Edges` asks for: a length, slices (each a fresh array), single edges and searchsorted.
    """

    def __init__(self, spill: SpillFile, pieces: list[_Piece]) -> None:
        self._spill = spill
        self._offsets = np.array([piece.offset for piece in pieces], dtype=np.int64)
        self._starts = np.cumsum([0, *(piece.count for piece in pieces)], dtype=np.int64)
        self._fences = np.array([piece.first for piece in pieces], dtype=np.int64)
        self._narrow = np.array([piece.narrow for piece in pieces], dtype=np.bool_)

    def __len__(self) -> int:
        return int(self._starts[-1])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("edges in a file cannot be had without a copy")
        whole: NDArray[Any] = self[:]
        return whole if dtype is None else whole.astype(dtype, copy=False)

    @overload
    def __getitem__(self, index: int, /) -> Any: ...
    @overload
    def __getitem__(self, index: slice, /) -> Ticks: ...

    def __getitem__(self, index: slice | int, /) -> Ticks | Any:
        if not isinstance(index, slice):
            at = range(len(self))[index]
            return self._contiguous(at, at + 1)[0]
        start, stop, step = index.indices(len(self))
        if step > 0:
            return self._contiguous(start, max(start, stop))[::step]
        wanted = range(start, stop, step)
        if not wanted:
            return np.empty(0, dtype=np.int64)
        return self._contiguous(wanted[-1], wanted[0] + 1)[::step]

    def searchsorted(self, v: Any, side: Literal["left", "right"] = "left") -> Any:
        """As numpy.searchsorted: for each of `v`, how many edges come before it ("right": or at it)."""
        wanted = np.asarray(v)
        flat = wanted.ravel()
        piece = np.maximum(self._fences.searchsorted(flat, side=side) - 1, 0)
        found = np.zeros(flat.shape, dtype=np.int64)
        if len(self):
            for number in np.unique(piece):
                mine = piece == number
                start, stop = int(self._starts[number]), int(self._starts[number + 1])
                found[mine] = start + self._contiguous(start, stop).searchsorted(flat[mine], side=side)
        return found.reshape(wanted.shape)[()]

    def _contiguous(self, start: int, stop: int) -> Ticks:
        ticks = np.empty(stop - start, dtype=np.int64)
        if stop <= start:
            return ticks
        piece = int(self._starts.searchsorted(start, side="right")) - 1
        filled = 0
        while filled < len(ticks):
            skip = start + filled - int(self._starts[piece])
            count = min(int(self._starts[piece + 1]) - start - filled, len(ticks) - filled)
            self._read(piece, skip, ticks[filled : filled + count])
            filled += count
            piece += 1
        return ticks

    def _read(self, piece: int, skip: int, ticks: Ticks) -> None:
        """Fill `ticks` with the edges of a piece after its first `skip`."""
        offset = int(self._offsets[piece])
        if not self._narrow[piece]:
            self._spill.read(offset + skip * _TICK_BYTES, ticks)
            return
        distances = np.empty(len(ticks), dtype=np.uint32)
        self._spill.read(offset + skip * distances.itemsize, distances)
        np.add(distances, self._fences[piece], out=ticks)


class EdgeLog:
    """Edges of one line while they are being read. `append` copies; `finish` hands them over."""

    __slots__ = ("_budget", "_pieces", "_room", "count", "spilled")

    def __init__(self, budget: EdgeBudget) -> None:
        self._budget = budget
        self._room: Ticks = np.empty(0, dtype=np.int64)
        self.count = 0
        """Edges in memory."""
        self.spilled = 0
        """Edges in the file."""
        self._pieces: list[_Piece] = []

    def __len__(self) -> int:
        return self.count + self.spilled

    def last(self) -> int | None:
        """The latest edge; the one before it stands too after a drop_last."""
        return int(self._room[self.count - 1]) if self.count else None

    def drop_last(self) -> None:
        """Take the latest edge back. One edge always stays in memory for that."""
        self.count -= 1
        self._budget.used -= _TICK_BYTES

    def append(self, ticks: Ticks) -> None:
        """Add edges later than all before."""
        self._budget.add(_TICK_BYTES * len(ticks))
        needed = self.count + len(ticks)
        if needed > len(self._room):
            self._grow(needed)
        self._room[self.count : needed] = ticks
        self.count = needed
        if self.spilled and self.count > _FILE_PIECE:
            self.spill()

    def spill(self) -> None:
        """Move all edges but the last to the file."""
        file = self._budget.file()
        moved = self.count - 1
        for start in range(0, moved, _FILE_PIECE):
            self._pieces.append(_written(file, self._room[start : min(start + _FILE_PIECE, moved)]))
        last = self._room[moved : self.count].copy()
        if len(self._room) > 4 * _FILE_PIECE:
            self._room = np.empty(2 * _FILE_PIECE, dtype=np.int64)
        self._room[: len(last)] = last
        self._budget.used -= _TICK_BYTES * moved
        self.spilled += moved
        self.count = len(last)

    def finish(self) -> Edges:
        """The edges: a read-only array, or an EdgeStore where they went to the file."""
        if not self.spilled:
            ticks = self._room[: self.count]
            ticks = ticks.copy() if self.count < _FILE_PIECE else ticks
            ticks.flags.writeable = False
            return ticks
        file = self._budget.file()
        rest = self._room[: self.count]
        if len(rest):
            self._pieces.append(_written(file, rest))
        self._room = np.empty(0, dtype=np.int64)
        return EdgeStore(file, self._pieces)

    def _grow(self, needed: int) -> None:
        """Make room; once for all that may stay in memory where the line is long: pages never written cost nothing."""
        size = max(needed, _FIRST_ROOM, _GROWTH * len(self._room))
        if size > _LONG and not self.spilled:
            size = max(needed, min(_MOST_ROOM, self._budget.limit // _TICK_BYTES))
        room = np.empty(size, dtype=np.int64)
        room[: self.count] = self._room[: self.count]
        self._room = room


class EdgeBudget:
    """How many bytes of edges may stay in memory; beyond that the longest lines move to one file."""

    def __init__(self, limit: int | None = None) -> None:
        self.limit = default_budget() if limit is None else limit
        self.used = 0
        self._logs: list[EdgeLog] = []
        self._file: SpillFile | None = None

    def log(self) -> EdgeLog:
        """A new line's log."""
        log = EdgeLog(self)
        self._logs.append(log)
        return log

    def file(self) -> SpillFile:
        """The one file of this capture, made when first needed."""
        if self._file is None:
            self._file = SpillFile()
        return self._file

    def add(self, count: int) -> None:
        """Account for `count` bytes to come, moving lines to the file where the limit would be passed."""
        self.used += count
        if self.used <= self.limit:
            return
        for log in sorted(self._logs, key=lambda log: log.count, reverse=True):
            if self.used <= self.limit // 2 or log.count < 2:
                break
            log.spill()
