"""Changes of the shaft's own speed, turn by turn: steps, ramps, run-up and run-down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.rotation.explain import Story, explain
from spinlag.rotation.noise import Noise, estimate_noise, robust_sigma, sigmas_for

Floats = NDArray[np.float64]

SPAN = 4
"""Speed before and after a turn is the mean over this many turns on either side."""

CALM_BESIDE = 3
"""Nearer than this many turns to an end nothing is called a step or a jerk: what follows is not known."""

FLOOR_CHANGE = 3e-3
"""A smaller relative change of speed is never called a step."""

RUN_CHANGE = 0.05
"""A change by this share over the span is run-up or run-down when it leads from the start or to the end of a capture,
however restless the rest."""

RUN_LEAST = 1.05
"""... and the speed grows by at least this factor, fastest at first, while it lasts"""

RUN_TOTAL = 1.5
"""... or by this factor in whatever manner."""

TRACE = 0.25
TRACE_SIGMAS = 2.0
"""A turn that shows less of a step than so many standard deviations of its own, and less than this share, came before
it."""

_EDGE_ROUNDS = 6

Phase = Literal["step", "ramp", "run-up", "run-down"]


@dataclass(frozen=True)
class SpeedChange:
    """Turns [first, last] over which the speed changed; `turn` is where it changed most. Speeds in turns per tick.
    `shown`: how much of turn `turn` a step left at the new speed, 0 ... 1."""

    phase: Phase
    first: int
    last: int
    turn: int
    before: float
    after: float
    shown: float = 1.0


@dataclass(frozen=True, eq=False)
class SpeedChanges:
    """All changes, and the relative change of speed over the span that ordinary running stays within."""

    changes: tuple[SpeedChange, ...]
    threshold: float
    sigmas: float


def find_speed_changes(periods: Floats, sample_ticks: float) -> SpeedChanges:
    """Changes of speed among n turns of `periods` (ticks), whose ends are known within `sample_ticks`."""
    n = len(periods)
    sigmas = sigmas_for(n)
    if n < 2 * SPAN + 3:
        return SpeedChanges((), FLOOR_CHANGE, sigmas)
    sample = sample_ticks / float(np.median(periods))
    change = _change(periods)
    noise = estimate_noise(_level(periods), max(0.3 * sample, 1e-9))
    head, tail, over, threshold = _edge_runs(periods, change, sigmas, max(FLOOR_CHANGE, 2.0 * sample / SPAN))
    found = []
    if head:
        found.append(SpeedChange("run-up", 0, head, 0, 1.0 / float(periods[0]), 1.0 / float(periods[head])))
    if tail < n - 1:
        found.append(SpeedChange("run-down", tail, n - 1, n - 1, 1.0 / float(periods[tail]), 1.0 / float(periods[-1])))
    for first, last in _runs(over):
        piece = _settle(periods, change, first + SPAN, last + SPAN, noise)
        if piece is not None:
            found.append(piece)
    taken = np.zeros(n, dtype=bool)
    for one in found:
        taken[_around(one, SPAN)] = True
    for peak in _sharp_peaks(periods, sigmas, max(FLOOR_CHANGE, 2.0 * sample)):
        story, piece = (None, None) if taken[peak] else _explain(periods, int(peak), noise)
        if story == "speed-step" and piece is not None:
            found.append(piece)
            taken[_around(piece, SPAN)] = True
    return SpeedChanges(_distinct(found, n), threshold, sigmas)


def _around(one: SpeedChange, apart: int) -> slice:
    """Its turns and `apart` more on either side."""
    return slice(max(one.first - apart, 0), one.last + apart + 1)


def _distinct(found: list[SpeedChange], turns: int) -> tuple[SpeedChange, ...]:
    """In order, and of changes that touch only the largest: means over several turns show one step more than once."""
    kept: list[SpeedChange] = []
    taken = np.zeros(turns, dtype=bool)
    for one in sorted(found, key=lambda one: -abs(np.log(one.after / one.before))):
        if not taken[_around(one, SPAN if one.phase == "step" else 0)].any():
            kept.append(one)
            taken[_around(one, 0)] = True
    return tuple(sorted(kept, key=lambda one: one.first))


def _edge_runs(
    periods: Floats, change: Floats, sigmas: float, floor: float
) -> tuple[int, int, NDArray[np.bool_], float]:
    """Last turn of a run-up (0: none), first of a run-down (n - 1: none), what else is beyond the threshold, and that.

    The threshold is learned from what lies between the two, so it is learned again while they grow.
    """
    n, head, tail = len(periods), 0, 0
    for _ in range(_EDGE_ROUNDS):
        middle = change[head : len(change) - tail]
        middle = middle if len(middle) >= SPAN else change
        threshold = max(sigmas * robust_sigma(middle), floor)
        over = np.abs(change - np.median(middle)) > threshold
        before = (head, tail)
        head = max(head, _head(change, over))
        # a run-down is a run-up seen backwards
        tail = max(tail, _head(-change[::-1], over[::-1]))
        if before == (head, tail):
            break
    up = _run_up(periods, change[:head])
    down = _run_up(periods[::-1], -change[::-1][:tail])
    if up:
        over[:head] = False
    if down:
        over[len(over) - tail :] = False
    return up, n - 1 - down, over, threshold


def _sharp_peaks(periods: Floats, sigmas: float, floor: float) -> NDArray[np.int64]:
    """Turns at which the speed changes far more abruptly than in the turns around: seen even where a swing of the speed
    loop hides the step from means over several turns."""
    pairs = np.log(periods[1:] + periods[:-1])
    jump = pairs[3:] - pairs[:-3]  # jump[i]: turns i + 3, i + 4 against i, i + 1
    if len(jump) < 4 * SPAN:
        return np.empty(0, dtype=np.int64)
    sharp = jump[SPAN:-SPAN] - 0.5 * (jump[2 * SPAN :] + jump[: -2 * SPAN])
    size = np.abs(sharp)
    over = size > max(sigmas * robust_sigma(sharp), floor)
    peaks = [first + int(np.argmax(size[first : last + 1])) for first, last in _runs(over)]
    return np.array(peaks, dtype=np.int64) + SPAN + 2


def _change(periods: Floats) -> Floats:
    """log of mean period after over mean period before, for turns SPAN ... n - SPAN - 1."""
    total = np.concatenate(([0.0], np.cumsum(periods)))
    mean = (total[SPAN:] - total[:-SPAN]) / SPAN
    return np.asarray(np.log(mean[SPAN + 1 :] / mean[: -SPAN - 1]))


def _level(periods: Floats) -> Floats:
    """Each period over the mean of five around it."""
    padded = np.pad(periods, 2, mode="edge")
    around = np.convolve(padded, np.full(5, 0.2), mode="valid")
    return np.asarray(periods / around)


def _head(change: Floats, over: NDArray[np.bool_]) -> int:
    """How many values from the start on belong to a rise of speed that leads in, and to what joins it unbroken."""
    stop = np.flatnonzero(~((change < -RUN_CHANGE) | (over & (change < 0))))
    count = int(stop[0]) if len(stop) else len(change)
    if not count:
        return 0
    # the tail of a run-up dips in and out of the threshold before it is lost in the ordinary restlessness
    rest = np.flatnonzero(over[count:] & (change[count:] < 0)) + count
    for at in rest:
        if at - count > max(2 * SPAN, count // 2):
            break
        count = int(at) + 1
    return count


def _run_up(periods: Floats, change: Floats) -> int:
    """Last turn of a run-up that the first values of `change` show; 0 where they show none.

    A shaft that gets up to speed gains most, in proportion, at the start; a step gains most at the step.
    """
    if not len(change):
        return 0
    last = min(len(change) + SPAN, len(periods) - 1)
    factor = float(periods[0] / periods[last])
    from_rest = int(np.argmin(change)) <= 1
    return last if factor >= (RUN_LEAST if from_rest else RUN_TOTAL) else 0


def _runs(over: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Inclusive ranges of True."""
    edge = np.diff(np.concatenate(([0], over.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1, strict=True))


def _settle(periods: Floats, change: Floats, first: int, last: int, noise: Noise) -> SpeedChange | None:
    """A short run of large changes is a step, whose turn the stories tell; a long one is a ramp."""
    n = len(periods)
    before = 1.0 / float(np.mean(periods[max(first - SPAN, 0) : first]))
    after = 1.0 / float(np.mean(periods[last + 1 : min(last + 1 + SPAN, n)]))
    peak = first + int(np.argmax(np.abs(change[first - SPAN : last - SPAN + 1])))
    if last - first + 1 > 2 * SPAN + 2:
        return SpeedChange("ramp", first, last, peak, before, after)
    # a calm or a shifted pulse: a restless patch that the median could not foresee
    return _explain(periods, peak, noise)[1]


def _explain(periods: Floats, peak: int, noise: Noise) -> tuple[Story, SpeedChange | None]:
    n = len(periods)
    begin, end = max(peak - 2 * SPAN, 0), min(peak + 2 * SPAN + 1, n)
    near = range(max(peak - SPAN - begin, 0), min(peak + SPAN + 1 - begin, end - begin))
    found = explain(periods[begin:end], np.ones(end - begin), noise, near)
    if found.story in ("calm", "shifted", "corner"):
        return found.story, None
    turn, shown = begin + found.at, found.shown
    own = float(np.sqrt(2.0 * noise.edge**2 + noise.pace**2))
    if found.story == "speed-step" and shown < min(TRACE, TRACE_SIGMAS * own / abs(found.size)):
        # nothing of it shows in this turn: it came with the next one
        turn, shown = turn + 1, 1.0
    if not CALM_BESIDE <= turn < n - CALM_BESIDE:
        return "calm", None
    before = 1.0 / float(np.mean(periods[max(turn - SPAN, 0) : max(turn, 1)]))
    after = 1.0 / float(np.mean(periods[min(turn + 1, n - 1) : turn + 1 + SPAN]))
    return found.story, SpeedChange("step", turn, turn, turn, before, after, shown)
