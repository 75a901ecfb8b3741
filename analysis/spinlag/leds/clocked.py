"""Clocked two-wire chains: data sampled by a clock, in each family's frame, to updates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Progress, Ticks
from spinlag.leds.chain_parts import chain_parts, no_updates
from spinlag.leds.clock_learn import ClockHabits, learn_clock, level_before
from spinlag.leds.clock_scan import CLOCK_NAMES, ClockScan, Side, last_edges
from spinlag.leds.clocked_watch import watch_clocked
from spinlag.leds.clocked_words import Words, end_words, find_words, joined_ends, payload
from spinlag.leds.frames import FRAMES, START_ZEROS, Frame, recognise_frame
from spinlag.leds.line import Line, line_of, sample_windows, unknown_within, without_glitches
from spinlag.leds.onewire_scan import packed
from spinlag.leds.parts import Part, find_parts
from spinlag.leds.tally import Clock, finish
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.leds.watch import Traffic
from spinlag.rig import LedsTable, Rig

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

_SAMPLE_UPDATES = 64
_MERGED_AT_ONCE = 256


@dataclass(frozen=True, eq=False)
class _Columns:
    """What the scan keeps of each update: first sampling edge, last clock edge, the words, and in ticks the instants at
    which the first and the last LED have their data by the family's rule, and 32 zeros are over in this update and in
    what follows it (-1: not so)."""

    start: Ticks
    last: Ticks
    words: Words
    first_shown: Floats
    last_shown: Floats
    zeros_done: Ints
    zeros_after: Ints
    data: NDArray[np.uint8]


class _Scan(ClockScan):
    def __init__(
        self,
        clock: Line,
        data: Channel,
        habits: ClockHabits,
        frame: Frame,
        leds: int | None,
        tail_words: int,
        longest_rest: float,
    ) -> None:
        super().__init__(clock, data, habits)
        self.frame, self.leds, self.tail_words = frame, leds, tail_words
        self.longest_rest = longest_rest
        self.columns: list[_Columns] = []
        self._recent: list[_Columns] = []

    def ends(self, rises: Ticks, final: bool) -> Ints:
        rest = np.diff(rises)
        ends = np.flatnonzero(rest >= self.habits.end)
        usual = self.habits.clocks
        if usual is None or not ends.size:
            return ends
        return joined_ends(ends, rest, usual, self.longest_rest, len(rises) if final else None)

    def take(self, rises: Ticks, falls: Ticks, bits: Bools, firsts: Ints, ends: Ints) -> None:
        words = find_words(self.frame, bits, firsts, ends, self.leds, self.tail_words)
        first, last = self._shown(rises, words, ends)
        zeros_done = np.where(words.zeros >= START_ZEROS, rises[np.minimum(firsts + START_ZEROS - 1, ends)], -1)
        self._recent.append(
            _Columns(
                start=rises[firsts],
                last=last_edges(rises, falls, ends, self.pause),
                words=words,
                first_shown=first,
                last_shown=last,
                zeros_done=zeros_done,
                zeros_after=np.append(zeros_done[1:], -1),
                data=packed(payload(bits, firsts, ends, words), words.bits),
            )
        )
        if len(self._recent) >= _MERGED_AT_ONCE:
            self._merge()

    def _merge(self) -> None:
        """Many small pieces to one, so that they do not leave the memory in tatters."""
        self.columns.append(_join(self._recent))
        self._recent.clear()

    def joined(self) -> _Columns:
        """All updates, in order; what was gathered is handed over."""
        self._merge()
        whole = _join(self.columns)
        self.columns.clear()
        return whole

    def _shown(self, rises: Ticks, words: Words, ends: Ints) -> tuple[Floats, Floats]:
        """Instants in ticks at which the first and the last LED have their data, as far as this update alone tells."""
        size, n = self.frame.word, words.words
        none = n == 0
        if self.frame.shows == "next-start":
            at = np.minimum(words.begin + words.bits + START_ZEROS - 1, ends)
            both = np.where((words.tail_zeros >= START_ZEROS) & ~none, rises[at], -1).astype(np.float64)
            return both, both
        beyond = 1 if self.frame.shows == "next-byte" else 0
        first = rises[np.clip(words.begin + size - 1 + beyond, 0, ends)].astype(np.float64)
        last = rises[np.clip(words.begin + n * size - 1 + beyond, 0, ends)].astype(np.float64)
        return np.where(none, -1.0, first), np.where(none, -1.0, last)


def decode(capture: Capture, chain: LedsTable, rig: Rig, progress: Progress | None = None) -> ChainUpdates:
    """Every update on a clocked chain: data sampled at the clock's edge, words found by the family's frame.

    Raises KeyError where the capture lacks a channel, PartError where the part is not known. `progress` is called with
    clock edges done and clock edges in all.
    """
    data, clock_channel = capture.channel(chain.data), capture.channel(chain.clock or "")
    clock = Clock(capture.tick, capture.sample_period.ticks, rig.capture.clock_ppm)
    found, notes = chain_parts(chain)
    line = line_of(capture, clock_channel, inverted=chain.clock_edge == "falling")
    latch_s = _latch(chain, found)
    frame, frame_note = _given_frame(chain, found)
    habits = learn_clock(capture, line, data, frame, chain.count, latch_s)
    if habits is None:
        return no_updates(chain, data.name, found, f"the clock {clock_channel.name} never pulses")
    samples = sample_updates(line, data, habits)
    if frame is None:
        frame, why = recognise_frame(samples)
        frame_note = f"no part given; words taken for those of the {frame.name}: {why}"
        habits = learn_clock(capture, line, data, frame, chain.count, latch_s) or habits
        samples = sample_updates(line, data, habits)
    longest = latch_s / clock.tick_s if latch_s is not None and frame.shows == "clock-rest" else float("inf")
    scan = _Scan(line, data, habits, frame, chain.count, end_words(frame, samples), longest)
    scan.run(progress)
    return _result(chain, clock, found, (*notes, *([frame_note] if frame_note else [])), line, data, scan)


def _given_frame(chain: LedsTable, found: tuple[Part, ...]) -> tuple[Frame | None, str]:
    name = chain.frame or next((part.frame for part in found if part.frame), "")
    if not name:
        return None, ""
    if name in FRAMES:
        return FRAMES[name], ""
    return FRAMES[find_parts(name)[0].frame], ""


def _latch(chain: LedsTable, found: tuple[Part, ...]) -> float | None:
    """Rest of the clock after which the data show, seconds, where the rig or the part says."""
    if chain.latch_us is not None:
        return chain.latch_us / 1e6
    return max((part.latch_s for part in found if part.latch_s is not None), default=None)


def sample_updates(clock: Line, data: Channel, habits: ClockHabits) -> list[Bools]:
    """Bits of some of the line's updates, those that a sample holds whole."""
    updates: list[Bools] = []
    for piece in sample_windows(clock, 4, 1 << 16):
        rises = without_glitches(piece, habits.glitch)[0][0::2]
        if not len(rises):
            continue
        begin = int(data.edges.searchsorted(int(rises[0])))
        stop = int(data.edges.searchsorted(int(rises[-1]), side="right"))
        edges = np.asarray(data.edges[begin:stop], dtype=np.int64)
        side: Side = "left" if habits.tie_is_new else "right"
        toggles = np.bincount(np.searchsorted(rises, edges, side=side), minlength=len(rises) + 1)[: len(rises)]
        bits = ((np.cumsum(toggles) + level_before(data, begin)) & 1).astype(bool)
        ends = np.flatnonzero(np.diff(rises) >= habits.end) + 1
        # the first and the last of the line may be cut; they serve only where there is no other
        cuts = ends if len(ends) > 1 else np.concatenate(([0], ends, [len(rises)]))
        for first, last in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
            updates.append(bits[first:last])
            if len(updates) >= _SAMPLE_UPDATES:
                return updates
    return updates


