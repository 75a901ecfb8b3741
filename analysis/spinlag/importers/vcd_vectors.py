"""Vector values to one-bit records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.lanes import LOST, States
from spinlag.importers.vcd_codes import Bytes, Indices
from spinlag.importers.vcd_scheme import INVALID

_MOST_CELLS = 1 << 20
"""Bits laid out at a time, so that a narrow block of wide vectors cannot fill the memory."""


@dataclass(frozen=True, eq=False)
class Bits:
    """One-bit records: at token token[i], lane[i] takes states[i]. In file order within each lane of one `Bits`."""

    token: Indices
    lane: NDArray[np.uint16]
    states: States


NO_BITS = Bits(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.uint16), np.empty(0, dtype=np.uint8))


@dataclass(frozen=True, eq=False)
class Values:
    """n values of multi-bit lines: characters text[start:end], for `width` lanes from `lane` on; all shape (n,)."""

    token: Indices
    start: Indices
    end: Indices
    lane: NDArray[np.int32]
    width: NDArray[np.int32]

    def select(self, which: Indices | slice) -> Values:
        """Some of the values."""
        return Values(self.token[which], self.start[which], self.end[which], self.lane[which], self.width[which])

    def __len__(self) -> int:
        return len(self.token)


def together(parts: Sequence[Bits]) -> Bits:
    """All records as one, shape (n,)."""
    parts = [part for part in parts if len(part.token)]
    if len(parts) < 2:
        return parts[0] if parts else NO_BITS
    return Bits(
        np.concatenate([part.token for part in parts]),
        np.concatenate([part.lane for part in parts]),
        np.concatenate([part.states for part in parts]),
    )


def every_bit(token: Indices, lane: NDArray[np.int32], width: NDArray[np.int32], state: int) -> Bits:
    """All lanes of each line take `state`."""
    total = int(width.sum())
    within = np.arange(total) - np.repeat(np.cumsum(width) - width, width)
    lanes = (np.repeat(lane, width) + within).astype(np.uint16)
    return Bits(np.repeat(token, width), lanes, np.full(total, state, dtype=np.uint8))


def expand(text: Bytes, values: Values, table: States, *, alone: bool) -> tuple[list[Bits], int | None, bool]:
    """One-bit records of vector values.

    A value shorter than its line is extended as IEEE Std 1364-2005 18.2.1 says: 0 and 1 with 0, x with x, z with z.
    Of one that is longer, the last characters count. `alone` says that no other kind of value in the block writes to
    their lines, scalars for one-bit lines apart: then bits of wider lines that repeat are left out. Returns the
    records, the token of the first value with a character that is none of `table`'s (None where there is none), and
    whether a longer value lost a 1.
    """
    length = values.end - values.start
    columns = np.maximum(values.width, length)
    alone = alone and bool((length <= values.width).all())
    parts: list[Bits] = []
    bad: list[int] = []
    lost_ones = False
    key = columns.astype(np.int64) << 20 | values.width
    for one in np.unique(key):
        group = values.select(np.flatnonzero(key == one))
        group = group.select(np.argsort(group.lane, kind="stable"))
        rows = max(1, _MOST_CELLS // int(one >> 20))
        for first in range(0, len(group), rows):
            some = group.select(slice(first, first + rows))
            part, wrong, lost = _expand_even(text, some, int(one >> 20), table, alone)
            parts.append(part)
            bad += wrong
            lost_ones |= lost
    return parts, min(bad, default=None), lost_ones


def _expand_even(text: Bytes, values: Values, columns: int, table: States, alone: bool) -> tuple[Bits, list[int], bool]:
    """Values of one width, laid out as a matrix: a row per value, the least significant bit first."""
    width = int(values.width[0])
    weight = np.arange(columns)
    states = table[text[np.maximum(values.end[:, None] - 1 - weight, 0)]]
    length = values.end - values.start
    if int(length.min()) < columns:
        lead = table[text[values.start]]
        lead = np.where(lead == 1, 0, lead)
        states = np.where(weight >= length[:, None], lead[:, None], states)
    bad = values.token[(states == INVALID).any(axis=1) | (length == 0)].tolist()
    lost_ones = columns > width and bool((states[:, width:] == 1).any())
    states = states[:, :width]
    changed = np.ones(states.shape, dtype=bool)
    if alone and width > 1:
        np.not_equal(states[1:], states[:-1], out=changed[1:])
        changed[1:] |= (values.lane[1:] != values.lane[:-1])[:, None]
    row, bit = np.nonzero(changed)
    lane = (values.lane[row] + bit).astype(np.uint16)
    return Bits(values.token[row], lane, states[row, bit]), bad, lost_ones


def lost(token: Indices, lanes: int) -> Bits:
    """Every lane loses its level at each of the tokens."""
    everywhere = np.tile(np.arange(lanes, dtype=np.uint16), len(token))
    return Bits(np.repeat(token, lanes), everywhere, np.full(len(everywhere), LOST, dtype=np.uint8))
