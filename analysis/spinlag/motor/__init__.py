"""The shaft's own witness: motor phase, Hall, drive or tachometer lines to shaft angle and commutation faults."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.motor.lines import CountedLines, count_lines
from spinlag.motor.pattern import Nodes, Pattern, find_nodes, learn_pattern
from spinlag.motor.seams import joined_by_index
from spinlag.motor.shaft import Ratio, Slip, Witness, find_ratio, find_slip
from spinlag.motor.states import States, direction_of, read_states
from spinlag.motor.warp import Warp, separate
from spinlag.motor.watch import FAULT_COLUMNS, fault_table, find_faults, observe_motor
from spinlag.observations import Observation, revolution_of
from spinlag.rig import MotorTable, Rig
from spinlag.rotation import Rotation
from spinlag.sampling import resolution_ticks

Floats = NDArray[np.float64]
Direction = Literal["forward", "reverse"]

SENSOR_COLUMNS = ("line", "edge", "pole", "angle_deg", "off_deg", "uncertainty_deg")


@dataclass(frozen=True, eq=False)
class Motor:
    """What the motor lines show.

    `pole_pairs`: electrical cycles per turn reckoned with, and where that comes from (`rig`, `index`, or ""); None
    where they are not known. `cycles_per_turn`: as measured against the index. `direction`: `forward` where the second
    line follows the first (for three lines: states 101, 100, 110, 010, 011, 001), `reverse` the other way, None where
    the lines do not tell.

    `faults`, one row per irregularity: `tick`, `time_s`, `kind` (`missing-edge`, `extra-edge`, `displaced-edge`,
    `invalid-state`, `skipped-step`, `dropout`), `line`, `length_s`, `detail`. `sensors`, one row per edge of a turn:
    `line`, `edge`, `pole`, `angle_deg` (of the shaft, from the index, learned), `off_deg` (from even
    poles and, for three lines, even sensors), `uncertainty_deg`.

    `slip_deg`: how far the motor ran ahead of the index over the capture, `slip_deg_per_s` per second, each with its
    95 % uncertainty. `angle_rms_deg`: expected error of `angle_at`; `index_rms_deg`: root mean square of what the index
    alone, with the period that really happened, is off from it. `strange`: lines that step as no motor's line does;
    nothing was taken from them.
    """

    phases: tuple[str, ...]
    pole_pairs: int | None
    pole_pairs_from: str
    cycles_per_turn: float | None
    direction: Direction | None
    cycles: int
    edges: int
    faults: pd.DataFrame
    sensors: pd.DataFrame
    slip_deg: float | None
    slip_uncertainty_deg: float | None
    slip_deg_per_s: float | None
    slip_uncertainty_deg_per_s: float | None
    angle_rms_deg: float | None
    index_rms_deg: float | None
    warp: Warp | None
    witness: Witness | None = field(repr=False)
    strange: tuple[str, ...] = ()
    observations: tuple[Observation, ...] = ()
    notes: tuple[str, ...] = ()

    def count(self, kind: str) -> int:
        """How many faults of that kind there are."""
        return int((self.faults["kind"] == kind).sum())

    @property
    def sequence_faults(self) -> int:
        """Observations out of sequence: lost, extra and displaced edges, invalid states, skipped steps, each burst
        counted once."""
        return sum(seen.kind == "motor-sequence" for seen in self.observations)

    @property
    def dropouts(self) -> int:
        """Dead lines."""
        return sum(seen.kind == "motor-dropout" for seen in self.observations)

    def turns_at(self, ticks: Ticks) -> Floats:
        """Shaft angle in revolutions at `ticks`, shape (n,): revolution k of the rotation begins at k. NaN where the
        lines do not tell: without a witness, and more than half a turn beyond their first and last believed edge."""
        if self.witness is None:
            return np.full(len(ticks), np.nan)
        return self.witness.turns(np.asarray(ticks, dtype=np.int64))

    def angle_at(self, ticks: Ticks) -> Floats:
        """Shaft angle in degrees within its revolution, 0 ... 360, at `ticks`, shape (n,); NaN where `turns_at` is."""
        turns = self.turns_at(ticks)
        return np.asarray(360.0 * (turns - np.floor(turns)))


def read_motor(capture: Capture, rig: Rig, rotation: Rotation | None) -> Motor | None:
    """What the rig's motor lines show, tied to the index of `rotation` where there is one; None where the rig has no
    motor lines."""
    if rig.motor is None:
        return None
    whole, lines = capture, count_lines(capture, rig.motor.phases)
    # a line that is no motor's makes states out of sequence without end
    states = read_states(capture, rig.motor.phases) if not lines.strange else None
    whole, notes = _one_way(capture, rig.motor, states)
    if whole is not capture:
        lines = count_lines(whole, rig.motor.phases)
    if not lines.series:
        few = () if lines.strange else ("the motor lines show too few edges to be counted",)
        return _unread(rig.motor, lines.strange, (*notes, *lines.notes, *few))
    ratio = find_ratio(lines, rotation, rig.motor.pole_pairs)
    lines = joined_by_index(lines, rotation, ratio.pole_pairs)
    pattern = learn_pattern(lines, ratio.pole_pairs or 1)
    nodes = find_nodes(lines, pattern, resolution_ticks(capture)) if pattern is not None else None
    warp, slip, witness = _witness(capture, lines, ratio, pattern, nodes, rotation)
    faults = find_faults(whole, lines, pattern, nodes, states, rotation)
    spread = _angle_spread(pattern, nodes, warp, slip, rotation)
    return Motor(
        phases=rig.motor.phases,
        pole_pairs=ratio.pole_pairs,
        pole_pairs_from=ratio.source,
        cycles_per_turn=ratio.measured,
        direction=_direction(states, lines),
        cycles=max(int(one.cycle.max()) for one in lines.series) + 1,
        edges=sum(len(one.ticks) for one in lines.series),
        faults=fault_table(capture, lines, faults),
        sensors=_sensor_table(lines, pattern, warp, slip) if pattern is not None else _no_sensors(),
        slip_deg=slip.total_deg if slip else None,
        slip_uncertainty_deg=slip.total_uncertainty_deg if slip else None,
        slip_deg_per_s=slip.rate_deg_per_s if slip else None,
        slip_uncertainty_deg_per_s=slip.rate_uncertainty_deg_per_s if slip else None,
        angle_rms_deg=spread if witness else None,
        index_rms_deg=_index_rms(rotation, witness, spread) if witness and rotation is not None else None,
        warp=warp,
        witness=witness,
        strange=tuple(lines.names[i] for i in lines.strange),
        observations=observe_motor(capture, lines, faults, rotation),
        notes=(*notes, *lines.notes, *ratio.notes, *_slip_notes(slip)),
    )


def tie_to(capture: Capture, motor: Motor, rotation: Rotation) -> Motor:
    """The motor with its angle counted from revolution 0 of another reading of the same index pulses."""
    if motor.witness is None:
        return motor
    slip = find_slip(motor.witness.nodes, rotation, float(capture.tick))
    if slip is None:
        return motor
    witness = replace(motor.witness, slip=slip)
    turns = rotation.turn_ticks
    return replace(
        motor,
        witness=witness,
        slip_deg=slip.total_deg,
        slip_uncertainty_deg=slip.total_uncertainty_deg,
        slip_deg_per_s=slip.rate_deg_per_s,
        slip_uncertainty_deg_per_s=slip.rate_uncertainty_deg_per_s,
        index_rms_deg=_index_rms(rotation, witness, motor.angle_rms_deg),
        observations=tuple(replace(seen, revolution=revolution_of(turns, seen.tick)) for seen in motor.observations),
    )


def _unread(table: MotorTable, strange: tuple[int, ...], notes: tuple[str, ...]) -> Motor:
    faults = pd.DataFrame({name: pd.Series(dtype="float64") for name in FAULT_COLUMNS}).astype(
        {"tick": "int64", "kind": "str", "line": "str", "detail": "str"}
    )
    return Motor(
        phases=table.phases,
        pole_pairs=table.pole_pairs,
        pole_pairs_from="rig" if table.pole_pairs else "",
        cycles_per_turn=None,
        direction=None,
        cycles=0,
        edges=0,
        faults=faults,
        sensors=_no_sensors(),
        slip_deg=None,
        slip_uncertainty_deg=None,
        slip_deg_per_s=None,
        slip_uncertainty_deg_per_s=None,
        angle_rms_deg=None,
        index_rms_deg=None,
        warp=None,
        witness=None,
        strange=tuple(table.phases[i] for i in strange),
        notes=notes,
    )


def _one_way(capture: Capture, table: MotorTable, states: States | None) -> tuple[Capture, tuple[str, ...]]:
    """The capture with the motor lines cut to the longest stretch in one direction, and notes."""
    notes = []
    if states is not None and states.sixty:
        notes.append("the sensors stand 60 electrical degrees apart: states 000 and 111 belong to their sequence")
    if states is None or not states.reversals:
        return capture, tuple(notes)
    bounds = [capture.start, *states.reversals, capture.end]
    longest = int(np.argmax(np.diff(bounds)))
    begin, end = bounds[longest], bounds[longest + 1]
    at = ", ".join(f"{float(tick * capture.tick):.6g} s" for tick in states.reversals[:5])
    notes.append(f"the sequence turns back at {at}; the angle is reckoned in the longest stretch in one direction")
    cut = tuple(
        _between(channel, begin, end) if channel.name in table.phases or channel.path in table.phases else channel
        for channel in capture.channels
    )
    return Capture(**{**capture.__dict__, "channels": cut}), tuple(notes)


def _between(channel: Channel, begin: int, end: int) -> Channel:
    edges = np.asarray(channel.edges[:], dtype=np.int64)
    first, last = np.searchsorted(edges, (begin, end))
    return Channel(channel.name, channel.path, channel.initial ^ (int(first) & 1), edges[first:last], channel.unknown)


def _direction(states: States | None, lines: CountedLines) -> Direction | None:
    if states is not None:
        return "forward" if states.direction > 0 else "reverse"
    told = direction_of(lines)
    return "forward" if told == "forward" else "reverse" if told == "reverse" else None


def _witness(
    capture: Capture,
    lines: CountedLines,
    ratio: Ratio,
    pattern: Pattern | None,
    nodes: Nodes | None,
    rotation: Rotation | None,
) -> tuple[Warp | None, Slip | None, Witness | None]:
    if pattern is None or nodes is None or ratio.pole_pairs is None or len(nodes.ticks) < 2:
        return None, None, None
    warp = separate(lines, pattern)
    slip = find_slip(nodes, rotation, float(capture.tick)) if rotation is not None else None
    return warp, slip, Witness(nodes, warp, slip, ratio.pole_pairs) if slip is not None else None


def _angle_spread(
    pattern: Pattern | None, nodes: Nodes | None, warp: Warp | None, slip: Slip | None, rotation: Rotation | None
) -> float | None:
    """Expected rms error of an interpolated angle, degrees: two thirds of a node's variance (mean over the way from one
    node to the next), the learned positions, the index's place on the rotor, and what cannot be told between uneven
    poles and an uneven turn, at the angle itself and at the index from which it counts."""
    if pattern is None or nodes is None or warp is None or slip is None or rotation is None:
        return None
    place = slip.scatter_turns / np.sqrt(max(len(rotation.turns), 1))
    bend = 2.0 * float(np.sum(warp.spread**2))
    return 360.0 * float(np.sqrt(2 / 3 * nodes.sigma_turns**2 + np.mean(pattern.error**2) + place**2 + bend))


def _index_rms(rotation: Rotation, witness: Witness, spread: float | None) -> float | None:
    """How far the index alone is off, degrees rms over the nodes; what the nodes' own scatter adds is taken off."""
    ticks, turns = witness.nodes.ticks, witness.node_turns
    k = np.searchsorted(rotation.turn_ticks, ticks, side="right") - 1
    used = rotation.turns["used"].to_numpy(dtype=bool)
    inside = (k >= 0) & (k < len(used))
    inside[inside] &= used[k[inside]]
    if not inside.any():
        return None
    k, ticks, turns = k[inside], ticks[inside], turns[inside]
    alone = k + (ticks - rotation.turn_ticks[k]) / np.diff(rotation.turn_ticks)[k]
    square = float(np.mean((360.0 * (alone - turns)) ** 2)) - (360.0 * witness.nodes.sigma_turns) ** 2
    return float(np.sqrt(max(square, 0.0))) if spread is not None else None


