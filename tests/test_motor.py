"""Motor lines: commutation sequence, pole pairs, learned edge angles, shaft angle, slip and faults."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from tests.build import capture, channel, pulses

import spinlag
from spinlag.judge import judge_all
from spinlag.motor import SENSOR_COLUMNS, read_motor
from spinlag.motor.states import SEQUENCE, read_states
from spinlag.motor.watch import FAULT_COLUMNS
from spinlag.rig import rig_from_mapping
from spinlag.rotation import find_revolutions
from spinlag.rotation.refine import read_shaft
from spinlag.synth import scenario_from_mapping, simulate

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"

T = 33_333_333
"""Ticks (ns) of a turn at 30 rev/s."""

NAMES = ("HA", "HB", "HC")


def hall_lines(turns, poles, *, reverse=False, start=1_000_000, period=T, off=(0.0, 0.0, 0.0)):
    """Edges of three Hall sensors 120 electrical degrees apart, high for half a cycle; A is high from 300 to 120."""
    lines = []
    for i, error in enumerate(off):
        rise = (300.0 + 120.0 * i) % 360.0
        cycles = np.arange(-1, turns * poles + 1)
        rises = (cycles * 360.0 + rise) / poles + error
        falls = rises + 180.0 / poles
        if reverse:
            rises, falls = -falls + turns * 360.0, -rises + turns * 360.0
        at = {"rise": np.sort(rises), "fall": np.sort(falls)}
        degrees = np.concatenate((at["rise"], at["fall"]))
        levels = np.concatenate((np.ones(len(rises)), np.zeros(len(falls))))
        order = np.argsort(degrees)
        degrees, levels = degrees[order], levels[order]
        inside = (degrees >= 0) & (degrees < turns * 360.0)
        ticks = start + np.rint(degrees[inside] / 360.0 * period).astype(np.int64)
        lines.append(channel(NAMES[i], ticks, initial=int(1 - levels[inside][0])))
    return lines


def bench(turns=40, poles=4, *, index=True, extra=(), end=None, sample_ticks=1, **options):
    """Capture of an index line and three Hall lines on an even shaft."""
    lines = hall_lines(turns, poles, **options)
    at = 1_000_000 + np.arange(1, turns) * options.get("period", T)
    if index:
        lines.append(channel("SENSOR", pulses(at + 100_000, 300_000)))
    return capture([*lines, *extra], end=end, sample_ticks=Fraction(sample_ticks))


def rig(*, index=True, **motor):
    tables = {"motor": {"phases": NAMES, **motor}, "capture": {"clock_ppm": 0}}
    return rig_from_mapping(tables | ({"index": {"channel": "SENSOR"}} if index else {}))


def toggled(built, name, ticks):
    """The capture with more edges on one line."""
    lines = [
        channel(one.name, np.sort(np.concatenate((one.edges, ticks))), one.initial) if one.name == name else one
        for one in built.channels
    ]
    return capture(lines)


def without(built, name, rows):
    lines = [
        channel(one.name, np.delete(one.edges, rows), one.initial) if one.name == name else one
        for one in built.channels
    ]
    return capture(lines)


# --- sequence and arithmetic ---------------------------------------------------------------------------------------


def test_states_step_through_the_published_sequence():
    """101, 100, 110, 010, 011, 001: six-step commutation as application notes on sensored motors print it."""
    assert SEQUENCE == (0b101, 0b100, 0b110, 0b010, 0b011, 0b001)
    assert all(SEQUENCE[i] ^ SEQUENCE[(i + 3) % 6] == 0b111 for i in range(6))
    for reverse, direction in ((False, 1), (True, -1)):
        states = read_states(bench(reverse=reverse), NAMES)
        assert states.direction == direction
        assert states.backward == 0
        assert states.invalid == ()
        assert states.skipped == ()
        assert states.reversals == ()


@pytest.mark.parametrize(("poles", "steps"), [(2, 12), (3, 18), (4, 24), (6, 36), (7, 42)])
def test_edges_per_turn(poles, steps):
    """Each sensor gives 2 p edges a mechanical turn, all three 6 p (electrical angle = p times mechanical angle)."""
    rotation, motor = read_shaft(bench(20, poles), rig())
    assert motor.pole_pairs == poles
    assert motor.pole_pairs_from == "index"
    assert_allclose(motor.cycles_per_turn, poles, rtol=1e-6, atol=0)
    assert len(motor.sensors) == steps
    assert motor.edges == 20 * steps
    assert motor.direction == "forward"
    assert rotation.observations == motor.observations == ()


@pytest.mark.parametrize("reverse", [False, True])
def test_direction(reverse):
    motor = read_motor(bench(reverse=reverse), rig(index=False, pole_pairs=4), None)
    assert motor.direction == ("reverse" if reverse else "forward")


def test_lines_listed_the_other_way_round_turn_the_direction():
    told = rig_from_mapping({"motor": {"phases": ("HB", "HA", "HC"), "pole_pairs": 4}})
    assert read_motor(bench(), told, None).direction == "reverse"


def test_two_lines_tell_the_direction_and_one_does_not():
    two = rig_from_mapping({"motor": {"phases": ("HA", "HB"), "pole_pairs": 4}})
    one = rig_from_mapping({"motor": {"phases": ("HA",), "pole_pairs": 4}})
    assert read_motor(bench(), two, None).direction == "forward"
    assert read_motor(bench(reverse=True), two, None).direction == "reverse"
    assert read_motor(bench(), one, None).direction is None


def test_sensors_sixty_degrees_apart_make_000_and_111_regular():
    lines = [line if line.name != "HB" else channel("HB", line.edges, 1 - line.initial) for line in hall_lines(30, 4)]
    states = read_states(capture(lines), NAMES)
    assert states.sixty
    assert states.invalid == ()
    assert states.direction == 1
    assert any("60" in note for note in read_motor(capture(lines), rig(index=False), None).notes)


def test_a_shaft_that_turns_back_is_said_and_the_longest_stretch_counted():
    off = (1.0, 1.0, 1.0)  # so that no edge falls on the very turning point
    there = hall_lines(20, 4, off=off)
    back = hall_lines(8, 4, off=off, reverse=True, start=1_000_000 + 20 * T)
    lines = [channel(a.name, np.concatenate((a.edges, b.edges)), a.initial) for a, b in zip(there, back, strict=True)]
    motor = read_motor(capture(lines), rig(index=False, pole_pairs=4), None)
    assert motor.direction == "forward"
    assert any("turns back at 0.66" in note or "turns back at 0.67" in note for note in motor.notes), motor.notes
    assert 78 <= motor.cycles <= 81


def test_the_rig_and_the_index_disagree_about_the_poles():
    motor = read_motor(bench(poles=4), rig(pole_pairs=7), find_revolutions(bench(poles=4), rig()))
    assert motor.pole_pairs == 4
    assert any("the rig says 7 pole pairs" in note for note in motor.notes)


def test_a_gear_between_motor_and_index_is_no_pole_pair():
    lines = hall_lines(60, 1)
    at = 1_000_000 + np.arange(1, 24) * round(T * 2.5)
    built = capture([*lines, channel("SENSOR", pulses(at, 300_000))])
    motor = read_motor(built, rig(), find_revolutions(built, rig()))
    assert motor.pole_pairs is None
    assert_allclose(motor.cycles_per_turn, 2.5, rtol=1e-6, atol=0)
    assert motor.witness is None
    assert np.isnan(motor.angle_at(at)).all()
    assert any("gear or a belt" in note for note in motor.notes)


# --- angle ---------------------------------------------------------------------------------------------------------


def test_the_angle_of_an_even_shaft_is_exact():
    built = bench(30, 4)
    rotation, motor = read_shaft(built, rig())
    ticks = rotation.turn_ticks[3] + np.arange(0, 5 * T, 777_777)
    want = 3 + np.arange(0, 5 * T, 777_777) / T
    assert_allclose(motor.turns_at(ticks), want, rtol=0, atol=2e-7)
    assert_allclose((motor.angle_at(ticks) - 360 * want + 180) % 360 - 180, 0, rtol=0, atol=1e-4)
    assert motor.angle_rms_deg < 2e-4  # an even turn is told from uneven poles to 1e-7 of a turn an edge


def test_turns_count_from_the_first_revolution_of_the_rotation():
    built = bench(30, 4)
    rotation, motor = read_shaft(built, rig())
    assert_allclose(motor.turns_at(rotation.turn_ticks), np.arange(len(rotation.turn_ticks)), rtol=0, atol=1e-6)


def test_beyond_the_lines_nothing_is_told():
    built = bench(30, 4)
    _, motor = read_shaft(built, rig())
    angle = motor.angle_at(np.array([1_000_000 - 2 * T, 1_000_000 + 33 * T]))
    assert np.isnan(angle).all()


def test_sensors_off_their_places_are_learned():
    """A sensor half a degree off moves its own edges, and nobody else's."""
    _, motor = read_shaft(bench(60, 4, off=(0.0, 0.5, -0.25)), rig())
    off = motor.sensors.groupby("line")["off_deg"].mean()
    assert_allclose(off["HB"] - off["HA"], 0.5, rtol=0, atol=1e-3)
    assert_allclose(off["HC"] - off["HA"], -0.25, rtol=0, atol=1e-3)


