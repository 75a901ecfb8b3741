"""Every part's published limits, met at just inside, just outside and within the recorder's uncertainty.

The tables below and those of test_parts.py hold the figures against the sheets that they name.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose

from clock_line import NS, US, Clocked, apa_words, zeros
from onewire_line import Drawn, random_bits
from spinlag.judge import judge_all
from spinlag.leds import decode_chains
from spinlag.leds.parts import Part, find_parts, parts
from spinlag.rig import CaptureTable, LedsTable, Rig

RATE = 4e9
STEP = 1 / RATE
TICK = Fraction(1, 4 * 10**9)

# (part, limits in ns; document and page)
CLOCKED = [
    # SK9822-EC20 sheet Rev 05 (2019-02-20), p. 3 (30 MHz) and p. 5
    ("SK9822 2019-02", {"clock_high": 17, "clock_low": 17, "data_setup": 10, "clock_period": 1e3 / 30}),
    # P9813 sheet (file 2012-03-06), p. 1 and 3: 15 MHz
    (
        "P9813 2012-03",
        {"clock_high": 30, "clock_low": 30, "data_setup": 10, "data_hold": 5, "clock_period": 1e3 / 15},
    ),
    # WS2801 sheet V0.3, p. 1 (25 MHz) and 11 (500 us), web copies
    ("WS2801 V0.3", {"clock_period": 40, "clock_idle": 500_000}),
    # WS2803 sheet V0.1, p. 5 and 6: 25 MHz, 600 us
    ("WS2803 V0.1", {"clock_period": 40, "clock_idle": 600_000}),
    # LPD6803 sheet, p. 1 (web copy): 24 MHz
    ("LPD6803 no-revision", {"clock_period": 1e3 / 24}),
    # LPD8806, a third party's notes: 20 MHz
    ("LPD8806 no-sheet", {"clock_period": 50}),
    # TLC5971, SBVS146D, the maker's pages: 0.007 to 20 MHz, 10 ns, set-up 5, hold 3
    (
        "TLC5971 SBVS146D",
        {"clock_high": 10, "clock_low": 10, "data_setup": 5, "data_hold": 3, "clock_period": 50},
    ),
    # TLC59711, SBVS181A p. 1 (web): 10 MHz cascading; the rest from memory
    (
        "TLC59711 SBVS181A",
        {"clock_high": 10, "clock_low": 10, "data_setup": 5, "data_hold": 3, "clock_period": 100},
    ),
]
LATCHED = [
    # TLC5940, SLVS515C, p. 3
    (
        "TLC5940 SLVS515C",
        {
            "clock_high": 16,
            "clock_low": 16,
            "data_setup": 5,
            "data_hold": 3,
            "clock_end_to_latch": 10,
            "latch_width": 20,
            "latch_end_to_clock": 10,
            "blank_width": 20,
            "clock_period": 1e3 / 30,
        },
    ),
    # TLC5947, SBVS114B, the maker's pages; 30 MHz alone, 15 MHz cascaded
    *(
        (
            f"TLC5947 SBVS114B {how}",
            {
                "clock_high": 12,
                "clock_low": 10,
                "data_setup": 5,
                "data_hold": 3,
                "clock_to_latch": 10,
                "latch_to_clock": 100,
                "latch_width": 30,
                "blank_width": 30,
                "latch_to_blank_end": 30,
                "clock_period": 1e3 / mhz,
            },
        )
        for how, mhz in (("alone", 30), ("cascaded", 15))
    ),
    # 74HC595 (NXP Rev. 6), table 7, p. 10 to 12: pulse width, set-up of data, of clock to latch, hold, MHz by row
    *(
        (
            f"74HC595 Rev-6 {volts:.1f}V {celsius}C",
            {
                "clock_high": width,
                "clock_low": width,
                "latch_width": width,
                "data_setup": setup,
                "clock_to_latch": width,
                "data_hold": 3,
                "clock_period": 1e3 / mhz,
            },
        )
        for celsius, rows in {
            25: ((2.0, 75, 50, 9), (4.5, 15, 10, 30), (6.0, 13, 9, 35)),
            85: ((2.0, 95, 65, 4.8), (4.5, 19, 13, 24), (6.0, 16, 11, 28)),
            125: ((2.0, 110, 75, 4), (4.5, 22, 15, 20), (6.0, 19, 13, 24)),
        }.items()
        for volts, width, setup, mhz in rows
    ),
    # 74HCT595, the same table, 4.5 to 5.5 V
    *(
        (
            f"74HCT595 Rev-6 4.5V {celsius}C",
            {
                "clock_high": width,
                "clock_low": width,
                "latch_width": width,
                "data_setup": width,
                "clock_to_latch": width,
                "data_hold": 3,
                "clock_period": 1e3 / mhz,
            },
        )
        for celsius, width, mhz in ((25, 16, 30), (85, 20, 24), (125, 24, 20))
    ),
    # SN74HC595 (TI, SCLS041), from memory
    *(
        (
            f"SN74HC595 SCLS041 {volts:.1f}V 25C",
            {
                "clock_high": width,
                "clock_low": width,
                "latch_width": width,
                "data_setup": setup,
                "clock_to_latch": to_latch,
                "data_hold": 0,
                "clock_period": 1e3 / mhz,
            },
        )
        for volts, width, setup, to_latch, mhz in ((2.0, 80, 100, 75, 6), (4.5, 16, 20, 15, 31), (6.0, 14, 17, 13, 36))
    ),
]
TABLES = [*CLOCKED, *LATCHED]


def part_of(name: str) -> Part:
    (part,) = find_parts(name)
    return part


@pytest.mark.parametrize(("name", "limits"), TABLES, ids=[name for name, _ in TABLES])
def test_limits_are_those_of_the_sheet(name: str, limits: dict[str, float]) -> None:
    part = part_of(name)
    assert set(part.windows) == set(limits)
    for timing, least_ns in limits.items():
        assert_allclose(part.windows[timing].low_s, least_ns * NS, rtol=1e-9, atol=0)
        if (name, timing) != ("TLC5971 SBVS146D", "clock_period"):
            assert part.windows[timing].high_s is None
    assert not set(part.not_published) & set(limits)


def test_every_clocked_and_latched_part_is_in_the_tables() -> None:
    listed = {name for name, _ in TABLES} | {"APA102C 2014-10", "SK9822 5050-2016"}
    assert {part.name for part in parts() if part.wiring != "one-wire"} == listed
    # APA102C sheet (file 2014-10-17): no limit of clock or data at all; the 5050 SK9822's sheet was not found
    for name in ("APA102C 2014-10", "SK9822 5050-2016"):
        assert part_of(name).windows == {}
        assert {"clock_high", "clock_low", "clock_period", "data_setup", "data_hold"} <= set(
            part_of(name).not_published
        )


def test_the_slowest_clock_of_the_tlc5971() -> None:
    # SCKI 0.007 MHz at least
    assert_allclose(part_of("TLC5971").windows["clock_period"].high_s, 1 / 7000, rtol=1e-6, atol=0)


def verdicts(made, table: LedsTable) -> dict[str, str]:
    rig = Rig(capture=CaptureTable(clock_ppm=0.0), leds=(table,))
    chains = decode_chains(made, rig)
    return {
        found.id.rpartition(".")[2]: found.verdict for found in judge_all(made, rig, None, chains, (None,), (None,))
    }


def frame_bits(part: Part, rng: np.random.Generator) -> np.ndarray:
    """An update that the part's family would know."""
    if part.frame in ("APA102", "SK9822", "P9813"):
        return np.concatenate((zeros(32), apa_words(rng, 3), zeros(48)))
    if part.frame == "LPD6803":
        words = rng.integers(0, 2, (3, 16)).astype(bool)
        words[:, 0] = True
        return np.concatenate((zeros(32), words.ravel(), zeros(8)))
    if part.frame == "LPD8806":
        words = rng.integers(0, 2, (9, 8)).astype(bool)
        words[:, 0] = True
        return np.concatenate((words.ravel(), zeros(8)))
    if part.frame == "TLC5971":
        command = np.array([1, 0, 0, 1, 0, 1], dtype=bool)
        return np.concatenate((command, rng.integers(0, 2, 218).astype(bool)))
    if part.wiring == "latched":
        return rng.integers(0, 2, (part.outputs_per_chip or 8) * part.bits_per_output).astype(bool)
    return rng.integers(0, 2, 24 * 3).astype(bool)


