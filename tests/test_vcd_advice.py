"""What is said of a damaged VCD file: what is wrong, at which byte, and what to do about it."""

from __future__ import annotations

import gzip
import lzma
from fractions import Fraction
from pathlib import Path

import pytest

from reference_vcd import read as read_slowly
from spinlag.errors import CaptureError
from spinlag.importers import read_capture
from test_vcd import HEAD
from vcd_texts import as_lists, read_text

AGAIN = "copy or export the file again"


@pytest.mark.parametrize(
    ("body", "where", "way"),
    [
        (b"#0 0! #9 1!\n-- end of export --\n", b"--", f"a note or a footer, delete its line; .* {AGAIN}"),
        (b"#0 0! #9 1!\nEnd of file\n", b"End", f"a note or a footer, delete its line; .* {AGAIN}"),
        (b"#0 0! #9 1!\n# by a tool\n", b"# by", "belong directly behind the #; .* delete its line"),
        (b"#0 0! #9 1! 0~ #12 0!\n", b"0~", "write it before \\$enddefinitions"),
        (b"#0 0! #9 1! #3 0!\n", b"#3", f"second recording begins here, cut the file in two before it .* {AGAIN}"),
        (b"#0 0! #833 1! #1 250 0!\n", b"#1 ", "'?250 stands apart: export the file with times in one piece"),
        (b"#0 0! #1,250 1!\n", b"#1,2", "take out what stands between the digits"),
        (b"#0 0! #1'250'000 1!\n", b"#1'2", "take out what stands between the digits"),
        (b"#0 0! #12.5 1!\n", b"#12", "in whole ticks of a finer timescale"),
        (b"#0 0! #1e3 1!\n", b"#1e3", "in whole ticks of a finer timescale"),
        (b"#0 0! #12ns 1!\n", b"#12", "take out the unit"),
        (b"#-5 0! #12 1!\n", b"#-5", "with times that begin at 0"),
        (b"#0 0! #18446744073709551617 1!\n", b"#18", "begin at 0, or with a coarser timescale"),
        (b"#0 0! #5 b0! #12 1!\n", b"b0!", "needs white space .* write 'b0 !'"),
        (b"#0 0! #5 b0101# 1! #12 1!\n", b"b0101#", "needs white space .* write 'b0101 #'"),
        (b"#0 0! #5 r1.25ab 1! #12 1!\n", b"r1.25", "needs white space .* write 'r1.25 ab'"),
        (b"#0 0! #5 bA5 # #12 1!\n", b"bA5", "a vector is a b and 0, 1, x or z for each bit"),
        (b"#0 0! #5 pU 0 6 ! #12 1!\n", b"pU", "variables are declared with \\$var port"),
    ],
)
def test_every_refusal_names_its_place_and_a_way_out(body: bytes, where: bytes, way: str) -> None:
    with pytest.raises(CaptureError, match=way) as caught:
        read_text(HEAD + body)
    assert caught.value.byte_offset == len(HEAD) + body.index(where)


def test_time_set_back_between_two_blocks_has_a_way_out() -> None:
    with pytest.raises(CaptureError, match=f"backwards, from 900 to 3: where a second .* {AGAIN}"):
        read_text(HEAD + b"#0 0!\n#900 1!\n#3 0!\n#950 1!\n", block_bytes=10)


def test_one_time_is_told_as_one() -> None:
    draft = read_text(HEAD + b"#0 0! #5 $dumpoff $end #7 $dumpon 0! $end #9 1! 0!\n")
    assert ("dumping switched off", "once") in draft.understood
    assert "1 pulse began and ended at one time stamp and was left out (m.A 1)" in draft.warnings


@pytest.mark.parametrize(
    ("text", "tick", "said"),
    [
        ("1 µs".encode(), Fraction(1, 10**6), "1 µs, taken for 1 us"),
        ("10 µs".encode("latin-1"), Fraction(1, 10**5), "10 µs, taken for 10 us"),
        ("1 \N{GREEK SMALL LETTER MU}s".encode(), Fraction(1, 10**6), "1 μs, taken for 1 us"),
        (b"100 NS", Fraction(1, 10**7), "100 NS, taken for 100 ns"),
        (b"1ps", Fraction(1, 10**12), "1ps"),
    ],
)
def test_plain_spellings_of_the_timescale_are_read_and_told(text: bytes, tick: Fraction, said: str) -> None:
    draft = read_text(HEAD.replace(b"1 ns", text) + b"#0 0! #1 1!\n")
    assert (draft.tick, dict(draft.understood)["timescale"]) == (tick, said)


