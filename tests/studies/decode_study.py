"""How often the bytes of random chains of 1 to 1000 LEDs are decoded as sent, for every wiring and family.

    python -m tests.studies.decode_study --trials 100

Each trial draws a chain (sizes even on a logarithmic scale), a recorder of 12 to 100 MHz, a clock of at least eight
samples and noise on every edge. Right is a chain of whose whole updates every bit is the one sent.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))


def main() -> None:
    """Run the study and print its table."""
    from chain_sizes import KINDS, MOST_DIRECT, RATES_HZ, differs, random_chain

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for number, kind in enumerate(KINDS):
        rng = np.random.default_rng([options.seed, number])
        right = updates = 0
        for _ in range(options.trials):
            most = MOST_DIRECT if kind == "direct" else 1000
            leds = int(np.exp(rng.uniform(0.0, np.log(most + 1.0))))
            bench = random_chain(rng, kind, leds, float(rng.choice(RATES_HZ)))
            said = differs(bench)
            updates += len(bench.simulation.truth.chains[0])
            right += not said
            if said:
                print(f"    {leds} LEDs: {said}")
        print(f"{kind:10} {right} of {options.trials} chains right, {updates} updates")


if __name__ == "__main__":
    main()
