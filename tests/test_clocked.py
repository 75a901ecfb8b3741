"""Clocked two-wire chains: words, frames, light along the chain, set-up and hold, on lines known to the edge."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from build import capture, channel
from clock_line import NS, US, Clocked, apa_update, apa_words, ones, zeros
from spinlag.leds import clock_scan, clocked
from spinlag.leds.clocked_words import joined_ends
from spinlag.leds.frames import FRAMES, recognise_frame
from spinlag.rig import CaptureTable, LedsTable, Rig


def decoded(made, **chain):
    table = LedsTable(**{"name": "arm", "wiring": "clocked", "data": "DATA", "clock": "CLOCK", **chain})
    return clocked.decode(made, table, Rig(capture=CaptureTable(clock_ppm=50.0), leds=(table,)))


def received(updates):
    at = updates.offsets
    return [updates.data[at[i] : at[i + 1]].tobytes() for i in range(len(updates))]


def packed(bits):
    return np.packbits(bits).tobytes()


def words_of(name: str, rng: np.random.Generator, leds: int) -> np.ndarray:
    """Random words of a family, as the sheets lay them out (spinlag.leds.frames names them)."""
    if name in ("APA102", "SK9822"):
        return apa_words(rng, leds)
    if name == "P9813":
        # 11, then the inverse of the top two bits of blue, green and red (P9813 sheet, p. 2 and 3)
        colours = rng.integers(0, 256, (leds, 3), dtype=np.uint8)
        inverse = ~colours >> 6 & 3
        header = 0xC0 | inverse[:, 0] << 4 | inverse[:, 1] << 2 | inverse[:, 2]
        return np.unpackbits(np.column_stack((header, colours)).astype(np.uint8)).astype(bool)
    if name == "LPD6803":
        words = rng.integers(0, 2, (leds, 16)).astype(bool)
        words[:, 0] = True
        return words.ravel()
    if name == "LPD8806":
        words = rng.integers(0, 2, (3 * leds, 8)).astype(bool)
        words[:, 0] = True
        return words.ravel()
    if name == "TLC5971":
        words = rng.integers(0, 2, (leds, 224)).astype(bool)
        words[:, :6] = [1, 0, 0, 1, 0, 1]
        return words.ravel()
    return rng.integers(0, 2, 24 * leds).astype(bool)


def update_of(name: str, words: np.ndarray, leds: int) -> np.ndarray:
    frame = FRAMES[name]
    tail = max(frame.end_clocks(leds), 0)
    end = ones(max(tail, 32)) if name == "APA102" else zeros(tail)
    return np.concatenate((zeros(frame.head), words, end))


PARTS = {
    "APA102": "APA102C",
    "SK9822": "SK9822 2019-02",
    "P9813": "P9813",
    "WS2801": "WS2801",
    "LPD6803": "LPD6803",
    "LPD8806": "LPD8806",
    "TLC5971": "TLC5971",
}


@given(st.data())
def test_random_chains_of_every_family(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    name = data.draw(st.sampled_from(sorted(PARTS)))
    leds = data.draw(st.sampled_from([1, 2, 7, 33, 64, 65]))
    half = rng.uniform(100, 400) * NS
    line = Clocked(high_s=half, low_s=half * rng.uniform(0.8, 1.2), setup_s=half, idle_high=data.draw(st.booleans()))
    rest = 600 * US if FRAMES[name].shows == "clock-rest" else rng.uniform(30, 90) * US
    at, sent = 100 * US, []
    for _ in range(data.draw(st.integers(3, 6))):
        words = words_of(name, rng, leds)
        sent.append(packed(words))
        at = line.update(update_of(name, words, leds), at) + rest
    rate_hz = float(rng.choice([5, 10, 40])) / half
    made = line.recorded(rate_hz=rate_hz, noise_s=0.01 * half, seed=1, phase=rng.uniform(), tail_s=1e-3)
    updates = decoded(made, part=PARTS[name], count=leds)
    assert received(updates) == sent
    assert updates.bits.tolist() == [leds * FRAMES[name].word] * len(sent)
    assert updates.observations == ()
    judged = updates.whole.tolist()
    # what an SK9822 shows, it shows with the next 32 zeros; here they follow the data
    assert judged == [True] * len(sent)


@pytest.mark.parametrize("leds", [1, 12, 1000])
def test_slices_change_nothing(leds: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(leds)
    line, at = Clocked(), 100 * US
    for _ in range(max(4, 300 // leds)):
        at = line.update(apa_update(rng, leds), at) + 60 * US
    made = line.recorded()
    whole = decoded(made, part="APA102", count=leds)
    monkeypatch.setattr(clock_scan, "SLICE_EDGES", 256)
    cut = decoded(made, part="APA102", count=leds)
    assert received(whole) == received(cut)
    assert whole.start.tolist() == cut.start.tolist()
    assert_allclose(whole.light_s, cut.light_s, rtol=1e-12, atol=0)
    for name, tally in whole.timing.items():
        assert tally.lengths.tolist() == cut.timing[name].lengths.tolist()
        assert tally.counts.tolist() == cut.timing[name].counts.tolist()
        assert tally.longest == cut.timing[name].longest


def test_intervals_are_exact() -> None:
    rng = np.random.default_rng(0)
    line = Clocked(high_s=300 * NS, low_s=700 * NS, setup_s=120 * NS)
    at = 100 * US
    for _ in range(5):
        at = line.update(apa_update(rng, 4), at) + 80 * US
    timing = decoded(line.recorded(rate_hz=1e9, phase=0.0), part="APA102", count=4).timing
    for name, expected_ns in (
        ("clock_high", 300),
        ("clock_low", 700),
        ("clock_period", 1000),
        ("data_setup", 120),
        ("data_hold", 880),
    ):
        tally = timing[name]
        assert abs(tally.shortest * 0.1 - expected_ns) <= 1
        assert abs(tally.longest * 0.1 - expected_ns) <= 1
        assert_allclose(tally.statistics.mean, expected_ns * NS, rtol=2e-3, atol=0)
    bits = 32 + 4 * 32 + 32
    assert timing["clock_high"].statistics.n == 5 * bits
    assert timing["clock_period"].statistics.n == 5 * (bits - 1)
    # from the end of the last pulse to the next sampling edge
    assert_allclose(timing["clock_idle"].statistics.mean, 79.7e-6, rtol=1e-3, atol=0)


def test_apa102_light_runs_along_the_chain() -> None:
    # each LED takes its own 32 bits and passes the rest on half a clock later (bench post of 2014-11-30)
    rng = np.random.default_rng(1)
    line, at, starts = Clocked(high_s=250 * NS, low_s=250 * NS), 100 * US, []
    for _ in range(5):
        starts.append(at)
        at = line.update(apa_update(rng, 100), at) + 60 * US
    made = line.recorded(rate_hz=100e6)
    updates = decoded(made, part="APA102", count=100)
    assert updates.along_chain
    last = updates.last * float(made.tick)
    first_led = np.array(starts) + 63 * 500 * NS
    last_led = np.array(starts) + (32 + 3200 - 1) * 500 * NS + 99 * 250 * NS
    assert_allclose(last + updates.light_early_s - first_led, 0.0, rtol=0, atol=11e-9)
    assert_allclose(last + updates.light_s - last_led, 0.0, rtol=0, atol=40e-9)


def test_sk9822_shows_with_the_zeros_that_follow_or_those_of_the_next_start() -> None:
    # bench post of 2016-12-13: the new values show at the next start frame
    rng = np.random.default_rng(2)
    after, at, starts = Clocked(), 100 * US, []
    for _ in range(4):
        starts.append(at)
        at = after.update(np.concatenate((zeros(32), apa_words(rng, 3), zeros(34))), at) + 60 * US
    made = after.recorded()
    updates = decoded(made, part="SK9822 2019-02", count=3)
    shown = updates.last * float(made.tick) + updates.light_s
    assert_allclose(shown - (np.array(starts) + (32 + 96 + 31) * 500 * NS), 0.0, rtol=0, atol=11e-9)
    bare, at, starts = Clocked(), 100 * US, []
    for _ in range(4):
        starts.append(at)
        at = bare.update(np.concatenate((zeros(32), apa_words(rng, 3), zeros(2))), at) + 60 * US
    made = bare.recorded()
    updates = decoded(made, part="SK9822 2019-02", count=3)
    shown = updates.last * float(made.tick) + updates.light_s
    assert_allclose(shown[:-1] - (np.array(starts[1:]) + 31 * 500 * NS), 0.0, rtol=0, atol=11e-9)
    # nothing in the record shows the last one
    assert updates.whole.tolist() == [True, True, True, False]


def test_ws2801_shows_after_its_rest() -> None:
    rng = np.random.default_rng(3)
    line, at = Clocked(), 100 * US
    for _ in range(4):
        # 2 us between bytes, as drivers leave
        pauses = dict.fromkeys(range(7, 24 * 5, 8), 2 * US)
        at = line.update(rng.integers(0, 2, 24 * 5).astype(bool), at, pauses=pauses) + 700 * US
    updates = decoded(line.recorded(), part="WS2801", count=5)
    assert [len(data) for data in received(updates)] == [15] * 4
    # sheet p. 11: clock low for more than 500 us
    assert_allclose(updates.light_s, 500e-6, rtol=1e-12, atol=0)
    assert updates.observations == ()
    assert not updates.along_chain


def test_lpd8806_shows_with_the_byte_behind_each_word() -> None:
    rng = np.random.default_rng(4)
    line, at, starts = Clocked(), 100 * US, []
    for _ in range(4):
        starts.append(at)
        at = line.update(update_of("LPD8806", words_of("LPD8806", rng, 10), 10), at) + 50 * US
    made = line.recorded()
    updates = decoded(made, part="LPD8806", count=10)
    last = updates.last * float(made.tick)
    assert_allclose(last + updates.light_early_s - np.array(starts) - 24 * 500 * NS, 0.0, rtol=0, atol=11e-9)
    assert_allclose(last + updates.light_s - np.array(starts) - 240 * 500 * NS, 0.0, rtol=0, atol=11e-9)


@pytest.mark.parametrize("name", sorted(FRAMES))
def test_families_are_recognised_by_their_words(name: str) -> None:
    rng = np.random.default_rng(5)
    found, why = recognise_frame([update_of(name, words_of(name, rng, 6), 6) for _ in range(5)])
    assert found.name == name
    assert why


def test_no_part_and_no_count() -> None:
    rng = np.random.default_rng(6)
    line, at, sent = Clocked(), 100 * US, []
    for _ in range(6):
        words = apa_words(rng, 9)
        sent.append(packed(words))
        at = line.update(np.concatenate((zeros(32), words, ones(32))), at) + 60 * US
    updates = decoded(line.recorded())
    assert received(updates) == sent
    assert updates.frame == "APA102"
    assert updates.leds_seen == 9
    assert any("no part given; words taken for those of the APA102" in note for note in updates.notes)


def faulty(change, *, leds: int = 6, n: int = 40, part: str = "APA102", brightness: int = 31, end: int | None = None):
    """n updates, one of them with other bits or pauses; decoded."""
    rng = np.random.default_rng(7)
    line = Clocked()
    for k in range(n):
        bits, more = apa_update(rng, leds, brightness, end), {}
        if k == 20 and change is not None:
            bits, more = change(bits)
        line.update(bits, (100 + (80 + 40 * leds) * k) * US + rng.uniform(0, 50 * NS), **more)
    return decoded(line.recorded(), part=part, count=leds)


def only(updates, kind):
    assert [o.kind for o in updates.observations] == [kind]
    assert updates.observations[0].update == 20
    return updates.observations[0]


def test_departures_are_found_once() -> None:
    assert faulty(None).observations == ()
    cut = only(faulty(lambda bits: (bits[: 32 + 70], {})), "data-truncated")
    assert (cut.expected, cut.observed) == (192.0, 70.0)
    longer = only(
        faulty(lambda bits: (np.concatenate((bits[:-32], apa_words(np.random.default_rng(8), 1), ones(32))), {})),
        "data-overlong",
    )
    assert (longer.expected, longer.observed) == (192.0, 224.0)
    rest = only(faulty(lambda bits: (bits, {"pauses": {90: 25 * US}})), "data-pause")
    assert_allclose(rest.observed, 25.5e-6, rtol=1e-3, atol=0)
    start = only(faulty(lambda bits: (bits[8:], {})), "data-truncated")
    assert "start frame has 24 zeros" in start.detail


def test_a_clock_pulse_that_stands_out() -> None:
    rng = np.random.default_rng(9)
    line = Clocked()
    for k in range(40):
        line.update(apa_update(rng, 6), (100 + 400 * k) * US)
    # the pulse of clock 50 of update 20 lasts 450 ns instead of 250
    line.clock[2 * (20 * 256 + 50) + 1] += 200 * NS
    found = only(decoded(line.recorded(), part="APA102", count=6), "data-bit-time")
    assert_allclose(found.observed, 450e-9, rtol=0.03, atol=0)
    assert_allclose(found.expected, 250e-9, rtol=0.05, atol=0)


def test_glitches_of_the_clock_are_not_counted() -> None:
    rng = np.random.default_rng(10)
    line = Clocked()
    for k in range(12):
        line.update(apa_update(rng, 6), (100 + 400 * k) * US)
    line.clock += [line.clock[-1] - 380 * NS, line.clock[-1] - 376 * NS]
    line.clock.sort()
    updates = decoded(line.recorded(rate_hz=1e9), part="APA102", count=6)
    assert [o.kind for o in updates.observations] == ["data-bit-time"]
    assert updates.bits.tolist() == [192] * 12


def test_ends_that_do_not_serve() -> None:
    # APA102: n / 2 clocks for n LEDs, so 32 serve 64 LEDs and no more (bench post of 2014-11-30)
    assert faulty(None, leds=64, n=30, end=32).observations == ()
    short = faulty(None, leds=100, n=30, end=32)
    assert [o.kind for o in short.observations] == ["data-truncated"]
    assert "32 clocks follow the data, 100 LEDs need 50 (and so in 30 of 30 updates)" in short.observations[0].detail
    # SK9822: the end must be zeros (bench post of 2016-12-13)
    wrong = faulty(None, leds=6, n=30, part="SK9822 2019-02")
    assert any("ones where the part needs zeros" in o.detail for o in wrong.observations)


def test_brightness_below_full_is_told() -> None:
    updates = faulty(None, brightness=12)
    assert updates.observations == ()
    # a PWM of 440 Hz lies over the light below full brightness (bench post of 2016-12-13)
    assert any("brightness below full" in note and "440 Hz" in note for note in updates.notes)
    assert not any("brightness" in note for note in faulty(None).notes)


def test_joining_of_pieces() -> None:
    rest = np.full(200, 10)
    # pieces of 10, 4 + 6, 10, 3 + 3 + 4, ten of 10, and an odd 7 with nothing to go with it
    tens = [*range(49, 149, 10)]
    ends = np.array([9, 13, 19, 29, 32, 35, 39, *tens, 146])
    assert joined_ends(ends, rest, 10, 1e9, None).tolist() == [9, 19, 29, 39, *tens]
    assert joined_ends(ends, rest, 10, 1e9, 147).tolist() == [9, 19, 29, 39, *tens, 146]
    # a rest that always ends an update parts them
    assert joined_ends(ends, rest, 10, 10, 147).tolist() == ends.tolist()


def test_data_that_move_in_the_sample_of_the_edge() -> None:
    # set-up of 30 ns at 10 MHz: data often move in the sample of the clock's edge, and just before it
    rng = np.random.default_rng(11)
    line, at, sent = Clocked(setup_s=30 * NS, high_s=500 * NS, low_s=500 * NS), 100 * US, []
    for _ in range(10):
        words = apa_words(rng, 5)
        sent.append(packed(words))
        at = line.update(np.concatenate((zeros(32), words, ones(32))), at) + 60 * US
    assert received(decoded(line.recorded(rate_hz=10e6), part="APA102", count=5)) == sent


def test_lines_without_a_clock() -> None:
    made = capture([channel("DATA", [100, 200]), channel("CLOCK", [])], end=10**6)
    updates = decoded(made, part="APA102", count=4)
    assert len(updates) == 0
    assert "never pulses" in updates.notes[0]
    with pytest.raises(KeyError, match="SCK"):
        decoded(made, clock="SCK")
