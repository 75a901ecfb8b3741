"""What each section of the report says, as plain data: sentences, tables of texts, and data for pictures."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.doubts import left_out_in_reading, unknown_told
from spinlag.findings import Findings
from spinlag.incidents.model import IncidentReport
from spinlag.latency import Latency
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement, turns_touched
from spinlag.report.format import count, measured, si
from spinlag.report.junit import verdict_sentence
from spinlag.report.motor_rows import angle_sentence
from spinlag.report.rows import StatisticsRow, pairs, statistics_row, with_uncertainty
from spinlag.rotation import Rotation
from spinlag.summary import bounded_content, fault_rate_bound
from spinlag.uncertainty import mean_interval_uncertainty
from spinlag.verdicts import Verdict

MOST_CHANNELS = 200
PERIOD_SOURCES = {
    "given": "given by the file or the rig",
    "lattice": "found from the lattice on which the edges lie",
    "timescale": "the tick of the file; no coarser lattice shows",
}
OUTCOME_WORDS = {"fail": "failed", "undecided": "undecided", "not-measured": "not measured", "pass": "passed"}


@dataclass(frozen=True)
class Headline:
    """The verdict in words, how many of each outcome, and the sentences behind everything that is no pass."""

    verdict: str
    tally: str
    failed: tuple[str, ...]
    undecided: tuple[str, ...]
    not_measured: tuple[str, ...]


def headline(findings: Findings) -> Headline:
    """What comes first: the verdict and its reasons."""
    shared = {one.why for one in findings.unsound}
    by_outcome = {
        outcome: _reasons([verdict for verdict in findings.verdicts if verdict.verdict == outcome], shared)
        for outcome in OUTCOME_WORDS
    }
    return Headline(
        verdict=findings.verdict,
        tally=_tally(findings.verdicts),
        failed=by_outcome["fail"],
        undecided=by_outcome["undecided"],
        not_measured=by_outcome["not-measured"],
    )


def _reasons(verdicts: Sequence[Verdict], shared: set[str]) -> tuple[str, ...]:
    """A sentence for each verdict, one for all that have the same of the reasons `shared`."""
    alike: dict[str, list[Verdict]] = {}
    for number, verdict in enumerate(verdicts):
        own = verdict.verdict == "fail" or verdict.note not in shared
        alike.setdefault(str(number) if own else verdict.note, []).append(verdict)
    return tuple(
        verdict_sentence(some[0])
        if len(some) == 1
        else f"{some[0].note}. This concerns {len(some)} figures: {'; '.join(one.quantity for one in some)}"
        for some in alike.values()
    )


def _tally(verdicts: Sequence[Verdict]) -> str:
    """How many limits were judged and how; what the rig names and the capture does not show has none."""
    limited = [one for one in verdicts if one.limited]
    counts: Counter[str] = Counter(one.verdict for one in limited)
    outcomes = [f"{counts[outcome]} {words}" for outcome, words in OUTCOME_WORDS.items() if counts[outcome]]
    n, rest = len(limited), len(verdicts) - len(limited)
    more = f"{rest} {'more ' if n else ''}quantit{'y' if rest == 1 else 'ies'} without a limit not measured"
    if n:
        return f"{n} limit{'' if n == 1 else 's'} judged: {', '.join(outcomes)}" + (f"; {more}" if rest else "")
    if rest:
        return f"no limit was judged; {more}"
    return "no limit was judged: no part and no limits are known, so there is nothing to pass"


def capture_facts(findings: Findings) -> list[tuple[str, str]]:
    """The capture in a two-column table."""
    capture = findings.capture
    period = capture.sample_period_s
    rate = f"{si(1e-6 / period, '1')}\u00a0MHz"
    rotation = findings.rotation
    return pairs(
        [
            ("file", os.path.basename(capture.file)),
            ("sha256", capture.sha256),
            ("read as", capture.importer),
            ("length", f"{capture.duration_s:.6f}\u00a0s"),
            ("tick of the file", si(float(capture.tick), "s")),
            (
                "sample period",
                f"{si(period, 's')} ({rate}), {PERIOD_SOURCES[capture.sample_period.source]}",
            ),
            (
                "one interval is known to",
                f"± {si(period, 's', 3)} at most, and ± {findings.rig.capture.clock_ppm:g} ppm of its length for the "
                "recorder's clock",
            ),
            ("revolutions", count(len(rotation.turns)) if rotation is not None else None),
            ("updates", ", ".join(f"{count(len(chain))} on {chain.name}" for chain in findings.chains) or None),
        ]
    )


def left_out(findings: Findings) -> list[str]:
    """What the figures do not contain, and why, in sentences."""
    said = []
    rotation = findings.rotation
    if rotation is None:
        why = next((one.why for one in findings.unsound if one.covers("rotation.speed")), "the rig has no index")
        said.append(f"Rotation, latency and placement were not measured: {why}.")
    else:
        if rotation.turns.empty:
            said.append(f"No revolution was found on {rotation.channel}: rotation, latency and placement are missing.")
        unused = int((~rotation.turns["used"].to_numpy(dtype=bool)).sum())
        if unused:
            are = "is" if unused == 1 else "are"
            said.append(
                f"{count(unused)} of {count(len(rotation.turns))} revolutions {are} left out of the "
                f"figures for rotation and placement, {_why_unused(findings.incidents, findings.capture, rotation)}."
            )
        if findings.chains and not rotation.begins_known:
            said.append(
                "Latency was not measured, and where columns sit is not known: several index pulses look alike, and "
                "the updates do not show which of them the firmware counts from."
            )
    if not findings.chains:
        said.append("LED timing, latency and placement were not measured: the rig has no LED line.")
    for chain, placement, latency in zip(findings.chains, findings.placements, findings.latencies, strict=True):
        said += _left_out_of_chain(chain, placement, latency)
    said += [
        f"{table.name}: the probe sat behind an LED, which sends bits of its own shape, so they were not held against "
        "the limits of the part's sheet."
        for table in findings.rig.leds
        if table.tap == "after-led"
    ]
    misplaced = next((one.why for one in findings.unsound if one.what == "motor."), None)
    if misplaced is not None:
        said.append(f"Of the motor lines one was left out: {misplaced}.")
    elif rotation is not None and findings.motor is not None and findings.motor.witness is None:
        said.append("The motor lines could not witness the shaft's angle: see the notes on them.")
    named = set(findings.rig.channels().values())
    for channel in findings.capture.channels[:MOST_CHANNELS]:
        told = len(unknown_told(findings.capture, channel)) == len(channel.unknown)
        warned = told and not named.isdisjoint((channel.name, channel.path))
        if len(channel.unknown) and not warned and not left_out_in_reading(findings.capture, channel):
            said.append(_level_unknown(channel, findings.capture))
    return said


def _why_unused(incidents: IncidentReport, capture: Capture, rotation: Rotation) -> str:
    """Why turns are not used, the commonest reason first, each with their number where there are several."""
    gaps = [one for one in incidents.incidents if one.kind == "capture-gap"]
    spans = [(one.tick, one.tick + round((one.observed or 0.0) / float(capture.tick))) for one in gaps]
    index = [one for one in capture.channels if rotation.channel in (one.name, one.path)]
    spans += [(int(begin), int(end)) for one in index for begin, end in one.unknown]
    unused = ~rotation.turns["used"].to_numpy(dtype=bool)
    kind = rotation.turns["kind"].to_numpy()
    unseen = turns_touched(rotation, spans)
    uncounted = ~unseen & (kind == "doubtful")
    running = ~unseen & np.isin(kind, ("run-up", "run-down"))
    reasons = {
        "of a gap of the recording, or a stretch in which the index was unknown": unseen,
        "the index was silent for so long that turns could not be counted": uncounted,
        "the shaft was getting up to speed or coming to rest": running,
        "an index pulse at one of their ends was missed, shifted or doubled": ~(unseen | uncounted | running),
    }
    found = {why: int((unused & which).sum()) for why, which in reasons.items()}
    ordered = sorted(((n, why) for why, n in found.items() if n), key=lambda one: -one[0])
    if len(ordered) == 1:
        return f"because {ordered[0][1]}"
    return ", ".join(f"{count(n)} because {why}" for n, why in ordered)


def _level_unknown(channel: Channel, capture: Capture) -> str:
    """When a line's level was not known, and which it was taken to have meanwhile."""
    if channel.initial == UNKNOWN:
        return f"{channel.name}: its level was never known: x, z or no value at all in the whole recording."
    stretches = len(channel.unknown)
    total = float(np.diff(channel.unknown, axis=1).sum() * capture.tick)
    often = "once" if stretches == 1 else f"{stretches} times"
    begun = int(channel.unknown[0, 0]) <= capture.start
    held = ["up to its first known level that one was taken"] if begun else []
    if stretches > begun:
        held.append("the last known level was held meanwhile")
    return (
        f"{channel.name}: level unknown (x, z or no sample) {often}, {si(total, 's')} in all; {', later '.join(held)}."
    )


