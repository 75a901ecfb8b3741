"""From a scenario's faults and trains to events with a place: what strikes which pulse, update, line or instant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.chains import AnyChain
from spinlag.synth.faults import INDEX_KINDS, UPDATE_KINDS, Fault, FaultTrain
from spinlag.synth.firmware import UpdateFault
from spinlag.synth.scenario import IndexSensor, Marker, Scenario, Shaft
from spinlag.synth.sensors import IndexFault
from spinlag.synth.shaft import Motion, SpeedStep, make_motion
from spinlag.synth.wire import Alteration, Wire
from spinlag.synth.wires import wire_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Event:
    """One fault to come: the fault, when (its own words, or `at_s` from its train), what it stems from."""

    id: int
    fault: Fault
    key: str
    at_s: float | None
    cause: str | None = None
    extra_delay_s: float = 0.0

    @property
    def certain(self) -> bool:
        """True where the scenario names this very fault, so that it must take hold."""
        return not isinstance(self.fault, FaultTrain)


def marker_pulses(marker: Marker, from_s: float, to_s: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Rising and falling instants of a marker line, true seconds; pulses that would overlap are left out."""
    if marker.rate_per_s is not None:
        count = rng.poisson(marker.rate_per_s * (to_s - from_s))
        bursts = np.sort(rng.uniform(from_s, to_s, count))
    else:
        period = marker.period_s or 1.0
        bursts = np.arange(from_s + rng.uniform(0.0, period), to_s, period)
        bursts = np.sort(bursts + rng.standard_normal(len(bursts)) * (marker.jitter_us * 1e-6))
    rises = (bursts[:, None] + np.arange(marker.pulses) * (marker.spacing_us * 1e-6)).ravel()
    rises = np.sort(rises)
    width = marker.width_us * 1e-6
    kept = [rises[0]] if rises.size else []
    for rise in rises[1:]:
        if rise > kept[-1] + 1.5 * width:
            kept.append(rise)
    begin = np.array(kept, dtype=np.float64)
    return begin, begin + width


def _train_instants(
    train: FaultTrain,
    motion: Motion,
    markers: Mapping[str, Floats],
    span: tuple[float, float],
    rng: np.random.Generator,
) -> Floats:
    if train.marker is not None:
        at = markers[train.marker]
    elif train.period_s is not None:
        at = np.arange(span[0] + rng.uniform(0.0, train.period_s), span[1], train.period_s)
    elif train.angle_deg is not None:
        ends = motion.angle_at(np.array(span))
        turns = np.arange(np.ceil(ends[0]), np.floor(ends[1]))
        spread = rng.standard_normal(len(turns)) * train.spread_deg
        at = motion.time_at(turns + (train.angle_deg + spread) / 360.0)
    else:
        at = np.sort(rng.uniform(span[0], span[1], rng.poisson((train.rate_per_s or 0.0) * (span[1] - span[0]))))
    at = at[rng.uniform(size=len(at)) < train.probability]
    lag = train.lag_us * 1e-6 + np.abs(rng.standard_normal(len(at))) * (train.lag_jitter_us * 1e-6)
    at = np.sort(at + lag)
    return np.asarray(at[(at >= span[0]) & (at < span[1])])


def speed_steps(shaft: Shaft, scenario: Scenario, from_s: float, to_s: float, seed: list[int]) -> tuple[SpeedStep, ...]:
    """The planted speed steps, in time order; one at a revolution falls on its start as the earlier steps leave it."""
    faults = [fault for fault in scenario.faults if fault.kind == "speed-step"]
    steps: list[SpeedStep] = []
    for fault in sorted(faults, key=lambda fault: (fault.at_s or 0.0, fault.revolution or 0)):
        at = fault.at_s
        if at is None:
            at = place_s(fault, scenario, make_motion(shaft, from_s, to_s, tuple(steps), np.random.default_rng(seed)))
        steps.append(SpeedStep(at, 1.0 + (fault.percent or 0.0) / 100.0))
    return tuple(steps)


def first_turn(motion: Motion) -> int:
    """Absolute number of the first revolution that starts at or after sample 0."""
    return int(np.ceil(motion.angle_at(np.zeros(1))[0]))


def place_s(fault: Fault, scenario: Scenario, motion: Motion) -> float:
    """When the shaft comes to a fault's revolution and angle. Faults of motor lines stand half a step past zero where
    nothing else is said, so that they do not fall on an edge."""
    motor = scenario.motor
    usual = 30.0 / motor.pole_pairs if motor is not None and fault.kind.startswith("motor-") else 0.0
    degrees = usual if fault.at_deg is None else fault.at_deg
    angle = first_turn(motion) + (fault.revolution or 0) + degrees / 360.0
    return float(motion.time_at(np.array([angle]))[0])


