"""Decimal numbers read through eight-byte words, against Python's Fraction and float."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spinlag.importers.csv_decimals import Numbers, any_width_numbers, same_width_numbers
from spinlag.importers.csv_rows import LARGEST_TICK, ticks_of

POINT = ord(".")

digits = st.text("0123456789", min_size=1, max_size=9)
signs = st.sampled_from(["", "", "-", "+"])
exponents = st.one_of(
    st.just(""), st.builds("e{}".format, st.integers(-30, 30)), st.builds("E+{}".format, st.integers(0, 9))
)
bodies = st.one_of(
    digits,
    st.builds("{}.{}".format, digits, digits),
    st.builds(".{}".format, digits),
    st.builds("{}.".format, digits),
)
numbers = st.builds("{}{}{}".format, signs, bodies, exponents)
near_one = st.builds(
    "{}{}{}".format, signs, bodies, st.one_of(st.just(""), st.builds("e{}".format, st.integers(-9, 9)))
)


def laid_out(fields: list[str], between: str = ",9.9e9,") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fields with text between them that must not be read: words of the text, begins and ends."""
    text, begins, ends = " " * 32, [], []
    for field in fields:
        begins.append(len(text))
        text += field
        ends.append(len(text))
        text += between
    text += " " * (40 - len(text) % 8)
    return np.frombuffer(text.encode(), np.uint8).view(np.uint64), np.array(begins), np.array(ends)


def read(fields: list[str]) -> Numbers | None:
    words, begins, ends = laid_out(fields)
    return any_width_numbers(words, begins, ends, POINT, exponents=True)


def exact(found: Numbers, row: int) -> Fraction:
    exponent = found.exponent if isinstance(found.exponent, int) else int(found.exponent[row])
    value = int(found.mantissa[row]) * Fraction(10) ** exponent
    return -value if found.negative is not None and found.negative[row] else value


def fraction(text: str) -> Fraction:
    mantissa, _, exponent = text.lower().partition("e")
    return Fraction(mantissa.rstrip(".") if mantissa.endswith(".") else mantissa) * Fraction(10) ** int(exponent or 0)


@settings(max_examples=400)
@given(st.lists(numbers, min_size=1, max_size=12))
def test_fields_of_any_shape(fields: list[str]) -> None:
    found = read(fields)
    assert found is not None, fields
    assert [exact(found, k) for k in range(len(fields))] == [fraction(field) for field in fields]


@settings(max_examples=200)
@given(signs, st.integers(0, 11), st.integers(0, 12), st.lists(st.integers(0, 10**18), min_size=1, max_size=20))
def test_fields_of_one_shape(sign: str, whole: int, places: int, values: list[int]) -> None:
    if whole + places == 0:
        return
    texts = [str(value % 10 ** (whole + places)).rjust(whole + places, "0") for value in values]
    fields = [sign + (text[:whole] + "." + text[whole:] if places else text) for text in texts]
    words, begins, ends = laid_out(fields, ",1\n")
    stride = int(ends[0] - begins[0]) + 3
    found = same_width_numbers(words.view(np.uint8), int(begins[0]), int(ends[0]), stride, len(fields), POINT)
    assert found is not None
    assert [exact(found, k) for k in range(len(fields))] == [fraction(field) for field in fields]


@pytest.mark.parametrize(
    "field",
    [
        "1.2.3",
        "-",
        "1e",
        "e5",
        "1e5.0",
        "12a",
        "nan",
        "inf",
        "--1",
        "1-",
        "0x1",
        ".",
        "1e9999",
        " 1",
        "1 ",
        "1,5",
    ],
)
def test_what_is_no_number_is_not_read(field: str) -> None:
    for fields in ([field], ["1.5", field], [field, "2"]):
        assert read(fields) is None
    row = field.encode().ljust(4, b"0")[:4]
    text = np.frombuffer(b" " * 32 + b"1.50,1\n" + row + b",1\n" + b" " * 40, np.uint8)
    assert same_width_numbers(text, 32, 36, 7, 2, POINT) is None or row.isdigit()


def test_rows_of_one_width_and_several_shapes_are_left_to_the_other_reader() -> None:
    for second in (b"12.5", b"-1.5", b"1500", b"1e+5"):
        text = np.frombuffer(b" " * 32 + b"1.50,1\n" + second + b",1\n" + b" " * 40, np.uint8)
        assert same_width_numbers(text, 32, 36, 7, 2, POINT) is None


@pytest.mark.parametrize("value", ["9223372036854775807", "18446744073709551615", "0.18446744073709551615"])
def test_mantissas_up_to_64_bits_are_exact_or_left_alone(value: str) -> None:
    found = read([value])
    assert found is None or exact(found, 0) == Fraction(value)
    assert read(["99999999999999999999999"]) is None


@settings(max_examples=300)
@given(st.lists(st.floats(0, 1e6, allow_subnormal=False), min_size=1, max_size=10), st.integers(1, 15))
def test_floats_are_correctly_rounded(values: list[float], places: int) -> None:
    fields = [f"{value:.{places}f}"[:16] for value in values]
    found = read(fields)
    assert found is not None
    values = found.floats()
    assert values is not None
    assert values.tolist() == [float(field) for field in fields]


@settings(max_examples=300)
@given(st.lists(near_one, min_size=1, max_size=8), st.integers(0, 15))
@example(["0e9", ".000000000e-2"], 11)
def test_ticks_are_exact_or_rounded_to_the_finest_allowed(fields: list[str], finest: int) -> None:
    found = read(fields)
    assert found is not None
    made = ticks_of(found, finest)
    values = [fraction(field) for field in fields]
    if made is None:
        # a 0 with a large power of ten (0e9) is left to the slow reader too
        assert max(abs(value) for value in values) >= LARGEST_TICK or 0 in values
        return
    ticks, places, rounded = made
    assert places <= finest
    for tick, value in zip(ticks.tolist(), values, strict=True):
        assert abs(tick) < LARGEST_TICK
        assert abs(tick - value * 10**places) <= (Fraction(1, 2) if rounded else 0)