def _left_out_of_chain(chain: ChainUpdates, placement: Placement | None, latency: Latency | None) -> list[str]:
    said = []
    cut = int((~chain.whole).sum())
    if cut:
        noun = "update" if cut == 1 else "updates"
        where = "start, its end or what was not recorded" if chain.lost_intervals else "start or end"
        said.append(f"{chain.name}: {cut} {noun} cut by the capture's {where}, not judged.")
    if chain.lost_intervals:
        n = "1 interval" if chain.lost_intervals == 1 else f"{chain.lost_intervals} intervals"
        said.append(
            f"{chain.name}: {n} across gaps of the recording or stretches of x and z: their true lengths are not "
            "known, so that they are in no figure and no verdict."
        )
    if placement is not None:
        outside = int((placement.places.revolution < 0).sum())
        if outside:
            said.append(f"{chain.name}: {outside} updates lie before the first or after the last whole revolution.")
    if placement is not None and placement.gap_turns:
        one = placement.gap_turns == 1
        n = "1 revolution that meets" if one else f"{count(placement.gap_turns)} revolutions that meet"
        said.append(f"{chain.name}: {n} a stretch nobody saw left out of the figures for placement.")
    if placement is not None and placement.broken:
        noun, are = ("update", "it is an incident") if placement.broken == 1 else ("updates", "they are incidents")
        said.append(
            f"{chain.name}: {placement.broken} {noun} with other than the chain's {chain.leds_seen} LEDs left out of "
            f"the placement errors; {are}."
        )
    if latency is not None and latency.revolutions_with_broken_update:
        broken = latency.revolutions_with_broken_update
        noun = "revolution" if broken == 1 else "revolutions"
        said.append(
            f"{chain.name}: {count(broken)} {noun} whose first update has other than the chain's {chain.leds_seen} "
            "LEDs left out of wire time and latency: the light is all there only when a whole update is latched."
        )
    if placement is not None and placement.changes_only:
        turns = placement.places.revolution[placement.places.column == 0]
        silent = len(placement.turns) - len(np.unique(turns[turns >= 0]))
        said.append(
            f"{chain.name}: a column that shows the same as the one before it changes no line and cannot be seen; only "
            "columns that change in most turns count as missing where they do not. The first column changed nothing in "
            f"{silent} of {len(placement.turns)} turns, whose latency is not known."
        )
    return said


