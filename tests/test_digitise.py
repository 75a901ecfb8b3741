"""Volts to levels: states from the histogram and edges at the 50 % reference level, in the terms of IEEE Std 181.

What is checked against comes from elementary statistics and from a comparator that looks at one sample at a time.
"""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from csv_texts import read_text
from spinlag.capture import SamplePeriod
from spinlag.errors import CaptureError
from spinlag.importers.digitise import LOST, Digitiser, Switching, VoltHistogram, switching_levels

AT = Switching(reference=1.5, lower=1.4, upper=1.6)


def histogram(volts: np.ndarray) -> VoltHistogram:
    made = VoltHistogram()
    made.add(np.asarray(volts, dtype=float))
    return made


def comparator(ticks: list[int], volts: list[float], at: Switching) -> list[tuple[int, int]]:
    """Changes of state, one sample at a time: the last passage of the reference level before the state is reached."""
    level = LOST
    changes: list[tuple[int, int]] = []
    passed = {0: 0, 1: 0}
    was_missing = True
    for k, (tick, volt) in enumerate(zip(ticks, volts, strict=True)):
        if math.isnan(volt):
            if not was_missing or k == 0:
                changes.append((tick, LOST))
            was_missing = True
            continue
        if k > 0 and not was_missing:
            before, previous = volts[k - 1], ticks[k - 1]
            part = (at.reference - before) / (volt - before) if volt != before else 1.0
            at_tick = previous + min(max(round((tick - previous) * part), min(1, tick - previous)), tick - previous)
            if before < at.reference <= volt:
                passed[1] = at_tick
            if before >= at.reference > volt:
                passed[0] = at_tick
        elif k > 0:
            passed[int(volt >= at.reference)] = tick
        wanted = 1 if volt >= at.upper else 0 if volt <= at.lower else level
        if level == LOST:
            wanted = int(volt >= at.reference)
        if was_missing:
            changes.append((tick, wanted))
        elif wanted != level:
            changes.append((passed[wanted], wanted))
        level, was_missing = wanted, False
    return changes


