"""Rows of plain CSV text one at a time: what the fast readers leave, and the words for what is wrong."""

from __future__ import annotations

import re

import numpy as np

from spinlag.importers.csv_dialect import (
    CLOCK_JUMP,
    COMMENT_MARKS,
    LEVELS,
    NO_SAMPLE_TEXTS,
    PLAIN_NUMBER,
    is_nan_or_infinity,
)
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_rows import (
    FINEST_PLACES,
    LARGEST_TICK,
    LARGEST_VOLTAGE,
    TIME_BACK,
    Fault,
    PackedCells,
    Rows,
    rows_that_change,
    steps_of,
)
from spinlag.importers.csv_table import Column
from spinlag.importers.csv_text import END_OF_FILE, Text
from spinlag.importers.lanes import LOST

_NUMBER = re.compile(r"([-+]?)(\d*)(?:\.(\d*))?(?:[eE]([-+]?\d{1,3}))?", re.ASCII)
_MOST_DIGITS = 400
_SHOWN = 40
NO_SAMPLE = (9.9e37, 9.91e37)
"""What instruments write for infinity and for no number (SCPI-99 volume 1, 7.2.1.4; from memory)."""

ZERO_BYTES = "zero bytes stand here, as after a failed copy; copy or export the file again"

COMMENT_BYTES = tuple(mark.encode() for mark in COMMENT_MARKS)

_PREFIXES = {2: "0b", 16: "0x"}

Number = tuple[int, int]
"""Mantissa and power of ten."""


class _UnfitError(Exception):
    """A cell that does not fit its column, with the reason."""


_WORD = re.compile(r"\W*(?!(?:nan|inf)\b)[^\W\d_]{2}", re.IGNORECASE)
"""How a line of words begins; 0x1F, 1e9 and x are values."""


class _Gathered:
    """Rows as they are read."""

    def __init__(self) -> None:
        self.lines: list[int] = []
        self.times: list[Number] = []
        self.levels: list[list[int]] = []
        self.packed: list[list[int | None]] = []
        self.volts: list[list[float]] = []


def slow_rows(text: Text, start: int, stop: int, layout: Layout) -> Rows:
    """The rows in [start, stop) up to the first fault, blank lines and comments passed over."""
    data = text.buffer[start:stop].tobytes()
    lines = data.split(b"\n")
    if lines[-1] == b"":
        lines.pop()
    gathered = _Gathered()
    fault = None
    for number, line in enumerate(lines):
        bare = line.strip()
        if not bare.strip(END_OF_FILE) or bare.startswith(COMMENT_BYTES):
            continue
        fault = _take(gathered, number, line.rstrip(b"\r").decode("utf-8", "replace"), text, layout)
        if fault is not None:
            break
    return _rows(gathered, layout, len(lines), fault)


def _take(gathered: _Gathered, number: int, line: str, text: Text, layout: Layout) -> Fault | None:
    if "\0" in line:
        return Fault(number, None, ZERO_BYTES)
    fields = line.count(chr(text.delimiter)) + 1
    if fields != len(layout.columns):
        remedy = _remedy(line, text, layout) or "; text is missing here: copy or export the file again"
        return Fault(number, None, f"{_fields(fields)} where the rows have {len(layout.columns)}{remedy}")
    cells = line.split(chr(text.delimiter))
    levels: list[int] = []
    packed: list[int | None] = []
    volts: list[float] = []
    time: Number = (0, 0)
    for k, (cell, column) in enumerate(zip(cells, layout.columns, strict=True)):
        try:
            if column.kind == "time":
                time = _number(cell, text.decimal)
            elif column.kind == "level":
                levels.append(_level(cell, text.decimal))
            elif column.kind == "packed":
                packed.append(_packed(cell, column))
            elif column.kind == "analogue":
                volts.append(_volts(cell, text.decimal) * column.factor)
        except _UnfitError as error:
            return Fault(number, k + 1, f"{error}{_remedy(line, text, layout)}")
    gathered.lines.append(number)
    gathered.times.append(time)
    gathered.levels.append(levels)
    gathered.packed.append(packed)
    gathered.volts.append(volts)
    return None


def _remedy(line: str, text: Text, layout: Layout) -> str:
    """What to do about a line that is no row of data, as far as it can be told."""
    cells = {cell.strip(' "') for cell in line.split(chr(text.delimiter))}
    if any(column.name and column.name in cells for column in layout.columns):
        return "; the header stands here once more: where two recordings were joined, cut the file in two before it"
    return "; delete the line if it is no row of data" if _WORD.match(line) else ""


def _fields(count: int) -> str:
    return "1 field" if count == 1 else f"{count} fields"


def _shown(cell: str) -> str:
    return repr(cell if len(cell) <= _SHOWN else cell[: _SHOWN - 3] + "...")


def _number(cell: str, decimal: int) -> Number:
    """A finite decimal number; raises _UnfitError."""
    if not cell:
        raise _UnfitError("the cell is empty where a number is needed")
    if is_nan_or_infinity(cell):
        raise _UnfitError(f"{_shown(cell)} is no finite number")
    if cell.endswith(PLAIN_NUMBER):
        bare = _shown(cell.removesuffix(PLAIN_NUMBER))
        raise _UnfitError(f"{bare} is a plain number where the rows above have a unit or a clock time; write it alike")
    if cell.endswith(CLOCK_JUMP):
        raise _UnfitError(
            f"the clock jumps to {cell.removesuffix(CLOCK_JUMP)[:_SHOWN]}: it was set back across midnight, or nothing "
            "was recorded for half a day; export times with their date, or cut the file in two before this row"
        )
    sign = chr(decimal)
    found = _NUMBER.fullmatch(cell.replace(sign, ".") if sign == "," and "." not in cell else cell)
    if found is None or not (found[2] or found[3]) or (sign == "," and "." in cell):
        raise _UnfitError(f"{_shown(cell)} is not a number")
    digits = found[2] + (found[3] or "")
    if len(digits) > _MOST_DIGITS:
        raise _UnfitError(f"a number of {len(digits)} digits is too long")
    mantissa = int(digits)
    return -mantissa if found[1] == "-" else mantissa, int(found[4] or 0) - len(found[3] or "")