def latency_section(findings: Findings, chain_index: int) -> Mapping[str, Any] | None:
    """Latency of one chain: the part that turns the picture, the part that blurs it, and the table."""
    latency = findings.latencies[chain_index]
    if latency is None or latency.latency.n == 0:
        return None
    rows = [
        statistics_row("response: index edge to first data edge", latency.response, "s"),
        statistics_row("wire: first to last data edge", latency.wire, "s"),
        statistics_row("latch: last data edge to visible light", latency.latch, "s"),
        statistics_row("latency: index edge to visible light", latency.latency, "s"),
        statistics_row("latency in degrees of rotation", latency.latency_deg, "deg"),
        statistics_row("latency in columns", latency.latency_columns, "1"),
    ]
    return {
        "chain": latency.chain,
        "rows": rows,
        "constant": _constant(findings, latency),
        "varying": _varying(findings, latency),
        "bound": _what_n_bounds(latency),
    }


def _per_second(latency: Latency) -> tuple[float, float]:
    """Degrees and columns that pass in a second, at the mean speed."""
    mean = latency.latency.mean or 0.0
    if not mean:
        return 0.0, 0.0
    return (latency.latency_deg.mean or 0.0) / mean, (latency.latency_columns.mean or 0.0) / mean


def _constant(findings: Findings, latency: Latency) -> str:
    degrees, columns = _per_second(latency)
    middle = latency.latency.median or 0.0
    return (
        f"Constant part: the median latency of {measured(middle, half_width(findings, middle), 's')} turns the whole "
        f"picture by {si(middle * degrees, 'deg', 3)} ({si(middle * columns, '1', 3)} columns). It is the same in "
        "every revolution and can be trimmed out, by moving the sensor or by starting that much earlier."
    )


