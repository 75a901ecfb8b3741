"""Files that are traps: bombs, headers without end, numbers beyond all measure, pipes that are silent, odd names."""

from __future__ import annotations

import gzip
import lzma
import os
import resource
import subprocess
import sys
import threading
import time
import zlib

import pytest

from spinlag import cli, read_capture
from spinlag.errors import CaptureError, RigError
from spinlag.importers import blocks, source
from spinlag.rig import read_rig

HEAD = b"$timescale 1 ns $end $var wire 1 ! A $end $enddefinitions $end\n"
BODY = b"#0 0! #5 1! #9 0! #20\n"
TABLE = b"Time [us],A\n" + b"".join(b"%d,%d\n" % (n, n & 1) for n in range(40))


def wrote(path, data):
    """A file with these bytes."""
    path.write_bytes(data)
    return path


def refusal(path, **options):
    """The one line with which reading ends."""
    with pytest.raises(CaptureError) as caught:
        read_capture(path, **options)
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith(str(path))
    return said.removeprefix(str(path))


def edges_of(path, **options):
    """The edges of every channel and the warnings."""
    capture = read_capture(path, **options)
    return [channel.edges[:].tolist() for channel in capture.channels], capture.warnings


# --- what expands, and what does not end


@pytest.mark.parametrize("pack", [lambda data: gzip.compress(data, 1), lambda data: lzma.compress(data, preset=0)])
def test_a_compressed_file_that_expands_without_end_stops_at_the_limit(tmp_path, pack):
    path = wrote(tmp_path / "bomb", pack(HEAD + BODY + b"1! 0!\n" * 600_000))
    assert path.stat().st_size < 50_000
    said = refusal(path, expand_limit=1_000_000)
    assert "expand to more than 0.001 GB" in said
    assert "raise the limit with --expand-limit GB" in said
    assert edges_of(path, expand_limit=10_000_000)[0] == [[5, 9]]


def test_the_limit_that_holds_by_itself(tmp_path, monkeypatch):
    monkeypatch.setattr(source, "EXPAND_LIMIT", 1 << 20)
    bomb = wrote(tmp_path / "bomb.gz", gzip.compress(HEAD + BODY + b"1! 0!\n" * 600_000))
    assert "expand to more than" in refusal(bomb)
    # 3 MB of text that shrinks as captures do lie beyond 1 MiB, but not beyond 100 times what they take
    honest = HEAD + b"".join(b"#%d\n%d!\n" % (n * 41 + n * n % 7, n & 1) for n in range(250_000))
    assert len(honest) > 2 << 20
    assert len(edges_of(wrote(tmp_path / "honest.gz", gzip.compress(honest, 1)))[0][0]) == 249_999


def test_unpacking_that_needs_too_much_memory_is_refused(tmp_path):
    hungry = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 30}]
    path = wrote(tmp_path / "hungry.xz", lzma.compress(HEAD + BODY, filters=hungry))
    assert "need more than 160 MiB of memory to unpack" in refusal(path)


@pytest.fixture
def spinlag(monkeypatch, capfd):
    """Run the command in this process: (exit status, standard output, standard error)."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["spinlag", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        return caught.value.code, *capfd.readouterr()

    return run


def test_the_option_reaches_the_reader(tmp_path, spinlag):
    path = wrote(tmp_path / "bomb.gz", gzip.compress(HEAD + BODY + b"1! 0!\n" * 600_000))
    code, out, err = spinlag("look", path, "--expand-limit", "0.001")
    assert (code, out) == (2, "")
    assert "--expand-limit" in err
    assert spinlag("look", path, "--expand-limit", "0.01")[0] == 0


@pytest.mark.parametrize("option", ["--expand-limit", "--sample-rate"])
@pytest.mark.parametrize("value", ["nan", "0", "-1", "inf", "1e300"])
def test_figures_on_the_command_line_that_are_none(tmp_path, spinlag, option, value):
    code, _, err = spinlag("look", wrote(tmp_path / "t.vcd", HEAD + BODY), f"{option}={value}")
    assert code == 2
    assert option in err


LIMITED = """
import resource, sys, time
from spinlag import cli, read_capture
from spinlag.errors import SpinlagError
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    print(len(read_capture(sys.argv[1]).channels))
except SpinlagError as error:
    print(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, time.process_time())
