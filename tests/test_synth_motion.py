"""The simulated recorder, shaft, index sensor and motor lines against closed forms and published facts."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.synth.lattice import Lattice, odd_ones, tick_fraction
from spinlag.synth.scenario import MotorLines, Order, Shaft, scenario_from_mapping
from spinlag.synth.sensors import make_motor_lines
from spinlag.synth.shaft import SpeedStep, make_motion
from spinlag.synth.simulate import simulate

NS = Fraction(1, 10**9)


def motion_of(shaft, from_s=-0.2, to_s=3.0, steps=(), seed=1):
    return make_motion(shaft, from_s, to_s, tuple(steps), np.random.default_rng(seed))


def test_lateness_of_a_sampled_edge_is_uniform_over_one_period():
    # JCGM 100:2008 4.3.7: a rectangular distribution of full width w has standard uncertainty w / sqrt(12)
    lattice = Lattice(24e6, tick_fraction("1 ps"), 0.0, 10.0)
    true = np.arange(1, 200_001) * 4.9e-5 + np.random.default_rng(5).uniform(0, 1e-6, 200_000)
    _, ticks = lattice.record(true, 0)
    late = ticks * 1e-12 - true
    period = 1 / 24e6
    assert late.min() > -1e-12 and late.max() < period + 1e-12
    assert_allclose(late.mean(), period / 2, rtol=0.01)
    assert_allclose(late.std(), period / np.sqrt(12), rtol=0.01)
    counts, _ = np.histogram(late, bins=10, range=(0, period))
    assert_allclose(counts, 20_000, rtol=0.05)


def test_error_of_a_sampled_interval_is_triangular():
    # JCGM 100:2008 4.3.9: a symmetric triangular distribution of half-width a has standard uncertainty a / sqrt(6);
    # 95 % of it lies within (1 - sqrt(0.05)) a
    lattice = Lattice(10e6, tick_fraction("1 ps"), 0.0, 100.0)
    rng = np.random.default_rng(6)
    begin = np.arange(1, 100_001) * 9e-4 + rng.uniform(0, 1e-5, 100_000)
    true = np.stack((begin, begin + rng.uniform(2e-6, 4e-6, 100_000)), axis=1)
    _, ticks = lattice.record(true.ravel(), 0)
    error = (ticks[1::2] - ticks[0::2]) * 1e-12 - np.diff(true, axis=1)[:, 0]
    assert_allclose(error.std(), 100e-9 / np.sqrt(6), rtol=0.01)
    assert abs(error.mean()) < 1e-9
    inside = np.mean(np.abs(error) < (1 - np.sqrt(0.05)) * 100e-9)
    assert 0.947 < inside < 0.953


def test_ticks_are_the_exact_lattice_rounded():
    lattice = Lattice(24e6, NS, 0.0, 1.0)
    samples = np.arange(0, 24_000_000, 1237)
    expected = [round(Fraction(int(k) * 125, 3)) for k in samples]  # never a tie: thirds have none
    assert lattice.ticks(samples).tolist() == expected
    assert lattice.end == 10**9


def test_a_fast_recorder_clock_stretches_every_interval():
    lattice = Lattice(100e6, tick_fraction("1 ps"), 50.0, 2.0)
    _, ticks = lattice.record(np.array([0.25, 1.25]), 0)
    assert_allclose((ticks[1] - ticks[0]) * 1e-12, 1.0 + 50e-6, rtol=0, atol=1.1e-8)


def test_pulses_between_two_samples_are_not_seen():
    lattice = Lattice(1e6, NS, 0.0, 1.0)
    level, ticks = lattice.record(np.array([-5e-6, 10.2e-6, 10.6e-6, 20.5e-6, 20.6e-6, 20.7e-6]), 0)
    assert level == 1
    assert ticks.tolist() == [21_000]
    assert odd_ones(np.array([3, 3, 3, 5, 5, 9])).tolist() == [3, 9]


def test_angle_and_time_are_inverse_to_each_other():
    shaft = Shaft(
        speed_rev_per_s=31.0,
        drift_rev_per_s2=0.4,
        hunting={"period_s": 0.7, "amplitude": 0.01},
        random_walk=0.003,
        orders=[{"order": 1, "amplitude": 0.02}, {"order": 24, "amplitude": 0.01, "phase_deg": 33}],
    )
    motion = motion_of(shaft, steps=[SpeedStep(1.1, 0.95)])
    time = np.sort(np.random.default_rng(2).uniform(-0.2, 3.0, 5000))
    angle = motion.angle_at(time)
    assert (np.diff(angle) > 0).all()
    assert_allclose(motion.time_at(angle), time, rtol=0, atol=1e-12)


def test_mean_speed_drift_step_and_hunting_come_out_as_ordered():
    motion = motion_of(Shaft(speed_rev_per_s=20.0, drift_rev_per_s2=2.0))
    turns = motion.angle_at(np.array([3.0]))[0] - motion.angle_at(np.array([0.0]))[0]
    assert_allclose(turns, 20.0 * 3 + 0.5 * 2.0 * 9, rtol=1e-9)  # r t + a t^2 / 2
    stepped = motion_of(Shaft(speed_rev_per_s=20.0), steps=[SpeedStep(1.0, 1.05)])
    assert_allclose(stepped.speed_at(np.array([0.9, 1.5])), [20.0, 21.0], rtol=1e-9)
    hunting = motion_of(Shaft(speed_rev_per_s=20.0, hunting={"period_s": 1.0, "amplitude": 0.01}))
    assert_allclose(hunting.speed_at(np.array([0.25, 0.75])), [20.2, 19.8], rtol=1e-9)


@pytest.mark.parametrize(("order", "amplitude"), [(1, 0.02), (2, 0.005), (24, 0.01)])
def test_orders_of_rotation_have_the_ordered_amplitude(order, amplitude):
    # against numpy's FFT of the speed over one turn: a pure sine of that order and size, about a mean of 1
    shaft = Shaft(speed_rev_per_s=30.0, orders=[Order(order=order, amplitude=amplitude, phase_deg=25)])
    motion = motion_of(shaft)
    angle = 40 + (np.arange(1024) + 0.5) / 1024
    speed = motion.speed_at(motion.time_at(angle)) / 30.0
    lines = np.fft.rfft(speed) / 512
    assert_allclose(abs(lines[order]), amplitude, rtol=2e-3)
    others = np.delete(np.abs(lines[1:]), order - 1)
    assert others.max() < amplitude * 5e-3
    assert_allclose(np.diff(motion.time_at(np.arange(10.0))), 1 / 30.0, rtol=1e-9)


def codes_of(lines, motion, turns):
    """Hall codes over some whole turns, as text in the lines' order, each once per change."""
    edges = np.sort(np.concatenate([line.edges_s for line in lines]))
    span = motion.time_at(np.array([float(turns[0]), float(turns[1])]))
    edges = edges[(edges > span[0]) & (edges <= span[1])]
    middle = edges[:-1] + 0.5 * np.diff(edges)
    levels = [line.level ^ (np.searchsorted(line.edges_s, middle) & 1) for line in lines]
    return ["".join(str(level[i]) for level in levels) for i in range(len(middle))], edges


