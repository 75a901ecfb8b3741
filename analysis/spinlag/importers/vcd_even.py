"""Rows of a VCD block that lie at one distance: their fields are columns of the text, and nothing need be searched for.

Most rows of a busy recording are a time stamp and one value, all of one length. Where another line changes at the same
time a row is longer, and a new run of even rows begins behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.blocks import Block
from spinlag.importers.vcd_codes import KEEP_LOW, Bytes, Indices, Words
from spinlag.importers.vcd_tokens import BLANK, eight, held, steps

STAMP = ord("#")

_LOOK = 4096
"""Rows that are looked at together."""

_TRIED = 8
_SHORTEST = 256
"""After so many runs they must have so many rows on average; else searching is quicker."""

_MOST_DIGITS = 16


@dataclass(frozen=True, eq=False)
class EvenRows:
    """Rows of `width` bytes of the text buffer[start:], in runs.

    Run k begins at `begins[k]` (from `start`) and has `rows[k]` rows. The last row of a run may be longer: then its
    length is in `longer`, by the number of the row.
    """

    buffer: Bytes
    start: int
    width: int
    begins: list[int]
    rows: list[int]
    longer: dict[int, int]

    def __len__(self) -> int:
        return sum(self.rows)

    def odd(self) -> tuple[Indices, Indices, Indices]:
        """Of the longer rows: number, where they begin in the text, and length; shape (n,) each."""
        ends = np.cumsum(self.rows)
        starts = zip(ends, self.begins, self.rows, strict=True)
        where = {int(end) - 1: at + (count - 1) * self.width for end, at, count in starts}
        number = np.array(list(self.longer), dtype=np.int64)
        at = np.array([where[row] for row in self.longer], dtype=np.int64)
        return number, at, np.array(list(self.longer.values()), dtype=np.int64)

    def column(self, place: int) -> Bytes:
        """The byte at `place` of every row, shape (n,)."""
        return self._gathered(place, np.dtype(np.uint8))

    def words(self, place: int) -> Words:
        """The little-endian word that begins at `place` of every row, which may be a little before it; shape (n,)."""
        return self._gathered(place, np.dtype("<u8"))

    def _gathered(self, place: int, kind: np.dtype[np.uint8] | np.dtype[np.uint64]) -> NDArray[np.unsignedinteger]:
        found = np.empty(len(self), dtype=kind)
        at = 0
        for begin, rows in zip(self.begins, self.rows, strict=True):
            view = np.ndarray((rows,), kind, self.buffer.data, self.start + begin + place, (self.width,))
            found[at : at + rows] = view
            at += rows
        return found


def find_rows(block: Block, width: int) -> EvenRows | None:
    """The runs of a block that begins with a stamp; None where they are too short to pay.

    Only the first byte of each row is looked at: what else is in the row is for the caller to check.
    """
    raw, text, length = block.raw, block.text(), len(block)
    begins, rows, longer = [], [], {}
    done = at = 0
    while at < length:
        count = _run(text, at, width)
        if not count:
            return None
        begins.append(at)
        rows.append(count)
        done += count
        last = at + (count - 1) * width
        at += count * width
        if at == length:
            break
        at = _next_stamp(raw, block.start + last + 1, block.stop) - block.start
        longer[done - 1] = at - last
        if len(begins) >= _TRIED and done < _SHORTEST * len(begins):
            return None
    return EvenRows(block.buffer, block.start, width, begins, rows, longer)


def _run(text: Bytes, at: int, width: int) -> int:
    """How many rows from `at` on begin with a stamp where they should."""
    count = 0
    possible = (len(text) - at) // width
    while count < possible:
        ahead = min(_LOOK, possible - count)
        begin = at + count * width
        good = text[begin : begin + ahead * width : width] == STAMP
        if not good.all():
            return count + int(good.argmin())
        count += ahead
    return count


def _next_stamp(raw: bytearray, start: int, stop: int) -> int:
    """Where the next `#` behind white space stands, or `stop`."""
    at = raw.find(STAMP, start, stop)
    while at >= 0 and raw[at - 1] > BLANK:
        at = raw.find(STAMP, at + 1, stop)
    return stop if at < 0 else at


def times_of(rows: EvenRows, digits: int) -> NDArray[np.int64] | None:
    """The numbers of `digits` digits behind the stamps, shape (n,); None where one is no number, or too long."""
    if digits > _MOST_DIGITS:
        return None
    low = min(digits, 8)
    value = eight(rows.words(1 + digits - 8), None, low, low)
    if value is None or digits <= 8:
        return None if value is None else value.view(np.int64)
    more = rows.words(1 + digits - 16)
    count = digits - 8
    if count < 8:
        more &= ~KEEP_LOW[8 - count]
    changes = steps(more[1:] != more[:-1])
    high = eight(more[changes], None, count, count)
    if high is None:
        return None
    value += held(high, changes, len(value)) * np.uint64(10**8)
    return value.view(np.int64)
