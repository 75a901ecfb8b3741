"""VCD files that break the standard, or break off: one clear message with the place, never a wrong edge."""

from __future__ import annotations

import pytest

from reference_vcd import read as read_slowly
from spinlag.errors import CaptureError
from test_vcd import HEAD
from vcd_texts import as_lists, read_text

BODY = (
    b"$dumpvars\nx!\n0ab\nbx #\n$end\n#0\n1!\n1ab\nb1010 #\n#12\n0!\n$comment of note $end\n#345\nb1 #\n"
    b"$dumpoff\nx!\nxab\nbx #\n$end\n#1020\n$dumpon\n0!\n0ab\nb11 #\n$end\n#5000\n1!\n0ab\n#67890\n0!\n1 ab\n#70001\n"
)


def test_cut_at_every_byte_of_the_values() -> None:
    """What is read from a cut file is what stands before the cut; only a cut between records passes unnoticed."""
    whole = HEAD + BODY
    quiet = []
    for stop in range(len(HEAD) + BODY.index(b"#0\n") + 3, len(whole)):
        draft = read_text(whole[:stop], block_bytes=40)
        got = {channel.path: as_lists(channel) for channel in draft.channels}
        assert got == _expected(whole, stop, draft.end), (stop, whole[:stop][-12:])
        if not draft.warnings:
            quiet.append(whole[stop - 3 : stop])
    assert {text for text in quiet if not (text[-1:].isspace() or text.endswith((b"!", b"ab", b"end", b" #")))} == set()


def _expected(whole: bytes, stop: int, end: int) -> dict[str, tuple[int, list[int], list[list[int]]]]:
    """Replays the whole records before the cut; the record's end is the reader's own choice, within reason."""
    text = whole[:stop]
    if not text[-1:].isspace():
        last = text.split()[-1]
        before = text.split()[-2]
        complete = last in {b"$end", b"0!", b"1!", b"x!", b"0ab", b"1ab", b"xab"} or (
            last in {b"#", b"ab"} and (before.startswith(b"b") or before == b"1")
        )
        time = int(last[1:]) if last[:1] == b"#" and last[1:].isdigit() else None
        text = text if complete else text[: len(text) - len(last)]
        if time is not None and time + 1 == end:
            text += b"#%d\n" % time
    if text.split()[-1] == b"1" or text.split()[-1].startswith(b"b"):
        text = text[: len(text.rstrip()) - len(text.split()[-1])]
    if text.count(b"$comment") and b"$end" not in text[text.rindex(b"$comment") :]:
        text = text[: text.rindex(b"$comment")]
    return read_slowly(text).lines


def test_cut_inside_the_declarations() -> None:
    for stop in range(1, len(HEAD) - 1):
        with pytest.raises(CaptureError, match=r"ends inside its declarations|size|\$var needs|should be"):
            read_text(HEAD[:stop])


def test_nothing_after_the_declarations() -> None:
    for body in (b"", b"$dumpvars 0! $end", b"$comment #12"):
        with pytest.raises(CaptureError, match="no time stamp"):
            read_text(HEAD + body)


