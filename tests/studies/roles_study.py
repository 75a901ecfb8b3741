"""How often lines are recognised for what they are, on random displays of every wiring with strangers beside.

    python -m tests.studies.roles_study --trials 300

Each trial draws one display of one to three chains, the first of the wiring named, recorded at 16 to 100 MHz; markers,
perhaps motor lines, and some of an encoder, a serial line, a sensor's bus, an open-drain bus, a strobe and an idle
line. Roles are right where every line has its own; bytes where the guessed rig decodes every chain to the bits sent.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from tests.wiring_benches import STRANGERS, WIRINGS, random_bench, wrong_bytes

from spinlag.roles import guess_rig, guess_roles

LED_ROLES = ("leds-data", "leds-clock", "leds-latch", "leds-blank", "leds-direct")


@dataclass
class Score:
    """Counts over the trials of one wiring."""

    trials: int = 0
    roles: int = 0
    leds: int = 0
    """Trials in which every LED line has its role, and no stranger has one of theirs."""
    bytes: int = 0
    confused: Counter[str] = field(default_factory=Counter)


def run(wiring: str, trials: int, seed: int) -> Score:
    """Random trials of one wiring."""
    score = Score()
    for trial in range(trials):
        rng = np.random.default_rng([seed, trial, WIRINGS.index(wiring)])
        strangers = tuple(kind for kind in STRANGERS if rng.random() < 0.3)
        bench = random_bench(rng, wiring, chains=int(rng.choice([1, 1, 2, 3])), strangers=strangers)
        wanted = bench.wanted()
        wrong = [guess for guess in guess_roles(bench.capture) if guess.role not in wanted[guess.channel]]
        score.trials += 1
        score.roles += not wrong
        score.leds += not any(guess.role in LED_ROLES or wanted[guess.channel] & {*LED_ROLES} for guess in wrong)
        score.bytes += not wrong_bytes(bench, guess_rig(bench.capture))
        score.confused.update(f"{'/'.join(sorted(wanted[g.channel]))} taken for {g.role}" for g in wrong)
    return score


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wiring", choices=WIRINGS, action="append")
    options = parser.parse_args()
    for wiring in options.wiring or WIRINGS:
        score = run(wiring, options.trials, options.seed)
        print(
            f"{wiring:9} {score.trials} trials: every line right in {score.roles / score.trials:.1%}, "
            f"every LED line in {score.leds / score.trials:.1%}, bytes in {score.bytes / score.trials:.1%}"
        )
        for what, count in score.confused.most_common():
            print(f"    {count:4}  {what}")


if __name__ == "__main__":
    main()
