"""Turns to figures: speed, period, jitter, drift and Allan deviation, each with what the sampling allows to be said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.allan import overlapping_adev
from spinlag.summary import EMPTY, Statistics, summarise
from spinlag.uncertainty import interval_standard_uncertainty, mean_interval_uncertainty

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

DRIFT_SIGMAS = 4.0
"""A slope of the period is taken for drift, and taken out before jitter is measured, from this many standard errors."""

NORMAL_95 = 1.959964

BESIDE = 4
"""Turns on either side of a change of speed from which its size is learned."""

LEAST_CHANGE = 1.5e-3
"""Smaller relative changes than this are left in: half of what is ever called a step."""


@dataclass(frozen=True)
class Sampling:
    """What the recorder does to an instant. `centre`: instants are means of two sampled edges, which halves the
    variance of their sampling errors."""

    tick_s: float
    period_s: float
    clock_ppm: float
    centre: bool

    @property
    def interval_u_s(self) -> float:
        """Standard uncertainty of one interval from sampling, seconds."""
        return interval_standard_uncertainty(self.period_s) / (np.sqrt(2.0) if self.centre else 1.0)


@dataclass(frozen=True, eq=False)
class Figures:
    """The scalar results of a rotation."""

    speed: Statistics
    period: Statistics
    period_jitter_rms_s: float | None
    period_jitter_peak_to_peak_s: float | None
    cycle_to_cycle_jitter_rms_s: float | None
    jitter_uncertainty_s: float | None
    drift_rev_per_s2: float | None
    allan: pd.DataFrame
    notes: tuple[str, ...]


NO_FIGURES = Figures(EMPTY, EMPTY, None, None, None, None, None, overlapping_adev(np.empty(0), 1.0), ())


def measure(turn_ticks: NDArray[np.int64], used: Mask, changed: Mask, sampling: Sampling) -> Figures:
    """Figures of n turns between `turn_ticks`, shape (n + 1,).

    `used`, shape (n,): the period may enter the statistics; `changed`, shape (n,): the shaft's speed changed during it,
    so that the turns before and after are separate stretches for jitter.
    """
    periods = np.diff(turn_ticks) * sampling.tick_s
    if not used.any():
        return NO_FIGURES
    period = summarise(periods[used], mean_uncertainty(periods, used, sampling))
    mean = period.mean or 0.0
    relative = (period.uncertainty or 0.0) / mean
    speeds = 1.0 / periods[used]
    stretches = runs(used & ~changed)
    residue, lost, said = _without_drift(periods, stretches)
    level = without_changes(periods, used, changed)
    jitter = float(np.sqrt(residue @ residue / (len(residue) - lost))) if len(residue) > max(lost, 1) else None
    steps = np.concatenate([np.diff(periods[a:b]) for a, b in stretches]) if stretches else np.empty(0)
    notes = [said] if said else []
    if level is not periods:
        notes.append("changes of speed that are told as incidents are taken out of drift, hunting and Allan deviation")
    if jitter is not None:
        notes.append(
            f"sampling alone would show as {sampling.interval_u_s * 1e9:.3g} ns rms of period jitter; the figures are "
            f"as observed, and {len(residue)} turns know the process to {100 / np.sqrt(2 * len(residue)):.2g} %"
        )
    return Figures(
        speed=summarise(speeds, relative * float(speeds.mean())),
        period=period,
        period_jitter_rms_s=jitter,
        period_jitter_peak_to_peak_s=float(np.ptp(residue)) if jitter is not None else None,
        cycle_to_cycle_jitter_rms_s=float(np.sqrt(np.mean(steps**2))) if len(steps) else None,
        jitter_uncertainty_s=None if jitter is None else _jitter_uncertainty(jitter, len(residue), sampling),
        drift_rev_per_s2=_drift(periods, level, used),
        allan=_allan(level, used),
        notes=tuple(notes),
    )


def runs(flag: Mask) -> list[tuple[int, int]]:
    """Half-open ranges of True."""
    edge = np.diff(np.concatenate(([0], flag.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    return [(int(a), int(b)) for a, b in zip(starts, stops, strict=True)]


def mean_uncertainty(periods: Floats, used: Mask, sampling: Sampling) -> float | None:
    """Expanded uncertainty (95 %) of the mean of the used periods, seconds.

    Of N periods in a row only the first and the last edge matter: T_s / (N sqrt(6)), a triangle. Stretches that other
    turns cut apart add one triangle each; the recorder's clock adds a rectangle that does not average out.
    """
    n = int(used.sum())
    pieces = len(runs(used))
    mean = float(periods[used].mean())
    triangles = 2 * pieces if sampling.centre else pieces
    return mean_interval_uncertainty(
        sampling.period_s * pieces / n, triangles, clock_ppm=sampling.clock_ppm, mean_s=mean
    )


def _without_drift(periods: Floats, stretches: list[tuple[int, int]]) -> tuple[Floats, int, str]:
    """Periods less their mean, or less a straight line where the drift is plain, stretch by stretch.

    Returns the residues, how many figures were fitted, and a sentence saying so.
    """
    parts, lost, drifting = [], 0, 0
    for a, b in stretches:
        values = periods[a:b]
        if len(values) < 2 and len(stretches) > 1:
            continue
        centred = np.asarray(values - values.mean(), dtype=np.float64)
        x = np.arange(len(values)) - 0.5 * (len(values) - 1)
        slope, error = _slope(np.asarray(x, dtype=np.float64), centred)
        plain = len(values) >= 5 and abs(slope) > DRIFT_SIGMAS * error
        parts.append(centred - slope * x if plain else centred)
        lost += 2 if plain else 1
        drifting += int(plain)
    if not parts:
        return np.empty(0), 0, ""
    pieces = f" in each of {len(parts)} stretches" if len(parts) > 1 else ""
    said = f"period jitter is the departure from the mean{pieces}"
    if drifting:
        of = f"in {drifting} of {len(parts)} stretches " if len(parts) > 1 else ""
        said = f"period jitter is the departure from a straight line {of}(slow drift taken out)"
    return np.concatenate(parts), lost, said


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Least-squares slope through the origin and its standard error; both centred."""
    sxx = float(x @ x)
    if sxx == 0 or len(x) < 3:
        return 0.0, 0.0
    slope = float(x @ y) / sxx
    rest = y - slope * x
    return slope, float(np.sqrt(rest @ rest / (len(x) - 2) / sxx))