def _join(columns: Sequence[_Columns]) -> _Columns:
    if not columns:
        none = np.empty(0, dtype=np.int64)
        words = Words(none, none, none, none, none, none.astype(bool), none, none)
        return _Columns(none, none, words, np.empty(0), np.empty(0), none, none, none.astype(np.uint8))

    def joined(name: str) -> NDArray[np.int64]:
        return np.concatenate([getattr(column.words, name) for column in columns])

    names = ("begin", "words", "bits", "zeros", "tail", "tail_ones", "tail_zeros", "dimmed")
    return _Columns(
        start=np.concatenate([column.start for column in columns]),
        last=np.concatenate([column.last for column in columns]),
        words=Words(**{name: joined(name) for name in names}),  # type: ignore[arg-type]
        first_shown=np.concatenate([column.first_shown for column in columns]),
        last_shown=np.concatenate([column.last_shown for column in columns]),
        zeros_done=(done := np.concatenate([column.zeros_done for column in columns])),
        zeros_after=np.append(done[1:], -1),
        data=np.concatenate([column.data for column in columns]),
    )


def _without_bare_ends(columns: _Columns) -> tuple[_Columns, tuple[str, ...]]:
    """Updates without those that carry no data, where such are the habit: firmware that rests before the end frame."""
    bare = columns.words.bits == 0
    if bare.sum() < 3 or not 0.3 < bare.mean() < 0.7:
        return columns, ()
    kept = np.flatnonzero(~bare)
    words = columns.words
    names = ("begin", "words", "bits", "zeros", "tail", "tail_ones", "tail_zeros", "dimmed")
    following = np.append(columns.zeros_done[1:], -1)
    shorter = _Columns(
        start=columns.start[kept],
        last=columns.last[kept],
        words=Words(**{name: getattr(words, name)[kept] for name in names}),
        first_shown=columns.first_shown[kept],
        last_shown=columns.last_shown[kept],
        zeros_done=columns.zeros_done[kept],
        zeros_after=following[kept],
        data=columns.data,
    )
    return shorter, ("the clock rests before the end frame; the frame counts to the update before it",)


