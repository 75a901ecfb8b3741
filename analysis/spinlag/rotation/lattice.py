"""Pulses to places on the wheel: which pulses to believe, which places stayed empty, which pulses have no place.

Each interval is held against the running median of the intervals nearby. A median passes any steady gain or loss of
speed unchanged (in a monotone window it is the middle value), so run-up and run-down give no false alarms, while a
missed, doubled or strongly shifted pulse stands out. Only the stretches that stand out are looked at one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]
Fit = Literal["steady", "rough", "unsteady"]

NO_PLACE = -1

SUSPICIOUS = 0.25
"""An interval that departs from the running median by more than this share of a place is looked at closely."""

OFF_PLACE = 0.3
"""A stretch whose length is further than this from a whole number of places is no sensor's fault: the shaft moved."""

STEADY = 1.15
"""Ratio of neighbouring intervals up to which a shaft counts as steady."""

SURELY_WHOLE, SURELY_ORDINARY = 0.12, 0.08
"""How near to whole, and how near to 1, intervals at the ends of a capture must be for a pulse to be called missed."""

SPEED_MARGIN = 0.02
"""How well the speed during a silence is known from the speed around it, as a share."""

ROUGH_FROM = 8
"""A silence is measured exactly up to this many places; over longer ones the margin of the speed counts."""

UNCOUNTABLE = 1000
"""Over a silence of more places the margin of the speed leaves dozens of numbers open: there is nothing to count, and
turns laid out over it would be made up, millions of them where a clock jumped."""

LEVEL = (0.2, 0.6)
"""Quantiles of the intervals near an end that have to agree for them to count as level; up to two in five may be the
wide gaps of a missing tooth."""

MISSING = 1.5
"""An interval in which nobody looked for part of the time is counted apart if it is so many times the usual one."""

PACE_FROM = 4
"""Intervals on either side of such a one that tell the pace there."""

REACH = 7
"""The running median takes this many intervals to either side."""


@dataclass(frozen=True, eq=False)
class Lattice:
    """Places of n pulses. `place`: counted from 0, NO_PLACE for a pulse that belongs to none. Between a pulse and the
    believed one before, `doubtful`, shape (n,), says that the shaft itself was unsteady, so that nothing tells how many
    places went by, and `rough`, shape (n,), that the line was silent so long that the number may be one or two off.
    `cut`, shape (n,): nobody looked in between, and pulses that came then are not known of."""

    place: Indices
    doubtful: Mask
    rough: Mask
    cut: Mask