def clocked_line(part: Part, changed: str | None, value_s: float):
    """Eight updates in which every interval is comfortable but the changed one."""
    interval = {
        "clock_high": 400 * NS,
        "clock_low": 400 * NS,
        "data_setup": 200 * NS,
        "data_hold": 150 * NS,
        "clock_idle": 900 * US,
        "clock_to_latch": 900 * NS,
        "clock_end_to_latch": 500 * NS,
        "latch_width": 600 * NS,
        "latch_to_clock": 60 * US,
        "latch_end_to_clock": 60 * US,
        "blank_width": 900 * NS,
        "latch_to_blank_end": 700 * NS,
    }
    if changed == "clock_period":
        # sheets limit the rate: halves that meet their own limits must not decide here
        interval["clock_high"] = interval["clock_low"] = value_s / 2
        interval["data_setup"] = min(interval["data_setup"], value_s / 4)
        interval["data_hold"] = min(interval["data_hold"], value_s / 4)
        interval["clock_to_latch"] = value_s / 2 + 500 * NS
    elif changed is not None:
        interval[changed] = value_s
    if changed == "clock_end_to_latch":
        interval["clock_to_latch"] = interval["clock_high"] + value_s
    if changed == "clock_to_latch":
        interval["clock_high"] = min(interval["clock_high"], 0.5 * value_s + 20 * NS)
    if changed == "blank_width":
        interval["latch_to_blank_end"] = value_s / 2
    line = Clocked(
        high_s=interval["clock_high"],
        low_s=interval["clock_low"],
        setup_s=interval["data_setup"],
        hold_s=interval["data_hold"],
    )
    rng = np.random.default_rng(11)
    at = 100 * US
    for _ in range(8):
        last = line.update(frame_bits(part, rng), at)
        end = last + line.high_s
        at = end + interval["clock_idle"]
        if part.wiring == "latched":
            mark = last + interval["clock_to_latch"]
            line.pulse_latch(mark, interval["latch_width"])
            dark = interval["latch_to_blank_end"] if changed != "blank_width" else value_s / 2
            begin = mark + dark - (value_s if changed == "blank_width" else 900 * NS)
            line.pulse_blank(begin, mark + dark)
            at = mark + max(interval["latch_to_clock"], interval["latch_width"] + 50 * NS)
            if changed == "latch_to_clock":
                at = mark + value_s
            if changed == "latch_end_to_clock":
                at = mark + interval["latch_width"] + value_s
    return line


