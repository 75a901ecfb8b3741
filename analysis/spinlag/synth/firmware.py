"""The controller: index pulses in, column updates out, causally, so that sensor faults have their natural effects."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.scenario import Firmware, IndexSensor
from spinlag.synth.sensors import IndexPulses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SETTLING_TURNS = 3
"""Turns beyond the predictor's memory that are simulated before the capture starts, so that it starts settled."""


@dataclass(frozen=True)
class UpdateFault:
    """A fault of one update, or of one turn's column period: `id` is its row among the planted faults.

    It strikes either column `column` of the firmware turn that begins in absolute shaft revolution `turn`, or the first
    update due at or after `at_s` (and, where `within_s` is given, due before at_s + within_s).
    """

    id: int
    kind: str
    turn: int | None = None
    column: int = 0
    at_s: float | None = None
    within_s: float | None = None
    delay_s: float = 0.0
    ratio: float = 1.0
    duration_s: float = 0.0
    more_wire_s: float = 0.0


@dataclass(frozen=True, eq=False)
class FirmwareTurn:
    """One run of the column counter: from the reference edge at `pulse` (row among the pulses)."""

    pulse: int
    turn: int
    reference_s: float
    begin_s: float
    expected_period_s: float
    column_period_s: float


@dataclass(frozen=True, eq=False)
class Schedule:
    """Every update that the controller sends, n of them, in order; true seconds.

    `column` is the column drawn, `turn` the row in `turns`. `strikes` lists (update, fault id) for faults of what goes
    out on the wire, `struck` says where each update fault took hold: fault id -> (due instant, turn row, column).
    """

    start_s: Floats
    due_s: Floats
    column: Ints
    turn: Ints
    turns: tuple[FirmwareTurn, ...]
    strikes: tuple[tuple[int, int], ...]
    struck: dict[int, tuple[float, int, int]]


@dataclass
class _Run:
    """What the loop over turns gathers."""

    start: list[Floats] = field(default_factory=list)
    due: list[Floats] = field(default_factory=list)
    column: list[Ints] = field(default_factory=list)
    turn: list[Ints] = field(default_factory=list)
    turns: list[FirmwareTurn] = field(default_factory=list)
    strikes: list[tuple[int, int]] = field(default_factory=list)
    struck: dict[int, tuple[float, int, int]] = field(default_factory=dict)
    count: int = 0
    busy_until: float = -math.inf
    silent: tuple[float, float] = (-math.inf, -math.inf)


def revolution_pulses(firmware: Firmware, sensor: IndexSensor, pulses: IndexPulses) -> Ints:
    """Rows of the pulses that the firmware takes for the start of a revolution.

    It drops pulses shorter than its filter and, with `holdoff`, those that come too soon. Of several pulses a
    revolution it counts, and with a missing tooth it starts anew after the long gap: it knows nothing but the wire.
    """
    seen = np.flatnonzero(pulses.trail_s - pulses.lead_s >= firmware.ignore_shorter_us * 1e-6)
    reference = pulses.reference_s
    if firmware.holdoff > 0 and seen.size:
        kept = [int(seen[0])]
        usual = math.inf
        for row in seen[1:]:
            gap = float(reference[row] - reference[kept[-1]])
            if gap < firmware.holdoff * usual and usual < math.inf:
                continue
            usual = gap
            kept.append(int(row))
        seen = np.array(kept, dtype=np.int64)
    if sensor.missing_tooth:
        gaps = np.diff(reference[seen])
        long = np.flatnonzero(gaps[1:] > 1.5 * gaps[:-1]) + 2
        return np.asarray(seen[long])
    if sensor.pulses_per_revolution > 1 and seen.size:
        first = int(np.argmax(pulses.place[seen] == 0))
        return np.asarray(seen[first :: sensor.pulses_per_revolution])
    return np.asarray(seen)


