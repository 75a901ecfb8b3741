"""What the incident section of the report shows, as plain data and pictures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from spinlag.findings import Findings
from spinlag.incidents.closeup import MOST_CLOSEUPS, Bench, close_ups
from spinlag.incidents.find import Seen
from spinlag.incidents.model import Event, Incident, IncidentReport, Suspect
from spinlag.incidents.sentences import share_of_area
from spinlag.incidents.suspects import SIGNIFICANT
from spinlag.picture.change import IncidentView
from spinlag.report.figures import moment_figure
from spinlag.report.format import MISSING, count, si
from spinlag.report.incident_figures import target_figure, view_figure
from spinlag.report.moments import close_up_moment
from spinlag.report.names import printable

MOST_EVENTS = 200
MOST_SUSPECTS = 12
MOST_EFFECTS = 12
MOST_NAMED = 3


def incident_texts(report: IncidentReport, seen: Seen | None) -> dict[str, Any]:
    """Everything in the section but the pictures; the same keys where nothing happened."""
    return {
        "total": len(report.incidents),
        "origins": len(report.events),
        "clean": _clean(report),
        "worst": [_event(event, seen) for event in report.events[:MOST_CLOSEUPS]],
        "others": [_event_row(event) for event in report.events[MOST_CLOSEUPS:MOST_EVENTS]],
        "left_out": max(len(report.events) - MOST_EVENTS, 0),
        "suspects": [_suspect(suspect) for suspect in report.suspects[:MOST_SUSPECTS]],
        "suspects_left_out": max(len(report.suspects) - MOST_SUSPECTS, 0),
        "guilty": [f"{one.what}: {one.detail}." for one in report.suspects if one.p < SIGNIFICANT][:MOST_NAMED],
        "significant": f"{SIGNIFICANT:g}",
        "rates": [_rate(row) for _, row in report.rates.iterrows()],
        "exposure": f"{count(report.revolutions)} revolutions, {si(report.duration_s, 's')}",
        "notes": report.notes,
        "target": None if seen is None or seen.target is None else seen.target.sentence,
    }


def incident_pictures(
    findings: Findings, report: IncidentReport, seen: Seen | None
) -> Iterator[tuple[str, Figure, str, str]]:
    """Key, figure, words for those who cannot see it, and caption: `seen-I4`, `close-I4-0`, `target`.

    Yields lazily, one figure at a time, so that only one is alive.
    """
    bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
    for event in report.events[:MOST_CLOSEUPS]:
        view = None if seen is None else seen.view(event)
        if seen is not None and view is not None and view.changed_light > seen.changes.threshold:
            yield (
                f"seen-{event.id}",
                view_figure(seen.screen, view),
                f"Usual picture, revolution {view.revolution} and their difference",
                _view_caption(view, seen.screen.geometry, _also_in(view.revolution, event, report)),
            )
        for number, one in enumerate(close_ups(bench, event)):
            moment = close_up_moment(findings.capture, one)
            yield (
                f"close-{event.id}-{number}",
                moment_figure(findings.capture, findings.rig, moment),
                printable(moment.title),
                f"{printable(one.incident.detail, 300)}. Dashed lines say what was expected and what came.",
            )
    if seen is not None and seen.target is not None:
        yield "target", target_figure(seen.target), "Target and usual picture", seen.target.sentence


def _also_in(revolution: int, event: Event, report: IncidentReport) -> list[str]:
    """Other events that touched a revolution: what they changed is in its picture too."""
    return [
        other.id
        for other in report.events
        if other is not event
        and other.first_revolution is not None
        and other.last_revolution is not None
        and other.first_revolution <= revolution <= other.last_revolution
    ]


def _view_caption(view: IncidentView, geometry: str, others: list[str]) -> str:
    disc = geometry == "arm"
    text = f"In revolution {view.revolution}, "
    if view.changed_area:
        text += f"{share_of_area(view.changed_area)} of the picture's area showed another light than usual"
    else:
        text += "no spot changed by as much as a sixteenth of the brightest light"
    if view.sector_deg is not None:
        first, last = view.sector_deg[0] % 360, view.sector_deg[1] % 360
        text += f", most between {first:.0f}° and {last:.0f}° after the reference ({'arc' if disc else 'bar'})"
    if others:
        named = ", ".join(others[:MOST_NAMED]) + (
            f" and {len(others) - MOST_NAMED} more" if others[MOST_NAMED:] else ""
        )
        text += f"; some of it is due to {named}, in the same revolution"
    if view.lasting_turns:
        turns = f"{view.lasting_turns} turns" if view.lasting_turns > 1 else "one turn"
        text += f". The picture was not the usual one for {turns} of this event ({si(view.lasting_s, 's', 3)})"
    return (
        f"{text}. Summed over a tenth of a second, as the eye does (Bloch's law), {share_of_area(view.summed_change)} "
        "of the light was wrong. In the difference orange is more light than usual, blue less, grey another colour."
        + (" The tick on top of a disc is the reference." if disc else "")
    )


def _clean(report: IncidentReport) -> str:
    if report.incidents:
        return ""
    high = report.rates["per_1000_revolutions_high"].max() if len(report.rates) else float("nan")
    if not report.revolutions or math.isnan(high):
        return "No incident was seen."
    return (
        f"No incident was seen in {count(report.revolutions)} revolutions. That bounds each kind at "
        f"{si(float(high), '1', 3)} per 1,000 revolutions (95 %, Poisson)."
    )


def _event(event: Event, seen: Seen | None) -> dict[str, Any]:
    return {
        **_event_row(event),
        "effects": [_effect(item) for item in event.effects[:MOST_EFFECTS]],
        "effects_left_out": max(len(event.effects) - MOST_EFFECTS, 0),
        "threshold": event.origin.threshold,
        "evidence": _evidence(event.origin),
        "picture": f"seen-{event.id}" if seen is not None else None,
        "close_ups": [f"close-{event.id}-{number}" for number in range(2)],
    }


def _event_row(event: Event) -> dict[str, Any]:
    origin = event.origin
    return {
        "id": origin.id,
        "kind": origin.kind,
        "time": f"{origin.time_s:.6f}\u00a0s",
        "revolution": MISSING if origin.revolution is None else str(origin.revolution),
        "angle": si(origin.shaft_angle_deg, "deg", 4),
        "channel": origin.channel,
        "sentence": event.sentence,
        "n_effects": len(event.effects),
    }


def _effect(item: Incident) -> dict[str, Any]:
    return {
        "id": item.id,
        "kind": item.kind,
        "delay": si(item.delay_s, "s", 4),
        "cause": item.cause or "",
        "detail": item.detail,
        "because": item.because,
    }


def _evidence(item: Incident) -> str:
    if item.observed is None and item.expected is None:
        return ""
    unit = item.unit if item.unit in ("s", "deg", "1") else ""
    plain = "" if unit or not item.unit else f" {item.unit}"
    return f"expected {si(item.expected, unit)}{plain}, observed {si(item.observed, unit)}{plain}"


def _suspect(suspect: Suspect) -> dict[str, Any]:
    return {
        "what": suspect.what,
        "detail": suspect.detail,
        "effect": f"{max(suspect.effect, 0.0):.2f}",
        "p": "< 0.0001" if suspect.p < 1e-4 else f"{suspect.p:.2g}",
        "verdict": "beyond chance" if suspect.p < SIGNIFICANT else "no more than chance",
        "test": suspect.test,
        "statistic": f"{suspect.statistic:.3g}",
        "n": str(len(suspect.incidents)),
    }


def _rate(row: pd.Series[Any]) -> dict[str, Any]:
    def interval(name: str) -> str:
        value, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
        if math.isnan(value):
            return MISSING
        if value == 0:
            return f"none seen, at most {si(high, '1', 3)}"
        return f"{si(value, '1', 3)} ({si(low, '1', 3)} to {si(high, '1', 3)})"

    return {
        "kind": row["kind"],
        "incidents": count(int(row["incidents"])),
        "origins": count(int(row["origins"])),
        "per_1000": interval("per_1000_revolutions"),
        "per_minute": interval("per_minute"),
    }
