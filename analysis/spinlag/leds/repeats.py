"""Bytes of updates, each distinct update held once: a display that shows one picture sends it again every turn."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from spinlag.paged import let_go_of_pages, paged_full

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

LEAST_BYTES = 1 << 20
"""Less than this is not worth the search."""

MOST_DISTINCT = 1 / 4
"""With a larger share of distinct updates nothing is gained."""

_ROWS = 1 << 15
_ODD = np.uint64(0x9E3779B97F4A7C15)


class RepeatedBytes:
    """The bytes of n updates one after another, read like a one-dimensional array of uint8: a single index, slices of
    step 1 and arrays of indices from 0 on, each giving a fresh array.

    Update i is `distinct[at[i] : at[i] + offsets[i + 1] - offsets[i]]`.
    """

    dtype = np.dtype(np.uint8)

    def __init__(self, distinct: Bytes, at: NDArray[np.int32], offsets: Ints) -> None:
        self._distinct = distinct
        self._at = at
        self._offsets = offsets

    def __len__(self) -> int:
        return int(self._offsets[-1])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("bytes that are held once cannot be had without a copy")
        whole: NDArray[Any] = self[:]
        return whole if dtype is None else whole.astype(dtype, copy=False)

    def __getitem__(self, index: Any, /) -> Any:
        if isinstance(index, slice):
            start, stop, step = index.indices(len(self))
            if step != 1:
                raise IndexError("only slices of step 1")
            return self._range(start, max(start, stop))
        places = np.asarray(index)
        if places.ndim == 0:
            place = range(len(self))[int(places)]
            return self._range(place, place + 1)[0]
        if places.size and (int(places.min()) < 0 or int(places.max()) >= len(self)):
            raise IndexError("outside of the bytes")
        update = self._offsets.searchsorted(places, side="right") - 1
        return self._distinct[self._at[update] + (places - self._offsets[update])]

    def _range(self, start: int, stop: int) -> Bytes:
        if stop <= start:
            return np.empty(0, dtype=np.uint8)
        first = int(self._offsets.searchsorted(start, side="right")) - 1
        if stop <= self._offsets[first + 1]:
            begin = int(self._at[first]) + start - int(self._offsets[first])
            return self._distinct[begin : begin + stop - start].copy()
        last = int(self._offsets.searchsorted(stop, side="left"))
        offsets = self._offsets[first : last + 1]
        clipped: Ints = np.clip(offsets, start, stop)
        shift: Ints = self._at[first:last] - offsets[:-1]
        found: Bytes = self._distinct[np.arange(start, stop) + shift.repeat(clipped[1:] - clipped[:-1])]
        return found


def held_once(data: Bytes, offsets: Ints) -> Bytes | RepeatedBytes:
    """The same bytes with each distinct update held once, where that pays; else `data` itself.

    Updates of the usual length are compared by a 64-bit mixture of their words, and then byte by byte. The others, few,
    are kept as they are.
    """
    length = np.diff(offsets)
    if len(data) < LEAST_BYTES:
        return data
    usual = int(np.bincount(length).argmax())
    alike = np.flatnonzero(length == usual)
    if not usual or len(alike) < (1 - MOST_DISTINCT) * len(length):
        return data
    seen = _Seen(usual)
    at = paged_full(len(length), 0, np.int32)
    for start in range(0, len(alike), _ROWS):
        updates = alike[start : start + _ROWS]
        which = seen.take(data[offsets[updates][:, None] + np.arange(usual)])
        if which is None or len(seen) > MOST_DISTINCT * len(alike):
            return data
        at[updates] = which * np.int32(usual)
        let_go_of_pages()
    distinct = seen.rows().ravel()
    others = np.flatnonzero(length != usual)
    at[others] = distinct.size + np.cumsum(length[others]) - length[others]
    kept = [data[offsets[i] : offsets[i + 1]] for i in others.tolist()]
    return RepeatedBytes(np.concatenate([distinct, *kept]), at, offsets)


class _Seen:
    """Distinct updates of one length, numbered as they come."""

    def __init__(self, length: int) -> None:
        self._rows = np.empty((0, length), dtype=np.uint8)
        self._mixtures = np.empty(0, dtype=np.uint64)
        self._numbers = np.empty(0, dtype=np.int32)

    def __len__(self) -> int:
        return len(self._rows)

    def rows(self) -> Bytes:
        """All of them, shape (distinct, length)."""
        return self._rows

    def take(self, rows: Bytes) -> NDArray[np.int32] | None:
        """The number of each of some updates, shape (n, length); None where two that differ share a mixture."""
        mixtures, first, which = np.unique(_mixtures(rows), return_index=True, return_inverse=True)
        # by sorting: numpy 2.0 trips over large unsigned numbers where it chooses a table
        fresh = ~np.isin(mixtures, self._mixtures, assume_unique=True, kind="sort")
        if fresh.any():
            self._add(mixtures[fresh], rows[first[fresh]])
        numbers = self._numbers[self._mixtures.searchsorted(mixtures)][which]
        return numbers if (rows == self._rows[numbers]).all() else None

    def _add(self, mixtures: NDArray[np.uint64], rows: Bytes) -> None:
        numbers = np.arange(len(self), len(self) + len(rows), dtype=np.int32)
        mixtures = np.concatenate((self._mixtures, mixtures))
        order = np.argsort(mixtures)
        self._mixtures, self._numbers = mixtures[order], np.concatenate((self._numbers, numbers))[order]
        self._rows = np.concatenate((self._rows, rows))


def _mixtures(rows: Bytes) -> NDArray[np.uint64]:
    """One word for each of some updates, shape (n, length), that equal ones share."""
    n, length = rows.shape
    padded = np.zeros((n, -(-length // 8) * 8), dtype=np.uint8)
    padded[:, :length] = rows
    mixed = np.zeros(n, dtype=np.uint64)
    for word in padded.view("<u8").T:
        mixed ^= word
        mixed *= _ODD
        mixed ^= mixed >> np.uint64(29)
    return mixed
