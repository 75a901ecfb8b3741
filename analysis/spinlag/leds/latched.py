"""Latched chains: shift registers that take bits from a clock and show them at the edge of a latch line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Progress, Ticks
from spinlag.leds.chain_parts import chain_parts, no_updates
from spinlag.leds.clock_learn import ClockHabits, learn_clock
from spinlag.leds.clock_scan import CLOCK_NAMES, ClockScan, last_edges
from spinlag.leds.clocked_watch import FrameFault, clock_faults
from spinlag.leds.line import Line, line_of, unknown_within
from spinlag.leds.lost import Lost
from spinlag.leds.onewire_scan import packed
from spinlag.leds.parts import Part
from spinlag.leds.tally import Clock, finish
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.leds.watch import Listing, Traffic, lengths, silences
from spinlag.observations import Observation
from spinlag.paged import Column
from spinlag.rig import LedsTable, Rig

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_USUAL_DEPTHS = ((1, 8), (12, 16), (12, 24), (8, 8), (16, 16))
"""Bits per output and outputs per chip of common registers and drivers, tried where no part says."""


@dataclass(frozen=True)
class Layout:
    """What a latch takes over: `clocks` since the last one, of which the first `spare` fill outputs without an LED;
    `bits_per_led` for each LED. `clocks` is None where neither the rig nor the line tells."""

    clocks: int | None
    spare: int
    bits_per_led: int
    note: str


class _Scan(ClockScan):
    def __init__(self, clock: Line, data: Channel, habits: ClockHabits, marks: Ticks) -> None:
        super().__init__(clock, data, habits)
        self.marks = marks
        self.spare = 0
        self.start = Column(np.int64)
        self.last_rise = Column(np.int64)
        self.last = Column(np.int64)
        self.bits = Column(np.int64)
        self.raw = Column(np.uint8)

    def ends(self, rises: Ticks, final: bool) -> Ints:
        first = int(np.searchsorted(self.marks, rises[0], side="left"))
        stop = len(self.marks) if final else int(np.searchsorted(self.marks, rises[-1], side="left"))
        before = np.searchsorted(rises, self.marks[first:stop], side="right")
        return np.unique(before[before > 0]) - 1

    def take(self, rises: Ticks, falls: Ticks, bits: Bools, firsts: Ints, ends: Ints) -> None:
        counts = ends - firsts + 1
        self.start.append(rises[firsts])
        self.last_rise.append(rises[ends])
        self.last.append(last_edges(rises, falls, ends, self.pause))
        self.bits.append(counts)
        self.raw.append(packed(bits, counts))


@dataclass(frozen=True, eq=False)
class _Latches:
    """Updates as the latch line divides the clocks: `clocks` since the latch before; `mark` the latch edge that shows
    them (-1: none before the record ends), `mark_end` the end of that pulse; `bare` latch edges without any clock."""

    start: Ticks
    last_rise: Ticks
    last: Ticks
    clocks: Ints
    mark: Ticks
    mark_end: Ticks
    bare: Ticks


def decode(capture: Capture, chain: LedsTable, rig: Rig, progress: Progress | None = None) -> ChainUpdates:
    """Every update on a latched chain: the clocks between two latch edges, shown at the second one, or when the blank
    line lets go.

    Raises KeyError where the capture lacks a channel, PartError where the part is not known. `progress` is called with
    clock edges done and clock edges in all.
    """
    data, clock_line = capture.channel(chain.data), capture.channel(chain.clock or "")
    latch = capture.channel(chain.latch or "")
    blank = capture.channel(chain.blank) if chain.blank is not None else None
    clock = Clock(capture.tick, capture.sample_period.ticks, rig.capture.clock_ppm)
    found, notes = chain_parts(chain)
    line = line_of(capture, clock_line, inverted=chain.clock_edge == "falling")
    habits = learn_clock(capture, line, data, None, None, None)
    if habits is None:
        return no_updates(chain, data.name, found, f"the clock {clock_line.name} never pulses")
    marks, mark_ends = _pulses(latch, chain.latch_edge == "rising")
    if not marks.size:
        return no_updates(chain, data.name, found, f"the latch {latch.name} never pulses")
    scan = _Scan(line, data, habits, marks)
    scan.run(progress)
    latches = _latches(scan, marks, mark_ends)
    layout = _layout(chain, found, latches)
    shown, dark = _shown(latches, blank, chain)
    whole = _whole(line, data, latches, layout) & (shown >= 0)
    sent = np.maximum(latches.clocks - layout.spare, 0)
    traffic = Traffic(
        name=chain.name,
        channel=data.name,
        start=latches.start,
        last=latches.last,
        bits=latches.clocks,
        whole=whole,
        expected=layout.clocks,
        bits_per_led=1,
        clock=clock,
        known_to=line.known_to,
        unit="clocks",
    )
    observations, unlisted = _watch(traffic, scan, latches, latch, found)
    lost = Lost(clock_line, latch, *([blank] if blank is not None else []))
    timing = _timing(scan, latches, shown, dark, blank, chain, clock, lost)
    light = np.where(shown >= 0, shown - latches.last, 0) * clock.tick_s
    part = found[0] if found else None
    bits, offsets = _payload(scan, latches.clocks, layout.spare)
    order = chain.order or (part.order if part else "W")
    return ChainUpdates(
        name=chain.name,
        wiring=chain.wiring,
        channel=data.name,
        part=part,
        part_note=_part_note(chain, found),
        bits_per_led=layout.bits_per_led,
        order=order,
        start=latches.start,
        last=latches.last,
        light_early_s=light,
        light_s=light,
        bits=sent,
        data=bits,
        offsets=offsets,
        whole=whole,
        timing=timing,
        threshold_s=None,
        threshold_from="",
        latch_s=None,
        latch_from=f"the {chain.latch_edge} edge of {latch.name}"
        + ("" if blank is None else f", or the end of {blank.name}"),
        observations=observations,
        notes=(*notes, *([layout.note] if layout.note else []), *unlisted),
        candidates=found,
        lost_intervals=scan.lost_intervals + lost.count,
    )


def _part_note(chain: LedsTable, found: tuple[Part, ...]) -> str:
    if not found:
        return "no part given"
    if len(found) == 1:
        return "rig"
    return f"{chain.part} can mean {', '.join(part.name for part in found)}; judged against each"


def _pulses(latch: Channel, rising: bool) -> tuple[Ticks, Ticks]:
    """Edges that latch, and the edge after each (-1: none)."""
    edges = np.asarray(latch.edges[:], dtype=np.int64)
    if latch.initial == UNKNOWN:
        return edges[:0], edges[:0]
    first = latch.initial if rising else 1 - latch.initial
    marks = edges[first::2]
    after = edges[first + 1 :: 2]
    return marks, np.append(after, -1)[: len(marks)] if len(after) < len(marks) else after


def _latches(scan: _Scan, marks: Ticks, mark_ends: Ticks) -> _Latches:
    start, last_rise, last, clocks = (column.join() for column in (scan.start, scan.last_rise, scan.last, scan.bits))
    at = np.searchsorted(marks, last_rise, side="left")
    latched = at < len(marks)
    mark = np.full(len(start), -1, dtype=np.int64)
    end = mark.copy()
    mark[latched], end[latched] = marks[at[latched]], mark_ends[at[latched]]
    used = np.zeros(len(marks), dtype=bool)
    used[at[latched]] = True
    return _Latches(start, last_rise, last, clocks, mark, end, marks[~used])


def _layout(chain: LedsTable, found: tuple[Part, ...], latches: _Latches) -> Layout:
    part = found[0] if found else None
    order = chain.order or (part.order if part else "W")
    usual = _usual(latches.clocks)
    outputs = None if chain.count is None else chain.count * len(order)
    depth = chain.bits_per_output or (part.bits_per_output if part else None)
    per_chip = chain.outputs_per_chip or (part.outputs_per_chip if part else None)
    if outputs is None:
        return Layout(usual, 0, chain.bits_per_led or (depth or 1) * len(order), "")
    if depth is None:
        for depth, chip in _USUAL_DEPTHS:
            if -(-outputs // (per_chip or chip)) * (per_chip or chip) * depth == usual:
                clocks = usual or 0
                note = (
                    f"{depth} bits per output and {per_chip or chip} outputs per chip assumed: {clocks} clocks a latch"
                )
                return Layout(clocks, clocks - outputs * depth, depth * len(order), note if depth > 1 else "")
        depth = 1
    clocks = -(-outputs // per_chip) * per_chip * depth if per_chip else outputs * depth
    return Layout(clocks, clocks - outputs * depth, depth * len(order), "")


def _usual(clocks: Ints) -> int | None:
    if not clocks.size:
        return None
    values, counts = np.unique(clocks, return_counts=True)
    return int(values[np.argmax(counts)]) if counts.max() * 2 >= clocks.size else None


def _shown(latches: _Latches, blank: Channel | None, chain: LedsTable) -> tuple[Ticks, Bools]:
    """When each update shows (-1: not within the record), and whether the blank line held it back."""
    mark = latches.mark
    dark = np.zeros(len(mark), dtype=bool)
    if blank is None or blank.initial == UNKNOWN:
        return mark, dark
    edges = np.asarray(blank.edges[:], dtype=np.int64)
    at = np.searchsorted(edges, mark, side="right")
    level = blank.initial ^ (at & 1)
    dark = (mark >= 0) & (level == (1 if chain.blank_dark == "high" else 0))
    release = np.append(edges, -1)[np.minimum(at, len(edges))]
    return np.where(dark, release, mark), dark


def _whole(line: Line, data: Channel, latches: _Latches, layout: Layout) -> Bools:
    whole = ~unknown_within(line, latches.start, latches.last + 1)
    whole &= ~unknown_within(Line(data, False, 0, 0, 0), latches.start, latches.last + 1)
    whole &= latches.mark >= 0
    # clocks may have come in an unknown stretch anywhere from the update before to the latch edge
    before = np.concatenate((latches.start[:1], latches.last[:-1]))
    near = unknown_within(line, before, np.maximum(latches.mark, latches.last) + 1)
    whole &= ~near | (latches.clocks == layout.clocks)
    if len(whole) and latches.clocks[0] != layout.clocks:
        # the record may have begun among its clocks
        whole[0] = False
    return whole


def _payload(scan: _Scan, clocks: Ints, spare: int) -> tuple[NDArray[np.uint8], Ints]:
    """Bits of the outputs that have LEDs, each update from a fresh byte on, the last one padded with zeros."""
    raw = scan.raw.join()
    sent = np.maximum(clocks - spare, 0)
    offsets = np.concatenate(([0], np.cumsum((sent + 7) // 8))).astype(np.int64)
    if spare == 0:
        return raw, offsets
    if spare % 8 == 0:
        begin = np.concatenate(([0], np.cumsum((clocks + 7) // 8))).astype(np.int64)
        keep = np.ones(len(raw), dtype=bool)
        lead = np.minimum(spare // 8, np.diff(begin))
        places = np.arange(int(lead.sum())) - np.repeat(np.cumsum(lead) - lead, lead)
        keep[np.repeat(begin[:-1], lead) + places] = False
        return raw[keep], offsets
    return _shifted(raw, clocks, spare, sent), offsets


def _shifted(raw: NDArray[np.uint8], clocks: Ints, spare: int, sent: Ints) -> NDArray[np.uint8]:
    """As `_payload`, for a lead that is no whole number of bytes; some updates at a time."""
    begin = np.concatenate(([0], np.cumsum((clocks + 7) // 8))).astype(np.int64)
    pieces = []
    step = max(1, (1 << 20) // max(int(clocks.max(initial=1)), 1))
    for first in range(0, len(clocks), step):
        stop = min(first + step, len(clocks))
        bits = np.unpackbits(raw[begin[first] : begin[stop]]).astype(bool)
        at = np.repeat((begin[first:stop] - begin[first]) * 8 + spare, sent[first:stop])
        own = np.arange(len(at)) - np.repeat(np.cumsum(sent[first:stop]) - sent[first:stop], sent[first:stop])
        pieces.append(packed(bits[at + own], sent[first:stop]))
    return np.concatenate(pieces) if pieces else raw[:0]


def _timing(
    scan: _Scan,
    latches: _Latches,
    shown: Ticks,
    dark: Bools,
    blank: Channel | None,
    chain: LedsTable,
    clock: Clock,
    lost: Lost,
) -> dict[str, Tally]:
    grouping = scan.grouping(len(latches.start))
    timing = {name: finish(scan.gathered[name], clock, grouping) for name in CLOCK_NAMES}
    latched = latches.mark >= 0
    mark, end = latches.mark[latched], latches.mark_end[latched]
    following = np.append(latches.start[1:], -1)[latched]
    timing["clock_to_latch"] = lost.tally(latches.last_rise[latched], mark, clock)
    timing["clock_end_to_latch"] = lost.tally(latches.last[latched], mark, clock)
    ended, followed = end >= 0, following >= 0
    timing["latch_width"] = lost.tally(mark[ended], end[ended], clock)
    timing["latch_to_clock"] = lost.tally(mark[followed], following[followed], clock)
    both = ended & followed
    timing["latch_end_to_clock"] = lost.tally(end[both], following[both], clock)
    timing["clock_idle"] = scan.lost.tally(latches.last[:-1], latches.start[1:], clock)
    if blank is not None:
        timing["blank_width"] = lost.tally(*_dark_pulses(blank, chain.blank_dark == "high"), clock)
        held = dark & (shown >= 0)
        timing["latch_to_blank_end"] = lost.tally(latches.mark[held], shown[held], clock)
    return {name: tally for name, tally in timing.items() if tally is not None}


def _dark_pulses(blank: Channel, high: bool) -> tuple[Ticks, Ticks]:
    begin, end = _pulses(blank, high)
    ended = end >= 0
    return begin[ended], end[ended]


def _watch(
    traffic: Traffic, scan: _Scan, latches: _Latches, latch: Channel, found: tuple[Part, ...]
) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    listing = Listing()
    clock_faults(traffic, scan, listing)
    lengths(traffic, listing)
    silences(traffic, listing)
    _bare_latches(traffic, latches, latch, listing)
    if any(part.quiet_latch for part in found):
        moving = latches.mark_end[:-1] > latches.start[1:]
        overlap = np.append(moving & (latches.mark[:-1] >= 0), False)
        FrameFault(
            "data-extra",
            traffic.whole & overlap,
            lambda _: f"the clock runs on while {latch.name} is active, which the part forbids",
            0.0,
            np.where(overlap, 1, 0),
            "the part's sheet",
        ).list_in(listing, traffic)
    return listing.done()


def _bare_latches(traffic: Traffic, latches: _Latches, latch: Channel, listing: Listing) -> None:
    """Latch edges with no clock since the one before: they show the same again."""
    bare = latches.bare[latches.bare > (int(latches.start[0]) if len(latches.start) else 0)]
    unseen = Lost(latch).among(bare, bare + 1)
    if unseen is not None:
        bare = bare[~unseen]
    if not bare.size:
        return
    if bare.size > 20 and bare.size > 0.1 * len(latches.start):
        listing.notes.append(f"{latch.name} pulses {bare.size} times with no clock since the pulse before")
        return
    found = [
        traffic.observe(
            "data-extra",
            int(at),
            f"{latch.name} latches again, 0 clocks after the latch before",
            traffic.update_at(int(at)),
            expected=None if traffic.expected is None else float(traffic.expected),
            observed=0.0,
            unit="bits",
            threshold="clocks since the latch before",
        )
        for at in bare.tolist()
    ]
    listing.take("data-extra", found, len(found))