@pytest.mark.parametrize("pole_pairs", [1, 2, 4, 7])
def test_hall_lines_step_through_the_published_sequence(pole_pairs):
    # six-step commutation, codes 101, 100, 110, 010, 011, 001 and 6 p edges a turn: application notes on brushless
    # motors print this sequence for sensors 120 electrical degrees apart
    motion = motion_of(Shaft(speed_rev_per_s=30.0, start_deg=1.0), to_s=1.0)
    lines = make_motor_lines(MotorLines(pole_pairs=pole_pairs), motion, (0, 20), np.random.default_rng(0))
    codes, edges = codes_of(lines, motion, (5, 10))
    assert len(edges) in (5 * 6 * pole_pairs, 5 * 6 * pole_pairs + 1)
    published = ["101", "100", "110", "010", "011", "001"]
    at = published.index(codes[0])
    assert codes == [published[(at + i) % 6] for i in range(len(codes))]
    assert all(sum(a != b for a, b in zip(one, two, strict=True)) == 1 for one, two in pairwise(codes))
    assert_allclose(np.diff(edges), 1 / (30.0 * 6 * pole_pairs), rtol=1e-6)


def test_hall_lines_backwards_run_through_the_sequence_backwards():
    motion = motion_of(Shaft(speed_rev_per_s=30.0), to_s=1.0)
    motor = MotorLines(pole_pairs=4, direction="reverse")
    codes, _ = codes_of(make_motor_lines(motor, motion, (0, 20), np.random.default_rng(0)), motion, (5, 8))
    published = ["101", "100", "110", "010", "011", "001"][::-1]
    at = published.index(codes[0])
    assert codes == [published[(at + i) % 6] for i in range(len(codes))]


