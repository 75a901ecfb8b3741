"""The VCD importer against a slow reference reader, pyvcd, and the wording of IEEE Std 1364-2005, clause 18."""

from __future__ import annotations

import io
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_vcd import read as read_slowly
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize
from vcd_texts import TextSource, as_lists, read_text, vcd_texts

from spinlag.capture import UNKNOWN
from spinlag.errors import CaptureError
from spinlag.importers import vcd
from spinlag.rig import CaptureTable

HEAD = (
    b"$timescale 1 ns $end $scope module m $end $var wire 1 ! A $end $var wire 1 ab B $end $var wire 4 # C [3:0] $end "
)
HEAD += b"$upscope $end $enddefinitions $end\n"


def line(text: bytes, path: str) -> tuple[int, list[int], list[list[int]]]:
    """One channel of a text."""
    return next(as_lists(channel) for channel in read_text(text).channels if channel.path == path)


@settings(max_examples=200)
@given(vcd_texts(), st.one_of(st.integers(1, 80), st.just(1 << 16)), st.sampled_from([0, 2]))
def test_any_text_in_any_blocks_gives_what_the_slow_reader_gives(text: bytes, block_bytes: int, threads: int) -> None:
    expected = read_slowly(text)
    draft = read_text(text, block_bytes=block_bytes, threads=threads)
    assert (draft.start, draft.end) == (expected.start, expected.end)
    got = [(channel.path, as_lists(channel)) for channel in draft.channels]
    assert dict(got) == expected.lines
    assert len(got) == len({path for path, _ in got})
