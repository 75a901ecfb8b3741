"""How well incidents and their origins are found, on captures with planted faults.

    python -m tests.studies.incident_study faults --trials 2000
    python -m tests.studies.incident_study faults --trials 300 --wiring any
    python -m tests.studies.incident_study clean --trials 500
    python -m tests.studies.incident_study suspects --trials 500
    python -m tests.studies.incident_study guilty --trials 200
    python -m tests.studies.incident_study speed

Each prints a table. `faults` plants three random faults, eight revolutions apart, in a random display; a fault counts
as found where an incident without an origin of its own has its kind and lies within a turn of it. `suspects` measures
how often an innocent line is blamed, and how often anything else is where faults come at random (what keeps a period
may well keep an angle too, and with it the data), `guilty` how often the marker that brings the faults on is ranked
first.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from spinlag.incidents.find import find_incidents
from spinlag.incidents.suspects import SIGNIFICANT
from spinlag.pipeline import analyse
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario

TURNS_APART = 1.3
"""An origin may be dated this many turns from the fault: a step of the speed shows only in whole turns."""


@dataclass
class Score:
    """Counts over trials."""

    planted: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    origins: int = 0
    trials: int = 0

    @property
    def found_share(self) -> float:
        """Share of planted faults that were found as origins of the right kind."""
        return 1 - self.missed.total() / max(self.planted.total(), 1)

    @property
    def false_share(self) -> float:
        """Share of origins without a planted fault."""
        return self.false.total() / max(self.origins, 1)


def report_of(simulation):
    """Incidents of a simulated capture."""
    findings = analyse(simulation.capture, simulation.rig)
    return findings.incidents, findings.seen


def score_trial(simulation, report, score):
    """Match origins to planted faults one to one, the nearest first; what is left over is missed or false."""
    turn_s = float(np.median(simulation.truth.periods_s))
    left = list(report.origins)
    score.trials += 1
    score.origins += len(left)
    for fault in simulation.truth.planted:
        score.planted[fault.kind] += 1
        at = fault.time_s * (1 + simulation.truth.clock_error)
        near = [o for o in left if o.kind == fault.kind and abs(o.time_s - at) <= TURNS_APART * turn_s]
        if near:
            left.remove(min(near, key=lambda o: abs(o.time_s - at)))
        else:
            score.missed[fault.kind] += 1
    for origin in left:
        score.false[origin.kind] += 1


def faults_trial(seed, score, *, faults=3, motor=None, markers="none", wiring="one-wire", verbose=False):
    """One random display with planted faults."""
    rng = np.random.default_rng(seed)
    scenario = random_scenario(rng, faults=faults, motor=motor, markers=markers, wiring=wiring)
    simulation = simulate(scenario)
    report, _ = report_of(simulation)
    before = score.missed.total() + score.false.total()
    score_trial(simulation, report, score)
    if verbose and score.missed.total() + score.false.total() > before:
        tell(seed, simulation, report)
    return report


def tell(seed, simulation, report):
    """A trial that went wrong, line by line."""
    out = [f"seed {seed}:"]
    out += [f"  planted {p.kind} at {p.time_s:.5f} s, turn {p.revolution}" for p in simulation.truth.planted]
    out += [
        f"  {i.id} {i.kind} {i.time_s:.5f} s turn {i.revolution} <- {i.cause}: {i.detail}" for i in report.incidents
    ]
    sys.stdout.write("\n".join(out) + "\n")


def innocent_scenario(seed, *, guilty=False):
    """A long display with random late updates and three lines that have nothing to do with them, or all to do."""
    rng = np.random.default_rng(seed)
    speed = float(rng.uniform(20, 40))
    columns = 12
    markers = [
        {"name": "radio", "channel": "RADIO", "rate_per_s": float(rng.uniform(3, 15)), "width_us": 300.0},
        {"name": "timer", "channel": "TIMER", "period_s": float(rng.uniform(0.03, 0.5)), "width_us": 200.0},
        {"name": "button", "channel": "BUTTON", "rate_per_s": float(rng.uniform(0.5, 3)), "width_us": 30_000.0},
    ]
    pace = {"marker": "radio", "probability": 0.8, "lag_us": 20.0, "within_us": 2e6 / speed / columns}
    if not guilty:
        pace = ({"rate_per_s": float(rng.uniform(1, 8))}, {"period_s": float(rng.uniform(0.15, 1))})[seed % 2]
    return scenario_from_mapping(
        {
            "seed": seed,
            "duration_s": float(rng.uniform(4, 8)),
            "recorder": {"sample_rate_hz": 16e6},
            "index": {"noise_us": 0.5},
            "shaft": {"speed_rev_per_s": speed, "random_walk": 0.0005},
            "leds": [{"count": 1}],
            "firmware": {"columns": columns, "response_jitter_us": 1.0},
            "markers": markers,
            "fault_trains": [{"kind": "update-late", "delay_us": 0.3e6 / speed / columns, **pace}],
        }
    )


def suspects_trial(seed, *, guilty=False):
    """(origins, lines blamed at p < 0.01, what else was, the suspect ranked first) for one capture."""
    scenario = innocent_scenario(seed, guilty=guilty)
    report, _ = report_of(simulate(scenario))
    blamed = [suspect for suspect in report.suspects if suspect.p < SIGNIFICANT]
    in_time = scenario.fault_trains[0].period_s is not None
    other = set() if in_time else {suspect.what for suspect in blamed if suspect.channel is None}
    first = report.suspects[0].channel if report.suspects else None
    return len(report.origins), {suspect.channel for suspect in blamed if suspect.channel is not None}, other, first


def _print_score(score):
    lines = [f"{score.trials} captures, {score.planted.total()} faults planted, {score.origins} origins found"]
    lines.append(
        f"found as origin of the right kind: {score.found_share:.2%}; origins unplanted: {score.false_share:.2%}"
    )
    lines.append(f"{'kind':16s} {'planted':>8s} {'missed':>8s} {'false':>8s}")
    for kind in sorted(score.planted | score.false):
        lines.append(f"{kind:16s} {score.planted[kind]:8d} {score.missed[kind]:8d} {score.false[kind]:8d}")
    sys.stdout.write("\n".join(lines) + "\n")


def _speed():
    """Time of incidents and picture against decoding, on a display of an ordinary size."""
    from spinlag.leds import decode_chains

    scenario = scenario_from_mapping(
        {
            "duration_s": 20.0,
            "index": {},
            "shaft": {"speed_rev_per_s": 35.0},
            "leds": [{"count": 16}],
            "firmware": {"columns": 48},
            "fault_trains": [{"kind": "update-late", "delay_us": 200.0, "rate_per_s": 2.0}],
        }
    )
    simulation = simulate(scenario)
    findings = analyse(simulation.capture, simulation.rig)
    decode, rest = [], []
    for _ in range(3):
        t0 = time.perf_counter()
        decode_chains(simulation.capture, simulation.rig)
        t1 = time.perf_counter()
        report, _ = report_of_findings(findings)
        decode.append(t1 - t0)
        rest.append(time.perf_counter() - t1)
    sys.stdout.write(
        f"decoding {min(decode):.3f} s, incidents and picture {min(rest):.3f} s, ratio {min(rest) / min(decode):.2f} "
        f"({len(report.incidents)} incidents)\n"
    )


def report_of_findings(findings):
    """Incidents of findings that are there already."""
    return find_incidents(
        findings.capture,
        findings.rig,
        findings.rotation,
        findings.chains,
        findings.placements,
        findings.observations,
    )


def main(arguments=None):
    """Run one part of the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=["faults", "clean", "suspects", "guilty", "speed"])
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first trial")
    parser.add_argument("--kinds", default="", help="kinds to plant, separated by commas (default: all)")
    parser.add_argument("--wiring", choices=["one-wire", "clocked", "latched", "direct", "any"], default="one-wire")
    parser.add_argument("--motor", choices=["yes", "no", "either"], default="either")
    parser.add_argument("--verbose", action="store_true", help="tell every trial that went wrong")
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.trials)
    motor = {"yes": True, "no": False, "either": None}[given.motor]
    if given.part == "speed":
        _speed()
    elif given.part in ("faults", "clean"):
        score = Score()
        for seed in seeds:
            kinds = given.kinds.split(",") if given.kinds else []
            pick = np.random.default_rng([seed, 7])
            planted = 0 if given.part == "clean" else [str(k) for k in pick.choice(kinds, 3)] if kinds else 3
            faults_trial(seed, score, faults=planted, motor=motor, wiring=given.wiring, verbose=given.verbose)
        _print_score(score)
    else:
        guilty = given.part == "guilty"
        results = [suspects_trial(seed, guilty=guilty) for seed in seeds]
        innocent = sum(bool(blamed - ({"RADIO"} if guilty else set())) for _, blamed, _, _ in results)
        first = sum(top == "RADIO" and "RADIO" in blamed for _, blamed, _, top in results)
        origins = np.median([n for n, *_ in results])
        sys.stdout.write(
            f"{len(results)} captures, median {origins:g} origins; an innocent line was blamed in {innocent}"
        )
        if not guilty:
            sys.stdout.write(f"; an angle, a period, the speed or the data in {sum(bool(o) for *_, o, _ in results)}")
            sys.stdout.write(f" of the {len(results) // 2} in which faults came at random")
        sys.stdout.write(f"; the guilty one was ranked first and blamed in {first}\n" if guilty else "\n")


if __name__ == "__main__":
    main()