@pytest.mark.parametrize(
    ("body", "where", "reason"),
    [
        (b"#0 0! #10 1! #9 0!\n", b"#9", "time runs backwards, from 10 to 9"),
        (b"#0 0! #10 1! 0? #11 1!\n", b"0?", "identifier code '\\?' was not declared"),
        (b"#0 b01 ?? #11 1!\n", b"??", "identifier code '\\?\\?' was not declared"),
        (b"#0 1 ! #11 1 $x\n", b"$x", "identifier code '\\$x' was not declared"),
        (b"#0 0! #3.5 1!\n", b"#3.5", "'#3.5' is no time stamp"),
        (b"#0 0! #1:3 1!\n", b"#1:3", "'#1:3' is no time stamp"),
        (b"#0 0! #123456:8 1!\n", b"#123456:8", "'#123456:8' is no time stamp"),
        (b"#1000000000 0! #1:00000005 1!\n", b"#1:", "'#1:00000005' is no time stamp"),
        (b"#0 0! #-3 1!\n", b"#-3", "'#-3' is no time stamp"),
        (b"#0 0! # 1!\n", b"# ", "'#' is no time stamp"),
        (b"#0 0! #12345678a9012345678 1!\n", b"#1234", "is no time stamp"),
        (b"#0 0! #4611686018427387905 1!\n", b"#4611", "beyond 2\\^62"),
        (b"#0 0! hello #1 1!\n", b"hello", "identifier code 'ello' was not declared"),
        (b"#0 0! goodbye #1 1!\n", b"goodbye", "'goodbye' is neither a time stamp nor a value"),
        (b"#0 0! p1 #1 1!\n", b"p1", "'p1' is neither a time stamp nor a value"),
        (b"#0 0! $ #1 1!\n", b"$ ", "'\\$' is no keyword"),
        (b"#0 0! b012 # #1 1!\n", b"b012", "'b012' is no value"),
        (b"#0 0! b # #1 1!\n", b"b #", "'b' is no value"),
    ],
)
@pytest.mark.parametrize("block_bytes", [1, 9, 1 << 20])
def test_faults_name_their_place(body: bytes, where: bytes, reason: str, block_bytes: int) -> None:
    with pytest.raises(CaptureError, match=reason) as caught:
        read_text(HEAD + body, block_bytes=block_bytes)
    assert caught.value.byte_offset == len(HEAD) + body.index(where)
    assert caught.value.file == "text.vcd"


def test_the_first_of_two_faults_counts() -> None:
    with pytest.raises(CaptureError, match="goodbye"):
        read_text(HEAD + b"#0 goodbye #10 0! #5 1!\n", block_bytes=12, threads=2)


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        (b"1 ns", b"3 ns", "timescale '3 ns' is not 1, 10 or 100"),
        (b"1 ns", b"1 min", "timescale '1 min' is not"),
        (b"1 ns", b"ns", "timescale 'ns' is not"),
        (b"wire 4 #", b"wire four #", "size 'four' of a \\$var is no number"),
        (b"wire 1 ! A", b"wire 1", "\\$var needs a type"),
        (b"ab B", b"$dumpoff B", "'\\$dumpoff' is a keyword"),
        (b"$scope", b"scope", "'scope' stands where the declarations"),
    ],
)
def test_wrong_declarations_name_their_place(old: bytes, new: bytes, reason: str) -> None:
    with pytest.raises(CaptureError, match=reason) as caught:
        read_text(HEAD.replace(old, new, 1) + b"#0 0! #1 1!\n")
    assert caught.value.byte_offset is not None
    assert caught.value.byte_offset <= HEAD.index(old)


@pytest.mark.parametrize(
    ("tail", "end", "edges", "warning"),
    [
        (b"#30 1!", 31, [20, 30], None),
        (b"#30 1! $end", 31, [20, 30], None),
        (b"#30", 31, [20], "cut short"),
        (b"#3", 21, [20], "cut short"),
        (b"#30 1", 31, [20], "cut short"),
        (b"#30 1a", 31, [20], "cut short"),
        (b"#30 1! b10", 31, [20, 30], "cut short"),
        (b"#30 1! b10 #", 31, [20, 30], None),
        (b"#30 1! $comm", 31, [20, 30], "cut short"),
        (b"#30 1! $comment 0!", 31, [20, 30], "cut short"),
        (b"#30 1! #40\n\0\0\0\0", 41, [20, 30], "cut short"),
        (b"#30 1! #4\0\0\0\0", 31, [20, 30], "cut short"),
    ],
)
def test_the_last_token(tail: bytes, end: int, edges: list[int], warning: str | None) -> None:
    """Without white space behind it, a last token counts only where it cannot be part of a longer one."""
    draft = read_text(HEAD + b"#0 0! #10 1! 0! #20 1!\n".replace(b"0! #20", b"#20").replace(b"#10 1!", b"") + tail)
    channel = next(channel for channel in draft.channels if channel.path == "m.A")
    assert (draft.end, channel.edges[:].tolist()) == (end, [20] if edges == [20] else edges[:1])
    assert any(warning in said for said in draft.warnings) if warning else not draft.warnings


