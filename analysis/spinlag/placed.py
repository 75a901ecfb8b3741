"""Where each update of a chain stands on the picture, held narrow: a long capture has millions of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.columns import ROWS_AT_ONCE, group_bounds
from spinlag.leds.updates import ChainUpdates
from spinlag.paged import let_go_of_pages

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PlacedUpdates:
    """One entry per update, shape (n,): `revolution` (-1 before the first and after the last whole one) and `column`
    (-1 where none), the angle at which it became visible, its error, and what the turn's line leaves of the error."""

    revolution: NDArray[np.int32]
    column: NDArray[np.int32]
    angle_deg: Floats
    error_deg: Floats
    residue_deg: Floats

    def __len__(self) -> int:
        return len(self.revolution)


def turn_stretches(revolution: NDArray[np.int32], turns: int) -> Iterator[tuple[slice, int, int]]:
    """All turns, those with about ROWS_AT_ONCE updates together, as (rows, first turn, one past the last turn). What
    was read of long columns does not stay in memory behind it.

    `revolution`: that of each update, ascending but for -1 before the first and after the last whole turn.
    """
    begin, inside = _inside(revolution)
    done, first = 0, 0
    while first < turns:
        cut = done + ROWS_AT_ONCE
        last = max(int(inside[cut]), first + 1) if cut < len(inside) else turns
        after = int(inside.searchsorted(np.int32(last)))
        yield slice(begin + done, begin + after), first, last
        let_go_of_pages()
        done, first = after, last


def rows_of_turns(revolution: NDArray[np.int32], turns: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First update of each turn and one past its last, shape (turns,); equal where a turn has none."""
    begin, inside = _inside(revolution)
    first, after = group_bounds(inside, turns)
    return first + begin, after + begin


def _inside(revolution: NDArray[np.int32]) -> tuple[int, NDArray[np.int32]]:
    """Where the updates of whole turns begin, and the turns of these alone."""
    known = revolution >= 0
    begin = int(np.argmax(known)) if len(known) else 0
    return begin, revolution[begin : begin + int(np.count_nonzero(known))]


def stretches(count: int) -> Iterator[slice]:
    """0 ... count in slices of ROWS_AT_ONCE; what was read of long columns does not stay in memory behind it."""
    for start in range(0, count, ROWS_AT_ONCE):
        yield slice(start, min(start + ROWS_AT_ONCE, count))
        let_go_of_pages()


def update_rows(chain: ChainUpdates, tick_s: float, placed: PlacedUpdates | None, rows: slice) -> pd.DataFrame:
    """Some rows of the table of updates, from `rows.start` to `rows.stop`; -1 and NaN for updates of no revolution."""
    numbers = np.arange(rows.start, rows.stop, dtype=np.int64)
    none, nothing = np.full(len(numbers), -1, dtype=np.int64), np.full(len(numbers), np.nan)
    last_s = chain.last[rows] * tick_s
    return pd.DataFrame(
        {
            "update": numbers,
            "revolution": none if placed is None else placed.revolution[rows].astype(np.int64),
            "column": none if placed is None else placed.column[rows].astype(np.int64),
            "start_s": chain.start[rows] * tick_s,
            "last_s": last_s,
            "visible_s": last_s + chain.light_s[rows],
            "angle_deg": nothing if placed is None else placed.angle_deg[rows],
            "error_deg": nothing if placed is None else placed.error_deg[rows],
            "residue_deg": nothing if placed is None else placed.residue_deg[rows],
            "whole": chain.whole[rows],
        }
    )
