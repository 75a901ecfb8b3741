"""Scenario to capture with known truth, for the demo, the tests and teaching."""

from __future__ import annotations

from spinlag.synth.files import synthesise
from spinlag.synth.scenario import Scenario, read_scenario, scenario_from_mapping
from spinlag.synth.simulate import Simulation, simulate

__all__ = ["Scenario", "Simulation", "read_scenario", "scenario_from_mapping", "simulate", "synthesise"]
