"""What a user can overrule of a CSV file; everything left None is found out from the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

TimeUnit = Literal["h", "min", "s", "ms", "us", "ns", "ps", "samples"]


@dataclass(frozen=True)
class CsvOptions:
    """Options of the CSV importer.

    `delimiter` is one character, `decimal` the decimal sign. `time_column` is a header name or a column number counted
    from 1. `time_unit` is the unit of that column; "samples" means sample numbers, which need `sample_rate_hz`.
    `packed_columns` names columns (or gives their numbers) whose whole or hexadecimal numbers hold one line per bit.
    `analogue_columns` names columns of volts that the file does not show to be such.
    `threshold_v` is the switching level of every analogue column in volts, instead of the middle between its two
    levels; `hysteresis` is the width of the dead band about it, as a fraction of the distance between the levels.
    """

    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    time_column: str | int | None = None
    time_unit: TimeUnit | None = None
    sample_rate_hz: float | None = None
    packed_columns: tuple[str | int, ...] | None = None
    analogue_columns: tuple[str | int, ...] | None = None
    threshold_v: float | None = None
    hysteresis: float | None = None
