"""One-wire decoding: bytes, updates and bit times of lines whose every edge is known."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from build import capture, channel
from onewire_line import NS, TIMES, US, Drawn, bits_of, decoded, even_updates, random_bits, received, sent
from spinlag.capture import Capture, Channel, SamplePeriod
from spinlag.errors import PartError
from spinlag.leds import onewire_scan
from spinlag.leds.line import without_glitches
from spinlag.leds.onewire import decode
from spinlag.rig import LedsTable, Rig

PART = "WS2812B 2013-05"
SK6812 = (300.0, 900.0, 600.0, 600.0)
"""T0H, T0L, T1H, T1L in ns: nominal values of the SK6812RGBW sheet Rev 01, p. 5."""


def test_bytes_starts_and_ends() -> None:
    drawn = even_updates(20, 16, slot_s=700 * US)
    made = drawn.recorded()
    updates = decoded(made, part=PART, count=16)
    assert received(updates) == sent(drawn)
    edges = made.channels[0].edges.reshape(20, -1)
    assert updates.start.tolist() == edges[:, 0].tolist()
    assert updates.last.tolist() == edges[:, -1].tolist()
    assert updates.bits.tolist() == [384] * 20
    assert updates.whole.all()
    assert updates.leds_seen == 16
    assert updates.observations == ()
    assert updates.part_note == "rig"
    # WS2812B sheet dated 2013-05-30: reset low of at least 50 us
    assert_allclose(updates.light_s, 50e-6, rtol=1e-12, atol=0)
    assert updates.light_early_s.tolist() == [0.0] * 20


def test_the_sheets_own_example_order() -> None:
    # WS2812B sheet dated 2013-05-30, p. 3: 24 bits G7..G0 R7..R0 B7..B0, most significant first
    drawn = Drawn()
    drawn.update(bits_of([0x12, 0x34, 0x56]), 100 * US)
    updates = decoded(drawn.recorded(), part=PART)
    assert received(updates) == [bytes([0x12, 0x34, 0x56])]
    assert (updates.order, updates.bits_per_led) == ("GRB", 24)


@pytest.mark.parametrize("rate_hz", [8e6, 16e6, 24e6, 50e6, 100e6, 500e6])
@pytest.mark.parametrize("tick", [Fraction(1, 10**9), Fraction(1, 10**12)], ids=["1 ns", "1 ps"])
@pytest.mark.parametrize("leds", [1, 16, 300])
def test_any_rate_tick_and_length(rate_hz: float, tick: Fraction, leds: int) -> None:
    drawn = even_updates(6, leds, slot_s=leds * 31 * US + 200 * US, seed=leds)
    for chain in ({"part": PART, "count": leds}, {}):
        updates = decoded(drawn.recorded(rate_hz=rate_hz, tick=tick), **chain)
        assert received(updates) == sent(drawn)
        assert updates.whole.all()
        assert updates.observations == ()


@given(st.data())
def test_random_chains_with_noisy_edges(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    letters = data.draw(st.sampled_from(["GRB", "RGBW"]))
    per_led = 8 * len(letters)
    leds, n = data.draw(st.integers(1, 40)), data.draw(st.integers(1, 12))
    rate_hz = data.draw(st.sampled_from([12e6, 16e6, 24e6, 25e6, 48e6, 200e6]))
    drawn, at = Drawn(), 100 * US
    for _ in range(n):
        at = drawn.update(random_bits(rng, leds, per_led), at, TIMES) + rng.uniform(80, 900) * US
    made = drawn.recorded(rate_hz=rate_hz, noise_s=6 * NS, phase=rng.uniform(), inverted=data.draw(st.booleans()))
    updates = decoded(made, part=PART, count=leds, order=letters)
    assert received(updates) == sent(drawn)
    assert updates.whole.all()
    assert updates.observations == ()


@pytest.mark.parametrize("leds", [1, 7, 64, 1000])
def test_slices_change_nothing(leds: int, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = even_updates(max(4, 2000 // leds), leds, slot_s=leds * 31 * US + 100 * US, seed=leds)
    drawn.pulse(drawn.edges[-1][-1] + 5 * US, 40 * NS)
    made = drawn.recorded(rate_hz=100e6)
    whole = decoded(made, part=PART, count=leds)
    monkeypatch.setattr(onewire_scan, "SLICE_EDGES", 1 << 9)
    cut = decoded(made, part=PART, count=leds)
    assert received(whole) == received(cut) == sent(drawn)
    for name, tally in whole.timing.items():
        other = cut.timing[name]
        assert tally.lengths.tolist() == other.lengths.tolist()
        assert tally.counts.tolist() == other.counts.tolist()
        assert (tally.shortest, tally.shortest_at) == (other.shortest, other.shortest_at)
        assert (tally.longest, tally.longest_at) == (other.longest, other.longest_at)
    assert [(o.kind, o.tick, o.update) for o in whole.observations] == [
        (o.kind, o.tick, o.update) for o in cut.observations
    ]


def test_bit_times_are_exact_and_leave_out_the_low_that_ends_an_update() -> None:
    drawn = Drawn()
    bits = bits_of([0b1010_0000, 0, 0xFF])
    drawn.update(bits, 100 * US, pauses={3: 2 * US})
    drawn.update(bits, 300 * US)
    made = drawn.recorded(rate_hz=1e9, phase=0.0)
    timing = decoded(made, part=PART, count=1).timing
    zeros, ones = 2 * int((~bits).sum()), 2 * int(bits.sum())
    assert timing["t0h"].lengths.tolist() == [400]
    assert timing["t0h"].counts.tolist() == [zeros]
    assert timing["t1h"].counts.tolist() == [ones]
    # the last bit is a 1: its low ends the update and is no bit time
    assert timing["t1l"].counts.tolist() == [ones - 2]
    assert timing["t0l"].lengths.tolist() == [850, 2850]
    assert timing["t0l"].counts.tolist() == [zeros - 1, 1]
    assert timing["bit_period"].lengths.tolist() == [1250, 3250]
    assert timing["bit_period"].counts.sum() == 2 * 24 - 2
    assert timing["low_between_updates"].statistics.n == 1
    edges = made.channels[0].edges
    assert timing["t0l"].longest_at == edges[7]
    assert timing["bit_period"].longest_at == edges[6]
    assert timing["low_between_updates"].shortest_at == edges[47]
    # mean over all lows of 0 bits, one of which is 2 us longer
    assert_allclose(timing["t0l"].statistics.mean, (850 + 2000 / (zeros)) * NS, rtol=1e-9, atol=0)


def test_means_to_a_tenth_of_a_sample_and_extremes_to_the_tick() -> None:
    drawn = even_updates(60, 16, slot_s=593.7 * US, seed=3)
    made = drawn.recorded()
    updates = decoded(made, part=PART, count=16)
    for name, true_ns in zip(("t0h", "t0l", "t1h", "t1l"), TIMES, strict=True):
        assert abs(updates.timing[name].statistics.mean - true_ns * NS) < 0.1 / 24e6
    edges = made.channels[0].edges
    high = edges[1::2] - edges[0::2]
    zero = high <= 600
    assert updates.timing["t0h"].shortest == high[zero].min()
    assert updates.timing["t1h"].longest == high[~zero].max()
    first = edges[0::2][zero][np.argmin(high[zero])]
    assert updates.timing["t0h"].shortest_at == first


def test_separate_writes_with_pauses_are_one_update() -> None:
    # the lows of 4.82 us between LEDs that a common driver leaves must not end an update
    rng = np.random.default_rng(1)
    drawn = Drawn()
    for k in range(8):
        pauses = {led * 24 + 23: 4 * US for led in range(15)}
        drawn.update(random_bits(rng, 16), (1 + 5 * k) * 1e-3, pauses=pauses)
    for chain in ({"part": PART, "count": 16}, {"part": PART}, {}):
        updates = decoded(drawn.recorded(), **chain)
        assert received(updates) == sent(drawn)
        assert updates.observations == ()


@pytest.mark.parametrize("wait_us", [7.0, 12.0, 30.0])
def test_firmware_that_waits_too_short_still_sends_separate_updates(wait_us: float) -> None:
    rng = np.random.default_rng(2)
    drawn, at = Drawn(), 100 * US
    for _ in range(30):
        at = drawn.update(random_bits(rng, 16), at) + wait_us * US
    for chain in ({"part": PART, "count": 16}, {"part": "WS2812B V5", "count": 16}, {}):
        updates = decoded(drawn.recorded(), **chain)
        assert received(updates) == sent(drawn)
        longest = updates.timing["low_between_updates"].statistics.max
        assert longest < updates.latch_s


def test_pauses_longer_than_some_latch_times_inside_long_chains() -> None:
    # 80 us of pause after every 8 LEDs on a part that latches at 280 us: the count tells updates from pauses
    rng = np.random.default_rng(3)
    drawn, at = Drawn(), 1000 * US
    for _ in range(12):
        pauses = {led * 24 - 1: 80 * US for led in (8, 16, 24)}
        at = drawn.update(random_bits(rng, 32), at, (300, 790, 790, 600), pauses) + 400 * US
    updates = decoded(drawn.recorded(), part="WS2812B V5", count=32)
    assert received(updates) == sent(drawn)
    assert {o.kind for o in updates.observations} == {"data-pause"}
    assert any("habit" in note for note in updates.notes)


def test_inverted_lines_given_and_found() -> None:
    drawn = even_updates(10, 8, slot_s=500 * US)
    plain, turned = drawn.recorded(), drawn.recorded(inverted=True)
    found = decoded(turned, part=PART, count=8)
    given_so = decoded(turned, part=PART, count=8, inverted=True)
    assert received(found) == received(given_so) == sent(drawn)
    assert "inverted line" in " ".join(found.notes)
    assert given_so.notes[0] == "inverted line, as the rig says"
    assert not any("inverted" in note for note in decoded(plain, part=PART, count=8).notes)
    wrong = decoded(plain, part=PART, count=8, inverted=True)
    assert "rests low" in wrong.notes[0]


def test_threshold_from_the_line_where_no_part_is_given() -> None:
    drawn = even_updates(10, 8, slot_s=600 * US, times=(350.0, 1360.0, 1360.0, 350.0))
    updates = decoded(drawn.recorded(rate_hz=100e6))
    assert received(updates) == sent(drawn)
    assert updates.threshold_from.startswith("middle between the two modes")
    assert_allclose(updates.threshold_s, (350 + 1360) / 2 * NS, rtol=0.02, atol=0)


@pytest.mark.parametrize(("level", "byte"), [(0, 0x00), (1, 0xFF)])
def test_lines_that_only_ever_send_one_value(level: int, byte: int) -> None:
    drawn = Drawn()
    for k in range(6):
        drawn.update(np.full(48, bool(level)), (100 + 400 * k) * US)
    for chain in ({}, {"part": PART}):
        updates = decoded(drawn.recorded(), **chain)
        assert received(updates) == [bytes([byte] * 6)] * 6
    assert any("only one high time" in text for text in [decoded(drawn.recorded()).threshold_from])


def test_a_part_whose_threshold_cannot_serve_does_not_turn_every_bit_to_zero() -> None:
    # PL9823 asks for a T1H of 1360 ns; the line sends 800 ns, which such parts were measured to take for a 1
    drawn = even_updates(10, 8, slot_s=600 * US)
    updates = decoded(drawn.recorded(), part="PL9823", count=8)
    assert received(updates) == sent(drawn)
    assert any("does not lie clearly between" in note for note in updates.notes)


def test_bare_number_is_decoded_by_the_first_revision_that_serves() -> None:
    drawn = even_updates(10, 8, slot_s=900 * US)
    updates = decoded(drawn.recorded(), part="ws2812b", count=8)
    assert received(updates) == sent(drawn)
    assert updates.part is not None
    assert updates.part.name == "WS2812B 2013-05"
    assert [part.revision for part in updates.candidates] == ["2013-05", "2013-10", "V5"]
    assert "judged against each" in updates.part_note
    # the longest of the three revisions: V5 wants 280 us (sheet V5, p. 3)
    assert_allclose(updates.latch_s, 280e-6, rtol=1e-12, atol=0)
    slow = even_updates(10, 8, slot_s=900 * US, times=(500.0, 2000.0, 1200.0, 1300.0))
    assert decoded(slow.recorded(), part="WS2811", count=8).part.name == "WS2811 low-speed 2011"
    fast = even_updates(10, 8, slot_s=900 * US, times=(250.0, 1000.0, 600.0, 650.0))
    assert decoded(fast.recorded(), part="WS2811", count=8).part.name == "WS2811 high-speed 2011"


def test_latch_time_of_the_rig_overrules() -> None:
    drawn = even_updates(4, 2, slot_s=500 * US)
    updates = decoded(drawn.recorded(), part=PART, count=2, latch_us=12.5)
    assert_allclose(updates.light_s, 12.5e-6, rtol=1e-12, atol=0)
    assert updates.latch_from.startswith("rig")


def test_no_part_takes_the_longest_latch_that_fits() -> None:
    updates = decoded(even_updates(10, 4, slot_s=700 * US).recorded(rate_hz=100e6))
    assert updates.part is None
    assert updates.candidates == ()
    assert "no part given" in updates.part_note
    assert "no part given" in updates.latch_from
    # WS2813 (April-2016, p. 5): at least 300 us, and its bit times hold 400/850/800/450 ns
    assert_allclose(updates.latch_s, 300e-6, rtol=1e-12, atol=0)


def test_four_colours() -> None:
    drawn = Drawn()
    rng = np.random.default_rng(4)
    for k in range(8):
        drawn.update(random_bits(rng, 5, 32), (100 + 500 * k) * US, SK6812)
    for chain in ({"part": "SK6812RGBW", "count": 5}, {"order": "GRBW", "count": 5}, {}):
        updates = decoded(drawn.recorded(rate_hz=50e6), **chain)
        assert received(updates) == sent(drawn)
        assert updates.bits_per_led == 32
        assert updates.leds_seen == 5
    mixed = decoded(drawn.recorded(rate_hz=50e6), part=PART, order="RGBW", count=5)
    assert any("32 bits per LED" in note for note in mixed.notes)


def test_glitch_pulses_are_no_bits() -> None:
    drawn, at = Drawn(), 100 * US
    rng = np.random.default_rng(5)
    for _ in range(5):
        last = drawn.update(random_bits(rng, 1), at)
        drawn.pulse(last + 620 * NS, 40 * NS)
        at = last + 61 * US
    made = drawn.recorded(rate_hz=1e9)
    updates = decoded(made, part=PART, count=1)
    assert received(updates) == sent(drawn)
    assert [o.kind for o in updates.observations] == ["data-bit-time"] * 5
    assert_allclose([o.observed for o in updates.observations], 40e-9, rtol=1e-9, atol=0)
    assert [o.update for o in updates.observations] == [0, 1, 2, 3, 4]
    assert updates.last.tolist() == made.channels[0].edges[47::50].tolist()


def test_chatter_on_an_edge_is_taken_out() -> None:
    edges = np.array([0, 10, 20, 400, 410, 420, 430, 1250, 1300, 2000])
    clean, kept, runs = without_glitches(edges, 62)
    # 0..20: two short intervals leave one edge; 400..430: three leave none; 1250..1300: one leaves none
    assert clean.tolist() == [0, 2000]
    assert kept.tolist() == [0, 9]
    assert runs.tolist() == [0, 3, 7]
    same, none, _ = without_glitches(np.array([0, 400, 1250]), 62)
    assert same.tolist() == [0, 400, 1250]
    assert none is None


def cut(made: Capture, start: int, end: int) -> Capture:
    """The capture between two ticks."""
    line = made.channels[0]
    inside = line.edges[(line.edges >= start) & (line.edges < end)]
    level = line.level_at(start - 1)
    piece = Channel(line.name, line.path, level, inside)
    return Capture(**{**made.__dict__, "channels": (piece,), "start": start, "end": end})


def test_updates_cut_by_the_record_are_not_judged() -> None:
    drawn = even_updates(6, 4, slot_s=400 * US)
    made = drawn.recorded(rate_hz=100e6)
    edges = made.channels[0].edges
    whole = decoded(made, part=PART, count=4)
    for first, last in ((5, -6), (4, -5), (5, -5), (4, -6)):
        piece = decoded(cut(made, int(edges[first]) + 3, int(edges[last]) + 3), part=PART, count=4)
        assert piece.whole.tolist() == [False, True, True, True, True, False]
        assert received(piece)[1:5] == received(whole)[1:5]
        assert piece.observations == ()
    inside_gap = decoded(cut(made, int(whole.last[0]) + 20_000, int(whole.last[3]) + 20_000), part=PART, count=4)
    assert inside_gap.whole.tolist() == [True, True, True]
    assert received(inside_gap) == received(whole)[1:4]


def test_a_record_that_begins_with_the_first_edge() -> None:
    drawn = even_updates(2, 4, slot_s=400 * US)
    made = drawn.recorded()
    first = int(made.channels[0].edges[0])
    piece = cut(made, first, made.end)
    piece = Capture(**{**piece.__dict__, "channels": (Channel("DOUT", "DOUT", 0, made.channels[0].edges),)})
    assert decoded(piece, part=PART, count=4).whole.tolist() == [True, True]
    # with no count, the first may have begun before the record
    assert decoded(piece, part=PART).whole.tolist() == [False, True]


def test_unknown_stretches_spoil_the_updates_they_meet() -> None:
    drawn = even_updates(6, 4, slot_s=400 * US)
    made = drawn.recorded()
    updates = decoded(made, part=PART, count=4)
    line = made.channels[0]
    unknown = np.array(
        [[updates.start[1] + 5000, updates.start[1] + 5100], [updates.last[3] + 9000, updates.last[3] + 9999]]
    )
    spoilt = Channel(line.name, line.path, line.initial, line.edges, unknown)
    again = decoded(Capture(**{**made.__dict__, "channels": (spoilt,)}), part=PART, count=4)
    assert again.whole.tolist() == [True, False, True, True, True, True]
    assert again.timing["low_between_updates"].statistics.n == updates.timing["low_between_updates"].statistics.n - 1


def test_lines_without_a_bit() -> None:
    for edges in ([], [1000]):
        updates = decoded(capture([channel("DOUT", edges)], end=10**6), part=PART, count=4)
        assert len(updates) == 0
        assert updates.data.size == 0
        assert updates.offsets.tolist() == [0]
        assert updates.timing == {}
        assert updates.leds_seen == 0
        assert "never sends a bit" in updates.notes[0]
        assert updates.light_s.dtype == np.float64


def test_missing_channel_and_unknown_part() -> None:
    made = even_updates(2, 2, slot_s=400 * US).recorded()
    with pytest.raises(KeyError, match="DOUT"):
        decoded(made, data="DIN")
    with pytest.raises(PartError, match="near names"):
        decoded(made, part="WS2812X")


def test_a_line_that_is_no_led_line_says_so() -> None:
    edges = np.cumsum(np.tile([9_000_000, 19_000_000], 20))
    updates = decoded(capture([channel("DOUT", edges)], end=int(edges[-1]) + 10**7))
    assert any("far from any one-wire LED" in note for note in updates.notes)


def test_a_wrong_tick_decodes_all_the_same_and_says_so() -> None:
    drawn = even_updates(6, 3, slot_s=300 * US)
    made = drawn.recorded(rate_hz=24e6, tick=Fraction(1, 24_000_000), phase=0.0)
    wrong = Capture(**{**made.__dict__, "tick": Fraction(1), "sample_period": SamplePeriod(Fraction(1), "timescale")})
    updates = decoded(wrong, count=3)
    assert received(updates) == sent(drawn)
    assert any("capture.tick_ns" in note for note in updates.notes)


def test_behind_an_led_the_sheet_is_not_applied() -> None:
    # a WS2812B sends on highs of 416 and 832 ns (bench post 'Understanding the WS2812', 2014-04-27)
    drawn = even_updates(8, 3, slot_s=500 * US, times=(416.0, 834.0, 832.0, 418.0))
    updates = decoded(drawn.recorded(), part="WS2812B V5", count=4, tap="after-led")
    assert received(updates) == sent(drawn)
    assert updates.observations == ()
    assert updates.candidates[0].windows == {}
    assert any("probe behind an LED" in note for note in updates.notes)


def test_progress_reaches_the_end() -> None:
    seen: list[tuple[int, int]] = []
    drawn = even_updates(5, 2, slot_s=300 * US)
    table = LedsTable(data="DOUT")
    decode(drawn.recorded(), table, Rig(leds=(table,)), lambda done, total: seen.append((done, total)))
    assert seen[-1] == (5 * 96, 5 * 96)


def test_metamorphic_shift_and_tick() -> None:
    drawn = even_updates(10, 4, slot_s=400 * US)
    made = drawn.recorded(rate_hz=50e6)
    base = decoded(made, part=PART, count=4)
    line = made.channels[0]
    moved = Channel(line.name, line.path, line.initial, line.edges + 10**12)
    later = decoded(
        Capture(**{**made.__dict__, "channels": (moved,), "start": 10**12, "end": made.end + 10**12}),
        part=PART,
        count=4,
    )
    assert (later.start - base.start).tolist() == [10**12] * 10
    fine = Channel(line.name, line.path, line.initial, line.edges * 2)
    halved = {
        "channels": (fine,),
        "end": made.end * 2,
        "tick": made.tick / 2,
        "sample_period": SamplePeriod(made.sample_period.ticks * 2, "given"),
    }
    finer = decoded(Capture(**{**made.__dict__, **halved}), part=PART, count=4)
    for other in (later, finer):
        assert received(other) == received(base)
        for name, tally in base.timing.items():
            assert_allclose(other.timing[name].statistics.mean, tally.statistics.mean, rtol=1e-12, atol=0)
            assert_allclose(other.timing[name].statistics.uncertainty, tally.statistics.uncertainty, rtol=1e-9, atol=0)