def _varying(findings: Findings, latency: Latency) -> str:
    degrees, columns = _per_second(latency)
    if latency.jitter_std_s is None or latency.jitter_peak_to_peak_s is None:
        return "Varying part: not measured, it takes two revolutions with an update."
    std, span = latency.jitter_std_s, latency.jitter_peak_to_peak_s
    reach = 2 * findings.capture.sample_period_s
    return (
        f"Varying part: standard deviation {measured(std, latency.jitter_uncertainty_s, 's')} "
        f"({si(std * degrees, 'deg', 3)}, {si(std * columns, '1', 2)} columns), "
        f"peak to peak {measured(span, reach, 's')} "
        f"({si(span * degrees, 'deg', 3)}, {si(span * columns, '1', 2)} columns). It moves the picture from one "
        "revolution to the next and so blurs it; no trimming takes it away."
    )


def _what_n_bounds(latency: Latency) -> str:
    n = latency.latency.n
    share = bounded_content(n)
    said = (
        f"{count(n)} revolutions: with 95 % confidence at least {share:.2%} of all revolutions stay below the longest "
        "latency seen (Wilks)."
    )
    missing, all_n = latency.revolutions_without_update, len(latency.table)
    rate = fault_rate_bound(missing, all_n)
    return (
        f"{said} Revolutions without an update: {missing} of {count(all_n)}, so at most {rate:.2%} with 95 % "
        "confidence (Clopper-Pearson)."
    )


def placement_section(placement: Placement | None) -> Mapping[str, Any] | None:
    """Placement of one chain: what turns, what stretches, what jitters, the seam and the columns that are missing."""
    if placement is None or placement.offset.n == 0:
        return None
    rows = [
        statistics_row("offset: the picture is turned by", placement.offset, "deg"),
        statistics_row("residue of single updates", placement.residue, "deg"),
        statistics_row("seam to the next revolution", placement.seam, "deg"),
    ]
    scale = placement.scale
    slot = 360 / placement.columns
    residue = placement.residue_rms_deg
    texts = [
        f"{placement.columns} columns ({placement.columns_from}), each {si(slot, 'deg')} wide.",
        "Residue (rms): "
        + with_uncertainty(placement.residue_rms_deg, placement.residue_uncertainty_deg, "deg")
        + (f", {si(residue / slot * 100, '%', 2)} of a column." if residue else "."),
        angle_sentence(placement),
    ]
    if scale.mean is not None:
        texts.append(
            f"Scale: the firmware's idea of the period was wrong by "
            f"{measured(scale.mean * 100, (scale.uncertainty or 0) * 100, '%')} on average"
            + (f", with a standard deviation of {si(scale.std * 100, '%', 2)}" if scale.std is not None else "")
            + f"; 1 % would be {si(3.6, 'deg')} at the end of the turn."
        )
    texts.append(
        f"Columns expected {count(placement.columns_expected)}: {count(placement.missing)} missing, "
        f"{count(placement.repeated)} repeated, {count(placement.extra)} more than there are columns."
    )
    return {"chain": placement.chain, "rows": rows, "texts": texts}