def list_events(
    scenario: Scenario, motion: Motion, markers: Mapping[str, Floats], seed: list[int]
) -> tuple[Event, ...]:
    """Every fault and every turn of every train, numbered."""
    events = [Event(i, fault, f"faults[{i}]", fault.at_s) for i, fault in enumerate(scenario.faults)]
    for t, train in enumerate(scenario.fault_trains):
        rng = np.random.default_rng([*seed, t])
        for at in _train_instants(train, motion, markers, (0.0, scenario.duration_s), rng):
            more = float(rng.exponential(train.delay_jitter_us * 1e-6)) if train.delay_jitter_us > 0 else 0.0
            cause = train.marker
            events.append(Event(len(events), train, f"fault_trains[{t}]", float(at), cause, more))
    return tuple(events)


def index_faults(
    events: tuple[Event, ...], sensor: IndexSensor, motion: Motion, turns: tuple[int, int]
) -> dict[int, IndexFault]:
    """Event id -> fault of one pulse within revolutions [turns[0], turns[1]). Of two on one pulse the first stands."""
    found: dict[int, IndexFault] = {}
    taken: set[tuple[int, int]] = set()
    zero = first_turn(motion)
    for event in events:
        fault = event.fault
        if fault.kind not in INDEX_KINDS:
            continue
        turn, place = zero + (fault.revolution or 0), fault.pulse
        if event.at_s is not None:
            angle = float(motion.angle_at(np.array([event.at_s]))[0])
            tooth = int(np.ceil(angle * sensor.places))
            if sensor.missing_tooth and tooth % sensor.places == sensor.places - 1:
                tooth += 1
            turn, place = divmod(tooth, sensor.places)
        if (turn, place) in taken or not turns[0] <= turn < turns[1] or place >= sensor.pulses_per_revolution:
            continue
        taken.add((turn, place))
        found[event.id] = IndexFault(
            kind=fault.kind,
            turn=turn,
            place=place,
            after_s=(fault.after_us or 0.0) * 1e-6,
            width_s=None if fault.width_us is None else fault.width_us * 1e-6,
            shift_s=(fault.shift_us or 0.0) * 1e-6,
        )
    return found


def update_faults(events: tuple[Event, ...], scenario: Scenario, motion: Motion) -> list[UpdateFault]:
    """The faults that the firmware model takes: of updates, and of a turn's column period."""
    zero = first_turn(motion)
    faults = []
    for event in events:
        fault = event.fault
        if fault.kind not in UPDATE_KINDS and fault.kind != "column-rate":
            continue
        faults.append(
            UpdateFault(
                id=event.id,
                kind=fault.kind,
                turn=None if event.at_s is not None else zero + (fault.revolution or 0),
                column=fault.column or 0,
                at_s=event.at_s,
                within_s=None
                if not isinstance(fault, FaultTrain) or fault.within_us is None
                else fault.within_us * 1e-6,
                delay_s=(fault.delay_us or 0.0) * 1e-6 + event.extra_delay_s,
                ratio=1.0 + (fault.percent or 0.0) / 100.0,
                duration_s=(fault.duration_ms or 0.0) * 1e-3,
                more_wire_s=_more_wire_s(fault, scenario),
            )
        )
    return faults


def struck_chain(fault: Fault, scenario: Scenario) -> AnyChain | None:
    """The chain whose wire a data fault strikes: the one named, else the first; None where there is no chain."""
    return next((chain for chain in scenario.leds if fault.chain in (None, chain.name)), None)


def _more_wire_s(fault: Fault, scenario: Scenario) -> float:
    firmware = scenario.firmware
    chain = struck_chain(fault, scenario)
    if fault.kind == "data-pause":
        return (fault.pause_us or 0.0) * 1e-6
    if chain is None:
        return 0.0
    if fault.kind == "update-repeated":
        return firmware.gap_us * 1e-6 + max(wire_of(own, firmware).duration_s(own.count) for own in scenario.leds)
    more = wire_of(chain, firmware)
    if fault.kind == "data-extra":
        return firmware.gap_us * 1e-6 + more.duration_s(fault.leds or 0)
    if fault.kind == "data-overlong":
        return more.duration_s((fault.leds or 0) + chain.count) - more.duration_s(chain.count)
    return 0.0


def alteration(fault: Fault, wire: Wire, rng: np.random.Generator) -> Alteration | None:
    """What a fault of the data does to the update it strikes; None where it leaves that update alone."""
    word = wire.format.word
    bit = fault.led * word + fault.bit
    if fault.kind == "data-bit-time":
        return Alteration(bit=bit, bits=fault.bits, change_s=(fault.change_ns or 0.0) * 1e-9)
    if fault.kind == "data-truncated":
        return Alteration(keep_bits=max(1, (fault.leds or 0) * word + fault.bit))
    if fault.kind == "data-pause":
        return Alteration(pause_bit=max(1, bit), pause_s=(fault.pause_us or 0.0) * 1e-6)
    if fault.kind == "data-overlong":
        return Alteration(extra=tuple(int(b) for b in rng.integers(0, 2, (fault.leds or 0) * word)))
    return None
