"""CSV files in the shapes that instruments, loggers and spreadsheets write, each with what must come of it."""

from __future__ import annotations

import gzip
import lzma
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from csv_texts import read_text
from spinlag.capture import UNKNOWN, Channel, SamplePeriod
from spinlag.errors import CaptureError
from spinlag.importers import csv
from spinlag.importers.draft import Draft
from spinlag.importers.source import FileSource
from spinlag.rig import CaptureTable

REAL = Path(__file__).parents[1].parent / "shared" / "real"

THREE = [Fraction(1, 1000), Fraction(2, 1000), Fraction(4, 1000)]
"""Edges of the file that most tests here spell in one way or another, in seconds: A rises, falls, rises."""


def edges(draft: Draft, name: str = "A") -> list[Fraction]:
    return [int(edge) * draft.tick for edge in line(draft, name).edges[:]]


def line(draft: Draft, name: str) -> Channel:
    return next(channel for channel in draft.channels if channel.name == name)


def said(draft: Draft) -> dict[str, str]:
    return dict(draft.understood)


@pytest.mark.parametrize(
    "text",
    [
        "t_s,A\n0,0\n0.001,1\n0.002,0\n0.004,1\n",
        "t_s,A\r\n0,0\r\n0.001,1\r\n0.002,0\r\n0.004,1\r\n",
        "t_s,A\r0,0\r0.001,1\r0.002,0\r0.004,1\r",
        "t_s,A\n0,0\n0.001,1\n0.002,0\n0.004,1",
        "\ufeffTime [s];A\n0;0\n0,001;1\n0,002;0\n0,004;1\n",
        "Time (ms)\tA\n0\tlow\n1\thigh\n2\tlow\n4\thigh\n",
        "time/us, A\n0, false\n1000, true\n2000, false\n4000, true\n",
        '"Time, s","A"\n"0","0"\n"0,001","1"\n"0,002","0"\n"0,004","1"\n',
        "  t_ms    A\n     0    L\n     1    H\n     2    L\n     4    H\n",
        "timestamp_ns|A\n0|0\n1000000|1\n2000000|0\n4000000|1\n",
        "Time [s],A\n0e0,0\n1e-3,1\n2.0E-03,0\n.4e-2,1\n",
        "# written by hand\n# Sample rate: 1 kHz\nsample,A\n0,0\n1,1\n2,0\n4,1\n",
        "Sample rate;1,0;kHz\n\nSample number;A\n0;0\n1;1\n2;0\n4;1\n",
        "Sample Interval,1.00E-03\nIndex,A\n0,0\n1,1\n2,0\n4,1\n",
        "# Sample rate: 1 kHz\nA,B\n0,1\n1,1\n0,1\n0,1\n1,1\n",
        "0.000,0\n0.001,1\n0.002,0\n0.004,1\n",
        "x-axis,1\nsecond,Volt\n0,0\n0.0009,0\n0.0011,5\n0.0019,5\n0.0021,0\n0.0039,0.0\n0.0041,5\n0.005,4.9\n",
        "time unit: ms\nt,A\n0,0\n1,1\n2,0\n4,1\n",
    ],
)
def test_one_line_in_many_spellings(text: str) -> None:
    draft = read_text(text)
    channel = draft.channels[0]
    assert channel.initial == 0
    assert [int(edge) * draft.tick for edge in channel.edges[:]] == THREE


def test_utf16_with_its_byte_order_mark() -> None:
    text = "t_ms;A\r\n0;0\r\n1;1\r\n2;0\r\n4;1\r\n"
    for encoding in ("utf-16", "utf-16-be"):
        mark = b"" if encoding == "utf-16" else b"\xfe\xff"
        data = mark + text.encode(encoding)
        assert csv.sniff(data)
        assert edges(read_text(data, block_bytes=7)) == THREE


def test_latin_1_micro_signs() -> None:
    assert (
        edges(read_text("Zeit (µs);A\n".replace("Zeit", "time").encode("latin-1") + b"0;0\n1000;1\n2000;0\n4000;1\n"))
        == THREE
    )


