"""What a clock and its data are like, learnt from samples: pace, what ends an update, which level counts in a tie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.leds.ending import Ending
from spinlag.leds.frames import START_ZEROS, Frame
from spinlag.leds.line import Line, sample_windows, shortest_usual, without_glitches

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SHORTEST_PULSE_S = 10e-9
"""Shortest clock pulse that any listed part accepts (TLC5971, SBVS146D); shorter ones count as glitches."""

ENOUGH_UPDATES = 6
"""Whole updates that samples must hold before they are thought to tell what ends one."""

MOST_WORD = 32
"""Longest LED word of the families that are recognised by their bits; the shortest is half of it."""

LONG_REST_S = 5e-6
LONG_REST_PERIODS = 8.0
"""A rest of the clock inside an update is told of when it exceeds both."""

_PAUSE_PERIODS = 1.6
_SAMPLES = ((8, 1 << 15), (2, 1 << 18), (1, 1 << 20))


@dataclass(frozen=True)
class ClockHabits:
    """All lengths in ticks. `period`: usual sampling edge to sampling edge; `pause`: longer intervals between sampling
    edges are pauses and no clock periods; `long_rest`: pauses worth telling of; `end`: as long ends an update;
    `clocks`: of a usual update, None where lengths vary; `tie_is_new`: data that move in the sample of the sampling
    edge count with it; `usual_high`, and beyond which lengths a high (`high_from`, `high_to`) or a low (`low_from`)
    stands out."""

    period: float
    glitch: int
    pause: int
    long_rest: int
    end: int
    clocks: int | None
    tie_is_new: bool
    usual_high: float
    high_from: float
    high_to: float
    low_from: float


def learn_clock(
    capture: Capture, clock: Line, data: Channel, frame: Frame | None, leds: int | None, latch_s: float | None
) -> ClockHabits | None:
    """Habits of a clock and its data; None where the clock never pulses. `leds`: the rig's count."""
    tick_s = float(capture.tick)
    sample_ticks = float(capture.sample_period.ticks)
    for windows, pulses in _SAMPLES:
        pieces = list(sample_windows(clock, windows, pulses))
        if not pieces:
            return None
        period = _period(pieces)
        glitch = _glitch(pieces, sample_ticks, tick_s)
        pieces = [cleaned for piece in pieces if len(cleaned := without_glitches(piece, glitch)[0]) >= 2]
        if not pieces:
            return None
        period = _period(pieces)
        whole = sum(len(piece) // 2 for piece in pieces) >= clock.pulses
        rests = [np.diff(piece[0::2]) for piece in pieces]
        ending = Ending(
            rests,
            whole=whole,
            usual=_PAUSE_PERIODS * period,
            harmless=_PAUSE_PERIODS * period,
            shortest=8 * period,
            most=latch_s / tick_s if latch_s is not None else float("inf"),
        )
        end, sure = _end(ending, frame, leds, period)
        if whole or (sure and ending.updates(end) >= ENOUGH_UPDATES):
            break
    highs = np.concatenate([piece[1::2] - piece[0::2] for piece in pieces])
    lows = np.concatenate([piece[2::2] - piece[1:-1:2] for piece in pieces])
    highs, lows = highs[highs < _PAUSE_PERIODS * period], lows[lows < _PAUSE_PERIODS * period]
    slack = sample_ticks + (1.0 if capture.sample_period.ticks.denominator != 1 else 0.0)
    return ClockHabits(
        period=period,
        glitch=glitch,
        pause=int(_PAUSE_PERIODS * period),
        long_rest=int(max(LONG_REST_S / tick_s, LONG_REST_PERIODS * period)),
        end=end,
        clocks=ending.usual_size(end),
        tie_is_new=_tie_is_new(pieces, data),
        usual_high=float(np.median(highs)),
        high_from=_ordinary(highs, slack, period)[0],
        high_to=_ordinary(highs, slack, period)[1],
        low_from=_ordinary(lows, slack, period)[0],
    )


def _ordinary(intervals: Ticks, slack: float, period: float) -> tuple[float, float]:
    """Bounds far outside a line's own spread: 1.8 times what all but a thousandth stray from the median, a sample more,
    and at least two samples and 0.15 of a clock period. In a short capture up to two dozen may stray further, so that
    one bad update is not taken for spread."""
    if not intervals.size:
        return 0.0, float("inf")
    ordered = np.sort(intervals)
    usual = float(np.median(ordered))
    rare = min(max(24, int(1e-3 * ordered.size)), ordered.size // 50)
    least = max(2 * slack, 0.15 * period)
    below = max(1.8 * (usual - float(ordered[rare])) + slack, least)
    above = max(1.8 * (float(ordered[-1 - rare]) - usual) + slack, least)
    return usual - below, usual + above


def _glitch(pieces: Sequence[Ticks], sample_ticks: float, tick_s: float) -> int:
    """Pulses that no part would see; none where the recorder's samples are that coarse themselves."""
    limit = min(SHORTEST_PULSE_S / tick_s, shortest_usual(pieces))
    return int(limit) if limit > sample_ticks else 0


def _period(pieces: Sequence[Ticks]) -> float:
    periods = np.concatenate([np.diff(piece[0::2]) for piece in pieces])
    if periods.size == 0:
        return 2.0 * float(pieces[0][1] - pieces[0][0])
    return float(np.median(periods))


def _end(ending: Ending, frame: Frame | None, leds: int | None, period: float) -> tuple[int, bool]:
    """The rest that ends an update, and whether most bits bear it out. With a count, updates are those long enough for
    it and not for two; without one, the commonest length that holds a start and a word at least."""
    least = (frame.head if frame else 0) + (frame.word if frame else MOST_WORD // 2) * (leds or 1)
    if leds is not None:
        # a word may be twice as long where the family is not known; the end may take as many clocks as there are LEDs
        most = (2 * least if frame else 2 * MOST_WORD * leds) + leds + 4 * START_ZEROS
        cut, share = ending.best(lambda size: (size >= least) & (size < most), ending.usual)
        if share >= 0.5:
            return cut, True
    cut, share = ending.best(lambda size: (size >= least) & (size == _common_of(size, least)), 2 * period)
    return cut, share >= 0.5 and leds is None


def _common_of(sizes: Ints, least: int) -> int:
    fitting = sizes[sizes >= least]
    if not fitting.size:
        return -1
    values, counts = np.unique(fitting, return_counts=True)
    return int(values[np.argmax(counts)])


def _tie_is_new(pieces: Sequence[Ticks], data: Channel) -> bool:
    """Data that usually move shortly before the sampling edge have moved before it where both fall into one sample."""
    before: list[Ticks] = []
    after: list[Ticks] = []
    for piece in pieces:
        rises = piece[0::2]
        first, last = data.edges.searchsorted(int(rises[0])), data.edges.searchsorted(int(rises[-1]))
        edges = np.asarray(data.edges[int(first) : int(last)], dtype=np.int64)
        at = np.searchsorted(rises, edges, side="left")
        clear = (at > 0) & (at < len(rises)) & (rises[np.minimum(at, len(rises) - 1)] != edges)
        before.append(rises[at[clear]] - edges[clear])
        after.append(edges[clear] - rises[at[clear] - 1])
    lead, lag = np.concatenate(before), np.concatenate(after)
    return bool(lead.size == 0 or np.median(lead) <= np.median(lag))


def level_before(data: Channel, index: int) -> int:
    """Level of the data line after its first `index` edges, 0 where it was never known."""
    return 0 if data.initial == UNKNOWN else data.initial ^ (index & 1)
