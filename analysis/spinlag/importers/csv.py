"""CSV files: rows of times and levels, or of times and volts, in whatever shape they come.

There is no standard, so the shape is found out from the head of the file, said in the result, and can be overruled.
Times become whole ticks digit by digit. Rows are read by numpy in blocks (`csv_fast`); what that cannot take goes to a
reader that looks at one row at a time (`csv_slow`), which also says what is wrong and where.

A digital line changes at the row that first shows its new level. An analogue line changes where it passes its
switching level between two rows (`digitise`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np

from spinlag.capture import UNKNOWN, Channel, SamplePeriod
from spinlag.errors import CaptureError
from spinlag.importers.blocks import WORKERS, BlockReader, ahead, in_order
from spinlag.importers.csv_blocks import read_block
from spinlag.importers.csv_collect import BITS, Collector, scaled, scaled_one
from spinlag.importers.csv_digits import written_resolution
from spinlag.importers.csv_header import SECONDS
from spinlag.importers.csv_layout import Layout, find_layout, looks_like_rows
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.csv_rows import LARGEST_TICK
from spinlag.importers.csv_text import END_OF_FILE, Utf8Source, encoding_of, utf8_head
from spinlag.importers.csv_translate import TranslatedSource, find_translation
from spinlag.importers.csv_words import about_layout, about_rows, about_switching, in_time
from spinlag.importers.digitise import Digitiser, Switching, switching_levels
from spinlag.importers.draft import Draft
from spinlag.importers.edge_store import EdgeBudget
from spinlag.importers.lanes import Lanes, Line, Recorded
from spinlag.importers.source import HEAD_BYTES, ByteSource, Unpadded
from spinlag.lattice import simplest_between
from spinlag.rig import CaptureTable

BLOCK_BYTES = 1 << 21
"""Text per block: its arrays just stay in the processor's cache."""

TICKS_PER_SPACING = 1000
"""An interpolated instant is kept to so many parts of the spacing of the rows."""

_COARSE = 0.05
_FEW_PULSES = 3
"""A line that lost so many pulses, and such a share of all, to times that are too coarse does not show what it did."""

_VCD_WORDS = (b"$date", b"$version", b"$timescale", b"$comment", b"$scope", b"$var", b"$enddefinitions")
_CONTROLS = bytes(set(range(32)) - {9, 10, 12, 13}) + b"\x7f"


def sniff(head: bytes) -> bool:
    """Whether the first bytes of a file read as a table with a capture in it: text, rows of one width, numbers."""
    head = utf8_head(head).removeprefix(b"\xef\xbb\xbf").rstrip(END_OF_FILE + b"\r\n\0")
    if len(head.translate(None, _CONTROLS)) < len(head) or head.lstrip().startswith(_VCD_WORDS):
        return False
    translation = find_translation(head, CsvOptions())
    return looks_like_rows(head if translation is None else translation.head(head))


def read(
    source: ByteSource,
    *,
    table: CaptureTable | None = None,
    options: CsvOptions | None = None,
    block_bytes: int = BLOCK_BYTES,
    threads: int = WORKERS,
) -> Draft:
    """Read a whole CSV file.

    `table` is the rig's [capture] table: its sample rate stands in where `options` has none, its tick overrules the
    file's. The record begins at the first row and ends one row spacing after the last, or one tick after it where
    there is a row per change. Raises CaptureError with line and column (both from 1) for what cannot be read.
    """
    table = table if table is not None else CaptureTable()
    options = _with_rig(options if options is not None else CsvOptions(), table)
    complete = len(source.head) < HEAD_BYTES
    if encoding_of(source.head) is not None:
        source = Utf8Source(source)
    source = padded = Unpadded(source)
    translation = find_translation(source.head, options)
    if translation is not None:
        source, options = TranslatedSource(source, translation), translation.options(options)
    layout = find_layout(source.head.rstrip(END_OF_FILE), options, file=source.file, complete=complete)
    if translation is not None:
        layout = translation.layout(layout)
    collector, warnings = _collect(source, layout, block_bytes, threads)
    if padded.padding:
        warnings.append(
            f"{padded.padding} zero bytes at the end of the file were left out, as a crash or a full disk leaves them: "
            "the recording may have gone on"
        )
    if not collector.rows:
        raise CaptureError("there is a header but no row of data", file=source.file, line=layout.first_line)
    return _Finish(collector, options, table, [*layout.warnings, *warnings]).draft()


