"""Latency and placement on displays whose every instant is known."""

import dataclasses
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from build import capture, channel, display
from spinlag.compare.measured import from_findings
from spinlag.latency import measure_latency
from spinlag.leds import decode_chains
from spinlag.pipeline import analyse
from spinlag.placement import place
from spinlag.report.results import results_document
from spinlag.report.sections import left_out
from spinlag.rig import rig_from_mapping
from spinlag.rotation import find_revolutions
from spinlag.synth import scenario_from_mapping, simulate

RIG = rig_from_mapping(
    {
        "capture": {"clock_ppm": 0},
        "index": {"channel": "SENSOR"},
        "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 2}],
        "display": {"columns": 8},
    }
)
PERIOD_S = 28.571e-3


def test_latency_is_the_sum_of_its_parts():
    built, _, _ = display()
    latency = analyse(built, RIG).latencies[0]
    # 48 bits of 1.25 us less the last low of 450 or 850 ns; latch low of the sheet: 50 us
    assert_allclose(latency.response.mean, 100e-6, rtol=1e-9, atol=0)
    assert 59.1e-6 < latency.wire.mean < 59.6e-6
    assert_allclose(latency.latch.mean, 50e-6, rtol=1e-9, atol=0)
    total = latency.table["response_s"] + latency.table["wire_s"] + latency.table["latch_s"]
    assert_allclose(latency.table["latency_s"], total, rtol=1e-9, atol=0)
    assert_allclose(latency.table["latency_deg"], 360 * total / PERIOD_S, rtol=1e-6, atol=0)
    assert_allclose(latency.table["latency_columns"], 8 * total / PERIOD_S, rtol=1e-6, atol=0)
    assert latency.revolutions_without_update == 0
    # constant but for the last bit of the data, whose high time is 400 or 800 ns
    assert latency.jitter_peak_to_peak_s < 0.5e-6


def test_one_degree_of_a_disc_at_35_turns_a_second():
    # common practice, no source: a small disc turns 35 times a second; one degree is then 79.37 us
    built, _, _ = display(period=28_571_429)
    table = analyse(built, RIG).latencies[0].table
    per_degree = table["latency_s"] / table["latency_deg"]
    assert_allclose(per_degree, 79.37e-6, rtol=1e-4, atol=0)


def test_every_column_at_its_angle():
    built, _, _ = display()
    placement = analyse(built, RIG).placements[0]
    assert placement.columns == 8
    assert placement.missing == placement.extra == placement.repeated == 0
    shown = placement.updates
    assert shown["column"].tolist() == list(range(8)) * 12
    # a constant latency is an offset of the picture and nothing else
    offset = analyse(built, RIG).latencies[0].latency_deg.mean
    assert_allclose(placement.offset.mean, offset, rtol=1e-3, atol=0)
    assert abs(placement.scale.mean) < 1e-6
    assert placement.residue_rms_deg < 0.01
    assert abs(placement.seam.mean) < 0.01


def test_missing_and_late_updates_are_seen_and_clean_ones_are_not():
    clean, _, _ = display(jitter=5_000)
    assert analyse(clean, RIG).observations == ()
    built, _, _ = display(jitter=5_000, drop={(5, 3)}, move={(7, 2): 600_000})
    findings = analyse(built, RIG)
    kinds = [(o.kind, o.revolution) for o in findings.observations if o.kind.startswith("update")]
    assert kinds == [("update-missing", 5), ("update-late", 7)]
    assert findings.placements[0].missing == 1


def test_an_update_cut_short_is_an_incident_and_no_placement_error():
    tables = {
        "seed": 5,
        "duration_s": 1.0,
        "leds": [{"data": "DOUT", "count": 12}],
        "firmware": {"columns": 12, "response_us": 60.0, "response_jitter_us": 2.0},
    }
    cut = {"kind": "data-truncated", "revolution": 10, "column": 5, "leds": 3}
    found = []
    for faults in ([], [cut]):
        made = simulate(scenario_from_mapping(tables | {"faults": faults}))
        found.append(analyse(made.capture, made.rig))
    clean, broken = (one.placements[0] for one in found)
    assert (clean.broken, broken.broken) == (0, 1)
    # nine LEDs of 30 us less are 2.9 degrees at 30 turns a second, but not of a column's place: it began in time
    assert_allclose(broken.residue_rms_deg, clean.residue_rms_deg, rtol=0.02, atol=0)
    assert_allclose(broken.turns["offset_deg"][10], clean.turns["offset_deg"][10], rtol=0.01, atol=0)
    assert np.nanmin(broken.places.residue_deg) < -2
    assert broken.missing == 0
    assert [one.kind for one in found[1].incidents.incidents if one.origin is None] == ["data-truncated"]


