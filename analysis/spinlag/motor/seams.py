"""Motor lines across stretches in which all of them stood still: as many cycles passed as the index allows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spinlag.motor.lines import CountedLines
from spinlag.rotation import NO_TICK, Rotation
from spinlag.rotation.lattice import NO_PLACE

NEARBY = 5
"""Index pulses on either side of a break that are held against each other."""


def joined_by_index(lines: CountedLines, rotation: Rotation | None, pole_pairs: int | None) -> CountedLines:
    """The lines with the count after each break such that the index stands on the rotor where it stood before.

    Over a long stretch the pace alone leaves several numbers of cycles open. Only those are right that fit the index,
    and the turns in between are as many as the rotation reckons with.
    """
    if rotation is None or pole_pairs is None or not len(lines.breaks):
        return lines
    at = rotation.turns["index_tick"].to_numpy()
    seen = (at != NO_TICK) & (rotation.turns["kind"].to_numpy() != "shifted")
    at, number = at[seen], np.flatnonzero(seen)
    ahead = lines.phase_of_cycle(at) - pole_pairs * number
    at, ahead = at[np.isfinite(ahead)], ahead[np.isfinite(ahead)]
    piece = np.searchsorted(lines.breaks[:, 1], at, side="right")
    for k, (begin, end) in enumerate(lines.breaks.tolist()):
        before, after = ahead[(at <= begin) & (piece == k)][-NEARBY:], ahead[(at >= end) & (piece == k + 1)][:NEARBY]
        if len(before) and len(after):
            step = round(float(np.median(before) - np.median(after)))
            lines = _moved(lines, end, step)
    return lines


def _moved(lines: CountedLines, since: int, cycles: int) -> CountedLines:
    """The lines with so many cycles more from the tick `since` on."""
    if not cycles:
        return lines
    series = tuple(
        replace(one, cycle=np.where((one.ticks >= since) & (one.cycle != NO_PLACE), one.cycle + cycles, one.cycle))
        for one in lines.series
    )
    return replace(lines, series=series)
