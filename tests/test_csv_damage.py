"""Tables whose times are coarse, whose cells are missing or whose head misleads: read for what they are, or refused."""

from __future__ import annotations

import random
import re
from fractions import Fraction

import numpy as np
import pytest

from csv_texts import read_text
from spinlag.capture import UNKNOWN, Capture
from spinlag.errors import CaptureError
from spinlag.importers import read_capture
from spinlag.listing import look_lines
from spinlag.roles import guess_roles

SPAN_S = 8.0
"""Up to here a 32-bit float is exact to 2^-21 s: IEEE 754-2019, 3.6: 24 bits."""


def captured(tmp_path, text: str | bytes) -> Capture:
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_capture(path)


def changes(times: list[str]) -> str:
    return "Time [s],A,B\n" + "".join(f"{time},{n % 2},{n // 2 % 2}\n" for n, time in enumerate(times))


def instants(seed: int, span_s: float = SPAN_S) -> np.ndarray:
    """Times without a lattice, ascending."""
    return np.sort(np.random.default_rng(seed).uniform(0, span_s, 3000))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("written", [str, lambda one: f"{one:.9g}", lambda one: f"{one:.17g}"], ids=["repr", "9", "17"])
def test_times_in_single_precision_count_as_sampled_by_their_last_bit(tmp_path, written, seed):
    capture = captured(tmp_path, changes([written(one) for one in instants(seed).astype(np.float32)]))
    assert capture.sample_period_s == pytest.approx(2**-21, rel=1e-6)
    assert any("single precision (32-bit floating point)" in warning for warning in capture.warnings)


@pytest.mark.parametrize("digits", [5, 6, 7])
@pytest.mark.parametrize("style", ["g", "e"])
def test_times_of_a_few_digits_count_as_sampled_by_the_last(tmp_path, style, digits):
    written = f".{digits - (style == 'e')}{style}"
    capture = captured(tmp_path, changes([format(one, written) for one in instants(3)]))
    assert capture.sample_period_s == pytest.approx(10.0 ** (1 - digits), rel=1e-9)
    assert any(f"{digits} significant digits" in warning for warning in capture.warnings)


@pytest.mark.parametrize(
    ("grid", "written"),
    [
        (10**6, ".6f"),
        (10**6, ".7g"),
        (10**6, ".6e"),
        (24_000_000, ".9f"),
        (2**20, ".17g"),
        (10**9, ".9f"),
        (10**9, ".17g"),
    ],
)
def test_times_on_a_lattice_are_not_called_coarse(tmp_path, grid, written):
    times = np.unique((instants(4) * grid).astype(np.int64)) / grid
    capture = captured(tmp_path, changes([format(one, written) for one in times]))
    assert not any("the times are written in" in warning for warning in capture.warnings)
    assert capture.sample_period_s <= 1.001 / grid


def test_a_line_whose_pulses_are_shorter_than_the_times_can_tell_is_left_out(tmp_path):
    """Pulses of 0.2 ms every 20 ms in a table of whole milliseconds, beside a line of 5 ms."""
    events = [(20 * n + at, "A") for n in range(100) for at in (10.2, 10.4)] + [(5.25 * n, "B") for n in range(400)]
    level = {"A": 0, "B": 0}
    rows = []
    for at, name in sorted(events):
        level[name] ^= 1
        rows.append(f"{at:.0f},{level['A']},{level['B']}\n")
    capture = captured(tmp_path, "Time [ms],A,B\n" + "".join(rows))
    lines = {channel.name: channel for channel in capture.channels}
    assert (len(lines["A"].edges), lines["A"].initial, len(lines["A"].unknown)) == (0, UNKNOWN, 1)
    assert len(lines["B"].edges) == 399
    assert any("A: 100 of 100 pulses begin and end at one time" in warning for warning in capture.warnings)


@pytest.mark.parametrize("text", ["nan", "NaN", "-nan", "N/A", "null", "None"])
def test_a_level_that_is_no_number_is_not_known(text, tmp_path):
    rows = [f"{n},{text if 200 <= n < 230 else n // 10 % 2}\n" for n in range(1000)]
    (line,) = captured(tmp_path, "Time [us],A\n" + "".join(rows)).channels
    assert line.unknown.tolist() == [[200, 230]]
    assert line.edges[:].tolist() == [n for n in range(10, 1000, 10) if not 200 <= n <= 230]


