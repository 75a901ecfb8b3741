"""Numbers as people read them, against the rules of the published guides."""

from __future__ import annotations

import math
import unicodedata
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spinlag.report.format import axis_unit, bounds, count, measured, si, uncertainty
from spinlag.report.names import csv_text, picture_text, printable, xml_text


def plain(text):
    return text.translate(str.maketrans({"\u00a0": " ", "\u202f": " ", "\u2212": "-"}))


@pytest.mark.parametrize(
    ("value", "expanded", "unit", "text"),
    [
        # JCGM 100:2008, 7.2.2 and 7.2.4: the mass standard of 100.021 47 g with U = 0.000 79 g
        (100.02147, 0.00079, "g", "100.02147 g ± 0.00079 g"),
        # NIST SP 811, 7.7: the unit goes with both numbers
        (63.2, 0.1, "m", "63.20 m ± 0.10 m"),
        (3.424e-4, 1.23e-6, "s", "342.4 µs ± 1.2 µs"),
        (0.028571429, 12e-9, "s", "28.571429 ms ± 12 ns"),
        (-1.2e-7, 4.2e-8, "s", "-120 ns ± 42 ns"),
        (0.0, 1e-9, "s", "0.0 ns ± 1.0 ns"),
        (12.0, 9.96e-6, "s", "12.000000 s ± 10 µs"),
        (1.234, 0.04, "deg", "1.234° ± 0.040°"),
        (123456.0, 1500.0, "1", "123 456 ± 1500"),
        (1e-3, None, "s", "1 ms"),
        (9.99996e-4, None, "s", "1 ms"),
        (None, 1.0, "s", "–"),
        (math.nan, 1.0, "s", "–"),
    ],
)
def test_value_and_uncertainty_agree_in_their_last_place(value, expanded, unit, text):
    assert plain(measured(value, expanded, unit)) == text


def test_engineering_units_of_the_si():
    # prefixes of the SI brochure, 9th edition, table 7; a space before the unit but not before the degree (5.4.3)
    assert [plain(si(x, "s")) for x in (280e-6, 1.25e-6, 0.1, 41.6667e-9, 2.5e-12, 5.0)] == [
        "280 µs",
        "1.25 µs",
        "100 ms",
        "41.67 ns",
        "2.5 ps",
        "5 s",
    ]
    assert si(7.5, "deg") == "7.5°"
    assert plain(bounds(220e-9, 380e-9, "s")) == "220 ns to 380 ns"
    assert plain(bounds(None, 450e-6, "s")) == "at most 450 µs"
    assert plain(bounds(280e-6, None, "s")) == "at least 280 µs"
    assert plain(count(1234567)) == "1 234 567"
    assert axis_unit(4.3e-4) == (1e6, "µs")


@given(
    st.floats(min_value=-1e3, max_value=1e3).filter(lambda x: x == 0 or abs(x) > 1e-12),
    st.floats(min_value=1e-12, max_value=10.0),
)
def test_what_is_printed_lies_within_half_a_last_place(value, expanded):
    shown, _, reach = plain(measured(value, expanded, "s")).partition(" ± ")

    def seconds(text):
        number, unit = text.rsplit(" ", 1)
        return Decimal(number.replace(" ", "")) * Decimal(
            {"s": "1", "ms": "1e-3", "µs": "1e-6", "ns": "1e-9", "ps": "1e-12"}[unit]
        )

    # rounding to two digits of U moves the value by at most a twentieth of U, and U by as much
    assert abs(seconds(shown) - Decimal(repr(value))) <= Decimal(repr(expanded)) * Decimal("0.0501")
    assert abs(seconds(reach) - Decimal(repr(expanded))) <= Decimal(repr(expanded)) * Decimal("0.0501")


def test_uncertainty_keeps_two_digits_when_rounding_carries():
    assert plain(uncertainty(0.996e-6, "s")) == "1.0 µs"
    assert plain(uncertainty(0.0, "s")) == "0 s"


@given(st.text())
def test_printable_holds_no_control_character_and_stays_on_one_line(name):
    shown = printable(name)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert len(shown.splitlines()) <= 1
    assert printable(shown, longest=len(shown)) == shown


def test_terminal_sequences_and_reversed_text_become_visible():
    assert printable("\x1b[31mred") == "\\x1b[31mred"
    assert printable("abc\u202edef") == "abc\\u202edef"
    assert printable("a\nb\tc") == "a\\x0ab\\x09c"
    assert printable("x" * 500).endswith("…")


@given(st.text())
def test_no_cell_starts_a_formula(name):
    cell = csv_text(name)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


@given(st.text(alphabet=st.characters(codec=None)))
def test_xml_text_holds_only_what_xml_1_0_allows(name):
    # XML 1.0 (fifth edition), section 2.2, production [2] Char
    for character in xml_text(name):
        code = ord(character)
        assert code in (0x9, 0xA, 0xD) or 0x20 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or code >= 0x10000


def test_picture_text_draws_only_shapes_that_its_font_has():
    assert picture_text("DATA\u6f6e") == "DATA?"
    assert len(picture_text("y" * 90)) == 25