@pytest.mark.parametrize(
    ("old", "new", "where", "way"),
    [
        (b"1 ns", "3 µs".encode(), b"$timescale", "timescale '3 µs' is not .*: correct it, or give"),
        (b"$timescale", b"$TIMESCALE", b"$TIMESCALE", "write it in lower case, as \\$timescale"),
        (b"$enddefinitions", b"$endDefinitions", b"$endDef", "write it in lower case, as \\$enddefinitions"),
        (b"$enddefinitions $end", b"$enddefinitions", b"$enddef", "no \\$end before the next \\$dumpvars: write it in"),
        (b"$enddefinitions $end", b"$upscope", b"$upscope\n", "has no \\$end before the next \\$dumpvars"),
        (b"$timescale", b"$comment of note $timescale", b"$comment", "no \\$end before the next \\$timescale"),
        (b"wire 1 ! A", b"wire -1 ! A", b"$var", "write how many bits"),
        (b"wire 1 ! A", b"wire 1 ! ", b"$var", f"complete it, or {AGAIN}"),
        (b"$timescale", b"note $timescale", b"note", f"delete it, or {AGAIN}"),
        (b"m $end $var", b"m \0\0\0\0var", b"\0", f"4 zero bytes stand among the declarations.* {AGAIN}"),
        (b"1 ns", b"1\0ns", b"\0", "1 zero byte stands among the declarations"),
        (b"$timescale", b"$date 2\0\0\0\0imescale", b"\0", "4 zero bytes stand among the declarations"),
        (b"$upscope", b"\0" * 300_000, b"\0", f"zero bytes stand among the declarations.* {AGAIN}"),
    ],
)
def test_damaged_declarations_name_their_place_and_a_way_out(old: bytes, new: bytes, where: bytes, way: str) -> None:
    text = HEAD.replace(old, new, 1) + b"#0 $dumpvars 0! $end #1 1!\n"
    with pytest.raises(CaptureError, match=way) as caught:
        read_text(text)
    assert caught.value.byte_offset == text.index(where)


def test_zero_bytes_in_a_date_do_no_harm_and_are_told() -> None:
    draft = read_text(b"$date today\0 $end " + HEAD + b"#0 0! #1 1!\n")
    assert draft.tick == Fraction(1, 10**9)
    assert draft.warnings == ("1 zero byte stands in a date, version or comment, at byte 11; they were passed over",)


# --- zero bytes and sections among the values


@pytest.mark.parametrize("block_bytes", [1, 9, 40, 1 << 20])
def test_every_line_is_unknown_where_zero_bytes_stand_until_its_next_value(block_bytes: int) -> None:
    """A hole between whole lines breaks no rule of the format, but changes are missing in it."""
    body = b"#0\n0!\n0ab\n#5\n1!\n#7\n1ab\n" + b"\0" * 50 + b"#20\n0!\n#30\n0ab\n" + b"#31\n\0\0\n#40\n1ab\n"
    draft = read_text(HEAD + body, block_bytes=block_bytes)
    lines = {channel.name: as_lists(channel) for channel in draft.channels}
    assert lines["A"] == (0, [5, 20], [[7, 20], [31, 41]])
    assert lines["B"] == (0, [7, 30, 40], [[7, 30], [31, 40]])
    assert read_slowly(HEAD + body).lines["m.B"] == lines["B"]
    (said,) = draft.warnings
    at = len(HEAD) + body.index(b"\0")
    assert said.startswith(f"52 zero bytes stand among the values, the first 50 of them from byte {at} on, as in an ")
    assert said.endswith(f"unknown from there to its next value; {AGAIN}")


def test_a_hole_of_zero_bytes_is_told_as_that_and_not_by_what_it_broke() -> None:
    body = b"#100\n0!\n#2" + b"\0" * 4096 + b"7\n1!\n#300\n0!\n"
    with pytest.raises(CaptureError, match=rf"4096 zero bytes stand .*time runs .*{AGAIN}, or cut it there") as caught:
        read_text(HEAD + body)
    assert caught.value.byte_offset == len(HEAD) + body.index(b"\0")
    with pytest.raises(CaptureError, match=r"at least \d+ zero bytes stand from byte"):
        read_text(HEAD + body, block_bytes=512)
    # what was wrong long before them has nothing to do with them
    with pytest.raises(CaptureError, match=r"byte \d+: time runs backwards, from 9 to 3: where"):
        read_text(HEAD + b"#9\n0!\n#3\n1!\n" + b"#10\n0!\n" * 20 + body)


