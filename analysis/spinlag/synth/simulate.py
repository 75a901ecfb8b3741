"""A scenario to a capture with known truth: shaft, sensors, firmware, wires, and the recorder that samples them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, SamplePeriod, Ticks
from spinlag.errors import Problem, RigError
from spinlag.rig import Rig, rig_from_mapping
from spinlag.synth import plan
from spinlag.synth.faults import MAY_FOLLOW
from spinlag.synth.firmware import SETTLING_TURNS, Schedule, run_firmware
from spinlag.synth.lattice import Lattice, odd_ones, tick_fraction
from spinlag.synth.lines import ChainLine, make_chain_line
from spinlag.synth.onewire import wire_time_s
from spinlag.synth.picture import draw
from spinlag.synth.scenario import Chain, IndexSensor, Scenario
from spinlag.synth.sensors import IndexFault, IndexPulses, MotorLine, make_index_pulses, make_motor_lines
from spinlag.synth.shaft import Motion, make_motion
from spinlag.synth.truth import Planted, TrueChain, TrueTurns, Truth

Floats = NDArray[np.float64]

_WALK, _INDEX, _MOTOR, _FIRMWARE, _PICTURE, _TRAINS, _PHASE, _FAULTS, _MARKERS, _LEDS = range(10)
"""Streams of random numbers, one per part, so that a change to one part leaves the others as they were."""


@dataclass(frozen=True, eq=False)
class Simulation:
    """A capture, the rig that fits it, and what really happened."""

    scenario: Scenario
    capture: Capture
    rig: Rig
    truth: Truth


@dataclass(frozen=True, eq=False)
class World:
    """Everything that happens, before a recorder looks at it. Times are true seconds; sample 0 is taken less than one
    sample period before time 0."""

    motion: Motion
    zero: int
    events: tuple[plan.Event, ...]
    pulses: IndexPulses
    sensor: IndexSensor
    schedule: Schedule
    lines: tuple[ChainLine, ...]
    motor: tuple[MotorLine, ...]
    markers: dict[str, tuple[Floats, Floats]]
    image: NDArray[np.uint8]
    times: dict[int, tuple[float, str, str | None, int | None]]
    """Event id -> when it took hold, channel, chain, column."""


@dataclass(frozen=True, eq=False)
class Line:
    """One recorded line as a stream: its level at sample 0, and its toggles in blocks of ascending ticks."""

    name: str
    initial: int
    blocks: Iterable[Ticks]


@dataclass(frozen=True, eq=False)
class Trial:
    """A scenario that has been run, and can be looked at piece by piece, however long it is."""

    scenario: Scenario
    lattice: Lattice
    world: World

    @property
    def rig(self) -> Rig:
        """The rig that fits."""
        return rig_for(self.scenario)

    def truth(self) -> Truth:
        """What really happened."""
        return _truth(self.scenario, self.lattice, self.world)

    def lines(self) -> tuple[Line, ...]:
        """Every recorded line; LED lines come in blocks, so that a long capture never stands in memory whole."""
        return _record(self.scenario, self.lattice, self.world)

    def capture(self) -> Capture:
        """The whole capture in memory."""
        channels = []
        for line in self.lines():
            parts = list(line.blocks)
            ticks = np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)
            channels.append(Channel(line.name, line.name, line.initial, ticks))
        return Capture(
            file="",
            sha256="",
            importer="synth",
            tick=self.lattice.tick,
            start=0,
            end=self.lattice.end,
            channels=tuple(channels),
            sample_period=SamplePeriod(self.lattice.period_ticks, "given"),
        )


def run(scenario: Scenario) -> Trial:
    """Run a scenario up to the recorder's clips. The same scenario gives the same trial, bit for bit.

    Raises RigError where the scenario contradicts itself in a way that only running it shows: a fault that never takes
    hold, a shaft that stops, a tick too coarse for the sample rate.
    """
    try:
        return Trial(scenario, _lattice(scenario), _run(scenario))
    except ValueError as error:
        if isinstance(error, RigError):
            raise
        raise RigError([Problem("scenario", str(error))]) from None


def simulate(scenario: Scenario) -> Simulation:
    """Run a scenario and record it in memory. Raises RigError as `run` does."""
    trial = run(scenario)
    return Simulation(scenario, trial.capture(), trial.rig, trial.truth())


def rig_for(scenario: Scenario) -> Rig:
    """The rig that a careful person would write for this bench."""
    data: dict[str, object] = {
        "capture": {"clock_ppm": scenario.recorder.clock_ppm},
        "display": {"columns": scenario.firmware.columns, **scenario.display.model_dump(exclude_none=True)},
        "leds": [_rig_chain(chain) for chain in scenario.leds],
        "markers": {marker.name: marker.channel for marker in scenario.markers},
        "limits": dict(scenario.limits),
    }
    if scenario.index is not None:
        keys = ("channel", "edge", "pulses_per_revolution", "missing_tooth", "min_pulse_us")
        data["index"] = {key: getattr(scenario.index, key) for key in keys}
    if scenario.motor is not None:
        data["motor"] = {"phases": scenario.motor.phases, "pole_pairs": scenario.motor.pole_pairs}
    return rig_from_mapping(data)


def _rig_chain(chain: Chain) -> dict[str, object]:
    keys = ("name", "part", "wiring", "data", "count", "order", "inverted")
    found = {key: getattr(chain, key) for key in keys if getattr(chain, key) is not None}
    return found if chain.part is not None else {**found, "latch_us": chain.latch_us}


def _seed(scenario: Scenario, *stream: int) -> list[int]:
    return [scenario.seed, *stream]


def _rng(scenario: Scenario, *stream: int) -> np.random.Generator:
    return np.random.default_rng(_seed(scenario, *stream))


def _lattice(scenario: Scenario) -> Lattice:
    recorder = scenario.recorder
    tick: Fraction = tick_fraction(recorder.tick)
    return Lattice(recorder.sample_rate_hz, tick, recorder.clock_error_ppm, scenario.duration_s)


def _span(scenario: Scenario) -> tuple[float, float]:
    """True seconds to simulate: enough before the capture for the firmware to have settled, a little after."""
    speeds = [speed for _, speed in scenario.shaft.profile] or [scenario.shaft.speed_rev_per_s]
    memory = scenario.firmware.mean_of if scenario.firmware.predictor == "mean" else 2
    return -1.5 * (memory + SETTLING_TURNS) / speeds[0], scenario.duration_s + 3.0 / min(speeds)


def _run(scenario: Scenario) -> World:
    from_s, to_s = _span(scenario)
    walk = _seed(scenario, _WALK)
    steps = plan.speed_steps(scenario.shaft, scenario, from_s, to_s, walk)
    motion = make_motion(scenario.shaft, from_s, to_s, steps, np.random.default_rng(walk))
    markers = {
        marker.name: plan.marker_pulses(marker, from_s, scenario.duration_s, _rng(scenario, _MARKERS, i))
        for i, marker in enumerate(scenario.markers)
    }
    rises = {name: rise for name, (rise, _) in markers.items()}
    events = plan.list_events(scenario, motion, rises, _seed(scenario, _TRAINS))
    ends = motion.angle_at(np.array([from_s, to_s]))
    turns = int(np.ceil(ends[0])), int(np.floor(ends[1])) + 1
    sensor = scenario.index or IndexSensor()
    index_faults = plan.index_faults(events, sensor, motion)
    pulses = make_index_pulses(sensor, motion, turns, list(index_faults.values()), _rng(scenario, _INDEX))
    image = draw(scenario.picture, scenario.firmware.columns, _leds(scenario), _rng(scenario, _PICTURE))
    schedule = run_firmware(
        scenario.firmware,
        sensor,
        pulses,
        _busy_s(scenario),
        plan.update_faults(events, scenario, motion),
        _rng(scenario, _FIRMWARE),
    )
    schedule = _from(schedule, -0.2 / max(motion.speed_at(np.zeros(1))[0], 1.0))
    lines = tuple(
        make_chain_line(scenario, chain, schedule, events, image, _seed(scenario, _LEDS, i), _rng(scenario, _FAULTS, i))
        for i, chain in enumerate(scenario.leds)
    )
    motor = make_motor_lines(scenario.motor, motion, turns, _rng(scenario, _MOTOR)) if scenario.motor else ()
    times = _when(scenario, motion, events, index_faults, schedule, pulses)
    motor = _spoil_motor(motor, events, times, motion)
    return World(motion, plan.first_turn(motion), events, pulses, sensor, schedule, lines, motor, markers, image, times)


def _leds(scenario: Scenario) -> int:
    return max((chain.first_led + chain.count for chain in scenario.leds), default=1)


def _busy_s(scenario: Scenario) -> float:
    """How long one update keeps the firmware busy: its longest chain, and the gap it leaves."""
    longest = max((chain.offset_us * 1e-6 + wire_time_s(chain, chain.count) for chain in scenario.leds), default=0.0)
    firmware = scenario.firmware
    return (longest + firmware.gap_us * 1e-6) / (1.0 + firmware.clock_error_ppm * 1e-6)


def _from(schedule: Schedule, earliest_s: float) -> Schedule:
    """The schedule less the settling: updates that start before `earliest_s` are dropped."""
    first = int(np.searchsorted(schedule.start_s, earliest_s))
    return Schedule(
        start_s=schedule.start_s[first:],
        due_s=schedule.due_s[first:],
        column=schedule.column[first:],
        shown=schedule.shown[first:],
        turn=schedule.turn[first:],
        turns=schedule.turns,
        strikes=tuple((update - first, id_) for update, id_ in schedule.strikes if update >= first),
        struck=schedule.struck,
    )


def _when(
    scenario: Scenario,
    motion: Motion,
    events: tuple[plan.Event, ...],
    index_faults: dict[int, IndexFault],
    schedule: Schedule,
    pulses: IndexPulses,
) -> dict[int, tuple[float, str, str | None, int | None]]:
    """When and where each event took hold. Raises RigError for a fault named in the scenario that never did."""
    times: dict[int, tuple[float, str, str | None, int | None]] = {}
    sensor = scenario.index or IndexSensor()
    zero = plan.first_turn(motion)
    for event in events:
        fault = event.fault
        if event.id in index_faults:
            at = _index_fault_time(index_faults[event.id], sensor, motion, pulses)
            times[event.id] = (at, sensor.channel, None, None)
        elif event.id in schedule.struck:
            due, _, column = schedule.struck[event.id]
            chain = plan.struck_chain(fault, scenario)
            times[event.id] = (due, chain.data, chain.name, None if fault.kind == "column-rate" else column)
        elif fault.kind in ("speed-step", "motor-sequence", "motor-dropout", "capture-gap"):
            at = (
                event.at_s
                if event.at_s is not None
                else float(
                    motion.time_at(np.array([zero + (fault.revolution or 0) + 0.31]))[0]
                    if fault.kind.startswith("motor-")
                    else motion.time_at(np.array([zero + (fault.revolution or 0)], dtype=np.float64))[0]
                )
            )
            line = fault.phase or (scenario.motor.phases[0] if scenario.motor else "")
            times[event.id] = (at, line if fault.kind.startswith("motor-") else "", None, None)
        if event.certain and not (0.0 <= times.get(event.id, (-1.0,))[0] < scenario.duration_s):
            raise RigError([Problem(event.key, f"this {fault.kind} never takes hold within the capture")])
    return times


def _index_fault_time(fault: IndexFault, sensor: IndexSensor, motion: Motion, pulses: IndexPulses) -> float:
    """Where the pulse should have been (missed), is (shifted), or where the extra one stands."""
    ideal = float(motion.time_at(np.array([fault.turn + fault.place / sensor.places]))[0])
    if fault.kind == "index-missed":
        return ideal
    own = pulses.turn == fault.turn
    near = ideal + (fault.shift_s if fault.kind == "index-shifted" else fault.after_s)
    candidates = pulses.reference_s[own & (pulses.place == (fault.place if fault.kind == "index-shifted" else -1))]
    return float(candidates[np.argmin(np.abs(candidates - near))])


def _spoil_motor(
    motor: tuple[MotorLine, ...],
    events: tuple[plan.Event, ...],
    times: dict[int, tuple[float, str, str | None, int | None]],
    motion: Motion,
) -> tuple[MotorLine, ...]:
    """Motor lines with their planted faults: a glitch pulse, or a line that holds its level for a while."""
    lines = {line.name: line for line in motor}
    for event in events:
        kind = event.fault.kind
        if kind not in ("motor-sequence", "motor-dropout"):
            continue
        at, name, _, _ = times[event.id]
        line = lines[name]
        if kind == "motor-sequence":
            step = 1.0 / (float(motion.speed_at(np.array([at]))[0]) * 6.0 * len(line.edge_angles_rev) / 2.0)
            width = (event.fault.width_us or 0.0) * 1e-6 or 0.2 * step
            edges = np.sort(np.concatenate((line.edges_s, [at, at + width])))
        else:
            until = at + (event.fault.duration_ms or 0.0) * 1e-3
            lost = (line.edges_s >= at) & (line.edges_s < until)
            back = [until] if int(lost.sum()) & 1 else []
            edges = np.sort(np.concatenate((line.edges_s[~lost], back)))
        lines[name] = MotorLine(line.name, line.level, edges, line.edge_angles_rev)
    return tuple(lines[line.name] for line in motor)


def _phase_s(scenario: Scenario, lattice: Lattice) -> float:
    share = scenario.recorder.phase
    return (float(_rng(scenario, _PHASE).uniform()) if share is None else share) * lattice.true_period_s


def _record(scenario: Scenario, lattice: Lattice, world: World) -> tuple[Line, ...]:
    """Every line as the recorder has it."""
    phase = _phase_s(scenario, lattice)
    gaps = [
        (at, at + (event.fault.duration_ms or 0.0) * 1e-3)
        for event in world.events
        if event.fault.kind == "capture-gap"
        for at in [world.times[event.id][0]]
    ]

    def short(name: str, level: int, edges: Floats) -> Line:
        initial, ticks = lattice.record(_held(edges, gaps) + phase, level)
        return Line(name, initial, (ticks,))

    lines: list[Line] = []
    if scenario.index is not None:
        lines.append(short(scenario.index.channel, int(scenario.index.inverted), world.pulses.edges_s()))
    for chain, made in zip(scenario.leds, world.lines, strict=True):
        early = made.start_s + phase <= 0.0
        level = int(chain.inverted)
        if bool(np.any(early)):
            first = next(iter(made.blocks()))
            level = lattice.record(_held(first.edges_s, gaps) + phase, level)[0]
        lines.append(Line(chain.data, level, _LongLine(lattice, made, phase, gaps)))
    lines += [short(line.name, line.level, line.edges_s) for line in world.motor]
    for marker in scenario.markers:
        rise, fall = world.markers[marker.name]
        lines.append(short(marker.channel, 0, np.stack((rise, fall), axis=1).ravel()))
    return tuple(lines)


def _held(edges_s: Floats, gaps: Sequence[tuple[float, float]]) -> Floats:
    """Toggles with those inside a gap of the recording moved to its end, where the recorder notices the new level."""
    for begin, end in gaps:
        edges_s = np.where((edges_s >= begin) & (edges_s < end), end, edges_s)
    return edges_s


@dataclass(frozen=True, eq=False)
class _LongLine:
    """The recorded toggles of a long line, block by block. Toggles that meet across blocks cancel, as within one."""

    lattice: Lattice
    line: ChainLine
    phase: float
    gaps: Sequence[tuple[float, float]]

    def __iter__(self) -> Iterator[Ticks]:
        held: Ticks = np.empty(0, dtype=np.int64)
        for block in self.line.blocks():
            _, ticks = self.lattice.record(_held(block.edges_s, self.gaps) + self.phase, 0)
            ticks = odd_ones(np.concatenate((held, ticks)))
            held = ticks[-1:]
            if ticks.size > 1:
                yield ticks[:-1]
        if held.size:
            yield held


def _truth(scenario: Scenario, lattice: Lattice, world: World) -> Truth:
    """The truth on the axis of sample 0."""
    phase = _phase_s(scenario, lattice)
    end = lattice.samples * lattice.true_period_s
    motion, zero, pulses = world.motion, world.zero, world.pulses
    ends = motion.angle_at(np.array([end - phase]))
    zero_s = motion.time_at(np.arange(zero, int(np.floor(ends[0])) + 1, dtype=np.float64)) + phase
    seen = (pulses.lead_s + phase >= 0) & (pulses.trail_s + phase < end)
    chains = tuple(_true_chain(world, line, phase, end) for line in world.lines)
    planted = []
    for event in world.events:
        if event.id not in world.times:
            continue
        at, channel, chain, column = world.times[event.id]
        if not 0.0 <= at + phase < end:
            continue
        planted.append(
            Planted(
                id=event.id,
                kind=event.fault.kind,
                time_s=at + phase,
                revolution=int(np.searchsorted(zero_s, at + phase, side="right")) - 1,
                channel=channel,
                chain=chain,
                column=column,
                may_follow=MAY_FOLLOW[event.fault.kind],
                cause=event.cause,
            )
        )
    return Truth(
        duration_s=end,
        sample_period_s=lattice.true_period_s,
        clock_error=scenario.recorder.clock_error_ppm * 1e-6,
        zero_s=zero_s,
        pulse_lead_s=pulses.lead_s[seen] + phase,
        pulse_trail_s=pulses.trail_s[seen] + phase,
        pulse_reference_s=pulses.reference_s[seen] + phase,
        pulse_revolution=pulses.turn[seen] - zero,
        pulse_place=pulses.place[seen],
        turns=_true_turns(world, phase, end),
        chains=chains,
        motor_angles_deg={line.name: line.edge_angles_rev * 360.0 for line in world.motor},
        marker_s={
            name: rise[(rise + phase >= 0) & (rise + phase < end)] + phase for name, (rise, _) in world.markers.items()
        },
        image=world.image,
        planted=tuple(planted),
    )


def _true_chain(world: World, line: ChainLine, phase: float, end: float) -> TrueChain:
    start, last = line.start_s + phase, line.last_s + phase
    seen = np.flatnonzero((last > 0) & (start < end))
    visible = last[seen] + line.latch_s
    angle = world.motion.angle_at(visible - phase)
    offsets, data = line.bytes_of(seen)
    turn_revolution = np.array([turn.turn - world.zero for turn in world.schedule.turns], dtype=np.int64)
    return TrueChain(
        name=line.name,
        channel=line.channel,
        latch_s=line.latch_s,
        start_s=start[seen],
        last_s=last[seen],
        visible_s=visible,
        angle_deg=(angle - np.floor(angle)) * 360.0,
        revolution=turn_revolution[line.turn[seen]] if seen.size else np.empty(0, dtype=np.int64),
        column=line.column[seen],
        shown=line.shown[seen],
        whole=(start[seen] > 0) & (last[seen] < end),
        bits=line.bits[seen],
        data=data,
        offsets=offsets,
        timing=line.timing(),
    )


def _true_turns(world: World, phase: float, end: float) -> TrueTurns:
    turns = world.schedule.turns
    rows = [i for i, turn in enumerate(turns) if 0 <= turn.reference_s + phase < end]
    first = np.full((3, len(rows)), np.nan)
    first_column = np.full(len(rows), -1, dtype=np.int64)
    sent = np.zeros(len(rows), dtype=np.int64)
    if world.lines:
        line = world.lines[0]
        for k, i in enumerate(rows):
            lo, hi = np.searchsorted(line.turn, [i, i + 1])
            mine = np.arange(lo, hi)[line.column[lo:hi] >= 0]
            sent[k] = len(mine)
            if mine.size and line.last_s[mine[0]] + phase < end:
                at = mine[0]
                first[:, k] = line.start_s[at], line.last_s[at], line.last_s[at] + line.latch_s
                first_column[k] = line.column[at]
    return TrueTurns(
        reference_s=np.array([turns[i].reference_s + phase for i in rows], dtype=np.float64),
        revolution=np.array([turns[i].turn - world.zero for i in rows], dtype=np.int64),
        expected_period_s=np.array([turns[i].expected_period_s for i in rows], dtype=np.float64),
        first_start_s=first[0] + phase,
        first_last_s=first[1] + phase,
        first_visible_s=first[2] + phase,
        first_column=first_column,
        columns_sent=sent,
    )