def _with_rig(options: CsvOptions, table: CaptureTable) -> CsvOptions:
    rate = options.sample_rate_hz if options.sample_rate_hz is not None else table.sample_rate_hz
    return replace(options, sample_rate_hz=rate)


def _collect(source: ByteSource, layout: Layout, block_bytes: int, threads: int) -> tuple[Collector, list[str]]:
    """All rows, and warnings about how the file ends."""
    collector = Collector(layout, source.file)
    warnings: list[str] = []
    newline = bytes([layout.newline])

    def cut(text: bytearray, start: int, stop: int) -> int:
        return text.rfind(newline, start, stop) + 1 or -1

    line = layout.first_line
    above: int | None = None
    reader = BlockReader(source, block_bytes, cut)
    blocks = ahead(reader) if source.unpacks and threads else reader
    for block, pieces in in_order(blocks, lambda block: read_block(block, layout), threads=threads):
        for rows in pieces:
            shorter = rows.doubtful and above is not None and (rows.last_cell or 0) < above
            if shorter or rows.cut_line is not None:
                at = line + (rows.first_line if rows.cut_line is None else rows.cut_line)
                warnings.append(f"the file ends in the middle of line {at}: it was cut short, and analysed up to there")
                break
            collector.add(rows, line + rows.first_line)
            if rows.fault is not None:
                fault = rows.fault
                raise CaptureError(fault.reason, file=source.file, line=line + fault.line, column=fault.column)
            above = above if rows.last_cell is None else rows.last_cell
        line += sum(rows.lines for rows in pieces)
        reader.recycle(block)
    return collector, warnings