def table_for(part: Part) -> LedsTable:
    more = {"latch": "LATCH", "blank": "BLANK"} if part.wiring == "latched" else {}
    return LedsTable(name="arm", wiring=part.wiring, part=part.name, data="DATA", clock="CLOCK", **more)


CASES = [(name, timing) for name, limits in TABLES for timing, least in limits.items() if least > 0]


@pytest.mark.parametrize(("name", "timing"), CASES, ids=[f"{name} {timing}" for name, timing in CASES])
def test_just_inside_just_outside_and_in_doubt(name: str, timing: str) -> None:
    part = part_of(name)
    least = part.windows[timing].low_s
    assert least is not None
    for value, expected in ((least + 2.5 * STEP, "pass"), (least - 2.5 * STEP, "fail"), (least, "undecided")):
        found = verdicts(clocked_line(part, timing, value).recorded(rate_hz=RATE, tick=TICK), table_for(part))
        assert found[timing] == expected, (value, found)


ONE_WIRE = [
    (part.name, timing, side)
    for part in parts()
    if part.wiring == "one-wire"
    for timing in ("t0h", "t1h", "t0l", "t1l", "low_between_updates")
    if timing in part.windows
    for side in ("low", "high")
    if getattr(part.windows[timing], f"{side}_s") is not None
    and (getattr(part.windows[timing], f"{side}_s") < 10e-6 or side == "low")
]


@pytest.mark.parametrize(("name", "timing", "side"), ONE_WIRE, ids=[" ".join(case) for case in ONE_WIRE])
def test_one_wire_limits(name: str, timing: str, side: str) -> None:
    part = part_of(name)
    limit = getattr(part.windows[timing], f"{side}_s")
    inwards = 1 if side == "low" else -1
    for value, expected in (
        (limit + inwards * 2.5 * STEP, "pass"),
        (limit - inwards * 2.5 * STEP, "fail"),
        (limit, "undecided"),
    ):
        made = one_wire_line(part, timing, value)
        found = verdicts(made, LedsTable(name="arm", part=name, data="DOUT", count=4))
        assert found[timing] == expected, (value, found)