def test_learned_places_and_angle_against_a_simulated_bench():
    tables = {
        "seed": 3,
        "duration_s": 4.0,
        "leds": [],
        "recorder": {"sample_rate_hz": 24e6},
        "shaft": {
            "speed_rev_per_s": 30.0,
            "hunting": {"period_s": 0.7, "amplitude": 0.002},
            "orders": [{"order": 1, "amplitude": 0.01, "phase_deg": 50.0}],
        },
        "motor": {"pole_pairs": 4, "offset_deg": 33.0, "sensor_error_deg": [0.6, -0.4, 0.1], "edge_noise_us": 1.0},
    }
    simulation = simulate(scenario_from_mapping(tables))
    rotation, motor = read_shaft(simulation.capture, simulation.rig)
    for line, truth in simulation.truth.motor_angles_deg.items():
        learned = np.sort(motor.sensors.loc[motor.sensors["line"] == line, "angle_deg"])
        assert_allclose(learned, np.sort(truth), rtol=0, atol=0.02)
    # the index alone misses what an imbalance of 1 % does within the turn: 0.57 degrees, 0.41 rms
    assert motor.angle_rms_deg < 0.02
    assert_allclose(motor.index_rms_deg, 360 * 0.01 / (2 * np.pi), rtol=0.5, atol=0)
    assert rotation.observations == motor.observations == ()


