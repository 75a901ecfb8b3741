"""Rows in order to lines: one common tick, edges, row spacing, and what analogue columns hold until the end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from spinlag.capture import UNKNOWN, Edges, Ticks
from spinlag.errors import CaptureError
from spinlag.importers.csv_layout import Layout
from spinlag.importers.csv_rows import FINEST_PLACES, LARGEST_TICK, TIME_BACK, Codes, PackedCells, Rows
from spinlag.importers.csv_traces import Traces
from spinlag.importers.edge_store import EdgeBudget, EdgeLog
from spinlag.importers.lanes import LOST, Lanes, Line, Recorded, States

BITS = 64
"""Lines set aside for a packed column."""

PIECE = 1 << 20
"""Edges handled at a time."""

UNEVEN = Fraction(1, 1000)
"""Row spacings that differ by less than this part, besides the rounding of the times, are one spacing."""


def scaled(ticks: Ticks, shift: int) -> Ticks:
    """ticks * 10**shift; for a negative shift halves round away from zero."""
    if shift == 0:
        return ticks
    if shift > 0:
        more: Ticks = ticks * np.int64(10**shift)
        return more
    divisor = np.int64(10**-shift)
    size = np.abs(ticks)
    whole = size // divisor
    rest = size - whole * divisor
    rounded: Ticks = np.sign(ticks) * (whole + (rest >= divisor - rest))
    return rounded


def scaled_one(tick: int, shift: int) -> int:
    """One tick * 10**shift, rounded as in `scaled`."""
    if shift >= 0:
        return tick * int(10**shift)
    divisor = int(10**-shift)
    size = (2 * abs(tick) + divisor) // (2 * divisor)
    return -size if tick < 0 else size


def scaled_edges(edges: Edges, shift: int, budget: EdgeBudget) -> Edges:
    """All edges of a line times 10**shift; pairs that rounding brings to one tick are dropped."""
    if shift == 0:
        return edges
    log = budget.log()
    for start in range(0, len(edges), PIECE):
        for tick in _distinct(log, scaled(edges[start : start + PIECE], shift)):
            log.append(tick)
    return log.finish()


def _distinct(log: EdgeLog, ticks: Ticks) -> Iterator[Ticks]:
    """Ticks without those that meet, in pairs, among themselves or with the last of the log."""
    first = np.flatnonzero(np.concatenate([[True], ticks[1:] != ticks[:-1]]))
    odd = np.diff(np.append(first, len(ticks))) % 2 == 1
    ticks = ticks[first[odd]] if not odd.all() or len(first) < len(ticks) else ticks
    if len(ticks) and len(log) and log.last() == int(ticks[0]):
        log.drop_last()
        ticks = ticks[1:]
    if len(ticks):
        yield ticks


@dataclass
class Spacing:
    """The least and the greatest step between rows, in whole time units; both None before the first step.

    Kept for the file as a whole: what the rows of one block happen to be written to must not matter.
    """

    least: Fraction | None = None
    greatest: Fraction | None = None

    def note(self, places: int, least: int, greatest: int) -> None:
        """Take in the least and greatest of some steps, of 10**-places time units."""
        low, high = Fraction(least, 10**places), Fraction(greatest, 10**places)
        self.least = low if self.least is None else min(self.least, low)
        self.greatest = high if self.greatest is None else max(self.greatest, high)

    def even(self, mean: Fraction, places: int) -> bool:
        """Whether every step is `mean` (in whole time units) within the rounding of times to so many places."""
        if self.least is None or self.greatest is None:
            return False
        slack = Fraction(1, 10**places) + UNEVEN * mean
        return mean - self.least <= slack and self.greatest - mean <= slack


class Collector:
    """Takes the rows of a file in order. Ticks are of 10**-places time units; the places follow what the rows need.

    `lanes` holds a line per level column and BITS lines per packed column; `traces` the analogue columns.
    """

    def __init__(self, layout: Layout, file: str) -> None:
        self.layout = layout
        self.file = file
        self.level_columns = layout.of_kind("level")
        self.packed_columns = layout.of_kind("packed")
        self._scaled_budget = EdgeBudget()
        self._count = len(self.level_columns) + BITS * len(self.packed_columns)
        self.lanes = Lanes(self._count)
        self.traces = Traces(len(layout.of_kind("analogue")))
        self.places = min(layout.places, FINEST_PLACES[layout.unit])
        self.finest = 0
        self.rows = 0
        self.repeats = 0
        self.last_repeats = False
        self.same_time = 0
        self.rounded = False
        self.spacing = Spacing()
        self.used_bits = [0] * len(self.packed_columns)
        self.first_tick = 0
        self.last_tick = 0
        self._states = np.full(self._count, LOST, dtype=np.uint8)
        self._values: list[tuple[int, bool]] = [(0, True)] * len(self.packed_columns)

    def add(self, rows: Rows, line: int) -> None:
        """The next rows, of which the first is line `line` of the file. Raises CaptureError for time backwards."""
        if not len(rows):
            return
        ticks = rows.ticks if self.layout.time is not None else rows.ticks + self.rows
        self._settle_places(ticks, rows.places)
        shift = self.places - rows.places
        first, last = scaled_one(int(ticks[0]), shift), scaled_one(int(ticks[-1]), shift)
        self._note_steps(rows, first, line)
        self._note_rows(rows)
        if self._count:
            self._record(rows, scaled(ticks[rows.changed], shift))
        if rows.volts:
            self.traces.add(ticks, rows.places, rows.volts)
        self.first_tick = self.first_tick if self.rows else first
        self.last_tick = last
        self.rows += len(rows)

    def line(self, number: int, start: int, end: int, shift: int) -> Line:
        """A finished line in ticks of 10**-(places + shift); [start, end) are in ticks of 10**-places."""
        found = self.lanes.finish(number, start, end)
        unknown = scaled(found.unknown.ravel(), shift).reshape(-1, 2)
        return Line(found.initial, scaled_edges(found.edges, shift, self._scaled_budget), unknown, found.zero_width)

    def _note_rows(self, rows: Rows) -> None:
        self.finest = max(self.finest, rows.places)
        self.rounded |= rows.rounded
        heads = [int(codes[0]) for codes in rows.levels]
        values = [(int(value[0]), bool(lost[0])) for value, lost in rows.packed]
        same = self.rows > 0 and heads == self._states[: len(heads)].tolist() and values == self._values
        self.repeats += len(rows) - len(rows.changed) + same
        self.last_repeats = bool(same) if len(rows) == 1 else int(rows.changed[-1]) < len(rows) - 1
        self.same_time += rows.same_time

    def _note_steps(self, rows: Rows, first: int, line: int) -> None:
        if len(rows) > 1:
            self.spacing.note(rows.places, rows.least_step, rows.most_step)
        if not self.rows:
            return
        step = first - self.last_tick
        if step < 0:
            column = None if self.layout.time is None else self.layout.time + 1
            raise CaptureError(TIME_BACK, file=self.file, line=line, column=column)
        self.same_time += step == 0
        self.spacing.note(self.places, step, step)

    def _settle_places(self, ticks: Ticks, places: int) -> None:
        """Finer ticks where the rows need them, coarser ones where they would not fit."""
        greatest = max(abs(int(ticks[0])), abs(int(ticks[-1])))
        behind = max(abs(self.first_tick), abs(self.last_tick))
        wanted = max(self.places, places)
        while wanted and (
            greatest * 10**wanted >= LARGEST_TICK * 10**places or behind * 10**wanted >= LARGEST_TICK * 10**self.places
        ):
            wanted -= 1
        if wanted != self.places:
            self.rounded |= wanted < places
            self._rescale(wanted - self.places)
            self.places = wanted

    def _rescale(self, shift: int) -> None:
        """All that was gathered so far in other ticks."""
        start, end = self.first_tick, self.last_tick + 1
        old, self.lanes = self.lanes, Lanes(self._count)
        budget = EdgeBudget()
        for number in range(self._count):
            line = old.finish(number, start, end)
            edges = scaled_edges(line.edges, shift, budget)
            unknown = scaled(line.unknown[line.unknown[:, 0] < line.unknown[:, 1]].ravel(), shift).reshape(-1, 2)
            lost = bool(len(line.unknown)) and int(line.unknown[-1, 1]) == end
            for ticks, states in _events(line.initial, edges, unknown, scaled_one(start, shift), lost_at_end=lost):
                self.lanes.add(Recorded([number], [0, len(ticks)], ticks, states, plain=False))
        self.first_tick = scaled_one(self.first_tick, shift)
        self.last_tick = scaled_one(self.last_tick, shift)

    def _record(self, rows: Rows, ticks: Ticks) -> None:
        numbers: list[int] = []
        when: list[Ticks] = []
        what: list[States] = []
        plain = rows.same_time == 0 and self.places >= rows.places  # times that are rounded may meet
        for number, codes in enumerate(rows.levels):
            plain &= self._changes(number, codes, ticks, numbers, when, what)
        for column, cells in enumerate(rows.packed):
            for bit, codes in self._bits(column, cells):
                number = len(self.level_columns) + BITS * column + bit
                plain &= self._changes(number, codes, ticks, numbers, when, what)
        if numbers:
            bounds = [0, *np.cumsum([len(part) for part in when]).tolist()]
            self.lanes.add(Recorded(numbers, bounds, np.concatenate(when), np.concatenate(what), plain=plain))

    def _changes(
        self, number: int, codes: Codes, ticks: Ticks, numbers: list[int], when: list[Ticks], what: list[States]
    ) -> bool:
        """Note where a line's state changes; returns whether all its states are levels."""
        differs = np.empty(len(codes), dtype=np.bool_)
        differs[0] = codes[0] != self._states[number]
        np.not_equal(codes[1:], codes[:-1], out=differs[1:])
        self._states[number] = codes[-1]
        at = np.flatnonzero(differs)
        if not len(at):
            return True
        states = codes[at]
        numbers.append(number)
        when.append(ticks[at])
        what.append(states)
        return int(states.max()) < LOST

    def _bits(self, column: int, cells: PackedCells) -> Iterator[tuple[int, Codes]]:
        """The bits of a packed column that change in these rows, as states."""
        value, lost = cells
        before, was_lost = self._values[column]
        used = int(np.bitwise_or.reduce(value))
        self.used_bits[column] = max(self.used_bits[column], used.bit_length())
        changing = int(np.bitwise_or.reduce(value ^ np.concatenate([[np.uint64(before)], value[:-1]])))
        whole = bool(lost.any()) or was_lost
        self._values[column] = (int(value[-1]), bool(lost[-1]))
        for bit in range(BITS):
            if whole or changing >> bit & 1:
                codes = (value >> np.uint64(bit)).astype(np.uint8) & np.uint8(1)
                codes[lost] = LOST
                yield bit, codes


