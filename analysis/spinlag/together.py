"""Several chains on one display: by how much each shows the columns after the first."""

from __future__ import annotations

from collections.abc import Sequence

from spinlag.capture import Capture
from spinlag.leds.together import Skew, skews
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement
from spinlag.rig import Rig


def chain_skews(
    capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], placements: Sequence[Placement | None]
) -> tuple[Skew, ...]:
    """Skew of every chain against the first, column by column where placement knows the columns."""
    if len(chains) < 2:
        return ()
    places = [None if placed is None else (placed.places.revolution, placed.places.column) for placed in placements]
    counts = {placed.columns for placed in placements if placed is not None}
    return skews(capture, rig, chains, places, counts.pop() if len(counts) == 1 else None)