def test_sensor_errors_move_edges_by_as_many_degrees_of_the_shaft():
    motion = motion_of(Shaft(speed_rev_per_s=30.0), to_s=1.0)
    plain = make_motor_lines(MotorLines(offset_deg=5), motion, (0, 20), np.random.default_rng(0))
    moved = make_motor_lines(
        MotorLines(sensor_error_deg=[0.0, 1.5, -2.0], offset_deg=5), motion, (0, 20), np.random.default_rng(0)
    )
    shift = [np.mean(m.edges_s[8:-8] - p.edges_s[8:-8]) * 30.0 * 360.0 for m, p in zip(moved, plain, strict=True)]
    assert_allclose(shift, [0.0, 1.5, -2.0], rtol=1e-6, atol=1e-9)


def test_a_slipping_belt_carries_the_motor_ahead_of_the_shaft():
    motion = motion_of(Shaft(speed_rev_per_s=30.0, orders=[{"order": 1, "amplitude": 0.01}]), to_s=2.5)
    lines = make_motor_lines(MotorLines(slip_deg_per_s=40.0), motion, (0, 60), np.random.default_rng(0))
    plain = make_motor_lines(MotorLines(), motion, (0, 60), np.random.default_rng(0))
    early = motion.angle_at(plain[1].edges_s) - motion.angle_at(lines[1].edges_s)
    assert_allclose(early * 360.0, 40.0 * lines[1].edges_s, rtol=0, atol=1e-6)


def test_a_tachometer_gives_one_pulse_per_electrical_turn():
    # a drive's frequency-generator output: one pulse per electrical cycle (makers' data on sensorless drivers)
    scenario = scenario_from_mapping(
        {"duration_s": 1.0, "motor": {"kind": "tach", "phases": ["FG"], "pole_pairs": 6}, "leds": []}
    )
    rising = simulate(scenario).capture.channel("FG").rising()
    assert_allclose(1e9 / np.diff(rising).mean(), 30.0 * 6, rtol=1e-6)


def test_index_pulses_are_as_wide_as_their_angle_and_noise_is_as_ordered():
    data = {"duration_s": 10.0, "leds": [], "shaft": {"speed_rev_per_s": 25.0}, "recorder": {"sample_rate_hz": 100e6}}
    scenario = scenario_from_mapping({**data, "index": {"width_deg": 9.0, "noise_us": 2.0}})
    truth = simulate(scenario).truth
    width = truth.pulse_trail_s - truth.pulse_lead_s
    assert_allclose(width.mean(), 9 / 360 / 25.0, rtol=1e-3)
    assert_allclose(width.std(), 2e-6 * np.sqrt(2), rtol=0.15)
    assert_allclose((truth.pulse_reference_s - truth.zero_s[: len(width)]).std(), 2e-6, rtol=0.15)


@pytest.mark.parametrize("edge", ["rising", "falling", "centre"])
@pytest.mark.parametrize("inverted", [False, True])
def test_the_shaft_zero_lies_at_the_reference_edge(edge, inverted):
    data = {"duration_s": 0.5, "leds": [], "index": {"edge": edge, "inverted": inverted, "width_deg": 5}}
    simulation = simulate(scenario_from_mapping(data))
    channel = simulation.capture.channel("SENSOR")
    assert channel.initial == int(inverted)
    if edge == "centre":
        begin = channel.falling() if inverted else channel.rising()
        end = channel.rising() if inverted else channel.falling()
        at = (begin + end[: len(begin)]) / 2
    else:
        at = channel.rising() if edge == "rising" else channel.falling()
    assert len(at) == len(simulation.truth.zero_s) == 15
    late = at * 1e-9 - simulation.truth.zero_s
    assert late.min() > -1e-9 and late.max() < 1 / 24e6 + 1e-9


def test_several_pulses_and_a_missing_tooth():
    even = simulate(scenario_from_mapping({"duration_s": 0.5, "leds": [], "index": {"pulses_per_revolution": 6}}))
    rising = even.capture.channel("SENSOR").rising()
    assert_allclose(np.diff(rising) * 1e-9, 1 / 180, rtol=1e-4)
    index = {"pulses_per_revolution": 5, "missing_tooth": True}
    toothed = simulate(scenario_from_mapping({"duration_s": 0.5, "leds": [], "index": index}))
    gaps = np.diff(toothed.capture.channel("SENSOR").rising()) * 1e-9 * 180
    assert sorted(set(np.rint(gaps))) == [1, 2]
    assert np.sum(np.rint(gaps) == 2) in (14, 15)
    starts = toothed.truth.turns.reference_s
    assert_allclose(starts, toothed.truth.zero_s, rtol=0, atol=1e-9)
