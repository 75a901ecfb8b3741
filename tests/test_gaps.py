"""Gaps of the recording and stretches of x and z: intervals of which nobody saw both ends are no evidence."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from build import capture, channel, display
from spinlag.capture import Channel
from spinlag.leds import decode_chains
from spinlag.leds.lost import Lost, with_gaps
from spinlag.pipeline import analyse
from spinlag.report.sections import left_out
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario

RIG = rig_from_mapping(
    {
        "capture": {"sample_rate_hz": 1e9},
        "index": {"channel": "SENSOR"},
        "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 2}],
        "display": {"columns": 8},
    }
)
BUILT, _, STARTS = display(revolutions=20)
SENSOR, DOUT = BUILT.channels
GAP_TICKS = 100_300_000


def cut(line: Channel, begin: int, end: int) -> Channel:
    """The line by a recorder that did not look in (begin, end): a level that differs is noticed at the end."""
    edges = np.asarray(line.edges[:], dtype=np.int64)
    inside = (edges > begin) & (edges < end)
    noticed = [end] if int(inside.sum()) % 2 else []
    kept = np.concatenate((edges[edges <= begin], noticed, edges[edges >= end])).astype(np.int64)
    values, times = np.unique(kept, return_counts=True)
    return dataclasses.replace(line, edges=values[times % 2 == 1])


def cut_all(built, begin: int, end: int):
    return dataclasses.replace(built, channels=tuple(cut(line, begin, end) for line in built.channels))


def outside(of, clean) -> list[str]:
    """Timing names of a chain whose extremes lie outside those of the undamaged record."""
    return [
        name
        for name, tally in of.timing.items()
        if tally.shortest < clean.timing[name].shortest or tally.longest > clean.timing[name].longest
    ]


CLEAN = analyse(BUILT, RIG)
BIT = int(STARTS[len(STARTS) // 3])
"""The first edge of an update in the middle of the record; a bit takes 1250 ns there, an update 60 us."""


@pytest.mark.parametrize(
    "begin", [BIT + 1, BIT + 200, BIT + 700, BIT + 20_000, BIT + 20_600, BIT + 21_000, BIT + 500_000]
)
@pytest.mark.parametrize("more", [0, 350, 800, 12_345, 1_000_000])
def test_no_bit_time_comes_from_a_gap(begin, more):
    # at any place, in a high, a low, or a rest, and ending in any
    found = analyse(cut_all(BUILT, begin, begin + GAP_TICKS + more), RIG)
    assert [incident.kind for incident in found.incidents.incidents].count("capture-gap") == 1
    assert outside(found.chains[0], CLEAN.chains[0]) == []
    assert [verdict.verdict for verdict in found.verdicts] == [verdict.verdict for verdict in CLEAN.verdicts]
    bits = [seen for seen in found.incidents.incidents if seen.kind in ("data-bit-time", "data-pause")]
    assert bits == [], bits
    assert found.chains[0].lost_intervals >= 1
    assert any("across gaps of the recording" in said for said in left_out(found))
    # nor does it spoil the mean's uncertainty
    for name, tally in found.chains[0].timing.items():
        clean = CLEAN.chains[0].timing[name].statistics
        assert tally.statistics.uncertainty == pytest.approx(clean.uncertainty, rel=1.0), name


def test_intervals_left_out_are_counted():
    high = analyse(cut_all(BUILT, BIT + 10, BIT + 10 + GAP_TICKS), RIG).chains[0]
    whole, clean = high.timing, CLEAN.chains[0].timing
    edges = len(cut(DOUT, BIT + 10, BIT + 10 + GAP_TICKS).edges)
    intervals = sum(whole[name].statistics.n for name in whole if name != "bit_period")
    assert intervals + high.lost_intervals == edges - 1
    assert sum(clean[name].statistics.n for name in clean if name != "bit_period") == len(DOUT.edges) - 1
    assert CLEAN.chains[0].lost_intervals == 0


def test_a_line_that_is_really_stuck_still_fails():
    begin, end = BIT + 10, BIT + 10 + GAP_TICKS
    stuck = cut(DOUT, begin, end)
    found = analyse(dataclasses.replace(BUILT, channels=(SENSOR, stuck)), RIG)
    assert "capture-gap" not in [incident.kind for incident in found.incidents.incidents]
    assert found.chains[0].lost_intervals == 0
    failed = {verdict.id for verdict in found.verdicts if verdict.verdict == "fail"}
    assert failed == {"leds.arm.t1h"}


def test_bits_that_meet_x_are_left_out():
    at = int(DOUT.edges[int(np.searchsorted(DOUT.edges, BIT + 20_000)) // 2 * 2])
    held = cut(DOUT, at + 100, at + 40_000)
    unknown = dataclasses.replace(held, unknown=np.array([[at + 100, at + 40_000]]))
    blind = analyse(capture([SENSOR, held]), RIG).chains[0]
    told = analyse(capture([SENSOR, unknown]), RIG).chains[0]
    assert outside(blind, CLEAN.chains[0]) != []
    assert outside(told, CLEAN.chains[0]) == []
    assert told.lost_intervals >= 1


@pytest.mark.parametrize("wiring", ["one-wire", "clocked", "latched", "direct"])
def test_every_wiring_leaves_out_what_nobody_saw(wiring):
    rng = np.random.default_rng(11)
    seen = 0
    for _ in range(4):
        made = simulate(scenario_from_mapping(random_scenario(rng, wiring=wiring).model_dump(exclude_none=True)))
        built = made.capture
        clean = decode_chains(built, made.rig)
        for begin in rng.integers(built.start, (built.start + built.end) // 2, 6).tolist():
            end = begin + (built.end - built.start) // 7
            damaged = cut_all(built, begin, end)
            for mine, theirs in zip(decode_chains(with_gaps(damaged, [(begin, end)]), made.rig), clean, strict=True):
                assert outside(mine, theirs) == [], (wiring, begin)
                seen += mine.lost_intervals
    assert seen


def test_what_counts_as_unseen():
    line = dataclasses.replace(channel("A", []), unknown=np.array([[100, 200], [500, 510]]))
    begin = np.array([0, 100, 150, 200, 201, 300, 505, 511])
    end = np.array([100, 101, 160, 250, 300, 501, 600, 600])
    assert Lost(line).among(begin, end).tolist() == [False, True, True, True, False, True, True, False]
    assert Lost(line).among(begin[:1], end[:1]) is None
    assert Lost(channel("A", [])).among(begin, end) is None


def test_gaps_join_what_was_unknown_before():
    line = dataclasses.replace(channel("A", []), unknown=np.array([[100, 200], [500, 510], [900, 950]]))
    (joined,) = with_gaps(capture([line], end=1000), [(700, 800), (150, 500)]).channels
    assert joined.unknown.tolist() == [[100, 510], [700, 800], [900, 950]]