@pytest.mark.parametrize(("suffix", "pack"), [(".gz", gzip.compress), (".xz", lzma.compress)])
def test_compressed_files(tmp_path: Path, suffix: str, pack: object) -> None:
    path = tmp_path / f"made.csv{suffix}"
    path.write_bytes(pack(b"t_ms,A\n0,0\n1,1\n2,0\n4,1\n"))  # type: ignore[operator]
    with FileSource(path) as source:
        assert csv.sniff(source.head)
        assert edges(csv.read(source)) == THREE


def test_the_tick_is_the_finest_decimal_seen() -> None:
    draft = read_text("t_us,A\n0.5,0\n1.25,1\n3,0\n")
    assert draft.tick == Fraction(1, 10**8)
    assert line(draft, "A").edges[:].tolist() == [125, 300]


def test_a_finer_decimal_far_down_the_file_refines_all_that_came_before() -> None:
    rows = [f"{k},{k & 1}" for k in range(9000)]
    text = "t_s,A\n" + "\n".join(rows) + "\n9000.000125,0\n"
    for block_bytes in (100, 1 << 20):
        draft = read_text(text, block_bytes=block_bytes)
        assert draft.tick == Fraction(1, 10**6)
        assert edges(draft) == [Fraction(k) for k in range(1, 9000)] + [Fraction("9000.000125")]


@pytest.mark.parametrize("block_bytes", [100, 1 << 20])
def test_ticks_are_refined_in_the_midst_of_unknown_levels(block_bytes: int) -> None:
    rows = [f"{k},{k & 1},{'x' if k < 4000 else 0},{'z' if k % 3000 > 2000 else 1}" for k in range(8900)]
    text = "t_s,A,B,C\n" + "\n".join([*rows, "8999.5,x,1,x", "9000.25,1,0,x"]) + "\n"
    draft = read_text(text, block_bytes=block_bytes)
    assert draft.tick == Fraction(1, 100)
    assert line(draft, "A").unknown.tolist() == [[899950, 900025]]
    assert line(draft, "A").edges[:].tolist() == [100 * k for k in range(1, 8900)]
    assert line(draft, "B").unknown.tolist() == [[0, 400000]]
    assert line(draft, "B").edges[:].tolist() == [899950, 900025]
    assert line(draft, "C").unknown.tolist() == [[200100, 300000], [500100, 600000], [800100, 900026]]
    assert (line(draft, "C").initial, len(line(draft, "C").edges)) == (1, 0)


def test_times_are_never_rounded_through_floats() -> None:
    times = ["0.1", "0.2", "0.30000000000000004", "3600.000000000000001"]
    draft = read_text("t_s,A\n" + "".join(f"{time},{k & 1}\n" for k, time in enumerate(times)))
    assert draft.tick == Fraction(1, 10**15)
    assert line(draft, "A").edges[:].tolist() == [200000000000000, 300000000000000, 3600000000000000001]
    assert "rounded" in said(draft)["rounding"]


def test_times_too_long_for_femtoseconds_get_a_coarser_tick() -> None:
    text = "t_s,A\n0.0000000000000001,0\n0.25,1\n100000.5,0\n"
    for block_bytes in (5, 1 << 20):
        draft = read_text(text, block_bytes=block_bytes)
        assert edges(draft) == [Fraction(1, 4), Fraction(200001, 2)]
        assert draft.tick > Fraction(1, 10**15)


def test_negative_times_before_a_trigger() -> None:
    draft = read_text("t_ms,A\n-2.5,0\n-1.5,1\n-0.5,0\n0.5,1\n")
    assert draft.start * draft.tick == Fraction(-25, 10**4)
    assert edges(draft) == [Fraction(-15, 10**4), Fraction(-5, 10**4), Fraction(5, 10**4)]


def test_one_row_per_sample_gives_the_sample_period() -> None:
    levels = "0001110001111111000"
    text = "t_us,A\n" + "".join(f"{k * 0.125:.3f},{level}\n" for k, level in enumerate(levels))
    draft = read_text(text)
    assert draft.sample_period == SamplePeriod(Fraction(125), "given")
    assert draft.tick == Fraction(1, 10**9)
    assert draft.end - draft.start == 125 * len(levels), "the last sample stands for its whole period"
    assert said(draft)["rows"] == "19, one per sample, every 125 ns"