def test_slip_between_motor_and_index():
    tables = {
        "seed": 1,
        "duration_s": 3.0,
        "leds": [],
        "motor": {"pole_pairs": 4, "edge_noise_us": 1.0, "slip_deg_per_s": 12.0},
    }
    simulation = simulate(scenario_from_mapping(tables))
    rotation, motor = read_shaft(simulation.capture, simulation.rig)
    assert motor.pole_pairs == 4
    assert_allclose(motor.slip_deg_per_s, 12.0, rtol=0, atol=max(motor.slip_uncertainty_deg_per_s, 0.01))
    assert_allclose(motor.slip_deg, 12.0 * 3.0, rtol=0.03, atol=0)
    assert any("something slips" in note for note in motor.notes)
    # the angle follows the index, not the slipping rotor
    at = motor.turns_at(rotation.turn_ticks)
    assert_allclose(at, np.arange(len(at)), rtol=0, atol=2e-4)
    assert rotation.observations == ()


def test_no_slip_where_there_is_none():
    _, motor = read_shaft(bench(60, 4), rig())
    assert abs(motor.slip_deg_per_s) <= max(motor.slip_uncertainty_deg_per_s, 1e-3)
    assert not any("slip" in note for note in motor.notes)


def test_chopped_drive_lines_are_bridged():
    """A drive's output is high for a third of the cycle, chopped at 20 kHz while it is."""
    poles, turns, chop = 2, 30, 50_000
    lines = []
    for i, name in enumerate(NAMES):
        rise = (np.arange(turns * poles) * 360.0 + 60.0 + 120.0 * i) / poles
        begin = 1_000_000 + np.rint(rise / 360.0 * T).astype(np.int64)
        length = T // poles // 3
        starts = (begin[:, None] + np.arange(0, length, chop)[None, :]).ravel()
        lines.append(channel(name, np.column_stack((starts, starts + 35_000)).ravel()))
    at = 1_000_000 + np.arange(1, turns) * T
    built = capture([*lines, channel("SENSOR", pulses(at, 300_000))])
    rotation, motor = read_shaft(built, rig())
    assert motor.pole_pairs == 2
    assert motor.direction == "forward"
    assert sum("chopped" in note for note in motor.notes) == 3
    assert motor.observations == rotation.observations == ()


