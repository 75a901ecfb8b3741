"""Roles of lines that are not one-wire: clock and data pairs, latch and blank, direct lines; and what is none of them.

`python -m tests.studies.roles_study` measures the same on hundreds of displays a wiring.
"""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from build import capture, channel, pulses
from clock_line import NS, US, Clocked, apa_update
from spinlag.importers import read_capture
from spinlag.rig import read_rig, rig_from_mapping
from spinlag.roles import draft_rig_toml, guess_rig, guess_roles
from spinlag.synth import scenario_from_mapping, simulate
from test_real_files import REAL
from wiring_benches import STRANGERS, WIRINGS, random_bench, strange_lines, wrong_bytes

LED_ROLES = {"leds-data", "leds-clock", "leds-latch", "leds-blank", "leds-direct"}
TRIALS = 6


def roles(found):
    return {guess.channel: guess.role for guess in guess_roles(found)}


def reasons(found, name):
    return "; ".join(next(guess for guess in guess_roles(found) if guess.channel == name).reasons)


@pytest.mark.parametrize("wiring", WIRINGS)
def test_random_displays_with_strangers_beside(wiring, tmp_path):
    misled, differing = [], []
    for trial in range(TRIALS):
        rng = np.random.default_rng([7, trial, WIRINGS.index(wiring)])
        strangers = tuple(kind for kind in STRANGERS if rng.random() < 0.3)
        rate = [None, 24e6, 12e6][trial % 3]
        bench = random_bench(rng, wiring, chains=1 + trial % 3, strangers=strangers, sample_rate_hz=rate)
        wanted = bench.wanted()
        guessed = roles(bench.capture)
        wrong = {name: role for name, role in guessed.items() if role not in wanted[name]}
        rig = guess_rig(bench.capture)
        path = tmp_path / f"{trial}.toml"
        path.write_text(draft_rig_toml(bench.capture), encoding="utf-8")
        assert read_rig(path) == rig.model_copy(update={"guessed": ()})
        misled += [(trial, wrong)] if wrong else []
        differing += [(trial, said)] if (said := wrong_bytes(bench, rig)) else []
    assert len(misled) <= 1, misled
    assert len(differing) <= 1, differing


@pytest.mark.parametrize("seed", range(4))
def test_lines_that_have_nothing_to_do_with_leds(seed):
    rng = np.random.default_rng([11, seed])
    bench = random_bench(rng, "one-wire", motor=True, revolutions=30)
    kept = [line for line in bench.capture.channels if line.name != "DOUT"]
    strange = [line for kind in STRANGERS for line in strange_lines(rng, kind, bench.capture)]
    without = type(bench.capture)(**{**bench.capture.__dict__, "channels": (*kept, *strange)})
    found = roles(without)
    assert not LED_ROLES & set(found.values()), found
    assert guess_rig(without).leds == ()
    assert [found[name] for name in ("PH_U", "PH_V", "PH_W")] == ["motor-phase"] * 3


def bus(bits, *, both_ways, seed=0, clocks_at=None):
    """A select line that is low around messages of so many clocks, at a steady pace; data one or both ways."""
    rng = np.random.default_rng(seed)
    out, back = Clocked(), Clocked()
    for k in range(200):
        at = (100 + 1500 * k) * US
        last = out.update(rng.integers(0, 2, bits), at)
        back.update(rng.integers(0, 2, bits), at)
        out.pulse_latch(at - 2 * US, last - at + 4 * US)
    made, answers = out.recorded(), back.recorded()
    lines = {line.name: line for line in made.channels}
    kept = [lines["DATA"], lines["CLOCK"], channel("SELECT", lines["LATCH"].edges, initial=1)]
    level = kept[2]
    kept[2] = type(level)(level.name, level.path, 1, level.edges)
    if both_ways:
        kept.append(channel("BACK", next(line for line in answers.channels if line.name == "DATA").edges))
    return type(made)(**{**made.__dict__, "channels": tuple(kept)})


def test_a_bus_with_answers_is_no_chain_of_registers():
    assert not LED_ROLES & set(roles(bus(48, both_ways=True)).values())
    # one way only, it is wired as registers are whose latch is the select line; nothing tells it from LEDs
    one_way = roles(bus(48, both_ways=False))
    assert (one_way["DATA"], one_way["CLOCK"], one_way["SELECT"]) == ("leds-data", "leds-clock", "leds-latch")


def clocked(update, *, n=40, slot_us=900.0, idle_high=False):
    line = Clocked(idle_high=idle_high)
    for k in range(n):
        line.update(update(k), (200 + slot_us * k) * US)
    return line


def test_a_clock_that_rests_high_samples_with_its_rising_edge_or_its_falling_one():
    rng = np.random.default_rng(3)
    made = clocked(lambda _: apa_update(rng, 6), idle_high=True).recorded()
    table = guess_rig(made).leds[0]
    assert (table.wiring, table.data, table.clock, table.count, table.clock_edge) == (
        *("clocked", "DATA", "CLOCK", 6),
        "rising",
    )
    # the same line upside down: data change with the rising edges, so the falling ones sample
    lines = {line.name: line for line in made.channels}
    turned = channel("CLOCK", lines["CLOCK"].edges, initial=1 - lines["CLOCK"].initial)
    upside = type(made)(**{**made.__dict__, "channels": (lines["DATA"], turned)})
    assert guess_rig(upside).leds[0].clock_edge == "falling"


