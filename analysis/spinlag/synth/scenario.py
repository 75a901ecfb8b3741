"""A scenario in TOML: shaft, sensors, firmware, LEDs, recorder and planted faults, validated all at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from spinlag.errors import Problem, RigError
from spinlag.rig import Direction, NotNegative, Positive, read_toml, rig_from_mapping, validation_problems
from spinlag.synth.chains import WIRINGS, AnyChain, Chain, Direct, OneWire
from spinlag.synth.faults import Fault, FaultTrain

Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction01 = Annotated[float, Field(ge=0, le=1)]

MAX_DURATION_S = 86_400.0


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Recorder(_Table):
    """`[recorder]`: a clock that is fast by `clock_error_ppm` takes sample k at true time k / (rate (1 + error)) and
    stamps it k / rate, rounded to the tick. `phase` shifts the world against the samples by a share of one period; None
    draws it."""

    sample_rate_hz: Positive = 24e6
    tick: Annotated[str, Field(pattern=r"^(1|10|100) ?(s|ms|us|ns|ps|fs)$")] = "1 ns"
    clock_error_ppm: Annotated[float, Field(ge=-10_000, le=10_000)] = 0.0
    phase: Fraction01 | None = None
    clock_ppm: NotNegative = 50.0
    """What the rig will be told about the clock's tolerance."""
    omit: tuple[str, ...] = ()
    """Channels that exist but are not recorded; the rig leaves out what needs them."""


class IndexSensor(_Table):
    """`[index]`: pulses of `width_deg` of rotation, `edge` of which marks the shaft's zero and is what the firmware
    acts on. With `missing_tooth` there are pulses_per_revolution + 1 even places and the last one is empty."""

    channel: str = "SENSOR"
    edge: Literal["rising", "falling", "centre"] = "rising"
    width_deg: Annotated[float, Field(gt=0, lt=180)] = 4.0
    pulses_per_revolution: Annotated[int, Field(ge=1, le=1024)] = 1
    missing_tooth: bool = False
    noise_us: NotNegative = 0.0
    inverted: bool = False
    min_pulse_us: NotNegative = 20.0

    @model_validator(mode="after")
    def _room(self) -> IndexSensor:
        if self.missing_tooth and self.pulses_per_revolution < 3:
            raise ValueError("missing_tooth needs pulses_per_revolution of at least 3 (pulses that are really there)")
        if self.width_deg >= 300.0 / self.places:
            raise ValueError("width_deg leaves no gap between pulses")
        return self

    @property
    def places(self) -> int:
        """Evenly spaced places on the wheel, an empty one included."""
        return self.pulses_per_revolution + int(self.missing_tooth)


class Order(_Table):
    """Speed ripple fixed to the shaft: v(angle) = mean * (1 + amplitude * sin(order * angle + phase))."""

    order: Annotated[int, Field(ge=1, le=512)]
    amplitude: Annotated[float, Field(ge=0, le=0.3)]
    phase_deg: Finite = 0.0


class Hunting(_Table):
    """Slow swing of the speed loop: mean speed times (1 + amplitude sin(2 pi t / period + phase))."""

    period_s: Positive
    amplitude: Annotated[float, Field(ge=0, le=0.5)]
    phase_deg: Finite = 0.0


class Shaft(_Table):
    """`[shaft]`: mean speed over time, and what rides on it. `profile` (pairs of seconds and rev/s, held at both ends)
    replaces `speed_rev_per_s` and `drift_rev_per_s2`. `random_walk` is the relative change of speed, rms, per sqrt(s).
    """

    speed_rev_per_s: Annotated[float, Field(gt=0, le=2000)] = 30.0
    drift_rev_per_s2: Finite = 0.0
    profile: tuple[tuple[Finite, Annotated[float, Field(gt=0, le=2000)]], ...] = ()
    start_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    orders: tuple[Order, ...] = ()
    hunting: Hunting | None = None
    random_walk: Annotated[float, Field(ge=0, le=1)] = 0.0

    @model_validator(mode="after")
    def _sound(self) -> Shaft:
        times = [at for at, _ in self.profile]
        if any(b <= a for a, b in pairwise(times)):
            raise ValueError("profile times must increase")
        if sum(order.amplitude for order in self.orders) > 0.5:
            raise ValueError("the amplitudes of the orders add up to more than 0.5")
        return self


