"""Lines on a motor's clip that are no motor's: seen as such, said in one sentence, of no harm to the other lines."""

from __future__ import annotations

import random

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.build import capture, channel, one_wire_bits, pulses
from tests.test_motor import T, bench, rig

from spinlag.motor.lines import count_lines
from spinlag.motor.watch import Fault, _outside, observe_motor
from spinlag.pipeline import analyse
from spinlag.rig import rig_from_mapping
from spinlag.rotation.refine import read_shaft

TURNS = 40
END = 1_000_000 + TURNS * T
RNG = np.random.default_rng(7)


def strangers():
    """Lines of 40 turns, by name, that no motor gives."""
    n = 20_000
    step = END // n
    at = np.arange(1, n) * step
    halves = np.where(RNG.random(n - 1) < 0.5, step // 3, step // 2)
    # slow bits, so that a few thousand of them fill the record
    frame = 20 * one_wire_bits(RNG.integers(0, 256, size=600, dtype=np.uint8).tobytes())
    frames = np.concatenate([frame + 1_000_000 + k * (frame[-1] + 60_000) for k in range(12)])
    return {
        "noise": np.unique(RNG.integers(1, END, size=n)),
        "a serial line": np.cumsum(RNG.geometric(0.5, size=n)) * (END // (2 * n) - 1),
        "a clock": at,
        "bits of two lengths": np.sort(np.concatenate((at, at + halves))),
        "LED data nearly without a pause": frames,
    }


LINES = strangers()


@pytest.mark.parametrize("name", LINES)
def test_a_stranger_on_one_clip_leaves_the_angle_to_the_others(name):
    built = bench(TURNS, 4)
    clean = read_shaft(built, rig())[1]
    edges = LINES[name][LINES[name] < END]
    lines = [channel("HA", edges) if one.name == "HA" else one for one in built.channels]
    found = analyse(capture(lines, end=built.end), rig())
    assert found.motor.strange == ("HA",)
    assert found.motor.pole_pairs == 4
    assert len(found.motor.faults) == 0
    assert found.motor.observations == ()
    at = np.linspace(5 * T, (TURNS - 5) * T, 100).astype(np.int64)
    assert_allclose(found.motor.turns_at(at), clean.turns_at(at), rtol=0, atol=1e-5)
    (said,) = [one for one in found.warnings if "HA (motor.phases[0])" in one]
    assert said.startswith("HA (motor.phases[0]) does not step as a motor's line does (")
    assert f"{len(edges)} edges" in said
    assert "\n" not in said


def test_strangers_on_every_clip_leave_no_angle():
    built = bench(TURNS, 4)
    names = iter(("noise", "a serial line", "noise"))
    lines = [one if one.name == "SENSOR" else channel(one.name, LINES[next(names)]) for one in built.channels]
    found = analyse(capture(lines, end=END), rig())
    assert found.motor.strange == ("HA", "HB", "HC")
    assert found.motor.witness is None
    assert not any("too few edges" in note for note in found.motor.notes)
    assert sum("does not step as a motor's line does" in said for said in found.warnings) == 3


def test_an_even_clock_faster_than_any_shaft_is_no_tachometer():
    at = np.arange(1, 200_000) * 2_000  # 250 000 pulses a second
    built = capture([channel("TACH", at), channel("SENSOR", pulses(1_500_000 + np.arange(11) * T, 300_000))])
    told = rig_from_mapping({"index": {"channel": "SENSOR"}, "motor": {"phases": ["TACH"]}})
    assert read_shaft(built, told)[1].strange == ("TACH",)
    slower = capture([channel("TACH", at * 10), channel("SENSOR", pulses(1_500_000 + np.arange(100) * T, 300_000))])
    assert read_shaft(slower, told)[1].strange == ()


def test_a_line_that_is_disturbed_now_and_then_is_still_the_motors():
    built = bench(TURNS, 4)
    spikes = np.sort(RNG.integers(2 * T, (TURNS - 2) * T, size=30))
    line = next(one for one in built.channels if one.name == "HA")
    edges = np.unique(np.concatenate((line.edges, spikes, spikes + 900)))
    lines = [channel("HA", edges, line.initial) if one is line else one for one in built.channels]
    motor = read_shaft(capture(lines, end=built.end), rig())[1]
    assert motor.strange == ()
    assert motor.count("extra-edge") > 20


@pytest.mark.parametrize("marks", [100, 333])
def test_an_encoder_of_many_marks_shows_how_the_shaft_runs_within_a_turn(marks):
    """Edges beyond a few hundred to a turn are gathered; what they say of the shaft stays as it is.

    With angle theta(t) = w t + a / k sin(k w t + p) the speed swings by the share a: order k, amplitude a.
    """
    amplitude, order = 0.02, 3
    turns = np.linspace(0, 30, 30 * 20_000)
    angle = turns + amplitude / (2 * np.pi * order) * np.sin(2 * np.pi * order * turns + 0.7)
    half = np.arange(2, 2 * marks * 29) / (2 * marks)
    edges = 1_000_000 + np.rint(np.interp(half, angle, turns) * T).astype(np.int64)
    index = 1_000_000 + np.rint(np.interp(np.arange(1, 29), angle, turns) * T).astype(np.int64)
    built = capture([channel("TACH", edges), channel("SENSOR", pulses(index, 300_000))])
    told = rig_from_mapping({"index": {"channel": "SENSOR"}, "motor": {"phases": ["TACH"]}})
    motor = read_shaft(built, told)[1]
    assert motor.pole_pairs == marks
    assert len(motor.sensors) == 2 * marks
    size, low, high = (values[motor.warp.order == order][0] for values in motor.warp.amplitudes())
    assert low <= amplitude <= high
    # 240 means to a turn take a little off the swing: sin(x) / x for order 3 over 1/240 of a turn is 0.9997
    assert_allclose(size, amplitude, rtol=0.01, atol=0)
    others = motor.warp.amplitudes()[0][motor.warp.order != order]
    assert others.max() < 0.05 * amplitude


def test_faults_are_grouped_by_the_cycle_whatever_their_number():
    """Against the obvious way, which takes the square of their number."""
    built = bench(TURNS, 4)
    lines = count_lines(built, ("HA", "HB", "HC"))
    chance = random.Random(5)
    ticks = sorted(chance.randrange(END) for _ in range(400))
    faults = tuple(Fault(tick, "extra-edge", 0, 0, f"edge {n}") for n, tick in enumerate(ticks))
    span, rest, groups = T // 4, list(faults), []
    while rest:
        groups.append([fault for fault in rest if fault.tick <= rest[0].tick + span])
        rest = rest[len(groups[-1]) :]
    seen = observe_motor(built, lines, faults, None)
    assert [one.tick for one in seen] == [group[0].tick for group in groups]
    assert [one.detail.count("edge") for one in seen] == [len(group) for group in groups]


@pytest.mark.parametrize("seed", range(20))
def test_what_a_dead_line_brings_about_is_left_out(seed):
    chance = random.Random(seed)
    faults = [Fault(chance.randrange(1000), "extra-edge", 0, 0, "") for _ in range(200)]
    dead = [Fault(chance.randrange(1000), "dropout", 0, chance.randrange(60), "") for _ in range(chance.randrange(9))]
    wanted = [f for f in faults if not any(d.tick - 5 <= f.tick <= d.tick + d.length + 5 for d in dead)]
    assert _outside(faults, dead, 5) == wanted