class _Finish:
    """From the rows of a file to its draft."""

    def __init__(self, collector: Collector, options: CsvOptions, table: CaptureTable, warnings: list[str]) -> None:
        self._rows = collector
        self._layout = collector.layout
        self._options = options
        self._table = table
        self._warnings = warnings
        self._no_levels: list[str] = []
        self._too_coarse: list[str] = []
        self._places = min(collector.finest, collector.places)
        self._drop = self._places - collector.places
        first, last = scaled_one(collector.first_tick, self._drop), scaled_one(collector.last_tick, self._drop)
        self._span = last - first
        self._even = self._evenly_spaced()
        self._switching = [self._switching_of(k) for k in range(len(collector.traces.histograms))]
        self._more = self._extra_places(max(abs(first), abs(last)))
        self._start = first * 10**self._more
        self._period = self._row_period()
        self._end = last * 10**self._more + (math.ceil(self._period) if self._period is not None else 1)

    def draft(self) -> Draft:
        """The whole result."""
        channels, zero_width, widest = self._channels()
        period = self._sample_period(widest)
        tick = self._tick()
        per_sample = self._period is not None
        understood = about_layout(self._layout)
        understood += about_rows(self._rows, tick, self._period)
        understood += about_switching(self._layout, self._switching)
        if zero_width:
            pulses = "1 pulse" if zero_width == 1 else f"{zero_width} pulses"
            self._warnings.append(
                f"{pulses} left out that begin and end at one time: the times are written too coarsely"
            )
        if self._rows.same_time and per_sample:
            self._warnings.append(
                f"{self._rows.same_time} rows have the time of the row before: the times are written too coarsely"
            )
        self._warnings += self._missing_rows(float(tick))
        resolution = self._resolution(channels)
        stated = self._layout.sample_rate_hz if self._layout.rate_from == "stated in the file" else None
        return Draft(
            tick=tick,
            start=self._start,
            end=self._end,
            channels=channels,
            sample_period=period,
            sample_rate_hz=stated,
            resolution=resolution,
            warnings=tuple(self._warnings),
            understood=tuple(understood),
        )

    def _evenly_spaced(self) -> bool:
        """Whether there is a row per sample: evenly spaced, and some row repeats the one before (or holds volts).

        The last row alone does not count: writers of changes put one there to mark the end of the record.
        """
        rows = self._rows
        if rows.rows < 3 or self._span == 0:
            return False
        mean = Fraction(self._span, 10**self._places) / (rows.rows - 1)
        return (rows.repeats > rows.last_repeats or bool(rows.traces.histograms)) and rows.spacing.even(
            mean, self._places
        )

    def _missing_rows(self, tick_s: float) -> list[str]:
        """A doubt about rows that come as one per sample, most of them repeating the one before, but with holes."""
        rows, spacing = self._rows, self._rows.spacing
        if self._even or spacing.least is None or spacing.greatest is None or 2 * rows.repeats < rows.rows:
            return []
        if not 0 < 2 * spacing.least - Fraction(1, 10**self._places) <= spacing.greatest:
            return []
        if self._span >= 2 * (rows.rows - 1) * spacing.least * 10**self._places:
            return []
        unit_s = tick_s * 10 ** (self._places + self._more)
        least, greatest = float(spacing.least) * unit_s, float(spacing.greatest) * unit_s
        return [
            f"rows stand {least:.6g} s apart as if there were one per sample, but up to {greatest:.6g} s in places: "
            "the recorder may have dropped samples, and what happened there is not known"
        ]

    def _resolution(self, channels: tuple[Channel, ...]) -> Fraction | None:
        """The sample period that the digits of the times allow for, where they get fewer as the times grow."""
        if self._even or self._layout.time is None or self._layout.unit == "samples":
            return None
        lines = list({id(channel.edges): channel.edges for channel in channels}.values())
        found = written_resolution(lines, self._places + self._more)
        if found is None:
            return None
        exact_to = in_time(float(found.ticks * self._tick()))
        self._warnings.append(
            f"the times are written in {found.why}: the last ones are exact to {exact_to} only, which counts as the "
            "sample period; export them with more digits, or as ticks"
        )
        return found.ticks

    def _tick(self) -> Fraction:
        if self._table.tick_ns is not None:
            return Fraction(str(self._table.tick_ns)) / int(10 ** (9 + self._more))
        unit = SECONDS.get(self._layout.unit) or 1 / (self._layout.sample_rate_hz or Fraction(1))
        return unit / int(10 ** (self._places + self._more))

    def _row_period(self) -> Fraction | None:
        """Spacing of evenly spaced rows in ticks: the stated one where the rows bear it out, else the simplest that
        does; None where the rows are not evenly spaced."""
        if not self._even:
            return None
        steps = self._rows.rows - 1
        scale = int(10**self._more)
        if self._layout.unit == "samples":
            return Fraction(self._span, steps) * scale
        low, high = Fraction(self._span - 1, steps), Fraction(self._span + 1, steps)
        if self._layout.sample_rate_hz:
            stated = 1 / (self._layout.sample_rate_hz * self._tick() * scale)
            if low < stated < high:
                return stated * scale
        return simplest_between(max(low, Fraction(1, 2 * steps)), high, ends=False) * scale

    def _sample_period(self, widest: int) -> SamplePeriod | None:
        if self._layout.unit == "samples":
            one = Fraction(10 ** (self._places + self._more))
            return SamplePeriod(max(self._period or one, one), "given")
        if self._period is not None:
            return SamplePeriod(max(self._period, Fraction(10**self._more)), "given")
        return SamplePeriod(Fraction(widest), "given") if widest else None

    def _switching_of(self, column: int) -> Switching | None:
        options = self._options
        threshold, hysteresis = options.threshold_v, options.hysteresis
        histogram = self._rows.traces.histograms[column]
        found = switching_levels(histogram, threshold_v=threshold, hysteresis=hysteresis, steps=not self._even)
        if found is None:
            name = self._layout.columns[self._layout.of_kind("analogue")[column]].name
            span = f"{histogram.least:z.3g} V to {histogram.greatest:z.3g} V"
            said = f"channel {name!r} shows no two levels ({span}); a threshold would settle what is high"
            self._no_levels.append(said)
            self._warnings.append(said)
        return found

    def _extra_places(self, greatest: int) -> int:
        """Decimal places that interpolated instants need beyond those of the rows."""
        if all(switching is None or switching.step for switching in self._switching):
            return 0
        spacing = Fraction(self._span, max(self._rows.rows - 1, 1))
        places = 0
        while spacing * 10**places < TICKS_PER_SPACING and (greatest + 1) * 10 ** (places + 1) < LARGEST_TICK:
            places += 1
        return places

    def _channels(self) -> tuple[tuple[Channel, ...], int, int]:
        """Channels in the order of the columns, pulses of no width, and the widest row spacing about an edge."""
        digital = self._digital_lines()
        analogue, widest = self._analogue_lines()
        lines: list[tuple[str, int, Line]] = []
        for k, column in enumerate(self._layout.columns):
            if k in digital:
                lines += [(name, k + 1, line) for name, line in digital[k]]
            elif k in analogue:
                lines.append((column.name, k + 1, analogue[k]))
        lines = [(name, number, self._unless_coarse(name, line)) for name, number, line in lines]
        names = [name for name, _, _ in lines]
        channels = tuple(
            Channel(
                name=name,
                path=name if names.count(name) == 1 else f"{name} (column {number})",
                initial=line.initial,
                edges=line.edges,
                unknown=line.unknown,
            )
            for name, number, line in lines
        )
        if all(channel.initial == UNKNOWN for channel in channels):
            rest = ["and so for the other lines"] if len(self._too_coarse) > 1 else []
            why = (
                "; ".join((*self._no_levels, *self._too_coarse[:1], *rest))
                or f"{', '.join(channel.name for channel in channels)}: never 0 or 1"
            )
            raise CaptureError(f"no channel has a known level: {why}", file=self._rows.file)
        return channels, sum(line.zero_width for _, _, line in lines), widest

    def _unless_coarse(self, name: str, line: Line) -> Line:
        """The line; one without a known level where too many of its pulses begin and end at one time."""
        pulses = line.zero_width + len(line.edges) // 2
        if line.zero_width < _FEW_PULSES or line.zero_width < _COARSE * pulses:
            return line
        said = (
            f"{name}: {line.zero_width} of {pulses} pulses begin and end at one time, as the times are written too "
            "coarsely; the line was left out: export the times with more digits"
        )
        self._too_coarse.append(said)
        self._warnings.append(said)
        always = np.array([[self._start, self._end]], dtype=np.int64)
        return Line(UNKNOWN, np.empty(0, dtype=np.int64), always, 0)

    def _digital_lines(self) -> dict[int, list[tuple[str, Line]]]:
        rows = self._rows
        shift = self._drop + self._more
        start, end = rows.first_tick, rows.last_tick + 1
        found: dict[int, list[tuple[str, Line]]] = {}
        for number, column in enumerate(rows.level_columns):
            found[column] = [(self._layout.columns[column].name, rows.line(number, start, end, shift))]
        for number, column in enumerate(rows.packed_columns):
            base = len(rows.level_columns) + BITS * number
            bits = range(max(rows.used_bits[number], 1))
            name = self._layout.columns[column].name
            found[column] = [(f"{name}[{bit}]", rows.line(base + bit, start, end, shift)) for bit in bits]
        if self._layout.sparse and all(
            _resumes_with_edges(line, scaled_one(end, shift)) for lines in found.values() for _, line in lines
        ):
            self._warnings.append(
                "levels stand in the rows where they change only: an empty cell was taken as the level before it"
            )
            nowhere = np.empty((0, 2), dtype=np.int64)
            return {
                column: [(name, replace(line, unknown=nowhere)) for name, line in lines]
                for column, lines in found.items()
            }
        for column, lines in found.items():
            found[column] = [(name, self._to_the_end(line, end, shift)) for name, line in lines]
        return found

    def _to_the_end(self, line: Line, end: int, shift: int) -> Line:
        """A line that is unknown at the last row stays so to the end of the record."""
        if not len(line.unknown) or int(line.unknown[-1, 1]) < scaled_one(end, shift):
            return line
        unknown = line.unknown.copy()
        unknown[-1, 1] = self._end
        return replace(line, unknown=unknown)

    def _analogue_lines(self) -> tuple[dict[int, Line], int]:
        columns = self._layout.of_kind("analogue")
        lanes = Lanes(len(columns), EdgeBudget())
        digitisers = [None if switching is None else Digitiser(switching) for switching in self._switching]
        for ticks, places, volts in self._rows.traces.samples():
            ticks = scaled(ticks, self._places - places + self._more)
            for number, (digitiser, trace) in enumerate(zip(digitisers, volts, strict=True)):
                if digitiser is not None:
                    when, what = digitiser.add(ticks, trace)
                    if len(when):
                        lanes.add(Recorded([number], [0, len(when)], when, what, plain=False))
        lines = {column: lanes.finish(number, self._start, self._end) for number, column in enumerate(columns)}
        return lines, max((digitiser.widest_step for digitiser in digitisers if digitiser is not None), default=0)


def _resumes_with_edges(line: Line, end: int) -> bool:
    """Whether each stretch in which a line is not known ends with an edge, or with the record."""
    ends = line.unknown[:, 1]
    ends = ends[ends < end]
    before, through = (line.edges.searchsorted(ends, side=side) for side in ("left", "right"))
    return bool((before < through).all())
