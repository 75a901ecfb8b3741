"""What each column of a CSV file holds: time, levels, packed bits, volts, or nothing of use."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from typing import Literal

from spinlag.errors import CaptureError
from spinlag.importers.csv_dialect import (
    COMMENT_MARKS,
    DELIMITER_NAMES,
    LEVELS,
    Dialect,
    HeadLine,
    find_dialect,
    head_lines,
    is_hexadecimal,
    newline_of,
)
from spinlag.importers.csv_header import HeaderName, Preamble, header_name, read_preamble, time_unit, volts
from spinlag.importers.csv_options import CsvOptions, TimeUnit
from spinlag.importers.lanes import LOST

Kind = Literal["time", "level", "packed", "analogue", "ignored"]

_BESIDE_ROWS = 40
"""Data rows whose unused columns may carry statements, as some instruments write them left of the trace."""

_MOSTLY = 0.95
"""Share of a column's cells that must be of one kind; the rest are faults to be reported, not a reason to guess."""

_RISING_SHARE = 0.6

_MOST_DIGITS = 40
"""Digits that a whole number which counts something may have."""

LARGEST_VOLTS = 1000.0
"""A column without a unit that holds larger numbers is not taken for volts. Common practice, no source."""

_VALUE = re.compile(r"\d[:.]\d")
"""A clock time or a fraction, which no header holds."""

_NO_RATE = ", and nothing states the sample rate: give it (--sample-rate)"
_CLOCK = re.compile(r"\d:\d\d")
_GROUPED = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")

_BINARY = re.compile(r"0[bB][01]{1,64}")

_LINE_NAMES = {"channel", "ch", "signal", "pin", "line", "input", "wire", "probe", "gpio"}
_LEVEL_NAMES = {"level", "value", "state", "val", "new value", "new_value", "new level"}
"""Headers of tables with a row per event: which line, and its new level."""

_FEW_NAMED = 6
"""Columns that a message names before it says how many more there are."""


@dataclass(frozen=True)
class Column:
    """One column: `factor` is volts per unit of an analogue column, `radix` the base of a packed one."""

    name: str
    kind: Kind
    factor: float = 1.0
    radix: int = 10
    note: str = ""


@dataclass(frozen=True)
class Layout:
    """How to read the data rows. `data_offset` is the byte, `first_line` the line (from 1) where they begin.

    `time` is the index of the time column, None where rows are counted instead. `places` is the most decimals that a
    time of the head has.
    """

    dialect: Dialect
    newline: int
    columns: tuple[Column, ...]
    time: int | None
    unit: TimeUnit
    unit_from: str
    sample_rate_hz: Fraction | None
    rate_from: str
    data_offset: int
    first_line: int
    places: int
    warnings: tuple[str, ...]

    def of_kind(self, kind: Kind) -> list[int]:
        """Indices of the columns of that kind."""
        return [k for k, column in enumerate(self.columns) if column.kind == kind]


@dataclass(frozen=True)
class _Table:
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
        return found >= _MOSTLY * max(sum(map(bool, self.columns[column])), 1)


def looks_like_rows(head: bytes) -> bool:
    """Whether the head of a file reads as a table with a time or sample column, or of levels alone."""
    lines = head_lines(head, complete=True)
    dialect = find_dialect(lines, CsvOptions())
    if dialect is None:
        return False
    table = _cut(lines, dialect, CsvOptions())
    if table is None:
        return _header_alone(lines, dialect)
    wrong = sum(1 for line in lines if line.number > table.first.number and _is_stray(line, dialect))
    time = _time_column(table, CsvOptions(), "")
    named = time is not None and (table.names[time].is_time or table.names[time].is_sample)
    if len(table.rows) < (1 if named else 2) or wrong > 0.2 * len(table.rows):
        return False
    kinds = [_kind_of(table, k, CsvOptions(), Preamble()).kind for k in range(dialect.width) if k != time]
    held = sum(kind != "ignored" for kind in kinds)
    return held > 0 if time is not None else held == len(kinds)


def _is_stray(line: HeadLine, dialect: Dialect) -> bool:
    return bool(line.text.strip()) and not line.is_comment and len(dialect.split(line.text)) != dialect.width


def _header_alone(lines: list[HeadLine], dialect: Dialect) -> bool:
    texts = [line.text for line in lines if line.text.strip() and not line.is_comment]
    return len(texts) == 1 and header_name(dialect.split(texts[0])[0]).is_time


