"""Slow swing of the speed loop: its period and size, if there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.motor.warp import CIRCLE_95
from spinlag.rotation.spectrum import periodogram

Floats = NDArray[np.float64]

LEAST_TURNS = 32
LEAST_PERIOD = 4.0
"""Turns: a faster swing belongs to the orders of rotation."""

LEAST_CYCLES = 2.0
"""A swing of which the capture holds fewer than this many cannot be told from drift."""

FALSE_ALARM = 1e-4
"""Probability of a swing this large by chance, above which none is claimed."""

BESIDE = 3
NEIGHBOURS = 30
"""Frequencies on either side from which the level beside a peak is learned."""


@dataclass(frozen=True)
class Hunting:
    """A swing of the speed. `amplitude` (relative) with its 95 % interval; `angle_deg`: amplitude of the error at the
    turn's end that it forces on firmware which takes the last turn's period for the next; `false_alarm`: the
    probability of such a peak by chance."""

    period_s: float
    period_turns: float
    amplitude: float
    low: float
    high: float
    angle_deg: float
    false_alarm: float


@dataclass(frozen=True)
class Search:
    """`found`: the strongest swing, None where none stands out; `bound`: the smallest amplitude that would have stood
    out (None: too few turns to look)."""

    found: Hunting | None
    bound: float | None


def find_hunting(periods_s: Floats, used: NDArray[np.bool_]) -> Search:
    """The strongest swing of the speed over n turns of `periods_s`; those not `used` are bridged.

    The largest ordinate of the periodogram is held against the median of its neighbours: without a swing, ordinates
    over their local mean are exponential, and the largest of M exceeds x with probability 1 - (1 - exp(-x))^M (Fisher,
    Proc. R. Soc. A 125, 1929, for large M).
    """
    n = len(periods_s)
    if n < LEAST_TURNS or used.sum() < LEAST_TURNS:
        return Search(None, None)
    turns, speed = _relative_speed(periods_s, used)
    frequency, power = periodogram(speed)
    band = np.flatnonzero((frequency >= LEAST_CYCLES / len(speed)) & (frequency <= 1.0 / LEAST_PERIOD))
    if len(band) < 3 or not power[band].any():
        return Search(None, None)
    peak = int(band[np.argmax(power[band])])
    level = _level(power, peak)
    needed = -float(np.log(-np.expm1(np.log1p(-FALSE_ALARM) / len(band))))
    bound = float(np.sqrt(2.0 * needed * max(level, 0.0) / len(speed)))
    excess = float(power[peak] / level) if level > 0 else 0.0
    if excess < needed:
        return Search(None, bound)
    chance = float(-np.expm1(len(band) * np.log1p(-np.exp(-min(excess, 700.0)))))
    fine, size, phase_noise = _fit(turns, speed, float(frequency[peak]), level)
    duration = float(np.mean(periods_s[used]))
    smoothing = float(np.sinc(fine))  # a turn's mean speed averages the swing over the turn
    size, reach = size / smoothing, CIRCLE_95 * phase_noise / smoothing
    found = Hunting(
        period_s=duration / fine,
        period_turns=1.0 / fine,
        amplitude=size,
        low=max(size - reach, 0.0),
        high=size + reach,
        angle_deg=360.0 * size * 2.0 * float(np.sin(np.pi * fine)),
        false_alarm=chance,
    )
    return Search(found, bound)


def _relative_speed(periods_s: Floats, used: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Turn numbers and relative speeds from the first to the last used turn, a straight line taken out."""
    every = np.arange(len(periods_s), dtype=np.float64)
    speed = 1.0 / np.interp(every, every[used], periods_s[used])
    first, last = np.flatnonzero(used)[[0, -1]]
    speed = speed[first : last + 1] / float(np.mean(speed[first : last + 1]))
    turns = every[: len(speed)]
    line = np.polynomial.polynomial.polyfit(turns, speed, 1)
    return turns, np.asarray(speed - np.polynomial.polynomial.polyval(turns, line))


def _level(power: Floats, peak: int) -> float:
    """Mean ordinate around a peak, the peak and its skirts left out: median over ln 2 (exponential distribution)."""
    around = np.r_[max(peak - NEIGHBOURS, 1) : max(peak - 2, 1), peak + 3 : min(peak + NEIGHBOURS + 1, len(power))]
    return float(np.median(power[around]) / np.log(2.0)) if len(around) >= 4 else 0.0


def _fit(turns: Floats, speed: Floats, frequency: float, level: float) -> tuple[float, float, float]:
    """Frequency (per turn), amplitude and standard deviation of either quadrature of the sinusoid near `frequency`,
    fitted together with a straight line.

    The deviation is that of the noise which is left around the frequency: a wander of the speed is strongest where
    the slow swings are.
    """
    from scipy.optimize import minimize_scalar

    n = len(turns)
    line = np.column_stack((np.ones(n), turns / n))

    def design(f: float) -> Floats:
        return np.column_stack((np.cos(2 * np.pi * f * turns), np.sin(2 * np.pi * f * turns), line))

    def rest(f: float) -> Floats:
        columns = design(f)
        return np.asarray(speed - columns @ np.linalg.lstsq(columns, speed, rcond=None)[0])

    width = 0.75 / n
    found = minimize_scalar(
        lambda f: float(np.sum(rest(f) ** 2)), bounds=(frequency - width, frequency + width), method="bounded"
    )
    best = float(found.x)
    columns = design(best)
    coefficients = np.linalg.lstsq(columns, speed, rcond=None)[0]
    _, left = periodogram(rest(best))
    peak = round(best * n)
    # the fit takes two of the ordinates' degrees of freedom at the peak itself
    around = np.delete(left[max(peak - BESIDE, 1) : peak + BESIDE + 1], min(BESIDE, peak - 1))
    noise = max(level, float(np.mean(around)) if len(around) else 0.0)
    # quadratures of a sinusoid in noise of one-sided density S have the variance S / N; the line shares their freedom
    inverse = np.linalg.inv(columns.T @ columns)
    shared = 0.5 * float(inverse[0, 0] + inverse[1, 1]) * n / 2.0
    return best, float(np.hypot(*coefficients[:2])), float(np.sqrt(noise * shared / n))
