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

_BY_BYTE = 4
"""Up to so many leading digits it is cheaper to look byte by byte where they change than to read whole words."""

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
    buffer: Bytes, origin: int, end: Indices, digits: Indices | None, shortest: int, longest: int
) -> NDArray[np.int64] | None:
    """Values of the decimal numbers that end before buffer[origin + end], shape (n,).

    `digits` counts their digits, `shortest` and `longest` bound it; it may be None where those are the same. None where
    any is not a whole number up to LATEST. Each eight digits are one word, the last ending where the number ends; the
    buffer has a margin of 24 bytes before the first.
    """
    if not len(end):
        return np.empty(0, dtype=np.int64)
    if shortest < 1 or longest > _MOST_DIGITS:
        return None
    value = eight(words(buffer, origin - 8)[end], digits, shortest, longest)
    for done, weight in ((8, 10**8), (16, 10**16)):
        if value is None or longest <= done:
            break
        if digits is None:
            more = _leading(buffer, origin - longest, end, longest, done)
        else:
            more = eight(words(buffer, origin - done - 8)[end], digits - done, shortest - done, longest - done)
        if more is None:
            return None
        value += more * np.uint64(weight)
    if value is None or (longest > 18 and (value > np.uint64(LATEST)).any()):
        return None
    return value.view(np.int64)


def eight(whole: Words, digits: Indices | None, shortest: int, longest: int) -> Words | None:
    """Value of the last `digits` characters, at most eight, of each word, in place; None where any is no digit."""
    whole ^= _ZEROS
    if shortest < 8:
        whole &= _KEEP_HIGH[max(longest, 0) if digits is None else np.clip(digits, 0, 8)]
    if np.bitwise_or.reduce(whole) & _HIGH_NIBBLES or np.bitwise_or.reduce(whole + _SIXES) & _HIGH_NIBBLES:
        return None
    return _value(whole)


def _leading(buffer: Bytes, origin: int, start: Indices, digits: int, done: int) -> Words | None:
    """Value of the digits before the last `done`, at most eight, of numbers of one length that begin at `start`.

    In a row of times they seldom change, so that only the places where they do are decoded. Shape (n,), or (1,) where
    all are the same.
    """
    first, count = max(0, digits - done - 8), min(8, digits - done)
    if count > _BY_BYTE:
        whole = words(buffer, origin + first + count - 8)[start]
        whole &= _KEEP_HIGH[count]
        changes = steps(whole[1:] != whole[:-1])
        value = eight(whole[changes], None, count, count)
        return None if value is None else held(value, changes, len(start))
    places = [buffer[origin + place :][start] for place in range(first, first + count)]
    changed = places[0][1:] != places[0][:-1]
    for place in places[1:]:
        changed |= place[1:] != place[:-1]
    changes = steps(changed)
    value = np.zeros(len(changes), dtype=np.uint64)
    for place in places:
        digit = place[changes] ^ np.uint8(ord("0"))
        if digit.max() > 9:
            return None
        value = value * np.uint64(10) + digit
    return held(value, changes, len(start))


def steps(changed: NDArray[np.bool_]) -> Indices:
    """Where, in a row of one more, something differs from the one before; the first always does."""
    return np.concatenate([[0], np.flatnonzero(changed) + 1])


def held(value: Words, changes: Indices, count: int) -> Words:
    """A value for each of `changes`, held until the next; shape (1,) where there is but one, else (count,)."""
    return value if len(changes) == 1 else value.repeat(np.diff(changes, append=count))


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