@pytest.mark.parametrize("block_bytes", [64, 1 << 20])
def test_volts_that_are_no_number_are_not_known(block_bytes):
    volts = [f"{n}," + ("nan" if 200 <= n < 230 else f"{3.3 * (n // 10 % 2):.2f}") for n in range(1000)]
    empty = [cells.replace("nan", "") for cells in volts]
    found, same = (
        read_text("\n".join(["t_us,A [V]", *rows]) + "\n", block_bytes=block_bytes) for rows in (volts, empty)
    )
    assert found.channels[0].edges[:].tolist() == same.channels[0].edges[:].tolist()
    assert found.channels[0].unknown.tolist() == same.channels[0].unknown.tolist()
    assert len(found.channels[0].unknown) == 1


@pytest.mark.parametrize(
    ("unit", "seconds"), [("min", 60), ("minutes", 60), ("h", 3600), ("hours", 3600), ("ms", 0.001)]
)
def test_units_of_time_in_the_header(tmp_path, unit, seconds):
    (line,) = captured(tmp_path, f"Time ({unit}),A\n0.5,0\n0.75,1\n1.5,0\n2.5,0\n").channels
    capture = captured(tmp_path, f"Time ({unit}),A\n0.5,0\n0.75,1\n1.5,0\n2.5,0\n")
    assert [int(edge) * capture.tick for edge in line.edges] == [
        Fraction("0.75") * Fraction(str(seconds)),
        Fraction("1.5") * Fraction(str(seconds)),
    ]


def test_a_unit_that_is_not_known_is_named(tmp_path):
    capture = captured(tmp_path, "Time (div),A\n0.5,0\n0.75,1\n1.5,0\n")
    assert any("gives its times in 'div', which is no unit that is known here" in one for one in capture.warnings)


def test_levels_in_the_rows_of_their_changes_alone(tmp_path):
    rng = random.Random(5)
    level = [0, 1, 0]
    rows = ["0.000,0,1,0"]
    edges: list[list[int]] = [[], [], []]
    for n in range(1, 400):
        k = rng.randrange(3)
        level[k] ^= 1
        edges[k].append(n)
        rows.append(f"0.{n:03d}," + ",".join(str(level[k]) if j == k else "" for j in range(3)))
    capture = captured(tmp_path, "Time [s],A,B,C\n" + "\n".join(rows) + "\n")
    assert [line.edges[:].tolist() for line in capture.channels] == edges
    assert not any(len(line.unknown) for line in capture.channels)
    assert any("an empty cell was taken as the level before it" in warning for warning in capture.warnings)
    # one cell that is no change, and the empty ones may as well be samples that were lost
    rows[300] = "0.300," + ",".join(map(str, level[:0])) + ",".join(str(level_at(edges[j], j, 299)) for j in range(3))
    doubtful = captured(tmp_path, "Time [s],A,B,C\n" + "\n".join(rows) + "\n")
    assert all(len(line.unknown) > 10 for line in doubtful.channels)