def _no_sensors() -> pd.DataFrame:
    kinds = {"line": "str", "edge": "str", "pole": "int64"}
    return pd.DataFrame({name: pd.Series(dtype=kinds.get(name, "float64")) for name in SENSOR_COLUMNS})


def _sensor_table(lines: CountedLines, pattern: Pattern, warp: Warp | None, slip: Slip | None) -> pd.DataFrame:
    """Where each edge of a turn sits."""
    zero = float(slip.even[0]) if slip is not None else 0.0
    angle = (warp.angle(pattern.at) - warp.angle(np.array([zero % 1.0]))[0]) if warp is not None else pattern.at
    off = _off_even(lines, pattern, angle)
    return pd.DataFrame(
        {
            "line": pd.Series([lines.names[lines.series[s].line] for s in pattern.series], dtype="str"),
            "edge": pd.Series(["rising" if lines.series[s].rising else "falling" for s in pattern.series], dtype="str"),
            "pole": pattern.pole.astype(np.int64),
            "angle_deg": 360.0 * (angle - np.floor(angle)),
            "off_deg": 360.0 * off,
            "uncertainty_deg": 360.0 * 1.959964 * pattern.error,
        }
    ).sort_values("angle_deg", ignore_index=True)


def _off_even(lines: CountedLines, pattern: Pattern, angle: Floats) -> Floats:
    """Angles (revolutions) less those of even poles and, for three lines whose edges come every sixth of a cycle within
    30 degrees, of sensors that stand evenly; of each line's own mean place otherwise."""
    rest = angle - pattern.pole / pattern.poles
    mean = np.array([rest[pattern.series == s].mean() for s in range(len(lines.series))])
    sixth = 6.0 * mean * pattern.poles
    zero = np.angle(np.exp(2j * np.pi * sixth).mean()) / (2 * np.pi)
    nearest = np.rint(sixth - zero)
    even = len(lines.series) == 6 and sorted(nearest.astype(int) % 6) == list(range(6))
    nominal = (nearest + zero) / 6.0 / pattern.poles if even else mean
    return np.asarray(rest - nominal[pattern.series])


def _slip_notes(slip: Slip | None) -> tuple[str, ...]:
    if slip is None or abs(slip.total_deg) <= max(slip.total_uncertainty_deg, 0.5):
        return ()
    way = "ahead of" if slip.total_deg > 0 else "behind"
    manner = "" if slip.steady else ", not evenly"
    return (f"the motor ran {abs(slip.total_deg):.3g} deg {way} the index over the capture{manner}: something slips",)
