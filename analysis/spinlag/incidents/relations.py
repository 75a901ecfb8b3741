"""Do incidents need certain data, or a certain speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.updates import ChainUpdates

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_CONTROLS = 20_000
_SMOOTHED_TURNS = 9


@dataclass(frozen=True)
class Relation:
    """Mann-Whitney comparison of one figure at `n` incidents with the same figure elsewhere.

    `effect` is the rank-biserial correlation, -1 (always lower) to 1 (always higher); `at_incidents` and `elsewhere`
    are medians.
    """

    n: int
    controls: int
    statistic: float
    effect: float
    p: float
    at_incidents: float
    elsewhere: float


def relate(values: Floats, at: Indices, rng: np.random.Generator) -> Relation | None:
    """Compare `values[at]` with a sample of the other values (H. Mann and D. Whitney, Ann. Math. Statist. 18, 1947).

    None where nothing varies or nothing is left to compare with.
    """
    from scipy.stats import mannwhitneyu

    known = np.isfinite(values)
    chosen = at[known[at]]
    others = np.flatnonzero(known & ~np.isin(np.arange(len(values)), chosen))
    if chosen.size < 2 or others.size < 2:
        return None
    if others.size > _CONTROLS:
        others = rng.choice(others, _CONTROLS, replace=False)
    mine, theirs = values[chosen], values[others]
    if np.ptp(np.concatenate((mine, theirs))) == 0:
        return None
    test = mannwhitneyu(mine, theirs, alternative="two-sided")
    return Relation(
        n=int(chosen.size),
        controls=int(others.size),
        statistic=float(test.statistic),
        effect=float(2 * test.statistic / (chosen.size * others.size) - 1),
        p=float(test.pvalue),
        at_incidents=float(np.median(mine)),
        elsewhere=float(np.median(theirs)),
    )


def smoothed_speed(speed_rev_per_s: Floats) -> Floats:
    """Running median of the speed over nine turns, shape kept, so that the fault itself does not count."""
    import pandas as pd

    series = pd.Series(speed_rev_per_s, dtype="float64")
    return np.asarray(series.rolling(_SMOOTHED_TURNS, center=True, min_periods=1).median(), dtype=np.float64)


def update_figures(chain: ChainUpdates, wanted: Indices) -> dict[str, Floats]:
    """Figures of the data of the updates `wanted`, ascending; each an array of len(chain) with NaN elsewhere.

    `share of 1 bits`, `share of bytes above zero`, `share of bytes changed since the update before`, `bits sent`.
    """
    n = len(chain)
    names = ("share of 1 bits", "share of bytes above zero", "share of bytes changed", "bits sent")
    figures = {name: np.full(n, np.nan) for name in names}
    for update in wanted:
        data = _bytes(chain, int(update))
        if not data.size:
            continue
        figures["share of 1 bits"][update] = float(np.bitwise_count(data).mean() / 8)
        figures["share of bytes above zero"][update] = float(np.count_nonzero(data) / data.size)
        before = _bytes(chain, int(update) - 1) if update > 0 else data[:0]
        if before.size == data.size:
            figures["share of bytes changed"][update] = float(np.count_nonzero(before != data) / data.size)
        figures["bits sent"][update] = float(chain.bits[update])
    return figures


def _bytes(chain: ChainUpdates, update: int) -> NDArray[np.uint8]:
    return chain.data[chain.offsets[update] : chain.offsets[update + 1]]