def rotation_section(findings: Findings) -> Mapping[str, Any] | None:
    """Speed, period and jitter; what each means as an angle on the picture."""
    rotation = findings.rotation
    if rotation is None or rotation.turns.empty:
        return None
    period = rotation.period.mean
    facts: list[tuple[str, str | None]] = [
        ("index line", rotation.channel),
        ("revolutions", f"{count(len(rotation.turns))}, {count(rotation.turns['used'].sum())} of them in the figures"),
    ]
    jitters = (
        ("period jitter, rms", rotation.period_jitter_rms_s, rotation.jitter_uncertainty_s),
        (
            "period jitter, peak to peak",
            rotation.period_jitter_peak_to_peak_s,
            2 * findings.capture.sample_period_s,
        ),
        ("cycle-to-cycle jitter, rms", rotation.cycle_to_cycle_jitter_rms_s, rotation.jitter_uncertainty_s),
    )
    for label, value, expanded in jitters:
        text = with_uncertainty(value, expanded, "s", "not measured, too few revolutions")
        if value is not None and period:
            text += f", {si(360 * value / period, 'deg', 3)} on the picture"
        facts.append((label, text))
    if rotation.drift_rev_per_s2 is not None:
        expanded = _drift_uncertainty(findings)
        facts.append(
            ("drift of the speed", f"{with_uncertainty(rotation.drift_rev_per_s2, expanded, 'rev/s')} per second")
        )
    return {
        "facts": pairs(facts),
        "rows": _rotation_rows(rotation),
        "allan": _allan_rows(rotation, period),
        "notes": rotation.notes,
    }


def _drift_uncertainty(findings: Findings) -> float | None:
    """Expanded uncertainty of the drift in rev/s per second; the quality of the rotation has it as a share."""
    speed = findings.rotation.speed.mean if findings.rotation is not None else None
    if findings.quality is None or speed is None:
        return None
    share = findings.quality.measure("rotation.drift").uncertainty
    return None if share is None else share * speed


def _rotation_rows(rotation: Rotation) -> list[StatisticsRow]:
    return [
        statistics_row("speed", rotation.speed, "rev/s"),
        statistics_row("period", rotation.period, "s"),
    ]


def _allan_rows(rotation: Rotation, period: float | None) -> list[tuple[str, str, str, str]]:
    """Averaging time, deviation, its interval, and the angle that it means after such a time."""
    rows = []
    for record in rotation.allan.head(12).to_dict(orient="records"):
        tau, deviation = float(record["tau_s"]), float(record["adev"])
        low, high = float(record["low"]), float(record["high"])
        interval = f"{low:.2g} to {high:.2g}" if np.isfinite(low) and np.isfinite(high) else "not known"
        turned = si(360 * deviation * tau / period, "deg", 2) if period and np.isfinite(deviation) else "–"
        rows.append((si(tau, "s"), f"{deviation:.2g}", interval, turned))
    return rows


def channel_rows(findings: Findings) -> list[tuple[str, str, str, str, str]]:
    """Name, path, edges, role and why, for each channel of the capture."""
    roles = {role.channel: role for role in findings.roles}
    rows: list[tuple[str, str, str, str, str]] = []
    for channel in findings.capture.channels[:MOST_CHANNELS]:
        role = roles.get(channel.path) or roles.get(channel.name)
        rows.append(
            (
                channel.name,
                channel.path,
                count(len(channel.edges)),
                role.role if role else "other",
                "; ".join(role.reasons) if role else "",
            )
        )
    return rows


def half_width(findings: Findings, seconds: float) -> float:
    """What 95 % of errors of one interval of that length stay within, seconds."""
    ppm = findings.rig.capture.clock_ppm
    return mean_interval_uncertainty(findings.capture.sample_period_s, 1, clock_ppm=ppm, mean_s=seconds) or 0.0