def _light(frame: Frame, columns: _Columns, latch_ticks: float, half: float) -> tuple[Floats, Floats, Bools]:
    """First and last LED's light in ticks after the last edge, and which updates ever show within the record. `half` is
    half a clock period in ticks: what each LED of a chain that re-times the data adds."""
    last = columns.last.astype(np.float64)
    n = len(last)
    if frame.shows == "clock-rest":
        return np.full(n, latch_ticks), np.full(n, latch_ticks), np.ones(n, dtype=bool)
    if frame.shows == "last-clock":
        return np.zeros(n), np.zeros(n), np.ones(n, dtype=bool)
    first, final = columns.first_shown, columns.last_shown
    if frame.shows == "next-start":
        final = np.where(final >= 0, final, columns.zeros_after.astype(np.float64))
        first = final
    shown = (final >= 0) | (columns.words.words == 0)
    if frame.retimes and frame.shows == "own-word":
        final = final + np.maximum(columns.words.words - 1, 0) * half
    lit = final >= 0
    return np.where(lit, first - last, 0.0), np.where(lit, final - last, 0.0), shown


def _result(
    chain: LedsTable,
    clock: Clock,
    found: tuple[Part, ...],
    notes: tuple[str, ...],
    line: Line,
    data: Channel,
    scan: _Scan,
) -> ChainUpdates:
    frame = scan.frame
    columns, rested = _without_bare_ends(scan.joined())
    words = columns.words
    part = found[0] if found else None
    latch_s, latch_from = _latch_of(chain, found, scan.habits, frame, clock)
    timing = _timing(scan, columns, clock)
    period_s = timing["clock_period"].statistics.mean if "clock_period" in timing else None
    half = (period_s / clock.tick_s if period_s is not None else scan.habits.period) / 2
    early, late, shown = _light(frame, columns, (latch_s or 0.0) / clock.tick_s, half)
    offsets = np.concatenate(([0], np.cumsum((words.bits + 7) // 8))).astype(np.int64)
    expected = chain.count * frame.word if chain.count is not None else None
    whole = _whole(line, data, columns, frame, expected, scan.habits.end) & shown
    traffic = Traffic(
        name=chain.name,
        channel=data.name,
        start=columns.start,
        last=columns.last,
        bits=words.bits,
        whole=whole,
        expected=expected,
        bits_per_led=frame.word,
        clock=clock,
        known_to=line.known_to,
    )
    observations, unlisted = watch_clocked(traffic, scan, frame, words, part, chain.count)
    order = chain.order or (part.order if part else "")
    return ChainUpdates(
        name=chain.name,
        wiring=chain.wiring,
        channel=data.name,
        part=part,
        part_note="rig" if found else "no part given",
        bits_per_led=frame.word,
        order=order or ("BGR" if frame.head and frame.word == 32 else "RGB"),
        start=columns.start,
        last=columns.last,
        light_early_s=early * clock.tick_s,
        light_s=late * clock.tick_s,
        bits=words.bits,
        data=columns.data,
        offsets=offsets,
        whole=whole,
        timing=timing,
        threshold_s=None,
        threshold_from="",
        latch_s=latch_s,
        latch_from=latch_from,
        observations=observations,
        notes=(*notes, *rested, *unlisted),
        candidates=found,
        frame=frame.name,
        along_chain=frame.shows in ("own-word", "next-byte"),
        lost_intervals=scan.lost_intervals,
    )


def _whole(line: Line, data: Channel, columns: _Columns, frame: Frame, expected: int | None, ends_after: int) -> Bools:
    """Which updates the record holds from start to end: the clock rested before and after, or they begin with a whole
    start frame (with all their data, where the family has none)."""
    whole = ~unknown_within(line, columns.start, columns.last + 1)
    whole &= ~unknown_within(Line(data, False, 0, 0, 0), columns.start, columns.last + 1)
    # one that an unknown stretch follows or precedes too closely may have gone on in it, or begun there
    near = unknown_within(line, columns.start - ends_after, columns.last + 1 + ends_after)
    whole &= ~near | (columns.words.bits == expected) if expected is not None else ~near
    if len(whole):
        rested = int(columns.start[0]) - (int(line.edges[0]) if line.first else line.known_from)
        words = columns.words
        begun = expected is not None and words.bits[0] == expected
        if frame.head:
            begun = words.zeros[0] >= frame.head and words.words[0] > 0
        whole[0] &= rested >= ends_after or bool(begun)
        whole[-1] &= line.known_to - int(columns.last[-1]) >= ends_after
    return whole


def _latch_of(
    chain: LedsTable, found: tuple[Part, ...], habits: ClockHabits, frame: Frame, clock: Clock
) -> tuple[float | None, str]:
    if frame.shows != "clock-rest":
        return None, f"none: {frame.source}"
    if chain.latch_us is not None:
        return chain.latch_us / 1e6, "rig (latch_us)"
    known = next((part for part in found if part.latch_s is not None), None)
    if known is not None:
        return known.latch_s, known.source_of("latch")
    clocks = next((part for part in found if part.latch_clocks is not None), None)
    if clocks is not None and clocks.latch_clocks is not None:
        return clocks.latch_clocks * habits.period * clock.tick_s, f"{clocks.source_of('latch')}, in clock periods"
    part = find_parts("WS2801")[0]
    return part.latch_s, f"no part given: {part.source_of('latch')}"


def _timing(scan: _Scan, updates: _Columns, clock: Clock) -> dict[str, Tally]:
    grouping = scan.grouping(len(updates.start))
    timing = {name: finish(scan.gathered[name], clock, grouping) for name in CLOCK_NAMES}
    timing["clock_idle"] = scan.lost.tally(updates.last[:-1], updates.start[1:], clock)
    return {name: tally for name, tally in timing.items() if tally is not None}
