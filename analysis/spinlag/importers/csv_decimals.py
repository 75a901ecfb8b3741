"""Decimal numbers in text to exact integers, many at a time, through eight-byte words.

Eight ASCII digits in a little-endian word become a number with three multiplications; the method is in Daniel Lemire,
"Number parsing at a gigabyte per second", Software: Practice and Experience 51 (2021), section 3, and is used here on
arrays of words. A number is `mantissa * 10**exponent`, both exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Positions = NDArray[np.intp]
Flags = NDArray[np.bool_]

LARGEST_POWER = 280
"""Powers of ten by which 64 bits can be multiplied and stay within float64."""

MOST_CHARACTERS = 24
"""Longer digit strings are left to the slow reader."""

POW10 = np.array([10**k for k in range(20)], dtype=np.uint64)
"""Powers of ten that fit 64 bits unsigned."""

_MINUS, _PLUS, _ZERO = ord("-"), ord("+"), ord("0")


def _word(value: int) -> np.uint64:
    return np.uint64(value)


def every_byte(byte: int) -> np.uint64:
    """A word with the same byte eight times."""
    return np.uint64(0x0101010101010101 * byte)


_ZEROS = every_byte(_ZERO)
_ONES = every_byte(1)
_HIGHS = every_byte(0x80)
_ABOVE_NINE = every_byte(0x80 - 10)
_ALL = _word(0xFFFFFFFFFFFFFFFF)
_PAIRS = _word(0x000000FF000000FF)
_MUL_HUNDREDS = _word(100 + (1_000_000 << 32))
_MUL_UNITS = _word(1 + (10_000 << 32))
_S1, _S7, _S8, _S16, _S32, _S56 = (_word(k) for k in (1, 7, 8, 16, 32, 56))
_TEN = _word(10)
_NO_POINT = _word(_ZERO)
_ONES_AT_END = _word(1)


@dataclass(frozen=True, eq=False)
class Numbers:
    """Numbers `sign * mantissa * 10**exponent`, shape (n,), both exact.

    `negative` is None where no number has a minus sign; `exponent` is one int where all numbers share it.
    """

    mantissa: Words
    negative: Flags | None
    exponent: int | NDArray[np.int64]

    def floats(self) -> NDArray[np.float64] | None:
        """As float64, correctly rounded while the mantissa is below 2**53 and the exponent within +-22.

        None where an exponent could take a value out of the range of float64.
        """
        values = self.mantissa.astype(np.float64)
        if np.abs(self.exponent).max(initial=0) > LARGEST_POWER:
            return None
        if isinstance(self.exponent, int):
            power = 10.0 ** abs(self.exponent)
            values = values / power if self.exponent < 0 else values * power
        else:
            powers = 10.0 ** np.abs(self.exponent).astype(np.float64)
            values = np.where(self.exponent < 0, values / powers, values * powers)
        return values if self.negative is None else np.where(self.negative, -values, values)


def eight_digits(word: Words) -> tuple[Words, bool]:
    """Words of eight ASCII digits as numbers, and whether all bytes were digits. Overwrites `word`."""
    word -= _ZEROS
    check = word + _ABOVE_NINE
    check |= word
    check &= _HIGHS
    good = not check.any()
    return _combine(word), good


def _combine(word: Words) -> Words:
    """Words of eight digit values, first digit in the lowest byte, as numbers. Overwrites `word`."""
    shifted = word >> _S8
    word *= _TEN
    word += shifted
    np.right_shift(word, _S16, out=shifted)
    word &= _PAIRS
    shifted &= _PAIRS
    word *= _MUL_HUNDREDS
    shifted *= _MUL_UNITS
    word += shifted
    word >>= _S32
    return word


def words_ending_at(aligned: Words, end: Positions, count: int) -> list[Words]:
    """The `count` words of text that end at each position, last one first; text from `aligned.view(uint8)`."""
    index = end >> 3
    shift = ((end & 7) << 3).astype(np.uint64)
    back = _word(64) - shift  # a shift by 64 gives 0 in numpy
    upper = aligned.take(index)
    words = []
    for _ in range(count):
        index = index - 1
        lower = aligned.take(index, mode="clip")
        upper <<= back
        upper |= lower >> shift
        words.append(upper)
        upper = lower
    return words


def column_words(buffer: Bytes, end: int, stride: int, rows: int, count: int) -> list[Words]:
    """The `count` words that end at `end`, `end + stride`, ... in rows of one width, last one first."""
    return [
        np.ndarray((rows,), "<u8", buffer, end - 8 * (k + 1), (stride,)).astype(np.uint64, copy=True)
        for k in range(count)
    ]


def same_width_numbers(buffer: Bytes, start: int, stop: int, stride: int, rows: int, decimal: int) -> Numbers | None:
    """Numbers that fill the same columns of text [start, stop) in `rows` rows of one width, with one shape.

    None where their shapes (sign, decimal sign, exponent) differ or are not understood; nothing is guessed.
    """
    first = bytes(buffer[start:stop])
    sign = first[:1] if first[:1] in (b"-", b"+") else b""
    point = first.find(bytes([decimal]))
    if not set(first[len(sign) :]) <= set(b"0123456789") | {decimal}:
        return None
    if sign and (buffer[start : start + rows * stride : stride] != sign[0]).any():
        return None
    if point >= 0 and (buffer[start + point : start + point + rows * stride : stride] != decimal).any():
        return None
    whole_end = start + point if point >= 0 else stop
    whole = _same_width_digits(buffer, start + len(sign), whole_end, stride, rows)
    places = stop - whole_end - 1 if point >= 0 else 0
    part = _same_width_digits(buffer, stop - places, stop, stride, rows)
    if whole is None or part is None or whole_end - start - len(sign) + places == 0:
        return None
    mantissa = _joined(whole, part, places, rows)
    if mantissa is None:
        return None
    return Numbers(mantissa, np.ones(rows, dtype=np.bool_) if sign == b"-" else None, -places)


def _joined(whole: Words | int, part: Words | int, places: int, rows: int) -> Words | None:
    """whole * 10**places + part as uint64, or None where it could overflow."""
    if places >= POW10.size:
        return None
    greatest = int(whole if isinstance(whole, int) else whole.max()) * 10**places
    if greatest + 10**places >= 1 << 64:
        return None
    if isinstance(whole, int):
        constant = whole * 10**places
        if isinstance(part, int):
            return np.full(rows, constant + part, dtype=np.uint64)
        part += _word(constant)
        return part
    whole *= POW10[places]
    whole += _word(part) if isinstance(part, int) else part
    return whole


def _same_width_digits(buffer: Bytes, start: int, stop: int, stride: int, rows: int) -> Words | int | None:
    """Digits in the same columns of every row, as numbers; a plain int where all rows agree; None if not digits."""
    length = stop - start
    if length > MOST_CHARACTERS:
        return None
    total: Words | int = 0
    for k in range((length + 7) // 8):
        (word,) = column_words(buffer, stop - 8 * k, stride, rows, 1)
        have = min(8, length - 8 * k)
        if have < 8:
            keep = int(_ALL) << (64 - 8 * have) & int(_ALL)
            word &= _word(keep)
            word |= _word(int(_ZEROS) & ~keep)
        if word[0] == word[-1] == word[rows // 2] and not (word != word[0]).any():
            word = word[:1].copy()
        value, good = eight_digits(word)
        if not good or int(value.max()) * 10 ** (8 * k) >= 1 << 63:
            return None
        total = _plus(total, int(value[0]) if len(value) < rows else value, 8 * k)
    return total


def _plus(total: Words | int, value: Words | int, power: int) -> Words | int:
    if isinstance(value, int):
        if isinstance(total, int):
            return total + value * int(10**power)
        if value:
            total += _word(value * 10**power)
        return total
    if power:
        value *= POW10[power]
    if isinstance(total, int):
        if total:
            value += _word(total)
        return value
    value += total
    return value


def any_width_numbers(
    aligned: Words, start: Positions, end: Positions, decimal: int, *, exponents: bool
) -> Numbers | None:
    """Numbers in the fields [start, end) of the text in `aligned`, each of its own width and shape.

    `exponents` says that an e or E occurs somewhere in the text. None where a field is no number, is longer than
    MOST_CHARACTERS, or has a mantissa beyond 64 bits.
    """
    if len(start) == 0:
        return Numbers(np.empty(0, dtype=np.uint64), None, 0)
    if int((end - start).min()) <= 0:
        return None
    buffer = aligned.view(np.uint8)
    scale: NDArray[np.int64] | None = None
    if exponents:
        split = _split_exponents(aligned, start, end)
        if split is None:
            return None
        end, scale = split
    first = buffer.take(start)
    negative = first == _MINUS
    signed = negative | (first == _PLUS)
    if signed.any():
        start = start + signed
    length = end - start
    if int(length.min()) <= 0 or int(length.max()) > MOST_CHARACTERS:
        return None
    words = _field_words(aligned, length, end)
    found = _without_points(words, decimal)
    if found is None:
        return None
    places, points = found
    if int((length - points).min()) <= 0:
        return None
    mantissa = _sum_of_words(words)
    if mantissa is None:
        return None
    exponent = -places if scale is None else scale - places
    return Numbers(mantissa, negative if negative.any() else None, exponent)


def _field_words(aligned: Words, length: Positions, end: Positions) -> list[Words]:
    """The words of every field, last one first; what lies before a field reads as zeros."""
    shortest = int(length.min())
    words = words_ending_at(aligned, end, (int(length.max()) + 7) // 8)
    for k, word in enumerate(words):
        if shortest >= 8 * (k + 1):
            continue
        blank = (64 * (k + 1)) - (length << 3)
        np.maximum(blank, 0, out=blank)
        keep = np.left_shift(_ALL, blank.view(np.uint64))  # a shift by 64 or more gives 0 in numpy
        word &= keep
        np.invert(keep, out=keep)
        keep &= _ZEROS
        word |= keep
    return words


def _without_points(words: list[Words], decimal: int) -> tuple[NDArray[np.int64], Positions] | None:
    """Take the decimal sign out of fields, in place: (decimal places, signs found), each of shape (n,).

    The digits before the sign move up by one byte, across words where need be.
    """
    pattern = every_byte(decimal)
    seen: Flags | None = None
    places = np.zeros(len(words[0]), dtype=np.int64)
    for k, word in enumerate(words):
        differ = word ^ pattern
        lowest = differ - _ONES
        np.invert(differ, out=differ)
        lowest &= differ
        lowest &= _HIGHS
        lowest &= np.negative(lowest)  # the high bit of the last byte that holds the sign, or 0
        here = lowest != 0
        if not here.any() and seen is None:
            continue
        if seen is not None and (seen & here).any():
            return None
        after = np.bitwise_count(lowest - _ONES_AT_END)  # 8 * byte + 7
        after >>= np.uint8(3)
        places += np.where(here, (8 * k + 7) - after.astype(np.int64), 0)
        seen = here if seen is None else seen | here
        moved = word & (lowest >> _S7) - _ONES_AT_END
        moved <<= _S8
        moved |= word & ~((lowest << _S1) - _ONES_AT_END)
        moved |= words[k + 1] >> _S56 if k + 1 < len(words) else _NO_POINT
        if seen.all():
            words[k] = moved
        else:
            np.copyto(word, moved, where=seen)
    points = np.zeros(len(places), dtype=np.intp) if seen is None else seen.astype(np.intp)
    return places, points


def _sum_of_words(words: list[Words]) -> Words | None:
    """Digits in words, last one first, as one number each; overwrites the words."""
    total: Words | None = None
    for k, word in enumerate(words):
        if k and not (word != _ZEROS).any():
            continue
        value, good = eight_digits(word)
        if not good or (k == 2 and int(value.max()) >= 1000):
            return None
        if k:
            value *= POW10[8 * k]
        total = value if total is None else total + value
    return total


def _split_exponents(aligned: Words, start: Positions, end: Positions) -> tuple[Positions, NDArray[np.int64]] | None:
    """Where each mantissa ends and each exponent's value, 0 where a field has none; None where one is malformed."""
    buffer = aligned.view(np.uint8)
    low = int(start[0])
    marks = np.flatnonzero((buffer[low : int(end[-1])] | 0x20) == ord("e")) + low
    scale = np.zeros(len(start), dtype=np.int64)
    if len(marks) == 0:
        return end, scale
    mark = marks.take(np.searchsorted(marks, start), mode="clip")
    rows = np.flatnonzero((mark >= start) & (mark < end))
    if len(rows) == 0:
        return end, scale
    mark, stop = mark[rows], end[rows]
    after = buffer.take(mark + 1)
    negative = after == _MINUS
    digits = stop - mark - 1 - (negative | (after == _PLUS))
    if int(digits.min()) < 1 or int(digits.max()) > 3:
        return None
    (word,) = _field_words(aligned, digits, stop)
    value, good = eight_digits(word)
    if not good:
        return None
    power = value.astype(np.int64)
    scale[rows] = np.where(negative, -power, power)
    mantissa_end = end.copy()
    mantissa_end[rows] = mark
    return mantissa_end, scale
