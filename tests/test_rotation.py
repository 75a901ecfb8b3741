"""Revolutions from index pulses: figures against hand-worked and closed-form values, pulses of every shape."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from tests.build import capture, channel, pulses

from spinlag.capture import Channel
from spinlag.rig import rig_from_mapping
from spinlag.rotation import NO_TICK, find_revolutions

T = 28_571_000
"""Ticks (ns) of a turn at about 35 rev/s."""


def rig(**index):
    return rig_from_mapping({"index": {"channel": "SENSOR", **index}, "capture": {"clock_ppm": 0}})


def turns_of(at, width=300_000, *, sample_ticks=1, end=None, **index):
    built = capture([channel("SENSOR", pulses(at, width))], sample_ticks=Fraction(sample_ticks), end=end)
    return find_revolutions(built, rig(**index))


def steady(n, period=T, start=1_000_000):
    return start + np.arange(n + 1, dtype=np.int64) * period


def kinds(rotation):
    return [(seen.kind, seen.revolution) for seen in rotation.observations]


# --- figures -----------------------------------------------------------------------------------------------------


def test_hand_worked_periods():
    """Six periods worked by hand with the definitions of JESD65B (period and cycle-to-cycle jitter)."""
    periods = np.array([1000, 1002, 999, 1001, 998, 1000]) * 1000
    rotation = turns_of(np.concatenate(([5000], 5000 + np.cumsum(periods))), 50_000)
    assert rotation.period.n == 6
    assert_allclose(rotation.period.mean, 1000e-6, rtol=1e-12, atol=0)
    assert_allclose(rotation.period_jitter_rms_s, 1.414214e-6, rtol=1e-6, atol=0)
    assert_allclose(rotation.period_jitter_peak_to_peak_s, 4e-6, rtol=1e-9, atol=0)
    assert_allclose(rotation.cycle_to_cycle_jitter_rms_s, 2.449490e-6, rtol=1e-6, atol=0)
    assert rotation.observations == ()


def test_arithmetic_of_35_turns_a_second():
    """28.571 ms a turn (common practice, no source, for the speed; the rest is arithmetic)."""
    rotation = turns_of(np.rint(1e6 + np.arange(36) / 35 * 1e9).astype(np.int64))
    assert len(rotation.turns) == 35
    assert_allclose(rotation.speed.mean, 35.0, rtol=1e-8, atol=0)
    assert_allclose(rotation.period.mean, 28.571429e-3, rtol=1e-7, atol=0)


@pytest.mark.parametrize(
    ("edge", "pace", "period_ratio", "cycle_ratio"),
    [(1e-5, 0.0, np.sqrt(2), np.sqrt(6)), (0.0, 1e-5, 1.0, np.sqrt(2))],
)
def test_jitter_of_known_noise(edge, pace, period_ratio, cycle_ratio):
    """Independent edges: sqrt(2) and sqrt(6) of their spread; independent periods: 1 and sqrt(2) (variance algebra)."""
    rng = np.random.default_rng(2)
    n = 20_000
    period = T * (1 + pace * rng.standard_normal(n))
    at = np.concatenate(([0.0], np.cumsum(period))) + edge * T * rng.standard_normal(n + 1) + 1e6
    rotation = turns_of(np.rint(at).astype(np.int64))
    unit = T * 1e-9 * max(edge, pace)
    assert_allclose(rotation.period_jitter_rms_s, period_ratio * unit, rtol=0.02, atol=0)
    assert_allclose(rotation.cycle_to_cycle_jitter_rms_s, cycle_ratio * unit, rtol=0.02, atol=0)


def test_sampling_alone_shows_as_a_sixth_of_the_square():
    """T_s / sqrt(6) of period jitter and T_s / sqrt(2) cycle to cycle, and the uncertainty says so (JCGM 100 4.3.9)."""
    sample = 125
    at = np.ceil((1e6 + np.arange(6000) * (T + 0.37 * sample)) / sample).astype(np.int64) * sample
    rotation = turns_of(at, sample_ticks=sample)
    assert_allclose(rotation.period_jitter_rms_s, 125e-9 * np.sqrt(0.37 * 0.63), rtol=0.3, atol=0)
    assert rotation.jitter_uncertainty_s >= rotation.period_jitter_rms_s - 60e-9
    assert rotation.period_jitter_rms_s - rotation.jitter_uncertainty_s < 40e-9


def test_uncertainty_of_the_mean_period_needs_the_first_and_last_edge_only():
    """T_s / (N sqrt(6)) is the standard uncertainty; 95 % of a triangle lie within (1 - sqrt(0.05)) of it."""
    at = steady(50) + np.random.default_rng(1).integers(-500, 500, 51)
    rotation = turns_of(at, sample_ticks=125)
    assert_allclose(rotation.period.uncertainty, (1 - np.sqrt(0.05)) * 125e-9 / 50, rtol=1e-3, atol=0)


def test_centres_are_means_of_two_sampled_edges():
    """The mean of two triangles: checked by simulation."""
    rotation = turns_of(jittered(50), sample_ticks=125, edge="centre")
    rng = np.random.default_rng(1)
    error = np.abs(rng.triangular(-1, 0, 1, (200_000, 2)).mean(axis=1))
    assert_allclose(rotation.period.uncertainty, np.quantile(error, 0.95) * 125e-9 / 50, rtol=0.01, atol=0)


def test_clock_tolerance_never_averages_out():
    """50 ppm rectangular on 1/30 s has the standard uncertainty 962.25 ns; 95 % of it lie within 0.95 of the half-width
    (JCGM 100 4.3.7)."""
    built = capture([channel("SENSOR", pulses(steady(600, 33_333_333), 300_000))])
    told = rig_from_mapping({"index": {"channel": "SENSOR"}, "capture": {"clock_ppm": 50}})
    rotation = find_revolutions(built, told)
    assert_allclose(rotation.period.uncertainty, 0.95 * 50e-6 / 30, rtol=1e-3, atol=0)


@pytest.mark.parametrize("edge", ["rising", "falling", "centre"])
def test_stated_uncertainty_covers_the_true_mean_period(edge):
    rng = np.random.default_rng(17)
    sample, ppm, hits = 250, 0.02, 0
    trials = {"rising": 1000, "falling": 200, "centre": 400}[edge]
    told = rig_from_mapping({"index": {"channel": "SENSOR", "edge": edge}, "capture": {"clock_ppm": ppm}})
    for _ in range(trials):
        n = int(rng.integers(3, 12))
        true = T * (1 + 1e-3 * rng.standard_normal(n))
        lead = rng.uniform(1e6, 2e6) + np.concatenate(([0.0], np.cumsum(true)))
        trail = lead + rng.uniform(2e5, 4e5)
        clock = 1 + rng.uniform(-ppm, ppm) * 1e-6
        shown = np.ceil(np.column_stack((lead, trail)).ravel() * clock / sample).astype(np.int64) * sample
        built = capture([channel("SENSOR", shown)], sample_ticks=Fraction(sample))
        period = find_revolutions(built, told).period
        assert period.n == n
        hits += abs(period.mean - true.mean() * 1e-9) <= period.uncertainty
    slack = 3.0 * (0.05 * 0.95 / trials) ** 0.5
    assert 0.95 - slack <= hits / trials <= 0.95 + slack


def test_slow_drift_is_taken_out_of_jitter_and_reported():
    rng = np.random.default_rng(4)
    n = 400
    speed = 35 + 0.5 * np.arange(n) / 35  # 0.5 rev/s gained per second, near enough
    at = 1e6 + np.concatenate(([0.0], np.cumsum(1e9 / speed))) + rng.normal(0, 1000, n + 1)
    rotation = turns_of(np.rint(at).astype(np.int64))
    assert_allclose(rotation.drift_rev_per_s2, 0.5, rtol=0.2, atol=0)
    assert rotation.period_jitter_rms_s < 60e-6 < rotation.period.std
    assert any("drift taken out" in note for note in rotation.notes)
    assert rotation.observations == ()


def test_allan_deviation_of_edge_noise():
    """White phase noise: sqrt(3) s / tau (NIST SP 1065)."""
    at = steady(4000) + np.rint(np.random.default_rng(6).normal(0, 2000, 4001)).astype(np.int64)
    rotation = turns_of(at)
    row = rotation.allan.iloc[0]
    assert_allclose(row["adev"], np.sqrt(3) * 2e-6 / (T * 1e-9), rtol=0.05, atol=0)
    assert row["low"] < row["adev"] < row["high"]
    assert row["noise"] == "white phase"


# --- pulses ------------------------------------------------------------------------------------------------------


def test_reference_edges():
    at = steady(10)
    assert_array_equal(turns_of(at).turn_ticks, at)
    assert_array_equal(turns_of(at, edge="falling").turn_ticks, at + 300_000)
    # an odd width puts the centre between ticks: rounded down
    assert_array_equal(turns_of(at, 300_001, edge="centre").turn_ticks, at + 150_000)


def test_a_sensor_that_rests_high():
    edges = pulses(steady(10), 300_000)
    built = capture([channel("SENSOR", edges, initial=1)])
    assert_array_equal(find_revolutions(built, rig(edge="falling")).turn_ticks, edges[::2])
    assert_array_equal(find_revolutions(built, rig(edge="rising")).turn_ticks, edges[1::2])
    widths = find_revolutions(built, rig(edge="rising")).pulses["width_s"]
    assert_allclose(widths, 300e-6, rtol=1e-9, atol=0)


def test_a_pulse_cut_by_the_capture():
    edges = pulses(steady(10), 300_000)
    cut = capture([channel("SENSOR", edges[1:-1], initial=1)])
    falling = find_revolutions(cut, rig(edge="falling"))
    assert_array_equal(falling.turn_ticks, edges[1:-1:2])
    assert np.isnan(falling.pulses["width_s"].iloc[0])
    assert_array_equal(find_revolutions(cut, rig(edge="rising")).turn_ticks, edges[2::2])
    # a centre is reckoned from the one edge and the usual width, and its turn kept out of the statistics
    centre = find_revolutions(cut, rig(edge="centre"))
    assert_array_equal(centre.turn_ticks, steady(10)[:-1] + 150_000)
    assert centre.turns["used"].tolist() == [False] + [True] * 8
    beyond = capture([channel("SENSOR", edges[:-1])], end=int(edges[-2]) + 100_000)
    assert_array_equal(find_revolutions(beyond, rig(edge="centre")).turn_ticks, steady(9) + 150_000)


@pytest.mark.parametrize("minimum", [0, 20])
def test_runts_are_left_out_and_told(minimum):
    at = steady(20)
    extra = np.array([at[4] + T // 3, at[11] + T // 2])
    edges = np.sort(np.concatenate((pulses(at, 300_000), pulses(extra, 4_000))))
    rotation = find_revolutions(capture([channel("SENSOR", edges)]), rig(min_pulse_us=minimum))
    assert_array_equal(rotation.turn_ticks, at)
    assert kinds(rotation) == [("index-runt", 4), ("index-runt", 11)]
    assert rotation.turns["used"].all()
    seen = rotation.observations[0]
    assert_allclose(seen.observed, 4e-6, rtol=1e-9, atol=0)
    assert ("min_pulse_us" in seen.threshold) == bool(minimum)
    assert rotation.pulses["kind"].tolist().count("runt") == 2


@pytest.mark.parametrize("minimum", [0, 20])
def test_a_line_that_drops_out_within_a_pulse(minimum):
    at = steady(20)
    edges = np.sort(np.concatenate((pulses(at, 300_000), [at[7] + 100_000, at[7] + 103_000])))
    for edge, shift in (("rising", 0), ("falling", 300_000)):
        rotation = find_revolutions(capture([channel("SENSOR", edges)]), rig(edge=edge, min_pulse_us=minimum))
        assert_array_equal(rotation.turn_ticks, at + shift)
        assert [seen.kind for seen in rotation.observations] == ["index-runt"]


def test_many_spikes_to_each_pulse_without_a_minimum():
    rng = np.random.default_rng(9)
    at = steady(60)
    spikes = np.sort(rng.integers(at[0] + 400_000, at[-1] - 400_000, 240))
    spikes = spikes[np.abs(spikes[:, None] - at[None, :]).min(axis=1) > 400_000]
    spikes = spikes[np.concatenate(([True], np.diff(spikes) > 70_000))]
    edges = np.sort(np.concatenate((pulses(at, 300_000), pulses(spikes, 3_000))))
    rotation = find_revolutions(capture([channel("SENSOR", edges)]), rig())
    assert_array_equal(rotation.turn_ticks, at)
    assert {seen.kind for seen in rotation.observations} == {"index-runt"}
    assert len(rotation.observations) == len(spikes)


def test_a_burst_of_spikes_is_one_observation_and_a_few_are_each_their_own():
    at = steady(20)
    few = at[3] + 2_000_000 + np.arange(20) * 10_000
    burst = at[11] + 2_000_000 + np.arange(500) * 10_000
    later = at[11] + 12_000_000 + np.arange(5) * 10_000
    edges = np.sort(np.concatenate((pulses(at, 300_000), pulses(np.concatenate((few, burst, later)), 3_000))))
    rotation = find_revolutions(capture([channel("SENSOR", edges)]), rig(min_pulse_us=20))
    assert_array_equal(rotation.turn_ticks, at)
    assert kinds(rotation) == [("index-runt", 3)] * 20 + [("index-runt", 11)]
    seen = rotation.observations[-1]
    assert seen.tick == burst[0]
    assert seen.detail == "a pulse too short to be the mark's, and 504 more within 10.04 ms"


def test_narrowing_pulses_of_a_shaft_that_gains_speed_are_no_runts():
    period = np.concatenate((T * np.geomspace(12, 1, 25), np.full(40, T))).astype(np.int64)
    at = np.concatenate(([1_000_000], 1_000_000 + np.cumsum(period)))
    width = np.concatenate((period, period[-1:])) // 100
    edges = np.column_stack((at, at + width)).ravel()
    rotation = find_revolutions(capture([channel("SENSOR", edges)]), rig())
    assert rotation.observations == ()
    assert_array_equal(rotation.turn_ticks, at)


# --- faults ------------------------------------------------------------------------------------------------------


def jittered(n, seed=1, sigma=2_000):
    return steady(n) + np.rint(np.random.default_rng(seed).normal(0, sigma, n + 1)).astype(np.int64)


def test_missed_pulses_are_filled_in():
    at = jittered(40)
    rotation = turns_of(np.delete(at, [12, 25, 26]))
    assert len(rotation.turns) == 40
    assert kinds(rotation) == [("index-missed", 12), ("index-missed", 25)]
    assert rotation.observations[1].detail.startswith("2 pulses did not come: 85.7")
    assert np.abs(rotation.turn_ticks - at).max() < 10_000
    table = rotation.turns
    assert table["kind"][[12, 25, 26]].tolist() == ["filled"] * 3
    assert table["index_tick"][[12, 25, 26]].tolist() == [NO_TICK] * 3
    assert np.flatnonzero(~table["used"]).tolist() == [11, 12, 24, 25, 26]
    assert rotation.period_jitter_rms_s < 5e-6


def test_a_doubled_pulse_is_left_out():
    at = jittered(40)
    extra = at[17] + 1_800_000
    rotation = turns_of(np.sort(np.append(at, extra)))
    assert_array_equal(rotation.turn_ticks, at)
    assert kinds(rotation) == [("index-doubled", 17)]
    seen = rotation.observations[0]
    assert seen.tick == extra
    assert_allclose(seen.observed, 1.8e-3, rtol=1e-9, atol=0)
    assert rotation.turns["used"].all()
    assert rotation.pulses["kind"].tolist().count("extra") == 1


@pytest.mark.parametrize("shift", [-3_000_000, -200_000, 250_000, 9_000_000])
def test_a_shifted_pulse_is_put_back(shift):
    at = jittered(40)
    moved = at.copy()
    moved[20] += shift
    rotation = turns_of(moved)
    assert kinds(rotation) == [("index-shifted", 20)]
    assert np.abs(rotation.turn_ticks - at).max() < 10_000
    assert_allclose(rotation.observations[0].observed, shift * 1e-9, rtol=0, atol=10e-6)
    assert rotation.turns["kind"][20] == "shifted"
    assert rotation.turns["index_tick"][20] == moved[20]
    assert np.flatnonzero(~rotation.turns["used"]).tolist() == [19, 20]
    assert rotation.period_jitter_rms_s < 5e-6


@pytest.mark.parametrize("ratio", [0.7, 0.96, 1.03, 1.6])
def test_a_step_of_the_speed_is_the_shafts(ratio):
    period = np.full(60, T)
    period[30:] = T * ratio
    at = np.concatenate(([1_000_000], 1_000_000 + np.cumsum(period)))
    at += np.rint(np.random.default_rng(3).normal(0, 2000, len(at))).astype(np.int64)
    rotation = turns_of(at)
    assert [seen.kind for seen in rotation.observations] == ["speed-step"]
    assert rotation.observations[0].revolution in (29, 30)
    assert_allclose(rotation.observations[0].observed / rotation.observations[0].expected, 1 / ratio, rtol=1e-3, atol=0)
    assert_array_equal(rotation.turn_ticks, at)
    assert rotation.turns["used"].all()
    # the two speeds are two stretches: the step is no jitter
    assert rotation.period_jitter_rms_s < 6e-6


def test_a_jerk_of_the_shaft_is_no_shifted_pulse():
    at = jittered(60)
    at[30:] += 600_000
    rotation = turns_of(at)
    assert kinds(rotation) == [("speed-step", 29)]
    assert "back" in rotation.observations[0].detail
    assert_array_equal(rotation.turn_ticks, at)


def test_run_up_and_run_down_raise_no_flags():
    """Constant torque from rest, then coasting: crossings at sqrt(2 n / a) and speed falling exponentially."""
    up = np.sqrt(2 * np.arange(1, 120) / 12.0)
    steady_part = up[-1] + np.arange(1, 100) * (up[-1] - up[-2])
    down_speed, tau = 1 / (up[-1] - up[-2]), 1.5
    turns = np.arange(1, int(0.9 * down_speed * tau))
    down = steady_part[-1] - tau * np.log(1 - turns / (down_speed * tau))
    at = np.rint(np.concatenate((up, steady_part, down)) * 1e9).astype(np.int64)
    rotation = turns_of(at, 100_000)
    assert rotation.observations == ()
    assert_array_equal(rotation.turn_ticks, at)
    used = rotation.turns.loc[rotation.turns["used"], "kind"]
    assert not used.isin(["run-up", "run-down"]).any()
    assert {"run-up", "run-down"} <= set(rotation.turns["kind"])
    assert rotation.speed.min > 0.5 * rotation.speed.max


def test_a_standstill_is_not_a_row_of_missed_pulses():
    slowing = T * np.geomspace(1, 30, 20)
    period = np.concatenate((np.full(30, T), slowing, [400.0 * T], slowing[::-1], np.full(30, T)))
    at = np.rint(1e6 + np.concatenate(([0.0], np.cumsum(period)))).astype(np.int64)
    rotation = turns_of(at, 100_000)
    assert not [seen for seen in rotation.observations if seen.kind.startswith("index")]
    assert len(rotation.turns) == len(at) - 1


def test_a_stall_that_is_no_whole_number_of_turns_is_not_a_missed_pulse():
    at = jittered(60)
    at[30:] += int(1.45 * T)
    rotation = turns_of(at)
    assert not [seen for seen in rotation.observations if seen.kind.startswith("index")]
    assert_array_equal(rotation.turn_ticks, at)
    assert rotation.turns["kind"][29] == "doubtful"
    assert not rotation.turns["used"][29]


def test_a_long_silence_is_one_observation():
    at = np.delete(jittered(200), np.arange(80, 130))
    rotation = turns_of(at)
    assert [seen.kind for seen in rotation.observations] == ["index-missed"]
    assert "50 pulses" in rotation.observations[0].detail
    assert len(rotation.turns) == 200


def test_silence_while_the_line_was_unknown_is_not_the_sensors_fault():
    at = jittered(40)
    edges = pulses(np.delete(at, [20]), 300_000)
    unknown = np.array([[at[20] - 100_000, at[20] + 500_000]])
    line = Channel("SENSOR", "bench.SENSOR", 0, edges, unknown)
    rotation = find_revolutions(capture([line]), rig())
    assert rotation.observations == ()
    assert rotation.turns["kind"][20] == "filled"


def test_an_odd_last_pulse_is_neither_flagged_nor_trusted():
    at = jittered(40)
    late = at.copy()
    late[-1] += 400_000
    rotation = turns_of(late)
    assert rotation.observations == ()
    assert not rotation.turns["used"].iloc[-1]
    stray = np.append(at, at[-1] + T // 3)
    rotation = turns_of(stray)
    assert rotation.observations == ()
    assert_array_equal(rotation.turn_ticks, at)
    assert any("ends of the capture" in note for note in rotation.notes)


# --- wheels ------------------------------------------------------------------------------------------------------


def wheel(n, teeth, *, places=None, error=0.0, seed=1):
    """Tooth instants of n whole turns and the first tooth of the next; tooth i sits at (i + error_i) / places."""
    places = places or teeth
    off = np.random.default_rng(seed).normal(0, error, teeth)
    off[0] = 0.0
    angle = (np.arange(n)[:, None] + (np.arange(teeth) + off)[None, :] / places).ravel()
    return np.rint(1e6 + np.append(angle, n) * T).astype(np.int64), 360 * (np.arange(teeth) + off) / places


@pytest.mark.parametrize("teeth", [2, 4, 36])
def test_even_teeth(teeth):
    at, angles = wheel(30, teeth, error=0.02)
    rotation = turns_of(at, 50_000, pulses_per_revolution=teeth)
    assert_array_equal(rotation.turn_ticks, at[::teeth])
    assert rotation.observations == ()
    assert_allclose(rotation.tooth_angles_deg, angles, rtol=0, atol=1e-3)


def test_marks_that_the_rig_does_not_know_of_are_suspected():
    at, _ = wheel(30, 3, error=0.05)
    assert any("every 3 pulses" in note for note in turns_of(at, 50_000).notes)
    assert not any("pulses:" in note for note in turns_of(jittered(80, sigma=300_000)).notes)


@pytest.mark.parametrize("teeth", [3, 11, 59])
@pytest.mark.parametrize("begin", [0, 1, 2])
def test_missing_tooth(teeth, begin):
    at, angles = wheel(30, teeth, places=teeth + 1, error=0.02)
    rotation = turns_of(at[begin:], 50_000, pulses_per_revolution=teeth, missing_tooth=True)
    assert_array_equal(rotation.turn_ticks, at[teeth if begin else 0 :: teeth])
    assert rotation.observations == ()
    assert_allclose(rotation.tooth_angles_deg, angles, rtol=0, atol=1e-3)


def test_missing_tooth_that_is_not_there_is_said():
    at, _ = wheel(30, 12)
    rotation = turns_of(at, 50_000, pulses_per_revolution=11, missing_tooth=True)
    assert any("no missing tooth" in note for note in rotation.notes)


@pytest.mark.parametrize("missing", [False, True])
def test_faults_between_teeth(missing):
    teeth, places = (11, 12) if missing else (12, 12)
    at, _ = wheel(60, teeth, places=places, error=0.02)
    sector = T // places
    row = 30 * teeth + 4
    want = at[::teeth]

    def run(changed):
        return turns_of(np.sort(changed), 50_000, pulses_per_revolution=teeth, missing_tooth=missing)

    for changed, kind in (
        (np.delete(at, row), "index-missed"),
        (np.append(at, at[row] + sector // 2), "index-doubled"),
        (at + sector // 4 * (np.arange(len(at)) == row), "index-shifted"),
        (np.delete(at, 30 * teeth), "index-missed"),
    ):
        rotation = run(changed)
        assert kinds(rotation) == [(kind, 30)]
        assert np.abs(rotation.turn_ticks - want).max() < 0.003 * T


def test_missing_tooth_is_found_again_after_a_long_silence():
    at, _ = wheel(60, 35, places=36)
    rotation = turns_of(
        np.delete(at, np.arange(20 * 35 + 7, 23 * 35 + 20)), 50_000, pulses_per_revolution=35, missing_tooth=True
    )
    assert_array_equal(rotation.turn_ticks[-30:], at[::35][-30:])
    assert {seen.kind for seen in rotation.observations} == {"index-missed"}


# --- little or nothing -------------------------------------------------------------------------------------------


def test_no_index_is_none():
    assert find_revolutions(capture([channel("SENSOR", [1, 2])]), rig_from_mapping({})) is None


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_pulses_keep_the_tables(count):
    full, empty = turns_of(steady(9)), turns_of(steady(9)[:count])
    assert len(empty.turn_ticks) == count
    assert len(empty.turns) == 0
    assert len(empty.pulses) == count
    assert list(empty.turns.columns) == list(full.turns.columns)
    assert empty.turns.dtypes.tolist() == full.turns.dtypes.tolist()
    assert empty.pulses.dtypes.tolist() == full.pulses.dtypes.tolist()
    assert empty.period.n == 0
    assert empty.period_jitter_rms_s is None
    assert len(empty.allan) == 0


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_turns_are_measured(n):
    rotation = turns_of(steady(n))
    assert rotation.period.n == n
    assert_allclose(rotation.period.mean, T * 1e-9, rtol=1e-12, atol=0)
    assert (rotation.period_jitter_rms_s is None) == (n < 2)
    assert rotation.observations == ()


def test_all_pulses_too_short():
    rotation = turns_of(steady(9), 5_000, min_pulse_us=20)
    assert len(rotation.turns) == 0
    assert {seen.kind for seen in rotation.observations} == {"index-runt"}
    assert any("no revolution" in note for note in rotation.notes)


# --- metamorphic -------------------------------------------------------------------------------------------------


def faulty():
    at = jittered(80, seed=5)
    at[33] += 700_000
    return np.sort(np.append(np.delete(at, [20, 60]), at[45] + 3_000_000))


def figures(rotation):
    return (
        rotation.period.mean,
        rotation.period.uncertainty,
        rotation.speed.std,
        rotation.period_jitter_rms_s,
        rotation.period_jitter_peak_to_peak_s,
        rotation.cycle_to_cycle_jitter_rms_s,
        rotation.jitter_uncertainty_s,
        *rotation.allan["adev"],
    )


def test_shifting_all_times_changes_nothing_else():
    before, after = turns_of(faulty()), turns_of(faulty() + 10**15)
    assert_array_equal(after.turn_ticks - before.turn_ticks, 10**15)
    assert_allclose(figures(after), figures(before), rtol=1e-9, atol=0)
    assert kinds(after) == kinds(before)


def test_doubling_the_tick_doubles_every_time():
    edges = pulses(faulty(), 300_000)
    one = find_revolutions(capture([channel("SENSOR", edges)]), rig())
    two = find_revolutions(capture([channel("SENSOR", edges)], tick=Fraction(2, 10**9)), rig())
    assert_array_equal(two.turn_ticks, one.turn_ticks)
    assert_allclose(two.period.mean, 2 * one.period.mean, rtol=1e-12, atol=0)
    assert_allclose(two.period_jitter_rms_s, 2 * one.period_jitter_rms_s, rtol=1e-9, atol=0)
    assert_allclose(two.allan["adev"], one.allan["adev"], rtol=1e-9, atol=0)
    assert kinds(two) == kinds(one)


def test_the_same_ticks_in_halves():
    """Twice as many ticks of half the length are the same capture."""
    edges = pulses(faulty(), 300_000)
    one = find_revolutions(capture([channel("SENSOR", edges)]), rig())
    fine = capture([channel("SENSOR", 2 * edges)], tick=Fraction(1, 2 * 10**9), sample_ticks=2)
    two = find_revolutions(fine, rig())
    # instants that are put back are rounded to the tick, so by half a tick they may differ
    assert np.abs(two.turn_ticks - 2 * one.turn_ticks).max() <= 1
    assert_allclose(two.period.mean, one.period.mean, rtol=1e-9, atol=0)
    assert kinds(two) == kinds(one)


def test_swapping_channel_names_changes_nothing():
    edges, other = pulses(faulty(), 300_000), pulses(steady(500, 1_234_567), 9_000)
    one = find_revolutions(capture([channel("SENSOR", edges), channel("BUTTON", other)]), rig())
    swapped = rig_from_mapping({"index": {"channel": "BUTTON"}, "capture": {"clock_ppm": 0}})
    two = find_revolutions(capture([channel("BUTTON", edges), channel("SENSOR", other)]), swapped)
    assert_array_equal(one.turn_ticks, two.turn_ticks)
    assert figures(one) == figures(two)


@pytest.mark.parametrize("cut", [9, 25, 40, 52, 70])
def test_splitting_at_an_index_pulse_splits_the_turns(cut):
    at = faulty()
    whole, first, second = turns_of(at), turns_of(at[: cut + 1]), turns_of(at[cut:])
    assert len(first.turns) + len(second.turns) == len(whole.turns)
    both = np.concatenate((first.turn_ticks, second.turn_ticks[1:]))
    assert np.abs(both - whole.turn_ticks).max() < 10_000
    assert sorted(seen.kind for seen in (*first.observations, *second.observations)) == sorted(
        seen.kind for seen in whole.observations
    )
