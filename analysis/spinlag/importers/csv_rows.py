"""Rows of a CSV file as arrays: what a block's rows say, before they are joined to what came before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.importers.csv_decimals import POW10, Numbers, Positions
from spinlag.importers.csv_options import TimeUnit

Codes = NDArray[np.uint8]
"""Levels 0 and 1, and `lanes.LOST` where the level is not known."""

PackedCells = tuple[NDArray[np.uint64], NDArray[np.bool_]]
"""Values of a packed column, and where they are not known."""

FINEST_PLACES: dict[TimeUnit, int] = {"h": 18, "min": 16, "s": 15, "ms": 12, "us": 9, "ns": 6, "ps": 3, "samples": 6}
"""Decimals that are kept: down to 1 fs, below which digits are rounding noise of the writer and overflow comes near."""

LARGEST_VOLTAGE = 1e9
"""No line of a bench carries more, in whatever unit the column is written."""

TIME_BACK = (
    "the time is earlier than in the row before; if two recordings were joined here, cut the file in two before this "
    "row, and if rows are out of order, sort them by time"
)
LARGEST_TICK = 1 << 62
"""Ticks stay below this, so that differences fit int64."""


@dataclass(frozen=True)
class Fault:
    """Something wrong in a row: the line counted from 0 within the block, the column from 1, and what it is."""

    line: int
    column: int | None
    reason: str


@dataclass(frozen=True, eq=False)
class Rows:
    """Consecutive rows of a block; `ticks` of 10**-places time units, shape (n,), never decreasing.

    `changed` are the rows whose levels or packed bits differ from the row before, and always row 0; `levels` and
    `packed` (value, not known) hold one entry per column for those rows only, `volts` for every row (NaN where empty).
    Without a time column `ticks` count the rows of this block from 0. `first_line` is the line, counted from 0 within
    the block, of the first row; `lines` counts all lines that were consumed.
    """

    ticks: Ticks
    places: int
    changed: Positions
    levels: Sequence[Codes]
    packed: Sequence[PackedCells]
    volts: Sequence[NDArray[np.float64]]
    first_line: int
    lines: int
    least_step: int = 0
    most_step: int = 0
    rounded: bool = False
    same_time: int = 0
    fault: Fault | None = None
    last_cell: int | None = None
    """Length of the last cell of the block's last row, where it could be a number that a cut made shorter."""
    doubtful: bool = False
    """Whether this is the file's last line, without an end, and such a cell ends it."""
    cut_line: int | None = None
    """The line that was left out because the file ends in the midst of it."""

    def __len__(self) -> int:
        return len(self.ticks)


def ticks_of(numbers: Numbers, finest: int) -> tuple[Ticks, int, bool] | None:
    """Numbers as whole ticks: (ticks, decimal places of a tick, whether digits were rounded away).

    The places are the most that any number has, at most `finest`, and fewer where a tick would exceed LARGEST_TICK;
    halves round away from zero. None where even whole units exceed it.
    """
    exponent = numbers.exponent
    low = exponent if isinstance(exponent, int) else int(exponent.min(initial=0))
    high = exponent if isinstance(exponent, int) else int(exponent.max(initial=0))
    places = min(max(-low, 0), finest)
    while not _fits(numbers, places):
        if places == 0:
            return None
        places -= 1
    if places + high >= POW10.size or places + low <= -POW10.size:
        return None
    ticks = numbers.mantissa
    if isinstance(exponent, int):
        if places + exponent > 0:
            ticks = ticks * POW10[places + exponent]
        elif places + exponent < 0:
            ticks = _rounded(ticks, POW10[-places - exponent])
    else:
        shift = places + exponent
        if low != high or places + low:
            ticks = ticks * POW10.take(np.maximum(shift, 0))
        if places + low < 0:
            ticks = _rounded(ticks, POW10.take(np.maximum(-shift, 0)))
    signed = ticks.view(np.int64)
    if numbers.negative is not None:
        signed = np.where(numbers.negative, -signed, signed)
    return signed, places, places + low < 0


def _fits(numbers: Numbers, places: int) -> bool:
    """Whether all ticks stay below LARGEST_TICK."""
    greatest = int(numbers.mantissa.max(initial=0))
    if isinstance(numbers.exponent, int):
        power = places + numbers.exponent
        return bool(greatest * 10 ** max(power, 0) < LARGEST_TICK * 10 ** max(-power, 0))
    if greatest * 10 ** max(places + int(numbers.exponent.max()), 0) < LARGEST_TICK:
        return True
    with np.errstate(over="ignore", invalid="ignore"):  # 0e999 is 0, anything else beyond 1e308 does not fit
        ticks = numbers.mantissa.astype(np.float64) * 10.0 ** (places + numbers.exponent).astype(np.float64)
    ticks[numbers.mantissa == 0] = 0.0
    nearest = float(ticks.max(initial=0.0))
    if abs(nearest - LARGEST_TICK) > 1e-9 * LARGEST_TICK:
        return nearest < LARGEST_TICK
    row = int(ticks.argmax())
    power = places + int(numbers.exponent[row])
    return bool(int(numbers.mantissa[row]) * 10 ** max(power, 0) < LARGEST_TICK * 10 ** max(-power, 0))


def _rounded(ticks: NDArray[np.uint64], divisor: np.uint64 | NDArray[np.uint64]) -> NDArray[np.uint64]:
    whole = ticks // divisor
    rest = ticks - whole * divisor
    return whole + (rest >= divisor - rest)


def steps_of(ticks: Ticks) -> tuple[int, int, int]:
    """Least step, greatest step, and number of steps that are 0 (all 0 where there is no step)."""
    if len(ticks) < 2:
        return 0, 0, 0
    steps = np.diff(ticks)
    least = int(steps.min())
    return least, int(steps.max()), int(np.count_nonzero(steps == 0)) if least == 0 else 0


def rows_that_change(rows: int, levels: Sequence[Codes], packed: Sequence[PackedCells]) -> Positions:
    """Rows of which a level or packed value differs from the row before; row 0 always."""
    differs = np.zeros(rows, dtype=np.bool_)
    differs[:1] = True
    for codes in levels:
        differs[1:] |= codes[1:] != codes[:-1]
    for value, lost in packed:
        differs[1:] |= (value[1:] != value[:-1]) | (lost[1:] != lost[:-1])
    return np.flatnonzero(differs)
