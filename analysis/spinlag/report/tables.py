"""The tables of a report as CSV: comma, decimal point, UTF-8, one header line with the unit in each column's name.

Text that came from a file never starts a formula; numbers stay numbers, and what was not measured is an empty cell.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping
from typing import BinaryIO

import pandas as pd

from spinlag.findings import Findings
from spinlag.report.names import csv_text
from spinlag.report.results import INCIDENT_FIELDS, incident_rows
from spinlag.rotation import NO_TICK

_ROWS_AT_ONCE = 100_000


def incidents_table(findings: Findings) -> pd.DataFrame:
    """One row per incident; columns are INCIDENT_FIELDS also where there are no rows."""
    table = pd.DataFrame(incident_rows(findings), columns=list(INCIDENT_FIELDS))
    return table.astype({"revolution": "Int64", "update": "Int64"})


def write_table(table: pd.DataFrame, stream: BinaryIO, *, tick_s: float) -> None:
    """Write a table as CSV, some rows at a time; see `write_parts`."""
    starts = range(0, max(len(table), 1), _ROWS_AT_ONCE)
    write_parts((table.iloc[start : start + _ROWS_AT_ONCE] for start in starts), stream, tick_s=tick_s)


def write_parts(parts: Iterable[pd.DataFrame], stream: BinaryIO, *, tick_s: float) -> None:
    """Write a table that comes in parts as CSV.

    Times (`..._s`) are rounded to a thousandth of the tick and angles (`..._deg`) to 1e-9 degrees, far below what was
    measured, so that no cell shows the rounding of binary fractions.
    """
    decimals = {"_s": 3 - math.floor(math.log10(tick_s)), "_deg": 9}
    text = io.TextIOWrapper(stream, encoding="utf-8", newline="")
    for number, part in enumerate(parts):
        _safe(part, decimals).to_csv(text, index=False, header=number == 0, lineterminator="\n")
    text.flush()
    text.detach()


def _safe(table: pd.DataFrame, decimals: Mapping[str, int]) -> pd.DataFrame:
    columns = {}
    for name in table.columns:
        column = table[name]
        if isinstance(column.dtype, pd.CategoricalDtype) or not pd.api.types.is_numeric_dtype(column):
            safe = {cell: csv_text(cell) for cell in column.unique() if isinstance(cell, str)}
            column = column.map(safe).where(column.isin(list(safe)), column)
        elif pd.api.types.is_integer_dtype(column):
            column = column.astype("Int64").mask(column == NO_TICK)
        elif pd.api.types.is_float_dtype(column):
            column = column.round(next((n for unit, n in decimals.items() if str(name).endswith(unit)), 15))
        columns[csv_text(str(name))] = column
    return pd.DataFrame(columns, index=table.index)
