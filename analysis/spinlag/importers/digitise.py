"""Volts to levels: the two states of a trace from its histogram, and the instants at which it crosses between them.

The words are those of IEEE Std 181 (pulses and transitions; clause numbers are from memory and therefore not given):
the low and high *state levels* are the modes of the two halves of the histogram, the *amplitude* is their difference,
and an edge is where the trace passes the 50 % *reference level*, found by linear interpolation between samples. A dead
band about that level, 10 % of the amplitude wide, keeps noise from counting as edges.

An interpolated instant lies between two samples. Where the transition is faster than a sample, the true instant can be
anywhere between them, and the error is at most half a sample period to either side of where interpolation puts it on
average: its standard uncertainty is that of a sampled instant, T_s / sqrt(12), and slower transitions do better. So
T_s stays the sample period of a digitised line, as an upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.importers.lanes import LOST

Volts = NDArray[np.float64]
Levels = NDArray[np.uint8]

REFERENCE = 0.5
"""Reference level of an edge, as a fraction of the amplitude above the low state (IEEE Std 181)."""

HYSTERESIS = 0.1
"""Width of the dead band about the reference level, as a fraction of the amplitude. Common practice, no source."""

LEAST_AMPLITUDE_V = 0.1
"""A smaller swing is not taken for two levels unless a threshold is given. Common practice, no source: the smallest
logic swings are near 0.25 V, and a tenfold probe that nobody told the recorder of makes 0.33 V of 3.3 V."""

LEAST_SEPARATION = 4.0
"""Least distance between the means of the two halves in rms spreads of the halves. Noise split at its mean gives 2.65
(normal) or 3.46 (uniform), a sine wave 4.1, a logic line far more."""

_HALF = 1 << 14
_COARSE = 128


@dataclass(frozen=True)
class StateLevels:
    """Low and high state of a trace in volts, and how far apart they are in rms spreads."""

    low: float
    high: float
    separation: float

    @property
    def amplitude(self) -> float:
        """Difference of the states in volts."""
        return self.high - self.low


@dataclass(frozen=True)
class Switching:
    """Levels at which a trace changes state: it is high from `upper` on and low from `lower` down; an edge is where it
    passes `reference`. `step` marks a trace that holds its value from row to row: its edges stand at the rows."""

    reference: float
    lower: float
    upper: float
    step: bool = False


class VoltHistogram:
    """Counts of volts in bins of a power of two that widen as needed: the same for any cutting into blocks."""

    def __init__(self) -> None:
        self._exponent: int | None = None
        self._counts = np.zeros(2 * _HALF, dtype=np.int64)
        self._zeros = 0
        self.least = np.inf
        self.greatest = -np.inf
        self._values: list[float] = []

    @property
    def two_valued(self) -> tuple[float, ...] | None:
        """The values that occur, rising, where they are at most two; else None."""
        return tuple(sorted(self._values)) if len(self._values) < 3 else None

    def add(self, volts: Volts) -> None:
        """Count more values; NaN is passed over."""
        volts = volts[~np.isnan(volts)]
        if not len(volts):
            return
        self.least = min(self.least, float(volts.min()))
        self.greatest = max(self.greatest, float(volts.max()))
        self._note_values(volts)
        peak = max(-self.least, self.greatest, 0.0)
        if peak == 0.0:
            self._zeros += len(volts)
            return
        self._widen(max(int(np.frexp(peak)[1]), -900) - 14)
        bins = np.floor(np.ldexp(volts, -(self._exponent or 0))).astype(np.int64) + _HALF
        self._counts += np.bincount(np.clip(bins, 0, 2 * _HALF - 1), minlength=2 * _HALF)

    def states(self) -> StateLevels | None:
        """The two states, None where the values do not fall into two groups."""
        if self._exponent is None:
            return None
        counts = self._counts.copy()
        counts[_HALF] += self._zeros
        filled = np.flatnonzero(counts)
        first, last = int(filled[0]), int(filled[-1])
        if first == last:
            return None
        counts = counts[first : last + 1]
        centres = np.ldexp(np.arange(first, last + 1) - _HALF + 0.5, self._exponent)
        candidates = [_split(counts, centres, cut) for cut in {len(counts) // 2, _least_variance_cut(counts, centres)}]
        best = max(candidates, key=lambda found: found.separation)
        return best if best.separation >= LEAST_SEPARATION else None

    def _note_values(self, volts: Volts) -> None:
        while len(self._values) < 3:
            other = np.ones(len(volts), dtype=np.bool_)
            for value in self._values:
                other &= volts != value
            if not other.any():
                return
            self._values.append(float(volts[int(other.argmax())]))

    def _widen(self, exponent: int) -> None:
        if self._exponent is None:
            self._exponent = exponent
        shift = exponent - self._exponent
        if shift > 0:
            index = (np.arange(-_HALF, _HALF) >> min(shift, 15)) + _HALF
            merged = np.zeros_like(self._counts)
            np.add.at(merged, index, self._counts)
            self._counts = merged
            self._exponent = exponent


def _least_variance_cut(counts: NDArray[np.int64], centres: Volts) -> int:
    """The cut that leaves the least variance within two groups (N. Otsu, IEEE Trans. SMC 9 (1979) 62)."""
    below = np.cumsum(counts)[:-1].astype(np.float64)
    total = float(counts.sum())
    moment = np.cumsum(counts * centres)
    gained = (moment[-1] * below / total - moment[:-1]) ** 2 / (below * (total - below))
    return int(gained.argmax()) + 1


def _split(counts: NDArray[np.int64], centres: Volts, cut: int) -> StateLevels:
    """The modes of the histogram below and above a cut, and how far apart the two groups are."""
    means, squares, modes = [], 0.0, []
    for part in (slice(0, cut), slice(cut, None)):
        weight, value = counts[part], centres[part]
        mean = float((weight * value).sum() / weight.sum())
        squares += float((weight * (value - mean) ** 2).sum())
        means.append(mean)
        modes.append(_mode(weight, value, len(counts)))
    bin_width = float(centres[1] - centres[0])
    spread = max(np.sqrt(squares / counts.sum()), bin_width / np.sqrt(12.0))
    return StateLevels(modes[0], modes[1], (means[1] - means[0]) / spread)


def _mode(counts: NDArray[np.int64], centres: Volts, span: int) -> float:
    """Mean of the fullest of some hundred equal bins over the whole span."""
    width = max(span // _COARSE, 1)
    group = np.arange(len(counts)) // width
    fullest = group == int(np.bincount(group, weights=counts).argmax())
    return float((counts[fullest] * centres[fullest]).sum() / counts[fullest].sum())


def switching_levels(
    histogram: VoltHistogram, *, threshold_v: float | None, hysteresis: float | None, steps: bool
) -> Switching | None:
    """Where a trace changes state: by its own two states, or by the threshold given; None where it has no two states.

    `steps` says that the rows are not evenly spaced, so that a trace of two values holds each of them until the next
    row. A trace of the values 0 and 1 is a level written as a number, and always does.
    """
    values = histogram.two_valued
    if values and set(values) <= {0.0, 1.0} and threshold_v is None:
        return Switching(0.5, 0.5, 0.5, step=True)
    step = steps and values is not None
    band = HYSTERESIS if hysteresis is None else hysteresis
    states = histogram.states()
    if threshold_v is not None:
        span = states.amplitude if states else max(histogram.greatest - histogram.least, 0.0)
        return Switching(threshold_v, threshold_v - band * span / 2, threshold_v + band * span / 2, step)
    if states is None or states.amplitude < LEAST_AMPLITUDE_V:
        return None
    reference = states.low + REFERENCE * states.amplitude
    return Switching(reference, reference - band * states.amplitude / 2, reference + band * states.amplitude / 2, step)


class Digitiser:
    """One trace to levels, block by block; any cutting into blocks gives the same."""

    def __init__(self, switching: Switching) -> None:
        self._at = switching
        self._volts = np.nan
        self._tick = 0
        self._level = LOST
        self._begun = False
        self._lost = True
        self._crossed = [(0, 0), (0, 0)]
        self.widest_step = 0
        """Greatest spacing, in ticks, of two rows between which an edge was found."""

    def add(self, ticks: Ticks, volts: Volts) -> tuple[Ticks, Levels]:
        """Changes of state in the next rows: (ticks that never decrease, levels 0, 1 or LOST)."""
        if not len(ticks):
            return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.uint8)
        at = self._at
        missing = np.isnan(volts)
        side = np.full(len(volts), LOST, dtype=np.uint8)
        side[volts >= at.upper] = 1
        side[volts < at.lower if at.lower == at.upper else volts <= at.lower] = 0
        if self._level == LOST and not missing.all():
            first = int(np.flatnonzero(~missing)[0])
            side[first] = np.uint8(volts[first] >= at.reference)
        level = _filled(side, self._level)
        before = np.concatenate([np.array([self._level], dtype=np.uint8), level[:-1]])
        turned = np.flatnonzero((level != before) & (before != LOST) & (level != LOST))
        edges, rows = self._instants(turned, level, ticks, volts)
        resumed = np.flatnonzero(~missing & np.concatenate([[self._lost], missing[:-1]]))
        ceased = np.flatnonzero(missing & ~np.concatenate([[self._lost and self._begun], missing[:-1]]))
        when = np.concatenate([ticks[resumed], edges, ticks[ceased]])
        what = np.concatenate([level[resumed], level[turned], np.full(len(ceased), LOST, dtype=np.uint8)])
        order = np.argsort(np.concatenate([resumed, rows, ceased]), kind="stable")
        self._remember(ticks, volts, level, missing)
        return when[order], what[order]

    def _instants(
        self, turned: NDArray[np.intp], level: Levels, ticks: Ticks, volts: Volts
    ) -> tuple[Ticks, NDArray[np.intp]]:
        """When the reference level was last passed, in its direction, at or before the rows `turned`, and by which row
        (-1 for one before these)."""
        if self._at.step:
            return ticks[turned], turned
        volts = np.concatenate([[self._volts], volts])
        ticks = np.concatenate([np.array([self._tick], dtype=np.int64), ticks])
        high = volts >= self._at.reference
        low = volts < self._at.reference
        instants = np.zeros(len(turned), dtype=np.int64)
        rows = np.zeros(len(turned), dtype=np.intp)
        for direction, side in ((0, low), (1, high)):
            passes = np.flatnonzero(side[1:] & ~side[:-1]) + 1
            found = _interpolated(passes, ticks, volts, self._at.reference)
            spans = ticks[passes] - ticks[passes - 1]
            wanted = level[turned] == direction
            latest = np.searchsorted(passes, turned[wanted] + 1, side="right")
            tick, span = self._crossed[direction]
            instants[wanted] = np.concatenate([np.array([tick], dtype=np.int64), found])[latest]
            rows[wanted] = np.concatenate([[0], passes])[latest] - 1
            used = np.concatenate([np.array([span], dtype=np.int64), spans])[latest]
            self.widest_step = max(self.widest_step, int(used.max(initial=0)))
            if len(found):
                self._crossed[direction] = (int(found[-1]), int(spans[-1]))
        return instants, rows

    def _remember(self, ticks: Ticks, volts: Volts, level: Levels, missing: NDArray[np.bool_]) -> None:
        self._volts, self._tick = float(volts[-1]), int(ticks[-1])
        self._level = int(level[-1])
        self._lost = bool(missing[-1])
        self._begun = True


def _filled(side: Levels, level: int) -> Levels:
    """Levels with those not decided taken from the row before."""
    decided = np.where(side != LOST, np.arange(len(side)), -1)
    latest = np.maximum.accumulate(decided)
    return np.where(latest >= 0, side[latest], np.uint8(level)).astype(np.uint8)


def _interpolated(passes: NDArray[np.intp], ticks: Ticks, volts: Volts, reference: float) -> Ticks:
    """Instants between rows `passes - 1` and `passes` at which the trace passes the reference level, to whole ticks.

    Never at the earlier row itself, so that two edges never meet; at the later one where the earlier has no sample.
    """
    span = ticks[passes] - ticks[passes - 1]
    before, after = volts[passes - 1], volts[passes]
    with np.errstate(invalid="ignore"):
        part = (reference - before) / (after - before)
    part = np.where(np.isnan(part), 1.0, part)
    moved = np.rint(span * part).astype(np.int64)
    return ticks[passes - 1] + np.clip(moved, np.minimum(1, span), span)
