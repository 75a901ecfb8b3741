"""Bits lost from most updates: one and the same number of LEDs is told everywhere."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from spinlag.pipeline import analyse
from spinlag.report.text import summary_lines
from spinlag.synth import scenario_from_mapping, simulate

TABLES = {
    "duration_s": 0.8,
    "seed": 5,
    "index": {"channel": "SENSOR", "width_deg": 4.0},
    "shaft": {"speed_rev_per_s": 30.2},
    "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 16}],
    "firmware": {"columns": 24, "response_us": 60},
}


@pytest.fixture(scope="module")
def bench():
    return simulate(scenario_from_mapping(TABLES))


def losing(capture, share, seed):
    """The capture with that share of the pulses of DOUT lost."""
    line = capture.channel("DOUT")
    kept = np.repeat(np.random.default_rng(seed).random(len(line.edges) // 2) >= share, 2)
    edges = np.asarray(line.edges[:])[: len(kept)][kept]
    lines = (replace(one, edges=edges) if one is line else one for one in capture.channels)
    return replace(capture, channels=tuple(lines))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_chain_that_loses_a_bit_here_and_there_keeps_its_count(bench, seed):
    """Most updates then hold 15 whole LEDs and some bits of the 16th, but no two lengths are usual."""
    found = analyse(losing(bench.capture, 0.01, seed), bench.rig)
    (chain,) = found.chains
    assert np.median(chain.bits // 24) == 15
    assert chain.leds_seen == 16
    said = " ".join(summary_lines(found))
    assert "updates of 16 LEDs" in said
    assert re.search(r"15 LEDs and \d+ bits instead of 16", said)
    assert not re.search(r"chain's 15|of 15 LEDs", said)


def test_a_count_that_the_rig_has_wrong_is_what_the_line_shows(bench):
    table = bench.rig.leds[0].model_copy(update={"count": 20})
    (chain,) = analyse(bench.capture, bench.rig.model_copy(update={"leds": (table,)})).chains
    assert chain.leds_seen == 16


def test_without_a_count_in_the_rig_the_commonest_length_counts(bench):
    table = bench.rig.leds[0].model_copy(update={"count": None})
    rig = bench.rig.model_copy(update={"leds": (table,)})
    assert analyse(losing(bench.capture, 0.01, 1), rig).chains[0].leds_seen == 15