@pytest.mark.parametrize("digits", [9, 10, 12])
def test_a_period_that_is_no_whole_number_of_ticks_is_found_exactly(digits: int) -> None:
    """24 MHz is a period of 41.667 ns, which decimals cannot hold."""
    times = [f"{round(Fraction(k, 24_000_000) * 10**digits) / 10**digits:.{digits}f}" for k in range(1000)]
    text = "t_s,A\n" + "".join(f"{time},{k // 7 & 1}\n" for k, time in enumerate(times))
    draft = read_text(text)
    assert draft.sample_period is not None
    assert draft.sample_period.ticks * draft.tick == Fraction(1, 24_000_000)


def test_one_row_per_change_leaves_the_period_to_the_lattice() -> None:
    draft = read_text("t_us,A,B\n0,0,0\n125,1,0\n250,1,1\n375,0,1\n")
    assert draft.sample_period is None
    assert draft.end * draft.tick == Fraction(376, 10**6), "one tick after the last row"
    assert said(draft)["rows"] == "4, one per change"


def test_a_repeated_row_that_marks_the_end_makes_no_row_per_sample() -> None:
    assert read_text("t_us,A\n0,0\n5,1\n10,0\n15,1\n20,1\n").sample_period is None
    period = read_text("t_us,A\n0,0\n5,1\n10,1\n15,0\n20,0\n").sample_period
    assert period is not None
    assert period.ticks == 5


def test_a_stated_rate_is_handed_on_to_be_checked() -> None:
    draft = read_text("# Sample rate: 8 MHz\nt_us,A\n0,0\n125,1\n375,0\n")
    assert draft.sample_rate_hz == 8_000_000
    assert draft.sample_period is None


def test_sample_numbers_are_exact_periods() -> None:
    draft = read_text("# samplerate 24 MHz\nsample,A\n0,0\n7,1\n19,0\n")
    assert draft.tick == Fraction(1, 24_000_000)
    assert draft.sample_period == SamplePeriod(Fraction(1), "given")
    assert line(draft, "A").edges[:].tolist() == [7, 19]


def test_the_rate_of_a_file_that_states_none_comes_from_the_user_or_the_rig() -> None:
    text = "sample,A\n0,0\n7,1\n19,0\n"
    with pytest.raises(CaptureError, match="sample rate"):
        read_text(text)
    assert read_text(text, sample_rate_hz=1e6).tick == Fraction(1, 10**6)
    assert read_text(text, table=CaptureTable(sample_rate_hz=2e6)).tick == Fraction(1, 2 * 10**6)


def test_the_rig_overrules_a_wrong_tick() -> None:
    draft = read_text("t_ns,A\n0,0\n7,1\n19,0\n", table=CaptureTable(tick_ns=41.6667))
    assert draft.tick == Fraction("41.6667") / 10**9


def test_whole_numbers_without_a_unit_are_not_guessed_at() -> None:
    with pytest.raises(CaptureError, match="unit") as caught:
        read_text("time,A\n0,0\n125,1\n375,0\n")
    assert (caught.value.line, caught.value.column) == (2, 1)
    assert edges(read_text("time,A\n0,0\n1,1\n2,0\n4,1\n", time_unit="ms")) == THREE


def test_seconds_are_assumed_aloud() -> None:
    draft = read_text("time,A\n0.000,0\n0.001,1\n0.002,0\n0.004,1\n")
    assert edges(draft) == THREE
    assert any("taken as seconds" in warning for warning in draft.warnings)
    assert said(draft)["time unit"] == "s (assumed)"


def test_unknown_levels() -> None:
    draft = read_text("t_ms,A,B\n0,x,0\n1,0,\n2,,1\n3,z,1\n4,1,1\n5,1,?\n")
    a, b = line(draft, "A"), line(draft, "B")
    assert (a.initial, a.edges[:].tolist(), a.unknown.tolist()) == (0, [4], [[0, 1], [2, 4]])
    assert (b.initial, b.edges[:].tolist(), b.unknown.tolist()) == (0, [2], [[1, 2], [5, 6]])


