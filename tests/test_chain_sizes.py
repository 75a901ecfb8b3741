"""Decoded bytes against the truth for chains of 1 to 1000 LEDs of every wiring.

`python -m tests.studies.decode_study` does the same on hundreds of chains a kind.
"""

from __future__ import annotations

import numpy as np
import pytest

from chain_sizes import KINDS, MOST_DIRECT, RATES_HZ, differs, random_chain


@pytest.mark.parametrize("kind", KINDS)
def test_bytes_are_those_sent(kind):
    rng = np.random.default_rng([3, KINDS.index(kind)])
    sizes = [1, 2, *np.exp(rng.uniform(0.0, np.log(1000.0), 5)).astype(int).tolist(), 1000]
    for number, leds in enumerate(sizes):
        leds = min(leds, MOST_DIRECT) if kind == "direct" else leds
        bench = random_chain(rng, kind, leds, RATES_HZ[number % len(RATES_HZ)])
        assert differs(bench) == [], (leds, bench.simulation.scenario.leds[0])


def test_a_single_wrong_bit_is_seen():
    bench = random_chain(np.random.default_rng(1), "APA102", 30, 24e6)
    bench.simulation.truth.chains[0].data[500] ^= 1
    assert differs(bench) == ["arm (clocked): 1 of 13 updates differ"]
