"""VCD (IEEE Std 1364-2005, clause 18), plain and extended: exact ticks, one line per bit, vectorised over blocks."""

from __future__ import annotations

import re
from collections import Counter
from fractions import Fraction

import numpy as np

from spinlag.capture import Channel
from spinlag.errors import CaptureError
from spinlag.importers.blocks import MARGIN, WORKERS, Block, BlockReader, ahead, in_order
from spinlag.importers.csv_text import Utf8Source, encoding_of, utf8_head
from spinlag.importers.draft import Draft
from spinlag.importers.edge_store import EdgeBudget
from spinlag.importers.lanes import Lanes, Line, Recorded
from spinlag.importers.source import ByteSource, Unpadded
from spinlag.importers.vcd_advice import AGAIN, CUT_IN_TWO, backwards, shown
from spinlag.importers.vcd_codes import Codes
from spinlag.importers.vcd_general import IN_COMMENT, read_general
from spinlag.importers.vcd_header import NOT_DIGITAL, Header, Variable, plain_timescale, read_header, timescale_tick
from spinlag.importers.vcd_scheme import CARRIED, NO_LANE, Fault, Parsed, Scheme, Sections
from spinlag.importers.vcd_stamps import read_stamps
from spinlag.importers.vcd_tail import Tail, trim_tail
from spinlag.importers.vcd_tokens import split
from spinlag.importers.vcd_zeros import Zeros
from spinlag.rig import CaptureTable

BLOCK_BYTES = 1 << 20
"""Text per block: its arrays stay in the processor's cache."""

MOST_BITS_PER_BLOCK = 1 << 23
"""Text per block times the width of the widest variable: a short value of a wide one stands for many changes."""

_LEAST_BLOCK = 1 << 14

MOST_CHANGES_PER_BYTE = 16
"""Changes of lines that a byte of text may stand for, beyond the first 2^22: more is no recording but a trap."""

MOST_LANES = 1 << 16
"""Lines that are kept; the bits of variables beyond that are left out, and a warning says so."""

WIDEST = 512
"""Bits of a variable that is kept: one short value of a wider one would stand for thousands of changes."""

_HEADER_WORDS = (
    b"$date $version $comment $timescale $scope $var $upscope $enddefinitions $attrbegin $dumpvars $dumpports".split()
)


def sniff(head: bytes) -> bool:
    """Whether text that begins like this is VCD: its first word is one of the standard's declaration keywords."""
    words = utf8_head(head).removeprefix(b"\xef\xbb\xbf").split(maxsplit=1)
    return bool(words) and words[0] in _HEADER_WORDS