def test_a_channel_that_never_has_a_level_beside_one_that_has() -> None:
    draft = read_text("t_ms,A,B\n0,x,0\n1,x,1\n")
    assert line(draft, "A").initial == UNKNOWN
    assert line(draft, "A").unknown.tolist() == [[0, 2]]


@pytest.mark.parametrize(
    ("cells", "radix"),
    [
        (["5", "4", "6", "2"], 10),
        (["0x5", "0x4", "0x6", "0x2"], 16),
        (["0A", "04", "0F", "02"], 16),
        (["101", "100", "010", "111"], 2),
    ],
)
def test_packed_columns_become_a_channel_per_bit(cells: list[str], radix: int) -> None:
    draft = read_text("t_ms,bus\n" + "".join(f"{k},{cell}\n" for k, cell in enumerate(cells)))
    values = [int(cell, radix) for cell in cells]
    assert [channel.name for channel in draft.channels] == [f"bus[{k}]" for k in range(max(values).bit_length())]
    for bit, channel in enumerate(draft.channels):
        levels = [value >> bit & 1 for value in values]
        assert channel.initial == levels[0]
        assert channel.edges[:].tolist() == [k for k in range(1, 4) if levels[k] != levels[k - 1]]


def test_a_bit_first_set_late_has_been_low_before() -> None:
    draft = read_text("t_ms,bus\n0,2\n1,3\n2,x\n3,128\n", block_bytes=1)
    high = line(draft, "bus[7]")
    assert (high.initial, high.edges[:].tolist(), high.unknown.tolist()) == (0, [3], [[2, 3]])


def test_the_user_says_which_column_is_packed() -> None:
    text = "t_ms,bus\n0,0\n1,1\n2,0\n"
    assert [channel.name for channel in read_text(text).channels] == ["bus"]
    assert [channel.name for channel in read_text(text, packed_columns=(2,)).channels] == ["bus[0]"]
    with pytest.raises(CaptureError, match="there is no column 'buss'"):
        read_text(text, packed_columns=("buss",))


def test_two_columns_of_one_name_have_paths_of_their_own() -> None:
    draft = read_text("t_ms,A,A\n0,0,1\n1,1,1\n2,1,0\n")
    assert [channel.path for channel in draft.channels] == ["A (column 2)", "A (column 3)"]


def test_columns_without_names_are_numbered() -> None:
    draft = read_text("0.0,0,1\n0.1,1,1\n0.2,1,0\n0.3,0,0\n")
    assert [channel.name for channel in draft.channels] == ["column_2", "column_3"]


def test_a_column_that_is_filled_late_is_unknown_until_then() -> None:
    rows = [f"{k},{k & 1}," for k in range(3000)] + [f"{k},{k & 1},{k >> 1 & 1}" for k in range(3000, 3010)]
    late = line(read_text("t_ms,A,B\n" + "\n".join(rows) + "\n"), "B")
    assert (late.initial, late.unknown.tolist()) == (0, [[0, 3000]])
    assert late.edges[:].tolist() == [3002, 3004, 3006, 3008]


def test_settings_with_numbers_above_the_rows_are_no_header() -> None:
    draft = read_text("Channels,1\nLength,3\n0.0,0\n0.1,1\n0.2,0\n")
    assert [channel.name for channel in draft.channels] == ["column_2"]


def test_the_index_column_of_a_data_frame_is_passed_over() -> None:
    draft = read_text(",time_s,A\n0,0.000,0\n1,0.001,1\n2,0.002,0\n3,0.004,1\n")
    assert edges(draft) == THREE
    assert [channel.name for channel in draft.channels] == ["A"]
    assert "counts rows" in said(draft)["column 1"]


def test_text_and_other_units_are_left_out_and_said_to_be() -> None:
    draft = read_text("t_ms,note,A,speed [rpm]\n0,start,0,2100.5\n1,turning,1,2101.0\n2,turning,0,2099.7\n")
    assert [channel.name for channel in draft.channels] == ["A"]
    assert "text" in said(draft)["column 2"]
    assert "rpm" in said(draft)["column 4"]