def _level(cell: str, decimal: int) -> int:
    known = LEVELS.get(cell.lower())
    if known is not None:
        return known
    try:
        mantissa, exponent = _number(cell, decimal)
    except _UnfitError:
        raise _UnfitError(f"{_shown(cell)} is no level (0 or 1, low or high, false or true, x or z)") from None
    for level in (0, 1):
        if mantissa * 10 ** max(exponent, 0) == level * 10 ** max(-exponent, 0):
            return level
    raise _UnfitError(
        f"{_shown(cell)} is no level, and the rows at the top of the file hold levels here; "
        "if the column holds volts or packed bits, say so (--analogue-column, --packed-column)"
    )


def _packed(cell: str, column: Column) -> int | None:
    if LEVELS.get(cell.lower()) == LOST:
        return None
    digits = cell[2:] if cell[:2].lower() == _PREFIXES.get(column.radix) else cell
    try:
        value = int(digits, column.radix) if digits.isalnum() and len(digits) <= 64 else -1
    except ValueError:
        value = -1
    if not 0 <= value < 1 << 64:
        raise _UnfitError(f"{_shown(cell)} is no whole number of up to 64 bits in base {column.radix}")
    return value


def _volts(cell: str, decimal: int) -> float:
    if not cell or cell.lower() in NO_SAMPLE_TEXTS:
        return float("nan")
    mantissa, exponent = _number(cell, decimal)
    if mantissa == 0 or exponent < -300:
        return 0.0
    if exponent > 300 or abs(mantissa) > 1 << 1000:
        raise _UnfitError(f"{_shown(cell)} is no voltage")
    value = float(mantissa) / 10.0**-exponent if exponent < 0 else float(mantissa) * 10.0**exponent
    if abs(value) in NO_SAMPLE:
        return float("nan")
    if not abs(value) <= LARGEST_VOLTAGE:
        raise _UnfitError(f"{_shown(cell)} is no voltage")
    return value


def _rows(gathered: _Gathered, layout: Layout, lines: int, fault: Fault | None) -> Rows:
    count = len(gathered.lines)
    try:
        ticks, places, rounded = _ticks(gathered.times, layout)
    except OverflowError:
        row = max(range(count), key=lambda k: abs(gathered.times[k][0]) * 10 ** max(gathered.times[k][1], 0))
        fault = Fault(gathered.lines[row], _time_number(layout), "the time is too large")
        return _rows(_first(gathered, row), layout, lines, fault)
    back = np.flatnonzero(np.diff(ticks) < 0)
    if len(back):
        row = int(back[0]) + 1
        fault = Fault(gathered.lines[row], _time_number(layout), TIME_BACK)
        return _rows(_first(gathered, row), layout, lines, fault)
    levels = [np.array([row[k] for row in gathered.levels], np.uint8) for k in range(len(layout.of_kind("level")))]
    packed = [_packed_column([row[k] for row in gathered.packed]) for k in range(len(layout.of_kind("packed")))]
    volts = [np.array([row[k] for row in gathered.volts], float) for k in range(len(layout.of_kind("analogue")))]
    changed = rows_that_change(count, levels, packed)
    least, most, same = steps_of(ticks)
    return Rows(
        ticks=ticks,
        places=places,
        changed=changed,
        levels=[column[changed] for column in levels],
        packed=[(value[changed], lost[changed]) for value, lost in packed],
        volts=volts,
        first_line=gathered.lines[0] if count else 0,
        lines=lines,
        least_step=least,
        most_step=most,
        rounded=rounded,
        same_time=same,
        fault=fault,
    )


def _time_number(layout: Layout) -> int | None:
    return None if layout.time is None else layout.time + 1


def _first(gathered: _Gathered, count: int) -> _Gathered:
    kept = _Gathered()
    kept.lines, kept.times = gathered.lines[:count], gathered.times[:count]
    kept.levels, kept.packed, kept.volts = gathered.levels[:count], gathered.packed[:count], gathered.volts[:count]
    return kept


def _packed_column(cells: list[int | None]) -> PackedCells:
    lost = np.array([cell is None for cell in cells], dtype=np.bool_)
    return np.array([cell or 0 for cell in cells], dtype=np.uint64), lost


def _ticks(times: list[Number], layout: Layout) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], int, bool]:
    """Times as ticks at the finest places that fit; raises OverflowError where even whole units do not."""
    if layout.time is None:
        return np.arange(len(times), dtype=np.int64), 0, False
    finest = max((-exponent for _, exponent in times), default=0)
    places = min(max(finest, 0), FINEST_PLACES[layout.unit])
    while True:
        ticks = [_scaled(mantissa, exponent + places) for mantissa, exponent in times]
        if all(abs(tick) < LARGEST_TICK for tick in ticks):
            return np.array(ticks, dtype=np.int64), places, places < finest
        if places == 0:
            raise OverflowError
        places -= 1


def _scaled(mantissa: int, power: int) -> int:
    if power >= 0:
        return mantissa * int(10**power)
    divisor = int(10**-power)
    size = (2 * abs(mantissa) + divisor) // (2 * divisor)
    return -size if mantissa < 0 else size