def level_at(edges: list[int], line: int, row: int) -> int:
    return (int(line == 1) + sum(edge <= row for edge in edges)) % 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "Time [s],A,B\n" + "".join(f"0,{n:03d},{n % 2},{n // 2 % 2}\n" for n in range(50)),
            "the rows have 4 fields, the header 3 (line 1): a name is missing there, or commas stand within numbers ",
        ),
        ("; made in Mai 1926 by 2 lamps\nTime [s],A,B\n", "line 2: no row of data was found below the header"),
        (
            'Time [s],A\n"0.1","0"\n"0.2,1\n' + '"0.3","0"\n' * 30,
            "line 3: a quoted field does not end on its line: close the quote, or export without quotes",
        ),
        (
            "Time A B\n" + "".join(f"{n} us {n % 2} {n // 2 % 2}\n" for n in range(50)),
            "the rows have 4 fields, the header 3 (line 1): column 2 holds units; export times without units",
        ),
        (
            "Time [us],A\n" + "".join(f'"{n * 900:,}",{n % 2}\n' for n in range(50)),
            "commas group thousands in the times of column 1 ('1,800'): export the times without them",
        ),
        (
            "Time [s],channel,value\n" + "".join(f"0.{n:03d},{n % 3},{3.3 * (n % 2)}\n" for n in range(50)),
            "each row seems to tell of the line that column 2 (channel) names: export one column of levels per line",
        ),
        (
            "Time [s],A,B\n" + "".join(f"0.{n:03d},{n % 2},1\n" for n in range(50)) + "0.9\n" + "1.0,1,0\n" * 20,
            "line 52: 1 field where the rows have 3; text is missing here: copy or export the file again",
        ),
        (
            "Time [s],A\n" + "".join(f"0.{n:03d},{n % 2}\n" for n in range(50)) + "-- end of export --\n",
            "line 52: 1 field where the rows have 2; delete the line if it is no row of data",
        ),
        (
            "Time [s],A\n" + "".join(f"0.{n:03d},{n % 2}\n" for n in (*range(50), *range(50))),
            "line 52, column 1: the time is earlier than in the row before; if two recordings were joined here, cut",
        ),
        (
            "Time [s],A\n" + "".join(f"0.{n:06d},{n % 2}\n" for n in range(9000)).replace("0.008000,0", "\0" * 10),
            "line 8002: zero bytes stand here, as after a failed copy; copy or export the file again",
        ),
    ],
    ids=[
        "decimal commas",
        "header alone",
        "quote",
        "units",
        "thousands",
        "events in volts",
        "short row",
        "footer",
        "joined",
        "zero bytes",
    ],
)
def test_what_is_refused_names_the_place_and_the_way_out(tmp_path, text, said):
    with pytest.raises(CaptureError) as told:
        captured(tmp_path, text)
    assert said in str(told.value)


def test_sample_rates_that_mean_nothing_or_differ_are_doubted(tmp_path):
    rows = "Time [s],A\n" + "".join(f"0.{n:03d},{n // 2 % 2}\n" for n in range(50))
    for head, said in (
        ("# sample rate: 0 Hz\n", "the file states a sample rate of 0 Hz, which is none: it was passed over"),
        (
            "# sample rate: 1 kHz\n# sample rate: 2 MHz\n",
            "the file states two sample rates, 0.001 MHz and 2 MHz: the first counts (--sample-rate says otherwise)",
        ),
    ):
        assert said in captured(tmp_path, head + rows).warnings
    assert captured(tmp_path, "# sample rate: 1 kHz\n# sample rate: 1000 Hz\n" + rows).warnings == ()


def test_tabs_below_a_preamble_of_as_many_words(tmp_path):
    text = "; sample rate 1000000 Hz\nTime [s]\tA\tB\tC\tD\n" + "".join(
        f"0.{n:03d}\t{n // 2 % 2}\t{n // 3 % 2}\t1\t0\n" for n in range(50)
    )
    assert [channel.name for channel in captured(tmp_path, text).channels] == ["A", "B", "C", "D"]


def test_a_row_of_units_with_dashes_for_lines_without_one(tmp_path):
    text = "Time\tA\tB\nms\t-\t-\n" + "".join(f"{n}.5\t{n % 2}\t{n // 2 % 2}\n" for n in range(50))
    capture = captured(tmp_path, text)
    assert [channel.name for channel in capture.channels] == ["A", "B"]
    assert ("time unit", "ms (from the header)") in capture.understood


def test_times_since_1970_are_shown_apart(tmp_path):
    """Nine digits would show the first and the last instant as one."""
    text = "Time [s],A\n" + "".join(f"1790000000.{n:06d},{n % 2}\n" for n in range(50))
    capture = captured(tmp_path, text)
    (said,) = [line for line in look_lines(capture, guess_roles(capture)) if line.startswith("record")]
    first, last = re.findall(r"([\d.]+) s(?: to|,)", said)
    assert (Fraction(first), Fraction(last)) == (1790000000, Fraction("1790000000.00005"))
