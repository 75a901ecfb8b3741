"""The VCD importer against a slow reference reader, pyvcd, and the wording of IEEE Std 1364-2005, clause 18."""

from __future__ import annotations

import io
from collections import Counter
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from reference_vcd import read as read_slowly
from spinlag.capture import UNKNOWN
from spinlag.importers import vcd
from spinlag.importers.blocks import MARGIN, Block
from spinlag.importers.vcd_even import find_rows
from spinlag.importers.vcd_general import read_general
from spinlag.importers.vcd_scheme import Parsed
from spinlag.importers.vcd_stamps import _read_even, _read_searched, read_stamps
from spinlag.importers.vcd_tokens import split
from spinlag.rig import CaptureTable
from vcd_texts import TextSource, as_lists, read_text, vcd_texts

HEAD = (
    b"$timescale 1 ns $end $scope module m $end $var wire 1 ! A $end $var wire 1 ab B $end "
    b"$var wire 4 # C [3:0] $end $upscope $end $enddefinitions $end\n"
)


def line(body: bytes, path: str) -> tuple[int, list[int], list[list[int]]]:
    """One channel of a text that begins with HEAD."""
    return next(as_lists(channel) for channel in read_text(HEAD + body).channels if channel.path == path)


@settings(max_examples=200)
@given(vcd_texts(), st.one_of(st.integers(1, 80), st.just(1 << 16)), st.sampled_from([0, 2]))
def test_any_text_in_any_blocks_gives_what_the_slow_reader_gives(text: bytes, block_bytes: int, threads: int) -> None:
    expected = read_slowly(text)
    draft = read_text(text, block_bytes=block_bytes, threads=threads)
    assert (draft.start, draft.end) == (expected.start, expected.end)
    got = [(channel.path, as_lists(channel)) for channel in draft.channels]
    assert dict(got) == expected.lines
    assert len(got) == len({path for path, _ in got})


def random_text(seed: int, changes: int, *, vectors: bool) -> bytes:
    """A plain text of many time stamps, long enough for several blocks."""
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.choice([0, 41, 42, 83, 10**9], size=changes, p=[0.01, 0.4, 0.4, 0.18, 0.01]))
    which = rng.integers(0, 3 if vectors else 2, size=changes)
    bits = rng.integers(0, 16, size=changes)
    out = [HEAD]
    for now, line_number, value in zip(time.tolist(), which.tolist(), bits.tolist(), strict=True):
        record = (b"%d!" % (value & 1), b"%dab" % (value & 1), b"b%s #" % format(value, "b").encode())[line_number]
        out.append(b"#%d\n%s\n" % (now, record))
    return b"".join(out)


@pytest.mark.parametrize("newline", [b"\n", b"\r\n", b" ", b"\n\n\n"])
@pytest.mark.parametrize("vectors", [False, True])
@pytest.mark.parametrize("block_bytes", [1000, 4096, 1 << 20])
def test_long_texts_across_many_blocks(block_bytes: int, vectors: bool, newline: bytes) -> None:
    text = random_text(block_bytes, 10_000, vectors=vectors).replace(b"\n", newline)
    draft = read_text(text, block_bytes=block_bytes, threads=2)
    assert {channel.path: as_lists(channel) for channel in draft.channels} == read_slowly(text).lines


