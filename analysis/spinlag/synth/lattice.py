"""The recorder: true instants in, whole ticks on its sample lattice out."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks

_UNITS = {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12, "fs": -15}


def tick_fraction(text: str) -> Fraction:
    """`"10 ns"` -> Fraction(1, 100_000_000) of a second."""
    digits = text.rstrip("fpnums ")
    return int(digits) * Fraction(10) ** _UNITS[text[len(digits) :].strip()]


class Lattice:
    """Sample k is taken at true second k * `true_period_s` and stamped round(k * period) ticks, halves up."""

    def __init__(self, sample_rate_hz: float, tick: Fraction, clock_error_ppm: float, duration_s: float) -> None:
        rate = Fraction(sample_rate_hz).limit_denominator(1_000_000)
        self.tick = tick
        self.period_ticks = 1 / (rate * tick)
        self.true_period_s = float(1 / rate) / (1.0 + clock_error_ppm * 1e-6)
        self.samples = max(1, int(duration_s / self.true_period_s))
        if self.period_ticks < 1:
            raise ValueError(f"a tick of {float(tick):g} s cannot hold samples at {sample_rate_hz:g} Hz")
        if self.samples * self.period_ticks.numerator * 2 >= 2**62:
            raise ValueError("the capture is too long for its tick and sample rate")

    @property
    def end(self) -> int:
        """Tick at which the record ends."""
        return int(self.ticks(np.array([self.samples], dtype=np.int64))[0])

    def ticks(self, samples: Ticks) -> Ticks:
        """Sample numbers to ticks, exactly."""
        num, den = self.period_ticks.numerator, self.period_ticks.denominator
        return (samples * (2 * num) + den) // (2 * den)

    def sample_numbers(self, instants_s: NDArray[np.float64]) -> Ticks:
        """The first sample at or after each true instant."""
        return np.ceil(instants_s / self.true_period_s).astype(np.int64)

    def record(self, instants_s: NDArray[np.float64], level: int) -> tuple[int, Ticks]:
        """What is recorded of a line that is at `level` long before and toggles at `instants_s` (ascending).

        Returns the level at sample 0 and the ticks of the toggles seen. Toggles between two samples cancel in pairs, as
        on a real recorder.
        """
        samples = self.sample_numbers(instants_s)
        before = int(np.searchsorted(samples, 0, side="right"))
        samples = samples[before : int(np.searchsorted(samples, self.samples, side="left"))]
        return level ^ (before & 1), self.ticks(odd_ones(samples))


def odd_ones(samples: Ticks) -> Ticks:
    """Of ascending numbers, each one that occurs an odd number of times, once."""
    if samples.size < 2 or bool(np.all(samples[1:] > samples[:-1])):
        return samples
    values, counts = np.unique(samples, return_counts=True)
    return np.asarray(values[(counts & 1) == 1])