def _jitter_uncertainty(jitter: float, n: int, sampling: Sampling) -> float:
    """Expanded uncertainty (95 %) of the rms of n periods from sampling alone, seconds.

    Sampling adds T_s^2 / 6 to the square of the rms (as much as it raises the rms, it counts in full), and leaves the
    rms of n values uncertain by T_s / sqrt(6 n).
    """
    u = sampling.interval_u_s
    raised = jitter - float(np.sqrt(max(jitter**2 - u**2, 0.0)))
    return float(NORMAL_95 * u / np.sqrt(n) + raised)


def independent_values(values: Floats) -> float:
    """How many independent values n successive ones are worth: n over their correlation time, whose sum ends with the
    first pair of lags that is not positive (C. J. Geyer, Statist. Sci. 7, 1992, initial positive sequence)."""
    from scipy.fft import next_fast_len

    n = len(values)
    centred = values - values.mean()
    power = float(centred @ centred)
    if n < 4 or power == 0.0:
        return float(n)
    size = next_fast_len(2 * n, real=True)  # of small factors: others take several times the memory
    spectrum = np.fft.rfft(centred, size)
    lags = np.fft.irfft(np.abs(spectrum) ** 2, size)[: n // 2] / power
    pairs = lags[: len(lags) // 2 * 2].reshape(-1, 2).sum(axis=1)
    stop = np.flatnonzero(pairs <= 0)
    time = 2.0 * float(pairs[: stop[0] if len(stop) else len(pairs)].sum()) - 1.0
    return float(n) / max(time, 1.0)


def without_changes(periods: Floats, used: Mask, changed: Mask) -> Floats:
    """Periods, shape (n,), as they would be without the changes of speed: what follows each stretch of turns `changed`
    is brought to the level before it, and the stretch itself to a straight line between. `periods` itself, where no
    change leaves a new level (a jerk does not).

    The change is that between two parallel lines through the turns on either side, so that a swing of the speed is
    not taken for a part of it.
    """
    level = np.log(periods)
    at, number = np.flatnonzero(used), np.arange(len(periods))
    stretches = runs(changed)
    # from ends[k] on, jumps[k] is taken off, all together
    ends, jumps = np.zeros(len(stretches) + 1, dtype=np.int64), np.zeros(len(stretches) + 1)
    bridged: list[tuple[int, int, Floats]] = []
    for a, b in stretches:
        found = len(bridged)
        before, after = at[: at.searchsorted(a)][-BESIDE:], at[at.searchsorted(b) :][:BESIDE]
        own = np.concatenate((before, after))
        if min(len(before), len(after)) < 2 or changed[own].any():
            continue
        brought = level[own] - jumps[ends[: found + 1].searchsorted(own, side="right") - 1]
        design = np.column_stack((np.ones(len(own)), own - a, own >= b)).astype(np.float64)
        jump = float(np.linalg.lstsq(design, brought, rcond=None)[0][2])
        if abs(jump) < LEAST_CHANGE:
            continue
        ends[found + 1], jumps[found + 1] = b, jumps[found] + jump
        bridged.append((a, b, np.interp(number[a:b], own, brought - np.where(own >= b, jump, 0.0))))
    if not bridged:
        return periods
    level -= jumps[ends[: len(bridged) + 1].searchsorted(number, side="right") - 1]
    for a, b, between in bridged:
        level[a:b] = between
    return np.exp(level)


def _drift(periods: Floats, level: Floats, used: Mask) -> float | None:
    """Slope of the speed over time, rev/s^2, by least squares over the used turns of `level` (periods without the
    changes of speed)."""
    if int(used.sum()) < 3:
        return None
    middle = (np.cumsum(periods) - 0.5 * periods)[used]
    speed = 1.0 / level[used]
    return _slope(middle - middle.mean(), speed - speed.mean())[0]


def _allan(level: Floats, used: Mask) -> pd.DataFrame:
    """Overlapping Allan deviation of the index instants between the first and the last used turn; instants at which
    only turns end that are not used count as not believed."""
    where = np.flatnonzero(used)
    first, last = int(where[0]), int(where[-1]) + 1
    believed = np.zeros(last - first + 1, dtype=bool)
    believed[:-1] |= used[first:last]
    believed[1:] |= used[first:last]
    mean = float(np.mean(level[used]))
    departure = np.concatenate(([0.0], np.cumsum(level[first:last] - mean)))
    return overlapping_adev(np.where(believed, departure, np.nan), mean)