def _expected_period(firmware: Firmware, past: Sequence[float]) -> float | None:
    """What the predictor makes of the last revolution times (newest last); None before there are enough."""
    if firmware.predictor == "fixed":
        return (firmware.fixed_period_us or 0.0) * 1e-6
    if not past:
        return None
    if firmware.predictor == "mean":
        last = past[-firmware.mean_of :]
        return sum(last) / len(last)
    if firmware.predictor == "linear" and len(past) > 1:
        return max(2.0 * past[-1] - past[-2], 0.25 * past[-1])
    return past[-1]


def _jitter(firmware: Firmware, count: int, rng: np.random.Generator) -> Floats:
    """Response jitter in seconds, rms `response_jitter_us`, mean 0 (exponential: mean = rms, never early)."""
    size = firmware.response_jitter_us * 1e-6
    if firmware.jitter_shape == "exponential":
        return rng.exponential(1.0, count) * size
    if firmware.jitter_shape == "uniform":
        return rng.uniform(-1.0, 1.0, count) * (size * math.sqrt(3.0))
    white = rng.standard_normal(count)
    if firmware.jitter_correlation > 0 and count:
        from scipy.signal import lfilter

        rho = firmware.jitter_correlation
        white[0] /= math.sqrt(1.0 - rho * rho)
        white = lfilter([math.sqrt(1.0 - rho * rho)], [1.0, -rho], white)
    return np.asarray(white * size)


def run_firmware(
    firmware: Firmware,
    sensor: IndexSensor,
    pulses: IndexPulses,
    wire_s: float,
    faults: Sequence[UpdateFault],
    rng: np.random.Generator,
) -> Schedule:
    """All updates that answer these pulses. `wire_s` is how long one update keeps the wire busy, its gap included."""
    rows = revolution_pulses(firmware, sensor, pulses)
    reference = pulses.reference_s[rows]
    begin = reference + np.maximum(firmware.response_us * 1e-6 + _jitter(firmware, len(rows), rng), 0.0)
    begin = np.maximum(begin, pulses.trail_s[rows] if sensor.edge == "centre" else reference)
    column_jitter = rng.standard_normal((len(rows), firmware.columns)) * (firmware.column_jitter_us * 1e-6)
    by_turn: dict[int, list[UpdateFault]] = {}
    for fault in faults:
        if fault.turn is not None:
            by_turn.setdefault(fault.turn, []).append(fault)
    pending = sorted((fault for fault in faults if fault.turn is None), key=lambda fault: fault.at_s or 0.0)
    run = _Run()
    past: list[float] = []
    for j in range(len(rows)):
        if j:
            past = [*past[-63:], float(reference[j] - reference[j - 1])]
        expected = _expected_period(firmware, past)
        if expected is None:
            continue
        own = by_turn.pop(int(pulses.turn[rows[j]]), [])
        ratio = math.prod(fault.ratio for fault in own if fault.kind == "column-rate")
        turn = FirmwareTurn(
            pulse=int(rows[j]),
            turn=int(pulses.turn[rows[j]]),
            reference_s=float(reference[j]),
            begin_s=float(begin[j]),
            expected_period_s=expected,
            column_period_s=expected / firmware.columns * ratio,
        )
        until = float(begin[j + 1]) if j + 1 < len(rows) else math.inf
        pending = _draw_turn(run, firmware, turn, until, wire_s, column_jitter[j], own, pending)
    return _finish(run)


