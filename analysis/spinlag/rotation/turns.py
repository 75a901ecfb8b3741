"""Believed pulses to turns: where each revolution begins, what is known of it, and what went wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.rig import IndexTable
from spinlag.rotation.lattice import NO_PLACE, REACH, SUSPICIOUS, Lattice, count_places
from spinlag.rotation.pulses import NO_TICK, Pulses
from spinlag.rotation.shifts import FLOOR_TURNS, Shifts, find_shifts
from spinlag.rotation.speed import SpeedChange, SpeedChanges, find_speed_changes
from spinlag.rotation.teeth import Wheel, read_wheel
from spinlag.rotation.unseen import across

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

BENDING = 0.05
"""Where the pace on the two sides of a silence differs by more than this share, the shaft is gaining or losing speed in
earnest, and only the nearest pulses tell what it did in between."""

PLACE_RULE = (
    f"an interval that departs from the running median of {2 * REACH + 1} by more than {SUSPICIOUS:g} of the distance "
    "of two marks"
)

AROUND = 4
"""Pulses on either side from which a missing instant is reckoned while the shaft runs evenly."""


@dataclass(frozen=True, eq=False)
class Turns:
    """n turns. `ticks`, shape (n + 1,); `index_tick`, `kind`, `used`, shape (n,), as in the table of a Rotation.

    `pulse_kind`, shape (pulses,). `extra`: rows of pulses that have no place; `missed`: instants (ticks) at which a
    pulse should have come; `shifted`: rows of shifted pulses and `shifted_home` the instants where they belong;
    `jerk_tick` and `jerk_turns`: instants after which the shaft was behind by that much; `changes`: of speed, by turn.
    """

    ticks: Ticks
    index_tick: Ticks
    kind: NDArray[np.str_]
    used: Mask
    pulse_kind: NDArray[np.str_]
    extra: Indices
    missed: Ticks
    shifted: Indices
    shifted_home: Ticks
    shifted_turn: Indices
    """Revolution that each shifted pulse belongs to."""
    jerk_tick: Ticks
    jerk_turns: Floats
    changes: SpeedChanges
    tooth_angles_deg: tuple[float, ...]
    notes: tuple[str, ...]
    place_rule: str
    """What makes a pulse missing or one too many, in words; `shift_rule`: what makes one shifted."""
    shift_rule: str
    calm: str
    """The end of a sentence: how one knows that the shaft was not the cause."""
    begins_known: bool = True
    wheel_notes: tuple[str, ...] = ()


def find_turns(pulses: Pulses, index: IndexTable, sample_ticks: float, first_mark: int | None = None) -> Turns:
    """Turns from the pulses of an index line. `sample_ticks` is the sample period in ticks; `first_mark` as in
    `read_wheel`."""
    rows = np.flatnonzero(~pulses.runt)
    times = pulses.reference[rows]
    if len(times) < 2:
        return _no_turns(pulses, rows)
    lattice = count_places(
        times,
        index.pulses_per_revolution,
        missing_tooth=index.missing_tooth,
        unseen=across(pulses.unknown, times),
    )
    wheel = read_wheel(times, lattice, index, first_mark)
    believed = wheel.place != NO_PLACE
    if wheel.empty is not None:
        believed &= wheel.place % wheel.places != wheel.empty
    members = np.flatnonzero(believed)
    if len(members) < 2:
        return _no_turns(pulses, rows)
    at, place = times[members], wheel.place[members]
    teeth = wheel.places - int(wheel.empty is not None)
    cuts = np.flatnonzero((lattice.cut & lattice.doubtful)[members])
    shifts = find_shifts(at, wheel.turns(place), teeth, sample_ticks, cuts=cuts)
    return _assemble(pulses, rows, times, members, wheel, lattice, shifts, sample_ticks)


def _no_turns(pulses: Pulses, rows: Indices) -> Turns:
    kind = np.full(len(pulses), "runt", dtype="<U7")
    kind[rows] = "index"
    none = np.empty(0, dtype=np.int64)
    return Turns(
        ticks=pulses.reference[rows][:1],
        index_tick=none,
        kind=np.empty(0, dtype="<U10"),
        used=np.empty(0, dtype=np.bool_),
        pulse_kind=kind,
        extra=none,
        missed=none,
        shifted=none,
        shifted_home=none,
        shifted_turn=none,
        jerk_tick=none,
        jerk_turns=np.empty(0),
        changes=SpeedChanges((), 0.0, 0.0),
        tooth_angles_deg=(0.0,),
        notes=("fewer than two believable index pulses: no revolution",),
        place_rule="",
        shift_rule="",
        calm="",
    )


def _assemble(
    pulses: Pulses,
    rows: Indices,
    times: Ticks,
    members: Indices,
    wheel: Wheel,
    lattice: Lattice,
    shifts: Shifts,
    sample_ticks: float,
) -> Turns:
    at, place = times[members], wheel.place[members]
    fixed = np.delete(np.arange(len(members)), np.concatenate((shifts.shifted, shifts.stray)))
    piece = np.cumsum((lattice.cut & lattice.doubtful)[members], dtype=np.int64)
    anchors = Anchors(at[fixed], wheel.turns(place[fixed]), piece[fixed])
    begin = np.arange(-(-int(place[fixed[0]]) // wheel.places), int(place[fixed[-1]]) // wheel.places + 1)
    where = np.searchsorted(place, begin * wheel.places)
    where = np.minimum(where, len(place) - 1)
    seen = place[where] == begin * wheel.places
    trusted = seen.copy()
    trusted[seen] = np.isin(where[seen], fixed)
    ticks = np.where(trusted, at[where], 0)
    if (~trusted).any():
        ticks[~trusted] = anchors.instant(begin[~trusted].astype(np.float64))
    index_tick = np.where(seen, at[where], NO_TICK)
    sure = trusted.copy()
    sure[trusted] &= ~np.isin(where[trusted], shifts.unsure)
    sure[trusted] &= ~pulses.reckoned[rows[members]][where[trusted]]
    vague = _doubtful_spans(at, (lattice.doubtful | lattice.rough)[members])
    uncounted = _doubtful_spans(at, (lattice.cut & lattice.doubtful)[members])
    changes = seen_changes(find_speed_changes(bridged(ticks, vague), sample_ticks), ticks, uncounted)
    jerks = [jerk for jerk in shifts.jerks if not _running(changes, ticks, int(at[jerk.pulse]))]
    jerk_tick = np.array([at[jerk.pulse] for jerk in jerks], dtype=np.int64)
    kind, used = _kinds(ticks, seen, trusted, sure, vague, changes, jerk_tick)
    kind[seen[:-1] & np.isin(where[:-1], shifts.stray)] = "doubtful"
    pulse_kind = np.full(len(pulses), "runt", dtype="<U7")
    pulse_kind[rows] = "extra"
    pulse_kind[rows[members]] = np.where(place % wheel.places == 0, "index", "tooth")
    pulse_kind[rows[members[shifts.shifted]]] = "shifted"
    inner = (times > at[0]) & (times < at[-1])
    home = wheel.turns(place[shifts.shifted])
    extra = rows[inner & (pulse_kind[rows] == "extra")]
    outer = int(((pulse_kind[rows] == "extra") & ~inner).sum())
    notes: list[str] = []
    if outer:
        notes.append(f"{outer} pulse(s) at the ends of the capture stand on no place and were left out")
    return Turns(
        ticks=ticks.astype(np.int64),
        index_tick=index_tick[:-1].astype(np.int64) if len(index_tick) else index_tick,
        kind=kind,
        used=used,
        pulse_kind=pulse_kind,
        extra=extra,
        missed=anchors.instant(wheel.turns(_missing_places(place, wheel, lattice.doubtful[members]))),
        shifted=rows[members[shifts.shifted]],
        shifted_home=anchors.instant(home),
        shifted_turn=place[shifts.shifted] // wheel.places - int(begin[0]),
        jerk_tick=jerk_tick,
        jerk_turns=np.array([jerk.turns for jerk in jerks], dtype=np.float64),
        changes=changes,
        tooth_angles_deg=tuple(float(angle) for angle in 360.0 * _pulse_angles(wheel)),
        notes=(*notes, *running_notes(changes)),
        place_rule=PLACE_RULE,
        shift_rule=f"{360.0 * shifts.threshold_turns:.3g}°: {shifts.sigmas:.3g} robust standard deviations of this "
        f"capture's pulses, at least {360.0 * FLOOR_TURNS:.2g}° and 4 sample periods",
        calm="the pulses around it keep their places",
        begins_known=wheel.begins_known,
        wheel_notes=wheel.notes,
    )


def _pulse_angles(wheel: Wheel) -> Floats:
    return wheel.angle if wheel.empty is None else np.delete(wheel.angle, wheel.empty)


def _running(changes: SpeedChanges, ticks: Ticks, tick: int) -> bool:
    """True where the shaft is getting up to speed or coming to rest."""
    turn = int(np.searchsorted(ticks, tick, side="left")) - 1
    return any(one.phase in ("run-up", "run-down") and one.first <= turn <= one.last for one in changes.changes)


def running_notes(changes: SpeedChanges) -> list[str]:
    """Sentences on what was left out while the shaft got up to speed or came to rest."""
    return [
        f"{change.phase} over turns {change.first} to {change.last}: left out of the statistics"
        for change in changes.changes
        if change.phase in ("run-up", "run-down")
    ]


def _missing_places(place: Indices, wheel: Wheel, doubtful: Mask) -> Indices:
    """Places between the first and the last believed pulse that stayed empty, the missing tooth's apart."""
    step = np.diff(place)
    gaps = np.flatnonzero((step > 1) & ~doubtful[1:])
    if not len(gaps):
        return np.empty(0, dtype=np.int64)
    count = step[gaps] - 1
    ordinal = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    missing = np.repeat(place[gaps] + 1, count) + ordinal
    return np.asarray(missing if wheel.empty is None else missing[missing % wheel.places != wheel.empty])


