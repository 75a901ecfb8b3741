"""`[[leds]]` tables of every wiring: what they need, what means nothing, and how mistakes are told."""

from __future__ import annotations

import pytest

from spinlag.errors import RigError
from spinlag.leds.chain_parts import chain_parts
from spinlag.rig import LedsTable, rig_from_mapping

ONE = {"data": "D"}
TWO = {"wiring": "clocked", "data": "D", "clock": "C"}
LATCHED = {"wiring": "latched", "data": "D", "clock": "C", "latch": "L"}
DIRECT = {"wiring": "direct", "lines": ["A", "B", "C"]}


@pytest.mark.parametrize("table", [ONE, TWO, LATCHED, DIRECT])
def test_plain_tables(table: dict) -> None:
    rig = rig_from_mapping({"leds": [table]})
    named = set(rig.channels().values())
    wanted = set(table.get("lines", ())) | {table[key] for key in ("data", "clock", "latch") if key in table}
    assert named == wanted


def test_two_wire_is_another_word_for_clocked() -> None:
    assert rig_from_mapping({"leds": [{**TWO, "wiring": "two-wire"}]}).leds[0].wiring == "clocked"


def test_vectors_as_ranges() -> None:
    table = LedsTable(wiring="direct", lines=["PORT[6:8]", "X", "Q[2:0]"])
    assert table.lines == ("PORT[6]", "PORT[7]", "PORT[8]", "X", "Q[2]", "Q[1]", "Q[0]")
    assert table.data == "PORT[6]"
    assert table.channels["lines[3]"] == "X"


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({**TWO, "clock": None}, "clocked wiring needs clock"),
        ({"wiring": "latched", "data": "D"}, "latched wiring needs clock and latch"),
        ({"wiring": "direct", "data": "D"}, "direct wiring needs lines"),
        ({**ONE, "clock": "C"}, "clock means nothing on one-wire wiring"),
        ({**TWO, "tap": "after-led", "inverted": True}, "inverted, tap mean nothing on clocked wiring"),
        ({**DIRECT, "latch_us": 3}, "latch_us means nothing on direct wiring"),
        ({**DIRECT, "count": 2}, "3 lines do not make"),
        ({**DIRECT, "order": "RGBW"}, "3 lines do not make"),
        ({**ONE, "windows_ns": {"t0h": [250, 550]}}, "windows_ns needs source"),
        ({**ONE, "windows_ns": {"t0h": [550, 250]}, "source": "x"}, "least lies above the most"),
        ({**ONE, "windows_ns": {"tooh": [1, 2]}, "source": "x"}, "no interval 'tooh'"),
        ({**ONE, "part": "WS2812B", "windows_ns": {"t0h": [1, 2]}, "source": "x"}, "either part or windows_ns"),
    ],
)
def test_mistakes(table: dict, said: str) -> None:
    with pytest.raises(RigError) as caught:
        rig_from_mapping({"leds": [{key: value for key, value in table.items() if value is not None}]})
    (problem,) = caught.value.problems
    assert problem.key.startswith("leds[0]")
    assert said in problem.reason


def test_a_part_by_hand() -> None:
    table = LedsTable(
        data="D",
        order="GRBW",
        windows_ns={"t0h": (250, 550), "bit_period": (1100, "-")},
        latch_us=90,
        source="maker's letter of 2026-03-01",
    )
    (part,), notes = chain_parts(table)
    assert notes == ()
    assert (part.bits_per_led, part.order, part.latch_s) == (32, "GRBW", 90e-6)
    assert (part.windows["t0h"].low_s, part.windows["t0h"].high_s) == (250e-9, 550e-9)
    assert part.windows["bit_period"].high_s is None
    assert part.windows["low_between_updates"].low_s == 90e-6
    assert part.source.startswith("maker's letter of 2026-03-01")
    assert "[given]" in part.source


@pytest.mark.parametrize(
    ("supply", "ambient", "names", "said"),
    [
        # rows of the 74HC595 sheet (NXP Rev. 6, table 7): 2.0, 4.5, 6.0 V at 25, 85, 125 C
        (3.3, 25, ["2.0V 25C"], "safe bound"),
        (4.5, 40, ["4.5V 85C"], ""),
        (5.0, 85, ["4.5V 85C"], "safe bound"),
        (6.0, None, ["6.0V 25C", "6.0V 85C", "6.0V 125C"], ""),
        (1.8, 25, ["2.0V 25C"], "below the lowest row"),
        (4.5, 140, ["4.5V 125C"], "above the hottest row"),
    ],
)
def test_rows_by_supply_and_temperature(supply, ambient, names, said) -> None:
    table = LedsTable(**LATCHED, part="74HC595", supply_v=supply, ambient_c=ambient)
    found, notes = chain_parts(table)
    assert [part.name.removeprefix("74HC595 Rev-6 ") for part in found] == names
    assert said in " ".join(notes)
    assert bool(notes) == bool(said)
    everything, notes = chain_parts(LedsTable(**LATCHED, part="74HC595"))
    assert len(everything) == 9
    assert "give supply_v" in notes[0]
