"""Identifier codes of a VCD file, looked up many at a time in the bytes of a block."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Indices = NDArray[np.int64]
Words = NDArray[np.uint64]

UNDECLARED = -1
_MIX = 0x9E3779B97F4A7C15
"""Odd multiplier for codes beyond eight characters (2^64 over the golden ratio, Knuth, TAOCP 6.4)."""

KEEP_LOW = np.array([(1 << 8 * n) - 1 for n in range(9)], dtype=np.uint64)
"""KEEP_LOW[n] keeps the first n characters of a word."""


def words(buffer: Bytes, offset: int) -> Words:
    """Unaligned view: element i is the 8-byte little-endian word that begins at buffer[i + offset]."""
    return np.ndarray((len(buffer) - offset - 7,), dtype="<u8", buffer=buffer.data, offset=offset, strides=(1,))


class Codes:
    """The numbers 0, 1, ... of distinct codes. Codes are any characters but white space, of any length."""

    def __init__(self, codes: Sequence[bytes]) -> None:
        self.codes = tuple(codes)
        self.one = np.full(256, UNDECLARED, dtype=np.int32)
        self._two = np.full(1 << 16, UNDECLARED, dtype=np.int32)
        longer: list[int] = []
        for number, code in enumerate(self.codes):
            if len(code) == 1:
                self.one[code[0]] = number
            elif len(code) == 2:
                self._two[code[0] | code[1] << 8] = number
            else:
                longer.append(number)
        self._numbers, self._keys = self._sorted_keys(longer)

    def __len__(self) -> int:
        return len(self.codes)

    @cached_property
    def known(self) -> frozenset[bytes]:
        """The codes, to ask for one."""
        return frozenset(self.codes)

    def find(self, buffer: Bytes, start: Indices, length: Indices) -> NDArray[np.int32]:
        """Number of each code buffer[start:start+length], or UNDECLARED. All shapes (n,).

        The buffer goes on for at least 8 bytes behind every code.
        """
        if not len(start):
            return np.empty(0, dtype=np.int32)
        shortest, longest = int(length.min()), int(length.max())
        if shortest == longest:
            return self._find_even(buffer, start, length, longest)
        found = np.empty(len(start), dtype=np.int32)
        for low, high in ((1, 1), (2, 2), (3, 8), (9, longest)):
            mine = np.flatnonzero((length >= low) & (length <= high))
            if len(mine):
                found[mine] = self._find_even(buffer, start[mine], length[mine], high)
        return found

    def _find_even(self, buffer: Bytes, start: Indices, length: Indices, longest: int) -> NDArray[np.int32]:
        if longest == 1:
            return np.take(self.one, buffer[start])
        if longest == 2:
            pair = buffer[start] | buffer[start + 1].astype(np.uint16) << 8
            return np.take(self._two, pair)
        if not len(self._keys):
            return np.full(len(start), UNDECLARED, dtype=np.int32)
        wanted = _keys(buffer, start, length, longest)
        place = np.minimum(self._keys.searchsorted(wanted), len(self._keys) - 1)
        found = np.where(self._keys[place] == wanted, self._numbers[place], UNDECLARED)
        return found.astype(np.int32)

    def _sorted_keys(self, longer: list[int]) -> tuple[NDArray[np.int32], Words]:
        text = b"".join(self.codes[number] for number in longer)
        length = np.array([len(self.codes[number]) for number in longer], dtype=np.int64)
        buffer = np.frombuffer(text + b" " * 16, dtype=np.uint8)
        start = np.cumsum(length) - length
        keys = np.empty(len(longer), dtype=np.uint64)
        if len(longer):
            keys = _keys(buffer, start, length, int(length.max()))
        order = np.argsort(keys, kind="stable")
        return np.array(longer, dtype=np.int32)[order], keys[order]


def _keys(buffer: Bytes, start: Indices, length: Indices, longest: int) -> Words:
    """A 64-bit key per code: the code itself up to eight characters, a mixture of its words beyond."""
    view = words(buffer, 0)
    keys = view[start] & KEEP_LOW[np.minimum(length, 8)]
    for done in range(8, longest, 8):
        goes_on = np.flatnonzero(length > done)
        following = view[start[goes_on] + done] & KEEP_LOW[np.minimum(length[goes_on] - done, 8)]
        keys[goes_on] = (keys[goes_on] ^ keys[goes_on] >> np.uint64(29)) * np.uint64(_MIX) + following
    return keys
