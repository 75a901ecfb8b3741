"""The wire's budget against arithmetic done by hand and against figures that circulate in the trade."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from spinlag.budget import budget, budget_lines
from spinlag.errors import PartError
from spinlag.leds.parts import find_parts

EARLY = find_parts("WS2812B 2013-05")[0]
V5 = find_parts("WS2812B V5")[0]


def test_thirty_five_revolutions_a_second() -> None:
    # common practice, no source: a small display turns about 35 times a second; a sixtieth of 28.571 ms is 476.19 us
    result = budget(35, 60, 24, EARLY)
    assert_allclose(result.revolution_s, 28.571e-3, rtol=2e-5, atol=0)
    assert_allclose(result.slot_s, 476.19e-6, rtol=1e-5, atol=0)
    # WS2812B sheet (2013-05-30) p. 3: 24 bits of 1.25 us are 30 us, 24 LEDs 720 us; 360 * 35 * 720 us = 9.072 deg
    assert_allclose(result.led_s, 30e-6, rtol=1e-12, atol=0)
    assert_allclose(result.wire_s, 720e-6, rtol=1e-12, atol=0)
    assert_allclose(result.wire_deg, 9.072, rtol=1e-9, atol=0)
    assert not result.fits


# arithmetic: 30 us for each LED plus the latch time (50 us: sheet of 2013-05-30; 280 us: V5), 1/30 s over the sum
TABLE = [
    (1, 80, 310, 416, 107),
    (8, 290, 520, 114, 64),
    (16, 530, 760, 62, 43),
    (24, 770, 1000, 43, 33),
    (32, 1010, 1240, 33, 26),
    (60, 1850, 2080, 18, 16),
    (144, 4370, 4600, 7, 7),
]


@pytest.mark.parametrize(("leds", "early_us", "late_us", "early_columns", "late_columns"), TABLE)
def test_columns_that_fit_at_thirty_a_second(leds, early_us, late_us, early_columns, late_columns) -> None:
    for part, update_us, columns in ((EARLY, early_us, early_columns), (V5, late_us, late_columns)):
        result = budget(30, 60, leds, part)
        assert_allclose(result.update_s, update_us * 1e-6, rtol=1e-12, atol=0)
        assert result.most_columns == columns
        assert budget(30, columns, leds, part).fits
        assert not budget(30, columns + 1, leds, part).fits


@pytest.mark.parametrize(
    ("speed", "columns", "early", "late"),
    # arithmetic: floor((1 / (r C) - latch) / 30 us)
    [
        (20, 60, 26, 18),
        (20, 180, 7, 0),
        (30, 60, 16, 9),
        (30, 90, 10, 3),
        (30, 120, 7, 0),
        (30, 180, 4, 0),
        (40, 90, 7, 0),
    ],
)
def test_leds_that_fit(speed: int, columns: int, early: int, late: int) -> None:
    assert budget(speed, columns, 1, EARLY).most_leds == early
    assert budget(speed, columns, 1, V5).most_leds == late


@pytest.mark.parametrize(("speed", "deg_per_us"), [(20, 0.0072), (25, 0.0090), (30, 0.0108), (40, 0.0144)])
def test_degrees_per_microsecond(speed: int, deg_per_us: float) -> None:
    # 360 r 1e-6
    result = budget(speed, 60, 10, EARLY)
    assert_allclose(result.update_deg, deg_per_us * 350, rtol=1e-12, atol=0)


def test_slot_that_an_update_fills_exactly_fits() -> None:
    # 25 rev/s and 100 columns: 400 us; 10 LEDs of 30 us and 50 us leave 50 us, with 350/30 = 11.67 the most
    assert budget(25, 100, 10, EARLY).most_leds == 11
    # 40 ms over 500 us: exactly 80 columns of 15 LEDs
    result = budget(25, 80, 15, EARLY)
    assert_allclose(result.update_s, result.slot_s, rtol=1e-12, atol=0)
    assert result.fits
    assert result.most_columns == 80


def test_pwm_periods_and_cautions() -> None:
    # 400 Hz (sheet p. 1) in a slot of 1/(30 * 60) s: 0.222 of a period
    result = budget(30, 60, 16, EARLY)
    assert_allclose(result.pwm_periods, 400 / 1800, rtol=1e-12, atol=0)
    assert any("0.22 periods in a slot" in caution for caution in result.cautions)
    # 2 kHz (V5) at 4 rev/s and 60 columns: 8.3 periods, nothing to say
    assert budget(4, 60, 16, V5).cautions == ()
    silent = budget(30, 60, 16, find_parts("PL9823")[0])
    assert silent.pwm_periods is None
    assert any("not published" in caution for caution in silent.cautions)
    remembered = budget(30, 60, 16, find_parts("APA106")[0])
    assert any("from memory" in caution for caution in remembered.cautions)


def test_pl9823_takes_41_us_for_each_led() -> None:
    # PL9823 sheet: 350 + 1360 ns, 24 bits
    assert_allclose(budget(30, 60, 1, find_parts("PL9823")[0]).led_s, 41.04e-6, rtol=1e-9, atol=0)


def test_lines_for_every_revision_that_a_number_means() -> None:
    lines = budget_lines(35, 60, 24, "WS2812B")
    assert [line for line in lines if not line.startswith(" ") and line] == [
        "WS2812B 2013-05",
        "WS2812B 2013-10",
        "WS2812B V5",
    ]
    text = "\n".join(lines)
    assert "720 µs" in text
    assert "476.2 µs" in text
    assert "9.072°" in text
    assert "does NOT fit the slot" in text
    with pytest.raises(PartError):
        budget_lines(35, 60, 24, "WS2812Z")


def one(name: str):
    """The part of that name."""
    (part,) = find_parts(name)
    return part


def test_clocked_start_words_and_end() -> None:
    # APA102C sheet p. 3: 32 zeros, 32 bits for each LED; n / 2 clocks behind them (bench post of 2014-11-30)
    result = budget(30, 100, 48, one("APA102"), clock_hz=8e6)
    assert result.bits == 32 + 48 * 32 + 24
    assert_allclose(result.wire_s, 1592 / 8e6, rtol=1e-12, atol=0)
    assert result.latch_s == 0
    # 1592 clocks in 1/3000 s
    assert_allclose(result.least_clock_hz, 1592 * 3000, rtol=1e-12, atol=0)
    assert result.fits
    assert not budget(30, 100, 48, one("APA102"), clock_hz=4.7e6).fits
    # each LED shows 32 clocks and half a clock after the one before it
    assert_allclose(result.shear_s, 47 * 32.5 / 8e6, rtol=1e-12, atol=0)
    assert_allclose(result.shear_deg, 360 * 30 * 47 * 32.5 / 8e6, rtol=1e-12, atol=0)
    assert any("brightness" in caution for caution in result.cautions)


def test_sk9822_takes_another_32_zeros_and_shows_all_at_once() -> None:
    # sheet Rev 05 p. 8: frames per second are f / (64 + 32 n); n / 2 more zeros (bench post of 2016-12-13)
    result = budget(30, 1, 1024, one("SK9822 2019-02"), clock_hz=1e6)
    assert result.bits == 64 + 32 * 1024 + 512
    assert_allclose(1 / (result.wire_s - 512e-6), 1e6 / (64 + 32 * 1024), rtol=1e-9, atol=0)
    assert result.shear_s == 0


def test_ws2801_waits_half_a_millisecond() -> None:
    # WS2801 sheet p. 11: the data show when the clock has been low for 500 us; p. 1: 25 MHz
    result = budget(30, 60, 24, one("WS2801"))
    assert_allclose(result.update_s, 24 * 24 / 25e6 + 500e-6, rtol=1e-12, atol=0)
    assert_allclose(result.least_clock_hz, 576 / (1 / 1800 - 500e-6), rtol=1e-9, atol=0)
    late = budget(30, 90, 24, one("WS2801"))
    assert late.least_clock_hz is None
    assert late.most_leds == 0
    assert "no clock would do" in "\n".join(budget_lines(30, 90, 24, "WS2801"))


def test_latched_chips_are_filled() -> None:
    # TLC5940 (SLVS515C) p. 17: 192 bits for each chip of 16 outputs, whatever hangs on them; p. 3: 30 MHz
    assert budget(30, 60, 5, one("TLC5940")).bits == 192
    assert budget(30, 60, 17, one("TLC5940")).bits == 384
    assert_allclose(budget(30, 60, 16, one("TLC5940")).wire_s, 192 / 30e6, rtol=1e-9, atol=0)
    # 74HC595 (NXP Rev. 6) table 7: 4.8 MHz at 2 V and 85 C
    slow = budget(30, 60, 16, one("74HC595 Rev-6 2.0V 85C"))
    assert_allclose(slow.wire_s, 16 / 4.8e6, rtol=1e-9, atol=0)
    assert slow.pwm_periods is None
    assert not any("not published" in caution for caution in slow.cautions)


@pytest.mark.parametrize(
    ("name", "clock_hz"),
    [("APA102", 4e6), ("SK9822 2019-02", 2e6), ("WS2801", 5e6), ("LPD6803", 1e6), ("TLC5947 SBVS114B alone", 1e6)],
)
def test_most_leds_fits_and_more_do_not(name: str, clock_hz: float) -> None:
    most = budget(25, 72, 1, one(name), clock_hz=clock_hz).most_leds
    assert budget(25, 72, most, one(name), clock_hz=clock_hz).fits
    # chips of 24 outputs are filled, so the next step may be 24 LEDs on
    assert not budget(25, 72, most + 24, one(name), clock_hz=clock_hz).fits


def test_clocks_beyond_the_sheet_and_without_one() -> None:
    assert any("faster than the sheet allows" in c for c in budget(30, 60, 8, one("P9813"), clock_hz=20e6).cautions)
    assert any("gives no fastest clock" in c for c in budget(30, 60, 8, one("APA102")).cautions)
    assert not any("fastest" in c for c in budget(30, 60, 8, one("P9813"), clock_hz=10e6).cautions)


def test_rows_of_a_sheet_are_reckoned_by_the_slowest() -> None:
    # 74HC595 (NXP Rev. 6) table 7: 4 MHz at 2 V and 125 C, 35 MHz at 6 V and 25 C
    text = "\n".join(budget_lines(30, 60, 16, "74HC595"))
    assert text.startswith("74HC595 Rev-6 2.0V 125C\n") and text.count("column slot") == 1
    assert "4 MHz, the fastest of the sheet" in text
    assert "the slowest of 9, which is the safe bound" in text and "clocks of 4 to 35 MHz" in text
    one_row = "\n".join(budget_lines(30, 60, 16, "74HC595 Rev-6 4.5V 25C"))
    assert "30 MHz, the fastest of the sheet" in one_row and "the slowest" not in one_row


def test_a_clock_beyond_the_sheet_is_not_offered() -> None:
    # TLC59711: 10 MHz cascaded (web copy, p. 1); 48 chips of 224 bits in a slot of 476 us need 22.6 MHz
    text = "\n".join(budget_lines(35, 60, 48, "TLC59711"))
    assert "it would take 22.6 MHz, more than the sheet allows" in text
    assert "a chip counts as one LED here" in text


def test_grey_scale_pwm_from_the_benchs_own_clock() -> None:
    # TLC5940 (SLVS515C) p. 3 and 19: 30 MHz / 4096 = 7324.2 Hz; a slot of 1 / (35 * 60) s holds 3.488 periods of it
    text = "\n".join(budget_lines(35, 60, 16, "TLC5940"))
    assert "at most 3.49 periods in a slot" in text
    assert "even at its fastest (7324 Hz)" in text
    assert "even at its fastest" not in "\n".join(budget_lines(30, 60, 16, "TLC5940"))


def test_direct_lines_need_no_wire_time() -> None:
    text = "\n".join(budget_lines(30, 60, 24, "direct"))
    assert "none" in text
    assert "555.6 µs" in text


@pytest.mark.parametrize(
    "wrong", [(0, 60, 24), (30, 0, 24), (30, 60, 0), (float("nan"), 60, 24), (float("inf"), 60, 1)]
)
def test_figures_that_make_no_sense(wrong: tuple) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        budget(*wrong, EARLY)
