"""The sample period from the lattice of the edges: exact arithmetic, no outside source needed beyond the definition."""

from __future__ import annotations

import time
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinlag.lattice import fits, search, simplest_between
from spinlag.sampling import USUAL_MHZ, ClaimedRate, detect_sample_period, edge_runs

NS = Fraction(1, 10**9)
PS = Fraction(1, 10**12)


def recorded(rate_hz: Fraction, tick: Fraction, *, seconds: float, edges: int, seed: int, how: str = "nearest"):
    """Edges of an unrelated line, looked at `rate_hz` times a second and written in ticks."""
    rng = np.random.default_rng(seed)
    samples = np.unique(rng.integers(0, int(rate_hz * Fraction(seconds)), edges))
    period = 1 / (rate_hz * tick)
    exact = [Fraction(int(sample)) * period for sample in samples]
    whole = {"nearest": round, "down": int, "up": lambda value: -int(-value // 1)}[how]
    return np.unique(np.array([whole(value) for value in exact], dtype=np.int64))


@pytest.mark.parametrize("how", ["nearest", "down", "up"])
@pytest.mark.parametrize("mhz", USUAL_MHZ.split())
def test_usual_rates_are_found_exactly(mhz: str, how: str) -> None:
    rate = Fraction(mhz) * 10**6
    line = recorded(rate, PS, seconds=3.0, edges=400, seed=int(float(mhz) * 10), how=how)
    assert detect_sample_period([line], PS)[0].ticks == 1 / (rate * PS)


@pytest.mark.parametrize("hz", [6e6, 7.3728e6, 15.36e6, 33_333_333, 11_059_200, 44100, 3e6])
def test_unusual_rates_are_found_by_search(hz: float) -> None:
    rate = Fraction(str(hz))
    bursts = [recorded(rate, NS, seconds=0.001, edges=3000, seed=n) + n * 10**9 for n in range(3)]
    period, warnings = detect_sample_period([bursts[0]], NS)
    assert period.source == "lattice" and not warnings
    assert float(period.ticks * rate * NS) == pytest.approx(1, rel=1e-5)


def test_a_period_that_the_writer_rounded_to_three_decimals_is_found() -> None:
    """Times computed as sample number x 41.667 ns: after an hour a million samples' worth away from 24 MHz."""
    rng = np.random.default_rng(5)
    samples = np.unique(np.concatenate([start + rng.integers(0, 10**6, 900) for start in (0, 10**9, 8 * 10**10)]))
    line = np.array([round(Fraction(41_667, 1000) * int(sample)) for sample in samples], dtype=np.int64)
    assert detect_sample_period([line], NS)[0].ticks == Fraction(41_667, 1000)


def test_times_since_1970_keep_the_rate_that_they_were_sampled_at() -> None:
    """In ns they need 61 binary digits, and 64-bit floats have 53 (IEEE 754): these were never such numbers."""
    samples = np.cumsum(np.random.default_rng(8).integers(9, 40, 3000))
    line = (samples * 1000 + 12) // 24 + 1_764_460_800 * 10**9
    assert detect_sample_period([line], NS)[0].ticks == Fraction(125, 3)


def test_exact_over_an_hour() -> None:
    """One sample of 24 MHz in an hour off by one tick too many is seen."""
    line = recorded(Fraction(24_000_000), NS, seconds=3600.0, edges=3000, seed=1)
    assert fits(line, Fraction(125, 3))
    spoiled = line.copy()
    spoiled[-1] += 3
    assert not fits(spoiled, Fraction(125, 3))
    assert not fits(line, Fraction(125, 3) * (1 + Fraction(1, 10**9)))
    assert detect_sample_period([line], NS)[0].ticks == Fraction(125, 3)


@settings(max_examples=60)
@given(st.integers(3, 10**6), st.integers(1, 1000), st.integers(0, 2**30), st.lists(st.integers(0, 10**12), min_size=2))
def test_multiples_rounded_down_always_fit(turn: int, unit: int, origin: int, counts: list[int]) -> None:
    """The definition: floor(n P + origin) lies in a window narrower than one tick, modulo P."""
    period = Fraction(turn, unit)
    edges = np.unique(np.array([int(count * period + Fraction(origin, 2**30)) for count in counts], dtype=np.int64))
    assert fits(edges, period)


def test_whole_periods_leave_no_room() -> None:
    assert fits(np.array([7, 107, 1007]), Fraction(100))
    assert not fits(np.array([7, 107, 1008]), Fraction(100))


def one_wire(bits: int, seed: int) -> np.ndarray:
    """Edges in ns of an ideal one-wire line, the same four durations over and over."""
    high = np.where(np.random.default_rng(seed).integers(0, 2, bits) == 1, 800, 400)
    rises = np.arange(bits) * 1250
    return np.sort(np.concatenate([rises, rises + high]))


def test_round_figures_of_a_clean_simulation_are_no_lattice() -> None:
    """400, 800, 850 and 450 ns are multiples of 50 ns because somebody chose them."""
    assert detect_sample_period([one_wire(3000, 1)], NS)[0] == detect_sample_period([], NS)[0]
    assert detect_sample_period([one_wire(3000, 1)], NS)[0].source == "timescale"


def test_the_same_line_beside_a_slow_one_that_nobody_rounded_is_one() -> None:
    index = np.cumsum(np.random.default_rng(2).integers(570_000, 572_000, 40)) * 50
    period, _ = detect_sample_period([one_wire(3000, 1), index], NS)
    assert (period.ticks, period.source) == (50, "lattice")


@pytest.mark.parametrize("edges", [[], [5], [5, 1005], [5, 1005, 2005, 3005]])
def test_too_few_edges_tell_nothing(edges: list[int]) -> None:
    period, warnings = detect_sample_period([np.array(edges, dtype=np.int64)], NS)
    assert (period.ticks, period.source, warnings) == (1, "timescale", ())


def test_a_few_index_pulses_at_24_mhz_are_enough() -> None:
    """Multiples of 41.667 ns are not what a person would choose."""
    rng = np.random.default_rng(3)
    samples = np.cumsum(rng.integers(680_000, 690_000, 6))
    line = np.array([round(int(sample) * Fraction(125, 3)) for sample in samples], dtype=np.int64)
    assert detect_sample_period([line], NS)[0].ticks == Fraction(125, 3)


def test_a_line_that_is_never_on_odd_samples_is_judged_by_all_lines() -> None:
    even = recorded(Fraction(12_000_000), NS, seconds=1.0, edges=500, seed=8)
    odd = recorded(Fraction(24_000_000), NS, seconds=1.0, edges=500, seed=9)
    assert detect_sample_period([even], NS)[0].ticks == Fraction(250, 3)
    assert detect_sample_period([even, odd], NS)[0].ticks == Fraction(125, 3)


def test_a_claim_that_the_edges_bear_out_is_given() -> None:
    line = recorded(Fraction(24_000_000), NS, seconds=1.0, edges=500, seed=8)
    period, warnings = detect_sample_period([line], NS, ClaimedRate(Fraction(24_000_000), "the rig"))
    assert (period.ticks, period.source, warnings) == (Fraction(125, 3), "given", ())
    few = detect_sample_period([line[:2]], NS, ClaimedRate(Fraction(24_000_000), "the rig"))
    assert (few[0].ticks, few[0].source, few[1]) == (Fraction(125, 3), "given", ())


@pytest.mark.parametrize(
    ("claimed", "ticks", "source"), [(48_000_000, Fraction(125, 3), "lattice"), (10_000_000, Fraction(100), "given")]
)
def test_a_claim_that_the_edges_contradict_is_told_and_the_slower_rate_used(claimed, ticks, source) -> None:
    line = recorded(Fraction(24_000_000), NS, seconds=1.0, edges=500, seed=8)
    period, warnings = detect_sample_period([line], NS, ClaimedRate(Fraction(claimed), "the file's header"))
    assert (period.ticks, period.source) == (ticks, source)
    assert len(warnings) == 1
    assert f"the file's header gives a sample rate of {claimed // 10**6} MHz" in warnings[0]
    assert "24 MHz" in warnings[0]


def test_a_claim_against_edges_without_any_lattice_is_used_aloud() -> None:
    rng = np.random.default_rng(4)
    line = np.unique(rng.integers(0, 10**9, 500))
    period, warnings = detect_sample_period([line], NS, ClaimedRate(Fraction(1_000_000), "the rig"))
    assert (period.ticks, period.source) == (1000, "given")
    assert "do not lie on multiples" in warnings[0]


def test_random_edges_have_no_lattice_and_the_search_ends() -> None:
    rng = np.random.default_rng(6)
    line = np.unique(rng.integers(0, 10**12, 200_000))
    began = time.process_time()
    assert detect_sample_period([line] * 5, PS)[0].source == "timescale"
    assert search(edge_runs([line]), np.unique(line[:500]), PS) is None
    assert time.process_time() - began < 2


def test_the_look_at_the_edges_is_bounded() -> None:
    class Counting:
        def __init__(self, ticks: np.ndarray) -> None:
            self.ticks, self.taken = ticks, 0

        def __len__(self) -> int:
            return len(self.ticks)

        def __getitem__(self, index: slice) -> np.ndarray:
            self.taken += len(self.ticks[index])
            return self.ticks[index]

    ticks = np.arange(10**5, dtype=np.int64)
    lines = [Counting(ticks) for _ in range(200)]
    edge_runs(lines)
    assert sum(line.taken for line in lines) <= 40_000


@pytest.mark.parametrize(
    "bounds", [("0.4", "0.6"), ("41.6", "41.7"), ("0.0001", "0.5"), ("5", "5.3"), ("2.999", "3.0001"), ("7/3", "12/5")]
)
def test_the_simplest_fraction_between_two(bounds: tuple[str, str]) -> None:
    low, high = map(Fraction, bounds)
    found = simplest_between(low, high, ends=False)
    assert low < found < high
    for denominator in range(1, found.denominator):
        assert not low < Fraction(int(low * denominator) + 1, denominator) < high


@pytest.mark.parametrize(
    ("low", "high", "simplest"),
    [("5", "5.3", "5"), ("4.9", "5", "5"), ("7/3", "7/3", "7/3"), ("7/3", "12/5", "7/3"), ("0.4", "0.5", "1/2")],
)
def test_the_simplest_fraction_may_be_an_end(low: str, high: str, simplest: str) -> None:
    assert simplest_between(Fraction(low), Fraction(high)) == Fraction(simplest)
