"""Which limits apply to this capture, from the rig and from the parts' sheets, and the verdict on each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from spinlag.capture import Capture
from spinlag.latency import Latency
from spinlag.leds.parts import Part, Window
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.motor import Motor
from spinlag.placement import Placement
from spinlag.quantities import TIMING_NAMES, UNITS, quantity
from spinlag.rig import LedsTable, Rig
from spinlag.rotation import Rotation
from spinlag.rotation.quality import FIGURES_OF_MERIT, RotationQuality
from spinlag.summary import bounded_content
from spinlag.uncertainty import PPM
from spinlag.verdicts import Figure, Observed, Verdict, judge_every, judge_figure, judge_revisions

Measured = Figure | Observed


def judge_all(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
    latencies: Sequence[Latency | None],
    *,
    quality: RotationQuality | None = None,
    motor: Motor | None = None,
) -> tuple[Verdict, ...]:
    """Every verdict: the parts' limits first, chain by chain, then the rig's. A rig's limit replaces the part's."""
    verdicts = [
        verdict
        for table, chain in zip(rig.leds, chains, strict=True)
        for verdict in _part_verdicts(capture, rig, table, chain)
        if verdict.id not in rig.limits
    ]
    placement = next((found for found in placements if found is not None), None)
    latency = next((found for found in latencies if found is not None), None)
    for quantity_id, limit in rig.limits.items():
        if limit.low is None and limit.high is None:
            continue
        if quantity_id in FIGURES_OF_MERIT:
            measured: Measured = _of_merit(quantity_id, rig, quality, motor)
        else:
            measured = _measure(quantity_id, capture, rig, rotation, chains, placement, latency)
        verdicts.append(_judge(measured, limit.low, limit.high, limit.source))
    judged = {verdict.id for verdict in verdicts}
    return (*verdicts, *(verdict for verdict in _silent(rig, rotation, chains, motor) if verdict.id not in judged))


def _of_merit(quantity_id: str, rig: Rig, quality: RotationQuality | None, motor: Motor | None) -> Figure:
    """One of the figures that the quality of the rotation and the motor lines give."""
    if quantity_id.startswith("motor.") and rig.motor is None:
        return _figure(quantity_id, None, None, "the rig names no motor lines")
    if quality is None and motor is not None and motor.cycles:
        counts = {"motor.sequence_faults": motor.sequence_faults, "motor.dropouts": motor.dropouts}
        if quantity_id in counts:
            return _figure(quantity_id, float(counts[quantity_id]), 0.0, "")
    if quality is None:
        return _figure(quantity_id, None, None, _NO_INDEX)
    known = {one.id: one for one in quality.measures}
    if quantity_id not in known:
        return _figure(quantity_id, None, None, "the capture does not show it")
    one = known[quantity_id]
    return _figure(quantity_id, one.value, one.uncertainty, one.note)


def _silent(
    rig: Rig, rotation: Rotation | None, chains: Sequence[ChainUpdates], motor: Motor | None
) -> Iterable[Verdict]:
    """What the rig names and the capture does not show, said aloud even where no limit asks for it."""
    if rig.index is not None and (rotation is None or rotation.period.n == 0):
        why = f"no whole revolution on {rig.index.channel}"
        yield _judge(_figure("rotation.speed", None, None, why), None, None, "the rig's [index]")
    if rig.motor is not None and (motor is None or not motor.cycles):
        why = f"no electrical cycle on {', '.join(rig.motor.phases)}"
        yield _judge(_figure("motor.sequence_faults", None, None, why), None, None, "the rig's [motor]")
    for chain in chains:
        if not chain.whole.any():
            why = chain.unread or f"no whole update on {chain.channel}"
            name = f"leds.{chain.name}.{_PACE[chain.wiring]}"
            yield _judge(_figure(name, None, None, why), None, None, "the rig's [[leds]]")


_PACE = {
    "one-wire": "bit_period",
    "clocked": "clock_period",
    "latched": "clock_period",
    "direct": "between_updates",
}


def _judge(measured: Measured, low: float | None, high: float | None, source: str) -> Verdict:
    if isinstance(measured, Figure):
        return judge_figure(measured, low, high, source)
    return judge_every(measured, low, high, source)


def _part_verdicts(capture: Capture, rig: Rig, table: LedsTable, chain: ChainUpdates) -> Iterable[Verdict]:
    """One verdict per timing name that any candidate revision limits."""
    candidates = chain.candidates or ((chain.part,) if chain.part else ())
    if not candidates or table.tap != "controller":
        return
    for name in TIMING_NAMES:
        limits = [(part, _window(part, name)) for part in candidates]
        limits = [(part, window) for part, window in limits if window is not None]
        if not limits:
            continue
        measured = observed_timing(capture, rig, chain, name)
        judged = [
            _judge(measured, window.low_s, window.high_s, part.source_of(name))
            for part, window in limits
            if window is not None
        ]
        yield _graded(judge_revisions(judged, [part.name for part, _ in limits]), limits[0][0], name, measured)


def _window(part: Part, name: str) -> Window | None:
    return part.windows.get(name)


def _graded(verdict: Verdict, part: Part, name: str, measured: Measured) -> Verdict:
    """Add the second grade to a failure: outside the sheet, but inside what the family was measured to accept."""
    if verdict.verdict != "fail" or isinstance(measured, Figure):
        return verdict
    accepted = part.measured.get(name)
    if name == "low_between_updates" and part.measured_latch_s is not None:
        accepted = Window(part.measured_latch_s, None)
    if accepted is None:
        grade = "what the family really accepts was not measured"
    elif judge_every(measured, accepted.low_s, accepted.high_s, "").verdict == "pass":
        grade = "outside the sheet, inside what the family was measured to accept"
    else:
        grade = "outside the sheet, and not safely inside what the family was measured to accept"
    return replace(verdict, note=f"{verdict.note}; {grade}" if verdict.note else grade)


def observed_timing(capture: Capture, rig: Rig, chain: ChainUpdates, name: str) -> Measured:
    """One timing name of a chain as something to judge; a Figure without value where the line shows none."""
    quantity_id = f"leds.{chain.name}.{name}"
    title = quantity(quantity_id).title
    tally = chain.timing.get(name)
    if tally is None or tally.statistics.n == 0 or tally.statistics.mean is None:
        why = chain.unread or f"the line {chain.channel} shows no such interval"
        return Figure(quantity_id, title, "s", None, None, why)
    return _observed_tally(capture, rig, quantity_id, title, tally)


def _observed_tally(capture: Capture, rig: Rig, quantity_id: str, title: str, tally: Tally) -> Observed:
    tick = float(capture.tick)
    return Observed(
        id=quantity_id,
        title=title,
        unit="s",
        n=tally.statistics.n,
        lowest=tally.shortest * tick,
        highest=tally.longest * tick,
        mean=tally.statistics.mean or 0.0,
        bound=interval_bound(capture),
        mean_uncertainty=tally.statistics.uncertainty or capture.sample_period_s,
        sample_period_s=capture.sample_period_s,
        clock_share=rig.capture.clock_ppm * PPM,
    )


def interval_bound(capture: Capture) -> float:
    """Largest error of one interval by sampling, seconds: a sample, and a tick of rounding where samples fall between
    ticks."""
    ticks = capture.sample_period.ticks
    rounding = float(capture.tick) if ticks.denominator != 1 else 0.0
    return capture.sample_period_s + rounding


def _measure(
    quantity_id: str,
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    placement: Placement | None,
    latency: Latency | None,
) -> Measured:
    family, _, name = quantity_id.partition(".")
    if family == "leds":
        chain_name, _, timing = name.rpartition(".")
        chain = next(chain for chain in chains if chain.name == chain_name)
        if timing == "pwm_rate":
            return _pwm(quantity_id, chain, rotation, placement)
        return observed_timing(capture, rig, chain, timing)
    if family == "rotation":
        return _rotation(quantity_id, capture, rig, rotation)
    if rotation is not None and not rotation.begins_known:
        return _figure(quantity_id, None, None, _NO_BEGINNING)
    if family == "latency":
        return _latency(quantity_id, capture, rig, latency)
    return _placement(quantity_id, placement)


def _figure(quantity_id: str, value: float | None, uncertainty: float | None, why_not: str) -> Figure:
    known = quantity(quantity_id)
    unit = UNITS[known.dimension]
    return Figure(quantity_id, known.title, unit, _plain(value), _plain(uncertainty), why_not)


def _plain(value: float | None) -> float | None:
    """numpy's scalars as Python's, so that verdicts print and compare like any others."""
    return None if value is None else float(value)


def _many(
    quantity_id: str,
    values: np.ndarray,
    bound: float,
    why_not: str,
    *,
    sample_period_s: float | None = None,
    clock_share: float = 0.0,
) -> Measured:
    known = quantity(quantity_id)
    unit = UNITS[known.dimension]
    values = values[np.isfinite(values)]
    if not values.size:
        return Figure(quantity_id, known.title, unit, None, None, why_not)
    mean = float(values.mean())
    return Observed(
        id=quantity_id,
        title=f"{known.title} ({_scope(values.size)})",
        unit=unit,
        n=int(values.size),
        lowest=float(values.min()),
        highest=float(values.max()),
        mean=mean,
        bound=float(bound),
        mean_uncertainty=float(bound) + abs(mean) * clock_share,
        sample_period_s=sample_period_s,
        clock_share=clock_share,
    )


def _scope(n: int) -> str:
    return f"worst of {n}, which bounds {bounded_content(n):.2%} of revolutions at 95 % confidence"


_NO_BEGINNING = "several index pulses look alike, and the updates do not show which of them a revolution begins with"
_NO_INDEX = "no revolution: the rig has no index, or the line shows none"


def _rotation(quantity_id: str, capture: Capture, rig: Rig, rotation: Rotation | None) -> Measured:
    if rotation is None or rotation.period.n == 0:
        return _figure(quantity_id, None, None, _NO_INDEX)
    if quantity_id == "rotation.speed":
        used = rotation.turns["used"].to_numpy(dtype=bool)
        speeds = rotation.turns["speed_rev_per_s"].to_numpy()[used]
        fastest = float(speeds.max()) if speeds.size else 0.0
        bound = fastest**2 * capture.sample_period_s
        return _many(quantity_id, speeds, bound, _NO_INDEX, clock_share=rig.capture.clock_ppm * PPM)
    value = {
        "rotation.period_jitter": rotation.period_jitter_rms_s,
        "rotation.cycle_to_cycle_jitter": rotation.cycle_to_cycle_jitter_rms_s,
    }[quantity_id]
    return _figure(quantity_id, value, rotation.jitter_uncertainty_s, "too few revolutions for jitter")


def _latency(quantity_id: str, capture: Capture, rig: Rig, latency: Latency | None) -> Measured:
    why = "no revolution with both an index edge and an update"
    if latency is None or latency.latency.n == 0:
        return _figure(quantity_id, None, None, why)
    if quantity_id == "latency.jitter":
        return _figure(quantity_id, latency.jitter_std_s, latency.jitter_uncertainty_s, "one revolution only")
    if quantity_id == "latency.jitter_peak_to_peak":
        return _figure(quantity_id, latency.jitter_peak_to_peak_s, 2 * capture.sample_period_s, "one revolution only")
    if quantity_id == "latency.without_update":
        return _figure(quantity_id, latency.revolutions_without_update / len(latency.table), 0.0, why)
    name = {
        "latency.response": "response_s",
        "latency.wire": "wire_s",
        "latency.latency": "latency_s",
        "latency.latency_deg": "latency_deg",
    }[quantity_id]
    values = latency.table[name].to_numpy()
    bound, clock = interval_bound(capture), rig.capture.clock_ppm * PPM
    if name == "latency_deg":
        # an angle is a ratio of times on one clock: its tolerance cancels
        per_second = (latency.latency_deg.mean or 0.0) / (latency.latency.mean or 1.0)
        return _many(quantity_id, values, bound * per_second, why)
    return _many(quantity_id, values, bound, why, sample_period_s=capture.sample_period_s, clock_share=clock)


def _placement(quantity_id: str, placement: Placement | None) -> Measured:
    why = "no update could be placed on a revolution"
    if placement is None:
        return _figure(quantity_id, None, None, why)
    if quantity_id == "placement.missing":
        share = placement.missing / placement.columns_expected if placement.columns_expected else None
        return _figure(quantity_id, share, 0.0, why)
    if quantity_id == "placement.offset":
        return _figure(quantity_id, placement.offset.mean, placement.offset.uncertainty, why)
    if quantity_id == "placement.residue":
        return _figure(quantity_id, placement.residue_rms_deg, placement.residue_uncertainty_deg, why)
    bound = placement.instant_bound_deg * 2
    return _many(quantity_id, placement.turns["seam_deg"].to_numpy(), bound, why)


def pwm_periods_per_slot(
    chain: ChainUpdates, rotation: Rotation | None, placement: Placement | None
) -> tuple[float | None, str]:
    """How many periods of the LED's own PWM fit into one column slot, or None with the reason."""
    if chain.part is None or chain.part.pwm_hz is None:
        return None, "the PWM rate of the part is not known"
    if rotation is None or placement is None or not rotation.period.mean:
        return None, "no column slot: needs an index and columns"
    return chain.part.pwm_hz * rotation.period.mean / placement.columns, ""


def _pwm(quantity_id: str, chain: ChainUpdates, rotation: Rotation | None, placement: Placement | None) -> Measured:
    value, why = pwm_periods_per_slot(chain, rotation, placement)
    return _figure(quantity_id, value, 0.0 if value is not None else None, why)
