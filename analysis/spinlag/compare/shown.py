"""What each column usually showed, as plain bytes, so that pictures can be compared without the captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement

USUAL = 0.5
"""Data that a column shows in at least half of its turns are its usual data; otherwise its picture moves."""
MOST_UPDATES = 200_000
"""Updates of one chain that are looked at; of longer captures these many from the start, so a column has many turns."""


@dataclass(frozen=True)
class Shown:
    """The usual picture of one chain: for each column the commonest data (bytes in wire order as hex, None where the
    column was never drawn) and the share of its updates that carried them."""

    chain: str
    order: str
    bits_per_led: int
    data: tuple[str | None, ...]
    share: tuple[float, ...]

    @property
    def columns(self) -> int:
        """Columns of a turn."""
        return len(self.data)

    def steady(self, column: int) -> bool:
        """True where the column shows the same data in most turns."""
        return self.data[column] is not None and self.share[column] >= USUAL


def usual_data(chains: Sequence[ChainUpdates], placements: Sequence[Placement | None]) -> tuple[Shown, ...]:
    """The usual picture of every chain that was placed."""
    return tuple(
        _usual(chain, placement)
        for chain, placement in zip(chains, placements, strict=True)
        if placement is not None and placement.columns > 0
    )


def _usual(chain: ChainUpdates, placement: Placement) -> Shown:
    column = placement.places.column[:MOST_UPDATES]
    usable = (column >= 0) & chain.whole[:MOST_UPDATES]
    data: list[str | None] = []
    share: list[float] = []
    order = np.argsort(column[usable], kind="stable")
    rows = np.flatnonzero(usable)[order]
    bounds = np.searchsorted(column[rows], np.arange(placement.columns + 1))
    for first, last in pairwise(bounds.tolist()):
        found, part = _commonest(chain, rows[first:last])
        data.append(found)
        share.append(part)
    return Shown(chain.name, chain.order, chain.bits_per_led, tuple(data), tuple(share))


def _commonest(chain: ChainUpdates, rows: np.ndarray) -> tuple[str | None, float]:
    counts: dict[bytes, int] = {}
    for row in rows.tolist():
        key = chain.data[chain.offsets[row] : chain.offsets[row + 1]].tobytes()
        counts[key] = counts.get(key, 0) + 1
    if not counts:
        return None, 0.0
    # of equally common ones the lowest, so that the answer does not hang on their order
    best = min(counts, key=lambda key: (-counts[key], key))
    return best.hex(), counts[best] / len(rows)


@dataclass(frozen=True)
class PictureDifference:
    """Columns compared, those whose usual data differ, and what stays untold, in words.

    `columns` lists, per chain and differing column, the chain, the column and both data (hex). `moving` columns change
    from turn to turn in one of the captures and are not compared.
    """

    compared: int
    different: tuple[int, ...]
    columns: tuple[tuple[str, int, str, str], ...]
    moving: tuple[int, ...]
    said: str


def picture_difference(before: Sequence[Sequence[Shown]], after: Sequence[Sequence[Shown]]) -> PictureDifference:
    """Compare the usual data of two sets of captures by column; of a set only what all its captures agree on."""
    first, second = _agreed(before), _agreed(after)
    if not first or not second:
        return PictureDifference(0, (), (), (), "What was shown is not known: no column could be told on one side.")
    differing: list[tuple[str, int, str, str]] = []
    compared: set[int] = set()
    moving: set[int] = set()
    for chain in first.keys() & second.keys():
        for column in range(min(len(first[chain]), len(second[chain]))):
            a, b = first[chain][column], second[chain][column]
            if a is None or b is None:
                moving.add(column)
                continue
            compared.add(column)
            if a != b:
                differing.append((chain, column, a, b))
    differing.sort()
    different = tuple(sorted({column for _, column, _, _ in differing}))
    return PictureDifference(
        len(compared), different, tuple(differing), tuple(sorted(moving - compared)), _said(compared, different, moving)
    )


def _agreed(captures: Sequence[Sequence[Shown]]) -> dict[str, list[str | None]]:
    """By chain, the steady data of each column where all captures of a set show the same; None elsewhere."""
    found: dict[str, list[str | None]] = {}
    for shown in (one for capture in captures for one in capture):
        own = [data if shown.steady(column) else None for column, data in enumerate(shown.data)]
        if shown.chain not in found:
            found[shown.chain] = own
        else:
            kept = found[shown.chain]
            found[shown.chain] = [a if a == b else None for a, b in zip(kept, own, strict=False)]
    return found


def _said(compared: set[int], different: tuple[int, ...], moving: set[int]) -> str:
    if not compared:
        return "Every column's data change from turn to turn or from capture to capture, so no column can be compared."
    rest = len(moving - compared)
    untold = f" {rest} more change from turn to turn and were not compared." if rest else ""
    if not different:
        return f"Both show the same data in all {len(compared)} columns compared.{untold}"
    return f"{len(different)} of {len(compared)} columns compared show different data.{untold}"
