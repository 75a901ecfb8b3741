"""Do instants come in a steady period: a search over frequencies with a stated false-alarm probability."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spinlag.incidents.circular import rayleigh_p

Floats = NDArray[np.float64]

_OVERSAMPLING = 4
_LARGEST_GRID = 1 << 21
_FEWEST_CYCLES = 3.0
_SUBHARMONICS = 64
_AS_GOOD = 0.97
_NORMAL_95 = 1.959964


@dataclass(frozen=True)
class Period:
    """Best period of `n` instants. `resultant` is the mean resultant length of their phases, `p` the probability that
    as many instants scattered at random show so good a period at any of the `trials` frequencies searched."""

    n: int
    period_s: float
    half_width_s: float
    resultant: float
    p: float
    trials: int
    shortest_s: float
    longest_s: float


def find_period(instants_s: ArrayLike, start_s: float, end_s: float, shortest_s: float) -> Period | None:
    """Search periods from `shortest_s` to a third of [start_s, end_s) for one in which the instants, shape (n,), bunch.

    At each frequency the Rayleigh test asks whether the phases bunch; p = 1 - (1 - p1)^trials over all frequencies of
    a grid four times finer than 1 / duration, as if they were independent, so that p errs on the high side (A. Horne
    and J. Baliunas, Astrophys. J. 302, 1986, discuss the count). None for fewer than three instants or no room.
    """
    instants = np.sort(np.asarray(instants_s, dtype=np.float64)) - start_s
    span = end_s - start_s
    if instants.size < 3 or span <= 0 or shortest_s <= 0 or span / _FEWEST_CYCLES <= shortest_s:
        return None
    frequency, resultant, shortest = _coarse_search(instants, span, shortest_s)
    if not frequency.size:
        return None
    step = 1.0 / (_OVERSAMPLING * span)
    best, length = _refine(instants, float(frequency[np.argmax(resultant)]), step)
    best, length = _lowest_as_good(instants, best, length, _FEWEST_CYCLES / span, step)
    one = float(rayleigh_p(instants.size, length))
    spread = math.sqrt(max(-2 * math.log(max(length, 1e-12)), 1e-12))
    leverage = math.sqrt(float(np.sum((instants - instants.mean()) ** 2)))
    frequency_sd = spread / (2 * math.pi * leverage) if leverage > 0 else math.inf
    return Period(
        n=int(instants.size),
        period_s=1.0 / best,
        half_width_s=_NORMAL_95 * frequency_sd / best**2,
        resultant=length,
        p=float(-math.expm1(frequency.size * math.log1p(-min(one, 1 - 1e-16)))),
        trials=int(frequency.size),
        shortest_s=shortest,
        longest_s=span / _FEWEST_CYCLES,
    )


def fewest_for_period(p: float, trials: int) -> int:
    """Fewest instants in perfect time that the search would call periodic at that p."""
    n = 3
    while trials * float(rayleigh_p(n, 1.0)) >= p:
        n += 1
    return n


def _coarse_search(instants: Floats, span: float, shortest: float) -> tuple[Floats, Floats, float]:
    """Frequencies searched and the mean resultant length at each, by FFT of the binned instants."""
    width = shortest / 4
    bins = math.ceil(span / width)
    if bins * _OVERSAMPLING > _LARGEST_GRID:
        bins = _LARGEST_GRID // _OVERSAMPLING
        width = span / bins
        shortest = 4 * width
    counts = np.bincount(np.minimum((instants / width).astype(np.int64), bins - 1), minlength=bins)
    length = 1 << math.ceil(math.log2(bins * _OVERSAMPLING))
    frequency = np.arange(length // 2 + 1) / (length * width)
    wanted = (frequency >= _FEWEST_CYCLES / span) & (frequency <= 1 / shortest)
    resultant = np.abs(np.fft.rfft(counts, length))[wanted] / instants.size
    return frequency[wanted], np.asarray(resultant), shortest


def _resultant(instants: Floats, frequency: Floats) -> Floats:
    return np.asarray(np.abs(np.exp(2j * np.pi * frequency[:, None] * instants).mean(axis=1)))


def _refine(instants: Floats, frequency: float, step: float) -> tuple[float, float]:
    """The best frequency within a grid step of `frequency`, to a ten-thousandth of a step."""
    for scale in (1.0, 0.1, 0.01, 0.001):
        nearby = frequency + np.linspace(-1, 1, 21) * step * scale
        nearby = nearby[nearby > 0]
        lengths = _resultant(instants, nearby)
        frequency = float(nearby[np.argmax(lengths)])
    return frequency, float(lengths.max())


def _lowest_as_good(
    instants: Floats, frequency: float, resultant: float, lowest: float, step: float
) -> tuple[float, float]:
    """What repeats at P also repeats at P / 2, P / 3...: prefer the longest period that is as good."""
    for divisor in range(_SUBHARMONICS, 1, -1):
        if frequency / divisor < lowest:
            continue
        candidate, length = _refine(instants, frequency / divisor, step)
        if length >= _AS_GOOD * resultant:
            return candidate, length
    return frequency, resultant
