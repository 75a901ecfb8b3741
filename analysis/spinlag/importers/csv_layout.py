"""What each column of a CSV file holds: time, levels, packed bits, volts, or nothing of use."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from spinlag.errors import CaptureError
from spinlag.importers.csv_dialect import (
    DELIMITER_NAMES,
    LEVELS,
    Dialect,
    HeadLine,
    find_dialect,
    head_lines,
    is_hexadecimal,
    newline_of,
)
from spinlag.importers.csv_header import Preamble, header_name, read_preamble, volts
from spinlag.importers.csv_options import CsvOptions, TimeUnit
from spinlag.importers.csv_refusals import grouped_times, refuse_events, refuse_header_alone, refuse_narrow_header
from spinlag.importers.csv_table import MOSTLY, Column, Kind, Table, beside, cut_table
from spinlag.importers.lanes import LOST

_RISING_SHARE = 0.6

_MOST_DIGITS = 40
"""Digits that a whole number which counts something may have."""

LARGEST_VOLTS = 1000.0
"""A column without a unit that holds larger numbers is not taken for volts. Common practice, no source."""

_NO_RATE = ", and nothing states the sample rate: give it (--sample-rate)"
_CLOCK = re.compile(r"\d:\d\d")
_BINARY = re.compile(r"0[bB][01]{1,64}")

_FEW_NAMED = 6
"""Columns that a message names before it says how many more there are."""


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
    sparse: bool
    """Whether the levels of the head stand where they change only, and all other cells are empty."""
    warnings: tuple[str, ...]

    def of_kind(self, kind: Kind) -> list[int]:
        """Indices of the columns of that kind."""
        return [k for k, column in enumerate(self.columns) if column.kind == kind]


def looks_like_rows(head: bytes) -> bool:
    """Whether the head of a file reads as a table with a time or sample column, or of levels alone."""
    lines = head_lines(head, complete=True)
    dialect = find_dialect(lines, CsvOptions())
    if dialect is None:
        return False
    table = cut_table(lines, dialect, CsvOptions())
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
    if complete:
        refuse_header_alone(lines, file)
    dialect = find_dialect(lines, options)
    if dialect is None:
        raise CaptureError("no rows of two or more columns were found: this does not read as a CSV capture", file=file)
    table = cut_table(lines, dialect, options)
    if table is None:
        raise CaptureError("no row of data was found below the header", file=file)
    refuse_narrow_header(lines, table, file)
    preamble = read_preamble(table.preamble + beside(table))
    time = _time_column(table, options, file)
    unit, unit_from, warnings = _unit_of_time(table, time, preamble, options, file)
    warnings += [*grouped_times(table, time, options, file), *preamble.doubts]
    columns = _columns(table, time, preamble, options, file)
    refuse_events(table, columns, file)
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
        sparse=_is_sparse(table, columns),
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


def _time_column(table: Table, options: CsvOptions, file: str) -> int | None:
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


def _chosen_column(wanted: str | int, table: Table, file: str) -> int:
    """Index of a column given by name or by number from 1. Raises CaptureError where there is none."""
    width = table.dialect.width
    for k in range(width):
        if str(wanted) in _spellings(table, k):
            return k
    known = ", ".join(table.titles) or f"columns 1 to {width}"
    raise CaptureError(f"there is no column {str(wanted)!r}; there are {known}", file=file)


def _spellings(table: Table, column: int) -> set[str]:
    """What a user may call a column: its title, that without the unit, or its number from 1."""
    titles = {table.titles[column], table.names[column].name} if table.titles else set()
    return {str(column + 1), *titles} - {""}


def _rises(table: Table, column: int) -> bool:
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
    table: Table, time: int | None, preamble: Preamble, options: CsvOptions, file: str
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
        said = f"column {time + 1} does not state the unit of its times"
        if name.unit and not volts(name.unit):
            said = f"column {time + 1} gives its times in {name.unit!r}, which is no unit that is known here"
        return "s", "assumed", [f"{said}: they were taken as seconds (--time-unit says otherwise)"]
    known_rate = preamble.sample_rate_hz is not None or options.sample_rate_hz is not None
    if name.is_sample or (known_rate and _counts_by_one(numbers)):
        return "samples", "whole numbers that count samples", []
    raise CaptureError(
        "whole numbers without a unit: give the unit of the times or, if they are sample numbers, the sample rate",
        file=file,
        line=table.first.number,
        column=time + 1,
    )


def _no_time(table: Table) -> str:
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


def _counts_by_one(numbers: list[str]) -> bool:
    """Whether the least step of whole numbers is 1, as it is for sample numbers."""
    if any(len(cell) > _MOST_DIGITS for cell in numbers):
        return False
    steps = [after - before for before, after in pairwise(map(int, numbers)) if after > before]
    return not steps or min(steps) == 1


def _places(table: Table, time: int | None) -> int:
    """The most decimals that a time of the head has."""
    most = 0
    for cell in table.numbers[time] if time is not None else ():
        digits, _, exponent = cell.lower().partition("e")
        most = max(most, len(digits.partition(table.dialect.decimal)[2]) - int(exponent or 0))
    return most


def _columns(table: Table, time: int | None, preamble: Preamble, options: CsvOptions, file: str) -> list[Column]:
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


def _is_sparse(table: Table, columns: list[Column]) -> bool:
    """Whether every level of the head but the first of its column is a change, and most cells are empty."""
    cells = [table.columns[k] for k, column in enumerate(columns) if column.kind == "level"]
    filled = [[cell.lower() for cell in column if cell] for column in cells]
    if not cells or not all(column[0] for column in cells) or 2 * sum(map(len, filled)) > sum(map(len, cells)):
        return False
    levels = [[LEVELS.get(cell, LOST) for cell in column] for column in filled]
    changes = [pair for column in levels for pair in pairwise(column)]
    return len(changes) > 0 and all({one, other} == {0, 1} for one, other in changes)


def _name(table: Table, column: int) -> str:
    return table.names[column].name or f"column_{column + 1}"


def _kind_of(table: Table, column: int, options: CsvOptions, preamble: Preamble) -> Column:
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
    if sum(cell.isdecimal() or is_hexadecimal(cell) for cell in known) >= MOSTLY * len(known):
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