def test_rows_at_one_time_apply_in_order() -> None:
    """Writers that list one change per row repeat the time where lines change together."""
    draft = read_text("t_ms,A,B\n0,0,0\n1,1,0\n1,1,1\n2,0,1\n2,1,1\n3,0,0\n", block_bytes=3)
    assert line(draft, "A").edges[:].tolist() == [1, 3], "the pulse of no width at 2 is none"
    assert line(draft, "B").edges[:].tolist() == [1, 3]
    assert any("begin and end at one time" in warning for warning in draft.warnings)


@pytest.mark.parametrize("rows", [5, 500])
@pytest.mark.parametrize("cut", range(1, 12))
def test_a_file_cut_in_its_last_row_is_read_up_to_there(rows: int, cut: int) -> None:
    whole = "t_us,A,B\n" + "".join(f"{1000 + k}.25,{k & 1},{k >> 1 & 1}\n" for k in range(rows))
    draft = read_text(whole[:-cut])
    complete = read_text(whole)
    kept = [edge for edge in complete.channels[0].edges[:].tolist() if edge < complete.end - 100] if cut > 1 else None
    if kept is None:
        assert draft.channels[0].edges[:].tolist() == complete.channels[0].edges[:].tolist(), "only the line feed lacks"
        assert not draft.warnings
    else:
        assert draft.channels[0].edges[:].tolist() == kept
        assert any(f"line {rows + 1}: it was cut short" in warning for warning in draft.warnings)


def test_a_number_that_a_cut_made_shorter_is_not_believed() -> None:
    draft = read_text("t_ms,bus\n0,0x00\n1,0x7f\n2,0x7f\n3,0x7")
    assert [channel.edges[:].tolist() for channel in draft.channels] == [[1]] * 7
    assert any("line 5" in warning for warning in draft.warnings)


def test_a_cut_right_behind_the_header() -> None:
    with pytest.raises(CaptureError, match="no row of data"):
        read_text("t_ms,A,B\n")
    with pytest.raises(CaptureError, match="no row of data"):
        read_text("t_ms,A,B\n12,")


@pytest.mark.parametrize(
    ("text", "reason", "at", "column"),
    [
        ("t_s,A\n0.1,0\n0.2,1\n0.15,0\n", "earlier", 4, 1),
        ("t_s,A\n0.1,0\nsoon,1\n0.3,0\n", "'soon' is not a number; delete the line if it is no row of data", 3, 1),
        ("t_s,A\n0.1,0\nt_s,A\n" + "0.3,1\n" * 30, "the header stands here once more: where two .* cut the file", 3, 1),
        ("t_s,A\n0.1,0\nt_s,A,B\n0.3,0\n", "3 fields where the rows have 2; the header stands here once more", 3, None),
        ("t_s,A\n0.1,0\n0.3,0\nTotal: 2 rows\n", "1 field where .* 2; delete the line if it is no row", 4, None),
        ("t_s,A\nsoon,1\n0.1,0\n0.3,0\n", "'soon' is not a number", 2, 1),
        ("t_s,A\n0.1,0\nNaN,1\n0.3,0\n", "no finite number", 3, 1),
        ("t_s,A\n0.1,0\n-inf,1\n0.3,0\n", "no finite number", 3, 1),
        ("t_s,A\n0.1,0\n,1\n0.3,0\n", "empty", 3, 1),
        ("t_s,A\n0.1,0\n0.2,1,1\n0.3,0\n", "3 fields where the rows have 2", 3, None),
        ("t_s,A\n0.1,0\n0.2\n0.3,0\n", "1 field where the rows have 2", 3, None),
        ("t_s,A [V]\n0.1,0.1\n0.2,inf\n0.3,3.3\n", "no finite number", 3, 2),
        ("t_s,A\n0.1,0\n0.2,maybe\n0.3,1\n0.4,0\n" + "0.5,1\n" * 30, "'maybe' is no level", 3, 2),
        ("t_s,A\n0.1,0\n99999999999999999999,1\n", "too large", 3, 1),
        ('t_s,A\n"0.1","0"\n"0.2,1\n' + '"0.3","0"\n' * 30, "quoted field", 3, None),
        ("# made\n\nt_s,A\n\n0.1,0\n# remark\n0.2,1\n0.1,0\n", "earlier", 8, 1),
        ("t_s,A\n0.1,0\n" + "9" * 500 + ",1\n", "too long", 3, 1),
    ],
)
@pytest.mark.parametrize("block_bytes", [1, 1 << 20])
def test_bad_rows_are_refused_with_line_and_column(
    text: str, reason: str, at: int, column: int | None, block_bytes: int
) -> None:
    with pytest.raises(CaptureError, match=reason) as caught:
        read_text(text, block_bytes=block_bytes)
    assert (caught.value.line, caught.value.column) == (at, column)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "does not read as a CSV"),
        ("one\n1\n2\n", "does not read as a CSV"),
        ("t_s,mood\n0.1,good\n0.2,better\n", "no column holds levels or volts.*text"),
        ("t_s" + 99 * ",mood" + 2 * ("\n0.1" + 99 * ",good") + "\n", r"column 7: \w+ holds text; and 93 more\)"),
        ("A,B\n0,1\n1,1\n", "sample rate"),
        ("t_s,A\n0.1,x\n0.2,z\n", "no channel has a known level"),
    ],
)
def test_files_with_nothing_to_measure_say_so(text: str, reason: str) -> None:
    with pytest.raises(CaptureError, match=reason):
        read_text(text)