def usual_text(seed: int, stamps: int, newline: bytes) -> bytes:
    """Rows of a time stamp and one-bit values: mostly one, now and then none, two or three, the same line twice."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.choice([41, 42, 83, 10**8], size=stamps, p=[0.4, 0.4, 0.19, 0.01]))
    out = [HEAD.replace(b"ab B", b'" B').rstrip()]
    for time in times.tolist():
        codes = rng.choice(
            [b"!", b'"'], size=rng.choice([1, 1, 1, 1, 1, 1, 2, 3, 0] if newline == b"\n" else [1, 1, 2])
        )
        out.append(newline.join([b"", b"#%d" % time, *(b"%d%s" % (rng.integers(0, 2), code) for code in codes)]))
    return b"".join(out) + newline


@pytest.mark.parametrize("newline", [b"\n", b"\r\n"])
def test_usual_blocks_take_the_quick_path_and_are_right(newline: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    text = usual_text(11, 20_000, newline)
    slow_blocks: list[int] = []
    general = vcd.read_general

    def counted(block, tokens, scheme):
        slow_blocks.append(block.offset)
        return general(block, tokens, scheme)

    monkeypatch.setattr(vcd, "read_general", counted)
    draft = read_text(text, block_bytes=4096)
    assert {channel.path: as_lists(channel) for channel in draft.channels} == read_slowly(text).lines
    assert len(slow_blocks) < 0.2 * len(text) / 4096


def block_of(text: bytes) -> Block:
    """A block in the middle of a file."""
    raw = bytearray(b" " * MARGIN + text + b" " * MARGIN)
    return Block(raw, np.frombuffer(raw, dtype=np.uint8), MARGIN, MARGIN + len(text), 5000, False)


def found_in(parsed: Parsed) -> tuple:
    """What a block gave, line by line."""
    recorded = parsed.recorded
    assert recorded is not None
    lines = {
        lane: (recorded.ticks[a:b].tolist(), recorded.states[a:b].tolist())
        for lane, (a, b) in zip(recorded.lanes, pairwise(recorded.bounds), strict=True)
    }
    return (
        parsed.fault,
        parsed.first,
        parsed.last,
        parsed.first_offset,
        parsed.carried,
        parsed.rest,
        recorded.plain,
        lines,
    )


ROWS = b'#98765432107\n0!\n#98765432148\n1!\n0!\n#98765432149\n#98765432150\n1"\n0"\n1!\n#98765500001\n0!\n'


@pytest.mark.parametrize("newline", [b"\n", b"\r\n"])
@pytest.mark.parametrize("shorter", [b"98765", b""])
@pytest.mark.parametrize("codes", [2, 30])
@pytest.mark.parametrize("even", [False, True])
def test_any_changed_byte_is_read_as_the_path_for_anything_reads_it(
    newline: bytes, shorter: bytes, codes: int, even: bool
) -> None:
    """The quick paths know where everything stands; wherever something else stands, they must not take the block."""
    text = ROWS.replace(b"98765", shorter).replace(b"\n", newline)
    if newline == b"\r\n" or even:
        text = text.replace(b"#" + shorter + b"432149" + newline, b"")
    scheme = vcd._scheme(
        {bytes([33 + number if number < 2 else 63 + number]): 1 for number in range(codes)}, ports=False
    )
    assert read_stamps(block_of(text), scheme) is not None
    quick = 0
    for at in range(len(text)):
        for byte in b'#!" \n\r\t01xz:9ab\xff\0':
            changed = block_of(text[:at] + bytes([byte]) + text[at + 1 :])
            parsed = read_stamps(changed, scheme)
            if parsed is not None:
                quick += 1
                assert found_in(parsed) == found_in(read_general(changed, split(changed), scheme)), (at, byte)
    assert quick > len(text)


@pytest.mark.parametrize("newline", [b"\n", b"\r\n", b"\t"])
@pytest.mark.parametrize("digits", [1, 7, 8, 9, 15, 16])
def test_rows_at_one_distance_are_read_as_those_that_are_searched_for(newline: bytes, digits: int) -> None:
    rng = np.random.default_rng(digits)
    least = 10 ** (digits - 1)
    stamps = np.sort(rng.integers(least, min(10 * least, least + 10**9), 5000))
    longer = set(rng.integers(0, len(stamps), 9).tolist())
    rows = [
        newline.join([b"#%d" % time, *(b"%d!" % (k % 2), b"x#", b"1#")[: 3 if k in longer else 1], b""])
        for k, time in enumerate(stamps.tolist())
    ]
    block = block_of(b"".join(rows))
    quick, searched = (read(block, digits, len(newline)) for read in (_read_even, _read_searched))
    assert quick is not None
    assert searched is not None
    assert quick[0].tolist() == searched[0].tolist() == stamps.tolist()
    for one, other in zip(quick[1:], searched[1:], strict=True):
        assert one.value.tolist() == other.value.tolist()
        assert one.code.tolist() == other.code.tolist()
        assert one.odd.tolist() == other.odd.tolist() == sorted(longer)
        assert one.at.tolist() == other.at.tolist()
        assert one.count.tolist() == other.count.tolist() == [3] * len(longer)


def test_short_runs_are_left_to_the_search() -> None:
    block = block_of(b"#10\n1!\n#11\n1!\n0!\n" * 20)
    assert find_rows(block, 7) is None


@settings(max_examples=50)
@given(st.data())
def test_what_pyvcd_writes_is_read_back(data: st.DataObject) -> None:
    """pyvcd is an independent implementation of IEEE Std 1364-2005, clause 18."""
    out = io.StringIO()
    changes: dict[str, list[tuple[int, int]]] = {}
    with VCDWriter(out, timescale="10 ps", date="today") as writer:
        names = [f"s{number}" for number in range(data.draw(st.integers(1, 120)))]
        variables = {name: writer.register_var("top.sub", name, "wire", size=1, init=0) for name in names}
        bus = writer.register_var("top", "bus", "reg", size=9, init=5)
        now = last = 0
        known = {"bus": 5}
        for _ in range(data.draw(st.integers(1, 30))):
            now += data.draw(st.integers(1, 2**40))
            name, level = data.draw(st.sampled_from(names)), data.draw(st.integers(0, 1))
            for variable, key, value in ((variables[name], name, level), (bus, "bus", now & 511)):
                writer.change(variable, now, value)
                changes.setdefault(key, []).append((now, value))
                last, known[key] = (last if known.get(key, 0) == value else now), value
    draft = read_text(out.getvalue().encode(), block_bytes=data.draw(st.integers(20, 300)))
    assert draft.tick == Fraction(1, 10**11)
    assert draft.end == last + 1  # it writes no time stamp where nothing changes
    channels = {channel.path: channel for channel in draft.channels}
    for name in names:
        assert as_lists(channels[f"top.sub.{name}"])[:2] == (0, toggles(0, changes.get(name, [])))
    for bit in range(9):
        steps = [(time, value >> bit & 1) for time, value in changes["bus"]]
        assert as_lists(channels[f"top.bus[{bit}]"])[:2] == (5 >> bit & 1, toggles(5 >> bit & 1, steps))


def toggles(level: int, steps: list[tuple[int, int]]) -> list[int]:
    """Times at which a line changes."""
    found = []
    for time, value in steps:
        if value != level:
            found.append(time)
            level = value
    return found


def test_pyvcd_finds_the_same_edges() -> None:
    """pyvcd's tokenizer over the same text; changes at one time stamp that cancel each other are no edges."""
    text = random_text(7, 5000, vectors=True)
    now, levels, times = 0, {}, {"!": [], "ab": []}
    for token in tokenize(io.BytesIO(text)):
        if token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            code, value = token.scalar_change.id_code, token.scalar_change.value
            if levels.setdefault(code, value) != value:
                times[code].append(now)
            levels[code] = value
    for code, path in (("!", "m.A"), ("ab", "m.B")):
        edges = [time for time, count in Counter(times[code]).items() if count % 2]
        assert line(text.removeprefix(HEAD), path)[1] == edges
        assert len(edges) > 500


