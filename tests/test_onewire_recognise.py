"""Naming the part by its timing: the sheet that fits is found, and overlapping sheets are not told apart."""

from __future__ import annotations

import pytest

from onewire_line import US, decoded, even_updates
from spinlag.leds.parts import find_parts
from spinlag.leds.recognise import fit_sentence, rank_parts


def ranked(times: tuple[float, ...], **more):
    """Parts ranked for a line of 8 LEDs with these T0H, T0L, T1H, T1L in ns."""
    made = even_updates(20, 8, slot_s=1200 * US, times=times).recorded(rate_hz=100e6)
    return rank_parts(decoded(made).timing, slack_s=1e-9, **more)


@pytest.mark.parametrize(
    ("times", "name"),
    [
        # nominal times of the sheets: WS2811 p. 3, WS2812B-V5 p. 3 (middle), PL9823
        ((500.0, 2000.0, 1200.0, 1300.0), "WS2811 low-speed 2011"),
        ((300.0, 790.0, 790.0, 790.0), "WS2812B V5"),
        ((350.0, 1360.0, 1360.0, 350.0), "PL9823 2014"),
    ],
)
def test_timings_that_only_one_family_has(times: tuple[float, ...], name: str) -> None:
    claims = ranked(times)
    assert claims[0].part.name == name
    assert claims[0].fits
    low, high = (claims[0].part.windows["t0h"].low_s, claims[0].part.windows["t0h"].high_s)
    assert all(claim.part.windows["t0h"].holds(times[0] * 1e-9) for claim in claims if claim.fits)
    assert low is not None and high is not None


def test_overlapping_sheets_are_named_together() -> None:
    claims = ranked((400.0, 850.0, 800.0, 450.0))
    fitting = {claim.part.name for claim in claims if claim.fits}
    assert {"WS2812B 2013-05", "WS2812B 2013-10", "WS2813 2016-04"} <= fitting
    # T1H of 800 ns is above the SK6812's 750 ns; T0H of 400 ns above the 380 ns of V5
    assert not fitting & {"SK6812 2015-07", "WS2812B V5"}
    assert "cannot tell between them" in fit_sentence(claims)
    outside = next(claim for claim in claims if claim.part.name == "SK6812 2015-07")
    assert any(reason.startswith("T1H of 800 ns lies outside 450..750 ns") for reason in outside.reasons)


def test_nothing_fits() -> None:
    claims = ranked((120.0, 500.0, 420.0, 200.0))
    assert not any(claim.fits for claim in claims)
    assert "no part's sheet holds all the bit times; nearest is" in fit_sentence(claims)
    assert fit_sentence(()) == "no part could be compared with the line's timing"


def test_length_of_an_update_rules_parts_out() -> None:
    claims = ranked((300.0, 900.0, 600.0, 600.0), bits=5 * 32)
    assert {claim.part.bits_per_led for claim in claims} == {32}
    alone = ranked((300.0, 900.0, 600.0, 600.0), among=find_parts("SK6812"))
    assert fit_sentence(alone) == "the bit times fit the sheet of SK6812 2015-07 alone"


def test_short_waits_count_against_slow_latches() -> None:
    made = even_updates(30, 8, slot_s=400 * US).recorded(rate_hz=100e6)
    claims = rank_parts(decoded(made).timing, slack_s=1e-9)
    slow = next(claim for claim in claims if claim.part.name == "WS2813 2016-04")
    # 160 us between updates, where the sheet wants 300 us (p. 5)
    assert any(reason.startswith("low between updates of") for reason in slow.reasons)
    assert slow.fits
