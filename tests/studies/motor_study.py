"""How well the motor lines tell who is lying, where the shaft stands, and what shakes it.

    python -m tests.studies.motor_study faults --trials 1000
    python -m tests.studies.motor_study angle --trials 200
    python -m tests.studies.motor_study orders --trials 200

`faults` plants one fault of the index sensor, the shaft or a motor line in random motion, seen by a random motor: one
to three Hall or drive lines or a tachometer, 1 to 8 pole pairs, either direction, sensors and poles off their places. A
case is right where exactly the planted kind is told, within two turns, and the turns are counted exactly. `angle` holds
the shaft's angle against the truth, as a multiple of what sampling and edge noise of single edges come to. `orders`
counts how often the stated 95 % intervals hold the true ripple and the true hunting.
"""

from __future__ import annotations

import argparse
from collections import Counter
from typing import Any

import numpy as np
from tests.studies.rotation_study import SENSOR_KINDS, Score, random_scenario

from spinlag.rotation.quality import measure_quality
from spinlag.rotation.refine import read_shaft
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.simulate import run as run_trial

SHAFT_KINDS = ("speed-step",)
MOTOR_KINDS = ("motor-sequence", "motor-dropout")
NEAR = {"speed-step": 2, "motor-sequence": 2, "motor-dropout": 2}


def random_motor(rng: np.random.Generator) -> dict[str, Any]:
    """Motor lines of any kind, off their places by what real sensors and magnets are."""
    kind = str(rng.choice(["hall", "hall", "drive", "tach"]))
    lines = 1 if kind == "tach" else int(rng.choice([1, 2, 3, 3, 3]))
    poles = int(rng.integers(1, 9))
    return {
        "kind": kind,
        "phases": ["PH_U", "PH_V", "PH_W"][:lines],
        "pole_pairs": poles,
        "direction": str(rng.choice(["forward", "reverse"])),
        "offset_deg": float(rng.uniform(0, 360)),
        "sensor_error_deg": [float(error) for error in rng.uniform(-6, 6, lines) / poles],
        "pole_error_deg": float(rng.uniform(0, 0.5) / poles),
        "edge_noise_us": float(rng.choice([0, 1, 5])),
    }


def motor_fault(rng: np.random.Generator, kind: str, tables: dict[str, Any], turns: int) -> dict[str, Any]:
    """A fault of one motor line: a short pulse, a lost pulse, or a line dead for more than two electrical cycles."""
    motor, speed = tables["motor"], tables["shaft"]["speed_rev_per_s"]
    planted: dict[str, Any] = {
        "kind": kind,
        "revolution": int(rng.integers(8, turns - 9)),
        "phase": str(rng.choice(motor["phases"])),
        "at_deg": float(rng.uniform(0, 359)),
    }
    if kind == "motor-dropout":
        least = max(0.5, 2.6 / motor["pole_pairs"])
        planted["duration_ms"] = float(rng.uniform(least, 2 * least)) / speed * 1e3
    else:
        planted["how"] = str(rng.choice(["extra", "lost"]))
    return planted


def run_faults(trials: int, seed: int, kinds: tuple[str | None, ...]) -> Score:
    """Random trials, the kinds in turn."""
    rng = np.random.default_rng(seed)
    score = Score()
    for i in range(trials):
        kind = kinds[i % len(kinds)]
        tables = random_scenario(rng, None if kind in MOTOR_KINDS else kind)
        tables["motor"] = random_motor(rng)
        if kind in MOTOR_KINDS:
            turns = int(tables["duration_s"] * tables["shaft"]["speed_rev_per_s"])
            tables["faults"] = [motor_fault(rng, kind, tables, turns)]
        simulation = simulate(scenario_from_mapping(tables))
        rotation, motor = read_shaft(simulation.capture, simulation.rig)
        assert rotation is not None
        assert motor is not None
        seen = [*rotation.observations, *motor.observations]
        exact = len(rotation.turns) == len(simulation.truth.zero_s) - 1
        at = tables["faults"][0]["revolution"] if kind else 0
        near = all(o.revolution is not None and abs(o.revolution - at) <= NEAR.get(o.kind, 0) for o in seen)
        right = [o.kind for o in seen] == ([kind] if kind else []) and exact and (near or not kind)
        score.right += right
        score.trials += 1
        score.confused[(kind or "clean", tuple(sorted(o.kind for o in seen)), exact)] += 1
    return score


