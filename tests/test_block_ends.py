"""Where a block of text ends must not matter: any size of block gives the same lines, spacing and refusals."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from reference_vcd import read as read_slowly
from spinlag.errors import CaptureError
from spinlag.importers import csv as csv_table
from spinlag.importers import vcd
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.draft import Draft
from spinlag.rig import CaptureTable
from vcd_texts import TextSource

BLOCKS = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 1 << 16)


def told(draft):
    """All that a draft says, so that two can be compared."""
    lines = [(c.path, c.initial, c.edges[:].tolist(), c.unknown.tolist()) for c in draft.channels]
    return draft.tick, draft.start, draft.end, draft.sample_period, draft.warnings, lines


def outcome(read):
    """A draft, or None where it is refused."""
    try:
        return read()
    except CaptureError as error:
        assert "\n" not in str(error)
        return None


# --- VCD: words of a writer's own behind codes that look like values

VARIABLES = b"".join(
    b"$var %s %d %s L%d $end\n" % (kind, width, code, n)
    for n, (kind, width, code) in enumerate(
        [(b"wire", 1, b"!"), (b"wire", 3, b"b1"), (b"real", 64, b"r"), (b"wire", 1, b"1"), (b"wire", 2, b"$c")]
    )
)
HEAD = b"$timescale 1 ns $end\n" + VARIABLES + b"$enddefinitions $end\n#0\n0!\n"

WORDS = ["r1.5", "r", "b1", "b01", "1", "x", "0!", "11", "!", "$own", "$c", "$x", "$end", "$comment", "$dumpvars", "#5"]


def vcd_outcome(text, block_bytes):
    return outcome(lambda: vcd.read(TextSource(text), table=CaptureTable(), block_bytes=block_bytes, threads=0))


def alike_in_all_blocks(text):
    """What comes out of a VCD text, the same for every size of block."""
    whole = vcd_outcome(text, 1 << 16)
    for block_bytes in BLOCKS:
        part = vcd_outcome(text, block_bytes)
        assert (part is None) == (whole is None), block_bytes
        if whole is not None:
            assert told(part) == told(whole), block_bytes
    return whole


def vcd_text(words, joints):
    body = "".join(word + joint for word, joint in zip(words, joints, strict=False))
    return HEAD + body.encode() + b"\n#90\n1!\n#99\n"


@settings(max_examples=300)
@given(
    st.lists(st.sampled_from(WORDS), max_size=14),
    st.lists(st.sampled_from([" ", "\n"]), min_size=14, max_size=14),
)
@example(["r1.5", "r", "$own", "1!", "$end", "r2", "r"], [" "] * 7)
@example(["b1", "$own"], [" "] * 2)
@example(["b1", "b1", "$own", "0!", "$end"], [" "] * 5)
@example(["r1", "$comment", "x", "$end", "r", "$own", "$end"], [" "] * 7)
@example(["1", "1", "$own", "0!", "$end", "1", "$own"], [" "] * 7)
def test_vcd_reads_alike_in_blocks_of_any_size(words, joints):
    text = vcd_text(words, joints)
    whole = alike_in_all_blocks(text)
    if isinstance(whole, Draft):
        try:
            slow = read_slowly(text)
        except (ValueError, KeyError, IndexError):
            return  # a comment between a value and its code, say
        for line in whole.channels:
            assert (line.initial, line.edges[:].tolist(), line.unknown.tolist()) == slow.lines[line.path]


@settings(max_examples=300)
@given(st.lists(st.sampled_from(["\0", "\0\0\0", "0!", "1!", "#5", "#7", "#70", " ", "\n", "b10 b1"]), max_size=12))
@example(["0!", "\n", "\0"])
@example(["1!", "\0\0\0"])
@example(["\n", "\0", "1!", "\0", "\n", "\0"])
def test_zero_bytes_mean_the_same_in_blocks_of_any_size(pieces):
    """Files end in zeros where a recorder that had reserved the room for them crashed (common practice, no source)."""
    alike_in_all_blocks(HEAD + "".join(pieces).encode())


@pytest.mark.parametrize("block_bytes", [1, 7, 1 << 16])
@pytest.mark.parametrize(
    ("body", "edges"),
    [
        # `r` is the code of r1.5, and what follows a section of the writer's own
        (b"r1.5 r $own 1! $end #7 1! #8\n", [7]),
        (b"r1.5 r $own 1! $end r2 r #7 1! #8\n", [7]),
        (b"1 ! $own 0! $end #7 0! #8\n", [0, 7]),
        (b"b1 b1 b1 b1 $own 1! $end #7 1! #8\n", [7]),
    ],
)
def test_a_section_behind_a_code_that_looks_like_a_value(body, edges, block_bytes):
    found = vcd_outcome(HEAD.replace(b"#0\n0!\n", b"#0 0! ") + body, block_bytes)
    assert found is not None
    line = found.channels[0]
    assert line.edges[:].tolist() == edges
    assert line.initial == 0


@pytest.mark.parametrize("block_bytes", [1, 7, 1 << 16])
@pytest.mark.parametrize("body", [b"b1 $own 1! $end #7 1! #8\n", b"r1 r r2 $own #7 1! #8\n", b"1 $own #7 1! #8\n"])
def test_a_word_behind_a_value_is_its_code(body, block_bytes):
    text = HEAD + body
    with pytest.raises(CaptureError, match=r"the identifier code '\$own' was not declared") as caught:
        vcd.read(TextSource(text), table=CaptureTable(), block_bytes=block_bytes, threads=0)
    assert caught.value.byte_offset == text.index(b"$own")


def test_many_sections_behind_codes_take_their_turn_quickly():
    """The way that looks at one token after another is for these; it may not take the square of them."""
    body = b"r1.5 r $own 1! $end\n" * 100_000
    found = vcd_outcome(HEAD + body + b"#7 1! #8\n", 1 << 20)
    assert found.channels[0].edges[:].tolist() == [7]


# --- CSV: rows nearly evenly spaced, times of differing decimals


def csv_outcome(text, block_bytes):
    options = CsvOptions()
    return outcome(
        lambda: csv_table.read(TextSource(text, "t.csv"), options=options, block_bytes=block_bytes, threads=0)
    )


def table(times):
    rows = "".join(f"{time},{n // 2 % 2}\n" for n, time in enumerate(times))
    return ("Time [us],A\n" + rows).encode()


@settings(max_examples=300)
@given(
    st.integers(3, 14),
    st.sampled_from([1, 2, 5, 10, 25, 100, 1000]),
    st.integers(0, 3),
    st.lists(st.tuples(st.integers(0, 4), st.integers(-12, 12)), min_size=14, max_size=14),
)
@example(4, 10, 1, [(0, 0), (2, 5), (0, 0), (1, 10)] * 4)
def test_rows_on_the_verge_of_even_are_taken_alike_in_blocks_of_any_size(rows, step, places, written):
    """Times k * step / 10**places, each a little off and with its own number of zeros behind."""
    times = []
    for k, (zeros, off) in zip(range(rows), written, strict=False):
        value = Fraction(k * step, 10**places) + (Fraction(off, 10 ** (places + 1)) if zeros == 4 else 0)
        digits = f"{float(max(value, Fraction(0))):.{places + 1}f}"
        stripped = digits.rstrip("0").rstrip(".")
        times.append([digits, stripped, digits + "00", stripped, digits][zeros])
    if [Fraction(time) for time in times] != sorted(Fraction(time) for time in times):
        return
    text = table(times)
    whole = csv_outcome(text, 1 << 16)
    for block_bytes in BLOCKS:
        part = csv_outcome(text, block_bytes)
        assert (part is None) == (whole is None), (block_bytes, text)
        if whole is not None:
            assert told(part) == told(whole), (block_bytes, text)


def spaced(times, block_bytes=1 << 16):
    return csv_outcome(table(times), block_bytes).sample_period is not None


@pytest.mark.parametrize("block_bytes", BLOCKS)
def test_what_counts_as_even_is_the_finest_decimal_of_the_file(block_bytes):
    assert spaced(["0", "1", "2", "3", "4", "5"], block_bytes)
    # half a step off, in times that are all written coarsely: within their rounding
    assert spaced(["0", "1", "3", "4", "5", "7", "8", "9"], block_bytes) is True
    # the same times where a single one shows that they were written to a hundredth
    assert spaced(["0", "1", "3", "4", "5", "7", "8", "9.00"], block_bytes) is False
    # zeros at the end left out do not make a time coarser
    assert spaced(["0", "0.25", "0.5", "0.75", "1", "1.25"], block_bytes) is True
    assert spaced(["0", "0.25", "0.6", "0.75", "1", "1.25"], block_bytes) is False


@pytest.mark.parametrize("level", ["0", "F", "L", "f"])
@pytest.mark.parametrize("block_bytes", BLOCKS)
def test_a_level_written_another_way_is_a_repeated_row_all_the_same(level, block_bytes):
    """Found by the fuzzer: whether such rows count as samples followed the reader that took the block."""
    rows = ["0.5,0,0", f"3.5,{level},0", "6.5,0,0", "9.5,1,1", "12.5,0,1", "15.5,1,1", "18.5,0,0", "21.5,1,0"]
    text = ("Time [us],A,B\n" + "\n".join(rows) + "\n").encode()
    found = csv_outcome(text, block_bytes)
    assert found.sample_period is not None
    assert found.channels[0].edges[:].tolist() == [95, 125, 155, 185, 215]
    assert found.end - found.start == 240