def _draw_turn(
    run: _Run,
    firmware: Firmware,
    turn: FirmwareTurn,
    until: float,
    wire_s: float,
    jitter: Floats,
    own: list[UpdateFault],
    pending: list[UpdateFault],
) -> list[UpdateFault]:
    """Schedule the columns of one turn, up to the instant at which the next index restarts the counter.

    Returns the faults that wait for a later update.
    """
    row = len(run.turns)
    run.turns.append(turn)
    columns = np.arange(firmware.columns)
    due = np.maximum.accumulate(turn.begin_s + columns * turn.column_period_s + jitter)
    struck, pending = _place_faults(due, until, own, pending)
    keep = np.ones(firmware.columns, dtype=bool)
    usual = due.copy()
    wire = np.full(firmware.columns, wire_s)
    for c, fault in struck:
        run.struck[fault.id] = (float(usual[c]), row, c)
        if fault.kind == "update-late":
            due[c] += fault.delay_s
        elif fault.kind == "update-missing":
            keep[c] = False
        elif fault.kind == "data-silent":
            run.silent = float(usual[c]), float(usual[c]) + fault.duration_s
        wire[c] += fault.more_wire_s
    due = np.maximum.accumulate(due)
    keep &= (due < run.silent[0]) | (due >= run.silent[1])
    due, usual, wire, columns = due[keep], usual[keep], wire[keep], columns[keep]
    start, sent = _take_the_wire(firmware, due, wire, run.busy_until)
    sent &= start < until
    start, columns, usual = start[sent], columns[sent], usual[sent]
    if start.size:
        run.busy_until = float(start[-1] + wire[sent][-1])
    if firmware.clock_hz is not None:
        true_hz = firmware.clock_hz * (1.0 + firmware.clock_error_ppm * 1e-6)
        start = np.ceil(start * true_hz) / true_hz
    where = {int(c): run.count + i for i, c in enumerate(columns)}
    on_the_wire = ("data-", "update-repeated")
    run.strikes += [(where[c], fault.id) for c, fault in struck if c in where and fault.kind.startswith(on_the_wire)]
    run.start.append(start)
    run.due.append(usual)
    run.column.append(columns)
    run.turn.append(np.full(len(start), row, dtype=np.int64))
    run.count += len(start)
    return pending


def _place_faults(
    due: Floats, until: float, own: list[UpdateFault], pending: list[UpdateFault]
) -> tuple[list[tuple[int, UpdateFault]], list[UpdateFault]]:
    """(column, fault) for what strikes in this turn, and what is still to come."""
    struck = [(fault.column, fault) for fault in own]
    left: list[UpdateFault] = []
    for fault in pending:
        at = fault.at_s or 0.0
        c = int(np.searchsorted(due, at, side="left"))
        if c < len(due) and due[c] < until:
            if fault.within_s is None or due[c] < at + fault.within_s:
                struck.append((c, replace(fault, column=c)))
        else:
            left.append(fault)
    return struck, left


def _take_the_wire(
    firmware: Firmware, due: Floats, wire: Floats, busy_until: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """When each column really starts, given that the wire carries one update at a time, and which are sent at all."""
    if not due.size:
        return due, np.ones(0, dtype=bool)
    before = np.concatenate(([0.0], np.cumsum(wire)[:-1]))
    first = due.copy()
    first[0] = max(first[0], busy_until)
    start = np.maximum.accumulate(first - before) + before
    sent = np.ones(len(due), dtype=bool)
    late = start > due
    start[~late] = due[~late]
    if firmware.when_busy == "queue" or not bool(np.any(late)):
        return start, sent
    free = busy_until
    for c in range(len(due)):
        if due[c] < free and c + 1 < len(due) and due[c + 1] <= free:
            sent[c] = False
            continue
        start[c] = max(due[c], free)
        free = float(start[c] + wire[c])
    return start, sent


def _finish(run: _Run) -> Schedule:
    def joined(parts: list[Floats]) -> Floats:
        return np.concatenate(parts) if parts else np.empty(0)

    def joined_ints(parts: list[Ints]) -> Ints:
        return np.concatenate(parts).astype(np.int64) if parts else np.empty(0, dtype=np.int64)

    return Schedule(
        start_s=joined(run.start),
        due_s=joined(run.due),
        column=joined_ints(run.column),
        turn=joined_ints(run.turn),
        turns=tuple(run.turns),
        strikes=tuple(run.strikes),
        struck=run.struck,
    )