def read(
    source: ByteSource,
    *,
    table: CaptureTable,
    block_bytes: int = BLOCK_BYTES,
    threads: int = WORKERS,
    budget: EdgeBudget | None = None,
) -> Draft:
    """Read a whole VCD file. The record ends one tick after the last time stamp, which still belongs to it.

    Raises CaptureError, with the byte offset in the decompressed text, for what breaks the standard.
    """
    encoding = encoding_of(source.head)
    source = source if encoding is None else Utf8Source(source)
    header = read_header(source)
    if header.ended:
        reason = f"the file ends inside its declarations; there is nothing to analyse: {AGAIN}"
        raise CaptureError(reason, file=source.file)
    tick, warnings, understood = _tick(header, table, source.file)
    layout = _Layout(header)
    rest = Unpadded(source, header.body)
    body = _Body(rest, layout.scheme, Lanes(layout.scheme.lanes, budget))
    widest = int(layout.scheme.width.max(initial=1))
    block_bytes = min(block_bytes, max(_LEAST_BLOCK, MOST_BITS_PER_BLOCK // max(widest, 1)))
    reader = BlockReader(rest, block_bytes, _cut, offset=header.body_offset)
    blocks = ahead(reader) if source.unpacks and threads else reader
    for block, parsed in in_order(blocks, body.parse, threads=threads):
        body.take(block, parsed)
        reader.recycle(block)
    start, end = body.finish()
    if body.timescale is not None and header.timescale is None and table.tick_ns is None:
        reason = "the timescale is given behind the declarations: move it before $enddefinitions"
        raise CaptureError(reason, file=source.file, byte_offset=body.timescale)
    channels, zero_width = layout.channels(body.lanes, start, end)
    if not header.complete:
        warnings.append("the declarations have no $enddefinitions")
    if header.zeros is not None:
        offset, count = header.zeros
        zeros = "1 zero byte stands" if count == 1 else f"{count} zero bytes stand"
        warnings.append(f"{zeros} in a date, version or comment, at byte {offset}; they were passed over")
    warnings += [*layout.warnings, *body.warnings, *zero_width]
    understood += [*layout.understood(), *body.understood()]
    if encoding is not None:
        understood.append(("encoding", "UTF-16; bytes are counted in UTF-8"))
    return Draft(
        tick=tick,
        start=start,
        end=end,
        channels=channels,
        sample_rate_hz=_claimed_rate(header),
        warnings=tuple(warnings),
        understood=tuple(understood),
    )


def _cut(text: bytearray, start: int, stop: int) -> int:
    """Before a time stamp where one begins a line near the end, else behind the last white space."""
    line = text.rfind(b"\n#", max(start, stop - (stop - start) // 4 - 64), stop)
    if line > start:
        return line + 1
    blank = max(text.rfind(mark, start, stop) for mark in (b"\n", b" ", b"\t", b"\r", b"\f", b"\v", b"\0"))
    return blank + 1 if blank >= start else -1


def _tick(header: Header, table: CaptureTable, file: str) -> tuple[Fraction, list[str], list[tuple[str, str]]]:
    """The tick in seconds, and what there is to say about it."""
    said = [("format", "VCD"), ("timescale", _timescale_said(header.timescale))]
    said += [(name, text) for name, text in (("date", header.date), ("written by", header.version)) if text]
    if table.tick_ns is not None:
        said.append(("tick", f"{table.tick_ns} ns, as the rig says"))
        return Fraction(str(table.tick_ns)) / 10**9, [], said
    tick = timescale_tick(header, file)
    if tick is not None:
        return tick, [], said
    warning = "the file gives no timescale: one tick was taken for 1 s; [capture] tick_ns in the rig overrules that"
    return Fraction(1), [warning], said


def _timescale_said(text: str | None) -> str:
    """The timescale as it stands, and what it was taken for where that is not what the standard calls it."""
    plain = None if text is None else plain_timescale(text)
    if text is None or plain is None or plain.replace(" ", "") == text.replace(" ", ""):
        return text or "none given"
    return f"{text}, taken for {plain}"


_RATE = re.compile(
    r"(?i:sampl(?:e|ing)[ _-]?(?:rate|frequency)\s*(?:[:=]|is|of)?)\s*(\d{1,12}(?:\.\d{1,12})?)\s*([kMG]?)(?:Hz|S/s)"
)
_POWERS = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9}


def _claimed_rate(header: Header) -> Fraction | None:
    """What the version or a comment says in plain words, such as `sample rate: 24 MHz`, in Hz; the first counts."""
    for text in (header.version or "", *header.comments):
        match = _RATE.search(text)
        if match is not None:
            return Fraction(match[1]) * _POWERS[match[2]] or None
    return None


class _Layout:
    """Which code has which lanes, and which variables become channels."""

    def __init__(self, header: Header) -> None:
        self._header = header
        self.warnings: list[str] = []
        self._kept: list[Variable] = []
        self._left_out: Counter[str] = Counter()
        width: dict[bytes, int] = {}
        lines = 0
        too_many: list[Variable] = []
        empty: list[Variable] = []
        for variable in header.variables:
            width.setdefault(variable.code, 0)
            if variable.kind in NOT_DIGITAL:
                self._left_out[variable.kind] += 1
                continue
            if variable.width < 1:
                empty.append(variable)
                continue
            if variable.width > WIDEST or lines + variable.width > MOST_LANES:
                too_many.append(variable)
                continue
            lines += variable.width
            self._kept.append(variable)
            width[variable.code] = max(width[variable.code], variable.width)
        self.warnings = [*_empty(empty), *_too_many(too_many), *_of_two_widths(self._kept)]
        self.scheme = _scheme(width, ports=any(variable.kind == "port" for variable in header.variables))
        self._number = {code: number for number, code in enumerate(self.scheme.codes.codes)}

    def channels(self, lanes: Lanes, start: int, end: int) -> tuple[tuple[Channel, ...], list[str]]:
        """The channels, in the order of the declarations, bits from the most significant; warnings about them."""
        lines: dict[int, Line] = {}
        channels: list[Channel] = []
        zero_width: dict[str, int] = {}
        codes: dict[str, set[bytes]] = {}
        for variable in self._kept:
            codes.setdefault(variable.path, set()).add(variable.code)
        for variable in self._kept:
            # two lines of one name in one scope are told apart by their codes, as nothing else does
            twin = f" (code {variable.code.decode('latin-1')})" if len(codes[variable.path]) > 1 else ""
            top = int(self.scheme.lane[self._number[variable.code]]) + variable.width - 1
            names = [""] if variable.bits is None else [f"[{bit}]" for bit in variable.bits]
            for place, name in enumerate(names):
                if top - place not in lines:
                    lines[top - place] = lanes.finish(top - place, start, end)
                    if lines[top - place].zero_width:
                        zero_width[variable.path + name + twin] = lines[top - place].zero_width
                line = lines[top - place]
                channels.append(
                    Channel(variable.name + name, variable.path + name + twin, line.initial, line.edges, line.unknown)
                )
        warnings = []
        if zero_width:
            most = ", ".join(f"{path} {count}" for path, count in list(zero_width.items())[:4])
            total = sum(zero_width.values())
            pulses = "1 pulse" if total == 1 else f"{total} pulses"
            were = "was" if total == 1 else "were"
            warnings.append(f"{pulses} began and ended at one time stamp and {were} left out ({most})")
        if not channels:
            warnings.append("the file has no digital line")
        return tuple(channels), warnings

    def understood(self) -> list[tuple[str, str]]:
        """What was declared."""
        kinds = Counter(variable.kind for variable in self._header.variables)
        said = [("variables", ", ".join(f"{count} {kind}" for kind, count in kinds.items()) or "none")]
        if self._left_out:
            left = ", ".join(f"{count} {kind}" for kind, count in self._left_out.items())
            said.append(("left out", f"{left}: not digital lines"))
        return said


def _scheme(width: dict[bytes, int], *, ports: bool) -> Scheme:
    """Lanes for every code in the order of first mention; a width of 0 has none."""
    widths = np.array(list(width.values()), dtype=np.int32)
    first = np.cumsum(widths) - widths
    lane = np.where(widths > 0, first, NO_LANE).astype(np.int32)
    return Scheme(Codes(list(width)), lane, widths, int(widths.sum()), ports)


def _empty(variables: list[Variable]) -> list[str]:
    """What to say of variables that are declared without a bit."""
    if not variables:
        return []
    most = ", ".join(variable.path for variable in variables[:3])
    more = f" and {len(variables) - 3} more" if len(variables) > 3 else ""
    are, they = ("is", "it was") if len(variables) == 1 else ("are", "they were")
    return [
        f"{most}{more} {are} declared with a size of 0 bits: {they} left out; where a line is "
        "meant, write 1 for the size in its $var"
    ]


def _of_two_widths(variables: list[Variable]) -> list[str]:
    """What to say of variables that share an identifier code and yet differ in size: one of them is another line."""
    first: dict[bytes, Variable] = {}
    said = []
    for variable in variables:
        other = first.setdefault(variable.code, variable)
        if other.width != variable.width:
            said.append(
                f"{other.path} ({other.width} bit) and {variable.path} ({variable.width} bit) have one identifier "
                f"code, {shown(variable.code)}, and so are read as one line: correct the wrong $var, or "
                "export the file again"
            )
    return [*said[:3], *([f"{len(said) - 3} more variables share a code so"] if len(said) > 3 else [])]


def _too_many(variables: list[Variable]) -> list[str]:
    """What to say of variables that are not kept."""
    reason = {True: f"wider than {WIDEST} bits", False: f"beyond {MOST_LANES} lines"}
    warnings = [
        f"{variable.path} ({variable.width} bits) was left out: {reason[variable.width > WIDEST]}"
        for variable in variables[:3]
    ]
    more = len(variables) - len(warnings)
    return [*warnings, f"{more} more variables were left out for the same reason"] if more > 0 else warnings


_NEAR = 64
"""A word that zero bytes cut short stands so many bytes before them, or fewer."""


class _Body:
    """The values of a VCD file: blocks are parsed in any thread, and taken in, one after another, in file order."""

    def __init__(self, source: Unpadded, scheme: Scheme, lanes: Lanes) -> None:
        self.lanes = lanes
        self.warnings: list[str] = []
        self._source = source
        self._file = source.file
        self._scheme = scheme
        self._start: int | None = None
        self._now: int | None = None
        self._held: list[Recorded] = []
        self._rest = b""
        self._tail = Tail()
        self._too_long = False
        self._dump_off = 0
        self._changes = 0
        self._zeros = Zeros()
        self._declared: int | None = None
        self.timescale: int | None = None
        self._section = 0
        self._hidden = 0
        self._first_hidden: int | None = None

    def parse(self, block: Block) -> tuple[Parsed, Tail]:
        """One block on its own, as if it began with whole records; changes nothing here."""
        tail = Tail()
        if block.last:
            padded = self._source.padding > 0
            block, tail = trim_tail(block, self._scheme.codes, ports=self._scheme.ports, padded=padded)
        parsed = None if self._scheme.ports else read_stamps(block, self._scheme)
        return parsed if parsed is not None else read_general(block, split(block), self._scheme), tail

    def take(self, block: Block, result: tuple[Parsed, Tail]) -> None:
        """Take in the next block; one that did not begin with whole records is parsed again behind what was left."""
        whole = _joined(self._rest, block) if self._rest else block
        if self._rest:
            result = self.parse(whole)
        parsed, self._tail = result
        self._note(parsed.sections, whole)
        if parsed.zeros:
            self._zeros.add(block)
        if parsed.fault is not None:
            if parsed.first is not None and parsed.first_offset < parsed.fault.offset:
                self._advance(parsed.first, parsed.first_offset)
            raise self._error(parsed.fault)
        self._rest = parsed.rest
        self._too_long |= parsed.too_long
        self._dump_off += parsed.dump_off
        if parsed.first is not None:
            self._advance(parsed.first, parsed.first_offset)
        if parsed.recorded is not None:
            self._refuse_trap(len(parsed.recorded.ticks), block)
            self._add(parsed.recorded, parsed.carried)
        if parsed.last is not None:
            self._now = parsed.last

    def _note(self, sections: Sections, block: Block) -> None:
        """Keep what the sections of the next block tell; a block that begins inside one begins with a word for it."""
        self._declared = sections.declared if self._declared is None else self._declared
        self.timescale = sections.timescale if self.timescale is None else self.timescale
        if sections.open is not None and not (self._rest == IN_COMMENT and sections.open == block.offset):
            self._section = sections.open
        self._hidden += len(sections.stamps)
        if self._first_hidden is None and len(sections.stamps):
            self._first_hidden = int(sections.stamps[0])

    def finish(self) -> tuple[int, int]:
        """The record's [start, end) once all blocks are taken in; fills `warnings`."""
        time = None if self._rest else self._tail.time
        if time is not None and (self._now is None or time >= self._now):
            self._advance(time, 0)
            self._now = time
        if self._start is None or self._now is None:
            raise CaptureError(f"the file holds no time stamp; there is nothing to analyse: {AGAIN}", file=self._file)
        self.warnings += self._ending(time)
        if self._zeros.first is not None:
            self.warnings.append(
                f"{self._zeros.said(read_out=True)}: the text there is lost, and every line counts as unknown from "
                f"there to its next value; {AGAIN}"
            )
        if self._hidden > 1 and self._rest != IN_COMMENT:
            self.warnings.append(
                f"{self._hidden} time stamps stand in comments or other sections without values, the first at byte "
                f"{self._first_hidden}, and were passed over: where such a section has no $end, write it in"
            )
        if self.timescale is not None and self._declared is None:
            self.warnings.append(
                f"a timescale is given behind the declarations, at byte {self.timescale}, and was left out: move it "
                "before $enddefinitions, or delete it"
            )
        if self._declared is not None:
            self.warnings.append(
                f"variables are declared behind the first time stamp, at byte {self._declared}, and were left out: "
                + CUT_IN_TWO
            )
        if self._too_long:
            self.warnings.append(
                "some vector values have more digits than their variable has bits; the last ones count"
            )
        return self._start, self._now + 1

    def _ending(self, time: int | None) -> list[str]:
        """What is odd about how the file ends; `time` is its last word, where that is a time stamp."""
        padding = self._source.padding
        if padding:
            zeros = "a zero byte stands" if padding == 1 else f"{padding} zero bytes stand"
            return [
                f"{zeros} at the end of the file, as after a crash or an unfinished copy: it was cut short, and "
                "analysed up to there"
            ]
        if time is not None:
            return ["the file ends right behind a time stamp: it seems to be cut short"]
        if self._rest == IN_COMMENT:
            return [
                f"the section that begins at byte {self._section} has no $end: what follows was left out, as if the "
                "file had been cut short there; where values follow, write the $end in"
            ]
        if self._rest or self._tail.cut:
            return ["the file ends in the middle of a record: it was cut short, and analysed up to there"]
        return []

    def understood(self) -> list[tuple[str, str]]:
        """What else was met."""
        times = "once" if self._dump_off == 1 else f"{self._dump_off} times"
        return [("dumping switched off", times)] if self._dump_off else []

    def _refuse_trap(self, changes: int, block: Block) -> None:
        self._changes += changes
        if self._changes > (1 << 22) + MOST_CHANGES_PER_BYTE * (block.offset + len(block)):
            raise CaptureError(
                f"{self._changes} changes of lines in so little text: wide variables whose every bit changes all the "
                "time are no recording",
                file=self._file,
                byte_offset=block.offset,
            )

    def _error(self, fault: Fault) -> CaptureError:
        reason = fault.reason
        zeros = self._zeros.first
        if zeros is not None and zeros <= fault.offset + _NEAR:
            reason = (
                f"{self._zeros.said(read_out=False)}: the text there is lost, and the rest cannot be read "
                f"(byte {fault.offset}: {reason}); {AGAIN}, or cut it there"
            )
            return CaptureError(reason, file=self._file, byte_offset=zeros)
        if self._declared is not None and self._declared < fault.offset:
            reason += f"; variables are declared once more at byte {self._declared}: {CUT_IN_TWO}"
        elif fault.way:
            reason += f": {fault.way}"
        return CaptureError(reason, file=self._file, byte_offset=fault.offset)

    def _advance(self, time: int, offset: int) -> None:
        """The block's first time stamp: may it follow what was before?"""
        if self._now is not None and time < self._now:
            raise self._error(Fault(offset, *backwards(self._now, time)))
        if self._start is None:
            self._start = self._now = time
            for recorded in self._held:
                self._add(recorded, True)
            self._held = []

    def _add(self, recorded: Recorded, carried: bool) -> None:
        if carried:
            if self._now is None:
                self._held.append(recorded)
                return
            ticks = np.where(recorded.ticks == CARRIED, self._now, recorded.ticks)
            recorded = Recorded(recorded.lanes, recorded.bounds, ticks, recorded.states, plain=False)
        self.lanes.add(recorded)


def _joined(rest: bytes, block: Block) -> Block:
    """The block with text before it that belongs to its first record."""
    text = rest + block.raw[block.start : block.stop]
    raw = bytearray(b" " * MARGIN + text + b" " * MARGIN)
    offset = block.offset - len(rest)
    return Block(raw, np.frombuffer(raw, dtype=np.uint8), MARGIN, MARGIN + len(text), offset, block.last)