def _events(
    initial: int, edges: Edges, unknown: Ticks, start: int, *, lost_at_end: bool
) -> Iterator[tuple[Ticks, States]]:
    """What was recorded of a finished line, again as states in order, so that it can go on in other ticks."""
    if initial == UNKNOWN:
        return
    begins, ends = unknown[:, 0], unknown[:, 1]
    known_from_start = not (len(begins) and int(begins[0]) == start)
    resumes = ends[:-1] if lost_at_end else ends
    others = np.concatenate([[start] if known_from_start else [], begins[begins > start], resumes]).astype(np.int64)
    done = 0
    bounds = [*range(PIECE, len(edges), PIECE), len(edges)]
    for stop in bounds:
        part = edges[done:stop]
        final = stop == len(edges)
        low = int(part[0]) if done else None
        high = None if final else int(edges[stop])
        mine = others[(others >= low if low is not None else True) & (others < high if high is not None else True)]
        ticks = np.union1d(part, mine).astype(np.int64)
        level = (done + np.searchsorted(part, ticks, side="right") + initial) & 1
        inside = np.searchsorted(begins, ticks, side="right") > np.searchsorted(ends, ticks, side="right")
        if lost_at_end and len(ends):
            inside |= ticks >= begins[-1]
        states = np.where(inside, LOST, level).astype(np.uint8)
        if len(ticks):
            yield ticks, states
        done = stop