def test_a_code_that_begins_another_is_not_trusted_at_the_very_end() -> None:
    head = HEAD.replace(b"ab B", b"!b B")
    draft = read_text(head + b"#0 0! 0!b #10 1!")
    assert [len(channel.edges) for channel in draft.channels if "C" not in channel.name] == [0, 0]
    assert any("cut short" in warning for warning in draft.warnings)


def test_values_too_long_for_their_line_are_told() -> None:
    draft = read_text(HEAD + b"#0 b0000001111 # #1 b11110000 #\n")
    assert [as_lists(channel)[:2] for channel in draft.channels if "C" in channel.name] == [(1, [1])] * 4
    assert any("more digits" in warning for warning in draft.warnings)


def test_missing_end_of_declarations_is_told() -> None:
    text = HEAD.replace(b"$enddefinitions $end", b"")
    assert read_text(text + b"#0 0! #1 1!\n").warnings == ("the declarations have no $enddefinitions",)
    assert read_text(text + b"$dumpvars 0! $end #1 1!\n").start == 1


def test_variables_of_no_bits_are_told_wherever_warnings_are() -> None:
    """IEEE Std 1364-2005, clause 18, gives a $var the size in bits of its variable, of which 0 is none."""
    none = b"$var wire 0 N%d NIL%d $end "
    one = HEAD.replace(b"$enddefinitions", none % (0, 0) + b"$enddefinitions") + BODY
    (said,) = read_text(one).warnings
    assert "NIL0 is declared with a size of 0 bits: it was left out; where a line is meant, write 1 for" in said
    plain = read_text(HEAD + BODY)
    assert [as_lists(channel) for channel in read_text(one).channels] == [as_lists(c) for c in plain.channels]
    assert plain.warnings == ()
    several = b"".join(none % (n, n) for n in range(5))
    (said,) = read_text(HEAD.replace(b"$enddefinitions", several + b"$enddefinitions") + BODY).warnings
    assert "NIL2 and 2 more are declared with a size of 0 bits: they were left out" in said
    assert "NIL3" not in said
    # what has no levels in the first place is no loss worth a warning
    real = HEAD.replace(b"$enddefinitions", b"$var real 0 R R $end $enddefinitions") + BODY
    assert read_text(real).warnings == ()


def test_two_recordings_in_one_file_are_told_apart() -> None:
    second = HEAD + BODY
    text = HEAD + BODY + second
    declared = len(HEAD + BODY) + second.index(b"$var")
    with pytest.raises(
        CaptureError, match=f"time runs backwards.*declared once more at byte {declared}: where two"
    ) as told:
        read_text(text)
    assert told.value.byte_offset > declared
    later = HEAD + b"#0 0! #5 1!\n" + HEAD + b"#9 0! #12 1!\n"
    (said,) = read_text(later).warnings
    assert f"at byte {len(HEAD) + 12 + HEAD.index(b'$var')}, and were left out: where two recordings" in said
    assert read_text(HEAD + b"#0 0! #5 1!\n$comment $var wire 1 ! A $end #9 0!\n").warnings == ()


def test_a_declaration_without_its_end_does_not_swallow_the_next() -> None:
    """IEEE Std 1364-2005, clause 18: every declaration ends in $end."""
    at = HEAD.index(b"$var")
    end = HEAD.index(b"$end", at)
    text = HEAD[:end] + HEAD[end + len(b"$end") :]
    with pytest.raises(CaptureError, match=r"the \$\w+ that begins here has no \$end before the next \$\w+") as told:
        read_text(text)
    assert told.value.byte_offset == at
    for open_text in (b"$date 25 November\n", b"$version 1\n"):
        with pytest.raises(CaptureError, match=r"has no \$end before the next \$timescale: write it in") as told:
            read_text(open_text + HEAD + BODY)
        assert told.value.byte_offset == 0
    free = HEAD.replace(b"$timescale", b"$comment a $var in words $end $timescale", 1)
    assert len(read_text(free + BODY).channels) == len(read_text(HEAD + BODY).channels)