def _doubtful_spans(at: Ticks, doubtful: Mask) -> Ticks:
    """Intervals [t0, t1) in which the number of turns cannot be told, shape (k, 2)."""
    ends = np.flatnonzero(doubtful)
    ends = ends[ends > 0]
    return np.column_stack((at[ends - 1], at[ends]))


def _kinds(
    ticks: Ticks,
    seen: Mask,
    trusted: Mask,
    sure: Mask,
    doubtful: Ticks,
    changes: SpeedChanges,
    jerk_tick: Ticks,
) -> tuple[NDArray[np.str_], Mask]:
    n = max(len(ticks) - 1, 0)
    kind = np.full(n, "normal", dtype="<U10")
    used = (sure[:-1] & sure[1:]) if n else np.empty(0, dtype=np.bool_)
    for change in changes.changes:
        running = change.phase in ("run-up", "run-down")
        kind[change.first : change.last + 1] = change.phase if running else "speed-step"
        if running:
            used[change.first : change.last + 1] = False
    jerked = np.searchsorted(ticks, jerk_tick, side="left") - 1
    kind[jerked[(jerked >= 0) & (jerked < n)]] = "speed-step"
    kind[~seen[:n]] = "filled"
    kind[seen[:n] & ~trusted[:n]] = "shifted"
    for first, last in turns_in(ticks, doubtful):
        kind[first:last] = "doubtful"
        used[first:last] = False
    return kind, used