def steady_scenario(rng: np.random.Generator, *, pole_error_deg: float = 0.0) -> dict[str, Any]:
    """Three Hall sensors off their places on a shaft with imbalance, commutation ripple, hunting, drift and wander."""
    speed, turns, poles = float(rng.uniform(15, 45)), int(rng.integers(60, 200)), int(rng.integers(2, 8))
    return {
        "seed": int(rng.integers(1 << 40)),
        "duration_s": turns / speed,
        "leds": [],
        "recorder": {"sample_rate_hz": float(rng.choice([1e6, 8e6, 24e6]))},
        "index": {"noise_us": float(rng.choice([0, 0.5, 1.5]))},
        "shaft": {
            "speed_rev_per_s": speed,
            "drift_rev_per_s2": float(rng.uniform(-0.002, 0.002)) * speed,
            "hunting": {"period_s": float(rng.uniform(0.3, 1.2)), "amplitude": float(10 ** rng.uniform(-3.3, -2))},
            "random_walk": float(rng.uniform(0, 0.0006)),
            "orders": [
                {"order": 1, "amplitude": float(rng.uniform(0, 0.02)), "phase_deg": float(rng.uniform(0, 360))},
                {"order": 6 * poles, "amplitude": float(rng.uniform(0, 0.0005)), "phase_deg": 0.0},
            ],
        },
        "motor": {
            "pole_pairs": poles,
            "offset_deg": float(rng.uniform(0, 360)),
            "sensor_error_deg": [float(error) for error in rng.uniform(-1.5, 1.5, 3)],
            "edge_noise_us": float(rng.uniform(0.3, 3)),
            "direction": str(rng.choice(["forward", "reverse"])),
            "pole_error_deg": pole_error_deg,
        },
    }


def angle_errors(trials: int, seed: int) -> np.ndarray:
    """Rms angle error of each trial over what sampling and edge noise of a single edge come to, shape (trials,).

    Truth is taken half a sample before the tick, where a sampled edge stands on average, and by what the scenario's
    recorder shifts the world against its samples.
    """
    rng = np.random.default_rng(seed)
    ratios = []
    for _ in range(trials):
        tables = steady_scenario(rng)
        trial = run_trial(scenario_from_mapping(tables))
        capture, motion = trial.capture(), trial.world.motion
        rotation, motor = read_shaft(capture, trial.rig)
        assert rotation is not None
        assert motor is not None
        ticks = np.sort(rng.integers(rotation.turn_ticks[1], rotation.turn_ticks[-2], 2000))
        late_s = trial.world.phase_s + 0.5 * capture.sample_period_s
        true = motion.angle_at(ticks * float(capture.tick) - late_s)
        error = motor.turns_at(ticks) - true
        error -= np.round(np.median(error))
        noise = np.hypot(tables["motor"]["edge_noise_us"] * 1e-6, capture.sample_period_s / np.sqrt(12))
        ratios.append(float(np.sqrt(np.mean(error**2)) / (noise * tables["shaft"]["speed_rev_per_s"])))
    return np.array(ratios)


def order_coverage(trials: int, seed: int) -> Counter[str]:
    """How often intervals hold the truth: order 1 and hunting, poles of the magnet even or not."""
    rng = np.random.default_rng(seed)
    count: Counter[str] = Counter()
    for i in range(trials):
        pole_error = (0.0, 0.05, 0.15)[i % 3]
        tables = steady_scenario(rng, pole_error_deg=pole_error)
        simulation = simulate(scenario_from_mapping(tables))
        rotation, motor = read_shaft(simulation.capture, simulation.rig)
        quality = measure_quality(simulation.capture, simulation.rig, rotation, motor)
        assert quality is not None
        row = quality.orders.iloc[0]
        told = bool(np.isfinite(row["ripple"]))
        held = told and row["low"] <= tables["shaft"]["orders"][0]["amplitude"] <= row["high"]
        count[f"order 1 {'held' if held else 'not held' if told else 'not told'}"] += 1
        if quality.hunting is not None:
            truth = tables["shaft"]["hunting"]
            held = quality.hunting.low <= truth["amplitude"] <= quality.hunting.high
            count[f"hunting {'held' if held else 'not held'}"] += 1
            near = abs(quality.hunting.period_s / truth["period_s"] - 1) < 0.05
            count[f"hunting period {'within' if near else 'beyond'} 5 %"] += 1
        else:
            count["hunting not told"] += 1
    return count


def main() -> None:
    """Run a study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("study", choices=["faults", "angle", "orders"])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.study == "faults":
        score = run_faults(options.trials, options.seed, (*SENSOR_KINDS, *SHAFT_KINDS * 4, *MOTOR_KINDS, None))
        for (kind, seen, exact), count in sorted(score.confused.items()):
            print(f"{kind:14} {count:6}  told as {', '.join(seen) or 'nothing'}{'' if exact else '; turns miscounted'}")
        print(f"right in {score.right} of {score.trials}: {score.share:.2%}")
    elif options.study == "angle":
        ratios = angle_errors(options.trials, options.seed)
        print(f"rms error over that of one edge: median {np.median(ratios):.3f}, 95 % {np.quantile(ratios, 0.95):.3f}")
        print(f"within 1.5: {np.mean(ratios <= 1.5):.1%} of {len(ratios)}")
    else:
        for name, count in sorted(order_coverage(options.trials, options.seed).items()):
            print(f"{name:30} {count:6}")


if __name__ == "__main__":
    main()