def test_two_chains_on_one_clock():
    rng = np.random.default_rng(4)
    first = clocked(lambda _: apa_update(rng, 6)).recorded()
    second = clocked(lambda _: apa_update(rng, 6)).recorded()
    other = channel("DATA2", next(line for line in second.channels if line.name == "DATA").edges)
    made = type(first)(**{**first.__dict__, "channels": (*first.channels[:2], other)})
    assert [(table.data, table.clock) for table in guess_rig(made).leds] == [("DATA", "CLOCK"), ("DATA2", "CLOCK")]


@pytest.mark.parametrize("rate_hz", [2e6, 4e6])
def test_chains_that_start_together_keep_their_own_lines(rate_hz):
    chains = [
        {"name": "rim", "wiring": "clocked", "protocol": "SK9822", "count": 12, "clock_rate_hz": 4e6},
        {
            "name": "lamps",
            "wiring": "latched",
            "count": 16,
            "blank": "BLANK",
            "first_led": 12,
            "clock_rate_hz": rate_hz,
        },
    ]
    tables = {"duration_s": 0.4, "recorder": {"sample_rate_hz": 50e6}, "firmware": {"columns": 24}, "leds": chains}
    found = roles(simulate(scenario_from_mapping(tables)).capture)
    lines = ("DATA", "CLOCK", "SER", "SRCLK", "RCLK", "BLANK")
    wanted = ["leds-data", "leds-clock", "leds-data", "leds-clock", "leds-latch", "leds-blank"]
    assert [found[line] for line in lines] == wanted


def registers(*, latch_low=False, blank_low=False):
    """Eight outputs; the latch after the clocks, the blank line around it."""
    rng = np.random.default_rng(5)
    line = Clocked()
    for k in range(60):
        last = line.update(rng.integers(0, 2, 8), (100 + 700 * k) * US)
        line.pulse_latch(last + 900 * NS, 400 * NS)
        line.pulse_blank(last + 500 * NS, last + 2000 * NS)
    made = line.recorded()
    lines = []
    for one in made.channels:
        turned = (one.name == "LATCH" and latch_low) or (one.name == "BLANK" and blank_low)
        lines.append(channel(one.name, one.edges, initial=int(turned)))
    return type(made)(**{**made.__dict__, "channels": tuple(lines)})


@pytest.mark.parametrize("blank_low", [False, True])
def test_the_blank_line_is_dark_around_the_latch(blank_low):
    made = registers(blank_low=blank_low)
    assert list(roles(made).values()) == ["leds-data", "leds-clock", "leds-latch", "leds-blank"]
    table = guess_rig(made).leds[0]
    assert (table.wiring, table.count, table.blank_dark) == ("latched", 8, "low" if blank_low else "high")


def test_a_latch_that_pulses_low():
    made = registers(latch_low=True)
    assert roles(made)["LATCH"] == "leds-latch"
    assert "goes low for 400 ns while the clock rests" in reasons(made, "LATCH")
    # registers take over at the rising edge, which here ends the pulse
    assert guess_rig(made).leds[0].latch_edge == "rising"


def test_columns_of_direct_lines_are_beats_of_a_turn_and_not_changes():
    right = 0
    for seed in range(12):
        rng = np.random.default_rng([17, seed])
        bench = random_bench(rng, "direct", chains=1, markers="none", motor=False)
        told = guess_rig(bench.capture).display.columns
        right += told == bench.simulation.rig.display.columns
    assert right >= 11


def test_bits_of_a_counter_and_a_strobe_are_no_leds():
    beat = np.arange(1, 600) * 300_000
    counter = [channel(f"N{bit}", beat[(1 << bit) - 1 :: 1 << bit]) for bit in range(5)]
    assert not LED_ROLES & set(roles(capture(counter)).values())
    strobes = [channel(f"S{i}", pulses(beat + 20_000 * i, 60_000)) for i in range(4)]
    assert not LED_ROLES & set(roles(capture(strobes)).values())


FOREIGN = sorted(path.name for kind in ("led", "pwm", "rot") for path in REAL.glob(f"{kind}_*.xz"))
OTHER_LEDS = {"led_pwm4_questa_2s.vcd.xz": {"LEDS[0]", "LEDS[1]", "LEDS[2]", "LEDS[3]"}}
"""Foreign captures with LEDs on lines of their own; every other one has one-wire lines or none."""


@pytest.mark.parametrize("file", FOREIGN or ["absent"])
def test_foreign_captures_keep_their_roles(file):
    if not (REAL / file).exists():
        pytest.skip(f"{REAL} is absent; these files are not part of the project")
    found = read_capture(REAL / file)
    guessed = {guess.channel for guess in guess_roles(found) if guess.role in LED_ROLES - {"leds-data"}}
    assert guessed == OTHER_LEDS.get(file, set())
    assert rig_from_mapping(tomllib.loads(draft_rig_toml(found))) == guess_rig(found).model_copy(update={"guessed": ()})
