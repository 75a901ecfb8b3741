"""Light along one chain and between several: the shear of a column, and the skew of chains that share a display."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig
from spinlag.rotation import Rotation
from spinlag.summary import EMPTY, Statistics, summarise
from spinlag.uncertainty import mean_interval_uncertainty

Floats = NDArray[np.float64]


def shear(chain: ChainUpdates) -> Statistics:
    """From the first LED's light to the last one's, seconds, over whole updates; empty where all change together."""
    if not chain.along_chain:
        return EMPTY
    return summarise((chain.light_s - chain.light_early_s)[chain.whole])


def skew(capture: Capture, first: ChainUpdates, second: ChainUpdates, *, clock_ppm: float = 0.0) -> Statistics:
    """How much later the second chain shows the same column than the first, seconds (negative: earlier).

    Updates belong together where each is the other's nearest by visible instant; what has no such partner is left out.
    """
    ours, theirs = _visible(capture, first), _visible(capture, second)
    if not ours.size or not theirs.size:
        return EMPTY
    to_theirs, to_ours = _nearest(ours, theirs), _nearest(theirs, ours)
    mutual = to_ours[to_theirs] == np.arange(len(ours))
    between = theirs[to_theirs[mutual]] - ours[mutual]
    mean = float(between.mean()) if between.size else 0.0
    uncertainty = mean_interval_uncertainty(
        capture.sample_period_s, int(between.size), clock_ppm=clock_ppm, mean_s=mean, locked=True
    )
    return summarise(between, uncertainty)


def light_sentences(
    capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], rotation: Rotation | None
) -> tuple[str, ...]:
    """Shear and skew in words, as times and, where the speed is known, as angles; neighbours are compared."""
    speed = rotation.speed.mean if rotation is not None else None

    def angle(seconds: float) -> str:
        return "" if not speed else f", {abs(seconds) * speed * 360:.3g}° of rotation"

    said = []
    for chain in chains:
        found = shear(chain)
        if found.mean is not None and found.mean > 0:
            said.append(
                f"{chain.name}: light runs along the chain within {found.mean * 1e6:.4g} µs{angle(found.mean)}, so a "
                "column is drawn aslant."
            )
    for one, other in pairwise(chains):
        found = skew(capture, one, other, clock_ppm=rig.capture.clock_ppm)
        if found.mean is None or found.min is None or found.max is None:
            continue
        said.append(
            f"{other.name} shows a column {abs(found.mean) * 1e6:.4g} µs {'after' if found.mean >= 0 else 'before'} "
            f"{one.name} on the mean ({found.min * 1e6:.4g} to {found.max * 1e6:.4g} µs){angle(found.mean)}."
        )
    return tuple(said)


def _visible(capture: Capture, chain: ChainUpdates) -> Floats:
    """Visible instants of whole updates, seconds from the record's start (near zero, so that floats stay fine)."""
    since = (chain.last[chain.whole] - capture.start) * float(capture.tick)
    found: Floats = np.sort(since + chain.light_s[chain.whole])
    return found


def _nearest(of: Floats, among: Floats) -> NDArray[np.int64]:
    """Index in `among` (ascending) of the value nearest to each of `of`."""
    after = np.clip(np.searchsorted(among, of), 1, max(len(among) - 1, 1))
    if len(among) == 1:
        return np.zeros(len(of), dtype=np.int64)
    closer_before = of - among[after - 1] <= among[after] - of
    found: NDArray[np.int64] = np.where(closer_before, after - 1, after).astype(np.int64)
    return found