def find_layout(head: bytes, options: CsvOptions, *, file: str, complete: bool) -> Layout:
    """The layout of a file from its head, `complete` where that is all of it.

    Raises CaptureError, saying what lacks.
    """
    options = _checked(options, file)
    lines = head_lines(head, complete=complete)
    dialect = find_dialect(lines, options)
    if dialect is None:
        raise CaptureError("no rows of two or more columns were found: this does not read as a CSV capture", file=file)
    table = _cut(lines, dialect, options)
    if table is None:
        raise CaptureError("no row of data was found below the header", file=file)
    preamble = read_preamble(table.preamble + _beside(table))
    time = _time_column(table, options, file)
    unit, unit_from, warnings = _unit_of_time(table, time, preamble, options, file)
    warnings += _grouped_times(table, time, options)
    columns = _columns(table, time, preamble, options, file)
    _refuse_events(table, columns, file)
    if not any(column.kind in ("level", "packed", "analogue") for column in columns):
        found = [f"column {k + 1}: {column.note or 'empty'}" for k, column in enumerate(columns) if k != time]
        more = [f"and {len(found) - _FEW_NAMED} more"] if len(found) > _FEW_NAMED else []
        said = "; ".join([*found[:_FEW_NAMED], *more]) or "there is only the time"
        raise CaptureError(f"no column holds levels or volts ({said})", file=file)
    rate, rate_from = preamble.sample_rate_hz, "stated in the file"
    if options.sample_rate_hz is not None:
        rate, rate_from = Fraction(str(options.sample_rate_hz)), "given by the user"
    if unit == "samples" and not rate:
        what = _no_time(table) if time is None else f"column {time + 1} holds sample numbers{_NO_RATE}"
        raise CaptureError(what, file=file)
    return Layout(
        dialect=dialect,
        newline=newline_of(head)[0],
        columns=tuple(columns),
        time=time,
        unit=unit,
        unit_from=unit_from,
        sample_rate_hz=rate,
        rate_from=rate_from,
        data_offset=table.first.offset,
        first_line=table.first.number,
        places=_places(table, time),
        warnings=tuple(warnings),
    )


def _checked(options: CsvOptions, file: str) -> CsvOptions:
    """Options with the delimiter as a character. Raises CaptureError for values that mean nothing."""
    given = options.delimiter
    delimiter = given if given is None else DELIMITER_NAMES.get(given.lower(), given)
    if delimiter is not None and (len(delimiter) != 1 or not delimiter.isascii() or delimiter.isalnum()):
        raise CaptureError(f"the delimiter {given!r} is not one punctuation character, 'tab' or 'space'", file=file)
    rate = options.sample_rate_hz
    if rate is not None and not 0 < rate < math.inf:
        raise CaptureError(f"a sample rate of {rate} Hz is none", file=file)
    if options.hysteresis is not None and not 0 <= options.hysteresis < 1:
        raise CaptureError(f"a hysteresis of {options.hysteresis} is no fraction of the amplitude below 1", file=file)
    if options.threshold_v is not None and not math.isfinite(options.threshold_v):
        raise CaptureError(f"a threshold of {options.threshold_v} V is none", file=file)
    return replace(options, delimiter=delimiter)


def _cut(lines: list[HeadLine], dialect: Dialect, options: CsvOptions) -> _Table | None:
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
    return _Table(dialect, preamble, tuple(names), tuple(titles), lines[first], [rows[k] for k in kept])


def _uncommented(line: HeadLine, dialect: Dialect) -> list[str]:
    """The fields of a line, its comment mark left out: a header may stand in a comment."""
    text = line.text.lstrip().lstrip("".join(COMMENT_MARKS)) if line.is_comment else line.text
    return dialect.split(text)


def _all_units(row: list[str]) -> bool:
    cells = [cell.strip("()[]") for cell in row if cell]
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


def _beside(table: _Table) -> list[str]:
    """Statements in the text columns of the first data rows, as "key,value" lines."""
    text = [k for k, column in enumerate(table.columns) if not any(map(table.dialect.is_number, column[-8:]))]
    if not text:
        return []
    rows = table.rows[:_BESIDE_ROWS]
    return [",".join(cell for cell in row[: max(text) + 1] if cell) for row in rows if row[text[0]]]


