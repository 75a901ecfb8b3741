"""Times that a table holds to a number of digits, so that they grow coarser as they grow: found from the edges.

A writer of so many significant digits keeps microseconds at 0.1 s and only tens of them at 1 s; one that held its times
in single precision (IEEE 754-2019, 3.6: 24 bits) keeps 60 ns at 0.5 s and 1 us at 10 s. No lattice shows that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Edges, Ticks

_RUNS = 32
_RUN = 256
"""Runs of neighbouring edges of each line that are looked at, evenly spread, and their length."""

_ENOUGH = 20
"""Edges that must bear a resolution out: by chance it would be found once in 10^20, or 2^20."""

_NEAR = 0.09
"""Part of a float's spacing within which its decimal text must lie: nine digits do, chance does one time in six."""

_ODD = 0.25
"""Share of the floats that must use their last bit: half of them do where it is the float that limits the times."""


@dataclass(frozen=True)
class Resolution:
    """How coarse the latest times are, in ticks, and why, in words."""

    ticks: Fraction
    why: str


def written_resolution(lines: Sequence[Edges], places: int) -> Resolution | None:
    """The coarsest step that edges of `lines` were written with, where it grew with the time; None where it did not.

    Edges are ticks of 10**-places units of the time column.
    """
    ticks = _spread(lines)
    if len(ticks) < 2 * _ENOUGH:
        return None
    found = [resolution for resolution in (_of_floats(ticks, places), _of_digits(ticks)) if resolution is not None]
    return max(found, key=lambda resolution: resolution.ticks, default=None)


def _spread(lines: Sequence[Edges]) -> Ticks:
    """Distances from the zero of the time column, ascending."""
    parts = [
        np.abs(np.asarray(edges[start : start + _RUN], dtype=np.int64))
        for edges in lines
        for start in range(0, len(edges), max(_RUN, len(edges) // _RUNS))
    ]
    return np.unique(np.concatenate(parts)) if parts else np.empty(0, dtype=np.int64)


def _of_digits(ticks: Ticks) -> Resolution | None:
    """Whether numbers of one more digit before the decimal sign have one decimal less, in the two last decades."""
    decades = np.searchsorted(10 ** np.arange(19, dtype=np.int64), ticks, side="right")
    found: list[tuple[int, int]] = []
    for decade in range(int(decades[-1]), 0, -1):
        mine = ticks[decades == decade]
        if len(mine) >= _ENOUGH:
            found.append((decade, _zeros(mine)))
        elif not found and len(mine):
            return None  # too few of the latest to tell
        if len(found) == 2:
            break
    if len(found) < 2:
        return None
    (last, coarse), (before, fine) = found
    if coarse - fine != last - before or coarse == 0:
        return None
    return Resolution(Fraction(10**coarse), f"{last - coarse} significant digits")


def _zeros(ticks: Ticks) -> int:
    """Zeros at the end that all of them have."""
    common = int(np.gcd.reduce(ticks))
    zeros = 0
    while common and common % 10 == 0:
        common //= 10
        zeros += 1
    return zeros


def _of_floats(ticks: Ticks, places: int) -> Resolution | None:
    """Whether all are numbers in single precision, and those of two binades at least use its last bit."""
    exact = ticks / float(10**places)
    single = exact.astype(np.float32)
    spacing = np.spacing(single).astype(np.float64)
    told = spacing * float(10**places) > 2 * int(np.gcd.reduce(ticks))  # elsewhere the decimals are as coarse
    if np.count_nonzero(told) < _ENOUGH:
        return None
    near = np.abs(exact - single) <= _NEAR * spacing
    if not bool(near[told].all()) and not _shortest(exact[told], single[told]):
        return None
    odd = single.view(np.uint32) & 1 == 1
    binades = np.frexp(single)[1]
    using = [binade for binade in np.unique(binades[told]) if _uses_last_bit(odd[told & (binades == binade)])]
    if len(using) < 2:
        return None
    coarsest = Fraction(float(spacing[-1])) * 10**places
    return Resolution(coarsest, "single precision (32-bit floating point)")


def _shortest(exact: NDArray[np.float64], single: NDArray[np.float32]) -> bool:
    """Whether all are written with the fewest digits that tell one float from the next."""
    few = slice(None, None, max(1, len(single) // _ENOUGH))
    return all(
        float(str(one)) == other
        for part in (few, slice(None))
        for one, other in zip(single[part], exact[part].tolist(), strict=True)
    )


def _uses_last_bit(odd: NDArray[np.bool_]) -> bool:
    return len(odd) >= _ENOUGH and int(np.count_nonzero(odd)) >= _ODD * len(odd)
