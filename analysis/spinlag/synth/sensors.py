"""What the sensors make of the shaft: index pulses, faulty ones included, and motor lines, as true electrical edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.scenario import IndexSensor, MotorLines
from spinlag.synth.shaft import Motion

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class IndexPulses:
    """Index pulses as they stand on the wire, in order, n of them; true seconds.

    `lead_s` and `trail_s`: the pulse's two edges; `reference_s`: the instant of the edge that the firmware acts on
    (their middle for `centre`); `turn`: the absolute revolution number that each belongs to; `place`: which tooth it
    is, -1 for a pulse that the shaft did not make.
    """

    lead_s: Floats
    trail_s: Floats
    reference_s: Floats
    turn: NDArray[np.int64]
    place: NDArray[np.int64]

    def edges_s(self) -> Floats:
        """All toggles of the line, ascending. Pulses that touch merge."""
        order = np.argsort(np.concatenate((self.lead_s, self.trail_s)), kind="stable")
        signs = np.concatenate((np.ones(len(self.lead_s)), -np.ones(len(self.trail_s))))[order]
        times = np.concatenate((self.lead_s, self.trail_s))[order]
        depth = np.cumsum(signs)
        real = ((signs > 0) & (depth == 1)) | ((signs < 0) & (depth == 0))
        return np.asarray(times[real])


@dataclass(frozen=True)
class IndexFault:
    """A fault at tooth `place` of absolute revolution `turn`, with its sizes in seconds."""

    kind: str
    turn: int
    place: int = 0
    after_s: float = 0.0
    width_s: float | None = None
    shift_s: float = 0.0


def leading_is_reference(sensor: IndexSensor) -> bool:
    """True where the edge the firmware acts on is the one that begins the pulse."""
    return (sensor.edge == "rising") != sensor.inverted


def make_index_pulses(
    sensor: IndexSensor,
    motion: Motion,
    turns: tuple[int, int],
    faults: Sequence[IndexFault],
    rng: np.random.Generator,
) -> IndexPulses:
    """Pulses of revolutions turns[0] to turns[1] - 1. The shaft's zero is where the ideal reference edge of tooth 0
    lies."""
    turn = np.repeat(np.arange(turns[0], turns[1]), sensor.pulses_per_revolution)
    place = np.tile(np.arange(sensor.pulses_per_revolution), turns[1] - turns[0])
    angle = turn + place / sensor.places
    width = sensor.width_deg / 360.0
    before = {"centre": 0.5 * width}.get(sensor.edge, 0.0 if leading_is_reference(sensor) else width)
    lead = motion.time_at(angle - before) + _noise(sensor, len(turn), rng)
    trail = motion.time_at(angle - before + width) + _noise(sensor, len(turn), rng)
    trail = np.maximum(trail, lead + 1e-7)
    keep = np.ones(len(turn), dtype=bool)
    extra: list[tuple[float, float, int]] = []
    for fault in faults:
        row = (fault.turn - turns[0]) * sensor.pulses_per_revolution + fault.place
        if fault.kind == "index-missed":
            keep[row] = False
        elif fault.kind == "index-shifted":
            lead[row] += fault.shift_s
            trail[row] += fault.shift_s
        else:
            own = fault.width_s if fault.width_s is not None else float(trail[row] - lead[row])
            begin = float(_reference(sensor, lead[row], trail[row])) + fault.after_s - _own_reference(sensor, own)
            extra.append((begin, begin + own, fault.turn))
    lead = np.concatenate((lead[keep], np.array([begin for begin, _, _ in extra], dtype=np.float64)))
    trail = np.concatenate((trail[keep], np.array([end for _, end, _ in extra], dtype=np.float64)))
    turn = np.concatenate((turn[keep], np.array([number for _, _, number in extra], dtype=np.int64)))
    place = np.concatenate((place[keep], np.full(len(extra), -1, dtype=np.int64)))
    order = np.argsort(lead, kind="stable")
    lead, trail = lead[order], trail[order]
    return IndexPulses(lead, trail, _reference(sensor, lead, trail), turn[order], place[order])


def _noise(sensor: IndexSensor, count: int, rng: np.random.Generator) -> Floats:
    return rng.standard_normal(count) * (sensor.noise_us * 1e-6)


def _reference(sensor: IndexSensor, lead: Floats, trail: Floats) -> Floats:
    if sensor.edge == "centre":
        return np.asarray(0.5 * (lead + trail))
    return np.asarray(lead if leading_is_reference(sensor) else trail)


def _own_reference(sensor: IndexSensor, width: float) -> float:
    if sensor.edge == "centre":
        return 0.5 * width
    return 0.0 if leading_is_reference(sensor) else width


@dataclass(frozen=True, eq=False)
class MotorLine:
    """One motor line: level before the first edge, true edge instants, and the mechanical angle (revolutions within the
    turn, ascending) at which each edge of a turn really sits."""

    name: str
    level: int
    edges_s: Floats
    edge_angles_rev: Floats


def _rising_and_falling_deg(motor: MotorLines, line: int) -> tuple[float, float]:
    """Electrical degrees at which a line rises and falls when turning forward.

    Three Hall sensors 120 electrical degrees apart give H1 high in [300, 120), H2 in [60, 240), H3 in [180, 360), hence
    the codes 101, 100, 110, 010, 011, 001 (six-step commutation as application notes print it).
    """
    if motor.kind == "tach":
        return 0.0, 180.0
    high = 180.0 if motor.kind == "hall" else 120.0
    rise = 300.0 + 120.0 * line
    return rise % 360.0, (rise + high) % 360.0


def make_motor_lines(
    motor: MotorLines, motion: Motion, turns: tuple[int, int], rng: np.random.Generator
) -> tuple[MotorLine, ...]:
    """Every line over revolutions turns[0] to turns[1] - 1, without faults."""
    lines = []
    poles = motor.pole_pairs
    for i, name in enumerate(motor.phases):
        errors = rng.standard_normal(2 * poles) * motor.pole_error_deg
        sensor_error = motor.sensor_error_deg[i] if motor.sensor_error_deg else 0.0
        rise, fall = _rising_and_falling_deg(motor, i)
        electrical = np.concatenate([rise + 360.0 * np.arange(poles), fall + 360.0 * np.arange(poles)])
        rises = np.concatenate((np.ones(poles, dtype=bool), np.zeros(poles, dtype=bool)))
        sign = 1.0 if motor.direction == "forward" else -1.0
        degrees = sign * electrical / poles + errors + sensor_error + motor.offset_deg
        if motor.direction == "reverse":
            rises = ~rises
        within = np.mod(degrees / 360.0, 1.0)
        order = np.argsort(within)
        within, rises = within[order], rises[order]
        if bool(np.any(rises[1:] == rises[:-1])):
            raise ValueError("sensor or pole errors are so large that motor edges change places")
        angles = (np.arange(turns[0], turns[1], dtype=np.float64)[:, None] + within[None, :]).ravel()
        times = _slipping(motion, angles, motor.slip_deg_per_s / 360.0) + rng.standard_normal(len(angles)) * (
            motor.edge_noise_us * 1e-6
        )
        lines.append(MotorLine(name, 0 if rises[0] else 1, np.maximum.accumulate(times), within))
    return tuple(lines)


def _slipping(motion: Motion, angles: Floats, slip_rev_per_s: float) -> Floats:
    """Instants at which a motor that runs ahead of the shaft by slip * t passes each angle."""
    times = motion.time_at(angles)
    for _ in range(4 if slip_rev_per_s else 0):  # the slip is small against the speed, so this converges at once
        times = motion.time_at(angles - slip_rev_per_s * times)
    return times