def test_a_delimiter_given_overrules_the_one_found() -> None:
    text = "t_us;A,B\n1;0,5\n2;1,5\n3;0,5\n"
    assert [channel.name for channel in read_text(text, delimiter=";", analogue_columns=(2,)).channels] == ["A,B"]


@pytest.mark.parametrize("name", ["tab", "\\t", "\t"])
def test_delimiters_that_are_awkward_to_type(name: str) -> None:
    assert edges(read_text("t_ms\tA\n0\t0\n1\t1\n2\t0\n4\t1\n", delimiter=name)) == THREE


@pytest.mark.parametrize(
    "options",
    [
        {"delimiter": "ab"},
        {"sample_rate_hz": 0.0},
        {"sample_rate_hz": float("nan")},
        {"hysteresis": -0.1},
        {"threshold_v": float("inf")},
    ],
)
def test_options_that_mean_nothing_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(CaptureError, match=r"delimiter|sample rate|hysteresis|threshold"):
        read_text("t_ms,A\n0,0\n1,1\n", **options)


def test_the_time_column_by_name_and_by_number() -> None:
    text = "a_us,b_us,L\n0,10,0\n1,20,1\n2,40,0\n"
    assert edges(read_text(text, time_column="b_us", time_unit="us"), "L") == [Fraction(20, 10**6), Fraction(40, 10**6)]
    assert edges(read_text(text, time_column=1, time_unit="us"), "L") == [Fraction(1, 10**6), Fraction(2, 10**6)]
    with pytest.raises(CaptureError, match="there is no column '7'"):
        read_text(text, time_column=7, time_unit="us")


def test_comments_and_blank_lines_among_the_rows() -> None:
    rows = [f"{k / 1000},{k & 1}" for k in range(2000)]
    rows[700:700] = ["", "# a remark, with a comma", "   "]
    draft = read_text("t_s,A\n" + "\n".join(rows) + "\n\n\n")
    assert edges(draft) == [Fraction(k, 1000) for k in range(1, 2000)]


def test_wide_rows_of_many_channels() -> None:
    rng = np.random.default_rng(3)
    levels = (rng.random((3000, 40)) < 0.02).cumsum(axis=0) & 1
    names = [f"D{k}" for k in range(40)]
    text = "\n".join(
        [",".join(["t_us", *names]), *(f"{k * 2}.5," + ",".join(map(str, row)) for k, row in enumerate(levels))]
    )
    draft = read_text(text + "\n", block_bytes=50_000)
    for k, name in enumerate(names):
        expected = np.flatnonzero(np.diff(levels[:, k])) + 1
        assert np.array_equal(np.asarray(line(draft, name).edges), expected * 20 + 5)