def turns_in(ticks: Ticks, spans: Ticks) -> Indices:
    """Half-open ranges of turns that the intervals `spans`, shape (k, 2), touch."""
    first = np.maximum(np.searchsorted(ticks, spans[:, 0], side="right") - 1, 0)
    return np.column_stack((first, np.searchsorted(ticks, spans[:, 1], side="left")))


def bridged(ticks: Ticks, spans: Ticks) -> Floats:
    """Periods in ticks, those that `spans` touch put in line with their neighbours."""
    periods = np.diff(ticks).astype(np.float64)
    known = np.ones(len(periods), dtype=np.bool_)
    for first, last in turns_in(ticks, spans):
        known[first:last] = False
    if known.all() or not known.any():
        return periods
    return np.interp(np.arange(len(periods)), np.flatnonzero(known), periods[known])


def seen_changes(found: SpeedChanges, ticks: Ticks, spans: Ticks) -> SpeedChanges:
    """Changes of speed without the steps in turns that the intervals `spans`, shape (k, 2), touch: the speed may differ
    on the two sides of a stretch that nobody saw, but nobody saw it step."""
    unseen = np.zeros(max(len(ticks) - 1, 0), dtype=np.bool_)
    for first, last in turns_in(ticks, spans):
        unseen[first:last] = True
    return replace(found, changes=tuple(one for one in found.changes if one.phase != "step" or not unseen[one.turn]))


