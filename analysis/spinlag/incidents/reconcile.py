"""What one stage guessed from its own line, put right by what another knows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.placement import Placement

Bools = NDArray[np.bool_]


def reconcile(
    observations: Sequence[Observation],
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
) -> tuple[Observation, ...]:
    """Observations with the guesses corrected that the turns of the shaft disprove.

    A LED line alone cannot tell an update too many from a new start of the columns, nor a short update from one too
    many. Where the updates were matched to columns, an update with a column to itself is not one too many, and a short
    one that shares its column with a whole one is.
    """
    views = {
        chain.name: _View.of(chain, placed)
        for chain, placed in zip(chains, placements, strict=True)
        if placed is not None
    }
    settled = (_settle(seen, views.get(seen.chain or "")) for seen in observations)
    return tuple(seen for seen in settled if seen is not None)


@dataclass(frozen=True, eq=False)
class _View:
    """Per update of a chain: has it a column to itself, does it share one with a whole update, is it whole itself, and
    does a neighbour in the same column carry the same data."""

    alone: Bools
    beside_whole: Bools
    full: Bools
    again: Bools

    @classmethod
    def of(cls, chain: ChainUpdates, placed: Placement) -> _View:
        turn = placed.updates["revolution"].to_numpy(dtype=np.int64)
        column = placed.updates["column"].to_numpy(dtype=np.int64)
        full = chain.bits == chain.leds_seen * chain.bits_per_led
        key = turn * (placed.columns + 1) + np.minimum(column, placed.columns)
        _, inverse = np.unique(key, return_inverse=True)
        counts = np.bincount(inverse)[inverse]
        whole_ones = np.bincount(inverse, weights=full)[inverse] - full
        known = (column >= 0) & (column < placed.columns)
        return cls((counts == 1) & known, (whole_ones >= 1) & known, full, _sent_again(chain, key))


def _sent_again(chain: ChainUpdates, key: NDArray[np.int64]) -> Bools:
    """Which updates have a neighbour with the same key and the same bytes."""
    again = np.zeros(len(key), dtype=bool)
    for u in np.flatnonzero(key[1:] == key[:-1]).tolist():
        begin, middle, end = (int(at) for at in chain.offsets[u : u + 3])
        if middle - begin == end - middle and np.array_equal(chain.data[begin:middle], chain.data[middle:end]):
            again[u : u + 2] = True
    return again


def _settle(seen: Observation, view: _View | None) -> Observation | None:
    if view is None or seen.update is None or not 0 <= seen.update < len(view.full):
        return seen
    u = seen.update
    if seen.kind == "data-extra" and view.again[u]:
        return None  # the placement tells of it as a column sent twice
    if seen.kind == "data-extra" and view.alone[u]:
        if view.full[u]:
            return None
        return replace(seen, kind="data-truncated", detail=f"{seen.detail}; no other update filled its column")
    if seen.kind == "data-truncated" and view.beside_whole[u]:
        return replace(seen, kind="data-extra", detail=f"{seen.detail}; a whole update filled the same column")
    return seen
