"""Departures on one-wire lines: each is found once, with its evidence, and healthy lines give none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from onewire_line import NS, US, Drawn, decoded, even_updates, random_bits, received, sent
from spinlag.leds import onewire_watch, watch

PART = "WS2812B 2013-05"


def display(n: int = 60, leds: int = 8, slot_us: float = 600.0, seed: int = 0, change=None) -> Drawn:
    """n updates at an even pace; `change(k, bits)` may give update k other bits and keyword arguments."""
    rng = np.random.default_rng(seed)
    drawn = Drawn()
    for k in range(n):
        bits, more = random_bits(rng, leds), {}
        if change is not None and (changed := change(k, bits)) is not None:
            bits, more = changed
        if len(bits):
            drawn.update(bits, (100 + k * slot_us + rng.uniform(0, 1)) * US, **more)
    return drawn


def always(more):
    """Every update with the same keyword arguments."""
    return lambda _, bits: (bits, more)


def without(which):
    """No update k where which(k)."""
    return lambda k, _: ([], {}) if which(k) else None


def only(updates, kind):
    """The one observation there is, of that kind."""
    assert [o.kind for o in updates.observations] == [kind]
    found = updates.observations[0]
    assert found.channel == "DOUT"
    assert found.chain == "arm"
    return found


@pytest.mark.parametrize("rate_hz", [8e6, 12e6, 16e6, 24e6, 100e6])
@pytest.mark.parametrize("noise_ns", [0, 10])
def test_clean_lines_give_nothing(rate_hz: float, noise_ns: float) -> None:
    made = display(200).recorded(rate_hz=rate_hz, noise_s=noise_ns * NS)
    for chain in ({"part": PART, "count": 8}, {"part": "WS2812B"}, {"part": "SK6812"}, {}):
        updates = decoded(made, **chain)
        assert updates.observations == ()
        assert len(updates) == 200


def test_a_bit_of_a_wrong_length() -> None:
    def change(k, bits):
        bits[50] = False
        return (bits, {"highs": {50: 260 * NS}}) if k == 20 else None

    updates = decoded(display(change=change).recorded(), part=PART, count=8)
    found = only(updates, "data-bit-time")
    assert found.update == 20
    assert found.unit == "s"
    # 400 + 260 ns read as a 1, whose usual high time is 800 ns; WS2812B 2013-05 wants 650..950 ns
    assert_allclose(found.observed, 660e-9, rtol=0.07, atol=0)
    assert_allclose(found.expected, 800e-9, rtol=0.05, atol=0)
    assert "bit 2 of LED 2" in found.detail
    assert "inside the sheet" in found.detail


def test_a_bit_outside_sheet_and_measurements() -> None:
    def change(k, bits):
        bits[7] = True
        return (bits, {"highs": {7: -200 * NS}}) if k == 33 else None

    found = only(decoded(display(change=change).recorded(rate_hz=200e6), part=PART, count=8), "data-bit-time")
    # 600 ns: a 0 at most 563 ns, a 1 from 625 ns on the part measured (post 'Understanding the WS2812', 2014-04-27)
    assert_allclose(found.observed, 600e-9, rtol=0.02, atol=0)
    assert "outside the sheet and outside what the family was measured to accept" in found.detail


def test_a_low_too_short() -> None:
    def change(k, bits):
        bits[9] = False
        return (bits, {"pauses": {9: -600 * NS}}) if k == 5 else None

    found = only(decoded(display(change=change).recorded(rate_hz=100e6), part=PART, count=8), "data-bit-time")
    assert "low time of a 0" in found.detail
    assert_allclose(found.observed, 250e-9, rtol=0.05, atol=0)


def test_habits_are_no_incidents() -> None:
    # the last bit of every LED is 150 ns longer: a driver's loop, seen in every update
    habit = {"highs": {led * 24 + 23: 150 * NS for led in range(8)}}
    updates = decoded(display(change=always(habit)).recorded(rate_hz=100e6), part=PART, count=8)
    assert updates.observations == ()
    waits = {"pauses": {95: 20 * US}}
    updates = decoded(display(change=always(waits)).recorded(), part="WS2812B V5", count=8)
    assert [o.kind for o in updates.observations] == ["data-pause"]
    assert any("habit" in note for note in updates.notes)


@pytest.mark.parametrize("pause_us", [6.0, 15.0, 45.0])
def test_a_pause_inside_an_update(pause_us: float) -> None:
    def change(k, bits):
        return (bits, {"pauses": {70: pause_us * US}}) if k == 11 else None

    drawn = display(change=change)
    for chain in ({"part": PART, "count": 8}, {"part": PART}, {"part": "WS2812B V5", "count": 8}):
        updates = decoded(drawn.recorded(), **chain)
        found = only(updates, "data-pause")
        assert received(updates) == sent(drawn)
        assert found.update == 11
        low_us = pause_us + (0.45 if drawn.sent[11][70] else 0.85)
        assert_allclose(found.observed, low_us * US, rtol=0.01, atol=0)


def test_a_pause_of_the_parts_latch_time_ends_the_update() -> None:
    def change(k, bits):
        return (bits, {"pauses": {70: 60 * US}}) if k == 11 else None

    updates = decoded(display(change=change).recorded(), part=PART, count=8)
    # WS2812B 2013-05 latches at 50 us at the latest: two updates, neither of the chain's length
    assert updates.bits[10:14].tolist() == [192, 71, 121, 192]
    assert {o.kind for o in updates.observations} <= {"data-truncated", "data-extra"}
    assert len(updates.observations) == 2


@pytest.mark.parametrize(("keep", "leftover"), [(72, 0), (75, 3), (191, 23), (1, 1)])
def test_a_truncated_update(keep: int, leftover: int) -> None:
    def change(k, bits):
        return (bits[:keep], {}) if k == 30 else None

    for chain in ({"part": PART, "count": 8}, {"part": PART}):
        updates = decoded(display(change=change).recorded(), **chain)
        found = only(updates, "data-truncated")
        assert (found.update, found.expected, found.observed, found.unit) == (30, 192.0, float(keep), "bits")
        assert (f"{leftover} bit{'s' if leftover > 1 else ''} " in found.detail) == bool(leftover)
        assert found.tick == updates.last[30]


def test_an_update_too_long() -> None:
    rng = np.random.default_rng(9)

    def change(k, bits):
        return (np.concatenate((bits, random_bits(rng, 1))), {}) if k == 30 else None

    found = only(decoded(display(change=change).recorded(), part=PART, count=8), "data-overlong")
    assert (found.update, found.expected, found.observed) == (30, 192.0, 216.0)
    assert "9 LEDs instead of 8" in found.detail


def test_an_update_too_many() -> None:
    drawn = display()
    drawn.update(random_bits(np.random.default_rng(1), 2), (100 + 20 * 600 + 300) * US)
    found = only(decoded(drawn.recorded(), part=PART, count=8), "data-extra")
    assert found.update == 21
    assert found.observed == 48.0


def test_leftover_bits_where_lengths_vary() -> None:
    drawn = Drawn()
    rng = np.random.default_rng(2)
    for k, count in enumerate((24, 72, 48, 96, 50, 24, 120)):
        drawn.update(rng.integers(0, 2, count).astype(bool), (100 + 500 * k) * US)
    updates = decoded(drawn.recorded(), part=PART)
    found = only(updates, "data-truncated")
    assert found.update == 4
    assert "2 bits; the last bits fill no LED" in found.detail
    assert any("vary in length" in note for note in updates.notes)


@pytest.mark.parametrize(("count", "kind"), [(12, "data-truncated"), (6, "data-overlong")])
def test_a_wrong_count_is_one_finding(count: int, kind: str) -> None:
    drawn = display()
    updates = decoded(drawn.recorded(), part=PART, count=count)
    assert received(updates) == sent(drawn)
    found = only(updates, kind)
    assert (found.expected, found.observed) == (count * 24.0, 192.0)
    assert any("the rig's count or the firmware is wrong" in note for note in updates.notes)


def test_silence() -> None:
    drawn = display(change=without(lambda k: 20 <= k < 26))
    updates = decoded(drawn.recorded(), part=PART, count=8)
    found = only(updates, "data-silent")
    assert found.update == 19
    assert found.tick == updates.last[19]
    # 7 slots of 600 us, less the 240 us that an update of 8 LEDs takes
    assert_allclose(found.observed, (7 * 600 - 240) * US, rtol=0.01, atol=0)


def test_one_missing_update_is_no_silence_and_neither_is_the_displays_dark_share() -> None:
    missing = display(change=without(lambda k: k == 20))
    assert decoded(missing.recorded(), part=PART, count=8).observations == ()
    dark = display(n=96, change=without(lambda k: k % 24 >= 12))
    assert decoded(dark.recorded(), part=PART, count=8).observations == ()


def test_a_line_that_dies() -> None:
    made = display().recorded(tail_s=50e-3)
    found = only(decoded(made, part=PART, count=8), "data-silent")
    assert found.update == 59


def test_observations_are_bounded_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (onewire_watch, watch):
        monkeypatch.setattr(module, "MOST_OF_A_KIND", 4)
    drawn = even_updates(50, 4, slot_s=500 * US)
    for k in range(10):
        drawn.pulse(drawn.edges[3 * k + 1][-1] + 100 * US, 30 * NS)
    updates = decoded(drawn.recorded(rate_hz=500e6), part=PART, count=4)
    assert [o.kind for o in updates.observations] == ["data-bit-time"] * 4
    assert any("data-bit-time: 10 in all, of which the first 4 are listed" in note for note in updates.notes)