def one_wire_line(part: Part, changed: str, value_s: float):
    """Eight updates whose bit times stand in the middle of their windows, but for the changed one."""

    def middle(name: str, fallback: float) -> float:
        window = part.windows.get(name)
        if window is None or window.low_s is None or window.high_s is None:
            return fallback
        return min((window.low_s + window.high_s) / 2, 2 * window.low_s)

    times = {
        name: middle(name, default) for name, default in (("t0h", 3e-7), ("t0l", 9e-7), ("t1h", 8e-7), ("t1l", 4e-7))
    }
    latch = part.latch_s or 50 * US
    wait = 1.5 * latch
    if changed == "low_between_updates":
        wait = value_s
    else:
        times[changed] = value_s
    rng = np.random.default_rng(7)
    drawn, at = Drawn(), 100 * US
    for _ in range(8):
        bits = random_bits(rng, 4, part.bits_per_led)
        order = tuple(times[name] / NS for name in ("t0h", "t0l", "t1h", "t1l"))
        at = drawn.update(bits, at, order) + wait
    return drawn.recorded(rate_hz=RATE, tick=TICK, tail_s=2 * latch)


def test_a_recorder_too_slow_for_the_limit_decides_nothing() -> None:
    # SK9822 wants 17 ns of clock high (sheet Rev 05, p. 5); at 24 MHz a sample takes 41.7 ns
    part = part_of("SK9822 2019-02")
    found = verdicts(clocked_line(part, "clock_high", 20 * NS).recorded(rate_hz=24e6), table_for(part))
    assert set(found.values()) <= {"undecided", "not-measured", "pass"}
    assert found["clock_high"] in ("undecided", "not-measured")


def test_supply_rows() -> None:
    part = part_of("74HC595 Rev-6 2.0V 85C")
    table = LedsTable(
        name="arm",
        wiring="latched",
        part="74HC595",
        data="DATA",
        clock="CLOCK",
        latch="LATCH",
        supply_v=3.3,
        ambient_c=60,
    )
    made = clocked_line(part, "data_setup", 60 * NS).recorded(rate_hz=RATE, tick=TICK)
    rig = Rig(leds=(table,))
    (chain,) = decode_chains(made, rig)
    # 3.3 V has no row: 2.0 V is the safe bound, and 85 C the first row that is not exceeded; it wants 65 ns of set-up
    assert [candidate.name for candidate in chain.candidates] == ["74HC595 Rev-6 2.0V 85C"]
    assert any("safe bound" in note for note in chain.notes)
    assert verdicts(made, table)["data_setup"] == "fail"
    at_five = LedsTable(**{**table.model_dump(exclude_unset=True), "supply_v": 5.0})
    # the 4.5 V row wants 13 ns at 85 C
    assert verdicts(made, at_five)["data_setup"] == "pass"
    anywhere = LedsTable(
        **{
            key: value
            for key, value in table.model_dump(exclude_unset=True).items()
            if key not in ("supply_v", "ambient_c")
        }
    )
    # 60 ns meets some rows of the sheet and not others
    assert verdicts(made, anywhere)["data_setup"] == "undecided"


def test_a_part_given_by_its_limits_alone() -> None:
    line = clocked_line(part_of("P9813 2012-03"), "data_setup", 40 * NS)
    table = LedsTable(
        name="arm",
        wiring="two-wire",
        data="DATA",
        clock="CLOCK",
        frame="P9813",
        windows_ns={"data_setup": (50, "-"), "clock_high": (30, 900)},
        source="maker's letter of 2026-03-01",
    )
    made = line.recorded(rate_hz=RATE, tick=TICK)
    rig = Rig(leds=(table,))
    chains = decode_chains(made, rig)
    found = {v.id.rpartition(".")[2]: v for v in judge_all(made, rig, None, chains, (None,), (None,))}
    assert found["data_setup"].verdict == "fail"
    assert found["clock_high"].verdict == "pass"
    assert "maker's letter of 2026-03-01" in found["data_setup"].source