def test_a_first_update_cut_short_gives_no_latency_and_is_counted():
    tables = {
        "seed": 5,
        "duration_s": 1.0,
        "leds": [{"data": "DOUT", "count": 12}],
        "firmware": {"columns": 12, "response_us": 60.0, "response_jitter_us": 2.0},
    }
    cut = {"kind": "data-truncated", "revolution": 10, "column": 0, "leds": 3}
    clean, broken = (
        analyse(made.capture, made.rig)
        for made in (simulate(scenario_from_mapping(tables | {"faults": faults})) for faults in ([], [cut]))
    )
    was, found = clean.latencies[0], broken.latencies[0]
    assert (was.revolutions_with_broken_update, found.revolutions_with_broken_update) == (0, 1)
    ended = ["wire_s", "latch_s", "latency_early_s", "latency_s", "latency_deg", "latency_columns"]
    turn = found.table[found.table["revolution"] == 10]
    assert turn[ended].isna().all(axis=None)
    # it began in time, and it is there
    assert_allclose(turn["response_s"], was.table["response_s"][turn.index], rtol=1e-3, atol=0)
    assert found.response.n == was.response.n == was.latency.n == found.latency.n + 1
    assert found.revolutions_without_update == was.revolutions_without_update == 0
    # nine LEDs of 30 us less would be the shortest latency by far, and most of the jitter
    assert found.latency.min >= was.latency.min
    assert_allclose(found.jitter_std_s, was.jitter_std_s, rtol=0.05, atol=0)
    pd.testing.assert_frame_equal(found.table.drop(turn.index), was.table.drop(turn.index), rtol=1e-9)
    # told aloud, and compared as a turn that has its update
    assert results_document(broken)["latency"]["revolutions_with_broken_update"] == 1
    said = " ".join(left_out(broken))
    assert (
        "1 revolution whose first update has other than the chain's 12 LEDs left out of wire time and latency" in said
    )
    assert "left out of wire time" not in " ".join(left_out(clean))
    measured = from_findings(broken)
    assert measured.series["without_update"].sum() == 0
    assert len(measured.series["response_s"]) == len(measured.series["latency_s"]) + 1


def test_a_revolution_without_updates_counts_as_missing_not_as_zero():
    built, _, _ = display(drop={(4, c) for c in range(8)})
    latency = analyse(built, RIG).latencies[0]
    assert latency.revolutions_without_update == 1
    row = latency.table[latency.table["revolution"] == 4]
    assert row["response_s"].isna().all()
    assert latency.response.n == 11
    assert latency.response.min > 0


def shifted(built, ticks):
    channels = tuple(dataclasses.replace(c, edges=c.edges + ticks) for c in built.channels)
    return dataclasses.replace(built, channels=channels, start=built.start + ticks, end=built.end + ticks)


def figures(findings):
    latency, placement, rotation = findings.latencies[0], findings.placements[0], findings.rotation
    return np.array(
        [
            latency.response.mean,
            latency.latency_deg.max,
            placement.offset.mean,
            placement.residue_rms_deg,
            rotation.period.mean,
            rotation.period_jitter_rms_s,
        ]
    )


def test_shifting_all_times_leaves_the_measures():
    built, _, _ = display(jitter=20_000)
    assert_allclose(figures(analyse(shifted(built, 3 * 10**12), RIG)), figures(analyse(built, RIG)), rtol=1e-9, atol=0)


