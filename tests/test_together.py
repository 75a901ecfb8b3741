"""Shear of a column along a chain, and skew between chains of one display."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.testing import assert_allclose

from build import capture
from clock_line import NS, US, Clocked, apa_update
from onewire_line import Drawn, random_bits
from spinlag.leds import clocked, decode_chains
from spinlag.leds.together import light_sentences, shear, skews
from spinlag.report.chain_facts import led_ranges
from spinlag.rig import LedsTable, Rig

APA = LedsTable(name="arm", wiring="clocked", part="APA102", data="DATA", clock="CLOCK", count=40)


def turning(speed_rev_per_s: float) -> Any:
    """A rotation, as far as its mean speed goes."""
    return SimpleNamespace(speed=SimpleNamespace(mean=speed_rev_per_s))


def test_shear_of_an_apa102_chain_in_degrees() -> None:
    rng = np.random.default_rng(0)
    line, at = Clocked(high_s=250 * NS, low_s=250 * NS), 100 * US
    for _ in range(12):
        at = line.update(apa_update(rng, 40), at) + 90 * US
    made = line.recorded()
    updates = clocked.decode(made, APA, Rig(leds=(APA,)))
    # 39 words of 32 clocks and 39 half clocks of delay at 2 MHz (bench post of 2014-11-30): 633.75 us
    assert_allclose(shear(updates).mean, 39 * 32.5 * 500e-9, rtol=1e-3, atol=0)
    (said,) = light_sentences((updates,), (), turning(30.0))
    # 360 * 30 * 633.75 us = 6.84 deg
    assert "6.84°" in said


def two_chains(shift_us: float, *, lost: int | None = None):
    """A one-wire chain beside another that starts its updates so much later; the second may lack one."""
    rng = np.random.default_rng(1)
    first, second = Drawn(), Drawn()
    for k in range(40):
        at = (200 + 600 * k) * US + rng.uniform(0, 1 * US)
        first.update(random_bits(rng, 4), at)
        if k != lost:
            second.update(random_bits(rng, 4), at + shift_us * US)
    a, b = first.recorded(), second.recorded()
    line = b.channels[0]
    other = type(line)("DOUT2", "DOUT2", 0, line.edges)
    made = capture([a.channels[0], other], sample_ticks=a.sample_period.ticks, end=max(a.end, b.end))
    tables = tuple(
        LedsTable(name=name, part="WS2812B 2013-05", data=data, count=4)
        for name, data in (("left", "DOUT"), ("right", "DOUT2"))
    )
    return made, decode_chains(made, Rig(leds=tables))


def test_skew_between_chains() -> None:
    for shift_us, lost in ((37.0, None), (-90.0, 17), (0.0, 3)):
        made, (left, right) = two_chains(shift_us, lost=lost)
        (skew,) = skews(made, Rig(), (left, right))
        found = skew.seconds
        assert (skew.chain, skew.against) == ("right", "left")
        assert found.n == (40 if lost is None else 39)
        assert_allclose(found.mean, shift_us * 1e-6, rtol=0, atol=0.5e-6)
        assert found.uncertainty is not None
        assert found.uncertainty < 1 / 24e6
    made, chains = two_chains(37.0)
    (said,) = light_sentences(chains, skews(made, Rig(), chains), turning(35.0))
    assert said.startswith("right shows a column")
    # 360 * 35 * 37 us = 0.466 deg
    assert "after left" in said
    assert "0.466°" in said


def test_the_same_columns_are_compared_however_late_they_show() -> None:
    # 400 us of 600 us from column to column: the update nearest in time is that of the column before
    made, (left, right) = two_chains(400.0, lost=17)
    number = np.arange(40)
    places = [(n // 10, n % 10) for n in (number, np.delete(number, 17))]
    (found,) = skews(made, Rig(), (left, right), places, 10)
    assert found.seconds.n == 39
    assert_allclose(found.seconds.mean, 400e-6, rtol=0, atol=0.5e-6)
    assert_allclose(found.by_column_s, 400e-6, rtol=0, atol=1e-6)
    (by_time,) = skews(made, Rig(), (left, right))
    assert by_time.seconds.mean is not None and by_time.seconds.mean < 0


def test_a_column_that_only_one_chain_shows_has_no_skew() -> None:
    made, (left, right) = two_chains(37.0)
    number = np.arange(40)
    (found,) = skews(made, Rig(), (left, right), [(number // 8, number % 8), (number // 8, number % 8 + 2)], 10)
    assert np.isnan(found.by_column_s[[0, 1, 8, 9]]).all()
    assert np.isfinite(found.by_column_s[2:8]).all()


def test_leds_of_the_picture_go_to_the_chains_in_turn() -> None:
    _, chains = two_chains(0.0)
    rig = Rig(
        leds=tuple(LedsTable(name=name, data=name, count=count) for name, count in (("left", None), ("right", 9)))
    )
    # the first chain's updates hold four LEDs; the rig counts nine on the second
    assert led_ranges(rig, chains) == ((1, 4), (5, 13))


def test_nothing_to_say_of_one_chain_whose_leds_change_together() -> None:
    made, (left, _) = two_chains(0.0)
    assert shear(left).n == 0
    assert light_sentences((left,), (), None) == ()
    empty = LedsTable(name="dark", data="DOUT3")
    dark = type(made.channels[0])("DOUT3", "DOUT3", 0, np.empty(0, dtype=np.int64))
    with_dark = capture([*made.channels, dark], end=made.end, sample_ticks=made.sample_period.ticks)
    (nothing,) = decode_chains(with_dark, Rig(leds=(empty,)))
    assert skews(with_dark, Rig(), (left, nothing)) == ()