def test_the_sample_of_the_standard() -> None:
    """Shaped like the example of IEEE Std 1364-2005 18.2.3.9: times from 500 on, dump off and on, a last line cut."""
    body = (
        b"#500 $dumpvars x! xab bx # $end #505 0! 1ab b10 # #510 0ab #520 1ab #530 bz # #535 $dumpall 0! 1ab bz # $end "
    )
    body += b"#1000 $dumpoff x! xab bx # $end #2000 $dumpon z! 1ab b0 # $end #2010 0ab\n"
    assert line(body, "m.A") == (0, [], [[500, 505], [1000, 2011]])
    assert line(body, "m.B") == (1, [510, 520, 2010], [[500, 505], [1000, 2000]])
    assert line(body, "m.C[1]") == (1, [2000], [[500, 505], [530, 2000]])
    assert line(body, "m.C[3]") == (0, [], [[500, 505], [530, 2000]])


def test_dump_off_without_values_loses_every_line() -> None:
    body = b"#0 0! 0ab b0 # #10 $dumpoff $end #20 $dumpon 1! 0ab b0 # $end #30 1ab\n"
    assert line(body, "m.A") == (0, [20], [[10, 20]])
    assert line(body, "m.B") == (0, [30], [[10, 20]])


def test_changes_at_one_time_count_by_their_net_effect() -> None:
    body = b"#0 0! #10 1! 0! #10 1! #20 0! #30 1! #30 0! #40 1!\n"
    assert line(body, "m.A") == (0, [10, 20, 40], [])
    warnings = read_text(HEAD + body).warnings
    assert any("2 pulses began and ended at one time stamp" in warning for warning in warnings)


