"""Pulses that stand early or late by themselves, and jerks of the shaft, among the pulses that have a place.

Each pulse is held against the angle that its two neighbours on either side predict for its instant. Angle as a
polynomial of time follows a shaft that gains speed at a constant rate exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.rotation.explain import explain
from spinlag.rotation.lattice import REACH, running_median
from spinlag.rotation.noise import Noise, estimate_noise, robust_sigma, sigmas_for

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

FLOOR_TURNS = 5e-4
"""A pulse less than this share of a turn from its place (0.18 degrees) is never called shifted."""

FLOOR_SAMPLES = 2.0
"""Nor one less than so many sample periods: its own edge and those it is held against are each known within one."""

BEND_SHARE = 0.35
"""While the shaft gains or loses speed, this share of the relative change over three intervals counts as its doing."""

WINDOW = 8
"""Intervals to either side that an explanation looks at."""

CALM_BESIDE = 3
"""So many intervals at the old pace have to stand on either side of a jerk; nearer an end nothing is claimed."""

MOST_PLACES = 0.6
"""A pulse further than this from its place would have been given another: then the count is wrong, not the sensor."""

ROUNDS = 6
LEAST_PULSES = 7

_AT_ONCE = 1 << 16
"""Pulses whose neighbours are worked on together: motor lines have millions."""


@dataclass(frozen=True)
class Jerk:
    """The shaft moved by itself: `pulse` is the index of the pulse after it, `turns` by how much it fell back."""

    pulse: int
    turns: float


@dataclass(frozen=True, eq=False)
class Shifts:
    """`shifted`: indices of shifted pulses; `stray`: of pulses so far from their place that they should have had
    another; `unsure`: of pulses at the ends that depart from their place, where nothing tells the sensor from the
    shaft; `threshold_turns`: what ordinary pulses stay within."""

    shifted: Indices
    stray: Indices
    unsure: Indices
    jerks: tuple[Jerk, ...]
    threshold_turns: float
    sigmas: float
    scatter_turns: float
    """Robust standard deviation of a pulse about the cubic through its neighbours."""
    noise: Noise


def find_shifts(times: Ticks, turns: Floats, teeth: int, sample_ticks: float, *, cuts: Indices | None = None) -> Shifts:
    """Shifted pulses among n believed ones at `times` (ticks) and shaft angles `turns` (revolutions), both ascending,
    `teeth` of them to a revolution. `cuts`: indices of pulses before which nobody looked, so that what went on there is
    no evidence; the pulses between two of them are judged by themselves."""
    if cuts is None or not len(cuts):
        return _find_shifts(times, turns, teeth, sample_ticks)
    bounds = [0, *cuts.tolist(), len(times)]
    pieces = [(a, _find_shifts(times[a:b], turns[a:b], teeth, sample_ticks)) for a, b in pairwise(bounds)]
    _, longest = max(zip(np.diff(bounds).tolist(), pieces, strict=True), key=lambda one: one[0])[1]
    return replace(
        longest,
        shifted=np.concatenate([piece.shifted + a for a, piece in pieces]),
        stray=np.concatenate([piece.stray + a for a, piece in pieces]),
        unsure=np.concatenate([piece.unsure + a for a, piece in pieces]),
        jerks=tuple(replace(jerk, pulse=jerk.pulse + a) for a, piece in pieces for jerk in piece.jerks),
    )


def _find_shifts(times: Ticks, turns: Floats, teeth: int, sample_ticks: float) -> Shifts:
    n = len(times)
    none = np.empty(0, dtype=np.int64)
    if n < LEAST_PULSES:
        return Shifts(none, none, none, (), FLOOR_TURNS, sigmas_for(n), 0.0, Noise(0.01, 0.01))
    place = float(np.median(np.diff(turns)))
    keep = np.arange(n)
    period = local_period(times, turns)
    noise = estimate_noise(_pace(times, turns, period), 0.3 * sample_ticks / float(np.median(period)) / place)
    residue = _residues(times, turns, teeth)
    few_turns = teeth > 1 and n < (2 * REACH + 1) * teeth
    # with few turns many a pulse is its own tooth's median; its 0 says nothing of the spread
    telling = residue[residue != 0.0] if few_turns else residue
    scatter = robust_sigma(telling)
    limit = max(sigmas_for(n) * scatter, FLOOR_TURNS)
    shifted: list[int] = []
    stray: list[int] = []
    jerks: dict[int, Jerk] = {}
    settled: set[int] = set()
    for _ in range(ROUNDS):
        own_times, own_turns = times[keep], turns[keep]
        apart = np.abs(_residues(own_times, own_turns, teeth))
        over = np.flatnonzero(apart > limit)  # what is allowed is nowhere less
        allowed = limit * _stretch(own_turns, place, over) + _bend(own_times, own_turns, over)
        allowed = np.maximum(allowed, 4.0 * sample_ticks / period[keep[over]])
        peaks = _peaks(apart, over[apart[over] > allowed])
        fresh = [int(i) for i in peaks if int(keep[i]) not in settled]
        if not fresh:
            break
        moved: dict[int, float] = {}
        for i in fresh:
            settled.add(int(keep[i]))
            _settle(i, times, turns, keep, noise, moved, jerks)
        for i, size in moved.items():
            (shifted if abs(size) < MOST_PLACES else stray).append(int(keep[i]))
        keep = np.delete(keep, list(moved))
        if len(keep) < LEAST_PULSES:
            break
    unsure = _ends(times[keep], turns[keep], max(limit, FLOOR_SAMPLES * sample_ticks / float(period.min())) / place)
    return Shifts(
        np.unique(np.array(shifted, dtype=np.int64)),
        np.unique(np.array(stray, dtype=np.int64)),
        keep[unsure],
        tuple(jerks[key] for key in sorted(jerks)),
        limit,
        sigmas_for(n),
        scatter,
        noise,
    )


def _settle(
    i: int, times: Ticks, turns: Floats, keep: Indices, noise: Noise, moved: dict[int, float], jerks: dict[int, Jerk]
) -> None:
    """Explain the pulse keep[i] by its surroundings and file the result."""
    begin, end = max(i - WINDOW, 0), min(i + WINDOW, len(keep) - 1)
    some = keep[begin : end + 1]
    lengths, share = np.diff(times[some]).astype(np.float64), np.diff(turns[some])
    unit = float(np.median(share))
    near = range(max(i - begin - 2, 0), min(i - begin + 2, len(lengths)))
    found = explain(lengths, share / unit, noise, near)
    at = begin + found.at
    if found.story == "shifted" and 0 < at < len(keep) - 1:
        moved.setdefault(at, found.size)
    elif found.story == "jerk" and CALM_BESIDE <= found.at < len(lengths) - CALM_BESIDE:
        pulse = int(keep[at + 1])
        jerks.setdefault(pulse, Jerk(pulse, found.size * unit))


def local_period(times: Ticks, turns: Floats) -> Floats:
    """Ticks per revolution around each pulse, at least 1, from two intervals to either side."""
    n = len(times)
    low, high = np.maximum(np.arange(n) - 2, 0), np.minimum(np.arange(n) + 2, n - 1)
    # lines that are no motor's may tell a shaft that stands or turns back
    return np.asarray(np.maximum((times[high] - times[low]) / np.maximum(turns[high] - turns[low], 1e-9), 1.0))


def _pace(times: Ticks, turns: Floats, period: Floats) -> Floats:
    return np.asarray(np.diff(times) / np.diff(turns) / np.sqrt(period[1:] * period[:-1]))


def _residues(times: Ticks, turns: Floats, teeth: int) -> Floats:
    """Angle of each of n pulses less the cubic through two pulses on either side, revolutions, shape (n,).

    The second pulse from an end uses one neighbour outside and three inside; the outermost are NaN. What a tooth shows
    turn after turn nearby is its own place and is taken out.
    """
    n = len(times)
    residue = np.full(n, np.nan)
    if n < 5:
        return residue
    for start in range(2, n - 2, _AT_ONCE):
        some = np.arange(start, min(start + _AT_ONCE, n - 2))
        residue[some] = _missing_from_cubic(times, turns, some, (-2, -1, 1, 2))
    residue[1:2] = _missing_from_cubic(times, turns, np.array([1]), (-1, 1, 2, 3))
    residue[n - 2 : n - 1] = _missing_from_cubic(times, turns, np.array([n - 2]), (-3, -2, -1, 1))
    return residue - running_median(np.nan_to_num(residue), teeth, trend=False) if teeth > 1 else residue


def _missing_from_cubic(times: Ticks, turns: Floats, at: Indices, offsets: tuple[int, ...]) -> Floats:
    """Lagrange's interpolation at the pulse's own instant from the pulses at `offsets`."""
    t = [(times[at + k] - times[at]).astype(np.float64) for k in offsets]
    predicted = np.zeros(len(at))
    for j, offset in enumerate(offsets):
        weight = np.ones(len(at))
        for k in range(len(offsets)):
            if k != j:
                weight *= t[k] / (t[k] - t[j])
        predicted += weight * (turns[at + offset] - turns[at])
    return np.asarray(-predicted)


def _stretch(turns: Floats, place: float, at: Indices) -> Floats:
    """How much wider than usual the neighbours of the pulses `at` stand apart, at least 1."""
    inner = np.clip(at, 1, len(turns) - 2)
    wide = np.maximum((turns[inner + 1] - turns[inner - 1]) / (2.0 * place), 1.0)
    return np.where(inner == at, wide, 1.0)


def _bend(times: Ticks, turns: Floats, at: Indices) -> Floats:
    """Angle that a change of speed may account for at the pulses `at`: judged by the intervals beyond their neighbours,
    which a shift of the pulse itself leaves alone."""
    n = len(times)

    def log_pace(interval: Indices) -> Floats:
        own = np.clip(interval, 0, n - 2)
        return np.asarray(np.log((times[own + 1] - times[own]) / (turns[own + 1] - turns[own])))

    inner = (at > 0) & (at < n - 1)
    # beside an end the two intervals beyond its one neighbour inside
    later = np.where(at == n - 2, n - 5, np.where(at == 1, 3, at + 1))
    earlier = np.where(at == n - 2, n - 4, np.where(at == 1, 2, at - 2))
    before = np.where(at == n - 2, n - 2, np.maximum(at - 1, 0))
    span = turns[np.minimum(before + 1, n - 1)] - turns[before]
    return np.where(inner, BEND_SHARE * np.abs(log_pace(later) - log_pace(earlier)) * span, 0.0)


def _peaks(size: Floats, over: Indices) -> Indices:
    """Those of the pulses `over` whose size is the largest of all of `over` among two neighbours to either side."""
    if not len(over):
        return over
    padded = np.zeros(len(size) + 4)
    padded[over + 2] = size[over]
    largest = np.max([padded[over + k] for k in range(5)], axis=0)
    return np.asarray(over[size[over] >= largest])


def _ends(times: Ticks, turns: Floats, limit_places: float) -> Indices:
    """The first or last pulse, where its one interval departs from the next ones by more than ordinary pulses do."""
    pace = np.diff(times) / np.diff(turns)
    found = []
    for pulse, nearby in ((0, pace[:6]), (len(times) - 1, pace[:-7:-1])):
        rest = nearby[1:]
        usual = float(np.median(rest))
        spread = float(np.ptp(rest)) / usual
        if abs(float(nearby[0]) / usual - 1.0) > max(2.0 * limit_places, 3.0 * spread):
            found.append(pulse)
    return np.array(sorted(found), dtype=np.int64)
