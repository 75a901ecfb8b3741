"""One block of CSV text to rows: the fastest reader that understands them, piece by piece."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from spinlag.importers.blocks import Block
from spinlag.importers.csv_fast import any_width_rows, has_tail, run_of_one_width, same_width_rows, separated_rows
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_rows import Fault, Rows
from spinlag.importers.csv_slow import COMMENT_BYTES, slow_rows
from spinlag.importers.csv_text import NEWLINE, QUOTE, Text, plain_text

_FEW_ROWS = 64
"""A shorter run of rows of one width is not worth its own pass."""

_SLOW_BYTES = 1 << 13
"""A piece with an odd row in it is halved down to this size before the slow reader takes it."""


def read_block(block: Block, layout: Layout) -> list[Rows]:
    """All rows of a block, up to the first fault; lines are counted from 0 at the start of the block."""
    start = min(max(block.start, block.start + layout.data_offset - block.offset), block.stop)
    stop = block.stop
    text = plain_text(block.raw, start, stop, layout.dialect, layout.newline)
    fault = None
    if text is None:
        stop, fault = _open_quote(block, start, layout)
        text = plain_text(block.raw, start, stop, layout.dialect, layout.newline)
        if text is None:
            return [_nothing(Fault(0, None, fault.reason))]
    end = text.stop
    if block.last and fault is None and end > text.start and text.buffer[end - 1] != NEWLINE:
        end = text.start + bytes(text.buffer[text.start : end]).rfind(b"\n") + 1
    pieces = _numbered(_read(text, text.start, end, layout))
    if pieces and layout.columns[-1].kind != "level":
        pieces[-1] = replace(pieces[-1], last_cell=_last_cell(text, text.start, end))
    if end < text.stop and not (pieces and pieces[-1].fault):
        pieces.append(_unended(text, end, layout, sum(piece.lines for piece in pieces)))
    if fault is not None and not (pieces and pieces[-1].fault):
        pieces.append(_nothing(fault))
    return pieces


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


def _read(text: Text, start: int, stop: int, layout: Layout) -> Iterator[Rows]:
    if not has_tail(layout):
        yield from _separated(text, start, stop, layout)
        return
    while start < stop:
        width, rows = run_of_one_width(text, start)
        rows = min(rows, (stop - start) // width) if width else 0
        end = start + width * rows
        if rows < _FEW_ROWS and end < stop:
            end = stop
            found = any_width_rows(text, start, end, layout)
        else:
            found = same_width_rows(text, start, width, rows, layout) or any_width_rows(text, start, end, layout)
        if found is not None:
            yield found
        else:
            yield from _separated(text, start, end, layout)
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


def _unended(text: Text, start: int, layout: Layout, lines: int) -> Rows:
    """The last line of the file where nothing ends it: a whole row, or what a cut left of one.

    A level is whole or it does not read; a number could have lost digits, which only the row above can tell.
    """
    found = slow_rows(text, start, text.stop, layout)
    bare = replace(found, first_line=found.first_line + lines, fault=None)
    if not len(found):
        return replace(bare, cut_line=lines if found.fault else None)
    cell = _last_cell(text, start, text.stop)
    if layout.columns[-1].kind != "level":
        return replace(bare, last_cell=cell, doubtful=True)
    return bare if cell else replace(_nothing(None), cut_line=lines)


def _last_cell(text: Text, start: int, stop: int) -> int | None:
    """Length of the last cell of the last row; None where there is no row."""
    tail = text.buffer[start:stop].tobytes()
    while tail:
        tail = tail.rstrip(b"\r\n")
        rest, _, row = tail.rpartition(b"\n")
        if row.strip() and not row.lstrip().startswith(COMMENT_BYTES):
            return len(row.rpartition(bytes([text.delimiter]))[2])
        tail = rest
    return None


def _open_quote(block: Block, start: int, layout: Layout) -> tuple[int, Fault]:
    """Where the first line with an unclosed quote begins, and the fault."""
    newline = bytes([layout.newline])
    position = start
    for number, line in enumerate(bytes(block.raw[start : block.stop]).split(newline)):
        if line.count(QUOTE) % 2:
            return position, Fault(number, None, "a quoted field does not end on its line")
        position += len(line) + 1
    return start, Fault(0, None, "quotes that do not pair")


def _nothing(fault: Fault | None) -> Rows:
    none = np.empty(0, dtype=np.int64)
    return Rows(none, 0, none.astype(np.intp), (), (), (), fault.line if fault else 0, 0, fault=fault)
