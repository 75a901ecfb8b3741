"""A scenario to a capture with known truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from spinlag.capture import Capture, Channel, SamplePeriod
from spinlag.errors import Problem, RigError
from spinlag.rig import Rig, rig_from_mapping
from spinlag.synth.account import tell
from spinlag.synth.chains import AnyChain, Direct, OneWire
from spinlag.synth.record import Line, record
from spinlag.synth.scenario import Scenario
from spinlag.synth.truth import Truth
from spinlag.synth.world import World, make_world


@dataclass(frozen=True, eq=False)
class Simulation:
    """A capture, the rig that fits it, and what really happened."""

    scenario: Scenario
    capture: Capture
    truth: Truth

    @property
    def rig(self) -> Rig:
        """The rig that fits. Raises RigError for a bench that no rig can describe."""
        return rig_for(self.scenario)


@dataclass(frozen=True, eq=False)
class Trial:
    """A scenario that has been run, and can be looked at piece by piece, however long it is."""

    world: World

    @property
    def rig(self) -> Rig:
        """The rig that fits."""
        return rig_for(self.world.scenario)

    def truth(self) -> Truth:
        """What really happened."""
        return tell(self.world)

    def lines(self) -> tuple[Line, ...]:
        """Every recorded line; LED lines come in blocks, so that a long capture never stands in memory whole."""
        return record(self.world)

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
            tick=self.world.lattice.tick,
            start=0,
            end=self.world.lattice.end,
            channels=tuple(channels),
            sample_period=SamplePeriod(self.world.lattice.period_ticks, "given"),
        )


def run(scenario: Scenario) -> Trial:
    """Run a scenario up to the recorder's clips. The same scenario gives the same trial, bit for bit.

    Raises RigError where the scenario contradicts itself in a way that only running it shows: a fault that never takes
    hold, a shaft that stops, a tick too coarse for the sample rate.
    """
    try:
        return Trial(make_world(scenario))
    except ValueError as error:
        if isinstance(error, RigError):
            raise
        raise RigError([Problem("scenario", str(error))]) from None


def simulate(scenario: Scenario) -> Simulation:
    """Run a scenario and record it in memory. Raises RigError as `run` does."""
    trial = run(scenario)
    return Simulation(scenario, trial.capture(), trial.truth())


def rig_for(scenario: Scenario) -> Rig:
    """The rig that a careful person would write for this bench."""
    return rig_from_mapping(rig_tables(scenario))


def rig_tables(scenario: Scenario) -> dict[str, Any]:
    """That rig as the tables of its TOML file, without what needs a line that was not recorded."""
    gone = set(scenario.recorder.omit)
    data: dict[str, Any] = {"capture": {"clock_ppm": scenario.recorder.clock_ppm}}
    if scenario.index is not None and scenario.index.channel not in gone:
        keys = ("channel", "edge", "pulses_per_revolution", "missing_tooth", "min_pulse_us")
        data["index"] = {key: getattr(scenario.index, key) for key in keys}
    if scenario.motor is not None and not gone & set(scenario.motor.phases):
        data["motor"] = {"phases": scenario.motor.phases, "pole_pairs": scenario.motor.pole_pairs}
    data["leds"] = [_rig_chain(chain) for chain in scenario.leds if not gone & set(chain.lines)]
    shown = scenario.display.model_dump(exclude_none=True, exclude_defaults=True, exclude={"geometry", "direction"})
    kept = {"geometry": scenario.display.geometry, "direction": scenario.display.direction}
    data["display"] = {"columns": scenario.firmware.columns, **kept, **shown}
    data["markers"] = {marker.name: marker.channel for marker in scenario.markers if marker.channel not in gone}
    data["limits"] = dict(scenario.limits)
    return data


def _rig_chain(chain: AnyChain) -> dict[str, Any]:
    keys = ("name", "part", "wiring", "data", "clock", "latch", "blank", "count", "order", "inverted")
    found = {key: getattr(chain, key) for key in keys if getattr(chain, key, None) is not None}
    if isinstance(chain, Direct):
        found["lines"] = chain.lines
    if chain.part is None and isinstance(chain, OneWire):
        found["latch_us"] = chain.latch_us
    return found