def running_median(values: Floats, stride: int = 1, *, trend: bool = True) -> Floats:
    """Centred running median over values i - 7 stride ... i + 7 stride, shape (n,).

    Towards the ends the window shrinks evenly, which keeps a trend, unless the values (positive ones) there are level:
    then it keeps its full length, one-sided, so that an outlier at the very end still shows. Without `trend` it always
    does: for values about 0.
    """
    n = len(values)
    rows = -(-n // stride)
    grid = np.full(rows * stride, np.nan)
    grid[:n] = values
    table = grid.reshape(rows, stride)
    last = n - (rows - 1) * stride
    median = np.empty_like(table)
    median[:, :last] = _column_medians(table[:, :last], trend)
    if last < stride:
        median[:-1, last:] = _column_medians(table[:-1, last:], trend)
    return np.asarray(median.reshape(-1)[:n])


def _column_medians(table: Floats, trend: bool) -> Floats:
    from scipy.ndimage import median_filter

    rows = len(table)
    reach = min(REACH, (rows - 1) // 2)
    if rows == 0 or reach == 0:
        return table.copy()
    median = np.asarray(median_filter(table, size=(2 * reach + 1, 1), mode="nearest"))
    for outward in (table, table[::-1]):
        into = median if outward is table else median[::-1]
        near = outward[: 2 * reach + 1]
        low, high = np.quantile(near, LEVEL, axis=0)
        usual, outermost = np.median(near, axis=0), np.median(outward[1:6], axis=0)
        level = (high <= low * STEADY) & (outermost <= usual * STEADY) & (usual <= outermost * STEADY)
        for i in range(reach):
            into[i] = np.where(level, usual, np.median(outward[: 2 * i + 1], axis=0)) if trend else usual
    return median


def count_places(times: Ticks, teeth: int, *, missing_tooth: bool = False, unseen: Mask | None = None) -> Lattice:
    """Places of pulses at `times`, shape (n,), on a wheel of `teeth` marks.

    Marks are seldom quite even, so intervals are compared with those a whole number of turns away. The gap of a missing
    tooth shows as an empty place. `unseen`, shape (n - 1,): intervals during part of which nobody looked. Where they
    hide pulses, the pulses before and after are counted each by themselves.
    """
    n = len(times)
    if unseen is not None and unseen.any():
        length = np.diff(times).astype(np.float64)
        usual = running_median(length, teeth)
        cuts = np.flatnonzero(unseen & (length > MISSING * np.minimum(usual, np.median(length))))
        if len(cuts):
            return _joined(times, cuts + 1, teeth, missing_tooth=missing_tooth)
    place = np.arange(n, dtype=np.int64)
    doubtful, rough = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_)
    cut = np.zeros(n, dtype=np.bool_)
    if n < 3:
        return Lattice(place, doubtful, rough, cut)
    length = np.diff(times).astype(np.float64)
    relative = _relative(length, teeth, missing_tooth=missing_tooth)
    first, last = _trim_ends(relative)
    odd = np.abs(relative - 1.0) > SUSPICIOUS
    odd[:first] = False
    odd[last - 1 :] = False
    step = np.ones(n, dtype=np.int64)
    step[: first + 1] = 0
    believed = np.ones(n, dtype=np.bool_)
    believed[:first] = False
    believed[last:] = False
    quick = _lone_gaps(relative, odd, first, last - 1)
    step[1:][quick] = np.rint(relative[quick]).astype(np.int64)
    for begin, end in _stretches(odd & ~quick, first, last - 1):
        local, fit = place_stretch(relative[begin:end])
        inside = slice(begin + 1, end + 1)
        believed[inside] = local != NO_PLACE
        step[inside] = _steps_between(local)
        at_an_end = begin == first or end == last - 1
        slow = bool((relative[begin:end] > 1 - SUSPICIOUS).all())  # getting up to speed, or coming to rest
        doubtful[inside] |= fit == "unsteady" and not (at_an_end and slow)
        rough[inside] |= (fit == "rough") & (step[inside] > ROUGH_FROM)
    place = np.cumsum(step)
    place = np.where(believed, place, NO_PLACE)
    return Lattice(place, doubtful, rough, cut)


def _joined(times: Ticks, cuts: Indices, teeth: int, *, missing_tooth: bool) -> Lattice:
    """The pulses between two of `cuts` (indices of the pulses after each) counted by themselves, and the counts laid
    end to end at the pace on either side. Doubtful where that pace leaves more than one number of places."""
    bounds = [(a, b) for a, b in pairwise([0, *cuts.tolist(), len(times)])]
    pieces = [count_places(times[a:b], teeth, missing_tooth=missing_tooth) for a, b in bounds]
    usual = float(np.median(np.diff(times)))
    least = max(teeth + int(missing_tooth), PACE_FROM)
    place = [pieces[0].place]
    doubtful = [pieces[0].doubtful]
    rough = [piece.rough for piece in pieces]
    cut = np.zeros(len(times), dtype=np.bool_)
    last, last_place = _outermost(times[: bounds[0][1]], pieces[0].place)
    for (begin, end), (left, _), earlier, piece in zip(bounds[1:], bounds[:-1], pieces[:-1], pieces[1:], strict=True):
        before = _pace(times[left:begin][::-1], earlier.place[::-1], least)
        after = _pace(times[begin:end], piece.place, least)
        paces = [pace for pace in (before, after) if pace is not None] or [usual]
        first = int(np.flatnonzero(piece.place != NO_PLACE)[0])
        passed = float(times[begin + first] - last) / (sum(paces) / len(paces))
        steps = max(round(passed), 1)
        even = len(paces) == 2 and max(paces) <= STEADY * min(paces)
        sure = even and abs(passed - steps) + SPEED_MARGIN * steps <= OFF_PLACE
        if not sure and steps > UNCOUNTABLE:
            wheel = teeth + int(missing_tooth)
            steps = (steps - 1) % wheel + 1
        own = piece.doubtful.copy()
        own[first] |= not sure
        cut[begin + first] = True
        added = last_place + steps - int(piece.place[first])
        place.append(np.where(piece.place == NO_PLACE, NO_PLACE, piece.place + added))
        doubtful.append(own)
        last, last_place = _outermost(times[begin:end], place[-1])
    return Lattice(np.concatenate(place), np.concatenate(doubtful), np.concatenate(rough), cut)


def _outermost(times: Ticks, place: Indices) -> tuple[int, int]:
    """Instant and place of the last believed pulse."""
    last = int(np.flatnonzero(place != NO_PLACE)[-1])
    return int(times[last]), int(place[last])


def _pace(times: Ticks, place: Indices, least: int) -> float | None:
    """Ticks per place over the first `least` intervals between believed pulses; None where there is none."""
    own = np.flatnonzero(place != NO_PLACE)[: least + 1]
    if len(own) < 2:
        return None
    return float(times[own[-1]] - times[own[0]]) / float(place[own[-1]] - place[own[0]])


def _relative(length: Floats, teeth: int, *, missing_tooth: bool) -> Floats:
    """Intervals in places: against the same interval of the turns nearby, where one may span two places.

    A long silence is measured by the mean of the places around it, not by the one that it began at.
    """
    if missing_tooth:
        plain = running_median(length)
        if len(length) < 5 * teeth:
            return np.asarray(length / plain)
        usual = running_median(length, teeth)
        return np.where(length > 1.5 * usual, length / plain, length / usual * np.maximum(np.rint(usual / plain), 1.0))
    usual = running_median(length, teeth)
    total = np.convolve(np.pad(usual, teeth, mode="edge"), np.ones(teeth), mode="valid")
    mean = total[(teeth + 1) // 2 :][: len(length)] / teeth
    return np.where(length > 1.5 * usual, length / mean, length / usual)


def _steps_between(local: Indices) -> Indices:
    """Steps of the believed pulses, 0 for the others, so that their running sum gives the places."""
    steps = np.zeros(len(local), dtype=np.int64)
    there = np.flatnonzero(local != NO_PLACE)
    steps[there] = np.diff(local[there], prepend=0)
    return steps


def _trim_ends(relative: Floats) -> tuple[int, int]:
    """Half-open range of pulses to believe at the ends.

    A first or last interval that is far too short, next to two ordinary ones, means that the outermost pulse stands on
    no place. It is left out; nothing proves whether it was an extra pulse or a shifted one.
    """
    first, last = 0, len(relative) + 1
    if len(relative) >= 4:
        first = int(_stray_end(relative[:3]))
        last -= int(_stray_end(relative[:-4:-1]))
    return first, last


def _stray_end(inward: Floats) -> bool:
    """Three intervals from an end inward: True where the outermost pulse stands on no place."""
    outer, second = float(inward[0]), float(inward[1])
    ordinary = bool((np.abs(inward[1:] - 1) < SUSPICIOUS / 2).all())
    return outer < 1 - SUSPICIOUS and ordinary and abs(second - 1) < abs(outer + second - 1)


def _lone_gaps(relative: Floats, odd: Mask, first: int, end: int) -> Mask:
    """Intervals of two or three places between ordinary ones: plain missed pulses, or the gap of a missing tooth."""
    whole = np.rint(relative)
    lone = odd & (whole >= 2) & (whole <= 3) & (np.abs(relative - whole) < 0.5 * SUSPICIOUS)
    calm = np.abs(relative - 1.0) < 0.5 * SUSPICIOUS
    lone[1:] &= calm[:-1]
    lone[:-1] &= calm[1:]
    lone[: first + 1] = False
    lone[max(end - 1, 0) :] = False
    return np.asarray(lone)


def _stretches(odd: Mask, first: int, end: int) -> list[tuple[int, int]]:
    """Half-open ranges of intervals around the odd ones, with an ordinary one at either side where there is one."""
    at = np.flatnonzero(odd)
    if not len(at):
        return []
    begin, stop = np.maximum(at - 1, first), np.minimum(at + 2, end)
    fresh = np.concatenate(([True], begin[1:] > stop[:-1]))
    heads = np.flatnonzero(fresh)
    tails = np.concatenate((heads[1:] - 1, [len(at) - 1]))
    return [(int(begin[h]), int(stop[t])) for h, t in zip(heads, tails, strict=True)]


def place_stretch(relative: Floats) -> tuple[Indices, Fit]:
    """Places of the pulses that end each of the n intervals (in places), counted from the pulse before them all.

    Both outer pulses are believed. Every place takes the pulse nearest to it; what is left over has NO_PLACE. Where the
    lengths fit no wheel that turns steadily, or a silence is too long to count, every pulse gets a place of its own.
    """
    n = len(relative)
    each = np.arange(1, n + 1, dtype=np.int64)
    if float(relative.max()) > UNCOUNTABLE:
        return each, "unsteady"
    at = np.cumsum(relative)
    total = max(round(float(at[-1])), 1)
    scaled = at * (total / at[-1])
    near = np.rint(scaled).astype(np.int64)
    off = np.abs(scaled - near)
    local = np.full(n, NO_PLACE, dtype=np.int64)
    best: dict[int, int] = {}
    for i in range(n - 1):
        k = int(near[i])
        if 0 < k < total and (k not in best or off[i] < off[best[k]]):
            best[k] = i
    for k, i in best.items():
        local[i] = k
    local[-1] = total
    if (local == each).all():
        return local, "steady"
    astray = abs(float(at[-1]) - total)
    silent = max(total - n - ROUGH_FROM, 0)
    if astray > OFF_PLACE + SPEED_MARGIN * silent or not _plausible(relative, local, off):
        return each, "unsteady"
    return local, "rough" if astray + SPEED_MARGIN * silent > OFF_PLACE else "steady"


def _clear_gap(relative: Floats, begin: int, end: int) -> bool:
    """Intervals begin ... end make up a whole number of places, and the others are ordinary, beyond doubt."""
    length = float(relative[begin : end + 1].sum())
    rest = np.delete(relative, slice(begin, end + 1))
    return abs(length - round(length)) <= SURELY_WHOLE and bool((np.abs(rest - 1) <= SURELY_ORDINARY).all())


def _plausible(relative: Floats, local: Indices, off: Floats) -> bool:
    """A sensor that fails leaves the other pulses on their places, and the intervals beside a silence ordinary."""
    there = local != NO_PLACE
    astray = int((off[there] > 0.15).sum())
    if astray > 1 + int(there.sum()) // 4:
        return False
    steps = np.diff(local[there], prepend=0)
    ends = np.flatnonzero(there)
    for j in np.flatnonzero(steps > 1):
        begin = int(ends[j - 1]) + 1 if j > 0 else 0
        beside = [float(relative[i]) for i in (begin - 1, int(ends[j]) + 1) if 0 <= i < len(relative)]
        slow = [value for value in beside if value > STEADY and abs(value - round(value)) > 0.5 * SUSPICIOUS]
        if len(slow) == len(beside):
            return False
        ordinary = all(abs(value - max(round(value), 1)) <= STEADY - 1 for value in beside)
        if not ordinary and steps[j] > 4:
            return False
        # at the very start or end of a capture the shaft may be getting up to speed or coming to rest
        if len(beside) < 2 and not _clear_gap(relative, begin, int(ends[j])):
            return False
    return True
