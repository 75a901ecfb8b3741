"""One block of CSV text to rows: the fastest reader that understands them, piece by piece."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from spinlag.importers.blocks import Block
from spinlag.importers.csv_dialect import SPACES
from spinlag.importers.csv_fast import any_width_rows, has_tail, run_of_one_width, same_width_rows, separated_rows
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_rows import Fault, Rows
from spinlag.importers.csv_slow import COMMENT_BYTES, ZERO_BYTES, slow_rows
from spinlag.importers.csv_text import END_OF_FILE, NEWLINE, QUOTE, Text, plain_text, text_as_it_stands

_FEW_ROWS = 512
"""A shorter run of rows of one width is not worth its own pass."""

_SLOW_BYTES = 1 << 13
"""A piece with an odd row in it is halved down to this size before the slow reader takes it."""


def read_block(block: Block, layout: Layout) -> list[Rows]:
    """All rows of a block, up to the first fault; lines are counted from 0 at the start of the block."""
    raw = block.raw
    start = min(max(block.start, block.start + layout.data_offset - block.offset), block.stop)
    end = _without_end_mark(block, start, layout) if block.last else block.stop
    block = replace(block, stop=end)
    if block.last and end > start and raw[end - 1] != layout.newline:
        end = max(raw.rfind(layout.newline, start, end) + 1, start)
    pieces = _numbered(_read(raw, start, end, layout))
    if pieces and layout.columns[-1].kind != "level":
        pieces[-1] = replace(pieces[-1], last_cell=_last_cell(raw, start, end, layout))
    if end < block.stop and not (pieces and pieces[-1].fault):
        pieces.append(_unended(raw, end, block.stop, layout, sum(piece.lines for piece in pieces)))
    return pieces


def _without_end_mark(block: Block, start: int, layout: Layout) -> int:
    """Where the last block ends without control-Z: what stands before that is a whole line."""
    end = block.stop
    while end > start and block.raw[end - 1] == END_OF_FILE[0]:
        end -= 1
    if start < end < block.stop and block.raw[end - 1] != layout.newline:
        block.raw[end] = layout.newline
        end += 1
    return end


def _numbered(pieces: Iterator[Rows]) -> list[Rows]:
    """Pieces up to the first fault, with lines counted from the start of the block."""
    found = []
    lines = 0
    for piece in pieces:
        fault = replace(piece.fault, line=piece.fault.line + lines) if piece.fault else None
        found.append(replace(piece, first_line=piece.first_line + lines, fault=fault) if lines or fault else piece)
        lines += piece.lines
        if fault:
            break
    return found


def _read(raw: bytearray, start: int, stop: int, layout: Layout) -> Iterator[Rows]:
    """Rows as the text stands, quotes and spaces included, where they have a tail; else in plain form.

    A line with a zero byte in it is a fault, in whatever column.
    """
    zero = raw.find(0, start, stop)
    if zero >= 0:
        line = raw.rfind(layout.newline, start, zero) + 1 or start
        yield from _read(raw, start, line, layout)
        yield _nothing(Fault(0, None, ZERO_BYTES))
        return
    dialect = layout.dialect
    if not has_tail(layout) or layout.newline != NEWLINE or dialect.delimiter in (SPACES, dialect.decimal):
        yield from _read_plain(raw, start, stop, layout)
        return
    text = text_as_it_stands(raw, start, stop, dialect)
    yield from _tailed(text, layout, lambda start, stop: _read_plain(raw, start, stop, layout))


def _read_plain(raw: bytearray, start: int, stop: int, layout: Layout) -> Iterator[Rows]:
    """Rows after the text was brought into plain form."""
    if start >= stop:
        return
    text = plain_text(raw, start, stop, layout.dialect, layout.newline)
    if text is None:
        at, fault = _open_quote(raw, start, stop, layout)
        yield from _read_plain(raw, start, at, layout)
        yield _nothing(replace(fault, line=0))
    elif has_tail(layout) and text.stop - text.start < stop - start:
        yield from _tailed(text, layout, lambda start, stop: _separated(text, start, stop, layout))
    else:
        yield from _separated(text, text.start, text.stop, layout)


def _tailed(text: Text, layout: Layout, otherwise: Callable[[int, int], Iterator[Rows]]) -> Iterator[Rows]:
    """Rows that end in levels of one character each; those that do not are read `otherwise`."""
    start = text.start
    while start < text.stop:
        width, rows = run_of_one_width(text, start)
        end = start + width * rows
        found = None
        if rows >= _FEW_ROWS or end == text.stop:
            found = same_width_rows(text, start, width, rows, layout)
        else:
            end = text.stop
        if found is None:
            found = any_width_rows(text, start, end, layout)
        if found is not None:
            yield found
        else:
            yield from otherwise(start, end)
        start = end


def _separated(text: Text, start: int, stop: int, layout: Layout) -> Iterator[Rows]:
    """Rows by their separators; a piece that does not read is halved until the slow reader takes the odd part."""
    if start >= stop:
        return
    found = separated_rows(text, start, stop, layout)
    if found is not None:
        yield found
        return
    middle = (start + stop) // 2
    cut = middle + bytes(text.buffer[middle:stop]).find(b"\n") + 1
    if stop - start <= _SLOW_BYTES or cut >= stop or cut <= middle:
        yield slow_rows(text, start, stop, layout)
        return
    yield from _separated(text, start, cut, layout)
    yield from _separated(text, cut, stop, layout)


def _unended(raw: bytearray, start: int, stop: int, layout: Layout, lines: int) -> Rows:
    """The last line of the file where nothing ends it: a whole row, or what a cut left of one.

    A level is whole or it does not read; a number could have lost digits, which only the row above can tell.
    """
    text = plain_text(raw, start, stop, layout.dialect, layout.newline)
    if text is None:
        return replace(_nothing(None), cut_line=lines)
    found = slow_rows(text, text.start, text.stop, layout)
    bare = replace(found, first_line=found.first_line + lines, fault=None)
    if not len(found):
        return replace(bare, cut_line=lines if found.fault else None)
    cell = _last_cell(raw, start, stop, layout)
    if layout.columns[-1].kind != "level":
        return replace(bare, last_cell=cell, doubtful=True)
    return bare if cell else replace(_nothing(None), cut_line=lines)


def _last_cell(raw: bytearray, start: int, stop: int, layout: Layout) -> int | None:
    """Length of the last cell of the last row; None where there is no row."""
    newline = bytes([layout.newline])
    tail = bytes(raw[start:stop])
    while tail:
        rest, _, row = tail.rstrip(b"\r\n").rpartition(newline)
        if row.strip(b" \t\r" + END_OF_FILE) and not row.lstrip().startswith(COMMENT_BYTES):
            return len(layout.dialect.split(row.decode("latin-1"))[-1])
        tail = rest
    return None


def _open_quote(raw: bytearray, start: int, stop: int, layout: Layout) -> tuple[int, Fault]:
    """Where the first line with an unclosed quote begins, and the fault."""
    position = start
    for number, line in enumerate(bytes(raw[start:stop]).split(bytes([layout.newline]))):
        if line.count(QUOTE) % 2:
            return position, Fault(
                number, None, "a quoted field does not end on its line: close the quote, or export without quotes"
            )
        position += len(line) + 1
    return start, Fault(0, None, "quotes that do not pair")


def _nothing(fault: Fault | None) -> Rows:
    none = np.empty(0, dtype=np.int64)
    return Rows(none, 0, none.astype(np.intp), (), (), (), fault.line if fault else 0, 0, fault=fault)
