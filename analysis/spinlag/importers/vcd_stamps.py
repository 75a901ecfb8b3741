"""The usual block of a VCD body at full speed: rows of a time stamp and one-bit values with one-character codes.

A row is `#`, digits, a blank, then a value, a code and a blank for each change at that time. All stamps of the block
have the same number of digits, and all blanks are one byte, or all two, as where lines end with CR LF. Only the places
of the stamps are searched for; everything else stands at a known distance from them, and every byte is checked to be
what its place wants.
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
_VALUE = 2
"""Bytes of a value and its code."""

_MOST_DIGITS = 19
_WIDEST_BLANK = 2


def read_stamps(block: Block, scheme: Scheme) -> Parsed | None:
    """The block's records; None where anything in it is out of the ordinary, right or wrong."""
    raw, start, stop = block.raw, block.start, block.stop
    if stop - start < 2 or raw[start] != _STAMP or raw[stop - 1] > BLANK:
        return None
    digits = _run(raw, start + 1, _MOST_DIGITS, blank=False)
    blank = _run(raw, start + 1 + digits, _WIDEST_BLANK, blank=True)
    if not 1 <= digits <= _MOST_DIGITS or not 1 <= blank <= _WIDEST_BLANK:
        return None
    at = _stamps(block)
    text = block.buffer[start:]
    rows = _rows(at, stop - start, digits + 1 + blank, _VALUE + blank)
    if rows is None or not all(_blank(text, at, digits + 1 + place) for place in range(blank)):
        return None
    times = decimals(block.buffer, start + 1 + digits, at, None, digits, digits)
    if times is None or (times[1:] < times[:-1]).any():
        return None
    found = _values(text[digits + 1 + blank :], at, times, *rows, blank)
    if found is None:
        return None
    recorded = by_code(*found, scheme.one_bit_lanes())
    return None if recorded is None else Parsed(recorded, False, int(times[0]), int(times[-1]), block.offset)


def _run(raw: bytearray, start: int, most: int, *, blank: bool) -> int:
    """How many bytes from `start` on are white space, or are not; `most` + 1 where there are more."""
    count = 0
    while count <= most and (raw[start + count] <= BLANK) is blank:
        count += 1
    return count


def _blank(text: Bytes, at: Indices, behind: int) -> bool:
    return not (text[behind:][at] > BLANK).any()


def _stamps(block: Block) -> Indices:
    """Where in the text a `#` follows white space (which is what stands before the block)."""
    block.raw[block.start - 1] = BLANK
    text = block.buffer[block.start - 1 : block.stop]
    stamp = text[1:] == _STAMP
    stamp &= text[:-1] <= BLANK
    return np.flatnonzero(stamp)


def _rows(at: Indices, length: int, head: int, value: int) -> tuple[Indices, Indices] | None:
    """Rows that have not just one value, and how many they have instead; None where a row's length tells of neither."""
    odd = np.flatnonzero(at[1:] - at[:-1] != head + value)
    size = at[odd + 1] - at[odd]
    last = length - int(at[-1])
    if last != head + value:
        odd, size = np.append(odd, len(at) - 1), np.append(size, last)
    values, rest = np.divmod(size - head, value)
    return None if len(odd) and (rest.any() or values.min() < 0) else (odd, values)


def _values(
    text: Bytes, at: Indices, times: NDArray[np.int64], odd: Indices, count: Indices, blank: int
) -> tuple[Bytes, NDArray[np.int64], Bytes] | None:
    """Code, time and state of each value in file order; text[at] is the first of each row.

    The byte before each stamp is known to be a blank; what else should be one is checked here.
    """
    value, code = text[at], text[1:][at]
    if blank > 1 and not _blank(text, at, _VALUE):
        return None
    if not len(odd):
        return _states(code, times, value)
    later = np.maximum(count - 1, 0)
    within = np.arange(int(later.sum())) - np.repeat(np.cumsum(later) - later, later) + 1
    row = np.repeat(odd, later)
    place = at[row] + (_VALUE + blank) * within
    if not _blank(text, place - 1, 0) or (blank > 1 and not _blank(text, place, _VALUE)):
        return None
    code = np.insert(code, row + 1, text[1:][place])
    value = np.insert(value, row + 1, text[place])
    times = np.insert(times, row + 1, times[row])
    if not count.all():
        gone = odd[count == 0]
        keep = np.ones(len(value), dtype=bool)
        keep[gone + row.searchsorted(gone)] = False
        code, times, value = code[keep], times[keep], value[keep]
    return _states(code, times, value)


def _states(code: Bytes, times: NDArray[np.int64], value: Bytes) -> tuple[Bytes, NDArray[np.int64], Bytes] | None:
    states = value ^ _ZERO
    if len(states) and states.max() > 1:
        states = STATE[value]
        if states.max() == INVALID:
            return None
    return code, times, states