def test_doubling_the_tick_doubles_times_and_leaves_angles():
    built, _, _ = display(jitter=20_000)
    slower = dataclasses.replace(built, tick=built.tick * 2)
    chain = {"name": "arm", "data": "DOUT", "count": 2, "latch_us": 100}
    doubled = figures(analyse(slower, RIG.model_copy(update={"leds": (RIG.leds[0].model_copy(update=chain),)})))
    factor = np.array([2, 1, 1, 1, 2, 2])
    assert_allclose(doubled, factor * figures(analyse(built, RIG)), rtol=1e-6, atol=0)


def test_names_of_channels_do_not_matter():
    built, _, _ = display(jitter=20_000)
    names = {"SENSOR": "DOUT", "DOUT": "SENSOR"}
    swapped = tuple(dataclasses.replace(c, name=names[c.name], path=names[c.name]) for c in built.channels)
    rig = RIG.model_copy(
        update={
            "index": RIG.index.model_copy(update={"channel": "DOUT"}),
            "leds": (RIG.leds[0].model_copy(update={"data": "SENSOR"}),),
        }
    )
    assert_allclose(
        figures(analyse(dataclasses.replace(built, channels=swapped), rig)),
        figures(analyse(built, RIG)),
        rtol=1e-12,
        atol=0,
    )


@pytest.mark.parametrize("at", [3, 6, 9])
def test_splitting_at_an_index_pulse_keeps_every_revolution(at):
    built, index, _ = display(jitter=20_000)
    cut = int(index[at])
    halves = []
    for low, high in ((0, cut + 250_000), (cut, built.end)):
        channels = []
        for c in built.channels:
            edges = c.edges[(c.edges >= low) & (c.edges < high)]
            level = int(np.searchsorted(c.edges, low)) & 1
            channels.append(channel(c.name, edges, initial=level))
        halves.append(analyse(capture(channels, start=low, end=high), RIG))
    whole = analyse(built, RIG)
    joined = np.concatenate([half.latencies[0].table["response_s"] for half in halves])
    assert_allclose(joined, whole.latencies[0].table["response_s"], rtol=1e-9, atol=0)
    periods = np.concatenate([half.rotation.turns["period_s"] for half in halves])
    assert_allclose(periods, whole.rotation.turns["period_s"], rtol=1e-12, atol=0)


def sampled(ticks, period, phase):
    """Edges as a recorder sees them that looks at phase, phase + period, ...: late by 0 to one period (ticks)."""
    return -((phase - ticks) // period) * period + phase


def response_of(seen, rig):
    """The stages that the response needs, without the rest of the pipeline: a thousand captures are many."""
    rotation = find_revolutions(seen, rig)
    (chain,) = decode_chains(seen, rig)
    return measure_latency(seen, rig, rotation, chain, place(seen, rig, rotation, chain)).response


def test_stated_uncertainty_covers_the_true_mean_response():
    """1,000 small captures, each with its own jitter and phase of a 24 MHz clock: 93 to 97 % must be covered."""
    rng = np.random.default_rng(11)
    rig = RIG.model_copy(
        update={
            "display": RIG.display.model_copy(update={"columns": 2}),
            "leds": (RIG.leds[0].model_copy(update={"count": 1}),),
        }
    )
    step, fine = 41_667, 1000  # picoseconds; the ideal display counts nanoseconds
    covered, trials = 0, 1000
    for trial in range(trials):
        built, index, starts = display(revolutions=4, columns=2, leds=1, jitter=30_000, seed=trial)
        # below a nanosecond the truth is as random as the recorder's phase
        below = rng.integers(0, fine, starts.size)
        truth = np.mean((starts * fine + below)[::2] - index[:-1] * fine) * 1e-12
        data = (built.channels[1].edges.reshape(starts.size, -1) * fine + below[:, None]).ravel()
        phase = int(rng.integers(0, step))
        channels = [
            channel("SENSOR", sampled(built.channels[0].edges * fine, step, phase)),
            channel("DOUT", sampled(data, step, phase)),
        ]
        seen = capture(channels, tick=Fraction(1, 10**12), sample_ticks=Fraction(step), end=built.end * fine + 10**9)
        response = response_of(seen, rig)
        assert response.n == 4
        covered += abs(response.mean - truth) <= response.uncertainty
    assert 0.93 <= covered / trials <= 0.97