def states(changes: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Changes without those that change nothing."""
    kept: list[tuple[int, int]] = []
    for tick, state in changes:
        if not kept or kept[-1][1] != state:
            kept.append((tick, state))
    return kept


@settings(max_examples=300)
@given(
    st.lists(st.sampled_from([0.0, 1.0, 1.3, 1.39, 1.45, 1.5, 1.55, 1.6, 2.0, 3.0, math.nan]), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=4),
)
def test_any_trace_in_any_pieces_switches_as_a_comparator_does(volts: list[float], cuts: list[int]) -> None:
    ticks = np.arange(len(volts), dtype=np.int64) * 1000
    digitiser = Digitiser(AT)
    found: list[tuple[int, int]] = []
    bounds = [0, *sorted(min(cut, len(volts)) for cut in cuts), len(volts)]
    for start, stop in pairwise(bounds):
        when, what = digitiser.add(ticks[start:stop], np.array(volts[start:stop], dtype=float))
        found += list(zip(when.tolist(), what.tolist(), strict=True))
    assert states(found) == states(comparator(ticks.tolist(), volts, AT))


def test_the_crossing_is_interpolated() -> None:
    when, what = Digitiser(AT).add(np.array([0, 1000, 2000]), np.array([0.0, 1.0, 3.0]))
    assert list(zip(when.tolist(), what.tolist(), strict=True)) == [(0, 0), (1250, 1)]


def test_edges_of_a_trapezoid_lie_at_its_half_height_whatever_the_sampling_phase() -> None:
    """A ramp of 40 samples is straight, so linear interpolation finds its half height exactly."""
    for phase in np.linspace(0.0, 1.0, 11):
        index = np.arange(400) - phase
        volts = np.interp(index, [100, 140, 250, 290], [0.2, 3.0, 3.0, 0.2])
        at = switching_levels(histogram(volts), threshold_v=None, hysteresis=None, steps=False)
        assert at is not None
        when, _ = Digitiser(at).add(np.arange(400, dtype=np.int64) * 10**6, volts)
        assert_allclose(when[1:] / 1e6 - phase, [120, 270], rtol=1e-4, atol=0)


def test_a_sine_wave_crosses_where_its_phase_says() -> None:
    """Zero crossings of sin(2 pi k / n + phase); interpolation between samples errs by less than 1e-4 sample here."""
    n, phase = 97.3, 0.7
    k = np.arange(5000)
    at = Switching(0.0, -0.05, 0.05)
    when, _ = Digitiser(at).add(k.astype(np.int64) * 10**6, np.sin(2 * np.pi * k / n + phase))
    found = when[1:] / 1e6
    expected = (np.arange(1, len(found) + 1) * np.pi - phase) * n / (2 * np.pi)
    assert np.abs(found - expected).max() < 1e-3


def test_noise_inside_the_dead_band_makes_no_edges() -> None:
    volts = np.concatenate(
        [np.zeros(5), np.tile([1.45, 1.55], 50), np.full(5, 3.0), np.tile([1.55, 1.45], 50), np.zeros(5)]
    )
    when, what = Digitiser(AT).add(np.arange(len(volts), dtype=np.int64) * 1000, volts)
    assert what.tolist() == [0, 1, 0]
    assert when[1] == 103_500, "the last passage upwards is between samples 103 and 104"


@pytest.mark.parametrize(
    ("low", "high", "duty"), [(0.0, 3.3, 0.5), (0.1, 4.9, 0.004), (-5.0, 5.0, 0.97), (2.9, 3.4, 0.3)]
)
def test_states_are_the_modes_of_the_two_halves(low: float, high: float, duty: float) -> None:
    rng = np.random.default_rng(1)
    volts = np.where(rng.random(50_000) < duty, high, low) + rng.normal(0, 0.02, 50_000)
    found = histogram(volts).states()
    assert found is not None
    assert abs(found.low - low) < 0.02
    assert abs(found.high - high) < 0.02


def test_a_spike_does_not_move_the_states() -> None:
    rng = np.random.default_rng(2)
    volts = np.where(rng.random(20_000) < 0.4, 3.3, 0.0) + rng.normal(0, 0.02, 20_000)
    volts[700] = 12.0
    found = histogram(volts).states()
    assert found is not None
    assert abs(found.high - 3.3) < 0.02


@pytest.mark.parametrize(
    ("values", "separation"),
    [
        (np.random.default_rng(3).normal(0, 1, 400_000), 2 * math.sqrt(2 / math.pi) / math.sqrt(1 - 2 / math.pi)),
        (np.random.default_rng(4).uniform(0, 1, 400_000), 2 * math.sqrt(3)),
    ],
)
def test_noise_has_no_two_states(values: np.ndarray, separation: float) -> None:
    """Half-normal and half-uniform: means and spreads of the halves from elementary statistics."""
    low, high = values[values < values.mean()], values[values >= values.mean()]
    spread = math.sqrt((low.var() * len(low) + high.var() * len(high)) / len(values))
    assert_allclose((high.mean() - low.mean()) / spread, separation, rtol=0.02, atol=0)
    assert histogram(values).states() is None


@settings(max_examples=100)
@given(
    st.lists(st.floats(-1e3, 1e3, allow_nan=False, width=32), min_size=1, max_size=300),
    st.integers(1, 100),
)
def test_the_histogram_does_not_depend_on_the_pieces(values: list[float], size: int) -> None:
    whole, parts = histogram(np.array(values)), VoltHistogram()
    for start in range(0, len(values), size):
        parts.add(np.array(values[start : start + size]))
    assert parts.states() == whole.states()
    assert parts.two_valued == whole.two_valued
    assert (parts.least, parts.greatest) == (min(values), max(values))


def test_a_threshold_given_overrules_the_histogram() -> None:
    volts = np.where(np.arange(1000) % 10 < 5, 0.0, 3.3) + np.linspace(0, 0.01, 1000)
    at = switching_levels(histogram(volts), threshold_v=1.0, hysteresis=0.2, steps=False)
    assert at is not None
    assert at.reference == 1.0
    assert_allclose([at.lower, at.upper], [0.67, 1.33], rtol=0.01, atol=0)


def trace(volts: list[float], step_us: float = 1.0) -> str:
    return "t_us,CH1 [V]\n" + "".join(f"{k * step_us:.2f},{volt:.3f}\n" for k, volt in enumerate(volts))


def test_a_trace_in_a_file_keeps_its_sample_period_and_gets_a_finer_tick() -> None:
    draft = read_text(trace([0.01, 0.0, 3.3, 3.31, 3.3, 0.0, 0.0, 0.02] * 3))
    assert draft.sample_period is not None
    assert draft.sample_period.ticks * draft.tick * 10**6 == 1
    assert draft.sample_period.ticks >= 1000
    seconds = np.asarray(draft.channels[0].edges) * float(draft.tick)
    assert_allclose(seconds[:2] * 1e6, [1.5, 4.5], rtol=1e-3, atol=0)
    assert "switching at 1.65" in dict(draft.understood)["column 2"]


@pytest.mark.parametrize("block_bytes", [7, 100, 5000])
def test_a_trace_reads_the_same_in_any_blocks(block_bytes: int) -> None:
    rng = np.random.default_rng(8)
    volts = np.where(np.arange(3000) // 37 % 2, 3.2, 0.1) + rng.normal(0, 0.05, 3000)
    text = trace(volts.tolist())
    whole, parts = read_text(text), read_text(text, block_bytes=block_bytes)
    assert np.array_equal(whole.channels[0].edges, parts.channels[0].edges)
    assert len(whole.channels[0].edges) == 3000 // 37
    assert whole.understood == parts.understood


def test_millivolts() -> None:
    text = "t_us,A (mV)\n" + "".join(f"{k},{3300 if k // 3 % 2 else 20 + k % 2}\n" for k in range(30))
    draft = read_text(text)
    assert "switching at 1.66 V" in dict(draft.understood)["column 2"]
    assert len(draft.channels[0].edges) == 9


def test_levels_written_as_decimal_numbers_change_at_their_rows() -> None:
    text = "t_us,A,B\n" + "".join(f"{k}.0,{k // 4 % 2}.0,{k // 2 % 2}.0\n" for k in range(20))
    draft = read_text(text)
    assert [int(edge * draft.tick * 10**6) for edge in draft.channels[0].edges] == [4, 8, 12, 16]
    assert draft.tick == Fraction(1, 10**7), "no finer than the rows, since nothing is interpolated"
    assert draft.sample_period == SamplePeriod(Fraction(10), "given")


def test_two_values_in_unevenly_spaced_rows_hold_until_the_next_row() -> None:
    draft = read_text("t_us,A [V]\n0,0.0\n10,3.3\n17,0.0\n400,3.3\n")
    assert [edge * draft.tick * 10**6 for edge in draft.channels[0].edges.tolist()] == [10, 17, 400]


def test_empty_cells_of_a_trace_are_unknown() -> None:
    draft = read_text("t_us,A [V],B\n0,0.1,0\n1,0.0,0\n2,,1\n3,3.3,1\n4,3.2,1\n5,0.1,0\n6,,0\n")
    channel = draft.channels[0]
    micros = [[int(tick) * draft.tick * 10**6 for tick in span] for span in channel.unknown]
    assert micros == [[2, 3], [6, 7]]
    assert channel.initial == 0
    assert len(channel.edges) == 2
    assert channel.edges[0] * draft.tick * 10**6 == 3, "the level is known again at the row that shows it"


def test_a_flat_trace_beside_a_good_one_is_said_to_be_unknown() -> None:
    draft = read_text("t_us,A [V],B [V]\n" + "".join(f"{k},{3.3 * (k // 3 % 2):.2f},0.02\n" for k in range(20)))
    assert draft.channels[1].initial == -1
    assert any("'B' shows no two levels" in warning for warning in draft.warnings)


def test_a_small_swing_needs_a_threshold() -> None:
    text = trace([0.01, 0.0, 0.05, 0.05, 0.0, 0.05] * 10)
    with pytest.raises(CaptureError, match="threshold"):
        read_text(text)
    assert len(read_text(text, threshold_v=0.025).channels[0].edges) > 10


def test_more_samples_than_memory_is_meant_for_go_to_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    text = trace((np.arange(4000) // 50 % 2 * 3.3).tolist())
    expected = read_text(text).channels[0].edges
    monkeypatch.setattr("spinlag.importers.csv_traces.MEMORY_BYTES", 10_000)
    assert np.array_equal(read_text(text, block_bytes=3000).channels[0].edges, expected)
