"""Who is lying, the index or the shaft? The turns once more, with every index pulse held against the motor lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.motor import Motor, read_motor, tie_to
from spinlag.motor.shaft import Witness
from spinlag.rig import Rig
from spinlag.rotation import NO_TICK, Rotation, build_rotation, find_revolutions
from spinlag.rotation.lattice import running_median
from spinlag.rotation.noise import robust_sigma, sigmas_for
from spinlag.rotation.pulses import Pulses, find_pulses
from spinlag.rotation.shifts import BEND_SHARE, FLOOR_SAMPLES, FLOOR_TURNS, local_period
from spinlag.rotation.speed import SPAN, SpeedChange, SpeedChanges, find_speed_changes
from spinlag.rotation.turns import Turns, bridged, running_notes, seen_changes, turns_in
from spinlag.rotation.watch import observe
from spinlag.sampling import resolution_ticks

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Mask = NDArray[np.bool_]

MOST_OFF = 0.3
"""A pulse further from every mark than this share of the marks' distance is nobody's: one too many."""

LEAST_PULSES = 8
LEAST_CYCLES = 40
WITHIN_CYCLE = 0.15
"""Share of an electrical cycle within which the instant of a step is known."""

COVERED = 0.5
"""The motor lines decide where they witness at least this share of the pulses."""


def read_shaft(capture: Capture, rig: Rig, *, first_mark: int | None = None) -> tuple[Rotation | None, Motor | None]:
    """Revolutions and motor of a capture, each as far as the rig names its lines, held against each other.

    The motor's angle counts from revolution 0 of the rotation that is returned. `first_mark` as in `find_revolutions`.
    """
    alone = find_revolutions(capture, rig, first_mark=first_mark)
    motor = read_motor(capture, rig, alone)
    rotation = refine_rotation(capture, rig, alone, motor)
    if motor is None or rotation is None or rotation is alone:
        return rotation, motor
    return rotation, tie_to(capture, motor, rotation)


def refine_rotation(capture: Capture, rig: Rig, rotation: Rotation | None, motor: Motor | None) -> Rotation | None:
    """The rotation as index and motor lines together show it.

    A pulse that is early, late, missing or too many while the motor lines run on is the sensor's fault; a change of
    speed that the motor lines show is the shaft's; one that only the index shows is neither, and is dropped. Returned
    unchanged where there is no motor that can witness.
    """
    if rotation is None or motor is None or motor.witness is None or rig.index is None:
        return rotation
    channel = capture.channel(rig.index.channel)
    pulses = find_pulses(capture, channel, rig.index)
    rows = np.flatnonzero(~pulses.runt)
    times = pulses.reference[rows]
    shaft = motor.witness.turns(times)
    known = np.isfinite(shaft) & ~_unwitnessed(motor.witness, times)
    if len(times) < LEAST_PULSES or known.sum() < COVERED * len(times):
        note = "the motor lines do not cover the index pulses; they were not asked who is lying"
        return replace(rotation, notes=(*rotation.notes, note))
    shaft = _by_index_alone(shaft, known, times, rotation)
    known = np.isfinite(shaft)
    found = _turns(pulses, rows[known], times[known], shaft[known], rotation, motor.witness, resolution_ticks(capture))
    if (np.diff(found.ticks) <= 0).any():
        note = "motor lines and index pulses do not fit together; the index alone was used: are these the right lines?"
        return replace(rotation, notes=(*rotation.notes, note))
    observations = observe(capture, channel, rig.index, pulses, found)
    refined = build_rotation(capture, rig, rig.index, pulses, found, observations)
    return replace(refined, notes=("index pulses were held against the motor lines", *refined.notes))


def _by_index_alone(shaft: Floats, known: Mask, times: Ticks, rotation: Rotation) -> Floats:
    """Angles with those that the motor lines do not witness taken from the turns that the index alone showed."""
    if known.all():
        return shaft
    base = rotation.turn_ticks[0]
    turns = np.arange(len(rotation.turn_ticks), dtype=np.float64)
    alone = np.interp((times - base).astype(np.float64), (rotation.turn_ticks - base).astype(np.float64), turns)
    inside = (times >= base) & (times <= rotation.turn_ticks[-1])
    # the two counts may part where the index was silent long: each gap is joined to what is known around it
    nearest = np.interp(np.arange(len(times)), np.flatnonzero(known), (shaft - alone)[known])
    return np.where(known, shaft, np.where(inside, alone + np.rint(nearest), np.nan))


def _unwitnessed(witness: Witness, times: Ticks) -> Mask:
    """Instants in a stretch where all motor lines stood still for more than a third of a turn."""
    ticks, even = witness.nodes.ticks, witness.nodes.even
    right = np.clip(np.searchsorted(ticks, times), 1, len(ticks) - 1)
    return np.asarray(even[right] - even[right - 1] > max(1 / 3, 3.0 * float(np.median(np.diff(even)))))


def _turns(
    pulses: Pulses,
    rows: Indices,
    times: Ticks,
    shaft: Floats,
    rotation: Rotation,
    witness: Witness,
    sample_ticks: float,
) -> Turns:
    marks = np.array(rotation.tooth_angles_deg) / 360.0
    place, off = _nearest_mark(shaft, marks)
    best = _best_of_place(place, off)
    usual = np.full(len(off), np.nan)
    usual[best] = running_median(off[best], trend=False)
    off = off - np.where(np.isfinite(usual), usual, 0.0)
    sigma = robust_sigma(off[best])
    limit = max(sigmas_for(len(best)) * sigma, FLOOR_TURNS)
    allowed = np.maximum(limit, FLOOR_SAMPLES * sample_ticks / local_period(times, shaft)) + _bend(witness, times)
    distance = float(np.diff(np.append(marks, 1.0)).min())
    mine = np.zeros(len(rows), dtype=np.bool_)
    mine[best] = True
    mine &= np.abs(off) < MOST_OFF * distance
    shifted = mine & (np.abs(off) > allowed)
    trusted = mine & ~shifted
    first, last = np.flatnonzero(mine)[[0, -1]]
    teeth = len(marks)
    numbers = np.arange(-(-int(place[first]) // teeth), int(place[last]) // teeth + 1)
    seen_at = _rows_of(place, mine, numbers * teeth)
    sure = (seen_at >= 0) & trusted[np.maximum(seen_at, 0)]
    ticks = np.where(sure, times[np.maximum(seen_at, 0)], witness.instants(numbers.astype(np.float64)))
    index_tick = np.where(seen_at >= 0, times[np.maximum(seen_at, 0)], NO_TICK)
    vague = _uncounted(witness, rotation)
    changes = _shaft_changes(witness, ticks, numbers, vague, sample_ticks)
    missing = np.setdiff1d(np.arange(int(place[first]), int(place[last]) + 1), place[mine])
    missed = witness.instants(missing // teeth + marks[missing % teeth])
    kind, used = _kinds(seen_at, sure, changes)
    for begin, end in turns_in(ticks, vague):
        kind[begin:end], used[begin:end] = "doubtful", False
    jerk_tick, jerk_turns = _jerks(witness, ticks)
    turn = np.searchsorted(ticks, jerk_tick, side="left") - 1
    kind[turn[(turn >= 0) & (turn < len(kind))]] = "speed-step"
    inner = (np.arange(len(rows)) > first) & (np.arange(len(rows)) < last)
    pulse_kind = np.full(len(pulses), "runt", dtype="<U7")
    pulse_kind[~pulses.runt] = "extra"
    pulse_kind[rows[mine]] = np.where(place[mine] % teeth == 0, "index", "tooth")
    pulse_kind[rows[shifted]] = "shifted"
    return Turns(
        ticks=ticks.astype(np.int64),
        index_tick=index_tick[:-1].astype(np.int64),
        kind=kind,
        used=used,
        pulse_kind=pulse_kind,
        extra=rows[~mine & inner],
        missed=missed[~_within(vague, missed)],
        shifted=rows[shifted],
        shifted_home=witness.instants(place[shifted] // teeth + marks[place[shifted] % teeth] + usual[shifted]),
        shifted_turn=place[shifted] // teeth - int(numbers[0]),
        jerk_tick=jerk_tick,
        jerk_turns=jerk_turns,
        changes=changes,
        shift_rule=f"{360.0 * limit:.3g} deg from the motor lines: {sigmas_for(len(best)):.3g} robust standard "
        f"deviations of this capture's pulses, at least {360.0 * FLOOR_TURNS:.2g} deg "
        f"and {FLOOR_SAMPLES:g} sample periods",
        place_rule=f"no mark within {MOST_OFF:g} of the marks' distance, by the motor lines",
        calm="by the motor lines the shaft ran on undisturbed",
        tooth_angles_deg=rotation.tooth_angles_deg,
        notes=tuple(running_notes(changes)),
        begins_known=rotation.begins_known,
        wheel_notes=rotation.wheel_notes,
    )


def _uncounted(witness: Witness, rotation: Rotation) -> Ticks:
    """Stretches that nobody saw and through which neither motor lines nor index were counted, shape (k, 2), ticks."""
    doubtful = rotation.turns["kind"].to_numpy() == "doubtful"
    seams = witness.nodes.seams
    turn = np.searchsorted(rotation.turn_ticks, seams.mean(axis=1).astype(np.int64), side="right") - 1
    inside = (turn >= 0) & (turn < len(doubtful))
    inside[inside] &= doubtful[turn[inside]]
    return np.asarray(seams[inside])


def _within(spans: Ticks, ticks: Ticks) -> Mask:
    """Which of the instants lie in one of the intervals `spans`, shape (k, 2), ascending."""
    k = np.searchsorted(spans[:, 0], ticks, side="right") - 1
    inside = k >= 0
    inside[inside] &= ticks[inside] < spans[k[inside], 1]
    return np.asarray(inside)


def _bend(witness: Witness, times: Ticks) -> Floats:
    """Angle (revolutions) that a change of speed between two motor edges may account for at `times`."""
    ticks, even = witness.nodes.ticks, witness.nodes.even
    n = len(ticks)
    pace = np.diff(ticks) / np.diff(even)
    right = np.clip(np.searchsorted(ticks, times), 1, n - 1)
    three = np.log([pace[np.maximum(right - 2, 0)], pace[right - 1], pace[np.minimum(right, n - 2)]])
    return np.asarray(BEND_SHARE * np.ptp(three, axis=0) * (even[right] - even[right - 1]))


def _nearest_mark(shaft: Floats, marks: Floats) -> tuple[Indices, Floats]:
    """Number of the nearest mark (whole turns times marks, plus the mark) and the distance from it, revolutions."""
    whole = np.floor(shaft)
    rest = shaft - whole
    ring = np.concatenate((marks, [1.0]))
    right = np.clip(np.searchsorted(ring, rest), 1, len(marks))
    nearer = rest - ring[right - 1] < ring[right] - rest
    mark = np.where(nearer, right - 1, right)
    return (whole * len(marks) + mark).astype(np.int64), np.asarray(rest - ring[mark])


def _best_of_place(place: Indices, off: Floats) -> Indices:
    """Indices of the pulse nearest to each mark that has one, in order."""
    order = np.lexsort((np.abs(off), place))
    first = np.concatenate(([True], np.diff(place[order]) > 0))
    return np.sort(order[first])


def _rows_of(place: Indices, mine: Mask, wanted: Indices) -> Indices:
    """Index of the believed pulse at each wanted place, -1 where there is none."""
    own = np.flatnonzero(mine)
    at = np.searchsorted(place[own], wanted)
    at = np.minimum(at, len(own) - 1)
    return np.where(place[own][at] == wanted, own[at], -1)


def _shaft_changes(witness: Witness, ticks: Ticks, numbers: Indices, vague: Ticks, sample_ticks: float) -> SpeedChanges:
    """Changes of speed by the motor lines; by the index where those stood still.

    Looked for from turn to turn, and from one electrical cycle to the next, where an abrupt step stands out more.
    """
    instants = witness.instants(numbers.astype(np.float64))
    instants = np.where(_unwitnessed(witness, instants), ticks, instants)
    count = np.arange(len(instants))
    instants = np.maximum.accumulate(instants - count) + count  # a line that is no motor's may run backwards
    by_turn = seen_changes(find_speed_changes(bridged(instants, vague), sample_ticks), instants, vague)
    fine = witness.cycle_instants()
    if len(fine) < LEAST_CYCLES or _unwitnessed(witness, fine).any():
        return by_turn
    cycles = np.diff(fine)
    changes = list(by_turn.changes)
    for step in find_speed_changes(cycles.astype(np.float64), sample_ticks).changes:
        if step.phase != "step":
            continue
        # a step at the very beginning of a turn is not blamed on the turn before for a little noise
        at = fine[step.turn] + round((1.0 - step.shown + WITHIN_CYCLE) * float(cycles[step.turn]))
        turn = int(np.searchsorted(ticks, at, side="right")) - 1
        if not 0 <= turn < len(ticks) - 1:
            continue
        near = [i for i, one in enumerate(changes) if one.first - SPAN <= turn <= one.last + SPAN]
        per_turn = witness.pole_pairs
        if not near:
            before, after = step.before / per_turn, step.after / per_turn
            changes.append(replace(step, first=turn, last=turn, turn=turn, before=before, after=after))
        elif len(near) == 1 and changes[near[0]].phase == "step" and abs(changes[near[0]].turn - turn) <= 1:
            changes[near[0]] = replace(changes[near[0]], first=turn, last=turn, turn=turn)
    return seen_changes(replace(by_turn, changes=tuple(sorted(changes, key=lambda one: one.first))), ticks, vague)


def _kinds(seen_at: Indices, sure: Mask, changes: SpeedChanges) -> tuple[NDArray[np.str_], Mask]:
    n = len(seen_at) - 1
    kind = np.full(n, "normal", dtype="<U10")
    used = sure[:-1] & sure[1:]
    for change in changes.changes:
        span = slice(change.first, change.last + 1)
        kind[span] = change.phase if _running(change) else "speed-step"
        used[span] &= not _running(change)
    kind[seen_at[:n] < 0] = "filled"
    kind[(seen_at[:n] >= 0) & ~sure[:n]] = "shifted"
    return kind, used


def _running(change: SpeedChange) -> bool:
    return change.phase in ("run-up", "run-down")


def _jerks(witness: Witness, ticks: Ticks) -> tuple[Ticks, Floats]:
    """Jerks of the shaft that the motor lines show."""
    jerks = witness.nodes.shifts.jerks
    tick = np.array([witness.nodes.all_ticks[jerk.pulse] for jerk in jerks], dtype=np.int64)
    size = np.array([jerk.turns for jerk in jerks], dtype=np.float64)
    inside = (tick > ticks[0]) & (tick < ticks[-1]) if len(tick) else np.empty(0, dtype=np.bool_)
    return tick[inside], size[inside]