def test_zero_bytes_at_the_end_are_counted() -> None:
    (said,) = read_text(HEAD + b"#0 0! #5 1!\n" + b"\0" * 700).warnings
    assert said.startswith("700 zero bytes stand at the end of the file") and "cut short" in said


@pytest.mark.parametrize("block_bytes", [1, 30, 1 << 20])
def test_a_section_without_its_end_does_not_hide_values_unseen(block_bytes: int) -> None:
    body = b"#0 0! $comment lost #1 1! #2 0! #3 1! $dumpall 1! $end #4 0!\n"
    (said,) = read_text(HEAD + body, block_bytes=block_bytes).warnings
    at = len(HEAD) + body.index(b"#1")
    assert said.startswith(f"3 time stamps stand in comments or other sections without values, the first at byte {at}")
    open_ended = b"#0 0! #1 1!\n$comment no more\n#2 0!\n#3 1!\n"
    (said,) = read_text(HEAD + open_ended, block_bytes=block_bytes).warnings
    assert said.startswith(f"the section that begins at byte {len(HEAD) + open_ended.index(b'$comment')} has no $end")


def test_keywords_in_capitals_among_the_values_are_not_passed_over() -> None:
    body = b"#0 0! $DumpAll 1! $end #4 0!\n"
    with pytest.raises(
        CaptureError, match=r"'\$DumpAll' is no keyword: write it in lower case, as \$dumpall"
    ) as caught:
        read_text(HEAD + body)
    assert caught.value.byte_offset == len(HEAD) + body.index(b"$D")
    assert read_text(HEAD + b"#0 0! $comment $DUMPALL $end $mine 1 $end #4 1!\n").warnings == ()


def test_a_timescale_behind_the_declarations_is_not_passed_over() -> None:
    body = b"#0 0! $timescale 1 us $end #4 1!\n"
    (said,) = read_text(HEAD + body).warnings
    assert f"behind the declarations, at byte {len(HEAD) + body.index(b'$time')}, and was left out" in said
    bare = HEAD.replace(b"$timescale 1 ns $end", b"")
    with pytest.raises(CaptureError, match=r"behind the declarations: move it before \$enddefinitions") as caught:
        read_text(bare + body)
    assert caught.value.byte_offset == len(bare) + body.index(b"$time")


def test_variables_of_two_sizes_on_one_code_are_told() -> None:
    """One code is one variable under several names (IEEE Std 1364-2005, clause 18; from memory)."""
    head = HEAD.replace(b"$enddefinitions", b"$var wire 1 # D $end $var wire 1 ! E $end $enddefinitions")
    (said,) = read_text(head + b"#0 0! #1 b1010 #\n").warnings
    assert said.startswith("m.C (4 bit) and D (1 bit) have one identifier code, '#', and so are read as one line: ")


# --- the line of the byte


@pytest.mark.parametrize("packed", [bytes, lambda text: gzip.compress(text, mtime=0), lzma.compress])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_refusal_names_the_line_too(tmp_path: Path, packed, newline: str, encoding: str) -> None:
    text = HEAD.decode() + "".join(f"#{n}\n{n % 2}!\n" for n in range(60_000)) + "-- end --\n#60000\n"
    (tmp_path / "a").write_bytes(packed(text.replace("\n", newline).encode(encoding)))
    with pytest.raises(CaptureError, match="was not declared") as caught:
        read_capture(tmp_path / "a")
    assert caught.value.line == 1 + 1 + 120_000
    assert caught.value.byte_offset == text.replace("\n", newline).index("-- end")
    assert f", line 120002, byte {caught.value.byte_offset}: " in str(caught.value)


@pytest.mark.parametrize("good", [400, 100_000])
def test_text_that_does_not_stay_utf_16_is_refused_with_its_place(tmp_path: Path, good: int) -> None:
    text = (HEAD.decode() + "#0 0! #1 1!\n" * good)[:good].encode("utf-16")
    (tmp_path / "a").write_bytes(text + b"\x00\xdc" + "#2 0!\n".encode("utf-16-le"))  # half of a pair of surrogates
    with pytest.raises(CaptureError, match=f"begins as UTF-16 and does not go on so: {AGAIN}") as caught:
        read_capture(tmp_path / "a")
    assert caught.value.byte_offset == len(text)
