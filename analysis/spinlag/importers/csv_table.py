"""The head of a CSV file cut into a preamble, a header row, a row of units, and rows of one width."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from spinlag.importers.csv_dialect import COMMENT_MARKS, LEVELS, Dialect, HeadLine, is_hexadecimal
from spinlag.importers.csv_header import HeaderName, header_name, time_unit, volts
from spinlag.importers.csv_options import CsvOptions

_BESIDE_ROWS = 40
"""Data rows whose unused columns may carry statements, as some instruments write them left of the trace."""

MOSTLY = 0.95
"""Share of a column's cells that must be of one kind; the rest are faults to be reported, not a reason to guess."""

_VALUE = re.compile(r"\d[:.]\d")
"""A clock time or a fraction, which no header holds."""

Kind = Literal["time", "level", "packed", "analogue", "ignored"]


@dataclass(frozen=True)
class Column:
    """One column: `factor` is volts per unit of an analogue column, `radix` the base of a packed one."""

    name: str
    kind: Kind
    factor: float = 1.0
    radix: int = 10
    note: str = ""


@dataclass(frozen=True)
class Table:
    """The head cut into a preamble, a header row (or none), a row of units (or none) and data rows of one width."""

    dialect: Dialect
    preamble: list[str]
    names: tuple[HeaderName, ...]
    titles: tuple[str, ...]
    """The header's fields as written; empty without a header."""
    first: HeadLine
    """The line where the data begin; it may be a faulty one."""
    rows: list[list[str]]

    @cached_property
    def columns(self) -> list[list[str]]:
        """The cells of every column."""
        return [[row[k] for row in self.rows] for k in range(self.dialect.width)]

    @cached_property
    def numbers(self) -> list[list[str]]:
        """Those cells of every column that are numbers."""
        return [[cell for cell in column if self.dialect.is_number(cell)] for column in self.columns]

    def mostly(self, found: int, column: int) -> bool:
        """Whether so many cells are most of the filled ones of a column."""
        return found >= MOSTLY * max(sum(map(bool, self.columns[column])), 1)


def cut_table(lines: list[HeadLine], dialect: Dialect, options: CsvOptions) -> Table | None:
    """Find header and data rows; None where no row reads as data.

    Below a header that names a time column everything is data, so that a faulty first row is not taken for preamble.
    """
    rows = [_uncommented(line, dialect) for line in lines]
    body = [k for k, row in enumerate(rows) if len(row) == dialect.width and not lines[k].is_comment]
    numeric = [k for k in body if any(map(dialect.is_number, rows[k]))]
    if body and all(not rows[k][-1] for k in body):
        # a delimiter behind every row but not behind the header
        rows = [[*row, ""] if len(row) == dialect.width - 1 else row for row in rows]
    first = next((k for k in numeric if _is_data(rows[k], rows, numeric, dialect)), None)
    if first is None:
        return None
    header = _named_header(rows[:first], dialect, options)
    if header is not None:
        first = next(k for k, line in enumerate(lines) if k > header and line.text.strip() and not line.is_comment)
    else:
        header = next((k for k in reversed(range(first)) if _is_heading(rows[k], dialect)), None)
    units: list[str] = []
    if header is not None and _all_units(rows[first]):
        units = rows[first]
        first = next(k for k in body if k > first)
    elif header and _all_units(rows[header]) and _is_heading(rows[header - 1], dialect):
        units, header = rows[header], header - 1
    titles = [] if header is None else rows[header]
    names = [header_name(title) for title in titles] or [HeaderName("", "")] * dialect.width
    for k, unit in enumerate(units):
        names[k] = names[k] if names[k].unit else HeaderName(names[k].name, unit.strip("()[]"))
    kept = [k for k in body if k >= first]
    preamble = [lines[k].text for k in range(first) if k != header]
    return Table(dialect, preamble, tuple(names), tuple(titles), lines[first], [rows[k] for k in kept])


def _uncommented(line: HeadLine, dialect: Dialect) -> list[str]:
    """The fields of a line, its comment mark left out: a header may stand in a comment."""
    text = line.text.lstrip().lstrip("".join(COMMENT_MARKS)) if line.is_comment else line.text
    return dialect.split(text)


def _all_units(row: list[str]) -> bool:
    cells = [cell.strip("()[]") for cell in row if cell not in ("", "-")]
    return len(cells) > 0 and all(time_unit(cell) is not None or volts(cell) is not None for cell in cells)


def _named_header(rows: list[list[str]], dialect: Dialect, options: CsvOptions) -> int | None:
    """The last of these rows that names a time column; none of its fields reads as a clock time or a fraction."""
    found = None
    for k, row in enumerate(rows):
        if len(row) != dialect.width or any(_VALUE.search(field) for field in row):
            continue
        names = [header_name(field) for field in row]
        if options.time_column in row or any(name.is_time or name.name == options.time_column for name in names):
            found = k
    return found


def _is_heading(row: list[str], dialect: Dialect) -> bool:
    return len(row) == dialect.width and any(row) and not any(map(dialect.is_number, row))


def _is_data(row: list[str], rows: list[list[str]], numeric: list[int], dialect: Dialect) -> bool:
    """Whether a row has numbers or levels wherever most rows have them."""
    sample = [rows[k] for k in numeric[len(numeric) // 2 :][:_BESIDE_ROWS]]
    for column, field in enumerate(row):
        usual = sum(1 for other in sample if _is_value(other[column], dialect))
        if 2 * usual > len(sample) and not _is_value(field, dialect):
            return False
    return True


def _is_value(field: str, dialect: Dialect) -> bool:
    return field != "" and (dialect.is_number(field) or field.lower() in LEVELS or is_hexadecimal(field))


def beside(table: Table) -> list[str]:
    """Statements in the text columns of the first data rows, as "key,value" lines."""
    text = [k for k, column in enumerate(table.columns) if not any(map(table.dialect.is_number, column[-8:]))]
    if not text:
        return []
    rows = table.rows[:_BESIDE_ROWS]
    return [",".join(cell for cell in row[: max(text) + 1] if cell) for row in rows if row[text[0]]]
