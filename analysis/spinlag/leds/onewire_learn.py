"""What a one-wire line is like, learnt from samples of it: polarity, bit length, threshold, what ends an update."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.leds.ending import Ending
from spinlag.leds.line import Line, line_of, sample_windows, shortest_usual, without_glitches
from spinlag.leds.parts import Part

Ints = NDArray[np.int64]

USUAL_PERIOD_S = 1.25e-6
"""Bit time at 800 kbit/s (WS2812B sheets); the limits below stand for bits of about that length."""

GLITCH_S = 62.5e-9
"""Shortest pulse that a one-wire LED was seen to take for a bit (bench post 'Understanding the WS2812', 2014-04-27)."""

HARMLESS_LOW_S = 5e-6
"""Lows shorter than this were never seen to end an update (comments in a published demo sketch, 2021-01-23)."""

SHORTEST_LATCH_S = 8.95e-6
"""Shortest low that a WS2812B was seen to latch at (bench post 'Understanding the WS2812', 2014-04-27)."""

SHORTEST_SHEET_LATCH_S = 50e-6
"""Latch time of the early sheets; with no part given any longer low ends an update."""

ENOUGH_UPDATES = 6
"""Whole updates that samples must hold before they are thought to tell what ends one."""

ONE_BIT_SHARE = 0.42
"""A bit that is high for more of its period than this is a 1, where nothing else tells: between the longest T0H (0.32
of the period, WS2812B 2013-05) and the shortest T1H (0.48, WS2811) of the nominal times in one-wire sheets."""

_PLAUSIBLE = (0.6e-6, 3.5e-6)
_LONG_LOW_PERIODS = 1.6
_SAMPLES = ((8, 1 << 15), (2, 1 << 18), (1, 1 << 20))


@dataclass(frozen=True)
class Habits:
    """What decoding needs to know of a line; all lengths in ticks.

    `scale` stretches the limits above to lines whose bits are far from 1.25 us. `end` is the shortest low that ends an
    update, `expected` the bits of a usual update where that is known, `expected_from` how.
    """

    period: float
    scale: float
    glitch: int
    threshold: int
    threshold_from: str
    end: int
    pause: int
    expected: int | None
    expected_from: str
    zero: float | None
    one: float | None
    """Typical high time of a 0 and of a 1; None where the samples show none."""
    notes: tuple[str, ...]


_FAR_BEYOND = 3.0
"""No long interval says more of the level at which a line rests than so many usual long ones."""


def detect_polarity(capture: Capture, channel: Channel) -> bool | None:
    """True where the line rests high (pulses go low), False where it rests low, None where it does not tell.

    A line rests at the level that holds its long intervals; a single one far beyond the others (the recorder looked
    away, or the line hung) counts no more than a few of them. Where there are none, the edge that keeps an even pace is
    the one that starts the bits.
    """
    plain = line_of(capture, channel, inverted=False)
    edges = plain.edges
    if channel.initial == UNKNOWN or len(edges) < 2:
        return None
    pieces = list(sample_windows(plain, *_SAMPLES[0]))
    if not pieces:
        return None
    usual = float(np.median(np.concatenate([np.diff(piece) for piece in pieces])))
    highs = _long([piece[1::2] - piece[0::2] for piece in pieces], usual)
    lows = _long([piece[2::2] - piece[1:-1:2] for piece in pieces], usual)
    most = _FAR_BEYOND * float(np.median(np.concatenate((highs, lows)))) if len(highs) + len(lows) else np.inf
    high, low = (float(np.minimum(long, most).sum()) for long in (highs, lows))
    first, last = (
        min(rest, most) for rest in (int(edges[0]) - plain.known_from, plain.known_to - int(edges[len(edges) - 1]))
    )
    ends_high = (channel.initial ^ (len(edges) & 1)) == 1
    high += (first if channel.initial == 1 else 0) + (last if ends_high else 0)
    low += (first if channel.initial == 0 else 0) + (last if not ends_high else 0)
    if max(high, low) > 20 * usual:
        return True if high > 10 * low else False if low > 10 * high else None
    return _uneven(pieces)


def _long(intervals: Sequence[Ticks], usual: float) -> Ticks:
    together = np.concatenate(intervals)
    return np.asarray(together[together > 20 * usual])


def _uneven(pieces: Sequence[Ticks]) -> bool | None:
    rises = np.concatenate([np.diff(piece[0::2]) for piece in pieces])
    falls = np.concatenate([np.diff(piece[1::2]) for piece in pieces])
    if rises.size < 8:
        return None
    of_rises, of_falls = (float(np.subtract(*np.percentile(gaps, (90, 10)))) for gaps in (rises, falls))
    if of_falls * 2 < of_rises:
        return True
    return False if of_rises * 2 < of_falls else None


def learn(capture: Capture, line: Line, part: Part | None, expected: int | None) -> Habits | None:
    """Habits of the line, from samples; None where it has no whole pulse. `expected`: bits per update, if known."""
    tick_s = float(capture.tick)
    notes: list[str] = []
    for windows, pulses in _SAMPLES:
        pieces = list(sample_windows(line, windows, pulses))
        if not pieces:
            return None
        period = _period(pieces)
        plausible = _PLAUSIBLE[0] <= period * tick_s <= _PLAUSIBLE[1]
        scale = 1.0 if plausible else period * tick_s / USUAL_PERIOD_S
        glitch = int(min(GLITCH_S * scale / tick_s, 0.1 * period, shortest_usual(pieces)))
        pieces = [cleaned for piece in pieces if len(cleaned := without_glitches(piece, glitch)[0]) >= 2]
        if not pieces:
            return None
        whole = sum(len(piece) // 2 for piece in pieces) >= line.pulses
        period = _period(pieces)
        ending = _ending(pieces, whole, period, scale / tick_s, part)
        end, bits, bits_from = ending.choose(expected)
        if whole or ending.updates(end) >= ENOUGH_UPDATES:
            break
    if not plausible:
        notes.append(
            f"a bit takes {period * tick_s:.4g} s, far from any one-wire LED (0.8 to 2.5 µs): the file's tick may be "
            "wrong (rig key capture.tick_ns), or the line is something else"
        )
    highs = np.concatenate([piece[1::2] - piece[0::2] for piece in pieces])
    sample_ticks = max(float(capture.sample_period.ticks), 1.0)
    split = split_highs(highs, period, sample_ticks)
    threshold, threshold_from, note = _threshold(split, period, part, tick_s, sample_ticks)
    notes += [note] if note else []
    return Habits(
        period=period,
        scale=scale,
        glitch=glitch,
        threshold=threshold,
        threshold_from=threshold_from,
        end=end,
        pause=int(HARMLESS_LOW_S * scale / tick_s),
        expected=bits,
        expected_from=bits_from,
        zero=_typical(highs[highs <= threshold]),
        one=_typical(highs[(highs > threshold) & (highs < period)]),
        notes=tuple(notes),
    )


def _ending(pieces: Sequence[Ticks], whole: bool, period: float, per_s: float, part: Part | None) -> Ending:
    latch_s = part.latch_s if part is not None and part.latch_s is not None else SHORTEST_SHEET_LATCH_S
    return Ending(
        [piece[2::2] - piece[1:-1:2] for piece in pieces],
        whole=whole,
        usual=_LONG_LOW_PERIODS * period,
        harmless=HARMLESS_LOW_S * per_s,
        shortest=SHORTEST_LATCH_S * per_s,
        most=latch_s * per_s,
    )


def _typical(highs: Ticks) -> float | None:
    return float(np.median(highs)) if highs.size else None


def _period(pieces: Sequence[Ticks]) -> float:
    """Median bit period: rise to rise; of a single pulse, twice its length."""
    periods = np.concatenate([np.diff(piece[0::2]) for piece in pieces])
    if periods.size == 0:
        return 2.0 * float(pieces[0][1] - pieces[0][0])
    return float(np.median(periods))


def split_highs(highs: Ticks, period: float, sample_ticks: float) -> tuple[float, float] | None:
    """Means of the two modes of the high times, or None where there is only one.

    Repeated intermeans from the middle of the range (Ridler and Calvard, IEEE Trans. SMC-8, 1978, 630), which finds two
    apart modes whatever their shares. Two modes count as such when their means differ by over 1.4, or lie to both sides
    of ONE_BIT_SHARE of the period and far outside each other's spread; and by 1.5 samples in any case.
    """
    inside = highs[highs < period]
    if inside.size == 0:
        return None
    at = (float(inside.min()) + float(inside.max())) / 2
    for _ in range(50):
        upper = inside > at
        if upper.all() or not upper.any():
            return None
        low, high = float(inside[~upper].mean()), float(inside[upper].mean())
        if (low + high) / 2 == at:
            break
        at = (low + high) / 2
    if high - low < 1.5 * sample_ticks:
        return None
    if high >= 1.4 * low:
        return low, high
    spread = float(inside[~upper].std() + inside[upper].std())
    apart = low < ONE_BIT_SHARE * period < high and high - low > 6 * spread + 2 * sample_ticks
    return (low, high) if apart else None


def _threshold(
    split: tuple[float, float] | None, period: float, part: Part | None, tick_s: float, sample_ticks: float
) -> tuple[int, str, str]:
    """Threshold in ticks (a longer high is a 1), where it is from, and a note where the part's own does not serve."""
    given = part.threshold_s / tick_s if part is not None and part.threshold_s is not None else None
    if given is not None and part is not None:
        clear = 1.5 * sample_ticks
        if split is None or split[0] + clear <= given <= split[1] - clear:
            return int(given), f"middle between the T0H and T1H windows of {part.name}", ""
        note = (
            f"the threshold of {part.name} ({given * tick_s * 1e9:.0f} ns) does not lie clearly between the line's own "
            f"high times of about {split[0] * tick_s * 1e9:.0f} and {split[1] * tick_s * 1e9:.0f} ns; bits are told "
            "apart by those two, as the sender meant them"
        )
        return int(sum(split) / 2), "middle between the two modes of the high times", note
    if split is not None:
        return int(sum(split) / 2), "middle between the two modes of the high times", ""
    note = "every bit has about the same high time, so whether it is a 0 or a 1 rests on its share of the bit period"
    where = f"{ONE_BIT_SHARE:.0%} of the bit period, as the line shows only one high time"
    return int(ONE_BIT_SHARE * period), where, note
