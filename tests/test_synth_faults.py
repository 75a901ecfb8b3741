"""Planted faults: each kind shows on the wire as it should, and the firmware answers it as firmware would."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.observations import KINDS
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.faults import MAY_FOLLOW, NEEDS
from spinlag.synth.random import random_scenario
from test_synth_lines import plain_decoder, same_bytes

BASE = {"seed": 4, "duration_s": 0.5, "leds": [{"count": 6}], "motor": {}, "recorder": {"phase": 0.3}}
T = 1 / 30


def made(*faults, **tables):
    return simulate(scenario_from_mapping({**BASE, "faults": list(faults), **tables}))


def edges_of(simulation, name="SENSOR"):
    return simulation.capture.channel(name).rising() * 1e-9


def starts(simulation, revolution):
    chain = simulation.truth.chains[0]
    own = chain.revolution == revolution
    return chain.start_s[own] - simulation.truth.zero_s[revolution], chain.column[own]


CLEAN = made()


def test_every_kind_can_be_planted_and_has_its_rules():
    assert set(NEEDS) == set(MAY_FOLLOW) == set(KINDS)
    assert all(set(kinds) <= set(KINDS) for kinds in MAY_FOLLOW.values())


def test_missed_index_stops_the_picture_and_slows_the_next_turn():
    simulation = made({"kind": "index-missed", "revolution": 5})
    assert len(edges_of(simulation)) == len(edges_of(CLEAN)) - 1
    assert_allclose(np.diff(edges_of(simulation)).max(), 2 * T, rtol=1e-5)
    turns = simulation.truth.turns
    assert 5 not in turns.revolution
    after = turns.revolution == 6
    assert_allclose(turns.expected_period_s[after], 2 * T, rtol=1e-5)
    assert turns.columns_sent[after] == [24]
    planted = simulation.truth.planted[0]
    assert planted.revolution in (4, 5)
    assert_allclose(planted.time_s, simulation.truth.zero_s[5], rtol=0, atol=1e-9)


@pytest.mark.parametrize("when_busy", ["queue", "skip"])
def test_doubled_index_squeezes_what_follows(when_busy):
    fault = {"kind": "index-doubled", "revolution": 5, "after_us": 1800}
    simulation = made(fault, firmware={"when_busy": when_busy})
    gap = edges_of(simulation)[6] - edges_of(simulation)[5]
    assert_allclose(gap, 1800e-6, rtol=0, atol=5e-8)
    turns = simulation.truth.turns
    first, second = np.flatnonzero(turns.revolution == 5)
    assert_allclose(turns.expected_period_s[second], 1800e-6, rtol=1e-9)
    # 6 LEDs take 180 us and the firmware leaves 60: columns due every 37.5 us cannot all go out in their time
    sent = turns.columns_sent[second]
    assert sent == 48 if when_busy == "queue" else 8 <= sent <= 9
    assert turns.columns_sent[first] == 3
    assert_allclose(turns.expected_period_s[second + 1], T - 1800e-6, rtol=1e-6)
    starts_ = simulation.truth.chains[0].start_s
    assert np.diff(starts_).min() > 239e-6
    assert simulation.truth.planted[0].time_s == pytest.approx(simulation.truth.zero_s[5] + 1800e-6, abs=1e-8)


def test_firmware_with_a_holdoff_does_not_fall_for_a_doubled_index():
    fault = {"kind": "index-doubled", "revolution": 5, "after_us": 1800}
    simulation = made(fault, firmware={"holdoff": 0.5})
    assert (simulation.truth.turns.columns_sent[1:-1] == 48).all()
    assert np.array_equal(simulation.capture.channel("DOUT").edges, CLEAN.capture.channel("DOUT").edges)


def test_a_runt_is_on_the_wire_but_the_firmware_filters_it():
    simulation = made({"kind": "index-runt", "revolution": 5, "after_us": 9000, "width_us": 6})
    line = simulation.capture.channel("SENSOR")
    widths = line.falling()[:14] - line.rising()[:14]
    assert np.sum(np.abs(widths - 6000) < 60) == 1
    assert np.array_equal(simulation.capture.channel("DOUT").edges, CLEAN.capture.channel("DOUT").edges)


@pytest.mark.parametrize("shift", [-900, 1500])
def test_a_shifted_pulse_moves_alone_and_misleads_two_turns(shift):
    simulation = made({"kind": "index-shifted", "revolution": 5, "shift_us": shift})
    moved = edges_of(simulation) - edges_of(CLEAN)
    assert_allclose(moved[5], shift * 1e-6, rtol=0, atol=5e-8)
    assert np.count_nonzero(moved) == 1
    expected = simulation.truth.turns.expected_period_s
    assert_allclose(expected[[5, 6, 7]] - T, [shift * 1e-6, -shift * 1e-6, 0], rtol=0, atol=1e-8)


def test_a_speed_step_lasts_and_the_motor_sees_it():
    simulation = made({"kind": "speed-step", "revolution": 6, "percent": 5})
    periods = np.diff(edges_of(simulation))
    assert_allclose(periods[[2, 4]], T, rtol=1e-5)
    assert_allclose(periods[[8, 12]], T / 1.05, rtol=1e-5)
    hall = np.diff(edges_of(simulation, "PH_V"))
    assert_allclose([hall[0], hall[-1]], [T / 4, T / 4 / 1.05], rtol=1e-5)


def test_motor_lines_lose_and_gain_edges():
    dropout = made({"kind": "motor-dropout", "revolution": 4, "phase": "PH_V", "duration_ms": 21})
    count = len(CLEAN.capture.channel("PH_V").edges) - len(dropout.capture.channel("PH_V").edges)
    assert count in (4, 5, 6)
    assert np.array_equal(dropout.capture.channel("PH_U").edges, CLEAN.capture.channel("PH_U").edges)
    assert np.diff(dropout.capture.channel("PH_V").edges).max() > 20e6
    extra = made({"kind": "motor-sequence", "revolution": 4, "phase": "PH_W"})
    assert len(extra.capture.channel("PH_W").edges) == len(CLEAN.capture.channel("PH_W").edges) + 2
    lost = made({"kind": "motor-sequence", "revolution": 4, "phase": "PH_W", "how": "lost"})
    assert len(lost.capture.channel("PH_W").edges) == len(CLEAN.capture.channel("PH_W").edges) - 2
    assert extra.truth.planted[0].channel == "PH_W"


def test_a_bit_time_out_of_its_window():
    fault = {"kind": "data-bit-time", "revolution": 3, "column": 7, "led": 2, "bit": 5, "bits": 2, "change_ns": 170}
    simulation = made(fault)
    own, usual = simulation.capture.channel("DOUT"), CLEAN.capture.channel("DOUT")
    moved = np.flatnonzero(own.edges != usual.edges)
    assert len(moved) == 2 and moved[1] - moved[0] == 2  # two falling edges, the rising ones between stay
    assert_allclose((own.edges - usual.edges)[moved], 170, rtol=0, atol=42)
    update = np.flatnonzero(simulation.truth.chains[0].altered)
    assert simulation.truth.chains[0].column[update] == [7]


@pytest.mark.parametrize("leds, bit", [(0, 3), (2, 0), (3, 11), (5, 23)])
def test_a_truncated_update_has_so_many_bits(leds, bit):
    simulation = made({"kind": "data-truncated", "revolution": 3, "column": 7, "leds": leds, "bit": bit})
    truth = simulation.truth.chains[0]
    short = np.flatnonzero(truth.altered)
    assert truth.bits[short] == [leds * 24 + bit]
    assert sum(len(bits) == leds * 24 + bit for _, _, bits in plain_decoder(simulation.capture.channel("DOUT"))) == 1
    same_bytes(simulation)


def test_a_pause_inside_an_update():
    simulation = made({"kind": "data-pause", "revolution": 3, "column": 7, "led": 2, "pause_us": 15})
    lows = np.diff(simulation.capture.channel("DOUT").edges)[1::2]
    odd = lows[(lows > 5_000) & (lows < 100_000)]
    assert len(odd) == 1 and 15_400 < odd[0] < 15_900
    assert len(simulation.truth.chains[0]) == len(CLEAN.truth.chains[0])


def test_a_silent_line_and_missing_updates():
    silent = made({"kind": "data-silent", "revolution": 3, "column": 7, "duration_ms": 40})
    gap = np.diff(silent.truth.chains[0].start_s).max()
    assert 40e-3 < gap < 40e-3 + 2 * T / 48
    missing = made({"kind": "update-missing", "revolution": 3, "column": 7})
    assert starts(missing, 3)[1].tolist() == [c for c in range(48) if c != 7]


def test_overlong_extra_and_repeated_updates():
    overlong = made({"kind": "data-overlong", "revolution": 3, "column": 7, "leds": 2})
    assert overlong.truth.chains[0].bits.max() == 8 * 24
    extra = made({"kind": "data-extra", "revolution": 3, "column": 7, "leds": 1})
    chain = extra.truth.chains[0]
    at = np.flatnonzero(chain.extra)
    assert chain.bits[at] == [24] and len(chain) == len(CLEAN.truth.chains[0]) + 1
    assert_allclose(chain.start_s[at] - chain.start_s[at - 1], 6 * 30e-6 + 60e-6, rtol=1e-6)
    repeated = made({"kind": "update-repeated", "revolution": 3, "column": 7})
    chain = repeated.truth.chains[0]
    at = int(np.flatnonzero(chain.extra)[0])
    assert chain.column[at - 1 : at + 1].tolist() == [7, 7]
    twice = [chain.data[chain.offsets[i] : chain.offsets[i + 1]].tolist() for i in (at - 1, at)]
    assert twice[0] == twice[1]
    for simulation in (overlong, extra, repeated):
        same_bytes(simulation)
        assert np.diff(simulation.truth.chains[0].start_s).min() >= 6 * 30e-6 + 60e-6 - 1e-9 - 5 * 30e-6


def test_a_late_update_and_a_wrong_column_rate():
    late = made({"kind": "update-late", "revolution": 3, "column": 7, "delay_us": 130})
    moved = starts(late, 3)[0] - starts(CLEAN, 3)[0]
    assert_allclose(moved[7], 130e-6, rtol=1e-9)
    assert np.count_nonzero(np.abs(moved) > 1e-12) == 1
    rate = made({"kind": "column-rate", "revolution": 3, "percent": -10})
    spacing = np.diff(starts(rate, 3)[0])
    assert_allclose(spacing, 0.9 * T / 48, rtol=1e-6)
    assert_allclose(np.diff(starts(rate, 4)[0]), T / 48, rtol=1e-6)


def test_a_gap_in_the_recording_keeps_levels_right():
    simulation = made({"kind": "capture-gap", "at_s": 0.2, "duration_ms": 12.3})
    for channel, clean in zip(simulation.capture.channels, CLEAN.capture.channels, strict=True):
        inside = (channel.edges > 200_000_050) & (channel.edges < 212_299_950)
        assert not inside.any()
        for tick in (150_000_000, 213_000_000, 400_000_000):
            assert channel.level_at(tick) == clean.level_at(tick)
    lost = len(CLEAN.capture.channel("DOUT").edges) - len(simulation.capture.channel("DOUT").edges)
    assert lost > 4000


def test_marker_trains_delay_the_update_after_an_edge_and_say_so():
    train = {"marker": "radio", "kind": "update-late", "probability": 0.7, "lag_us": 20, "delay_us": 150}
    markers = [
        {"name": "radio", "channel": "RADIO", "rate_per_s": 12, "width_us": 300},
        {"name": "lamp", "channel": "LAMP", "period_s": 0.07},
    ]
    simulation = made(duration_s=6.0, markers=markers, fault_trains=[train])
    planted = simulation.truth.planted
    edges = simulation.truth.marker_s["radio"]
    assert_allclose(len(planted), 0.7 * len(edges), rtol=0.2)
    for fault in planted:
        assert fault.cause == "radio" and fault.kind == "update-late"
        since = fault.time_s - edges[edges < fault.time_s].max()
        assert 20e-6 <= since <= 20e-6 + T / 48 + 1e-6
    assert len(simulation.capture.channel("RADIO").rising()) == len(edges)
    late = np.sort([fault.time_s for fault in planted])
    due = simulation.truth.chains[0].start_s
    for time in late[:20]:
        assert_allclose(due[np.searchsorted(due, time)] - time, 150e-6, rtol=1e-6)


def test_trains_at_one_angle_and_at_one_period():
    train = {"kind": "update-missing", "angle_deg": 123.0, "spread_deg": 1.0, "probability": 0.5}
    at_angle = made(duration_s=3.0, fault_trains=[train]).truth
    angle = [(f.time_s - at_angle.zero_s[f.revolution]) / T * 360 for f in at_angle.planted if f.revolution >= 0]
    assert 25 < len(angle) < 65
    assert min(angle) > 119 and max(angle) < 135
    paced = made(duration_s=3.0, fault_trains=[{"kind": "update-missing", "period_s": 0.1}]).truth
    assert len(paced.planted) in (29, 30)
    gaps = np.diff([f.time_s for f in paced.planted])
    assert_allclose(gaps, 0.1, rtol=0, atol=T / 48 + 1e-6)


def test_random_scenarios_are_clean_unless_faults_are_asked_for():
    rng = np.random.default_rng(11)
    for _ in range(40):
        simulation = simulate(random_scenario(rng))
        columns = simulation.scenario.firmware.columns
        assert simulation.truth.planted == ()
        assert (simulation.truth.turns.columns_sent[1:-1] == columns).all()
        chain = simulation.truth.chains[0]
        slot = 1 / simulation.scenario.shaft.speed_rev_per_s / columns
        assert np.diff(chain.start_s).min() > 0.85 * slot
    again = random_scenario(np.random.default_rng(3), faults=2, markers="guilty")
    assert again == random_scenario(np.random.default_rng(3), faults=2, markers="guilty")


@pytest.mark.parametrize("wiring", ["clocked", "latched", "direct"])
def test_random_scenarios_of_other_wirings(wiring):
    rng = np.random.default_rng(17)
    for _ in range(25):
        simulation = simulate(random_scenario(rng, wiring=wiring, faults=1, motor=False))
        assert len(simulation.truth.planted) == 1
        chain = simulation.truth.chains[0]
        assert chain.wiring == wiring and len(chain) > 40
        slot = 1 / simulation.scenario.shaft.speed_rev_per_s / simulation.scenario.firmware.columns
        kind = simulation.truth.planted[0].kind
        if kind in ("index-runt", "data-truncated", "data-bit-time"):
            assert np.diff(chain.start_s).min() > 0.85 * slot
        for channel in simulation.capture.channels:
            assert (np.diff(channel.edges) > 0).all()


@pytest.mark.parametrize("kind", KINDS)
def test_random_scenarios_plant_every_kind(kind):
    rng = np.random.default_rng(KINDS.index(kind))
    for _ in range(4):
        simulation = simulate(random_scenario(rng, faults=[kind, kind]))
        assert [fault.kind for fault in simulation.truth.planted] == [kind, kind]
        for channel in simulation.capture.channels:
            assert (np.diff(channel.edges) > 0).all()
