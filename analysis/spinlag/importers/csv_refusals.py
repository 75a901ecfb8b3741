"""Tables that would be read as something else than they are, refused with what to do."""

from __future__ import annotations

import re
from itertools import pairwise

from spinlag.errors import CaptureError
from spinlag.importers.csv_dialect import DELIMITERS, SPACES, HeadLine, split_line
from spinlag.importers.csv_header import header_name, time_unit
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.csv_table import Column, Table

_GROUPED = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")

_LINE_NAMES = {"channel", "ch", "signal", "pin", "line", "input", "wire", "probe", "gpio"}
_LEVEL_NAMES = {"level", "value", "state", "val", "new value", "new_value", "new level"}
"""Headers of tables with a row per event: which line, and its new level."""


def refuse_narrow_header(lines: list[HeadLine], table: Table, file: str) -> None:
    """A header of times with fewer fields than the rows: cells were cut where they should not have been."""
    dialect = table.dialect
    if table.titles or dialect.delimiter not in (",", SPACES):
        return
    for line in lines:
        if line.number >= table.first.number:
            return
        fields = dialect.split(line.text)
        if 1 < len(fields) < dialect.width and any(header_name(field).is_time for field in fields):
            break
    else:
        return
    units = [k for k, column in enumerate(table.columns) if all(time_unit(cell) for cell in column)]
    if dialect.delimiter == SPACES and not units:
        return
    cut = (
        f"column {units[0] + 1} holds units"
        if units
        else "a name is missing there, or commas stand within numbers as well"
    )
    how = "export times without units in the cells" if units else "complete the header, or export with decimal points"
    raise CaptureError(
        f"the rows have {dialect.width} fields, the header {len(fields)} (line {line.number}): {cut}; {how}",
        file=file,
        line=table.first.number,
    )


def refuse_header_alone(lines: list[HeadLine], file: str) -> None:
    """A file that ends with its header: the line above it, of whatever kind, is no row of data."""
    held = [line for line in lines if line.text.strip() and not line.is_comment]
    if held and any(
        len(fields) > 1 and header_name(fields[0]).is_time and header_name(fields[0]).time_unit is not None
        for fields in (split_line(held[-1].text, delimiter) for delimiter in DELIMITERS)
    ):
        raise CaptureError("no row of data was found below the header", file=file, line=held[-1].number)


def grouped_times(table: Table, time: int | None, options: CsvOptions, file: str) -> list[str]:
    """A doubt about quoted times such as "1,000" between commas: decimals, or thousands in groups?

    Raises CaptureError where they can only be thousands: as decimals they would go back.
    """
    if time is None or options.decimal is not None or table.dialect.delimiter != "," or table.dialect.decimal != ",":
        return []
    cells = [cell for cell in table.numbers[time] if "," in cell]
    if not cells or not all(_GROUPED.fullmatch(cell) for cell in cells):
        return []
    whole = [float(cell.replace(",", "")) for cell in table.numbers[time]]
    as_decimals = [float(cell.replace(",", ".")) for cell in table.numbers[time]]
    if _sorted(whole) and not _sorted(as_decimals):
        raise CaptureError(
            f"commas group thousands in the times of column {time + 1} ({cells[0]!r}): export the times without them",
            file=file,
        )
    return [
        f"column {time + 1}: {cells[0]!r} was read with a decimal comma; if the comma groups thousands, every time is "
        "1000 times too short: export the times without it"
    ]


def _sorted(numbers: list[float]) -> bool:
    return all(one <= other for one, other in pairwise(numbers))


def refuse_events(table: Table, columns: list[Column], file: str) -> None:
    """A table with a row per event of some line would read as one line that all of them share."""
    names = [column.name.lower() for column in columns]
    which = next((k for k, name in enumerate(names) if name in _LINE_NAMES), None)
    what = next((k for k, name in enumerate(names) if name in _LEVEL_NAMES), None)
    lines = ("level", "packed", "analogue")
    others = [k for k, column in enumerate(columns) if column.kind in lines and k not in (which, what)]
    if which is None or what is None or others or columns[what].kind not in ("level", "analogue"):
        return
    raise CaptureError(
        f"each row seems to tell of the line that column {which + 1} ({columns[which].name}) names: "
        "export one column of levels per line",
        file=file,
        line=table.first.number,
    )
