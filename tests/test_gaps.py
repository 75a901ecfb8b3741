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


def cut_silently(line: Channel, begin: int, end: int) -> Channel:
    """The line in a file that lists changes of which those in (begin, end) are lost: the level is only told again at
    the next one, and one that tells what the line seems to be already is no edge."""
    edges = np.asarray(line.edges[:], dtype=np.int64)
    before, after = edges[edges <= begin], edges[edges >= end]
    swallowed = (len(edges) - len(before) - len(after)) % 2
    return dataclasses.replace(line, edges=np.concatenate((before, after[swallowed:])))


def cut_all(built, begin: int, end: int, how=cut):
    return dataclasses.replace(built, channels=tuple(how(line, begin, end) for line in built.channels))


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
@pytest.mark.parametrize("how", [cut, cut_silently])
def test_no_bit_time_comes_from_a_gap(begin, more, how):
    # at any place, in a high, a low, or a rest, and ending in any
    found = analyse(cut_all(BUILT, begin, begin + GAP_TICKS + more, how), RIG)
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


def test_a_line_that_is_stuck_while_others_go_on_is_no_gap_of_the_recording():
    begin, end = BIT + 10, BIT + 10 + GAP_TICKS
    stuck = cut(DOUT, begin, end)
    found = analyse(dataclasses.replace(BUILT, channels=(SENSOR, stuck)), RIG)
    assert "capture-gap" not in [incident.kind for incident in found.incidents.incidents]
    assert found.verdict == "undecided"


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


TABLES = {
    "duration_s": 1.0,
    "seed": 5,
    "index": {"channel": "SENSOR", "width_deg": 4.0, "noise_us": 0.5},
    "shaft": {"speed_rev_per_s": 30.2, "random_walk": 0.0004},
    "motor": {"phases": ["U", "V", "W"], "pole_pairs": 4},
    "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 4}],
    "firmware": {"columns": 24, "response_us": 60, "response_jitter_us": 2},
}
LIMITS = {
    "motor.sequence_faults": {"max_count": 0},
    "motor.dropouts": {"max_count": 0},
    "placement.missing": {"max_ratio": 0.0},
    "placement.seam": {"max_deg": 3},
    "latency.without_update": {"max_ratio": 0.0},
    "latency.latency": {"max_us": 400},
    "rotation.speed": {"min_rev_per_s": 29, "max_rev_per_s": 32},
}


def bench(faults=()):
    """A sound bench with motor lines, and limits on all that a gap could be taken for."""
    made = simulate(scenario_from_mapping({**TABLES, "faults": list(faults)}))
    tables = made.rig.model_dump(mode="json", exclude_defaults=True)
    return made.capture, rig_from_mapping({**tables, "limits": LIMITS})


@pytest.fixture(scope="module")
def sound():
    """The bench without a fault."""
    return bench()


@pytest.mark.parametrize("how", [cut, cut_silently])
@pytest.mark.parametrize("at", [0.0, 0.3, 0.55, 0.97])
@pytest.mark.parametrize("gap_ms", [6, 10, 40])
def test_no_verdict_comes_from_a_gap(sound, at, gap_ms, how):
    """States of the motor, columns and updates that nobody saw are no faults, whatever part of a turn the gap takes."""
    built, rig = sound
    per_s = 1 / float(built.tick)
    begin = built.start + round((12 + at) / 30.2 * per_s)
    found = analyse(cut_all(built, begin, begin + round(gap_ms * 1e-3 * per_s), how), rig)
    assert [one.kind for one in found.incidents.incidents if one.origin is None] == ["capture-gap"]
    assert [(one.id, one.value) for one in found.verdicts if one.verdict != "pass"] == []
    assert (found.motor.sequence_faults, found.motor.dropouts, len(found.motor.faults)) == (0, 0, 0)
    assert all("at gaps of the recording left out" in note for note in found.motor.notes)
    told = found.placements[0].gap_turns > 0 or (~found.rotation.turns["used"]).any()
    assert told
    (gap,) = [seen for seen in found.incidents.incidents if seen.kind == "capture-gap"]
    assert gap.observed == pytest.approx(gap_ms * 1e-3, abs=3e-3)


def test_faults_away_from_a_gap_are_counted_all_the_same():
    built, rig = bench(
        [{"kind": "motor-sequence", "at_s": 0.2}, {"kind": "update-missing", "revolution": 5, "column": 7}]
    )
    whole = analyse(built, rig)
    begin = built.start + round(0.6 / float(built.tick))
    found = analyse(cut_all(built, begin, begin + round(0.01 / float(built.tick))), rig)
    assert found.motor.sequence_faults == whole.motor.sequence_faults == 1
    assert found.placements[0].missing == whole.placements[0].missing == 1
    failed = {one.id for one in found.verdicts if one.verdict == "fail"}
    assert failed == {"motor.sequence_faults", "placement.missing"}
