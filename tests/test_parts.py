"""LED parts: every figure against the datasheet row that it comes from, and how a rig's `part` finds its entries."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from spinlag.errors import PartError
from spinlag.leds.parts import MARKS, Window, after_led, find_parts, parts

NOT = None

# (name, nominal and tolerance or least and most of T0H, T0L, T1H, T1L, period; latch in us; mark), ns, from the sheets
# that the entry names: Worldsemi WS2811 p. 3; WS2812 p. 4; WS2812B (2013-05-30) p. 3; WS2812B (2013-10-31) p. 4;
# WS2812B-V5 p. 3; WS2812-2020 V1.0 p. 3; Normand WS2813 April-2016 p. 5; Worldsemi WS2813 (2017-05-22) p. 3;
# SK6812 (2015-07-15) p. 4; OPSCO SK6812MINI and SK6812RGBW Rev 01 p. 5; Normand EC20-6812 Rev 01 p. 6; PL9823;
# APA-104-1515 IS-1.0 p. 4-5; LC8812B-3210 (2017-06-10). APA106 and the later WS2815 are from memory.
SHEETS = [
    ("WS2811 low-speed 2011", "500±150", "2000±150", "1200±150", "1300±150", NOT, 50, "verified"),
    ("WS2811 high-speed 2011", "250±150", "1000±150", "600±150", "650±150", NOT, 50, "derived"),
    ("WS2811 high-speed-halved 2011", "250±75", "1000±75", "600±75", "650±75", NOT, 50, "derived"),
    ("WS2812 2012-11", "350±150", "800±150", "700±150", "600±150", "1250±600", 50, "verified"),
    ("WS2812B 2013-05", "400±150", "850±150", "800±150", "450±150", "1250±600", 50, "verified"),
    ("WS2812B 2013-10", "350±150", "900±150", "900±150", "350±150", "1250±150", 50, "verified"),
    ("WS2812B V5", "220-380", "580-1000", "580-1000", "580-1000", NOT, 280, "verified"),
    ("WS2812-2020 V1.0", "220-380", "580-1000", "580-1000", "220-420", NOT, 280, "verified"),
    ("WS2813 2016-04", "300-450", "300-100000", "750-1000", "300-100000", "1250±300", 300, "verified"),
    ("WS2813 2017-05", "220-380", "580-1600", "580-1600", "220-420", NOT, 280, "verified"),
    ("WS2813-MINI 8-page", "220-380", "580-1600", "580-1600", "220-420", NOT, 280, "web"),
    ("WS2815 2017", NOT, NOT, NOT, NOT, NOT, 300, "web"),
    ("WS2815 later-short-t1l", "220-380", "580-1000", "580-1000", "220-420", NOT, 280, "memory"),
    ("WS2815 later-long-t1l", "220-380", "580-1000", "580-1000", "580-1000", NOT, 280, "memory"),
    ("SK6812 2015-07", "300±150", "900±150", "600±150", "600±150", "1250±150", 80, "verified"),
    ("SK6812MINI Rev-01", "300±150", "900±150", "600±150", "600±150", "1250±600", 80, "verified"),
    ("SK6812RGBW Rev-01", "300±150", "900±150", "600±150", "600±150", "1250±600", 80, "verified"),
    ("SK6812-2020 Rev-01", "200-400", "800-20000", "620-1000", "200-20000", "1200-", 80, "verified"),
    ("WS2812D 8-mm", NOT, NOT, NOT, NOT, NOT, None, "secondary"),
    ("PL9823 2014", "350±150", "1360±150", "1360±150", "350±150", NOT, 50, "verified"),
    ("APA106 F5", "350±150", "1360±150", "1360±150", "350±150", NOT, 50, "memory"),
    ("APA104 5050", "350±150", "1360±150", "1360±150", "350±150", "1250±600", 24, "secondary"),
    ("APA104-1515 IS-1.0", "300±150", "900±150", "900±150", "300±150", "1200±600", 200, "verified"),
    ("LC8812B-3210 2017-06", "300±150", "900±150", "900±150", "300±150", NOT, 80, "verified"),
]
ONE_WIRE = [part.name for part in parts() if part.wiring == "one-wire"]


def window(text: str | None) -> tuple[float | None, float | None] | None:
    if text is None:
        return None
    if "±" in text:
        nominal, tolerance = (float(number) for number in text.split("±"))
        return nominal - tolerance, nominal + tolerance
    low, high = text.split("-")
    return float(low), float(high) if high else None


@pytest.mark.parametrize("row", SHEETS, ids=[row[0] for row in SHEETS])
def test_windows_are_those_of_the_sheet(row: tuple) -> None:
    name, *times, latch_us, mark = row
    (part,) = find_parts(name)
    assert part.mark == mark
    assert part.source.endswith(f"[{mark}]")
    for timing, text in zip(("t0h", "t0l", "t1h", "t1l", "bit_period"), times, strict=True):
        expected = window(text)
        if expected is None:
            assert timing not in part.windows
            assert timing in part.not_published
            continue
        found = part.windows[timing]
        for bound, value in zip((found.low_s, found.high_s), expected, strict=True):
            if value is None:
                assert bound is None
            else:
                assert_allclose(bound, value * 1e-9, rtol=1e-12, atol=0)
    if latch_us is None:
        assert part.latch_s is None
        assert "latch" in part.not_published
    else:
        assert_allclose(part.latch_s, latch_us * 1e-6, rtol=1e-12, atol=0)
        assert part.windows["low_between_updates"] == Window(part.latch_s, None)


def test_every_one_wire_part_is_checked_above() -> None:
    assert sorted(ONE_WIRE) == sorted(row[0] for row in SHEETS)


@pytest.mark.parametrize(
    ("name", "bits", "order", "bit_time_ns"),
    [
        # colour tables and titles of the sheets named above; the sums of the nominal pulses where no period is printed
        ("WS2811 low-speed 2011", 24, "RGB", 2500),
        ("WS2811 high-speed 2011", 24, "RGB", 1250),
        ("WS2812B 2013-05", 24, "GRB", 1250),
        ("SK6812 2015-07", 24, "GRB", 1250),
        ("SK6812RGBW Rev-01", 32, "RGBW", 1250),
        ("PL9823 2014", 24, "RGB", 1710),
        ("APA104-1515 IS-1.0", 24, "RGB", 1200),
    ],
)
def test_bits_order_and_bit_time(name: str, bits: int, order: str, bit_time_ns: float) -> None:
    (part,) = find_parts(name)
    assert (part.bits_per_led, part.order) == (bits, order)
    assert_allclose(part.bit_time_s, bit_time_ns * 1e-9, rtol=1e-12, atol=0)


@pytest.mark.parametrize(
    ("name", "pwm_hz"),
    [
        # sheets: at least 400 Hz (early parts, SK6812 of 2015), 2 kHz (V5 and WS2813), 1.2 kHz (SK6812MINI)
        ("WS2812B 2013-05", 400),
        ("WS2812B V5", 2000),
        ("WS2813 2016-04", 2000),
        ("SK6812 2015-07", 400),
        ("SK6812MINI Rev-01", 1200),
    ],
)
def test_pwm_rate(name: str, pwm_hz: float) -> None:
    (part,) = find_parts(name)
    assert part.pwm_hz == pwm_hz
    assert part.pwm_from


def test_thresholds_lie_between_the_two_high_times() -> None:
    # WS2812B 2013-05: T0H at most 550 ns, T1H at least 650 ns; PL9823: 500 and 1210 ns
    for name, threshold_ns in (("WS2812B 2013-05", 600), ("WS2812B V5", 480), ("SK6812 2015-07", 450), ("PL9823", 855)):
        assert_allclose(find_parts(name)[0].threshold_s, threshold_ns * 1e-9, rtol=1e-12, atol=0)
    # no sheet found, measured, post of 2014-02-18: a 0 up to 600 ns, a 1 from 625 ns
    assert_allclose(find_parts("WS2812D")[0].threshold_s, 612.5e-9, rtol=1e-12, atol=0)
    assert find_parts("WS2815 2017")[0].threshold_s is None


def test_three_grades() -> None:
    early = find_parts("WS2812B 2013-05")[0]
    # sheet: T0H 250..550 ns; measured (post 'Understanding the WS2812', 2014-04-27): a 0 from 62.5 to 563 ns
    assert early.grade("t0h", 549e-9) == "sheet"
    assert early.grade("t0h", 556e-9) == "measured"
    assert early.grade("t0h", 556e-9, slack_s=10e-9) == "sheet"
    assert early.grade("t0h", 564e-9) == "outside"
    assert early.grade("t0h", 62e-9) == "outside"
    # a long high only ever makes a clearer 1
    assert early.grade("t1h", 5e-6) == "measured"
    assert early.grade("t1h", 600e-9) == "outside"
    assert early.grade("no_such_time", 1.0) == "sheet"


def test_measured_latch_is_that_of_the_bench() -> None:
    # bench posts, 2014-04-27: WS2812B 8.95 us, WS2812 10.8 us; 2014-06-16: PD9823 14 us
    for name, latch_us in (("WS2812B 2013-10", 8.95), ("WS2812 2012-11", 10.8), ("PL9823", 14)):
        assert_allclose(find_parts(name)[0].measured_latch_s, latch_us * 1e-6, rtol=1e-12, atol=0)


def test_bare_number_means_every_revision() -> None:
    assert [part.revision for part in find_parts("ws2812b")] == ["2013-05", "2013-10", "V5"]
    assert [part.name for part in find_parts(" WS2812B   v5 ")] == ["WS2812B V5"]
    assert [part.name for part in find_parts("WS2812B-V5")] == ["WS2812B V5"]
    assert [part.name for part in find_parts("WS2812")] == ["WS2812 2012-11"]
    assert {part.number for part in find_parts("WS2813D")} == {"WS2813"}


def test_unknown_part_lists_near_names() -> None:
    with pytest.raises(PartError, match=r"'WS2812E'.*WS2812B"):
        find_parts("WS2812E")
    with pytest.raises(PartError, match="WS2812B 2013-05"):
        find_parts("WS2812B 2013-06")
    with pytest.raises(PartError, match="spinlag parts"):
        find_parts("")


def test_every_entry_is_complete() -> None:
    names = [part.name for part in parts()]
    assert len(names) == len(set(names))
    for part in parts():
        assert part.title
        assert part.page
        assert set(part.marks.values()) <= set(MARKS)
        assert bool(part.measured or part.measured_latch_s) == bool(part.measured_from)
        for window in (*part.windows.values(), *part.measured.values()):
            assert window.low_s is None or window.high_s is None or window.low_s < window.high_s
        for name in part.not_published:
            assert name not in part.windows


def test_behind_an_led_the_sheet_does_not_apply() -> None:
    part = after_led(find_parts("WS2812B 2013-05")[0])
    assert part.windows == {}
    # bench posts, 2014 to 2016: highs sent on, SK6812 290 and 580, WS2812B 416 and 832 ns
    assert_allclose([part.measured["t0h"].low_s, part.measured["t0h"].high_s], [290e-9, 416e-9], rtol=1e-12, atol=0)
    assert_allclose([part.measured["t1h"].low_s, part.measured["t1h"].high_s], [580e-9, 832e-9], rtol=1e-12, atol=0)
    assert "behind an LED" in part.notes[-1]
