"""Rows of plain CSV text through numpy: all rows of one width at once, or fields found by their separators.

Every reader here either understands all the rows it is given or returns None; what it cannot read is left to the slow
reader, which also finds the words for what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.csv_cells import analogue_cells, level_cells, level_codes, packed_cells
from spinlag.importers.csv_decimals import (
    Numbers,
    Positions,
    Words,
    any_width_numbers,
    column_words,
    same_width_numbers,
    words_ending_at,
)
from spinlag.importers.csv_dialect import COMMENT_MARKS
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_pointed import pointed_numbers
from spinlag.importers.csv_rows import FINEST_PLACES, Codes, PackedCells, Rows, rows_that_change, steps_of, ticks_of
from spinlag.importers.csv_text import NEWLINE, RETURN, Text

_EXPONENT_MARKS = (b"e", b"E")

_MOST_INDENT = 64
"""Blanks before a row that are looked past."""

_AROUND = b' "'
"""What may stand around a cell."""


@dataclass(frozen=True)
class Tail:
    """The part of a row after the time, where every level is one character: the same bytes in every row but for those.

    `before` is what stands in front of the time (a quote, spaces). `length` counts from the end of the time to the line
    feed inclusive. Per eight-byte word, last one first, `mask` and `value` hold the bytes that never change; `levels`
    gives (word, byte in the word) of every level column.
    """

    before: bytes
    length: int
    mask: tuple[int, ...]
    value: tuple[int, ...]
    levels: tuple[tuple[int, int], ...]


def has_tail(layout: Layout) -> bool:
    """Whether rows may be a time (or none) followed by levels of one character."""
    first = 0 if layout.time is None else 1
    kinds = [column.kind for column in layout.columns[first:]]
    return layout.time in (None, 0) and set(kinds) <= {"level", "ignored"} and "level" in kinds


def find_tail(row: bytes, layout: Layout, delimiter: int) -> Tail | None:
    """The tail of one row (its line feed included); None where a level is not one character."""
    cells = row.rstrip(b"\r\n").split(bytes([delimiter]))
    if len(cells) != len(layout.columns) or not all(map(_quotes_pair, cells)):
        return None
    before, at = b"", 0
    if layout.time is not None:
        number = cells[0].strip(_AROUND)
        at = cells[0].find(number) + len(number)
        before = cells[0][: at - len(number)]
    length = len(row) - at
    size = (length + 7) // 8 * 8
    fixed = bytearray(size - length) + bytearray(row[at:])
    mask = bytearray(size - length) + bytearray(b"\xff" * length)
    levels = []
    position = size - length - at
    for k, cell in enumerate(cells):
        if layout.columns[k].kind == "level":
            level = cell.strip(_AROUND)
            if len(level) != 1:
                return None
            byte = position + cell.find(level)
            fixed[byte] = mask[byte] = 0
            levels.append((size // 8 - 1 - byte // 8, byte % 8))
        position += len(cell) + 1
    words = range(size - 8, -1, -8)
    return Tail(
        before,
        length,
        tuple(int.from_bytes(mask[k : k + 8], "little") for k in words),
        tuple(int.from_bytes(fixed[k : k + 8], "little") for k in words),
        tuple(levels),
    )


def _quotes_pair(cell: bytes) -> bool:
    """Whether a cell has no quotes, or one at either end."""
    if b'"' not in cell:
        return True
    bare = cell.strip(b" ")
    return len(bare) > 1 and bare[:1] == bare[-1:] == b'"' and b'"' not in bare[1:-1]


def run_of_one_width(text: Text, start: int) -> tuple[int, int]:
    """(width, rows) of the rows from `start` on whose line feeds lie at one distance; the width is 0 without any."""
    buffer = text.buffer
    first = bytes(buffer[start : min(text.stop, start + 4096)]).find(b"\n")
    if first < 0:
        return 0, 0
    width = first + 1
    rows = (text.stop - start) // width
    ends = buffer[start + width - 1 : start + rows * width : width] == NEWLINE
    return width, rows if ends.all() else int(ends.argmin())


def same_width_rows(text: Text, start: int, width: int, rows: int, layout: Layout) -> Rows | None:
    """Rows of one width that end in a tail."""
    buffer = text.buffer
    tail = find_tail(bytes(buffer[start : start + width]), layout, text.delimiter)
    if tail is None:
        return None
    words = column_words(buffer, start + width, width, rows, len(tail.mask))
    found = _tail_levels(words, tail)
    if found is None:
        return None
    changed, levels = found
    if layout.time is None:
        return _counted(rows, changed, levels)
    begin = start + len(tail.before)
    if any((buffer[start + k : start + rows * width : width] != c).any() for k, c in enumerate(tail.before)):
        return None
    numbers = same_width_numbers(buffer, begin, start + width - tail.length, width, rows, text.decimal)
    return None if numbers is None else _timed(numbers, layout, changed, levels)


def any_width_rows(text: Text, start: int, stop: int, layout: Layout) -> Rows | None:
    """Rows of varying width in [start, stop) that end in a tail."""
    buffer = text.buffer
    ends = np.flatnonzero(buffer[start:stop] == NEWLINE)
    ends += start
    if len(ends) == 0:
        return None
    tail = find_tail(bytes(buffer[start : ends[0] + 1]), layout, text.delimiter)
    if tail is None:
        return None
    ends += 1
    begins = np.empty_like(ends)
    begins[0] = start
    begins[1:] = ends[:-1]
    words = words_ending_at(text.words, ends, len(tail.mask))
    found = _tail_levels(words, tail)
    if found is None:
        return None
    changed, levels = found
    ends -= tail.length
    if layout.time is None:
        return _counted(len(ends), changed, levels) if (ends == begins).all() else None
    for k, c in enumerate(tail.before):
        if (buffer.take(begins + k) != c).any():
            return None
    begins += len(tail.before)
    numbers = pointed_numbers(text.words, begins, ends, text.decimal)
    if numbers is None:
        exponents = _holds_exponent(text, start, stop)
        numbers = any_width_numbers(text.words, begins, ends, text.decimal, exponents=exponents)
    return None if numbers is None else _timed(numbers, layout, changed, levels)


def _holds_exponent(text: Text, start: int, stop: int) -> bool:
    sample = text.buffer[start:stop].tobytes()
    return any(mark in sample for mark in _EXPONENT_MARKS)


def _tail_levels(words: list[Words], tail: Tail) -> tuple[Positions, list[Codes]] | None:
    """Rows whose levels differ from the row before (row 0 always), and the levels there."""
    top = tail.length % 8
    if top:
        words[-1] &= np.uint64((1 << 64) - (1 << (64 - 8 * top)))
    differs = np.empty(len(words[0]), dtype=np.bool_)
    differs[0] = True
    np.not_equal(words[0][1:], words[0][:-1], out=differs[1:])
    for word in words[1:]:
        differs[1:] |= word[1:] != word[:-1]
    changed = np.flatnonzero(differs)
    words = [word[changed] for word in words]
    for word, mask, value in zip(words, tail.mask, tail.value, strict=True):
        if ((word & np.uint64(mask)) != np.uint64(value)).any():
            return None
    levels = []
    for word_index, byte in tail.levels:
        codes = level_codes(words[word_index].view(np.uint8)[byte::8])
        if codes is None:
            return None
        levels.append(codes)
    # F behind 0 is another character and the same level
    real = rows_that_change(len(changed), levels, [])
    if len(real) < len(changed):
        return changed[real], [codes[real] for codes in levels]
    return changed, levels


def _counted(rows: int, changed: Positions, levels: list[Codes]) -> Rows:
    step = 1 if rows > 1 else 0
    return Rows(np.arange(rows, dtype=np.int64), 0, changed, levels, (), (), 0, rows, step, step)


def _timed(numbers: Numbers, layout: Layout, changed: Positions, levels: list[Codes]) -> Rows | None:
    found = ticks_of(numbers, FINEST_PLACES[layout.unit])
    if found is None:
        return None
    ticks, places, rounded = found
    least, most, same = steps_of(ticks)
    if least < 0:
        return None
    return Rows(ticks, places, changed, levels, (), (), 0, len(ticks), least, most, rounded, same)


def separated_rows(text: Text, start: int, stop: int, layout: Layout) -> Rows | None:
    """Rows of any columns in [start, stop), their fields found by the separators."""
    buffer = text.buffer
    body = buffer[start:stop]
    newline = body == NEWLINE
    marks = np.flatnonzero((body == text.delimiter) | newline)
    marks += start
    width = len(layout.columns)
    if len(marks) % width or len(marks) == 0:
        return None
    ends = marks.reshape(-1, width)
    rows = len(ends)
    if int(np.count_nonzero(newline)) != rows or (buffer.take(ends[:, -1]) != NEWLINE).any():
        return None
    begins = np.empty_like(ends)
    begins[:, 1:] = ends[:, :-1] + 1
    begins[0, 0] = start
    begins[1:, 0] = ends[:-1, -1] + 1
    if layout.columns[0].kind == "ignored" and _begins_a_comment(buffer, begins[:, 0]):
        return None
    last = np.ascontiguousarray(ends[:, -1])
    last -= buffer.take(last - 1) == RETURN
    exponents = _holds_exponent(text, start, stop)

    def cells(column: int) -> tuple[Positions, Positions]:
        end = last if column == width - 1 else np.ascontiguousarray(ends[:, column])
        return np.ascontiguousarray(begins[:, column]), end

    return _read_columns(text, layout, rows, cells, exponents=exponents)


def _begins_a_comment(buffer: NDArray[np.uint8], begins: Positions) -> bool:
    """Whether any row may be a remark: in a first column that nobody reads, nothing else would show it."""
    at = begins.copy()
    for _ in range(_MOST_INDENT):
        first = buffer.take(at)
        blank = (first == ord(" ")) | (first == ord("\t"))
        if not blank.any():
            return any((first == ord(mark[0])).any() for mark in COMMENT_MARKS)
        at += blank
    return True


def _read_columns(
    text: Text,
    layout: Layout,
    rows: int,
    cells: Callable[[int], tuple[Positions, Positions]],
    *,
    exponents: bool,
) -> Rows | None:
    levels: list[Codes] = []
    packed: list[PackedCells] = []
    volts: list[NDArray[np.float64]] = []
    numbers: Numbers | None = None
    for k, column in enumerate(layout.columns):
        if column.kind == "ignored":
            continue
        begins, ends = cells(k)
        found: object
        if column.kind == "time":
            found = numbers = pointed_numbers(text.words, begins, ends, text.decimal) or any_width_numbers(
                text.words, begins, ends, text.decimal, exponents=exponents
            )
        elif column.kind == "level":
            found = level_cells(text.words, begins, ends)
            levels += [] if found is None else [found]
        elif column.kind == "packed":
            found = packed_cells(text.words, begins, ends, column.radix)
            packed += [] if found is None else [found]
        else:
            found = analogue_cells(text.words, begins, ends, text.decimal, exponents=exponents)
            volts += [] if found is None else [found * column.factor]
        if found is None:
            return None
    changed = rows_that_change(rows, levels, packed)
    levels = [column[changed] for column in levels]
    packed = [(value[changed], lost[changed]) for value, lost in packed]
    blank = _counted(rows, changed, levels) if numbers is None else _timed(numbers, layout, changed, levels)
    return None if blank is None else replace(blank, packed=packed, volts=volts)