def test_peak_memory_does_not_follow_the_length_of_a_file_with_few_edges(tmp_path: Path) -> None:
    import tracemalloc

    peaks = []
    for rows in (300_000, 1_200_000):
        path = tmp_path / f"{rows}.csv"
        with path.open("w") as file:
            file.write("t_us,A\n")
            file.writelines(f"{k},{k // 5000 & 1}\n" for k in range(rows))
        tracemalloc.start()
        with FileSource(path) as source:
            csv.read(source)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.3 * peaks[0]


@pytest.mark.parametrize("name", ["encoder_events_rpi", "scope_tds1012b_hdr", "scope_tds2024b_0"])
def test_files_that_nobody_here_wrote(name: str) -> None:
    path = REAL / f"{name}.csv"
    if not path.exists():
        pytest.skip(f"{path.name} is not on this machine")
    with FileSource(path) as source:
        assert csv.sniff(source.head)
        if name == "encoder_events_rpi":
            draft = csv.read(source)
            assert edges(draft, "Direction")[:2] == [Fraction("0.010304450988770"), Fraction("0.062039852142334")]
            return
        if name == "scope_tds2024b_0":
            assert csv.read(source).sample_rate_hz == 25_000, "the file says 40 us"
            return
        with pytest.raises(CaptureError, match="no two levels"):
            csv.read(source)


def test_an_instrument_that_writes_its_settings_left_of_the_trace() -> None:
    """The layout of the oscilloscope exports above, with a trace that has two levels."""
    settings = ["Record Length,8", "Sample Interval,2.00E-06", "Source,CH2", "Vertical Units,V"]
    volts = [0.0, 0.02, 3.3, 3.28, 3.31, 0.01, 0.0, 0.02]
    rows = [f"{settings[k] if k < 4 else ','},,{-0.0021 + k * 2e-6:.6f},{volt}" for k, volt in enumerate(volts)]
    draft = read_text(",,,x,y\n" + "\n".join(rows) + "\n")
    channel = draft.channels[0]
    assert draft.sample_rate_hz == 500_000
    assert channel.initial == 0
    assert [float(edge * draft.tick) for edge in channel.edges[:].tolist()] == pytest.approx(
        [-0.0021 + 3e-6, -0.0021 + 9e-6], rel=1e-4, abs=0
    )


@pytest.mark.parametrize("block_bytes", [1, 40, 1 << 20])
@pytest.mark.parametrize("mark", ["#", " # ", "%", "//"])
def test_a_remark_among_rows_whose_first_column_is_left_out(mark: str, block_bytes: int) -> None:
    rows = [f"{n};{n * 0.5:.1f};{n % 2}\n" for n in range(40)]
    rows[8] = mark + rows[8]
    found = read_text("n;Time [s];A\n" + "".join(rows), block_bytes=block_bytes)
    (line,) = found.channels
    # without row 8, A stays high from row 7 over row 9 to row 10; ticks of 0.1 s
    assert [int(edge) for edge in line.edges[:]] == [5 * n for n in range(1, 40) if n not in (8, 9)]


@pytest.mark.parametrize("block_bytes", [1, 40, 1 << 20])
def test_times_that_are_rounded_together_leave_no_edges_at_one_tick(block_bytes: int) -> None:
    """A row at -4.4e14 s leaves room for ticks of 100 us only."""
    rows = "".join(f"{n * 0.0000005:.7f},{n % 2}\n" for n in range(12))
    rows += "".join(f"{n}.0,{n % 2}\n" for n in range(1, 300))
    found = read_text("t_s,A\n-444444444444444.0,0\n" + rows, block_bytes=block_bytes)
    (line,) = found.channels
    edges = [int(edge) for edge in line.edges[:]]
    assert edges == sorted(set(edges))
    assert any("left out that begin and end at one time" in warning for warning in found.warnings)


@pytest.mark.parametrize("block_bytes", [1, 1 << 20])
def test_no_level_of_minus_zero(block_bytes: int) -> None:
    volts = [*map(str, range(9)), "-0", "10", "11"]
    text = "t_s,A [V]\n" + "".join(f"{n},{v}\n" for n, v in enumerate(volts))
    with pytest.raises(CaptureError, match=r"no two levels \(0 V to 11 V\)"):
        read_text(text, block_bytes=block_bytes)
