"""A slow, obvious reader of CSV captures on Python's csv module and fractions, told how the file is written."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from fractions import Fraction

UNKNOWN_TEXTS = {"", "x", "z", "nan", "-nan", "n/a", "null", "none"}
LEVEL_TEXTS = {"0": 0, "low": 0, "false": 0, "l": 0, "1": 1, "high": 1, "true": 1, "h": 1}


@dataclass(frozen=True)
class ReferenceLine:
    """Edges and unknown intervals in seconds, exact."""

    initial: int
    edges: list[Fraction]
    unknown: list[tuple[Fraction, Fraction]]


def exact_number(text: str, decimal: str = ".") -> Fraction:
    """A decimal number as it is written."""
    return Fraction(text.strip().replace(decimal, ".").rstrip(".") if not text.strip().endswith(decimal) else text[:-1])


def read_reference(
    text: str, *, delimiter: str, decimal: str, unit: Fraction, header_lines: int, packed_bits: int = 0
) -> list[ReferenceLine]:
    """Lines of a file whose first column is the time; the last column holds `packed_bits` bits where that is not 0.

    The record is taken to end at the last row; pulses of no width vanish.
    """
    rows = [
        [cell.strip() for cell in row]
        for row in list(csv.reader(text.splitlines(), delimiter=delimiter, skipinitialspace=True))[header_lines:]
        if any(cell.strip() for cell in row) and not row[0].startswith("#")
    ]
    times = [exact_number(row[0], decimal) * unit for row in rows]
    columns = [[_level(row[k]) for row in rows] for k in range(1, len(rows[0]) - (packed_bits > 0))]
    for bit in range(packed_bits):
        columns.append([None if row[-1] in UNKNOWN_TEXTS else int(row[-1], 0) >> bit & 1 for row in rows])
    return [_line(times, column) for column in columns]


def _level(text: str) -> int | None:
    return None if text.lower() in UNKNOWN_TEXTS else LEVEL_TEXTS[text.lower()]


def _line(times: list[Fraction], levels: list[int | None]) -> ReferenceLine:
    initial, known = -1, None
    edges: list[Fraction] = []
    unknown: list[tuple[Fraction, Fraction]] = []
    since: Fraction | None = times[0] if levels[0] is None else None
    for time, level in zip(times, levels, strict=True):
        if level is None:
            since = time if since is None else since
            continue
        if since is not None:
            unknown.append((since, time))
            since = None
        if known is None:
            initial = level
        elif level != known:
            if edges and edges[-1] == time:
                edges.pop()
            else:
                edges.append(time)
        known = level
    if since is not None:
        unknown.append((since, times[-1]))
    merged: list[tuple[Fraction, Fraction]] = []
    for begin, end in unknown:
        if end == begin:
            continue
        if merged and merged[-1][1] == begin:
            merged[-1] = (merged[-1][0], end)
        else:
            merged.append((begin, end))
    return ReferenceLine(initial, edges, merged)
