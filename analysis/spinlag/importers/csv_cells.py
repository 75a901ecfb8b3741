"""Cells of a CSV column to levels, packed bits or volts, many at a time; None where a cell does not fit its column."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.csv_decimals import (
    Bytes,
    Positions,
    Words,
    any_width_numbers,
    words_ending_at,
)
from spinlag.importers.csv_dialect import LEVELS
from spinlag.importers.csv_rows import LARGEST_VOLTAGE, Codes, PackedCells
from spinlag.importers.csv_text import NEWLINE
from spinlag.importers.lanes import LOST

_UNFIT = 255


def _level_table() -> Codes:
    table = np.full(256, _UNFIT, dtype=np.uint8)
    for text, code in LEVELS.items():
        if len(text) == 1:
            table[[ord(text), ord(text.upper())]] = code
    return table


def _digit_table() -> Codes:
    table = np.full(256, _UNFIT, dtype=np.uint8)
    for value, digit in enumerate("0123456789abcdef"):
        table[[ord(digit), ord(digit.upper())]] = value
    return table


_LEVEL_OF = _level_table()
_DIGIT_OF = _digit_table()
_LOWER = np.uint64(0x2020202020202020)
_NAN = b"nan"
_NAN_WORD = int.from_bytes(_NAN, "little")
_LEVEL_WORDS = [
    (len(text), int.from_bytes(text.encode().rjust(8, b"\0"), "little"), code)
    for text, code in LEVELS.items()
    if len(text) > 1
]


def level_codes(characters: Bytes) -> Codes | None:
    """Levels written as one character each."""
    codes = _LEVEL_OF.take(characters)
    return None if len(codes) and int(codes.max()) == _UNFIT else codes


def level_cells(words: Words, begins: Positions, ends: Positions) -> Codes | None:
    """Levels in the fields [begins, ends): one character, a word such as "high", or nothing."""
    length = ends - begins
    codes = np.where(length == 1, _LEVEL_OF.take(words.view(np.uint8).take(begins)), np.uint8(_UNFIT))
    codes[length == 0] = LOST
    longer = np.flatnonzero(length > 1)
    if len(longer):
        codes[longer] = _word_codes(words, length[longer], ends[longer])
    return None if len(codes) and int(codes.max()) == _UNFIT else codes


def _word_codes(words: Words, length: Positions, ends: Positions) -> Codes:
    (word,) = words_ending_at(words, ends, 1)
    word |= _LOWER
    codes = np.full(len(word), _UNFIT, dtype=np.uint8)
    for size, text, code in _LEVEL_WORDS:
        mine = length == size
        if mine.any():
            keep = np.uint64((1 << 64) - (1 << (64 - 8 * size)))
            codes[mine & ((word & keep) == np.uint64(text))] = code
    return codes


def packed_cells(words: Words, begins: Positions, ends: Positions, radix: int) -> PackedCells | None:
    """Whole numbers of up to 64 bits in base 10, 16 (with or without 0x) or 2; an empty field or x is not known."""
    buffer = words.view(np.uint8)
    length = ends - begins
    lost = length == 0
    one = length == 1
    lost |= one & (_LEVEL_OF.take(buffer.take(begins)) == LOST)
    values = np.zeros(len(begins), dtype=np.uint64)
    known = slice(None) if not lost.any() else np.flatnonzero(~lost)
    begins, ends = begins[known], ends[known]
    if radix == 10:
        numbers = any_width_numbers(words, begins, ends, NEWLINE, exponents=False)
        if numbers is None or numbers.negative is not None:
            return None
        values[known] = numbers.mantissa
        return values, lost
    found = _digits(buffer, begins, ends, radix)
    if found is None:
        return None
    values[known] = found
    return values, lost


def _digits(buffer: Bytes, begins: Positions, ends: Positions, radix: int) -> NDArray[np.uint64] | None:
    """Digits of 1 or 4 bits each as numbers."""
    bits = 4 if radix == 16 else 1
    if radix == 16:
        prefixed = (ends - begins > 2) & ((buffer.take(begins + 1) | 0x20) == ord("x"))
        prefixed &= buffer.take(begins) == ord("0")
        begins = begins + 2 * prefixed
    length = ends - begins
    if len(length) == 0:
        return np.empty(0, dtype=np.uint64)
    if int(length.min()) < 1 or int(length.max()) * bits > 64:
        return None
    values = np.zeros(len(begins), dtype=np.uint64)
    for place in range(int(length.max())):
        digit = _DIGIT_OF.take(buffer.take(ends - 1 - place))
        here = length > place
        if (here & (digit >= radix)).any():
            return None
        values |= np.where(here, digit, 0).astype(np.uint64) << np.uint64(bits * place)
    return values


def analogue_cells(
    words: Words, begins: Positions, ends: Positions, decimal: int, *, exponents: bool
) -> NDArray[np.float64] | None:
    """Decimal numbers as float64; NaN where a field is empty or says so. None where one is no number, or no voltage."""
    lost = ends == begins
    found = _voltages(words, begins, ends, decimal, lost, exponents=exponents)
    if found is not None:
        return found
    nans = _nans(words, ends, ends - begins)
    return _voltages(words, begins, ends, decimal, lost | nans, exponents=exponents) if nans.any() else None


def _voltages(
    words: Words, begins: Positions, ends: Positions, decimal: int, lost: NDArray[np.bool_], *, exponents: bool
) -> NDArray[np.float64] | None:
    """Numbers where they are not `lost`, NaN there."""
    some_lost = bool(lost.any())
    known = np.flatnonzero(~lost) if some_lost else slice(None)
    numbers = any_width_numbers(words, begins[known], ends[known], decimal, exponents=exponents)
    found = None if numbers is None else numbers.floats()
    if found is None or np.abs(found).max(initial=0.0) > LARGEST_VOLTAGE:
        return None
    if not some_lost:
        return found
    volts = np.full(len(begins), np.nan)
    volts[known] = found
    return volts


def _nans(words: Words, ends: Positions, length: Positions) -> NDArray[np.bool_]:
    """Fields that spell NaN, in either case."""
    (word,) = words_ending_at(words, ends, 1)
    spelt = (word | _LOWER) >> np.uint64(64 - 8 * len(_NAN)) == np.uint64(_NAN_WORD)
    found: NDArray[np.bool_] = spelt & (length == len(_NAN))
    return found