"""


def measured(path):
    """What reading a file in a process of its own printed, the memory it took in bytes, and its processor time."""
    done = subprocess.run([sys.executable, "-c", LIMITED, str(path)], capture_output=True, text=True, check=True)
    said, figures = done.stdout.strip().rsplit("\n", 1)
    grown, seconds = figures.split()
    return said, int(grown) << 10, float(seconds)


def test_a_header_with_signals_without_number(tmp_path):
    signals = b"".join(b"$var wire 1 s%d sig%d $end\n" % (n, n) for n in range(120_000))
    values = b"".join(b"0s%d\n" % n for n in range(120_000))
    text = b"$timescale 1 ns $end\n" + signals + b"$enddefinitions $end\n#0\n" + values + b"#5\n1s3\n#9\n0s3\n"
    said, grown, seconds = measured(wrote(tmp_path / "wide.vcd", text))
    assert said == "65536"
    assert grown < 10 * len(text) + (200 << 20)
    assert seconds < 10


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        # each short value of a wide vector stands for hundreds of changes
        (
            b"$timescale 1 ns $end $var wire 512 ! A $end $enddefinitions $end #0\n" + b"b1 !\nbx !\n" * 60_000,
            "changes of lines in so little text",
        ),
        (
            b"".join(
                [
                    b"$timescale 1 ns $end ",
                    *(b"$var wire 512 %c V%d $end " % (33 + k, k) for k in range(90)),
                    b"$enddefinitions $end #0\n",
                    b"$dumpoff $end\n" * 5000,
                ]
            ),
            "switched off over and over",
        ),
        (b"$timescale 1 ns $end $comment " + b"x" * 1_000_000, "a word of more than 256 KiB"),
    ],
    ids=["vector", "dumpoff", "word"],
)
def test_small_files_that_would_fill_the_memory(tmp_path, text, reason):
    said, grown, seconds = measured(wrote(tmp_path / "trap.vcd", text))
    assert reason in said
    assert grown < 10 * len(text) + (200 << 20)
    assert seconds < 10


def test_a_vector_of_a_million_bits_is_left_out_aloud(tmp_path):
    text = (
        b"$timescale 1 ns $end $var wire 1000000 ! V [999999:0] $end $var wire 1 a B $end $enddefinitions $end "
        b"#0 b1 ! 0a #5 b0 ! 1a #9 0a\n"
    )
    edges, warnings = edges_of(wrote(tmp_path / "wide.vcd", text))
    assert edges == [[5, 9]]
    assert any("V (1000000 bits) was left out: wider than 512 bits" in warning for warning in warnings)


def test_lines_and_words_without_end(tmp_path, monkeypatch):
    monkeypatch.setattr(blocks, "LONGEST_PIECE", 1 << 20)
    for name, text in (("x.vcd", HEAD + BODY + b"x" * (4 << 20)), ("x.csv", TABLE + b"7" * (4 << 20))):
        # block by block, with more behind it, nothing ends such a word
        said = refusal(wrote(tmp_path / name, text + b"\n" * 2))
        assert "no line or word ends within 1 MiB" in said or "is not a number" in said or "field" in said
    long_cell = wrote(tmp_path / "cell.csv", TABLE + b"1" * 100_000 + b",1\n41,0\n")
    assert ", line 42" in refusal(long_cell)


# --- numbers, times and clocks


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"#0 0! #18446744073709551616 1!\n", "beyond 2^62 ticks"),
        (b"#0 0! #" + b"9" * 5000 + b" 1!\n", "beyond 2^62 ticks"),
        (b"#5 0! #" + b"0" * 5000 + b"4 1!\n", "time runs backwards, from 5 to 4"),
        (b"#0 0! #nan 1!\n", "is no time stamp"),
    ],
)
def test_times_beyond_64_bits_and_backwards(tmp_path, body, reason):
    said = refusal(wrote(tmp_path / "time.vcd", HEAD + body))
    assert reason in said
    assert ", byte " in said
    assert len(said) < 400


@pytest.mark.parametrize(
    ("old", "new"), [(b"1 ns", b"0 s"), (b"1 ns", b"-1 ns"), (b"1 ns", b"1e3 ns"), (b"1 ns", b"9" * 5000 + b" s")]
)
def test_a_clock_that_is_none(tmp_path, old, new):
    assert "the timescale" in refusal(wrote(tmp_path / "clock.vcd", HEAD.replace(old, new) + BODY))


@pytest.mark.parametrize("size", [b"9" * 5000, b"99999999999999999999", b"[99999999999999999999:0]"])
def test_sizes_beyond_64_bits(tmp_path, size):
    text = HEAD.replace(b"$enddef", b"$var wire " + size + b" v V $end $enddef") + BODY
    try:
        edges, warnings = edges_of(wrote(tmp_path / "size.vcd", text))
    except CaptureError as error:
        assert "is no number" in str(error)
    else:
        assert edges == [[5, 9]]
        assert any("left out" in warning for warning in warnings)


@pytest.mark.parametrize(
    ("row", "place"),
    [
        (b"nan,1", "line 43, column 1"),
        (b"inf,1", "line 43, column 1"),
        (b"1e999,1", "line 43, column 1"),
        (b"5,1", "line 43, column 1"),
        (b"50,inf", "line 43, column 2"),
        (b"50," + b"9" * 5000, "line 43, column 2"),
    ],
)
def test_numbers_that_are_none_in_a_table(tmp_path, row, place):
    said = refusal(wrote(tmp_path / "t.csv", TABLE + b"40,0\n" + row + b"\n51,0\n"))
    assert place in said
    assert len(said) < 300


VOLTS = b"Time [us],V1 [V]\n" + b"".join(b"%d,%s\n" % (n, (b"0.1", b"3.2")[n // 4 % 2]) for n in range(40))


@pytest.mark.parametrize("cell", [b"inf", b"-inf", b"1e300", b"1e999", b"1e12"])
def test_volts_that_are_none(tmp_path, cell):
    said = refusal(wrote(tmp_path / "v.csv", VOLTS + b"40," + cell + b"\n41,0.1\n"))
    assert "line 42, column 2" in said


def test_what_instruments_write_for_no_sample_and_tiny_noise_are_read(tmp_path):
    plain = edges_of(wrote(tmp_path / "plain.csv", VOLTS))[0]
    odd = VOLTS.replace(b"12,3.2", b"12,9.91e37").replace(b"1,0.1", b"1,1e-308")
    assert len(edges_of(wrote(tmp_path / "odd.csv", odd))[0][0]) == len(plain[0])


@pytest.mark.parametrize("rate", [b"0 Hz", b"-5 MHz", b"1e999 MHz", b"nan Hz"])
def test_a_rate_in_a_table_that_is_none(tmp_path, rate):
    path = wrote(tmp_path / "r.csv", b"# sample rate: " + rate + b"\nsample,A\n0,1\n1,0\n2,1\n3,0\n")
    try:
        capture = read_capture(path)
    except CaptureError as error:
        assert "rate" in str(error)
    else:
        assert 0 < capture.sample_period_s < 10


@pytest.mark.parametrize(
    "line",
    [
        "sample_rate_hz = 0",
        "sample_rate_hz = nan",
        "sample_rate_hz = inf",
        "tick_ns = 0",
        "tick_ns = 5e-324",
        "tick_ns = -1.0",
        "tick_ns = 1e300",
        f"tick_ns = {'9' * 5000}",
        f"tick_ns = {'9' * 400}",
        "clock_ppm = nan",
        "clock_ppm = 1e300",
    ],
)
def test_figures_of_a_rig_that_are_none(tmp_path, line):
    path = wrote(tmp_path / "rig.toml", f"[capture]\n{line}\n".encode())
    with pytest.raises(RigError) as caught:
        read_rig(path)
    assert "\n" not in str(caught.value)
    assert any(word in str(caught.value) for word in ("capture.", "without end"))


@pytest.mark.parametrize("value", ["nan", "-inf", "1e300", "9" * 400, "9" * 5000, "[" * 4000, '"x"', "true"])
def test_limits_of_a_rig_that_are_none(tmp_path, value):
    path = wrote(tmp_path / "rig.toml", f'[limits."latency.latency"]\nmax_us = {value}\n'.encode())
    with pytest.raises(RigError, match=r"latency\.latency|TOML: ") as caught:
        read_rig(path)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


# --- how text can be written, and what is no file


@pytest.mark.parametrize(
    "text",
    [
        b"\xef\xbb\xbf" + HEAD + BODY,
        (HEAD + BODY).replace(b"\n", b"\r"),
        (HEAD + BODY).replace(b" ", b"\r\n"),
        HEAD + BODY.replace(b" ", b"\0 "),
        (HEAD + BODY).decode().encode("utf-16"),
        (HEAD + BODY).decode().encode("utf-16-be"),
        HEAD + BODY + b"\x1a",
    ],
    ids=["mark", "CR", "CRLF", "NUL", "UTF-16", "UTF-16 without mark", "control-Z"],
)
def test_ways_to_write_a_dump(tmp_path, text):
    edges, warnings = edges_of(wrote(tmp_path / "t.vcd", text))
    assert edges == [[5, 9]]
    assert [warning for warning in warnings if "zero bytes" not in warning] == []
    assert bool(warnings) == (b"!\0 #" in text)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ("no capture\n".encode("utf-16"), "UTF-16 text"),
        ((HEAD + BODY).decode().encode("utf-32"), "UTF-32 text; save it as UTF-8"),
        (b"\0\0\xfe\xff" + (HEAD + BODY).decode().encode("utf-32-be"), "UTF-32 text; save it as UTF-8"),
        ((HEAD + BODY).decode().encode("utf-32-le"), "UTF-32 text without its mark"),
        ((HEAD + BODY).decode().encode("utf-32-be"), "UTF-32 text without its mark"),
        (b"\x07\0\0\1" * 99, "binary data; export it as VCD or CSV"),
        (b"no capture\n\x1a" + bytes(500), "first bytes are neither"),
        ((HEAD + BODY).upper(), "$TIMESCALE begins a VCD file where it stands in lower case"),
        (b"log\n" + HEAD + BODY, "delete what is before them"),
        (lzma.compress(HEAD + BODY, format=lzma.FORMAT_ALONE), "LZMA data of the old kind; decompress it first"),
        (zlib.compress(HEAD + BODY), "zlib data; decompress it first"),
        (b"\0" * 70_000, "nothing but zero bytes"),
        (TABLE.replace(b"3,1", b"3\0,1"), "zero bytes stand among the text, the first at byte 25"),
    ],
)
def test_text_that_is_none(tmp_path, data, reason):
    assert reason in refusal(wrote(tmp_path / "t", data))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b" \n" * 50_000 + TABLE, "it begins with nothing but blanks"),
        (gzip.compress(gzip.compress(TABLE, mtime=0), mtime=0), "gzip data inside compressed data"),
        (TABLE.decode().encode("utf-32"), "UTF-32 text; save it as UTF-8"),
        (TABLE.replace(b"A", b"\x1b[31mA"), "(a control character, \\x1b, stands at byte 10)"),
        (b"Time [us];A\n1.000,5;0\n2.000,5;1\n3.000,5;0\n", "(as a table: no column reads as a time"),
        (b"Time [us],V\n0,0.1\n1,nan\n2,nan\n3,0.1\n", "(as a table: no column holds levels or volts (column 2: V"),
        (gzip.compress(b"", mtime=0), "the gzip data hold no text: the file is empty or was cut short"),
        (gzip.compress(TABLE, mtime=0)[:9], "the gzip data hold no text: the file is empty or was cut short"),
        (b"", "the file is empty"),
        (gzip.compress(TABLE, mtime=0)[:-8] + bytes(8), "data are damaged, after 0 bytes of text: copy the file again"),
    ],
)
def test_what_is_nearly_a_capture_is_told_why_not(tmp_path, data, reason):
    assert reason in refusal(wrote(tmp_path / "t", data))


def test_a_table_with_a_tail_of_zero_bytes_is_read_up_to_there(tmp_path):
    rows = b"Time [us],A\n" + b"".join(b"%d,%d\n" % (n, n & 1) for n in range(20_000))
    edges, warnings = edges_of(wrote(tmp_path / "t.csv", rows + b"\0" * 5000))
    assert len(edges[0]) == 19_999
    assert [warning for warning in warnings if "5000 zero bytes at the end of the file were left out" in warning]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_that_nobody_writes_to_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr(source, "PIPE_WAIT_S", 0.2)
    os.mkfifo(tmp_path / "pipe")
    began = time.monotonic()
    said = refusal(tmp_path / "pipe")
    assert "nothing came through this pipe" in said or "empty" in said
    assert time.monotonic() - began < 5


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_whose_writer_falls_silent_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr(source, "PIPE_PATIENCE_S", 0.2)
    pipe, done = tmp_path / "pipe", threading.Event()
    os.mkfifo(pipe)

    def write():
        with open(pipe, "wb", buffering=0) as stream:
            stream.write(HEAD + b"#0 0!\n")
            done.wait(20)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert "nothing came through this pipe for 0 s" in refusal(pipe)
    finally:
        done.set()
        writer.join()


@pytest.mark.parametrize("change", ["grows", "shrinks", "is written over"])
def test_a_file_that_changes_while_it_is_read(tmp_path, change):
    text = HEAD + b"".join(b"#%d %d!\n" % (n * 7, n & 1) for n in range(400_000))
    path = wrote(tmp_path / "live.vcd", text)
    changed = []

    def meddle(done, total):
        if changed or done < len(text) // 3:
            return
        changed.append(done)
        if change == "grows":
            with open(path, "ab") as stream:
                stream.write(b"#99999999 1!\n")
        elif change == "shrinks":
            os.truncate(path, len(text) // 2 + 1)
        else:
            os.utime(path, ns=(1, 1))

    try:
        capture = read_capture(path, progress=meddle)
    except CaptureError as error:
        assert change == "shrinks"
        assert ", byte " in str(error)
    else:
        assert any("the file changed while it was read" in warning for warning in capture.warnings)
    assert changed


ODD_NAMES = [
    "new\nline",
    "esc\x1b[2Jape",
    "-rf",
    "sp ace",
    "quote'\"",
    "Ωmega",
    "bell\a",
    "x" * 200,
    "a" * 3 + "‮txt.exe",
]


@pytest.mark.parametrize("name", [*ODD_NAMES, b"latin\xe9".decode("utf-8", "surrogateescape")])
def test_odd_characters_in_a_path_do_no_harm(tmp_path, spinlag, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    wrote(tmp_path / name, TABLE.replace(b"3,1", b"3,inf"))
    code, out, err = spinlag("look", "--", name)
    assert (code, out) == (2, "")
    assert err.startswith("spinlag: ")
    assert err.endswith("\n")
    assert all(character.isprintable() for character in err[:-1]), err


def test_a_report_of_an_oddly_named_capture_stays_in_its_folder(tmp_path):
    for name in ("..vcd", ".vcd", "....csv.gz", "a/../..vcd"):
        stem = cli._stem(tmp_path / name)
        assert "/" not in stem
        assert stem not in ("", ".", "..")


def test_reading_keeps_no_file_open(tmp_path):
    """Ten thousand captures one after another must not run out of file descriptors, refused or not."""
    if not os.path.isdir("/proc/self/fd"):
        pytest.skip("no /proc on this system")
    good, bad = wrote(tmp_path / "g.vcd", HEAD + BODY), wrote(tmp_path / "b.vcd", HEAD + b"#5 1! #4 0!\n")
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        read_capture(good)
        with pytest.raises(CaptureError):
            read_capture(bad)
    assert len(os.listdir("/proc/self/fd")) == before
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] > 0


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("speed", "nan"),
        ("speed", "inf"),
        ("clock-hz", "nan"),
        ("clock-hz", "-1"),
        ("columns", "9" * 400),
        ("leds", "0"),
    ],
)
def test_figures_of_a_budget_that_are_none(spinlag, option, value):
    figures = {"speed": "30", "columns": "48", "leds": "16", "part": "APA102", "clock-hz": "8e6"} | {option: value}
    code, out, err = spinlag("budget", *(f"--{name}={figure}" for name, figure in figures.items()))
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert f"--{option}" in err


def test_a_picture_whose_name_is_too_long(tmp_path, spinlag, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = TABLE + b"".join(b"%d,%d\n" % (n, n & 1) for n in range(41, 80))
    code, _, err = spinlag("draft", wrote(tmp_path / "t.csv", text), "-o", "a" * 256 + ".toml")
    assert code == 2
    assert "File name too long" in err