def test_a_tachometer_line_gives_its_pulses_per_turn():
    at = 1_000_000 + np.rint(np.arange(40 * 6) * T / 6).astype(np.int64)
    built = capture(
        [channel("TACH", pulses(at, 400_000)), channel("SENSOR", pulses(1_500_000 + np.arange(39) * T, 300_000))]
    )
    told = rig_from_mapping({"index": {"channel": "SENSOR"}, "motor": {"phases": ["TACH"]}})
    _, motor = read_shaft(built, told)
    assert motor.pole_pairs == 6
    assert motor.direction is None
    assert_allclose(motor.turns_at(np.array([1_500_000 + 10 * T + T // 4])), 10.25, rtol=0, atol=1e-6)


# --- faults --------------------------------------------------------------------------------------------------------


def test_an_invalid_state_and_an_extra_pulse_are_one_observation():
    built = bench(40, 4)
    step = T // 24
    at = 1_000_000 + 20 * T - step // 2  # A and C are high (101): B makes it 111
    glitched = toggled(built, "HB", [at, at + step // 5])
    rotation, motor = read_shaft(glitched, rig())
    assert [seen.kind for seen in motor.observations] == ["motor-sequence"]
    seen = motor.observations[0]
    assert seen.tick == at
    assert seen.channel == "HB"
    assert motor.sequence_faults == 1
    assert motor.count("extra-edge") == 2
    assert motor.count("invalid-state") == 1
    assert_allclose(motor.faults.loc[motor.faults["kind"] == "invalid-state", "length_s"], step // 5 * 1e-9, rtol=1e-9)
    assert rotation.observations == ()
    assert len(rotation.turns) == 38


def test_lost_edges_are_a_sequence_fault_with_a_skipped_step():
    built = bench(40, 4)
    lost = without(built, "HB", [160, 161])
    rotation, motor = read_shaft(lost, rig())
    assert [seen.kind for seen in motor.observations] == ["motor-sequence"]
    assert motor.count("missing-edge") == 1
    assert motor.count("invalid-state") + motor.count("skipped-step") >= 1
    assert motor.observations[0].revolution in (18, 19, 20)
    # the other lines still tell the angle
    ticks = rotation.turn_ticks[18] + np.arange(0, 3 * T, 1_234_567)
    assert_allclose(motor.turns_at(ticks), 18 + np.arange(0, 3 * T, 1_234_567) / T, rtol=0, atol=1e-5)


def test_a_dead_line_is_a_dropout_and_the_others_carry_the_angle():
    built = without(bench(60, 4), "HC", np.arange(200, 240))
    rotation, motor = read_shaft(built, rig())
    assert [(seen.kind, seen.channel) for seen in motor.observations] == [("motor-dropout", "HC")]
    assert_allclose(motor.observations[0].observed, 5 * T * 1e-9, rtol=0.05, atol=0)
    assert motor.dropouts == 1
    ticks = rotation.turn_ticks[25] + np.arange(0, 3 * T, 1_234_567)
    assert_allclose(motor.turns_at(ticks), 25 + np.arange(0, 3 * T, 1_234_567) / T, rtol=0, atol=1e-5)
    assert rotation.observations == ()


def test_lines_that_die_in_turn_leave_the_count_whole():
    """While one line is dead the speed swings, so that line alone could not tell how many cycles went by."""
    turns, poles = 120, 4
    wave = np.cumsum(1 + 0.15 * np.sin(np.arange(-2, 3 * turns) / 7.0))
    time_of = lambda ticks: np.rint(np.interp(ticks / T, np.arange(len(wave)), wave * T)).astype(np.int64)  # noqa: E731
    built = bench(turns, poles)
    lines = [channel(one.name, time_of(one.edges), one.initial) for one in built.channels]
    built = capture(lines)
    for name, begin in (("HA", 200), ("HB", 400), ("HC", 600)):
        built = without(built, name, np.arange(begin, begin + 120))
    rotation, motor = read_shaft(built, rig())
    assert [seen.channel for seen in motor.observations] == ["HA", "HB", "HC"]
    assert len(rotation.turns) == turns - 2
    assert motor.cycles == turns * poles
    assert rotation.observations == ()


def test_edges_that_coincide_are_one_node():
    """Drive lines follow each other without a gap, so with noise either edge may come first."""
    tables = {
        "seed": 4,
        "duration_s": 2.0,
        "leds": [],
        "motor": {"kind": "drive", "pole_pairs": 3, "edge_noise_us": 5.0},
    }
    simulation = simulate(scenario_from_mapping(tables))
    _, motor = read_shaft(simulation.capture, simulation.rig)
    nodes = motor.witness.nodes
    assert_allclose(len(nodes.ticks), 3 * motor.cycles, rtol=0.01, atol=0)
    assert motor.observations == ()


def test_index_and_motor_fail_one_after_the_other():
    """The shaft runs faster while the index is silent, so the index alone loses count; then the motor line dies."""
    turns = 240
    pace = np.where((np.arange(turns + 2) > 60) & (np.arange(turns + 2) < 140), 0.85, 1.0)
    start_of = 1_000_000 + np.rint(np.concatenate(([0.0], np.cumsum(pace * T)))).astype(np.int64)
    at = lambda angle: np.rint(np.interp(angle, np.arange(len(start_of)), start_of)).astype(np.int64)  # noqa: E731
    tach = at(np.arange(turns * 12) / 12 + 0.02)
    tach = np.delete(tach, np.arange(200 * 12, 203 * 12))
    index = np.delete(start_of[1:turns], np.arange(60, 140))
    built = capture([channel("TACH", tach), channel("SENSOR", pulses(index, 300_000))])
    told = rig_from_mapping({"index": {"channel": "SENSOR"}, "motor": {"phases": ["TACH"]}})
    rotation, motor = read_shaft(built, told)
    assert len(rotation.turns) == turns - 2
    assert motor.dropouts == 1
    assert {seen.kind for seen in rotation.observations} == {"index-missed", "speed-step"}
    assert_allclose(rotation.turn_ticks, start_of[1:turns], rtol=0, atol=0.02 * T)


def test_a_line_that_never_moves_is_dead_from_the_start():
    built = bench(40, 4)
    lines = [channel("HA", [], 1) if one.name == "HA" else one for one in built.channels]
    rotation, motor = read_shaft(capture(lines), rig())
    assert [(seen.kind, seen.channel) for seen in motor.observations] == [("motor-dropout", "HA")]
    assert motor.pole_pairs == 4
    assert len(rotation.turns) == 38


def test_a_line_that_dies_before_the_end():
    built = without(bench(60, 4), "HA", np.arange(400, 480))
    _, motor = read_shaft(built, rig())
    assert [(seen.kind, seen.channel) for seen in motor.observations] == [("motor-dropout", "HA")]


def test_all_lines_silent_with_the_index_are_no_dropout():
    """What neither line shows was a gap in the recording or a shaft that stood: not the motor lines' fault."""
    built = bench(80, 4)
    gap = (1_000_000 + 30 * T, 1_000_000 + 34 * T + T // 3)
    lines = [
        channel(one.name, one.edges[(one.edges < gap[0]) | (one.edges > gap[1])], one.initial) for one in built.channels
    ]
    _, motor = read_shaft(capture(lines), rig())
    assert motor.dropouts == 0


# --- who is lying --------------------------------------------------------------------------------------------------


def moved(row, shift, turns=60):
    lines = hall_lines(turns, 4)
    at = 1_100_000 + np.arange(1, turns) * T
    at[row] += shift
    return capture([*lines, channel("SENSOR", pulses(at, 300_000))])


@pytest.mark.parametrize("row", [0, 1, 30, 57, 58])
def test_a_shifted_pulse_with_a_calm_shaft_is_the_sensors_even_at_the_ends(row):
    rotation, _ = read_shaft(moved(row, 400_000), rig())
    assert [(seen.kind, seen.revolution) for seen in rotation.observations] == [
        ("index-shifted", row if row < 58 else None)
    ]
    assert_allclose(rotation.observations[0].observed, 400e-6, rtol=0.01, atol=0)
    assert_allclose(np.diff(rotation.turn_ticks), T, rtol=1e-6, atol=0)
    assert "motor lines" in rotation.observations[0].detail


def test_a_jerk_that_both_see_is_the_shafts():
    shift = 500_000
    lines = hall_lines(60, 4)
    jerked = [
        channel(one.name, one.edges + shift * (one.edges > 1_000_000 + 30 * T + T // 48), one.initial) for one in lines
    ]
    at = 1_100_000 + np.arange(1, 60) * T
    at[at > 1_000_000 + 30 * T + T // 2] += shift
    built = capture([*jerked, channel("SENSOR", pulses(at, 300_000))])
    rotation, motor = read_shaft(built, rig())
    assert [seen.kind for seen in rotation.observations] == ["speed-step"]
    assert motor.observations == ()


def test_a_long_silence_of_the_index_is_counted_by_the_motor():
    lines = hall_lines(120, 4)
    at = np.delete(1_100_000 + np.arange(1, 120) * T, np.arange(40, 75))
    built = capture([*lines, channel("SENSOR", pulses(at, 300_000))])
    rotation, _ = read_shaft(built, rig())
    assert len(rotation.turns) == 118
    assert_allclose(np.diff(rotation.turn_ticks), T, rtol=1e-6, atol=0)
    assert {seen.kind for seen in rotation.observations} == {"index-missed"}


def test_motor_lines_that_do_not_reach_leave_the_index_alone():
    lines = [channel(one.name, one.edges[: len(one.edges) // 3], one.initial) for one in hall_lines(60, 4)]
    built = capture([*lines, channel("SENSOR", pulses(1_100_000 + np.arange(1, 60) * T, 300_000))])
    rotation, _ = read_shaft(built, rig())
    assert len(rotation.turns) == 58
    assert any("do not cover" in note for note in rotation.notes)


# --- little or nothing ---------------------------------------------------------------------------------------------


def test_no_motor_table_is_none():
    assert read_motor(bench(), rig_from_mapping({}), None) is None
    rotation, motor = read_shaft(bench(), rig_from_mapping({"index": {"channel": "SENSOR"}}))
    assert motor is None
    assert len(rotation.turns) == 38


def test_without_an_index_the_rig_says_the_poles():
    motor = read_motor(bench(index=False), rig(index=False, pole_pairs=4), None)
    assert motor.pole_pairs == 4
    assert motor.pole_pairs_from == "rig"
    assert motor.cycles_per_turn is None
    assert motor.witness is None
    assert np.isnan(motor.turns_at(np.array([5_000_000]))).all()


def test_lines_that_never_move_say_so():
    built = capture([channel(name, []) for name in NAMES], end=10**9)
    motor = read_motor(built, rig(index=False), None)
    assert motor.cycles == 0
    assert motor.observations == ()
    assert any("too few edges" in note for note in motor.notes)
    assert list(motor.faults.columns) == list(FAULT_COLUMNS)
    assert list(motor.sensors.columns) == list(SENSOR_COLUMNS)
    verdicts = judge_all(built, rig(index=False), None, (), (), (), motor=motor)
    assert [(one.id, one.verdict) for one in verdicts] == [("motor.sequence_faults", "not-measured")]


def test_tables_keep_their_types_when_empty():
    full = read_motor(without(bench(), "HA", [9, 10]), rig(pole_pairs=4), None)
    empty = read_motor(capture([channel(name, []) for name in NAMES], end=10**9), rig(index=False), None)
    assert len(full.faults) > 0
    assert empty.faults.dtypes.tolist() == full.faults.dtypes.tolist()
    assert empty.sensors.dtypes.tolist() == full.sensors.dtypes.tolist()


# --- metamorphic ---------------------------------------------------------------------------------------------------


def test_shifting_all_times_changes_nothing_else():
    one = toggled(bench(40, 3), "HA", [1_000_000 + 20 * T + 5_000, 1_000_000 + 20 * T + 90_000])
    two = capture([channel(line.name, line.edges + 10**14, line.initial) for line in one.channels], start=10**14)
    (r1, m1), (r2, m2) = read_shaft(one, rig()), read_shaft(two, rig())
    assert_array_equal(r2.turn_ticks - r1.turn_ticks, 10**14)
    assert_allclose(m2.sensors["angle_deg"], m1.sensors["angle_deg"], rtol=0, atol=1e-6)
    assert [(s.kind, s.revolution) for s in m2.observations] == [(s.kind, s.revolution) for s in m1.observations]


def test_doubling_the_tick_changes_no_angle():
    built = bench(40, 3)
    slow = capture(built.channels, tick=Fraction(2, 10**9))
    (_, m1), (_, m2) = read_shaft(built, rig()), read_shaft(slow, rig())
    assert_allclose(m2.sensors["angle_deg"], m1.sensors["angle_deg"], rtol=0, atol=1e-9)
    assert m2.pole_pairs == m1.pole_pairs


# --- files from elsewhere ------------------------------------------------------------------------------------------


@pytest.mark.skipif(not REAL.is_dir(), reason="the folder of files from elsewhere is not here")
def test_a_simulated_sensor_trio_from_elsewhere():
    """Three electrical turns one way and three back, as its test bench orders."""
    built = spinlag.read_capture(REAL / "rot_hall3_riocore_100ps.vcd.xz")
    states = read_states(built, ("testb.a", "testb.b", "testb.c"))
    assert states.sixty
    assert states.invalid == states.skipped == ()
    assert len(states.reversals) == 1
    assert states.steps == 53


def test_a_step_at_the_beginning_of_a_turn_belongs_to_that_turn():
    """The capture that ships: its scenario plants a step at the beginning of revolution 25."""
    where = Path(__file__).parent.parent / "captures"
    recorded, bench_of = (
        spinlag.read_capture(where / "tide-dial-shaft.csv"),
        spinlag.read_rig(where / "tide-dial-shaft.toml"),
    )
    alone = find_revolutions(recorded, bench_of)
    rotation, _ = read_shaft(recorded, bench_of)
    for one in (alone, rotation):
        assert [(seen.kind, seen.revolution) for seen in one.observations] == [("speed-step", 25)]
