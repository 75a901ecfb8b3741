"""A scenario run: the shaft turns, sensors see, the firmware answers, and every wire has its true edges."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import Problem, RigError
from spinlag.synth import plan
from spinlag.synth.firmware import SETTLING_TURNS, Schedule, run_firmware
from spinlag.synth.lattice import Lattice, tick_fraction
from spinlag.synth.lines import ChainLine, make_chain_line
from spinlag.synth.picture import draw, on_the_leds
from spinlag.synth.scenario import IndexSensor, Scenario
from spinlag.synth.sensors import IndexFault, IndexPulses, MotorLine, make_index_pulses, make_motor_lines
from spinlag.synth.shaft import Motion, make_motion
from spinlag.synth.wires import wire_of

Floats = NDArray[np.float64]

_WALK, _INDEX, _MOTOR, _FIRMWARE, _PICTURE, _TRAINS, _PHASE, _FAULTS, _MARKERS, _LEDS = range(10)
"""Streams of random numbers, one per part, so that a change to one part leaves the others as they were."""


@dataclass(frozen=True, eq=False)
class World:
    """Everything that happens, before a recorder looks at it. Times are true seconds; sample 0 is taken
    `phase_s`, less than one sample period, before time 0. `zero` is the absolute number of revolution 0."""

    scenario: Scenario
    lattice: Lattice
    phase_s: float
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


def _seed(scenario: Scenario, *stream: int) -> list[int]:
    return [scenario.seed, *stream]


def _rng(scenario: Scenario, *stream: int) -> np.random.Generator:
    return np.random.default_rng(_seed(scenario, *stream))


def _lattice(scenario: Scenario) -> Lattice:
    recorder = scenario.recorder
    tick: Fraction = tick_fraction(recorder.tick)
    return Lattice(recorder.sample_rate_hz, tick, recorder.clock_error_ppm, scenario.duration_s)


def _phase_s(scenario: Scenario, lattice: Lattice) -> float:
    share = scenario.recorder.phase
    return (float(_rng(scenario, _PHASE).uniform()) if share is None else share) * lattice.true_period_s


def _span(scenario: Scenario) -> tuple[float, float]:
    """True seconds to simulate: enough before the capture for the firmware to have settled, a little after."""
    speeds = [speed for _, speed in scenario.shaft.profile] or [scenario.shaft.speed_rev_per_s]
    memory = scenario.firmware.mean_of if scenario.firmware.predictor == "mean" else 2
    return -1.5 * (memory + SETTLING_TURNS) / speeds[0], scenario.duration_s + 3.0 / min(speeds)


def make_world(scenario: Scenario) -> World:
    """Run a scenario. Raises RigError or ValueError where it contradicts itself in a way that only running shows."""
    lattice = _lattice(scenario)
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
    index_faults = plan.index_faults(events, sensor, motion, turns)
    pulses = make_index_pulses(sensor, motion, turns, list(index_faults.values()), _rng(scenario, _INDEX))
    image = _picture(scenario)
    shown = on_the_leds(image, scenario.display.arms)
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
        make_chain_line(scenario, chain, schedule, events, shown, _seed(scenario, _LEDS, i), _rng(scenario, _FAULTS, i))
        for i, chain in enumerate(scenario.leds)
    )
    motor = make_motor_lines(scenario.motor, motion, turns, _rng(scenario, _MOTOR)) if scenario.motor else ()
    times = _when(scenario, motion, events, index_faults, schedule, pulses)
    motor = _spoil_motor(motor, events, times, motion)
    return World(
        scenario=scenario,
        lattice=lattice,
        phase_s=_phase_s(scenario, lattice),
        motion=motion,
        zero=plan.first_turn(motion),
        events=events,
        pulses=pulses,
        sensor=sensor,
        schedule=schedule,
        lines=lines,
        motor=motor,
        markers=markers,
        image=image,
        times=times,
    )


def _picture(scenario: Scenario) -> NDArray[np.uint8]:
    """The picture as the eye should see it: columns by LEDs of one arm."""
    leds = max((chain.first_led + chain.count for chain in scenario.leds), default=1)
    shown, columns = scenario.display, scenario.firmware.columns
    once = draw(scenario.picture, columns // shown.slots, -(-leds // shown.arms), _rng(scenario, _PICTURE))
    return np.tile(once, (shown.slots, 1, 1))


def _busy_s(scenario: Scenario) -> float:
    """How long one update keeps the firmware busy: its longest chain, and the gap it leaves."""
    firmware = scenario.firmware
    longest = max(
        (chain.offset_us * 1e-6 + wire_of(chain, firmware).duration_s(chain.count) for chain in scenario.leds),
        default=0.0,
    )
    return (longest + firmware.gap_us * 1e-6) / (1.0 + firmware.clock_error_ppm * 1e-6)


def _from(schedule: Schedule, earliest_s: float) -> Schedule:
    """The schedule less the settling: updates that start before `earliest_s` are dropped."""
    first = int(np.searchsorted(schedule.start_s, earliest_s))
    return Schedule(
        start_s=schedule.start_s[first:],
        due_s=schedule.due_s[first:],
        column=schedule.column[first:],
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
    for event in events:
        fault = event.fault
        if event.id in index_faults:
            at = _index_fault_time(index_faults[event.id], sensor, motion, pulses)
            times[event.id] = (at, sensor.channel, None, None)
        elif event.id in schedule.struck:
            due, _, column = schedule.struck[event.id]
            chain = plan.struck_chain(fault, scenario)
            line, name = (chain.lines[0], chain.name) if chain is not None else ("", None)
            times[event.id] = (due, line, name, None if fault.kind == "column-rate" else column)
        elif fault.kind in ("speed-step", "motor-sequence", "motor-dropout", "capture-gap"):
            at = event.at_s if event.at_s is not None else plan.place_s(fault, scenario, motion)
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
        if kind == "motor-dropout":
            until = at + (event.fault.duration_ms or 0.0) * 1e-3
            lost = (line.edges_s >= at) & (line.edges_s < until)
            back = [until] if int(lost.sum()) & 1 else []
            edges = np.sort(np.concatenate((line.edges_s[~lost], back)))
        elif event.fault.how == "lost":
            first = int(np.searchsorted(line.edges_s, at))
            edges = np.delete(line.edges_s, [first, first + 1])
        else:
            step_s = 1.0 / (float(motion.speed_at(np.array([at]))[0]) * 3.0 * len(line.edge_angles_rev))
            width = 0.2 * step_s if event.fault.width_us is None else event.fault.width_us * 1e-6
            edges = np.sort(np.concatenate((line.edges_s, [at, at + width])))
        lines[name] = MotorLine(line.name, line.level, edges, line.edge_angles_rev)
    return tuple(lines[line.name] for line in motor)
