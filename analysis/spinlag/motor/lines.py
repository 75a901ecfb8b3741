"""Motor lines to counted edges: every rising and falling edge with its electrical cycle, and those that do not fit.

Each line's rising edges and each line's falling edges are a wheel with one mark per electrical cycle, and are counted
as such, each by itself; so a dead line or a burst of noise on one of them leaves the others alone. The series are then
laid over each other.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.rotation import FASTEST_MARKS_HZ
from spinlag.rotation.lattice import NO_PLACE, Lattice, count_places
from spinlag.rotation.unseen import across, lasting, noticed

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_EDGES = 4
"""A series with fewer edges tells nothing about cycles."""

CHOPPED = 8.0
"""A drive line counts as chopped where bridging its short pauses leaves so many times fewer edges."""

STRANGE = 0.25
"""A line on which more than this share of the edges fits no even stepping is no motor's. Common practice, no source: a
motor's line that is disturbed so often tells nothing of the shaft either."""

BUSIER = 3.0
"""A line with so many times the edges of each of the others is none of that motor's."""

RUNT = 0.01
"""A pulse or a pause shorter than this share of what is usual at that level is a spike. Common practice, no source."""

_ENOUGH_TO_TELL = 64

_ROOM = 1 << 40
"""Counts start here, so that edges before the first of the reference series do not meet NO_PLACE."""


@dataclass(frozen=True, eq=False)
class Series:
    """The edges of one direction on one line. `ticks`, shape (n,); `cycle`, shape (n,), the electrical cycle each
    belongs to, NO_PLACE for an edge that belongs to none; `phase`: where in the cycle this edge usually falls, 0 ... 1,
    against the reference series; `broken`, shape (n,): the count from the edge before may be wrong; `cut`, shape (n,):
    nobody looked in between."""

    line: int
    rising: bool
    ticks: Ticks
    cycle: Indices
    phase: float
    broken: Mask
    cut: Mask

    @property
    def believed(self) -> Indices:
        """Indices of the edges that belong to a cycle."""
        return np.flatnonzero(self.cycle != NO_PLACE)


@dataclass(frozen=True, eq=False)
class CountedLines:
    """All series of the motor lines, counted together. `silent`: lines without enough edges to count; `strange`: lines
    that step as no motor's line does, left out. `notes`: what was done to the lines. `breaks`, shape (k, 2): last edge
    before and first one after each stretch through which no series was counted for sure; `seams`, shape (k, 2): those
    of them in which nobody looked; `runts`: for each line, where its spikes begin, which were not counted."""

    names: tuple[str, ...]
    series: tuple[Series, ...]
    silent: tuple[int, ...]
    strange: tuple[int, ...]
    notes: tuple[str, ...]
    breaks: Ticks = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    seams: Ticks = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    runts: tuple[tuple[int, Ticks], ...] = ()

    def phase_of_cycle(self, ticks: Ticks) -> Floats:
        """Electrical cycles passed at `ticks`, straight between the believed edges of all series; NaN outside."""
        nodes, cycles = self.nodes()
        inside = (ticks >= nodes[0]) & (ticks <= nodes[-1])
        base = nodes[0]
        value = np.interp((ticks - base).astype(np.float64), (nodes - base).astype(np.float64), cycles)
        return np.where(inside, value, np.nan)

    def nodes(self) -> tuple[Ticks, Floats]:
        """Believed edges of all series in order of time with the cycles they stand for, nowhere falling."""
        ticks = np.concatenate([one.ticks[one.believed] for one in self.series])
        cycles = np.concatenate([one.cycle[one.believed] + one.phase for one in self.series])
        order = np.argsort(ticks, kind="stable")
        return ticks[order], np.maximum.accumulate(cycles[order])


def count_lines(capture: Capture, names: tuple[str, ...]) -> CountedLines:
    """Count the electrical cycles on the motor lines; no series where no line shows any."""
    raw: dict[int, list[tuple[int, bool, Ticks, Lattice]]] = {}
    runts: dict[int, Ticks] = {}
    silent: list[int] = []
    strange: list[int] = []
    notes: list[str] = []
    for i, name in enumerate(names):
        channel = capture.channel(name)
        edges, initial, said = _unchopped(channel)
        notes += [said] if said else []
        edges, runts[i] = _without_spikes(edges)
        unknown = lasting(channel.unknown, edges)
        halves = [(rising, _half(edges, initial, rising)) for rising in (True, False)]
        halves = [(rising, ticks[~noticed(unknown, ticks)]) for rising, ticks in halves]
        if min(len(ticks) for _, ticks in halves) < LEAST_EDGES:
            silent.append(i)
            continue
        counted = [
            (i, rising, ticks, count_places(ticks, 1, unseen=across(unknown, ticks))) for rising, ticks in halves
        ]
        odd = sum(int(_broken(lattice).sum()) for _, _, _, lattice in counted)
        often = len(edges) / 2.0 > FASTEST_MARKS_HZ * capture.duration_s
        if len(edges) >= _ENOUGH_TO_TELL and (often or odd > STRANGE * len(edges)):
            strange.append(i)
            continue
        raw[i] = counted
    busier = _busier({i: sum(len(ticks) for _, _, ticks, _ in counted) for i, counted in raw.items()})
    kept = [entry for i, counted in raw.items() if i not in busier for entry in counted]
    series = _lay_together(kept) if kept else ()
    breaks = _in_all([(one, one.broken) for one in series])
    seams = _in_all([(one, one.cut) for one in series])
    # the spikes of a line that is none of the motor's are that line's own affair
    told = tuple((i, spikes) for i, spikes in runts.items() if i in raw and i not in busier)
    strange = sorted([*strange, *busier])
    return CountedLines(names, series, tuple(silent), tuple(strange), tuple(notes), breaks, seams, told)


