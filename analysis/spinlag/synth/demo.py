"""The tide dial's captures, made afresh from the scenarios that come with the package."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from spinlag.synth.files import write_trial
from spinlag.synth.scenario import Scenario, read_scenario
from spinlag.synth.simulate import run
from spinlag.synth.write import new_file

FIRMWARES = ("1.3", "1.4")


@dataclass(frozen=True)
class DemoCaptures:
    """Files of the demo: one capture per firmware version, oldest first, and the rig that fits both."""

    captures: tuple[Path, ...]
    rig: Path


def scenario_path(name: str) -> Path:
    """Path of a scenario that comes with the package, such as `tide-dial-1.4`."""
    return Path(str(files("spinlag.synth") / "scenarios" / f"{name}.toml"))


def demo_scenario(name: str) -> Scenario:
    """A scenario that comes with the package."""
    return read_scenario(scenario_path(name))


def write_demo_captures(directory: str | Path, *, suffix: str = ".vcd.gz", force: bool = True) -> DemoCaptures:
    """Simulate both firmware versions and write captures, truth and rig into `directory`.

    They are the demo's own files, so that a second demo replaces those of the first. Raises OutputError.
    """
    folder = Path(directory)
    captures = []
    for firmware in FIRMWARES:
        path = folder / f"tide-dial-{firmware}{suffix}"
        write_trial(run(demo_scenario(f"tide-dial-{firmware}")), path, force=force, rig=False)
        captures.append(path)
    rig = folder / "tide-dial.toml"
    with new_file(rig, force=force) as file:
        file.write(scenario_path("tide-dial.rig").read_bytes())
    return DemoCaptures(tuple(captures), rig)
