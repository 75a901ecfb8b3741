"""The bounded look that claims a file for the CSV importer, and what header and preamble are taken to say."""

from __future__ import annotations

import lzma
import random
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings

from csv_texts import MadeFile, csv_texts
from spinlag.importers import csv
from spinlag.importers.csv_header import header_name, read_preamble
from spinlag.importers.source import HEAD_BYTES

ROOT = Path(__file__).parents[1]
REAL = ROOT.parent / "shared" / "real"

VCD = b"$date today $end\n$timescale 1 ns $end\n$scope module top $end\n$var wire 1 ! A $end\n$upscope $end\n"
FOREIGN = {
    "nothing": b"",
    "VCD": VCD + b"$enddefinitions $end\n#0\n0!\n#10\n1!\n#20\n0!\n",
    "VCD after blank lines": b"\n\n" + VCD,
    "VCD body alone": b"".join(b'#%d\n%d!\nb%04d "\nr0.5 #\n' % (k, k & 1, k & 1) for k in range(100)),
    "a picture": b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00" + bytes(range(256)),
    "noise": random.Random(1).randbytes(5000),
    "zeros": bytes(1000),
    "prose": b"On the 3rd, 12 boats lay at the wall, and 7, the smaller, had gone.\nNone of the 5, 6 or 7 came back.\n"
    * 9,
    "one number a line": b"1.5\n2.5\n3.5\n",
    "JSON": b'{"a": [1, 2, 3], "b": {"c": 1.5}}\n',
    "JSON over lines": b'{\n  "a": 1,\n  "b": 2.5,\n  "c": [\n    0,\n    1,\n    2\n  ]\n}\n',
    "TOML": b'[capture]\nsample_rate_hz = 24_000_000\n[index]\nchannel = "A"\nlimits = [1, 2, 3]\n',
    "HTML": b"<!doctype html>\n<html><body><p>1, 2, 3</p>\n<p>4, 5, 6</p></body></html>\n",
    "a log": b"2024-05-01 12:00:01,123 INFO started, 3 workers\n2024-05-01 12:00:02,456 INFO done, 3 of 3\n" * 5,
    "C": b"static const int table[] = {\n  1, 2, 3,\n  4, 5, 6,\n};\nint main(void) { return 0; }\n",
    "a list of names": b"name,colour,mood\nharbour,grey,calm\nwall,grey,calm\ntide,green,restless\n",
    "control characters": b"t_s,A\n0,0\n1,1\x1b[0m\n2,0\n",
}


@pytest.mark.parametrize("name", list(FOREIGN))
def test_other_files_are_not_claimed(name: str) -> None:
    assert not csv.sniff(FOREIGN[name])


def test_texts_of_this_project_are_not_claimed() -> None:
    texts = [path for kind in ("*.py", "*.toml", "*.md") for path in ROOT.rglob(kind)]
    texts = [path for path in texts if not {".venv", "build", ".git"} & set(path.parts)]
    assert len(texts) > 50
    assert [path.name for path in texts if csv.sniff(path.read_bytes()[:HEAD_BYTES])] == []


def test_value_change_dumps_of_many_writers_are_not_claimed() -> None:
    paths = sorted(REAL.glob("*.vcd.xz"))
    if not paths:
        pytest.skip("the folder of foreign files is not on this machine")
    for path in paths:
        with lzma.open(path) as file:
            assert not csv.sniff(file.read(HEAD_BYTES)), path.name


@settings(max_examples=150)
@given(csv_texts())
def test_captures_are_claimed(made: MadeFile) -> None:
    assert csv.sniff(made.text.encode()[:HEAD_BYTES])


@pytest.mark.parametrize(
    "text",
    [
        "t_s,A\n0,0\n",
        "t_s,A\n",
        "0.1,0\n0.2,1\n",
        "# Sample rate: 1 MHz\nA,B\n0,1\n1,1\n0,0\n",
        ",,,x,y\nSample Interval,2.00E-06,,-0.1,0.0\nRecord Length,2500,,-0.0998,3.3\n,,,-0.0996,3.3\n",
        "time [s] ; A ; B\n0,001 ; 1 ; 0\n0,002 ; 0 ; 0\n",
    ],
)
def test_small_and_odd_tables_are_claimed(text: str) -> None:
    assert csv.sniff(text.encode())


@pytest.mark.parametrize(
    ("title", "name", "unit"),
    [
        ("Time [s]", "Time", "s"),
        ("time (us)", "time", "us"),
        ("t_us", "t", "us"),
        ("Time/ms", "Time", "ms"),
        ("time in ms", "time", "ms"),
        ("Time (µs)", "Time", "us"),
        ("Time (μs)", "Time", "us"),
        ("timestamp_ns", "timestamp", "ns"),
        ("micros", "micros", "us"),
        ("Sample", "Sample", "samples"),
        ("Time", "Time", None),
        ("PH_S", "PH_S", None),
        ("R/S", "R/S", None),
    ],
)
def test_time_units_of_headers(title: str, name: str, unit: str | None) -> None:
    found = header_name(title)
    assert (found.name, found.time_unit) == (name, unit)


@pytest.mark.parametrize(
    ("title", "name", "volts"),
    [("CH1 [V]", "CH1", 1.0), ("A (mV)", "A", 1e-3), ("A", "A", None), ("bus[3]", "bus[3]", None)],
)
def test_volts_of_headers(title: str, name: str, volts: float | None) -> None:
    found = header_name(title)
    assert (found.name, found.volts) == (name, volts)


@pytest.mark.parametrize(
    ("line", "hertz"),
    [
        ("# Sample rate: 24 MHz", 24_000_000),
        ("Sample Interval,2.00E-06", 500_000),
        ("samplerate=24000000", 24_000_000),
        ("; sample_rate_hz = 24e6", 24_000_000),
        ("Sampling frequency (MHz);24,5", 24_500_000),
        ("Sample rate (MS/s): 8", 8_000_000),
        ("# dt = 125 ns", 8_000_000),
        ("# dt=41.6667 ns", Fraction(10**13, 416667)),
        ("Sample rate: 24,000,000 Hz", 24_000_000),
        ("Sample rate: 24,000 Hz", 24_000),
        ("Sample rate;24;MHz", 24_000_000),
        ("Record Length,2.50E+03", None),
        ("Horizontal Scale,5.00E-04", None),
        ("sample rate: 1e99999999", None),
        ("sample rate: 0 Hz", None),
        ("sampling rate: 1.2.3 MHz", None),
    ],
)
def test_rates_in_a_preamble(line: str, hertz: int | None) -> None:
    assert read_preamble([line]).sample_rate_hz == hertz


def test_units_in_a_preamble() -> None:
    found = read_preamble(["Vertical Units,mV", "Horizontal Units,s"])
    assert (found.volts, found.time_unit) == (1e-3, "s")
