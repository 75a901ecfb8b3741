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
from spinlag.leds.together import light_sentences, shear, skew
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
    (said,) = light_sentences(made, Rig(), (updates,), turning(30.0))
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
        found = skew(made, left, right)
        assert found.n == (40 if lost is None else 39)
        assert_allclose(found.mean, shift_us * 1e-6, rtol=0, atol=0.5e-6)
        assert found.uncertainty is not None
        assert found.uncertainty < 1 / 24e6
    made, chains = two_chains(37.0)
    (said,) = light_sentences(made, Rig(), chains, turning(35.0))
    assert said.startswith("right shows a column")
    # 360 * 35 * 37 us = 0.466 deg
    assert "after left" in said
    assert "0.466°" in said


def test_nothing_to_say_of_one_chain_whose_leds_change_together() -> None:
    made, (left, _) = two_chains(0.0)
    assert shear(left).n == 0
    assert light_sentences(made, Rig(), (left,), None) == ()
    empty = LedsTable(name="dark", data="DOUT3")
    dark = type(made.channels[0])("DOUT3", "DOUT3", 0, np.empty(0, dtype=np.int64))
    with_dark = capture([*made.channels, dark], end=made.end, sample_ticks=made.sample_period.ticks)
    (nothing,) = decode_chains(with_dark, Rig(leds=(empty,)))
    assert skew(with_dark, left, nothing).n == 0
