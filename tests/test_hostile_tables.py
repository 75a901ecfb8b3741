"""What recorders and spreadsheets really write: told why not, read with a doubt said aloud, or read as meant."""

import pytest

from spinlag.errors import CaptureError
from spinlag.importers import read_capture

ROWS = 20
LEVEL = [int(3 <= n < 5 or n >= 9) for n in range(ROWS)]
CHANGES_MS = [3, 5, 9]


def table(tmp_path, time, head="Time [ms],A", end="", left_out=()):
    rows = "".join(f"{time(n)},{LEVEL[n]}{end}\n" for n in range(ROWS) if n not in left_out)
    path = tmp_path / "t.csv"
    path.write_text(f"{head}\n{rows}", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("time", "reason"),
    [
        (lambda n: f"25 Nov 2026 10:00:00.{n:03d}", "column 1 ('25 Nov 2026 10:00:00.000') holds clock times"),
        (lambda n: f"00:00.{n:03d}000", "column 1 ('00:00.000000') holds clock times"),
        (lambda n: f"{n}min", "column 1 ('0min') holds no plain numbers; export times without units"),
        (lambda n: f"{n + 1}'000", 'column 1 ("1\'000") holds no plain numbers'),
    ],
    ids=["date", "clock", "unit", "groups"],
)
def test_times_that_are_no_numbers_are_shown_and_a_way_out_is_named(tmp_path, time, reason):
    with pytest.raises(CaptureError) as caught:
        read_capture(table(tmp_path, time, head="Time,A"))
    assert reason in str(caught.value)
    assert "sample rate" not in str(caught.value)  # rows must not be counted where they have times


def test_times_in_groups_of_thousands_between_commas_are_doubted(tmp_path):
    grouped = read_capture(table(tmp_path, lambda n: f'"{n * 1000:,}"', head="Time [us],A"))
    assert any("'1,000' was read with a decimal comma" in warning for warning in grouped.warnings)
    decimals = read_capture(table(tmp_path, lambda n: f'"{n},000"'))
    assert [int(tick) * decimals.tick * 1000 for tick in decimals.channels[0].edges] == CHANGES_MS
    assert decimals.warnings == ()


def test_a_delimiter_behind_every_row_but_the_header(tmp_path):
    capture = read_capture(table(tmp_path, str, end=","))
    assert [channel.name for channel in capture.channels] == ["A"]
    assert [int(tick) * capture.tick * 1000 for tick in capture.channels[0].edges] == CHANGES_MS


def test_rows_that_a_recorder_dropped_are_said(tmp_path):
    assert read_capture(table(tmp_path, str)).warnings == ()
    holed = read_capture(table(tmp_path, str, left_out=(12, 13, 14)))
    assert any("rows stand 0.001 s apart" in said and "up to 0.004 s in places" in said for said in holed.warnings)


@pytest.mark.parametrize(("second", "same"), [("1us", True), ("1 ns", False)])
def test_a_dump_that_gives_its_timescale_twice(tmp_path, second, same):
    path = tmp_path / "t.vcd"
    path.write_text(
        f"$timescale 1 us $end $timescale {second} $end $var wire 1 ! A $end $enddefinitions $end #0 0! #5 1! #9 0!\n"
    )
    if same:
        assert read_capture(path).tick * 10**6 == 1
        return
    with pytest.raises(CaptureError, match=r"byte 21: a second timescale, '1 ns', where '1 us' was given"):
        read_capture(path)


@pytest.mark.parametrize("mark", ["0b", "0B"])
@pytest.mark.parametrize("width", [2, 8, 40])
def test_binary_digits_behind_their_mark_are_no_hexadecimal_ones(tmp_path, mark, width):
    capture = read_capture(
        table(tmp_path, lambda n: f"{n},{mark}{5 * LEVEL[n] % 2**width:0{width}b}", head="Time [ms],bus,A")
    )
    levels = {channel.name: [int(tick) * capture.tick * 1000 for tick in channel.edges] for channel in capture.channels}
    assert levels == {
        "bus[0]": CHANGES_MS,
        **({"bus[1]": [], "bus[2]": CHANGES_MS} if width > 2 else {}),
        "A": CHANGES_MS,
    }


@pytest.mark.parametrize(
    ("head", "which"), [("time_ms,channel,level", "column 2 (channel)"), ("t_ms,Pin,Value", "column 2 (Pin)")]
)
@pytest.mark.parametrize("names", [("INDEX", "DATA"), ("0", "1")])
def test_a_row_per_event_of_some_line_is_not_read_as_one_line(tmp_path, head, which, names):
    with pytest.raises(CaptureError, match="export one column of levels per line") as told:
        read_capture(table(tmp_path, lambda n: f"{n},{names[n % 2]}", head=head))
    assert which in str(told.value)
    assert told.value.line == 2


@pytest.mark.parametrize("before", ["# from the bench\n", "<html><pre>\n", "// 3\n"])
def test_a_dump_behind_something_else_is_told_from_where_to_keep_it(tmp_path, before):
    path = tmp_path / "t.vcd"
    dump = "$timescale 1 us $end $var wire 1 ! A $end $enddefinitions $end\n#0 0! #5 1! #9 0!\n"
    path.write_text(before + dump)
    with pytest.raises(CaptureError, match=f"VCD file begin at byte {len(before)}: .* delete what is before them"):
        read_capture(path)
    path.write_text(dump.upper())
    with pytest.raises(
        CaptureError, match=r"\$TIMESCALE begins a VCD file where it stands in lower case: write all keywords so"
    ):
        read_capture(path)
    path.write_text(dump)
    assert len(read_capture(path).channels) == 1
