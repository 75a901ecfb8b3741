"""Output survives terminals whose encoding lacks the micro sign or the degree; mistakes in a command are one line."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import click
import pytest

from spinlag import cli
from spinlag.terminal import usage_line, write_what_it_can

BUDGET = ["budget", "--speed", "35", "--columns", "60", "--leds", "24", "--part", "WS2812B 2013-05"]


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", "476.2 µs, 6°"),
        ("latin-1", "476.2 µs, 6°"),
        ("koi8-r", "476.2 us, 6°"),
        ("iso8859-5", "476.2 us, 6 deg"),
    ],
)
def test_units_are_written_as_the_encoding_allows(encoding, said):
    run = subprocess.run(
        [sys.executable, "-m", "spinlag", *BUDGET],
        env={**os.environ, "PYTHONIOENCODING": encoding},
        capture_output=True,
        check=False,
    )
    assert run.returncode in (0, 1), run.stderr
    assert said in run.stdout.decode(encoding)
    assert not run.stderr


def test_what_has_no_plain_form_is_a_question_mark():
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii", write_through=True)
    write_what_it_can(stream)
    stream.write("−5 µs ± 0.2 µs, 3°, 10\u202f000 – 世")
    assert raw.getvalue() == b"-5 us +/- 0.2 us, 3 deg, 10 000 - ?"


def test_streams_that_are_no_text_files_are_left_alone():
    stream = io.StringIO()
    write_what_it_can(stream)
    assert stream.write("µ") == 1


# --- mistakes on the command line


def complained(arguments, monkeypatch, capfd):
    """(exit status, standard output, standard error) of a command in this process."""
    monkeypatch.setattr(sys, "argv", ["spinlag", *arguments])
    with pytest.raises(SystemExit) as caught:
        cli.main()
    return caught.value.code, *capfd.readouterr()


@pytest.mark.parametrize(
    ("arguments", "words", "command"),
    [
        (["chekc", "x.vcd"], "no such command", "spinlag"),
        (["check"], "missing argument", "spinlag check"),
        (["look"], "missing argument", "spinlag look"),
        (["verify", "folder"], "missing argument", "spinlag verify"),
        (["budget", "--speed", "30"], "missing option '--columns'", "spinlag budget"),
        (["synth", "x.toml"], "missing option '-o'", "spinlag synth"),
        (["check", "--colour", "x.vcd"], "--colour", "spinlag check"),
        (["check", "x.vcd", "--out"], "--out", "spinlag check"),
        (["--loud"], "--loud", "spinlag"),
        (["look", "x.vcd", "y.vcd"], "unexpected extra argument (y.vcd)", "spinlag look"),
        (["look", "x.vcd", "--time-unit", "days"], "'days' is not one of", "spinlag look"),
        (["look", "x.vcd", "--sample-rate", "0"], "0 is not above 0", "spinlag look"),
        (["look", "x.vcd", "--sample-rate", "nan"], "nan is", "spinlag look"),
        (["around", "x.vcd", "--time", "noon"], "'noon' is not a valid float", "spinlag around"),
        (["around", "x.vcd", "--revolution", "1.5"], "'1.5' is not a valid int", "spinlag around"),
        (
            ["budget", "--speed", "-1", "--columns", "3", "--leds", "2", "--part", "x"],
            "-1 is not above 0",
            "spinlag budget",
        ),
        (["around", "x.vcd"], "give exactly one of --time", "spinlag around"),
        (["compare", "--set", "a=b"], "two versions at least", "spinlag compare"),
        (["compare", "--set", "\x1b[31ma"], "\\x1b[31ma", "spinlag compare"),
        (["check", "a/x.vcd", "b/x.vcd"], "two captures of the same file name", "spinlag check"),
    ],
)
def test_a_mistake_in_a_command_is_one_line_and_status_2(monkeypatch, capfd, arguments, words, command):
    status, out, err = complained(arguments, monkeypatch, capfd)
    assert status == 2
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("spinlag: ")
    assert err.endswith(f" (see {command} --help)\n")
    assert words in err
    assert "Usage" not in err
    assert "\x1b" not in err


def test_a_list_of_choices_over_several_lines_becomes_one():
    error = click.UsageError("Missing option '--kind'. Choose from:\n\tone,\n\ttwo.")
    assert usage_line(error, "spinlag x") == "missing option '--kind'. Choose from: one, two (see spinlag x --help)"


def test_no_command_at_all_shows_the_help(monkeypatch, capfd):
    _, out, err = complained([], monkeypatch, capfd)
    assert "Typical use" in out + err
    assert "spinlag: " not in out + err
