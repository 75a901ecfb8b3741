"""Light along one chain and between several: the shear of a column, and the skew of chains that share a display."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig
from spinlag.rotation import Rotation
from spinlag.summary import EMPTY, Statistics, summarise
from spinlag.uncertainty import mean_interval_uncertainty

Floats = NDArray[np.float64]
Ints = NDArray[np.signedinteger]


def shear(chain: ChainUpdates) -> Statistics:
    """From the first LED's light to the last one's, seconds, over whole updates; empty where all change together."""
    if not chain.along_chain:
        return EMPTY
    return summarise((chain.light_s - chain.light_early_s)[chain.whole])


@dataclass(frozen=True, eq=False)
class Skew:
    """How much later chain `chain` shows the same column than chain `against`, seconds (negative: earlier).

    `seconds`: over all columns that both showed. `by_column_s`, shape (columns,): the mean of each column, NaN where
    none was shown by both; empty where columns are not known.
    """

    chain: str
    against: str
    seconds: Statistics
    by_column_s: Floats


def skews(
    capture: Capture,
    rig: Rig,
    chains: Sequence[ChainUpdates],
    places: Sequence[tuple[Ints, Ints] | None] = (),
    columns: int | None = None,
) -> tuple[Skew, ...]:
    """Every chain but the first against the first one that has updates.

    `places`: revolution and column of each update of each chain, -1 where none (None: not known). Where they are known
    the same columns are compared, else updates that are each other's nearest in time.
    """
    lit = [i for i, chain in enumerate(chains) if len(chain)]
    known = tuple(places) or (None,) * len(chains)
    found = []
    for i in lit[1:]:
        one, other = known[lit[0]], known[i]
        if one is None or other is None or not columns:
            between, column = _by_nearest(capture, chains[lit[0]], chains[i]), None
        else:
            between, column = _by_column(capture, (chains[lit[0]], one), (chains[i], other), columns)
        mean = float(between.mean()) if between.size else 0.0
        uncertainty = mean_interval_uncertainty(
            capture.sample_period_s, int(between.size), clock_ppm=rig.capture.clock_ppm, mean_s=mean, locked=True
        )
        seconds = summarise(between, uncertainty) if between.size else EMPTY
        found.append(Skew(chains[i].name, chains[lit[0]].name, seconds, _by_column_mean(between, column, columns)))
    return tuple(found)


def _by_nearest(capture: Capture, first: ChainUpdates, second: ChainUpdates) -> Floats:
    """Seconds between updates that are each other's nearest by visible instant; others have no partner."""
    ours = np.sort(_visible(capture, first)[first.whole])
    theirs = np.sort(_visible(capture, second)[second.whole])
    if not ours.size or not theirs.size:
        return np.empty(0)
    to_theirs, to_ours = _nearest(ours, theirs), _nearest(theirs, ours)
    mutual = to_ours[to_theirs] == np.arange(len(ours))
    between: Floats = theirs[to_theirs[mutual]] - ours[mutual]
    return between


def _by_column(
    capture: Capture,
    first: tuple[ChainUpdates, tuple[Ints, Ints]],
    second: tuple[ChainUpdates, tuple[Ints, Ints]],
    columns: int,
) -> tuple[Floats, Ints]:
    """Seconds between the two chains' first whole updates of a column of a revolution, and the columns."""
    keys, visible = [], []
    for chain, (revolution, column) in (first, second):
        shown = chain.whole & (revolution >= 0) & (column >= 0) & (column < columns)
        keys.append(revolution[shown].astype(np.int64) * columns + column[shown])
        visible.append(_visible(capture, chain)[shown])
    both, ours, theirs = np.intersect1d(keys[0], keys[1], return_indices=True)
    return visible[1][theirs] - visible[0][ours], both % columns


def _by_column_mean(between: Floats, column: Ints | None, columns: int | None) -> Floats:
    if column is None or not columns:
        return np.empty(0)
    count = np.bincount(column, minlength=columns)
    total = np.bincount(column, between, minlength=columns)
    means: Floats = np.divide(total, count, out=np.full(columns, np.nan), where=count > 0)
    return means


def light_sentences(
    chains: Sequence[ChainUpdates], found: Sequence[Skew], rotation: Rotation | None
) -> tuple[str, ...]:
    """Shear and skew in words, as times and, where the speed is known, as angles."""
    speed = rotation.speed.mean if rotation is not None else None

    def angle(seconds: float) -> str:
        return "" if not speed else f", {abs(seconds) * speed * 360:.3g}° of rotation"

    said = []
    for chain in chains:
        along = shear(chain)
        if along.mean is not None and along.mean > 0:
            said.append(
                f"{chain.name}: light runs along the chain within {along.mean * 1e6:.4g} µs{angle(along.mean)}, so a "
                "column is drawn aslant."
            )
    for skew in found:
        seconds = skew.seconds
        if seconds.mean is None or seconds.min is None or seconds.max is None:
            continue
        order = "after" if seconds.mean >= 0 else "before"
        said.append(
            f"{skew.chain} shows a column {abs(seconds.mean) * 1e6:.4g} µs {order} {skew.against} on the mean "
            f"({seconds.min * 1e6:.4g} to {seconds.max * 1e6:.4g} µs){angle(seconds.mean)}."
        )
    return tuple(said)


def _visible(capture: Capture, chain: ChainUpdates) -> Floats:
    """Visible instants, seconds from the record's start (near zero, so that floats stay fine)."""
    found: Floats = (chain.last - capture.start) * float(capture.tick) + chain.light_s
    return found


def _nearest(of: Floats, among: Floats) -> NDArray[np.int64]:
    """Index in `among` (ascending) of the value nearest to each of `of`."""
    after = np.clip(np.searchsorted(among, of), 1, max(len(among) - 1, 1))
    if len(among) == 1:
        return np.zeros(len(of), dtype=np.int64)
    closer_before = of - among[after - 1] <= among[after] - of
    found: NDArray[np.int64] = np.where(closer_before, after - 1, after).astype(np.int64)
    return found