def _in_all(marked: list[tuple[Series, Mask]]) -> Ticks:
    """Stretches before marked edges that every series has: their last edge before and first one after, shape (k, 2)."""
    seams: list[tuple[int, int]] | None = None
    for one, mark in marked:
        believed = one.believed
        after = np.flatnonzero(mark[believed][1:]) + 1
        own = list(zip(one.ticks[believed[after - 1]].tolist(), one.ticks[believed[after]].tolist(), strict=True))
        seams = own if seams is None else _common(seams, own)
    return np.array(seams or [], dtype=np.int64).reshape(-1, 2)


def _common(some: list[tuple[int, int]], others: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Where intervals of both lists, each in order, overlap: what they share."""
    found, i, j = [], 0, 0
    while i < len(some) and j < len(others):
        begin, end = max(some[i][0], others[j][0]), min(some[i][1], others[j][1])
        if begin < end:
            found.append((begin, end))
        if some[i][1] < others[j][1]:
            i += 1
        else:
            j += 1
    return found


def _busier(edges: dict[int, int]) -> list[int]:
    """Lines with far more edges than others that agree: each line of a motor rises and falls once a cycle."""
    found = []
    for line, count in edges.items():
        others = [other for i, other in edges.items() if i != line]
        if (
            len(others) > 1
            and max(others) < BUSIER * min(others)
            and count > max(BUSIER * max(others), _ENOUGH_TO_TELL)
        ):
            found.append(line)
    return found


def _without_spikes(edges: Ticks) -> tuple[Ticks, Ticks]:
    """The edges without those of spikes, and where the spikes begin."""
    pause = np.diff(edges)
    short = np.zeros(len(pause), dtype=np.bool_)
    for level in (0, 1):
        own = pause[level::2]
        if len(own) >= LEAST_EDGES:
            short[level::2] = own < RUNT * float(np.quantile(own, 0.75))
    # of two in a row the second shares an edge with the first
    begin = np.flatnonzero(short & ~np.concatenate(([False], short[:-1])))
    return np.delete(edges, np.concatenate((begin, begin + 1))), edges[begin]


def _half(edges: Ticks, initial: int, rising: bool) -> Ticks:
    return edges[(initial == 1) == rising :: 2] if initial != UNKNOWN else edges[:0]


def _unchopped(channel: Channel) -> tuple[Ticks, int, str]:
    """Edges of a line with the chopping of a drive's pulse-width modulation bridged, its initial level, and a note."""
    edges = np.asarray(channel.edges[:], dtype=np.int64)
    if len(edges) < 64:
        return edges, channel.initial, ""
    pause = np.diff(edges)
    longest = float(np.quantile(pause, 0.999))
    short = pause < longest / CHOPPED
    if short.mean() < 1 - 1 / CHOPPED:
        return edges, channel.initial, ""
    limit = 3.0 * float(np.quantile(pause[short], 0.99))
    for level in (0, 1):
        bridged = _bridge(edges, channel.initial, level, limit)
        if CHOPPED / 2 * len(bridged) < len(edges) and len(bridged) >= 2 * LEAST_EDGES:
            said = f"{channel.name} is chopped (pauses of {float(np.median(pause[short])):.4g} ticks were bridged)"
            return bridged, channel.initial, said
    return edges, channel.initial, ""


def _bridge(edges: Ticks, initial: int, level: int, limit: float) -> Ticks:
    """Edges left when stretches of `level` shorter than `limit` ticks are filled in."""
    first = 0 if initial != level else 1  # edges[first] is the first that begins a stretch of `level`
    begin, end = edges[first::2], edges[first + 1 :: 2]
    filled = np.flatnonzero(end - begin[: len(end)] < limit)
    drop = np.zeros(len(edges), dtype=np.bool_)
    drop[first + 2 * filled] = True
    drop[first + 2 * filled + 1] = True
    return edges[~drop]


def _lay_together(raw: list[tuple[int, bool, Ticks, Lattice]]) -> tuple[Series, ...]:
    """Give all series one count of cycles, that of the least disturbed."""
    worst = [_disturbances(lattice) / len(ticks) for _, _, ticks, lattice in raw]
    spine = int(np.argmin(worst))
    _, _, spine_ticks, lattice = raw[spine]
    there = np.flatnonzero(lattice.place != NO_PLACE)
    others = [entry for i, entry in enumerate(raw) if i != spine]
    count = _mend(spine_ticks[there], lattice.place[there], _broken(lattice)[there], others)
    count = count - count[0] + _ROOM
    base = spine_ticks[there]
    series = []
    for i, (line, rising, ticks, own) in enumerate(raw):
        if i == spine:
            cycle = np.full(len(ticks), NO_PLACE, dtype=np.int64)
            cycle[there] = count
            series.append(Series(line, rising, ticks, cycle, 0.0, _broken(own), own.cut))
        else:
            series.append(_aligned(line, rising, ticks, own, base, count))
    low = min(int(one.cycle[one.believed].min()) for one in series)
    return tuple(replace(one, cycle=np.where(one.cycle == NO_PLACE, NO_PLACE, one.cycle - low)) for one in series)


def _broken(lattice: Lattice) -> Mask:
    return np.asarray(lattice.rough | lattice.doubtful | lattice.cut)


def _disturbances(lattice: Lattice) -> int:
    there = lattice.place != NO_PLACE
    steps = np.diff(lattice.place[there])
    return int((~there).sum() + (steps - 1).sum() + 10 * _broken(lattice).sum())


def _mend(ticks: Ticks, place: Indices, broken: Mask, others: list[tuple[int, bool, Ticks, Lattice]]) -> Indices:
    """The spine's count with each doubtful step put right by the series that went on counting through it."""
    witnesses = []
    for _, _, other_ticks, other in others:
        there = np.flatnonzero(other.place != NO_PLACE)
        lost = np.concatenate(([0], np.cumsum(_broken(other)[there])))
        witnesses.append((other_ticks[there], other.place[there], lost))
    added = np.zeros(len(place), dtype=np.int64)
    for b in np.flatnonzero(broken):
        if b == 0:
            continue
        votes = []
        for at, counted, lost in witnesses:
            before, after = np.searchsorted(at, ticks[b - 1], side="right") - 1, np.searchsorted(at, ticks[b])
            if before < 1 or after > len(at) - 2 or lost[after + 1] > lost[before]:
                continue
            passed = float(counted[after] - counted[before])
            # edges of the other series lie a little outside the step: take off what they overhang
            pace = passed / float(at[after] - at[before])
            overhang = float(ticks[b - 1] - at[before] + at[after] - ticks[b]) * pace
            votes.append(passed - overhang)
        if votes:
            added[b] = round(float(np.median(votes))) - int(place[b] - place[b - 1])
    return np.asarray(place + np.cumsum(added))


def _aligned(line: int, rising: bool, ticks: Ticks, own: Lattice, base: Ticks, count: Indices) -> Series:
    """One series on the spine's count: a whole number of cycles is added to each of its unbroken pieces."""
    there = np.flatnonzero(own.place != NO_PLACE)
    zero = base[0]
    spine = _extended(ticks[there] - zero, base - zero, count)
    ahead = spine - own.place[there]
    broken = _broken(own)
    pieces = np.unique(np.concatenate(([0], np.flatnonzero(broken[there]), [len(there)])))
    lengths = np.diff(pieces)
    main = int(np.argmax(lengths))
    phase = float(np.median(ahead[pieces[main] : pieces[main + 1]]))
    cycle = np.full(len(ticks), NO_PLACE, dtype=np.int64)
    for a, b in pairwise(pieces):
        shift = round(float(np.median(ahead[a:b])) - phase)
        cycle[there[a:b]] = own.place[there[a:b]] + shift
    whole = int(np.floor(phase))
    cycle[there] += whole
    return Series(line, rising, ticks, cycle, phase - whole, broken, own.cut)


def _extended(at: Ticks, base: Ticks, count: Indices) -> Floats:
    """Spine cycles at ticks `at`, straight between its edges and onwards at the pace of its end intervals."""
    x = at.astype(np.float64)
    inside = np.interp(x, base.astype(np.float64), count.astype(np.float64))
    first = (count[1] - count[0]) / float(base[1] - base[0])
    last = (count[-1] - count[-2]) / float(base[-1] - base[-2])
    inside = np.where(at < base[0], count[0] + (x - float(base[0])) * first, inside)
    return np.asarray(np.where(at > base[-1], count[-1] + (x - float(base[-1])) * last, inside))
