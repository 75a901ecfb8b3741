"""What the command line says about a capture: data in, lines out."""

from __future__ import annotations

import os

from spinlag.findings import Findings
from spinlag.incidents.suspects import SIGNIFICANT
from spinlag.report.format import count, measured, si
from spinlag.report.names import printable
from spinlag.report.sections import headline, left_out

MOST_LINES = 20
MOST_EVENTS = 5
_PLAIN = str.maketrans({"\u00a0": " ", "\u202f": " ", "\u2212": "-", "\u2013": "-"})


def summary_lines(findings: Findings) -> list[str]:
    """A summary in a dozen lines or so: what was read, what is doubtful, what was measured, what was judged.

    Every line is free of control characters, whatever the names in the capture hold.
    """
    lines = [_capture_line(findings), *_measured_lines(findings)]
    if findings.rig.guessed:
        lines.append("NO RIG WAS GIVEN; everything below rests on these guesses:")
        lines += _some([f"  guessed: {sentence}" for sentence in findings.rig.guessed])
    warnings = list(dict.fromkeys((*findings.capture.warnings, *findings.warnings)))
    lines += _some([f"warning: {warning}" for warning in warnings])
    lines += _some([f"left out: {sentence}" for sentence in left_out(findings)])
    lines += _incident_lines(findings)
    head = headline(findings)
    for outcome, said in (("fail", head.failed), ("undecided", head.undecided), ("not-measured", head.not_measured)):
        lines += _some([f"{outcome}: {sentence}" for sentence in said])
    lines.append(f"verdict: {findings.verdict} ({head.tally})")
    return [printable(line.translate(_PLAIN), longest=1000) for line in lines]


def _some(lines: list[str]) -> list[str]:
    if len(lines) <= MOST_LINES:
        return lines
    return [*lines[: MOST_LINES - 1], f"  and {len(lines) - MOST_LINES + 1} more of this kind, see the report"]


def _capture_line(findings: Findings) -> str:
    capture = findings.capture
    return (
        f"{printable(os.path.basename(capture.file))}: {capture.duration_s:.6g} s, {len(capture.channels)} channels, "
        f"sampled every {si(capture.sample_period_s, 's')} ({capture.sample_period.source})"
    )


def _measured_lines(findings: Findings) -> list[str]:
    lines = []
    rotation = findings.rotation
    if rotation is not None and rotation.speed.n:
        speed = measured(rotation.speed.mean, rotation.speed.uncertainty, "rev/s")
        jitter = measured(rotation.period_jitter_rms_s, rotation.jitter_uncertainty_s, "s")
        lines.append(f"rotation: {count(len(rotation.turns))} revolutions, {speed}, period jitter {jitter} rms")
    for chain, latency, placement in zip(findings.chains, findings.latencies, findings.placements, strict=True):
        part = chain.part.name if chain.part else "no part given"
        name = printable(chain.name)
        lines.append(f"{name}: {count(len(chain))} updates of {chain.leds_seen} LEDs ({printable(part)})")
        if latency is not None and latency.latency.n:
            lines.append(
                f"{name}: latency {measured(latency.latency.mean, latency.latency.uncertainty, 's')} on average "
                f"({si(latency.latency_deg.mean, 'deg', 3)}), from {si(latency.latency.min, 's')} to "
                f"{si(latency.latency.max, 's')}, standard deviation "
                f"{measured(latency.jitter_std_s, latency.jitter_uncertainty_s, 's')}"
            )
        if placement is not None and placement.offset.n:
            residue = measured(placement.residue_rms_deg, placement.residue_uncertainty_deg, "deg")
            lines.append(
                f"{name}: {placement.columns} columns, residue {residue} rms, {count(placement.missing)} of "
                f"{count(placement.columns_expected)} missing"
            )
    return lines


def _incident_lines(findings: Findings) -> list[str]:
    """The events that hurt the picture most, in order of time, and the suspects beyond chance."""
    events = findings.incidents.events
    lines = []
    for event in sorted(events[:MOST_EVENTS], key=lambda event: event.origin.tick):
        effects = f" and {len(event.effects)} that followed" if event.effects else ""
        lines.append(f"incident {event.id} ({event.origin.kind}{effects}): {event.sentence}")
    if len(events) > MOST_EVENTS:
        lines.append(f"  and {len(events) - MOST_EVENTS} events that hurt the picture less, see the report")
    guilty = [suspect for suspect in findings.incidents.suspects if suspect.p < SIGNIFICANT]
    suspects = [f"suspect: {suspect.what}: {suspect.detail} (corrected p = {suspect.p:.2g})" for suspect in guilty]
    return [*lines, *_some(suspects)]
