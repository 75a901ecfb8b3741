"""Latched chains: clocks between latches, chips, blank, and the intervals of latch and blank."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from build import capture, channel
from clock_line import NS, US, Clocked
from spinlag.leds import clock_scan, latched
from spinlag.rig import CaptureTable, LedsTable, Rig


def decoded(made, **chain):
    table = LedsTable(
        **{"name": "arm", "wiring": "latched", "data": "DATA", "clock": "CLOCK", "latch": "LATCH", **chain}
    )
    return latched.decode(made, table, Rig(capture=CaptureTable(clock_ppm=50.0), leds=(table,)))


def received(updates):
    at = updates.offsets
    return [updates.data[at[i] : at[i + 1]].tobytes() for i in range(len(updates))]


def packed(bits):
    return np.packbits(bits).tobytes()


def drawn(n: int, clocks: int, *, seed: int = 0, slot_us: float = 300.0, change=None, blank: bool = False) -> Clocked:
    """n updates of so many clocks, each latched 700 ns after its last sampling edge."""
    rng = np.random.default_rng(seed)
    line = Clocked()
    for k in range(n):
        bits = rng.integers(0, 2, clocks).astype(bool)
        more = {}
        if change is not None and k == 20:
            bits, more = change(bits)
        last = line.update(bits, (100 + slot_us * k) * US + rng.uniform(0, 30 * NS), **more)
        line.pulse_latch(last + 700 * NS, 400 * NS)
        if blank:
            line.pulse_blank(last + 400 * NS, last + 1500 * NS)
    return line


@given(st.data())
def test_random_chains(data: st.DataObject) -> None:
    count, depth, per_chip = data.draw(
        st.sampled_from([(1, 1, 8), (8, 1, 8), (13, 1, 8), (100, 1, 8), (5, 12, 16), (16, 12, 16), (20, 12, 24)])
    )
    clocks = -(-count // per_chip) * per_chip * depth
    line = drawn(5, clocks, seed=data.draw(st.integers(0, 10**6)), slot_us=clocks * 0.5 + 100)
    rate_hz = data.draw(st.sampled_from([10e6, 24e6, 100e6]))
    made = line.recorded(rate_hz=rate_hz, noise_s=3 * NS)
    updates = decoded(made, count=count, bits_per_output=depth, outputs_per_chip=per_chip)
    # the outputs without an LED are at the far end of the chain, so their bits go first
    spare = clocks - count * depth
    assert received(updates) == [packed(bits[spare:]) for bits in line.sent]
    assert updates.bits.tolist() == [count * depth] * 5
    assert updates.bits_per_led == depth
    assert updates.observations == ()
    assert updates.whole.all()


@pytest.mark.parametrize("clocks", [8, 192, 1000])
def test_slices_change_nothing(clocks: int, monkeypatch: pytest.MonkeyPatch) -> None:
    line = drawn(30, clocks, slot_us=clocks * 0.5 + 50)
    made = line.recorded()
    whole = decoded(made)
    monkeypatch.setattr(clock_scan, "SLICE_EDGES", 64)
    cut = decoded(made)
    assert received(whole) == received(cut) == [packed(bits) for bits in line.sent]
    assert whole.light_s.tolist() == cut.light_s.tolist()
    for name, tally in whole.timing.items():
        assert tally.counts.tolist() == cut.timing[name].counts.tolist()


def test_light_comes_with_the_latch_or_when_blank_lets_go() -> None:
    made = drawn(10, 16).recorded()
    updates = decoded(made, count=16, part="74HC595 Rev-6 4.5V 25C")
    # 700 ns after the last sampling edge, which is 450 ns after the last clock edge
    assert_allclose(updates.light_s, 450e-9, rtol=0.03, atol=0)
    assert updates.light_early_s.tolist() == updates.light_s.tolist()
    held = decoded(drawn(10, 16, blank=True).recorded(), count=16, blank="BLANK")
    assert_allclose(held.light_s, 1250e-9, rtol=0.02, atol=0)
    # an output-enable that is active low is dark while high; the other way round is said in the rig
    other = decoded(drawn(10, 16, blank=True).recorded(), count=16, blank="BLANK", blank_dark="low")
    assert_allclose(other.light_s, 450e-9, rtol=0.03, atol=0)


def test_intervals_of_latch_and_blank() -> None:
    timing = decoded(drawn(10, 16, blank=True).recorded(rate_hz=1e9), count=16, blank="BLANK").timing
    for name, expected_ns, n in (
        ("clock_to_latch", 700, 10),
        ("clock_end_to_latch", 450, 10),
        ("latch_width", 400, 10),
        ("blank_width", 1100, 10),
        ("latch_to_blank_end", 800, 10),
        # 300 us slots, 15 clocks of 500 ns, 700 ns to the latch
        ("latch_to_clock", 300_000 - 15 * 500 - 700, 9),
        ("latch_end_to_clock", 300_000 - 15 * 500 - 1100, 9),
        ("clock_idle", 300_000 - 15 * 500 - 250, 9),
    ):
        statistics = timing[name].statistics
        assert statistics.n == n
        assert_allclose(statistics.mean, expected_ns * NS, rtol=0, atol=20e-9)


def test_a_latch_with_the_wrong_number_of_clocks_is_told_with_the_count() -> None:
    assert decoded(drawn(40, 16).recorded(), count=16).observations == ()
    for change, kind, clocks in (
        (lambda bits: (bits[:13], {}), "data-truncated", 13.0),
        (lambda bits: (np.concatenate((bits, bits[:1])), {}), "data-overlong", 17.0),
    ):
        updates = decoded(drawn(40, 16, change=change).recorded(), count=16)
        (found,) = updates.observations
        assert (found.kind, found.update, found.expected, found.observed) == (kind, 20, 16.0, clocks)
        assert f"{clocks:.0f} clocks instead of 16" in found.detail
    paused = decoded(drawn(40, 16, change=lambda bits: (bits, {"pauses": {7: 30 * US}})).recorded(), count=16)
    assert [o.kind for o in paused.observations] == ["data-pause"]
    assert paused.bits.tolist() == [16] * 40


def test_a_latch_without_clocks() -> None:
    line = drawn(40, 16)
    line.pulse_latch((100 + 300 * 20.5) * US, 400 * NS)
    line.latch.sort()
    updates = decoded(line.recorded(), count=16)
    assert len(updates) == 40
    (found,) = updates.observations
    assert (found.kind, found.observed) == ("data-extra", 0.0)
    assert "0 clocks after the latch before" in found.detail


def test_clock_that_runs_on_while_latched() -> None:
    # TLC5940 (SLVS515C) p. 16: clock and data must not move while the latch is high
    line = Clocked()
    rng = np.random.default_rng(1)
    for k in range(30):
        last = line.update(rng.integers(0, 2, 192).astype(bool), (100 + 110 * k) * US)
        line.pulse_latch(last + 700 * NS, 400 * NS if k != 10 else 16 * US)
    updates = decoded(line.recorded(), part="TLC5940", count=16)
    (found,) = updates.observations
    assert found.update == 10
    assert "while LATCH is active" in found.detail
    assert updates.timing["latch_end_to_clock"].shortest < 0


def test_layout_without_a_part() -> None:
    # 192 clocks for 5 LEDs: a driver of 16 outputs of 12 bits
    updates = decoded(drawn(10, 192).recorded(), count=5)
    assert updates.bits_per_led == 12
    assert updates.bits.tolist() == [60] * 10
    assert any("12 bits per output and 16 outputs per chip assumed" in note for note in updates.notes)
    plain = decoded(drawn(10, 192).recorded())
    assert plain.bits.tolist() == [192] * 10


def test_updates_cut_by_the_record() -> None:
    made = drawn(6, 16).recorded()
    clock = made.channel("CLOCK").edges
    for begin, end, expected in (
        (int(clock[9]) + 3, int(clock[-7]) + 3, [False, True, True, True, True, False]),
        (0, int(clock[-1]) + 20, [True, True, True, True, True, False]),
    ):
        lines = []
        for line in made.channels:
            inside = line.edges[(line.edges >= begin) & (line.edges < end)]
            lines.append(channel(line.name, inside, initial=line.level_at(begin - 1)))
        piece = capture(lines, tick=made.tick, sample_ticks=made.sample_period.ticks, start=begin, end=end)
        updates = decoded(piece, count=16)
        assert updates.whole.tolist() == expected
        assert updates.observations == ()


def test_falling_edges_sample_and_latch_where_the_rig_says_so() -> None:
    line = drawn(10, 16)
    made = line.recorded()
    flipped = [
        channel(one.name, one.edges, initial=1 - one.initial if one.name in ("CLOCK", "LATCH") else one.initial)
        for one in made.channels
    ]
    turned = capture(flipped, tick=made.tick, sample_ticks=made.sample_period.ticks, end=made.end)
    updates = decoded(turned, count=16, clock_edge="falling", latch_edge="falling")
    assert received(updates) == [packed(bits) for bits in line.sent]
    assert_allclose(updates.light_s, decoded(made, count=16).light_s, rtol=1e-12, atol=0)


def test_dead_lines() -> None:
    made = drawn(4, 16).recorded()
    for dead, words in (("CLOCK", "clock CLOCK never pulses"), ("LATCH", "latch LATCH never pulses")):
        lines = [channel(one.name, [] if one.name == dead else one.edges) for one in made.channels]
        updates = decoded(capture(lines, tick=made.tick, end=made.end), count=16)
        assert len(updates) == 0
        assert words in updates.notes[0]
