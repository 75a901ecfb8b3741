"""Tables that a person reads at once: clock times, units in the cells, typographic signs, old and mixed line ends."""

import datetime
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.fuzz.oracle import TextSource

from spinlag.errors import CaptureError
from spinlag.importers import read_capture
from spinlag.importers.csv import read as read_csv
from spinlag.importers.csv_options import CsvOptions

ROWS = 20
LEVEL = [int(3 <= n < 5 or n >= 9) for n in range(ROWS)]
CHANGES = [3, 5, 9]
"""Rows at which the level changes."""


def rows(time, level=str, ends=("\n",)):
    return "".join(f"{time(n)},{level(LEVEL[n])}{ends[n % len(ends)]}" for n in range(ROWS))


def read(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return read_capture(path)


def instants(capture):
    """Seconds, exactly."""
    (line,) = [channel for channel in capture.channels if channel.name == "A"]
    return [int(tick) * capture.tick for tick in line.edges]


def clock(seconds):
    """ISO 8601-1:2019, 5.3.1: hours, minutes, seconds and a decimal fraction."""
    whole = seconds.numerator // seconds.denominator % 86400
    part = int((seconds % 1) * 10**6)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{part:06d}"


@pytest.mark.parametrize("date", ["", "2026-11-25T", "2026-11-25 ", "2026/11/25 ", "2026-11-25,", "7,"])
@pytest.mark.parametrize("zone", ["", "Z", "+01:00"])
def test_clock_times_are_read_to_the_last_digit(tmp_path, date, zone):
    def time(n):
        return f"{date}{clock(Fraction(36000) + Fraction(n, 10**6))}{zone}"

    capture = read(tmp_path, "Time,A\n".rjust(7 + date.count(","), ",") + rows(time))
    assert instants(capture) == [36000 + Fraction(n, 10**6) for n in CHANGES]
    assert ("time unit", "s (clock times, from midnight of the first row's day)") in capture.understood


@pytest.mark.parametrize("dated", [False, True])
def test_clock_times_pass_midnight(tmp_path, dated):
    start = Fraction(86399) + Fraction(99, 100)

    def time(n):
        at = start + Fraction(n, 500)
        return ("2026-12-31T" if at < 86400 else "2027-01-01T") * dated + clock(at)

    assert instants(read(tmp_path, "Time,A\n" + rows(time))) == [start + Fraction(n, 500) for n in CHANGES]


def test_offsets_from_utc_that_change_within_the_file(tmp_path):
    """The hour that summer time gives back is no step back."""
    text = "t,A\n2026-10-25T02:59:59.5+02:00,0\n2026-10-25T02:00:00.0+01:00,1\n2026-10-25T02:00:00.5+01:00,0\n"
    assert instants(read(tmp_path, text)) == [Fraction(3 * 3600), 3 * 3600 + Fraction(1, 2)]


def test_a_clock_set_back_or_damaged_is_told_with_its_place(tmp_path):
    with pytest.raises(CaptureError, match="earlier than in the row before") as told:
        read(tmp_path, "t,A\n10:00:00.5,0\n10:00:00.6,1\n10:00:00.1,0\n10:00:00.7,0\n")
    assert (told.value.line, told.value.column) == (4, 1)
    good = "".join(f"10:00:00.{n:03d},{n % 2}\n" for n in range(100))
    with pytest.raises(CaptureError, match=r"'10:61:00\.5' is not a number") as told:
        read(tmp_path, f"t,A\n{good}10:61:00.5,0\n{good}")
    assert (told.value.line, told.value.column) == (102, 1)


def test_a_footer_below_clock_times_is_told_with_its_line(tmp_path):
    with pytest.raises(CaptureError, match="1 field where the rows have 2; delete the line") as told:
        read(tmp_path, "Time,A\n" + rows(lambda n: f"10:00:00.{n:03d}") + "End of file\n")
    assert told.value.line == ROWS + 2


def test_a_fraction_behind_a_comma_that_delimits_is_not_lost(tmp_path):
    with pytest.raises(CaptureError):
        read(tmp_path, "Time,A\n" + rows(lambda n: f"10:00:00,{n:03d}"))


@pytest.mark.parametrize(
    "written",
    ["29/11/2026 %H:%M:%S.%f", "11/29/2026 %I:%M:%S.%f %p", "29.11.2026,%H:%M:%S.%f", "29-11-2026,%I:%M:%S.%f %p"],
)
@pytest.mark.parametrize("later", [1, 2])
def test_dates_with_the_year_last_and_clocks_of_twelve_hours(tmp_path, written, later):
    """Over midnight, and over a whole day more, which the clock alone would not show; 1/12 and 12/1 are one day."""
    start = datetime.datetime(2026, 11, 29, 23, 59, 59, 990000)
    days = {0: ("29", "11"), later: (f"{29 + later - 30 * (later > 1):02d}", f"{11 + (later > 1)}")}

    def time(n):
        at = start + datetime.timedelta(milliseconds=2 * n, days=(later - 1) * (n > 4))
        day, month = days[(at.date() - start.date()).days]
        return (
            at.strftime(written.replace("29", "DD", 1).replace("11", "MM", 1)).replace("DD", day).replace("MM", month)
        )

    found = instants(read(tmp_path, "Time,A\n".rjust(7 + written.count(","), ",") + rows(time)))
    passed = [Fraction(86400 * (later - 1)) if n > 4 else 0 for n in CHANGES]
    assert found == [Fraction("86399.99") + Fraction(n, 500) + more for n, more in zip(CHANGES, passed, strict=True)]


def test_a_clock_set_back_across_the_first_midnight_is_no_jump_ahead(tmp_path):
    with pytest.raises(CaptureError, match=r"the clock jumps to 23:59:59\.9: it was set back across midnight") as told:
        read(tmp_path, "t,A\n00:00:00.1,0\n00:00:00.2,1\n23:59:59.9,0\n00:00:00.5,1\n")
    assert (told.value.line, told.value.column) == (4, 1)


def test_more_than_a_hundred_hours_and_clock_times_between_spaces(tmp_path):
    text = "Time  A\n" + rows(lambda n: f"123:00:00.{n:03d}").replace(",", "   ")
    assert instants(read(tmp_path, text)) == [123 * 3600 + Fraction(n, 1000) for n in CHANGES]


@pytest.mark.parametrize("unit", ["usec", " usec", "\N{NO-BREAK SPACE}us", "\N{NARROW NO-BREAK SPACE}µs", " useconds"])
def test_units_of_several_letters_and_spaces_that_do_not_break(tmp_path, unit):
    assert instants(read(tmp_path, "Time,A\n" + rows(lambda n: f"{n}{unit}"))) == [Fraction(n, 10**6) for n in CHANGES]


def test_a_short_table_cut_within_a_unit(tmp_path):
    text = "Time [s],A\n" + "".join(f"0.{n:03d},{3300 * (n % 2)} mV\n" for n in range(12))
    capture = read(tmp_path, text[:-2])
    assert len(instants(capture)) == 10
    assert any("ends in the middle of line 13" in warning for warning in capture.warnings)


@pytest.mark.parametrize(
    ("head", "time", "volts"),
    [
        ("Time,A", lambda n: f"{n * 250} us" if n < 4 else f"{n / 4:.2f} ms", lambda one: f"{3 * one + 0.1:.1f}V"),
        ("Time (us),A (V)", lambda n: f"{n * 250}us", lambda one: f"{3300 * one} mV"),
        ("Time,A (mV)", lambda n: f'"{n * 250} µs"', lambda one: f'"{5 * one} V"'),
        ("Time,A", lambda n: f"{n * 250e-6:.6f} s", str),
        ("Time,A", lambda n: str(n * 0.00025), lambda one: f"{one} V"),
    ],
    ids=["mixed", "twice", "quoted", "seconds", "volts alone"],
)
def test_a_unit_in_every_cell(tmp_path, head, time, volts):
    capture = read(tmp_path, f"{head}\n" + rows(time, volts))
    found = instants(capture)
    assert len(found) == len(CHANGES)
    for n, at in zip(CHANGES, found, strict=True):
        assert Fraction(n - 1, 4000) <= at <= Fraction(n, 4000)  # between two rows
    if volts is str:
        assert found == [Fraction(n, 4000) for n in CHANGES]


def test_a_column_of_durations_beside_the_time_is_no_time(tmp_path):
    capture = read(
        tmp_path, "Time [s],A,period\n" + "".join(f"0.{n:03d},{LEVEL[n]},{20 - n} ms\n" for n in range(ROWS))
    )
    assert instants(capture) == [Fraction(n, 1000) for n in CHANGES]
    assert [channel.name for channel in capture.channels] == ["A"]


@pytest.mark.parametrize(
    "head", ["wall,Time,A", "Timestamp,Time (s),A", "Timestamp,Elapsed (s),A", "a,b,c\nd,t_s,A", "d,v,A"]
)
@pytest.mark.parametrize("beside", ["10:00:00", "2026-11-25 10:00:00", "5 ms"])
def test_plain_times_go_before_a_clock_beside_them(tmp_path, head, beside):
    """A logger writes the date of every row, to the second, left of the time from the start."""
    table = "".join(f"{beside},0.{n:03d},{LEVEL[n]}\n" for n in range(ROWS))
    assert instants(read(tmp_path, f"{head}\n{table}")) == [Fraction(n, 1000) for n in CHANGES]


def test_a_clock_goes_before_a_number_that_happens_to_rise(tmp_path):
    table = "".join(f"10:00:00.{n:03d},0.{n:02d},{LEVEL[n]}\n" for n in range(ROWS))
    for head in ("Time,charge,A", "when,charge,A"):
        assert instants(read(tmp_path, f"{head}\n{table}")) == [36000 + Fraction(n, 1000) for n in CHANGES]


@pytest.mark.parametrize("at", [39, 25, 2000])
@pytest.mark.parametrize(
    ("row", "bare", "column"),
    [
        (lambda n: f"{n} us,{3 * (n % 2)} V", lambda n: f"{n},3 V", 1),
        (lambda n: f"{n} us,{3300 * (n % 2)} mV", lambda n: f"{n} us,3300", 2),
        (lambda n: f"0.{n:05d},{3300 * (n % 2)} mV", lambda n: f"0.{n:05d},3300", 2),
        (lambda n: f"10:00:{n // 100:02d}.{n % 100:02d},{n % 2}", lambda n: f"{36000 + n / 100},0", 1),
    ],
    ids=["time", "volts", "volts alone", "clock"],
)
def test_a_plain_number_among_units_or_clock_times_is_told_with_its_place(tmp_path, row, bare, column, at):
    """What it counts is anyone's guess: 39 behind 38 us is not 39 s."""
    rows = [row(n) for n in range(max(at + 1, 40))]
    text = "Rate,100000\nt,A\n" + "\n".join(rows) + "\n"
    assert len(instants(read(tmp_path, text))) > 10
    rows[at] = bare(at)
    with pytest.raises(
        CaptureError, match="is a plain number where the rows above have a unit or a clock time"
    ) as told:
        read(tmp_path, "Rate,100000\nt,A\n" + "\n".join(rows) + "\n")
    assert (told.value.line, told.value.column) == (at + 3, column)


@pytest.mark.parametrize("unit", ["V", "mV"])
def test_a_table_cut_before_its_last_unit_is_read_up_to_there(tmp_path, unit):
    high = "3.0" if unit == "V" else "3000"
    text = "t,A\n" + "".join(f"0.{n:03d},{high if LEVEL[n] else 0} {unit}\n" for n in range(13))
    for cut in (len(text) - len(unit) - 2, len(text) - len(unit) - 1):
        assert len(instants(read(tmp_path, text[:cut]))) == len(CHANGES)


def test_a_zero_needs_no_unit(tmp_path):
    text = "t,A\n0 us,0 mV\n" + "".join(f"{n} us,{3300 * LEVEL[n]} mV\n" for n in range(1, ROWS))
    plain = text.replace(",0 mV", ",0").replace("\n0 us", "\n0")
    assert instants(read(tmp_path, plain)) == instants(read(tmp_path, text))


def test_a_clock_set_back_across_midnight_is_told_with_its_place(tmp_path):
    with pytest.raises(CaptureError, match="earlier than in the row before") as told:
        read(tmp_path, "t,A\n23:59:59.8,0\n23:59:59.9,1\n00:00:00.0,0\n23:59:59.95,1\n00:00:00.1,0\n")
    assert (told.value.line, told.value.column) == (5, 1)


@pytest.mark.parametrize("end", ["\x1a", "\n\x1a", "\r\n\x1a\x1a\x1a", "\n\x1a\r\n"])
@pytest.mark.parametrize("level", [str, lambda one: f"{3.25 * one:.2f}"], ids=["levels", "volts"])
def test_control_z_ends_a_text(tmp_path, end, level):
    text = "t_s,A\n" + rows(lambda n: f"0.{n:03d}", level)
    plain, ended = read(tmp_path, text), read(tmp_path, text.rstrip("\n") + end)
    assert instants(ended) == instants(plain)
    assert (ended.warnings, ended.end) == (plain.warnings, plain.end)


def test_typographic_minus_signs(tmp_path):
    text = "t_ms,A [V]\n" + rows(lambda n: n - 10, lambda one: f"{6 * one - 3}.5")
    plain, signed = read(tmp_path, text), read(tmp_path, text.replace("-", "\N{MINUS SIGN}"))
    assert len(instants(plain)) == 3
    assert instants(signed) == instants(plain)
    united = "t,A\n" + rows(lambda n: f"{n - 10} us")
    assert instants(read(tmp_path, united.replace("-", "\N{MINUS SIGN}"))) == [Fraction(n - 10, 10**6) for n in CHANGES]
    levels = "t_ms,A\n" + rows(lambda n: n - 10)
    assert instants(read(tmp_path, levels.replace("-", "\N{MINUS SIGN}"))) == [Fraction(n - 10, 1000) for n in CHANGES]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_its_mark(tmp_path, encoding):
    assert instants(read(tmp_path, "t_ms,A\n" + rows(str), encoding)) == [Fraction(n, 1000) for n in CHANGES]


@pytest.mark.parametrize("ends", [("\n", "\r\n", "\r"), ("\r", "\n"), ("\r\r\n",), ("\r\n", "\r")])
def test_line_ends_of_three_kinds_in_one_file(tmp_path, ends):
    assert instants(read(tmp_path, "t_ms,A\n" + rows(str, ends=ends))) == [Fraction(n, 1000) for n in CHANGES]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.integers(0, 2 * 10**10), min_size=2, max_size=40, unique=True).map(sorted),
    st.integers(0, 86399),
    st.sampled_from([1, 7, 64, 1 << 16]),
    st.sampled_from(["", "\x1a", "\r\n"]),
)
def test_clock_times_in_blocks_of_any_size(micros, start, block_bytes, end):
    """Held against the microseconds that were written; steps stay under half a day."""
    times = [Fraction(start) + Fraction(at, 10**6) for at in micros]
    text = "time,A\n" + "\n".join(f"{clock(at)},{k % 2}" for k, at in enumerate(times)) + end
    draft = read_csv(TextSource(text.encode(), "t.csv"), options=CsvOptions(), block_bytes=block_bytes, threads=0)
    first = times[0] // 86400 * 86400
    assert [int(tick) * draft.tick for tick in draft.channels[0].edges] == [at - first for at in times[1:]]


def test_volts_are_no_times_where_the_times_cannot_be_read():
    text = "Time,A,U\n23:59:59.900+01:00,0,0 mV\n23:60:59.936+01:00,0,3300 mV\n23:59:59.990+01:00,1,3301 mV\n"
    for block_bytes in (1, 40, 1 << 20):
        with pytest.raises(CaptureError, match=r"no column reads as a time: column 1 .* holds clock times"):
            read_csv(TextSource(text.encode(), "t.csv"), options=CsvOptions(), block_bytes=block_bytes, threads=0)
