"""The CSV importer against a slow reader on csv and Fraction, and against pandas, on files in many dialects."""

from __future__ import annotations

import io
import random
from fractions import Fraction
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from csv_texts import MadeFile, as_reference, csv_texts, read_text
from reference_csv import read_reference
from spinlag.errors import CaptureError
from spinlag.importers import csv

BLOCKS = st.one_of(st.integers(1, 200), st.sampled_from([1000, 5000, 1 << 20]))


def options(made: MadeFile) -> dict[str, object]:
    chosen: dict[str, object] = {"delimiter": made.delimiter, "decimal": made.decimal}
    return chosen | ({"packed_columns": ("bus",)} if made.packed_bits else {})


@settings(max_examples=90)
@given(csv_texts(), BLOCKS, st.sampled_from([0, 2]), st.sampled_from([1 << 16, 250]))
def test_any_file_in_any_blocks_reads_as_the_slow_reader_has_it(
    made: MadeFile, block_bytes: int, threads: int, head_bytes: int
) -> None:
    """A short head makes finer times come as a surprise."""
    expected = read_reference(
        made.text.removeprefix("\ufeff"),
        delimiter=made.delimiter,
        decimal=made.decimal,
        unit=made.unit,
        header_lines=made.header_lines,
        packed_bits=made.packed_bits,
    )
    assume(any(line.initial >= 0 for line in expected))
    with patch.object(csv, "_COARSE", 2.0):  # or lines with many pulses of no width would be left out
        draft = read_text(made.text, block_bytes=block_bytes, threads=threads, head_bytes=head_bytes, **options(made))
    found = as_reference(draft)
    assert found == expected[: len(found)]
    left_out = expected[len(found) :]
    assert all(line.initial in (0, -1) and not line.edges for line in left_out), "only bits that are never set"


@settings(max_examples=80)
@given(
    st.integers(0, 2**32),
    st.sampled_from(["abc", "nan", "-inf", "1.2.3", "1e", "", "0x1g", "1 2", "--1"]),
    st.sampled_from([1, 2, 30, 150, 299]),
    BLOCKS,
)
def test_a_faulty_time_is_reported_with_its_line_wherever_blocks_end(
    seed: int, cell: str, row: int, block_bytes: int
) -> None:
    rng = random.Random(seed)
    lines = [f"{k}.{rng.randrange(1000):03},{rng.randrange(2)}" for k in range(300)]
    lines[row] = f"{cell},1"
    text = "\n".join(["t_s,A", *lines]) + "\n"
    with pytest.raises(CaptureError) as caught:
        read_text(text, block_bytes=block_bytes)
    assert (caught.value.line, caught.value.column) == (row + 2, 1)


@settings(max_examples=80)
@given(
    st.integers(0, 2**32),
    st.sampled_from(["2", "yes", "01x", "--", "1.5", "inf"]),
    st.sampled_from([0, 1, 30, 150, 299]),
    BLOCKS,
)
def test_a_faulty_level_is_reported_with_line_and_column(seed: int, cell: str, row: int, block_bytes: int) -> None:
    rng = random.Random(seed)
    lines = [[f"{k * 0.5}", str(rng.randrange(2)), str(rng.randrange(2))] for k in range(300)]
    lines[row][2] = cell
    text = "\n".join(["t_s,A,B", *map(",".join, lines)]) + "\n"
    with pytest.raises(CaptureError) as caught:
        read_text(text, block_bytes=block_bytes)
    assert (caught.value.line, caught.value.column) == (row + 2, 3)


@settings(max_examples=60)
@given(st.integers(0, 2**32), st.integers(1, 299), BLOCKS, st.booleans())
def test_time_going_backwards_is_reported_with_its_line(seed: int, row: int, block_bytes: int, uneven: bool) -> None:
    rng = random.Random(seed)
    times = [k * 10 + (rng.randrange(9) if uneven else 0) for k in range(300)]
    times[row] = times[row - 1] - 1
    text = "\n".join(["t_us,A", *(f"{time},{rng.randrange(2)}" for time in times)]) + "\n"
    with pytest.raises(CaptureError, match="earlier") as caught:
        read_text(text, block_bytes=block_bytes)
    assert (caught.value.line, caught.value.column) == (row + 2, 1)


@settings(max_examples=60)
@given(st.integers(0, 299), st.sampled_from(["{t},1,0,1", "{t}", "{t},1"]), BLOCKS)
def test_ragged_rows_are_reported_with_their_line(row: int, shape: str, block_bytes: int) -> None:
    lines = [f"{k},{k & 1},{k >> 1 & 1}" for k in range(300)]
    lines[row] = shape.format(t=row)
    text = "\n".join(["t_us,A,B", *lines]) + "\n"
    with pytest.raises(CaptureError, match="field") as caught:
        read_text(text, block_bytes=block_bytes)
    assert caught.value.line == row + 2


@pytest.mark.parametrize("row", [1, 40, 299])
@pytest.mark.parametrize("stretch", [0, 1])
def test_another_delimiter_in_one_row_is_not_passed_over(row: int, stretch: int) -> None:
    lines = [f"{1000 + 3**stretch * k * k},{k & 1},{k >> 1 & 1}" for k in range(300)]
    lines[row] = lines[row][:-2] + ";" + lines[row][-1]
    with pytest.raises(CaptureError, match="field") as caught:
        read_text("\n".join(["t_us,A,B", *lines]) + "\n")
    assert caught.value.line == row + 2


def made_table(rng: np.random.Generator, rows: int) -> pd.DataFrame:
    """Whole microseconds and three lines, as a frame."""
    time = np.cumsum(rng.integers(1, 1000, rows))
    levels = (rng.random((rows, 3)) < 0.3).cumsum(axis=0) & 1
    return pd.DataFrame({"t_us": time, "A": levels[:, 0], "B": levels[:, 1], "C": levels[:, 2]})


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_edges_are_where_pandas_sees_a_column_change(separator: str) -> None:
    frame = made_table(np.random.default_rng(5), 20_000)
    text = frame.to_csv(index=False, sep=separator)
    again = pd.read_csv(io.StringIO(text), sep=separator)
    draft = read_text(text, block_bytes=10_000)
    for channel in draft.channels:
        column = again[channel.name]
        changes = again["t_us"][column.diff().fillna(0) != 0]
        assert channel.initial == column.iloc[0]
        assert np.array_equal(np.asarray(channel.edges) * draft.tick * 10**6, changes.to_numpy())


def test_seconds_as_pandas_writes_them_are_read_digit_by_digit() -> None:
    frame = made_table(np.random.default_rng(6), 20_000)
    exact = frame["t_us"].to_numpy()
    frame["t_us"] /= 10**6
    draft = read_text(frame.rename(columns={"t_us": "t_s"}).to_csv(index=False), block_bytes=10_000)
    assert draft.tick == Fraction(1, 10**6), "pandas writes the shortest digits that mean the number"
    changed = np.flatnonzero(frame["A"].diff().fillna(0))
    assert np.array_equal(np.asarray(draft.channels[0].edges), exact[changed])
