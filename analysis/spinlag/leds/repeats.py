"""Bytes of updates, each distinct update held once: a display that shows one picture sends it again every turn."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
    _, first, which = np.unique(_mixtures(data, offsets, alike, usual), return_index=True, return_inverse=True)
    if len(first) > MOST_DISTINCT * len(alike):
        return data
    distinct = np.concatenate(list(_rows(data, offsets, alike[first], usual)))
    which = which.astype(np.int32)
    for number, rows in enumerate(_rows(data, offsets, alike, usual)):
        if (rows != distinct[which[number * _ROWS : (number + 1) * _ROWS]]).any():
            return data  # two updates of one mixture
    others = np.flatnonzero(length != usual)
    at = np.empty(len(length), dtype=np.int32)
    at[alike] = which * np.int32(usual)
    at[others] = distinct.size + np.cumsum(length[others]) - length[others]
    kept = [data[offsets[i] : offsets[i + 1]] for i in others.tolist()]
    return RepeatedBytes(np.concatenate([distinct.ravel(), *kept]), at, offsets)


def _rows(data: Bytes, offsets: Ints, updates: Ints, length: int) -> Iterator[Bytes]:
    """The bytes of updates of one length, shape (up to _ROWS, length) at a time."""
    within = np.arange(length)
    for start in range(0, len(updates), _ROWS):
        yield data[offsets[updates[start : start + _ROWS]][:, None] + within]


def _mixtures(data: Bytes, offsets: Ints, updates: Ints, length: int) -> NDArray[np.uint64]:
    """One word for each update that equal updates share."""
    found = np.zeros(len(updates), dtype=np.uint64)
    padded = np.zeros((min(_ROWS, len(updates)), -(-length // 8) * 8), dtype=np.uint8)
    for number, rows in enumerate(_rows(data, offsets, updates, length)):
        padded[: len(rows), :length] = rows
        mixed = found[number * _ROWS : number * _ROWS + len(rows)]
        for word in padded[: len(rows)].view("<u8").T:
            mixed ^= word
            mixed *= _ODD
            mixed ^= mixed >> np.uint64(29)
    return found