def _time_column(table: _Table, options: CsvOptions, file: str) -> int | None:
    """The time column: by the user's word, by its name, or the first column whose numbers rise. Volts are no times."""
    if options.time_column is not None:
        return _chosen_column(options.time_column, table, file)
    volts = {str(wanted) for wanted in options.analogue_columns or ()}
    others = [k for k in range(table.dialect.width) if not _spellings(table, k) & volts]
    rising = [k for k in others if _rises(table, k)]
    filled = [k for k in others if 2 * len(table.numbers[k]) >= len(table.rows)]
    for k in filled:
        if table.names[k].is_time and table.names[k].unit:
            return k
    for k in filled:
        if table.names[k].is_time and (k in rising or len(table.names[k].name) > 1):
            return k
    for k in rising:
        if table.names[k].is_sample:
            return k
    if rising:
        return rising[0]
    alone = others[:1] == [0] and len(table.rows) == 1 and table.numbers[0] and table.columns[0][0] not in LEVELS
    return 0 if alone else None


def _chosen_column(wanted: str | int, table: _Table, file: str) -> int:
    """Index of a column given by name or by number from 1. Raises CaptureError where there is none."""
    width = table.dialect.width
    for k in range(width):
        if str(wanted) in _spellings(table, k):
            return k
    known = ", ".join(table.titles) or f"columns 1 to {width}"
    raise CaptureError(f"there is no column {str(wanted)!r}; there are {known}", file=file)


def _spellings(table: _Table, column: int) -> set[str]:
    """What a user may call a column: its title, that without the unit, or its number from 1."""
    titles = {table.titles[column], table.names[column].name} if table.titles else set()
    return {str(column + 1), *titles} - {""}


def _rises(table: _Table, column: int) -> bool:
    """Whether most steps of a column go up and few go down."""
    cells = table.numbers[column]
    if len(cells) < 2 or 2 * len(cells) < len(table.rows):
        return False
    values = [float(cell.replace(",", ".")) for cell in cells]
    steps = [after - before for before, after in pairwise(values)]
    up, down = sum(step > 0 for step in steps), sum(step < 0 for step in steps)
    some = len(set(values)) > 2 or len(values) == 2
    return some and up >= _RISING_SHARE * len(steps) and 10 * down <= len(steps) + 9


def _unit_of_time(
    table: _Table, time: int | None, preamble: Preamble, options: CsvOptions, file: str
) -> tuple[TimeUnit, str, list[str]]:
    if time is None:
        return "samples", "rows are counted: there is no time column", []
    if options.time_unit is not None:
        return options.time_unit, "given by the user", []
    name = table.names[time]
    if name.time_unit is not None:
        return name.time_unit, "from the header", []
    if preamble.time_unit is not None:
        return preamble.time_unit, "stated in the file", []
    numbers = table.numbers[time]
    if any(not cell.lstrip("+-").isdecimal() for cell in numbers):
        said = f"column {time + 1} does not state the unit of its times: they were taken as seconds"
        return "s", "assumed", [said]
    known_rate = preamble.sample_rate_hz is not None or options.sample_rate_hz is not None
    if name.is_sample or (known_rate and _counts_by_one(numbers)):
        return "samples", "whole numbers that count samples", []
    raise CaptureError(
        "whole numbers without a unit: give the unit of the times or, if they are sample numbers, the sample rate",
        file=file,
        line=table.first.number,
        column=time + 1,
    )


def _no_time(table: _Table) -> str:
    """Why there is no time column: what stands where a time should be, and what to do."""
    named = (k for k, name in enumerate(table.names) if name.is_time)
    column = next(named, 0)
    cells = [cell for cell in table.columns[column] if cell and not table.dialect.is_number(cell)]
    if not cells:
        return f"no column reads as a time{_NO_RATE}"
    if _CLOCK.search(cells[0]):
        how = "holds clock times; export times as plain numbers, such as seconds from the start"
    else:
        how = "holds no plain numbers; export times without units and group signs in the cells"
    return f"no column reads as a time: column {column + 1} ({cells[0][:40]!r}) {how}"


def _grouped_times(table: _Table, time: int | None, options: CsvOptions) -> list[str]:
    """A doubt about quoted times such as "1,000" between commas: decimals, or thousands in groups?"""
    if time is None or options.decimal is not None or table.dialect.delimiter != "," or table.dialect.decimal != ",":
        return []
    cells = [cell for cell in table.numbers[time] if "," in cell]
    if not cells or not all(_GROUPED.fullmatch(cell) for cell in cells):
        return []
    return [
        f"column {time + 1}: {cells[0]!r} was read with a decimal comma; if the comma groups thousands, every time is "
        "1000 times too short: export the times without it"
    ]


def _counts_by_one(numbers: list[str]) -> bool:
    """Whether the least step of whole numbers is 1, as it is for sample numbers."""
    if any(len(cell) > _MOST_DIGITS for cell in numbers):
        return False
    steps = [after - before for before, after in pairwise(map(int, numbers)) if after > before]
    return not steps or min(steps) == 1


