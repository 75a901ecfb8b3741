"""How well turns are counted and faults of the sensor told from those of the shaft, on captures with planted faults.

    python -m tests.studies.rotation_study faults --trials 1000
    python -m tests.studies.rotation_study clean --trials 2000

`faults` plants one fault of the index sensor (missed, doubled, runt, shifted) or of the shaft (step, jerk) in random
motion: drift, hunting of the speed loop, imbalance, random walk, sensor noise, any edge and polarity. A case is right
where exactly the planted kind is told, at its revolution, and the turns are counted exactly. `clean` runs random motion
without faults, run-up and run-down among them, and counts every flag.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from spinlag.rotation import Rotation, find_revolutions
from spinlag.synth import Simulation, scenario_from_mapping, simulate

SENSOR_KINDS = ("index-missed", "index-doubled", "index-runt", "index-shifted")
SHAFT_KINDS = ("speed-step",)
NEAR = {"speed-step": 2}
"""By how many turns a kind may be misdated: a step of the speed shows only in whole turns."""


@dataclass
class Score:
    """Counts over trials."""

    right: int = 0
    trials: int = 0
    confused: Counter[tuple[str, tuple[str, ...], bool]] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        """Share of the trials that came out right."""
        return self.right / self.trials


def random_shaft(rng: np.random.Generator, speed: float, turns: int) -> dict[str, Any]:
    """Motion within what a display bench shows: each of drift, hunting, orders and random walk in about half."""
    shaft: dict[str, Any] = {"speed_rev_per_s": speed}
    if rng.random() < 0.5:
        shaft["drift_rev_per_s2"] = float(rng.uniform(-0.02, 0.02) * speed**2 / turns)
    if rng.random() < 0.5:
        period = float(rng.uniform(8, 60)) / speed
        size, phase = float(10 ** rng.uniform(-4, -2)), float(rng.uniform(0, 360))
        shaft["hunting"] = {"period_s": period, "amplitude": size, "phase_deg": phase}
    if rng.random() < 0.6:
        shaft["orders"] = [
            {"order": int(order), "amplitude": float(rng.uniform(0, 0.02)), "phase_deg": float(rng.uniform(0, 360))}
            for order in rng.choice([1, 2, 3, 24], 2, replace=False)
        ]
    if rng.random() < 0.4:
        shaft["random_walk"] = float(10 ** rng.uniform(-4, -2.5))
    return shaft


def random_scenario(rng: np.random.Generator, kind: str | None) -> dict[str, Any]:
    """Tables of a scenario of 40 to 160 turns with one fault of that kind, or none."""
    speed, turns = float(rng.uniform(8, 60)), int(rng.integers(40, 160))
    tables: dict[str, Any] = {
        "seed": int(rng.integers(1 << 40)),
        "duration_s": turns / speed,
        "leds": [],
        "recorder": {
            "sample_rate_hz": float(rng.choice([1e6, 4e6, 8e6, 24e6])),
            "clock_error_ppm": float(rng.uniform(-50, 50)),
        },
        "index": {
            "edge": str(rng.choice(["rising", "falling", "centre"])),
            "noise_us": float(rng.choice([0, 0.5, 2, 10])),
            "width_deg": float(rng.uniform(1, 20)),
            "inverted": bool(rng.random() < 0.3),
        },
        "shaft": random_shaft(rng, speed, turns),
    }
    if kind is not None:
        tables["faults"] = [fault(rng, kind, int(rng.integers(8, turns - 9)), 1e6 / speed)]
    return tables


def fault(rng: np.random.Generator, kind: str, revolution: int, period_us: float) -> dict[str, Any]:
    """One fault, large enough to be seen on a picture."""
    planted: dict[str, Any] = {"kind": kind, "revolution": revolution}
    sign = float(rng.choice([-1, 1]))
    if kind == "index-doubled":
        planted["after_us"] = float(rng.uniform(0.1, 0.8)) * period_us
    elif kind == "index-runt":
        planted |= {"after_us": float(rng.uniform(0.1, 0.8)) * period_us, "width_us": float(rng.uniform(2, 18))}
    elif kind == "index-shifted":
        planted["shift_us"] = sign * float(rng.uniform(0.005, 0.15)) * period_us
    elif kind == "speed-step":
        planted["percent"] = sign * float(rng.uniform(2, 15))
    return planted


def judge(score: Score, kind: str | None, simulation: Simulation, rotation: Rotation) -> bool:
    """Count one trial; True where it came out right."""
    seen = rotation.observations
    exact = len(rotation.turns) == len(simulation.truth.zero_s) - 1
    want = {kind} if kind else set()
    at = simulation.scenario.faults[0].revolution if kind else None
    near = all(
        o.revolution is not None and abs(o.revolution - at) <= NEAR.get(o.kind, 0) for o in seen if at is not None
    )
    right = {o.kind for o in seen} == want and exact and near and len(seen) <= 1
    score.right += right
    score.trials += 1
    score.confused[(kind or "clean", tuple(sorted(o.kind for o in seen)), exact)] += 1
    return right


def run(trials: int, seed: int, kinds: tuple[str | None, ...]) -> Score:
    """Random trials, the kinds in turn."""
    rng = np.random.default_rng(seed)
    score = Score()
    for i in range(trials):
        kind = kinds[i % len(kinds)]
        simulation = simulate(scenario_from_mapping(random_scenario(rng, kind)))
        rotation = find_revolutions(simulation.capture, simulation.rig)
        assert rotation is not None
        judge(score, kind, simulation, rotation)
    return score


def random_profile(rng: np.random.Generator) -> dict[str, Any]:
    """A scenario that gets up to speed, runs, and perhaps comes to rest."""
    tables = random_scenario(rng, None)
    speed, duration = tables["shaft"].pop("speed_rev_per_s"), float(rng.uniform(4, 8))
    tables["shaft"].pop("drift_rev_per_s2", None)
    up, slow = float(rng.uniform(0.3, 1.5)), float(rng.uniform(0.05, 0.5))
    profile = [(0.0, slow * speed), (up, speed)]
    if rng.random() < 0.5:
        profile += [(duration - 1.2, speed), (duration, slow * speed)]
    tables["shaft"]["profile"] = profile
    tables["duration_s"] = duration
    return tables


def run_clean(trials: int, seed: int) -> Score:
    """Random trials without a fault; one in four gets up to speed within the capture."""
    rng = np.random.default_rng(seed)
    score = Score()
    for i in range(trials):
        tables = random_profile(rng) if i % 4 == 3 else random_scenario(rng, None)
        simulation = simulate(scenario_from_mapping(tables))
        rotation = find_revolutions(simulation.capture, simulation.rig)
        assert rotation is not None
        judge(score, None, simulation, rotation)
    return score


def main() -> None:
    """Run a study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("study", choices=["faults", "clean"])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.study == "faults":
        score = run(options.trials, options.seed, (*SENSOR_KINDS, *(SHAFT_KINDS * 4)))
    else:
        score = run_clean(options.trials, options.seed)
    for (kind, seen, exact), count in sorted(score.confused.items()):
        print(f"{kind:14} {count:6}  told as {', '.join(seen) or 'nothing'}{'' if exact else '; turns miscounted'}")
    print(f"right in {score.right} of {score.trials}: {score.share:.2%}")


if __name__ == "__main__":
    main()
