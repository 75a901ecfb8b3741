"""Tokens of a block of VCD text and the decimal numbers in them, by numpy over whole blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.blocks import Block
from spinlag.importers.vcd_codes import Bytes, Indices, Words, words

BLANK = 32
"""White space is every byte up to the space."""

_ZEROS = np.uint64(0x3030303030303030)
_HIGH_NIBBLES = np.uint64(0xF0F0F0F0F0F0F0F0)
_SIXES = np.uint64(0x0606060606060606)
_KEEP_HIGH = np.array([((1 << 8 * n) - 1) << 8 * (8 - n) for n in range(9)], dtype=np.uint64)
"""_KEEP_HIGH[n] keeps the last n characters of a word."""

_PLAIN_PREFIX = 4
"""Up to so many leading digits it is cheaper to see, byte by byte, that they are the same in a whole block."""

LATEST = 1 << 62
"""Latest time stamp: differences and sums of two still fit 64 bits."""

_MOST_DIGITS = 19


@dataclass(frozen=True, eq=False)
class Tokens:
    """n tokens of a block: token i is text[before[i] + 1 : end[i]], and `first` its first byte.

    `text` is buffer[origin:], the block's text with one blank before it, so that before[i] is the token's offset from
    the block's start.
    """

    buffer: Bytes
    origin: int
    before: Indices
    end: Indices
    first: Bytes

    def __len__(self) -> int:
        return len(self.first)

    def length(self) -> Indices:
        """Characters of each token, shape (n,)."""
        return self.end - self.before - 1

    @property
    def text(self) -> Bytes:
        """The text that `before` and `end` count in, and what lies behind it in the buffer."""
        return self.buffer[self.origin :]

    def select(self, which: Indices | NDArray[np.bool_]) -> Tokens:
        """Some of the tokens."""
        return Tokens(self.buffer, self.origin, self.before[which], self.end[which], self.first[which])

    def word(self, index: int) -> bytes:
        """One token."""
        return self.text[self.before[index] + 1 : self.end[index]].tobytes()


def split(block: Block) -> Tokens:
    """The tokens of a block. The last block's final token may lack the white space behind it."""
    block.raw[block.start - 1] = BLANK
    stop = block.stop
    if stop > block.start and block.raw[stop - 1] > BLANK:
        block.raw[stop] = BLANK
        stop += 1
    origin = block.start - 1
    text = block.buffer[origin:]
    blank = np.flatnonzero(text[: stop - origin] <= BLANK)
    before, end = blank[:-1], blank[1:]
    gap = end - before
    if len(gap) and gap.min() == 1:
        real = np.flatnonzero(gap > 1)
        before, end = before[real], end[real]
    return Tokens(block.buffer, origin, before, end, text[1:][before])


def decimals(
    buffer: Bytes, origin: int, end: Indices, digits: Indices, shortest: int, longest: int
) -> NDArray[np.int64] | None:
    """Values of the decimal numbers that end before buffer[origin + end], shape (n,).

    `digits` counts their digits, `shortest` and `longest` bound it. None where any is not a whole number up to LATEST.
    Each eight digits are one word, the last ending where the number ends; the buffer has a margin of 24 bytes before
    the first.
    """
    if not len(end):
        return np.empty(0, dtype=np.int64)
    if shortest < 1 or longest > _MOST_DIGITS:
        return None
    value = _eight(words(buffer, origin - 8)[end], digits, shortest, longest)
    if value is None or longest <= 8:
        return None if value is None else value.view(np.int64)
    if shortest == longest and longest - 8 <= _PLAIN_PREFIX:
        prefix = _common_prefix(buffer[origin:], end - longest, longest - 8)
        if prefix is not None:
            value += np.uint64(prefix * 10**8)
            return value.view(np.int64)
    for done, weight in ((8, 10**8), (16, 10**16)):
        if longest > done:
            more = _eight(words(buffer, origin - done - 8)[end], digits - done, shortest - done, longest - done)
            if more is None:
                return None
            value += more * np.uint64(weight)
    return None if longest > 18 and (value > np.uint64(LATEST)).any() else value.view(np.int64)


def _eight(whole: Words, digits: Indices, shortest: int, longest: int) -> Words | None:
    """Value of the last `digits` characters, at most eight, of each word, in place; None where any is no digit."""
    whole ^= _ZEROS
    if shortest < 8:
        whole &= _KEEP_HIGH[longest if shortest == longest else np.clip(digits, 0, 8)]
    if np.bitwise_or.reduce(whole) & _HIGH_NIBBLES or np.bitwise_or.reduce(whole + _SIXES) & _HIGH_NIBBLES:
        return None
    return _value(whole)


def _value(whole: Words) -> Words:
    """Eight digits of one byte each, first digit lowest in memory, to their value: pairs, fours, all eight."""
    whole *= np.uint64(10 * 2**8 + 1)
    whole >>= np.uint64(8)
    whole &= np.uint64(0x00FF00FF00FF00FF)
    whole *= np.uint64(100 * 2**16 + 1)
    whole >>= np.uint64(16)
    whole &= np.uint64(0x0000FFFF0000FFFF)
    whole *= np.uint64(10_000 * 2**32 + 1)
    whole >>= np.uint64(32)
    return whole


def _common_prefix(text: Bytes, start: Indices, length: int) -> int | None:
    """The number in the first `length` digits where it is the same for all, else None."""
    value = 0
    for place in range(length):
        digit = text[place:][start]
        if (digit != digit[0]).any() or not 48 <= digit[0] <= 57:
            return None
        value = 10 * value + int(digit[0]) - 48
    return value