def _places(table: _Table, time: int | None) -> int:
    """The most decimals that a time of the head has."""
    most = 0
    for cell in table.numbers[time] if time is not None else ():
        digits, _, exponent = cell.lower().partition("e")
        most = max(most, len(digits.partition(table.dialect.decimal)[2]) - int(exponent or 0))
    return most


def _columns(table: _Table, time: int | None, preamble: Preamble, options: CsvOptions, file: str) -> list[Column]:
    for wanted in (*(options.packed_columns or ()), *(options.analogue_columns or ())):
        _chosen_column(wanted, table, file)
    columns = [
        Column(_name(table, k), "time") if k == time else _kind_of(table, k, options, preamble)
        for k in range(table.dialect.width)
    ]
    if any(column.kind == "analogue" for column in columns):
        # A trace that rests at a plain 0 all through the head is a trace all the same.
        for k, column in enumerate(columns):
            if column.kind == "level" and set(table.columns[k]) in ({"0"}, {"1"}):
                columns[k] = Column(column.name, "analogue", preamble.volts or 1.0)
    return columns


def _refuse_events(table: _Table, columns: list[Column], file: str) -> None:
    """A table with a row per event of some line would read as one line that all of them share."""
    names = [column.name.lower() for column in columns]
    which = next((k for k, name in enumerate(names) if name in _LINE_NAMES), None)
    what = next((k for k, name in enumerate(names) if name in _LEVEL_NAMES), None)
    others = [k for k, column in enumerate(columns) if column.kind in ("level", "packed") and k not in (which, what)]
    if which is None or what is None or others or columns[what].kind != "level":
        return
    raise CaptureError(
        f"each row seems to tell of the line that column {which + 1} ({columns[which].name}) names: "
        "export one column of levels per line",
        file=file,
        line=table.first.number,
    )


def _name(table: _Table, column: int) -> str:
    return table.names[column].name or f"column_{column + 1}"


def _kind_of(table: _Table, column: int, options: CsvOptions, preamble: Preamble) -> Column:
    """What a column other than the time holds, by the user's word, its unit and its cells in the head."""
    name, unit = _name(table, column), table.names[column].unit
    filled = [cell for cell in table.columns[column] if cell]
    numbers = table.numbers[column]
    spellings = _spellings(table, column)
    factor = table.names[column].volts
    in_volts = Column(name, "analogue", factor or preamble.volts or 1.0)
    if spellings & {str(wanted) for wanted in options.packed_columns or ()}:
        return Column(name, "packed", radix=_radix(filled))
    if spellings & {str(wanted) for wanted in options.analogue_columns or ()}:
        return in_volts
    if not filled:
        return Column(name, "level" if table.names[column].name else "ignored")
    if factor is not None and 2 * len(numbers) > len(filled):
        return in_volts
    if table.mostly(sum(cell.lower() in LEVELS for cell in filled), column):
        return Column(name, "level")
    whole = [cell for cell in numbers if cell.isdecimal()]
    if len(whole) == len(filled) and _counts_by_one(whole) and _rises(table, column):
        return Column(name, "ignored", note=f"{name} counts rows")
    if unit and table.mostly(len(numbers), column):
        return Column(name, "ignored", note=f"{name} is in {unit}, which is no voltage")
    known = [cell for cell in filled if LEVELS.get(cell.lower()) != LOST]
    if sum(cell.isdecimal() or is_hexadecimal(cell) for cell in known) >= _MOSTLY * len(known):
        return Column(name, "packed", radix=_radix(known))
    if table.mostly(len(numbers), column):
        if max(abs(float(cell.replace(",", "."))) for cell in numbers) > LARGEST_VOLTS:
            return Column(name, "ignored", note=f"{name} holds numbers too large for volts")
        return in_volts
    return Column(name, "ignored", note=f"{name} holds text")


def _radix(cells: list[str]) -> int:
    """16 for cells such as 0x3F or 3F, 2 for binary digits of one width or behind 0b, 10 otherwise."""
    if cells and all(_BINARY.fullmatch(cell) for cell in cells):
        return 2
    widths = {len(cell) for cell in cells}
    if len(widths) == 1 and min(widths) > 1 and {*"".join(cells)} <= {*"01"} and any(cell[0] == "0" for cell in cells):
        return 2
    return 16 if any(not cell.isdecimal() and is_hexadecimal(cell) for cell in cells) else 10
