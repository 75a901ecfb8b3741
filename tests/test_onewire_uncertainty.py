"""The stated 95 % uncertainty of mean bit times against what small random recordings really get wrong."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose

from onewire_line import NS, US, Drawn, decoded, random_bits
from spinlag.capture import Capture
from spinlag.leds.tally import Clock, Gathering, Grouping, clustered_uncertainty, extremes_of, tally_of
from spinlag.uncertainty import triangular_half_width

NAMES = ("t0h", "t0l", "t1h", "t1l")


def trial(rng: np.random.Generator, kind: str) -> tuple[Capture, dict[str, float]]:
    """A recording of 1 to 40 updates of 1 to 4 LEDs and its true bit times in ns.

    `aligned`: a bit is 1.25 us, a whole number of samples at most rates, and updates start anywhere; `locked`: they too
    start a whole number of samples apart; `free`: bits of any length.
    """
    rate_hz = float(rng.choice([16e6, 20e6, 24e6, 25e6, 50e6]))
    leds, n = int(rng.integers(1, 5)), int(rng.integers(1, 41))
    t0h, t1h = rng.uniform(300, 450), rng.uniform(700, 900)
    period = rng.uniform(1200, 1300) if kind == "free" else 1250.0
    slot = leds * 24 * 1.3 * US + rng.uniform(80, 400) * US
    if kind == "locked":
        slot = round(slot * rate_hz) / rate_hz
    drawn = Drawn()
    at = 100 * US + rng.uniform(0, 10 * US)
    for k in range(n):
        loose = 0.0 if kind == "locked" else rng.uniform(0, 2 * US)
        times = (t0h, period - t0h, t1h, period - t1h)
        drawn.update(random_bits(rng, leds), at + k * slot + loose, times)
    error = rng.uniform(-50e-6, 50e-6)
    made = drawn.recorded(rate_hz=rate_hz, phase=rng.uniform(), clock_error=error)
    truth = {"t0h": t0h, "t0l": period - t0h, "t1h": t1h, "t1l": period - t1h, "bit_period": period}
    return made, truth


def coverage(kind: str, seed: int, trials: int) -> dict[str, float]:
    """Share of trials whose mean lies within its uncertainty of the truth, by timing name."""
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {}
    for _ in range(trials):
        made, truth = trial(rng, kind)
        timing = decoded(made, part="WS2812B 2013-05").timing
        for name, true_ns in truth.items():
            if name in timing:
                statistics = timing[name].statistics
                held.setdefault(name, []).append(abs(statistics.mean - true_ns * NS) <= statistics.uncertainty)
    return {name: float(np.mean(hits)) for name, hits in held.items()}


def test_95_percent_means_93_to_97_percent_of_small_recordings() -> None:
    parts = [coverage(kind, seed, 400) for seed, kind in enumerate(("aligned", "locked", "free"))]
    for name in NAMES:
        assert 0.93 <= float(np.mean([part[name] for part in parts])) <= 0.97, (name, parts)
    # a period that is a whole number of samples is read without error, so only free ones put it to the test
    assert 0.93 <= parts[2]["bit_period"] <= 0.97


def test_one_update_keeps_the_half_width_of_a_single_interval() -> None:
    # 24 MHz against 1.25 us: 30 samples a bit, so all bits of the update share one and the same error (0.776 T_s)
    drawn = Drawn()
    drawn.update(random_bits(np.random.default_rng(0), 20), 100 * US)
    statistics = decoded(drawn.recorded(rate_hz=24e6), part="WS2812B 2013-05", clock_ppm=0.0).timing["t0h"].statistics
    assert_allclose(statistics.uncertainty, triangular_half_width(1 / 24e6), rtol=1e-6, atol=0)


def test_a_locked_clock_keeps_it_however_many_updates() -> None:
    rng = np.random.default_rng(1)
    drawn = Drawn()
    for k in range(50):
        drawn.update(random_bits(rng, 4), 100 * US + k * 400 * US)
    statistics = decoded(drawn.recorded(rate_hz=20e6, phase=0.1), part="WS2812B 2013-05", clock_ppm=0.0).timing
    assert_allclose(statistics["t0h"].statistics.uncertainty, triangular_half_width(1 / 20e6), rtol=1e-6, atol=0)
    # the mean really is off: 400 ns are 8 samples of 50 ns, 850 ns are 17, whatever the phase
    assert statistics["t0h"].shortest == statistics["t0h"].longest


@pytest.mark.parametrize("period", [1, 2, 3, 5])
def test_few_phases_that_come_again_and_again_prove_nothing(period: int) -> None:
    # updates k and k + period meet the recorder at the same phase, so the spread is not that of independent ones
    clock = Clock(Fraction(1, 10**9), Fraction(125), 0.0)
    pattern = np.random.default_rng(2).uniform(375, 500, period)
    means = np.resize(pattern, 60)
    gathering = Gathering.of(10_000)
    gathering.clusters.append((means * 24, np.full(60, 24)))
    extremes = extremes_of(np.array([375, 500]), np.array([0, 1]))
    half = clustered_uncertainty(gathering, Grouping(np.zeros(60, dtype=np.int64), 60), extremes, clock, 425e-9)
    assert_allclose(half, triangular_half_width(125e-9), rtol=1e-6, atol=0)


def test_slowly_drifting_phase_widens_the_uncertainty() -> None:
    clock = Clock(Fraction(1, 10**9), Fraction(125), 0.0)
    rng = np.random.default_rng(3)
    extremes = extremes_of(np.array([375, 500]), np.array([0, 1]))
    halves = []
    for means in (rng.uniform(375, 500, 200), 437 + 62 * np.sin(np.arange(200) / 9)):
        gathering = Gathering.of(10_000)
        gathering.clusters.append((means * 24, np.full(200, 24)))
        grouping = Grouping(np.zeros(200, dtype=np.int64), 200)
        halves.append(clustered_uncertainty(gathering, grouping, extremes, clock, 437e-9))
    assert halves[1] > 3 * halves[0]


def test_the_recorders_clock_never_averages_out() -> None:
    # a long interval, many times: 1000 ppm of 1 ms are 1 us, rectangular, so 0.95 us at 95 % (JCGM 100 4.3.7)
    clock = Clock(Fraction(1, 10**9), Fraction(1), 1000.0)
    rng = np.random.default_rng(4)
    intervals = rng.integers(999_990, 1_000_011, 10_000)
    tally = tally_of(intervals, np.arange(10_000), clock)
    assert tally is not None
    assert_allclose(tally.statistics.uncertainty, 0.95e-6, rtol=1e-3, atol=0)


def test_statistics_are_those_of_numpy() -> None:
    clock = Clock(Fraction(1, 10**9), Fraction(10), 50.0)
    rng = np.random.default_rng(5)
    intervals = rng.integers(380, 421, 5000) // 10 * 10
    tally = tally_of(intervals, np.arange(5000) * 7, clock)
    assert tally is not None
    values = intervals * 1e-9
    statistics = tally.statistics
    assert_allclose(statistics.mean, values.mean(), rtol=1e-12, atol=0)
    assert_allclose(statistics.std, values.std(ddof=1), rtol=1e-9, atol=0)
    assert_allclose(statistics.p99, np.quantile(values, 0.99, method="weibull"), rtol=1e-12, atol=0)
    assert (tally.shortest, tally.longest) == (intervals.min(), intervals.max())
    assert tally.shortest_at == 7 * int(np.argmin(intervals))
    assert tally.counts.sum() == 5000
    assert tally_of(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), clock) is None