@dataclass(frozen=True, eq=False)
class Anchors:
    """Trusted pulses: `times` (ticks) and shaft angles `turns` (revolutions), both ascending, at least two. `piece`: a
    number that changes where the turns in between were not counted; no curve is laid across such a place."""

    times: Ticks
    turns: Floats
    piece: Indices

    def instant(self, turns: Floats) -> Ticks:
        """Ticks at which the shaft passed the angles `turns`, shape (k,), rounded.

        A parabola through four pulses on either side by least squares; a cubic through the two nearest on either side
        where the shaft gains or loses speed; a straight line near the ends of a piece.
        """
        if not len(turns):
            return np.empty(0, dtype=np.int64)
        n = len(self.times)
        right = np.clip(np.searchsorted(self.turns, turns), 1, n - 1)
        left = right - 1
        base = self.times[left]
        step = (self.times[right] - base).astype(np.float64)
        pace = step / (self.turns[right] - self.turns[left])
        straight = (turns - self.turns[left]) * pace
        instant = straight.copy()
        inner = (left >= 1) & (right <= n - 2)
        inner &= self.piece[np.maximum(left - 1, 0)] == self.piece[np.minimum(right + 1, n - 1)]
        bent = np.zeros(len(turns), dtype=np.bool_)
        a, b = left[inner], right[inner]
        before = (self.times[a] - self.times[a - 1]) / (self.turns[a] - self.turns[a - 1])
        after = (self.times[b + 1] - self.times[b]) / (self.turns[b + 1] - self.turns[b])
        bent[inner] = np.abs(np.log(after / before)) > BENDING
        wide = ~bent & (left >= AROUND - 1) & (right <= n - AROUND)
        wide &= self.piece[np.maximum(left - AROUND + 1, 0)] == self.piece[np.minimum(left + AROUND, n - 1)]
        instant[bent] = self._cubic(turns[bent], left[bent])
        instant[wide] = self._parabola(turns[wide], left[wide])
        # a curve through pulses of another line than an index can leave the interval that it is asked about
        inside = (turns > self.turns[left]) & (turns < self.turns[right])
        astray = inside & ((instant <= 0) | (instant >= step))
        instant[np.isin(left, left[astray])] = straight[np.isin(left, left[astray])]
        return np.asarray(base + np.rint(instant).astype(np.int64))

    def _parabola(self, turns: Floats, left: Indices) -> Floats:
        nodes = left[:, None] + np.arange(1 - AROUND, 1 + AROUND)
        x = self.turns[nodes] - turns[:, None]
        y = (self.times[nodes] - self.times[left][:, None]).astype(np.float64)
        span = np.abs(x).max(axis=1, keepdims=True)
        design = np.stack((np.ones_like(x), x / span, (x / span) ** 2), axis=2)
        fitted = np.linalg.solve(np.swapaxes(design, 1, 2) @ design, np.swapaxes(design, 1, 2) @ y[:, :, None])
        return np.asarray(fitted[:, 0, 0])

    def _cubic(self, turns: Floats, left: Indices) -> Floats:
        nodes = [left + k for k in (-1, 0, 1, 2)]
        x = [self.turns[node] - turns for node in nodes]
        y = [(self.times[node] - self.times[left]).astype(np.float64) for node in nodes]
        value = np.zeros(len(turns))
        for j in range(4):
            weight = np.ones(len(turns))
            for k in range(4):
                if k != j:
                    weight *= x[k] / (x[k] - x[j])
            value += weight * y[j]
        return value


def merge_changes(changes: SpeedChanges, jerk_turn: Indices, reach: int) -> tuple[SpeedChange, ...]:
    """Changes of speed that no jerk within `reach` turns already accounts for, run-up and run-down left out."""
    return tuple(
        change
        for change in changes.changes
        if change.phase in ("step", "ramp")
        and not (change.phase == "step" and len(jerk_turn) and np.abs(jerk_turn - change.turn).min() <= reach)
    )