def test_the_first_level_is_the_initial_one_even_before_the_first_time() -> None:
    """Values may come before the first time stamp; the level that the first stamp sets is then an edge at it."""
    assert line(b"$dumpvars 0! xab $end #7 1! 1ab #9 0!\n", "m.A") == (0, [7, 9], [])
    assert line(b"$dumpvars 0! xab $end #7 1! 1ab #9 0!\n", "m.B") == (1, [], [])


def test_a_line_that_is_first_heard_of_later_is_unknown_until_then() -> None:
    assert line(b"#3 0! #5 1ab #9 0ab\n", "m.B") == (1, [9], [[3, 5]])
    assert line(b"#3 0! #5 1! #9 0!\n", "m.B") == (UNKNOWN, [], [[3, 10]])


def test_vectors_are_extended_on_the_left() -> None:
    """IEEE Std 1364-2005 18.2.1, table 18-1: 1 and 0 with 0, x with x, z with z."""
    body = b"#0 b1 # #1 bx # #2 b1x1 # #3 bz0 # #4 0# #5 b1111 #\n"
    assert line(body, "m.C[0]") == (1, [3, 5], [[1, 2]])
    assert line(body, "m.C[1]") == (0, [5], [[1, 4]])
    assert line(body, "m.C[3]") == (0, [5], [[1, 2], [3, 4]])


def test_a_one_bit_line_may_mix_vectors_and_scalars() -> None:
    assert line(b"#0 b1 ! #1 0! #2 b1 ! #3 b1 ! #4 0 ! #5 0! #6 b01 !\n", "m.A") == (1, [1, 2, 4, 6], [])


def test_a_code_that_looks_like_a_value_is_still_a_code() -> None:
    head = (
        b"$timescale 1 ns $end $var wire 1 01 A $end $var wire 1 ab B $end $var wire 1 b1 C $end $var wire 1 #7 D $end "
    )
    draft = read_text(head + b"$enddefinitions $end\n#0 0 01 1ab\n#5\n1 01 0ab b0 b1 b0 #7 #9 b1 b1 b1 #7\n#20 \n")
    assert [as_lists(channel)[:2] for channel in draft.channels] == [(0, [5]), (1, [5]), (0, [9]), (0, [9])]
    assert draft.end == 21


