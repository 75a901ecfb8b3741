"""Output survives terminals whose encoding lacks the micro sign or the degree."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import pytest

from spinlag.terminal import write_what_it_can

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
