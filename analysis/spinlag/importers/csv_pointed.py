"""Decimal numbers whose decimal sign stands behind as many digits in every field: the usual shape of a time column.

The digits behind the sign are read from the left, eight at a time, and what a field lacks counts as zeros. So all
numbers come out with one exponent, however many digits each of them has.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.csv_decimals import (
    POW10,
    Bytes,
    Numbers,
    Positions,
    Words,
    eight_digits,
    every_byte,
    words_ending_at,
)

MOST_PLACES = 24
"""Fields with more digits behind the sign are left to the general reader."""

KEPT_PLACES = 16
"""Digits behind the sign that are kept. The rest is checked to be digits and dropped: a tick has fewer places, and a
half rounds away from zero, so that only the next digit counts."""

_MOST_WHOLE = 8
_BY_BYTE = 3
"""Up to so many digits behind the first eight it is cheaper to look byte by byte than to read another word."""
_ZEROS = every_byte(ord("0"))
_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)


def pointed_numbers(words: Words, begins: Positions, ends: Positions, decimal: int) -> Numbers | None:
    """Numbers in the fields [begins, ends); None where the decimal signs do not stand alike or a field is no number."""
    buffer = words.view(np.uint8)
    first = buffer[begins[0] : ends[0]].tobytes()
    signed = first[:1] in (b"+", b"-")
    whole_digits = first.find(bytes([decimal])) - signed
    if not 0 < whole_digits <= _MOST_WHOLE:
        return None
    if signed and not (buffer.take(begins) == first[0]).all():
        return None
    points = begins + (whole_digits + signed)
    if not (buffer.take(points) == decimal).all():
        return None
    places = ends - points
    places -= 1
    most = int(places.max())
    if int(places.min()) < 0 or most > MOST_PLACES:
        return None
    whole = _whole_parts(words, points, whole_digits)
    part = _fractions(words, points + 1, places, most)
    if whole is None or part is None:
        return None
    kept = min(most, KEPT_PLACES)
    greatest = whole if isinstance(whole, int) else int(whole.max())
    if (greatest + 1) * 10**kept >= 1 << 64:
        return None
    if isinstance(whole, int):
        part += np.uint64(whole * 10**kept)
    else:
        whole *= POW10[kept]
        part += whole
    return Numbers(part, np.ones(len(part), dtype=np.bool_) if first[:1] == b"-" else None, -kept)


def _whole_parts(words: Words, points: Positions, digits: int) -> Words | int | None:
    """The digits before the signs; one int where all fields agree."""
    buffer: Bytes = words.view(np.uint8)
    ends = points[[0, -1]]
    outer = [buffer[end - digits : end].tobytes() for end in ends]
    if outer[0] == outer[1] and all((buffer.take(points - (digits - k)) == c).all() for k, c in enumerate(outer[0])):
        return int(outer[0]) if outer[0].isdigit() else None
    (word,) = words_ending_at(words, points, 1)
    keep = np.uint64((1 << 64) - (1 << (64 - 8 * digits)))
    word &= keep
    word |= _ZEROS & ~keep
    value, good = eight_digits(word)
    return value if good else None


def _fractions(words: Words, begins: Positions, places: NDArray[np.intp], most: int) -> Words | None:
    """The digits behind the signs, as numbers of min(most, KEPT_PLACES) digits."""
    if most == 0:
        return np.zeros(len(begins), dtype=np.uint64)
    if 8 < most <= 8 + _BY_BYTE:
        return _eight_and_few(words, begins, places, most)
    count = (most + 7) // 8
    total: Words | None = None
    least = int(places.min())
    for k, word in enumerate(_words_beginning_at(words, begins, count)):
        if least < 8 * (k + 1):
            _zeros_behind(word, places - 8 * k)
        value, good = eight_digits(word)
        if not good:
            return None
        if k == 0:
            total = value
        elif k == 1 and total is not None:
            total *= POW10[8]
            total += value
    spare = 8 * min(count, 2) - min(most, KEPT_PLACES)
    if total is not None and spare:
        total //= POW10[spare]
    return total


def _eight_and_few(words: Words, begins: Positions, places: NDArray[np.intp], most: int) -> Words | None:
    """As `_fractions`, where few digits follow the first eight: those are looked at byte by byte."""
    (word,) = _words_beginning_at(words, begins, 1)
    if int(places.min()) < 8:
        _zeros_behind(word, places)
    total, good = eight_digits(word)
    if not good:
        return None
    buffer: Bytes = words.view(np.uint8)
    for place in range(8, most):
        digit = buffer.take(begins + place)
        digit -= np.uint8(ord("0"))
        digit *= places > place
        if int(digit.max()) > 9:
            return None
        total *= POW10[1]
        total += digit
    return total


def _zeros_behind(word: Words, places: NDArray[np.intp]) -> None:
    """Make zeros, in place, of what stands behind the first `places` characters of each word."""
    blank = np.maximum(places, 0)
    blank <<= 3
    drop = np.left_shift(_ALL, blank.view(np.uint64))  # a shift by 64 or more gives 0 in numpy
    word |= drop
    drop &= ~_ZEROS
    word ^= drop


def _words_beginning_at(words: Words, begins: Positions, count: int) -> list[Words]:
    """The `count` words of text that begin at each position."""
    return words_ending_at(words, begins + 8 * count, count)[::-1]
