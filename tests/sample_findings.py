"""Findings made by hand, so that reports are tested without the importers, the decoders or the synthesiser.

A tide dial: an arm of LEDs at about 35 revolutions a second (common practice, no source), sampled at 24 MHz and written
in nanoseconds. One index pulse is missed and one revolution's updates come late.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pandas as pd

from spinlag.capture import Capture, Channel, SamplePeriod
from spinlag.cautions import cautions
from spinlag.findings import Findings
from spinlag.incidents.find import find_incidents
from spinlag.judge import judge_all
from spinlag.latency import measure_latency
from spinlag.leds.parts import Part, Window
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.observations import Observation
from spinlag.placement import place
from spinlag.rig import Rig, rig_from_mapping
from spinlag.roles.given import roles_of
from spinlag.rotation import NO_TICK, Rotation
from spinlag.rotation.quality import measure_quality
from spinlag.summary import summarise, summarise_counts
from spinlag.uncertainty import mean_interval_uncertainty

SAMPLE = Fraction(10**9, 24_000_000)
"""Sample period in ticks of 1 ns."""

PART = Part(
    name="WS2812B 2013-05",
    number="WS2812B",
    revision="2013-05",
    wiring="one-wire",
    title="WS2812B sheet, file date 2013-05-30",
    page="p. 3",
    mark="verified",
    bits_per_led=24,
    order="GRB",
    windows={
        "t0h": Window(250e-9, 550e-9),
        "t0l": Window(700e-9, 1000e-9),
        "t1h": Window(650e-9, 950e-9),
        "t1l": Window(300e-9, 600e-9),
        "bit_period": Window(650e-9, 1850e-9),
        "low_between_updates": Window(50e-6, None),
    },
    latch_s=50e-6,
    measured={
        "t0h": Window(62.5e-9, 563e-9),
        "t1h": Window(625e-9, None),
        "bit_period": Window(1063e-9, None),
    },
    measured_latch_s=9e-6,
    pwm_hz=430.0,
    pwm_from="measured, 2016",
)


def on_lattice(instants_ns):
    """Instants as a 24 MHz recorder sees them: the next sample, rounded to a whole nanosecond."""
    return np.rint(np.ceil(np.asarray(instants_ns) * 24e-3) * float(SAMPLE)).astype(np.int64)


def _tally(lengths):
    values, counts = np.unique(lengths, return_counts=True)
    seconds = values * 1e-9
    mean = float(np.average(seconds, weights=counts))
    bound = mean_interval_uncertainty(float(SAMPLE) * 1e-9, len(lengths), clock_ppm=50, mean_s=mean)
    return Tally(
        lengths=values,
        counts=counts,
        bin_ticks=1,
        shortest=int(values[0]),
        shortest_at=1_000_000,
        longest=int(values[-1]),
        longest_at=2_000_000,
        statistics=summarise_counts(seconds, counts, bound),
    )


def _rig(data, index, chain, limits, columns) -> Rig:
    return rig_from_mapping(
        {
            "index": {"channel": index},
            "leds": [{"name": chain, "data": data, "count": 8}],
            "display": {"columns": columns},
            "markers": {"radio": "RADIO"},
            "limits": limits
            if limits is not None
            else {
                "latency.latency": {"max_us": 450},
                "latency.jitter": {"max_us": 20},
                "placement.residue": {"max_deg": 0.2},
                "placement.seam": {"min_deg": -1, "max_deg": 1},
                "rotation.speed": {"min_rev_per_s": 34, "max_rev_per_s": 36},
                f"leds.{chain}.pwm_rate": {"min_ratio": 1},
            },
        }
    )


def _rotation(channel, index, missed) -> Rotation:
    seen = np.ones(len(index), dtype=bool)
    seen[list(missed)] = False
    period = np.diff(index) * 1e-9
    used = seen[:-1] & seen[1:]
    turns = pd.DataFrame(
        {
            "revolution": np.arange(len(period)),
            "start_s": index[:-1] * 1e-9,
            "period_s": period,
            "speed_rev_per_s": 1 / period,
            "index_tick": np.where(seen, index, NO_TICK)[:-1],
            "kind": np.where(seen[:-1], "normal", "filled"),
            "used": used,
        }
    )
    pulses = pd.DataFrame(
        {"tick": index[seen], "time_s": index[seen] * 1e-9, "width_s": 400e-6, "kind": "index"},
    )
    good = period[used]
    return Rotation(
        channel=channel,
        turn_ticks=index,
        turns=turns,
        pulses=pulses,
        speed=summarise(1 / good, 2e-3),
        period=summarise(good, 1.5e-6),
        period_jitter_rms_s=float(good.std(ddof=1)),
        period_jitter_peak_to_peak_s=float(np.ptp(good)),
        cycle_to_cycle_jitter_rms_s=float(np.diff(good).std()),
        jitter_uncertainty_s=0.4e-6,
        drift_rev_per_s2=1e-3,
        allan=pd.DataFrame({"tau_s": [0.0286, 0.0572], "adev": [3e-4, 2e-4], "n": [58, 56]}).assign(
            low=1e-4, high=5e-4
        ),
        observations=tuple(
            Observation(
                "index-missed",
                int(index[k]),
                channel,
                f"no index pulse where revolution {k} should begin",
                revolution=k,
                expected=1.0,
                observed=0.0,
                unit="pulse",
                threshold="the periods around it",
            )
            for k in missed
        ),
    )


def sample_findings(
    *,
    revolutions=60,
    columns=48,
    data="DOUT",
    index="SENSOR",
    chain="arm",
    limits=None,
    missed=(23,),
    late=(41,),
    seed=5,
    guessed=(),
    warnings=(),
    part=PART,
) -> Findings:
    """Findings with realistic numbers; names and limits can be given."""
    rng = np.random.default_rng(seed)
    wander = 1 + 4e-4 * np.sin(np.arange(revolutions + 1) / 7) + rng.normal(0, 5e-5, revolutions + 1)
    turns = on_lattice(1e6 + np.cumsum(28_571_429 * wander))
    leds, bits = 8, 192
    period = np.diff(turns)
    guess = np.concatenate(([28_571_429], period[:-1]))  # firmware: last period holds
    delay = rng.uniform(95e3, 125e3, revolutions)
    delay[list(late)] += 180e3
    at = turns[:-1, None] + delay[:, None] + np.arange(columns) * (guess[:, None] / columns)
    at += rng.uniform(0, 6e3, at.shape)
    at = at.ravel()
    order = np.argsort(at, kind="stable")
    bytes_sent = rng.integers(0, 256, (at.size, 3 * leds), dtype=np.uint8)
    ones = np.unpackbits(bytes_sent, axis=1)
    rise = at[order, None] + np.arange(bits) * 1250.0
    edges = on_lattice(np.stack((rise, rise + np.where(ones, 800.0, 400.0)), axis=2).reshape(at.size, 2 * bits))
    high, low = edges[:, 1::2] - edges[:, ::2], edges[:, 2::2] - edges[:, 1:-1:2]
    timing = {
        "t0h": _tally(high[ones == 0]),
        "t0l": _tally(low[ones[:, :-1] == 0]),
        "t1h": _tally(high[ones == 1]),
        "t1l": _tally(low[ones[:, :-1] == 1]),
        "bit_period": _tally(edges[:, 2::2] - edges[:, :-2:2]),
        "low_between_updates": _tally(edges[1:, 0] - edges[:-1, -1]),
    }
    radio = on_lattice(np.sort(rng.uniform(turns[0], turns[-1], 40)))
    pulses = np.column_stack((turns, on_lattice(turns + 400e3)))[[k for k in range(len(turns)) if k not in missed]]
    capture = Capture(
        file="captures/tide-dial-1.4.vcd",
        sha256="ab" * 32,
        importer="vcd",
        tick=Fraction(1, 10**9),
        start=0,
        end=int(turns[-1]) + 1_000_000,
        channels=(
            Channel(index, f"bench.{index}", 0, pulses.ravel()),
            Channel(data, f"bench.{data}", 0, edges.ravel()),
            Channel("RADIO", "bench.RADIO", 1, radio),
        ),
        sample_period=SamplePeriod(SAMPLE, "lattice"),
        warnings=tuple(warnings),
    )
    rig = _rig(data, index, chain, limits, columns).model_copy(update={"guessed": tuple(guessed)})
    n = len(edges)
    updates = ChainUpdates(
        name=chain,
        wiring="one-wire",
        channel=data,
        part=part,
        part_note="rig",
        bits_per_led=24,
        order="GRB",
        start=edges[:, 0].copy(),
        last=edges[:, -1].copy(),
        light_early_s=np.zeros(n),
        light_s=np.full(n, 50e-6),
        bits=np.full(n, bits),
        data=bytes_sent.ravel(),
        offsets=np.arange(n + 1) * 3 * leds,
        whole=np.ones(n, dtype=bool),
        timing=timing,
        threshold_s=600e-9,
        threshold_from="middle between T0H and T1H of the part",
        latch_s=50e-6,
        latch_from="the part's sheet",
    )
    rotation = _rotation(index, turns, missed)
    placement = place(capture, rig, rotation, updates)
    assert placement is not None
    latency = measure_latency(capture, rig, rotation, updates, placement)
    found = sorted([*rotation.observations, *placement.observations], key=lambda seen: seen.tick)
    incidents, seen = find_incidents(capture, rig, rotation, (updates,), (placement,), found)
    return Findings(
        capture=capture,
        rig=rig,
        roles=roles_of(capture, rig),
        rotation=rotation,
        motor=None,
        quality=measure_quality(capture, rig, rotation, None),
        chains=(updates,),
        placements=(placement,),
        latencies=(latency,),
        observations=tuple(found),
        incidents=incidents,
        seen=seen,
        verdicts=judge_all(capture, rig, rotation, (updates,), (placement,), (latency,)),
        cautions=cautions(rig, rotation, (updates,), (placement,)),
        warnings=capture.warnings,
    )


def line_only() -> Findings:
    """The same LED line with no index: protocol timing alone."""
    whole = sample_findings(revolutions=3, missed=(), late=(), limits={"latency.latency": {"max_us": 450}})
    rig = whole.rig.model_copy(update={"index": None})
    return replace(
        whole,
        rig=rig,
        rotation=None,
        quality=None,
        placements=(None,),
        latencies=(None,),
        observations=(),
        incidents=find_incidents(whole.capture, rig, None, whole.chains, (None,), ())[0],
        seen=None,
        verdicts=judge_all(whole.capture, rig, None, whole.chains, (None,), (None,)),
        cautions=(),
    )