class MotorLines(_Table):
    """`[motor]`: `hall` lines are 120 electrical degrees apart and high for half of each electrical turn, `drive` lines
    are high for a third, a `tach` line gives pole_pairs pulses a turn. `sensor_error_deg` (one per line) and
    `pole_error_deg` (rms over the edges) are degrees of the shaft. Where a belt slips, the motor runs ahead by
    `slip_deg_per_s`."""

    kind: Literal["hall", "drive", "tach"] = "hall"
    phases: Annotated[tuple[str, ...], Field(min_length=1, max_length=3)] = ("PH_U", "PH_V", "PH_W")
    pole_pairs: Annotated[int, Field(ge=1, le=200)] = 4
    direction: Literal["forward", "reverse"] = "forward"
    offset_deg: Finite = 0.0
    sensor_error_deg: tuple[Finite, ...] = ()
    pole_error_deg: NotNegative = 0.0
    edge_noise_us: NotNegative = 0.0
    slip_deg_per_s: Annotated[float, Field(ge=-360, le=360)] = 0.0

    @model_validator(mode="after")
    def _lines(self) -> MotorLines:
        if self.kind == "tach" and len(self.phases) != 1:
            raise ValueError("a tach has one line")
        if self.sensor_error_deg and len(self.sensor_error_deg) != len(self.phases):
            raise ValueError("sensor_error_deg needs one figure per line")
        return self


class Firmware(_Table):
    """`[firmware]`: what the controller does with the index pulses that it sees.

    At each accepted reference edge the column counter restarts: column c is due `response_us` (with jitter, and at
    times an interrupt that blocks) plus c column periods later. The column period is the revolution time that
    `predictor` expects, over `columns`. A column that is due while the wire is busy waits (`queue`) or, where a later
    column is due by then, is left out (`skip`). After the last column it stops until the next index.
    """

    columns: Annotated[int, Field(ge=1, le=10_000)] = 48
    response_us: NotNegative = 60.0
    response_jitter_us: NotNegative = 0.0
    jitter_shape: Literal["normal", "uniform", "exponential"] = "normal"
    jitter_correlation: Annotated[float, Field(ge=0, lt=1)] = 0.0
    """Lag-one correlation of the response jitter from turn to turn."""
    column_jitter_us: NotNegative = 0.0
    predictor: Literal["previous", "mean", "linear", "fixed"] = "previous"
    mean_of: Annotated[int, Field(ge=1, le=64)] = 4
    fixed_period_us: Positive | None = None
    ignore_shorter_us: NotNegative = 20.0
    """Pulses shorter than this never reach the firmware."""
    holdoff: Annotated[float, Field(ge=0, lt=1)] = 0.0
    """Pulses that come before this share of the expected revolution has passed are ignored."""
    when_busy: Literal["queue", "skip"] = "queue"
    gap_us: NotNegative = 60.0
    """Low time that the firmware leaves between updates."""
    clock_hz: Positive | None = None
    """Updates start and bits change on the ticks of this clock; None leaves them where arithmetic puts them."""
    clock_error_ppm: Annotated[float, Field(ge=-50_000, le=50_000)] = 0.0

    @model_validator(mode="after")
    def _period(self) -> Firmware:
        if self.predictor == "fixed" and self.fixed_period_us is None:
            raise ValueError("the fixed predictor needs fixed_period_us")
        return self


