"""The usual block of a VCD body at full speed: rows of a time stamp and one-bit values with one-character codes.

A row is `#`, digits, a blank, then a value, a code and a blank for each change at that time. All stamps of the block
have the same number of digits, and all blanks are one byte, or all two, as where lines end with CR LF. Mostly the rows
lie at one distance (`vcd_even`); else the stamps are searched for. Everything else stands at a known distance from
them, and every byte is checked to be what its place wants.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.blocks import Block
from spinlag.importers.vcd_codes import Bytes, Indices
from spinlag.importers.vcd_even import STAMP, find_rows, times_of
from spinlag.importers.vcd_group import by_code
from spinlag.importers.vcd_scheme import INVALID, STATE, Parsed, Scheme
from spinlag.importers.vcd_tokens import BLANK, decimals

Times = NDArray[np.int64]

_ZERO = np.uint8(ord("0"))
_VALUE = 2
"""Bytes of a value and its code."""

_MOST_DIGITS = 19
_WIDEST_BLANK = 2


def read_stamps(block: Block, scheme: Scheme) -> Parsed | None:
    """The block's records; None where anything in it is out of the ordinary, right or wrong."""
    raw, start, stop = block.raw, block.start, block.stop
    if stop - start < 2 or raw[start] != STAMP or raw[stop - 1] > BLANK or raw.find(0, start, stop) >= 0:
        return None
    digits = _run(raw, start + 1, _MOST_DIGITS, blank=False)
    blank = _run(raw, start + 1 + digits, _WIDEST_BLANK, blank=True)
    if not 1 <= digits <= _MOST_DIGITS or not 1 <= blank <= _WIDEST_BLANK:
        return None
    times, values = _read_even(block, digits, blank) or _read_searched(block, digits, blank) or (None, None)
    if times is None or values is None or (times[1:] < times[:-1]).any():
        return None
    found = _with_longer(values, times, blank)
    recorded = None if found is None else by_code(*found, scheme.one_bit_lanes())
    return None if recorded is None else Parsed(recorded, False, int(times[0]), int(times[-1]), block.offset)


@dataclass(frozen=True, eq=False)
class _Values:
    """First value and code of every row, shape (n,), and the m rows that have not just one value.

    `text` begins at the first value of the first row; the values of row `odd[i]` begin at text[at[i]], and there are
    `count[i]` of them.
    """

    text: Bytes
    value: Bytes
    code: Bytes
    odd: Indices
    at: Indices
    count: Indices


def _read_even(block: Block, digits: int, blank: int) -> tuple[Times, _Values] | None:
    """Rows at one distance; None where they are not, or something is out of the ordinary."""
    head = digits + 1 + blank
    rows = find_rows(block, head + _VALUE + blank)
    if rows is None:
        return None
    odd, at, size = rows.odd()
    count, rest = np.divmod(size - head, _VALUE + blank)
    if len(odd) and (rest.any() or count.min() < 1):
        return None
    places = [place + offset for place in (digits + 1, head + _VALUE) for offset in range(blank)]
    if any((rows.column(place) > BLANK).any() for place in places):
        return None
    stamps = times_of(rows, digits)
    if stamps is None:
        return None
    text = block.buffer[block.start + head :]
    return stamps, _Values(text, rows.column(head), rows.column(head + 1), odd, at, count)


def _read_searched(block: Block, digits: int, blank: int) -> tuple[Times, _Values] | None:
    """Rows behind stamps wherever they are; None where something is out of the ordinary."""
    at = _stamps(block)
    text = block.buffer[block.start :]
    head = digits + 1 + blank
    rows = _rows(at, len(block), head, _VALUE + blank)
    if rows is None or not all(_blank(text, at, digits + 1 + place) for place in range(blank)):
        return None
    stamps = decimals(block.buffer, block.start + 1 + digits, at, None, digits, digits)
    if stamps is None or (blank > 1 and not _blank(text[head:], at, _VALUE)):
        return None
    odd, count = rows
    text = text[head:]
    return stamps, _Values(text, text[at], text[1:][at], odd, at[odd], count)


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
    stamp = text[1:] == STAMP
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


def _with_longer(rows: _Values, times: Times, blank: int) -> tuple[Bytes, Times, Bytes] | None:
    """Code, time and state of each value in file order.

    The byte before each stamp is known to be a blank; what else should be one between values is checked here.
    """
    text, value, code, odd, count = rows.text, rows.value, rows.code, rows.odd, rows.count
    if not len(odd):
        return _states(code, times, value)
    later = np.maximum(count - 1, 0)
    within = np.arange(int(later.sum())) - np.repeat(np.cumsum(later) - later, later) + 1
    row = np.repeat(odd, later)
    place = np.repeat(rows.at, later) + (_VALUE + blank) * within
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


def _states(code: Bytes, times: Times, value: Bytes) -> tuple[Bytes, Times, Bytes] | None:
    states = value ^ _ZERO
    if len(states) and states.max() > 1:
        states = STATE[value]
        if states.max() == INVALID:
            return None
    return code, times, states