def test_names_indices_aliases_and_kinds() -> None:
    head = (
        b"$date now $end $timescale\n10us $end $scope module top $end "
        b"$var wire 8 ! up [0:7] $end $var reg 3 a down[6:4] $end $var wire 1 b bit [15] $end "
        b"$var wire 1 b \\odd[name] $end $var real 64 r volts $end $var event 1 e ping $end "
        b"$scope begin inner $end $var integer 32 i count $end $var wire 1 b [0] $end $upscope $end $upscope $end "
        b"$var wire 1 # outside $end $enddefinitions $end #0 b10000000 ! b100 a 1b r1.5 r 1e 1# bz i #4 0b\n"
    )
    draft = read_text(head)
    assert draft.tick == Fraction(1, 100_000)
    channels = {channel.path: channel for channel in draft.channels}
    assert [path for path in channels if "count" not in path] == [
        *(f"top.up[{bit}]" for bit in range(8)),
        *("top.down[6]", "top.down[5]", "top.down[4]", "top.bit[15]", "top.odd[name]", "top.inner.[0]", "outside"),
    ]
    assert channels["top.up[0]"].initial == 1 and channels["top.up[7]"].initial == 0
    assert channels["top.down[6]"].initial == 1 and channels["top.down[4]"].initial == 0
    assert channels["top.bit[15]"].edges is channels["top.odd[name]"].edges
    assert channels["top.inner.count[31]"].unknown.tolist() == [[0, 5]]
    assert ("left out", "1 real, 1 event: not digital lines") in draft.understood


def test_two_lines_of_one_name_in_one_scope_have_paths_of_their_own() -> None:
    """The code is what identifies a variable (IEEE Std 1364-2005, clause 18.2; from memory)."""
    head = b"$timescale 1 ns $end $scope module top $end $var wire 1 ! A $end $var wire 1 # A $end $upscope $end "
    draft = read_text(head + b"$enddefinitions $end #0 0! 1# #5 1! #9 0#\n")
    assert [(channel.path, *as_lists(channel)[:2]) for channel in draft.channels] == [
        ("top.A (code !)", 0, [5]),
        ("top.A (code #)", 1, [9]),
    ]


def test_ports_of_extended_vcd() -> None:
    """IEEE Std 1364-2005 18.4.3: D and L low, U and H high, N and X unknown, strengths and code apart."""
    head = b"$timescale 1 ns $end $var port 1 <0 IN $end $var port [1:0] <1 OUT $end $enddefinitions $end\n"
    body = (
        b"#0 $dumpports pD 6 0 <0 pLX 66 00 <1 $end #5 pU 0 6 <0\n#7 pHL 06 60 <1\n#9 pd 6 0 <0\n$vcdclose #12 $end\n"
    )
    for block_bytes in (1, 7, 64, 1000):
        draft = read_text(head + body, block_bytes=block_bytes)
        channels = {channel.path: as_lists(channel) for channel in draft.channels}
        assert channels == {
            "IN": (0, [5, 9], []),
            "OUT[1]": (0, [7], []),
            "OUT[0]": (0, [], [[0, 7]]),
        }
        assert draft.end == 13


def test_times_of_every_length() -> None:
    times = [0, 7, 42, *(10**power + 3 for power in range(2, 19)), 2**62]
    body = b"".join(b"#%d %d!\n" % (time, place & 1) for place, time in enumerate(times))
    assert line(body, "m.A")[1] == times[1:]
    mixed = b"#00000000000000000000000000000000000004 0! #5 1! #000006 0!\n"
    assert line(mixed, "m.A") == (0, [5, 6], [])


def test_the_rig_overrules_the_tick() -> None:
    table = CaptureTable(tick_ns=41.6667)
    text = HEAD.replace(b"1 ns", b"1 s") + b"#0 0! #1 1!\n"
    assert vcd.read(TextSource(text), table=table).tick == Fraction(416667, 10**13)
    wrong = HEAD.replace(b"1 ns", b"3 lightyears") + b"#0 0! #1 1!\n"
    assert vcd.read(TextSource(wrong), table=table).tick == Fraction(416667, 10**13)


def test_no_timescale_is_taken_for_seconds_aloud() -> None:
    draft = read_text(HEAD.replace(b"$timescale 1 ns $end", b"") + b"#0 0! #1 1!\n")
    assert draft.tick == 1
    assert any("no timescale" in warning for warning in draft.warnings)


def test_a_file_of_reals_has_no_channel_and_says_so() -> None:
    draft = read_text(b"$timescale 1 ns $end $var real 64 ! v $end $enddefinitions $end #0 r1 ! #5 r2 !\n")
    assert draft.channels == ()
    assert draft.warnings == ("the file has no digital line",)