class Display(_Table):
    """`[display]`, handed to the rig. Arms share the LEDs of all chains evenly, each standing 1 / arms of a turn
    ahead of the one before; several slots make the picture repeat as often in a turn."""

    geometry: Literal["arm", "slot"] = "arm"
    direction: Direction = "counter-clockwise"
    arms: Annotated[int, Field(ge=1, le=64)] = 1
    slots: Annotated[int, Field(ge=1, le=64)] = 1
    radii_mm: tuple[Positive, ...] | None = None


class Picture(_Table):
    """`[picture]`: what the columns show. `tide-dial` draws the tide's height and the hours to high water; `noise`
    gives every LED of every column its own random colour; `gray-code` counts the columns; `dark` and `white` are what
    they say."""

    kind: Literal["tide-dial", "noise", "gray-code", "dark", "white"] = "noise"
    high_water_in_h: Annotated[float, Field(ge=0, lt=12.42)] = 4.2
    mean_level_m: Finite = 3.1
    half_range_m: Positive = 2.2
    brightness: Annotated[int, Field(ge=1, le=255)] = 64


class Marker(_Table):
    """`[[markers]]`: a line that goes high now and then: bursts at `rate_per_s` (Poisson) or every `period_s`, each of
    `pulses` pulses `spacing_us` apart and `width_us` wide."""

    name: str
    channel: str
    rate_per_s: Positive | None = None
    period_s: Positive | None = None
    jitter_us: NotNegative = 0.0
    width_us: Positive = 500.0
    pulses: Annotated[int, Field(ge=1, le=1000)] = 1
    spacing_us: Positive = 1000.0

    @model_validator(mode="after")
    def _one_pace(self) -> Marker:
        if (self.rate_per_s is None) == (self.period_s is None):
            raise ValueError("give either rate_per_s or period_s")
        if self.pulses > 1 and self.spacing_us <= self.width_us:
            raise ValueError("spacing_us must exceed width_us")
        return self


class Scenario(_Table):
    """One whole scenario. `limits` go into the rig unchanged."""

    title: str = ""
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 0
    duration_s: Annotated[float, Field(gt=0, le=MAX_DURATION_S)] = 1.0
    recorder: Recorder = Recorder()
    index: IndexSensor | None = IndexSensor()
    shaft: Shaft = Shaft()
    motor: MotorLines | None = None
    leds: tuple[Chain, ...] = (OneWire(),)
    firmware: Firmware = Firmware()
    display: Display = Display()
    picture: Picture = Picture()
    markers: tuple[Marker, ...] = ()
    faults: tuple[Fault, ...] = ()
    fault_trains: tuple[FaultTrain, ...] = ()
    limits: Mapping[str, Mapping[str, Any]] = Field(default_factory=dict)


def _cross_problems(scenario: Scenario) -> list[Problem]:
    """What no single table can see: names taken twice, faults on things that are not there."""
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for key, channel in scenario_channels(scenario).items():
        if channel in seen:
            problems.append(Problem(key, f"channel {channel!r} is already {seen[channel]}"))
        seen.setdefault(channel, key)
    for i, name in enumerate(scenario.recorder.omit):
        if name not in seen:
            problems.append(Problem(f"recorder.omit[{i}]", f"no channel {name!r}; there are {', '.join(seen)}"))
    problems += _display_problems(scenario)
    markers = {marker.name for marker in scenario.markers}
    chains = {chain.name for chain in scenario.leds}
    planted: list[tuple[str, Fault]] = [(f"faults[{i}]", fault) for i, fault in enumerate(scenario.faults)]
    planted += [(f"fault_trains[{i}]", train) for i, train in enumerate(scenario.fault_trains)]
    for key, fault in planted:
        if fault.chain is not None and fault.chain not in chains:
            problems.append(
                Problem(f"{key}.chain", f"no chain {fault.chain!r}; there are {', '.join(chains) or 'none'}")
            )
        if fault.kind.startswith("motor-") and scenario.motor is None:
            problems.append(Problem(f"{key}.kind", f"{fault.kind} needs a [motor] table"))
        struck = next((chain for chain in scenario.leds if fault.chain in (None, chain.name)), None)
        if fault.kind.startswith("data-") and fault.kind != "data-silent" and isinstance(struck, Direct):
            problems.append(Problem(f"{key}.kind", f"{fault.kind} means nothing on direct lines"))
        if fault.phase is not None and (scenario.motor is None or fault.phase not in scenario.motor.phases):
            problems.append(Problem(f"{key}.phase", f"no motor line {fault.phase!r}"))
        if fault.column is not None and fault.column >= scenario.firmware.columns:
            problems.append(Problem(f"{key}.column", f"the display has columns 0 to {scenario.firmware.columns - 1}"))
        if isinstance(fault, FaultTrain) and fault.marker is not None and fault.marker not in markers:
            problems.append(Problem(f"{key}.marker", f"no marker {fault.marker!r}"))
    return problems


