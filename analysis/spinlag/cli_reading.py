"""Options of the command line that say how a capture is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from spinlag.rig import Rig

TIME_UNITS = ["h", "min", "s", "ms", "us", "ns", "ps", "samples"]


def finite(_context: Any, _parameter: Any, value: float | None) -> float | None:
    """Refuse NaN and what no bench needs."""
    if value is not None and not abs(value) <= 1e15:
        raise click.BadParameter(f"{value:g} is no sensible number")
    return value


def sensible(context: Any, parameter: Any, value: float | None) -> float | None:
    """The same for what must be above 0."""
    if value is not None and not value > 1e-9:
        raise click.BadParameter(f"{value:g} is not above 0")
    return finite(context, parameter, value)


def reading_options(command: Any) -> Any:
    """Options that overrule what the importers make of a file."""
    for option in (
        click.option("--importer", help="Read the file as this kind (vcd, csv) whatever its first bytes say."),
        click.option("--time-unit", type=click.Choice(TIME_UNITS), help="CSV: time unit."),
        click.option(
            "--sample-rate",
            type=float,
            metavar="HZ",
            callback=sensible,
            help="Sample rate where the file does not tell it.",
        ),
        click.option("--delimiter", help="CSV: what separates the columns."),
        click.option("--decimal", type=click.Choice([".", ","]), help="CSV: the decimal sign."),
        click.option("--time-column", metavar="NAME", help="CSV: header or number (from 1) of the time column."),
        click.option(
            "--threshold",
            type=float,
            metavar="V",
            callback=finite,
            help="CSV: switching level of analogue columns, volts.",
        ),
        click.option(
            "--hysteresis",
            type=float,
            metavar="SHARE",
            callback=finite,
            help="CSV: dead band about that level, as a share of the distance between the two levels.",
        ),
        click.option(
            "--packed-column", multiple=True, metavar="NAME", help="CSV: a column of numbers with one line per bit."
        ),
        click.option("--analogue-column", multiple=True, metavar="NAME", help="CSV: a column of volts."),
        click.option(
            "--expand-limit",
            type=float,
            metavar="GB",
            callback=sensible,
            help="Text that a compressed file may hold (1, or 100 times the file's size).",
        ),
    ):
        command = option(command)
    return command


def reader_arguments(rig: Rig | None, reading: dict[str, Any]) -> dict[str, Any]:
    """Keyword arguments of `read_capture` from the rig's [capture] table and the options given; options come first."""
    from spinlag.importers.csv_options import CsvOptions
    from spinlag.rig import CaptureTable

    table = rig.capture if rig is not None else CaptureTable()
    if reading.get("sample_rate") is not None:
        table = table.model_copy(update={"sample_rate_hz": reading["sample_rate"]})
    column = reading.get("time_column")
    limit = reading.get("expand_limit")
    return {
        "table": table,
        "importer": reading.get("importer"),
        "csv": CsvOptions(
            delimiter=reading.get("delimiter"),
            decimal=reading.get("decimal"),
            time_unit=reading.get("time_unit"),
            time_column=int(column) if column is not None and column.isdecimal() else column,
            sample_rate_hz=reading.get("sample_rate"),
            packed_columns=reading.get("packed_column") or None,
            analogue_columns=reading.get("analogue_column") or None,
            threshold_v=reading.get("threshold"),
            hysteresis=reading.get("hysteresis"),
        ),
        "expand_limit": round(limit * 1e9) if limit is not None else None,
    }
