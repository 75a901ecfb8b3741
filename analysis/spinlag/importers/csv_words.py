"""What was understood of a CSV file, in words."""

from __future__ import annotations

from fractions import Fraction

from spinlag.importers.csv_collect import Collector
from spinlag.importers.csv_dialect import SPACES
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_rows import FINEST_PLACES
from spinlag.importers.digitise import Switching

Pairs = list[tuple[str, str]]

_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", SPACES: "spaces"}
_SCALES = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"), (1e-12, "ps"))


def about_layout(layout: Layout) -> Pairs:
    """Delimiter, decimal sign, columns, units and the like."""
    dialect = layout.dialect
    said = [
        ("format", "CSV"),
        ("delimiter", _DELIMITERS.get(dialect.delimiter, repr(dialect.delimiter))),
        ("decimal sign", "comma" if dialect.decimal == "," else "point"),
        ("first row of data", f"line {layout.first_line}"),
    ]
    if layout.time is None:
        said.append(("time column", "none: rows are counted"))
    else:
        said.append(("time column", f"{layout.time + 1} ({layout.columns[layout.time].name})"))
    said.append(("time unit", f"{layout.unit} ({layout.unit_from})"))
    if layout.sample_rate_hz is not None:
        said.append(("sample rate", f"{float(layout.sample_rate_hz) / 1e6:.9g} MHz ({layout.rate_from})"))
    for k, column in enumerate(layout.columns):
        if column.kind == "level":
            said.append((f"column {k + 1}", f"{column.name}: levels"))
        elif column.kind == "packed":
            said.append((f"column {k + 1}", f"{column.name}: one line per bit of a number in base {column.radix}"))
        elif column.kind == "ignored" and column.note:
            said.append((f"column {k + 1}", f"left out: {column.note}"))
    return said


def about_rows(rows: Collector, tick: Fraction, period: Fraction | None) -> Pairs:
    """Row style and rounding."""
    if period is not None:
        said = [("rows", f"{rows.rows}, one per sample, every {in_time(float(period * tick))}")]
    elif rows.repeats > rows.last_repeats or rows.traces.histograms:
        said = [("rows", f"{rows.rows}, not evenly spaced")]
    else:
        said = [("rows", f"{rows.rows}, one per change")]
    if rows.rounded:
        kept = min(rows.finest, FINEST_PLACES[rows.layout.unit])
        said.append(("rounding", f"times are kept to {kept} decimals; further digits were rounded"))
    return said


def about_switching(layout: Layout, switching: list[Switching | None]) -> Pairs:
    """Thresholds of the analogue columns."""
    said = []
    for k, at in zip(layout.of_kind("analogue"), switching, strict=True):
        name = layout.columns[k].name
        if at is None:
            text = "volts, but no two levels"
        elif at.step and at.lower == at.upper:
            text = "levels written as numbers"
        else:
            text = f"volts, switching at {at.reference:.4g} V, dead band {at.lower:.4g} V to {at.upper:.4g} V"
        said.append((f"column {k + 1}", f"{name}: {text}"))
    return said


def in_time(seconds: float) -> str:
    """A duration in the unit that suits it."""
    for scale, unit in _SCALES:
        if seconds >= scale:
            return f"{seconds / scale:.6g} {unit}"
    return f"{seconds:.6g} s"