def _display_problems(scenario: Scenario) -> list[Problem]:
    shown, columns = scenario.display, scenario.firmware.columns
    leds = max((chain.first_led + chain.count for chain in scenario.leds), default=0)
    problems = []
    if shown.arms > 1 and (shown.geometry != "arm" or columns % shown.arms or leds % shown.arms):
        problems.append(Problem("display.arms", 'arms need geometry = "arm" and must divide columns and LEDs'))
    if shown.slots > 1 and (shown.geometry != "slot" or columns % shown.slots):
        problems.append(Problem("display.slots", 'slots need geometry = "slot" and must divide the columns'))
    return problems


def scenario_channels(scenario: Scenario) -> dict[str, str]:
    """Scenario key -> channel name, for every line that is recorded, in recording order."""
    named: dict[str, str] = {}
    if scenario.index is not None:
        named["index.channel"] = scenario.index.channel
    for i, chain in enumerate(scenario.leds):
        named |= {f"leds[{i}].{key}": line for key, line in _line_keys(chain)}
    if scenario.motor is not None:
        named |= {f"motor.phases[{i}]": name for i, name in enumerate(scenario.motor.phases)}
    return named | {f"markers[{i}].channel": marker.channel for i, marker in enumerate(scenario.markers)}


def _line_keys(chain: AnyChain) -> list[tuple[str, str]]:
    if isinstance(chain, Direct):
        return [(f"lines[{i}]", line) for i, line in enumerate(chain.lines)]
    return list(zip(("data", "clock", "latch", "blank"), chain.lines, strict=False))


def scenario_from_mapping(data: Mapping[str, Any], *, file: str | None = None) -> Scenario:
    """A scenario from parsed TOML. Raises RigError that lists every problem with its key."""
    problems: list[Problem] = []
    scenario: Scenario | None = None
    try:
        scenario = Scenario.model_validate(dict(data))
    except ValidationError as error:
        problems = [Problem(_untagged(problem.key), problem.reason) for problem in validation_problems(error)]
    if scenario is not None:
        problems = _cross_problems(scenario)
        try:
            rig_from_mapping({"limits": scenario.limits, "leds": [_rig_stub(chain) for chain in scenario.leds]})
        except RigError as error:
            problems += list(error.problems)
    if problems or scenario is None:
        raise RigError(problems, file=file)
    return scenario


def _untagged(key: str) -> str:
    """`leds[0].one-wire.count` -> `leds[0].count`: the model's name is no part of the file."""
    return re.sub(rf"^(leds\[\d+\])\.(?:{'|'.join(WIRINGS)})(?=\.|$)", r"\1", key)


def _rig_stub(chain: AnyChain) -> dict[str, Any]:
    return {"name": chain.name, "data": chain.lines[0]}


def read_scenario(path: str | Path) -> Scenario:
    """Read a scenario file (TOML, UTF-8). Raises RigError with every problem and its key."""
    return scenario_from_mapping(read_toml(path, what="scenario file"), file=str(path))
