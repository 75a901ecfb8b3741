"""The usual block of a VCD body at full speed: rows of a time stamp and one-bit values with one-character codes.

A row is `#`, digits, one blank, then a value, a code and one blank for each change at that time. All stamps of the
block have the same number of digits. Only the places of the stamps are searched for; everything else stands at a known
distance from them, and every byte is checked to be what its place wants.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.blocks import Block
from spinlag.importers.vcd_codes import Bytes, Indices
from spinlag.importers.vcd_group import by_code
from spinlag.importers.vcd_scheme import INVALID, STATE, Parsed, Scheme
from spinlag.importers.vcd_tokens import BLANK, decimals

_STAMP = ord("#")
_ZERO = np.uint8(ord("0"))
_VALUE = 3
"""Bytes of a value, its code and the blank behind them."""

_MOST_DIGITS = 19


def read_stamps(block: Block, scheme: Scheme) -> Parsed | None:
    """The block's records; None where anything in it is out of the ordinary, right or wrong."""
    raw, start, stop = block.raw, block.start, block.stop
    if stop - start < 2 or raw[start] != _STAMP or raw[stop - 1] > BLANK:
        return None
    digits = 0
    while digits <= _MOST_DIGITS and raw[start + 1 + digits] > BLANK:
        digits += 1
    at = _stamps(block)
    text = block.buffer[start:]
    rows = _rows(at, stop - start, digits + 2)
    if rows is None or (text[digits + 1 :][at] > BLANK).any():
        return None
    times = decimals(block.buffer, start + 1 + digits, at, None, digits, digits)
    if times is None or (times[1:] < times[:-1]).any():
        return None
    found = _values(text[digits + 2 :], at, times, *rows)
    if found is None:
        return None
    recorded = by_code(*found, scheme.one_bit_lanes())
    return None if recorded is None else Parsed(recorded, False, int(times[0]), int(times[-1]), block.offset)


def _stamps(block: Block) -> Indices:
    """Where in the text a `#` follows white space (which is what stands before the block)."""
    block.raw[block.start - 1] = BLANK
    text = block.buffer[block.start - 1 : block.stop]
    stamp = text[1:] == _STAMP
    stamp &= text[:-1] <= BLANK
    return np.flatnonzero(stamp)


def _rows(at: Indices, length: int, head: int) -> tuple[Indices, Indices] | None:
    """Rows that have not just one value, and how many they have instead; None where a row's length tells of neither."""
    odd = np.flatnonzero(at[1:] - at[:-1] != head + _VALUE)
    size = at[odd + 1] - at[odd]
    last = length - int(at[-1])
    if last != head + _VALUE:
        odd, size = np.append(odd, len(at) - 1), np.append(size, last)
    values, rest = np.divmod(size - head, _VALUE)
    return None if len(odd) and (rest.any() or values.min() < 0) else (odd, values)


def _values(
    text: Bytes, at: Indices, times: NDArray[np.int64], odd: Indices, count: Indices
) -> tuple[Bytes, NDArray[np.int64], Bytes] | None:
    """Code, time and state of each value in file order; text[at] is the first of each row."""
    value, code = text[at], text[1:][at]
    if len(odd):
        later = np.maximum(count - 1, 0)
        within = np.arange(int(later.sum())) - np.repeat(np.cumsum(later) - later, later) + 1
        row = np.repeat(odd, later)
        place = at[row] + _VALUE * within
        if (text[place - 1] > BLANK).any():
            return None
        code = np.insert(code, row + 1, text[1:][place])
        value = np.insert(value, row + 1, text[place])
        if not count.all():
            gone = odd[count == 0]
            keep = np.ones(len(value), dtype=bool)
            keep[gone + row.searchsorted(gone)] = False
            return _states(code[keep], np.insert(times, row + 1, times[row])[keep], value[keep])
        times = np.insert(times, row + 1, times[row])
    return _states(code, times, value)


def _states(code: Bytes, times: NDArray[np.int64], value: Bytes) -> tuple[Bytes, NDArray[np.int64], Bytes] | None:
    states = value ^ _ZERO
    if len(states) and states.max() > 1:
        states = STATE[value]
        if states.max() == INVALID:
            return None
    return code, times, states
