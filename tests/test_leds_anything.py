"""Whatever is on the lines, every wiring gives a consistent table of updates, and never fails."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from build import capture, channel
from spinlag.judge import judge_all
from spinlag.leds import decode_chains
from spinlag.rig import LedsTable, Rig

NAMES = ("A", "B", "C", "D")
TABLES = {
    "one-wire": [
        {},
        {"part": "WS2812B"},
        {"part": "SK6812RGBW", "count": 9},
        {"part": "WS2815 2017"},
        {"tap": "after-led"},
    ],
    "clocked": [
        {},
        *({"part": part, "count": 5} for part in ("APA102", "SK9822", "P9813", "WS2801", "LPD6803", "TLC5971")),
    ],
    "latched": [{}, {"part": "TLC5940", "count": 5, "blank": "D"}, {"part": "74HC595", "count": 16}],
    "direct": [{}],
}
LINES = {
    "one-wire": {"data": "A"},
    "clocked": {"data": "A", "clock": "B"},
    "latched": {"data": "A", "clock": "B", "latch": "C"},
    "direct": {"lines": list(NAMES)},
}


def anything(rng: np.random.Generator) -> np.ndarray:
    """Edges of no meaning: even, random, bursty, or in glitches, few or many."""
    n = int(rng.choice([0, 1, 2, 3, 5, 10, 50, 500, 3000]))
    scale = 10 ** rng.uniform(0, 7)
    steps = (
        rng.exponential(scale, n),
        np.full(n, scale),
        rng.choice([scale, 2 * scale, 30 * scale], n),
        rng.lognormal(np.log(scale), 2, n),
        rng.choice([1, 2, scale], n),
    )[int(rng.integers(5))]
    return np.cumsum(np.maximum(steps.astype(np.int64), 1)) + int(rng.integers(0, 1000))


@pytest.mark.parametrize("wiring", sorted(TABLES))
@pytest.mark.parametrize("seed", range(40))
def test_any_lines_give_a_consistent_table(wiring: str, seed: int) -> None:
    rng = np.random.default_rng([seed, sorted(TABLES).index(wiring)])
    lines = [channel(name, anything(rng), initial=int(rng.integers(2))) for name in NAMES]
    last = max((int(line.edges[-1]) for line in lines if len(line.edges)), default=0)
    made = capture(lines, end=last + int(rng.integers(1, 10**6)), sample_ticks=Fraction(int(rng.integers(1, 200)), 3))
    for table in TABLES[wiring]:
        chain = LedsTable(name="arm", wiring=wiring, **LINES[wiring], **table)
        rig = Rig(leds=(chain,))
        (updates,) = decode_chains(made, rig)
        n = len(updates)
        assert len(updates.offsets) == n + 1
        assert updates.offsets[-1] == len(updates.data)
        assert (np.diff(updates.start) > 0).all()
        assert (updates.last >= updates.start).all()
        assert (updates.bits >= 0).all()
        assert [len(column) for column in (updates.last, updates.bits, updates.whole, updates.light_s)] == [n] * 4
        assert np.isfinite(updates.light_s).all()
        assert np.isfinite(updates.light_early_s).all()
        for tally in updates.timing.values():
            assert tally.shortest <= tally.longest
            assert tally.statistics.n == int(tally.counts.sum()) > 0
        judge_all(made, rig, None, (updates,), (None,), (None,))
