"""Everything about what went wrong, from the observations of all stages, in reading order."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from spinlag.capture import Capture
from spinlag.incidents.answers import Drawing, answer, doubt
from spinlag.incidents.detect import detect
from spinlag.incidents.link import Clock, clock_of, lasting_ticks, link
from spinlag.incidents.model import Event, Incident, IncidentReport
from spinlag.incidents.rates import rates
from spinlag.incidents.reconcile import reconcile
from spinlag.incidents.sentences import event_sentence, seen_sentence
from spinlag.incidents.standstill import marks_of
from spinlag.incidents.steps import without_false_steps
from spinlag.incidents.suspects import Scene, find_suspects
from spinlag.incidents.witness import shaft_says
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.picture import Screen, set_up_screen
from spinlag.picture.change import Changes, IncidentView, measure_changes, view_incident
from spinlag.picture.target import TargetComparison, compare_target_file
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.rotation import Rotation

if TYPE_CHECKING:
    from spinlag.motor import Motor


@dataclass(frozen=True, eq=False)
class Seen:
    """What the viewer saw: the screen, every turn's change against the usual picture, and the target's comparison
    (None where the rig names no target)."""

    screen: Screen
    changes: Changes
    unusual: frozenset[int]
    target: TargetComparison | None

    def view(self, event: Event) -> IncidentView | None:
        """The picture of the turn of an event that changed most, beside the usual one; None where it touched none."""
        first, last = event.first_revolution, event.last_revolution
        if first is None or not 0 <= first < self.screen.turns:
            return None
        return view_incident(self.screen, self.changes, first, self.unusual, last)


def find_incidents(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: tuple[ChainUpdates, ...],
    placements: tuple[Placement | None, ...],
    observations: Sequence[Observation],
    *,
    motor: Motor | None = None,
    gaps: Sequence[Observation] = (),
) -> tuple[IncidentReport, Seen | None]:
    """Incidents, events, suspects and rates from the observations of every stage, and the picture they spoiled.

    What no stage watches for is looked for here. `motor` is asked what the shaft did. The picture is None where none
    can be laid out (no revolutions, or no LED data). `gaps` are those of the recording that an earlier look found
    (`gaps_told`), where the chains were decoded with them.
    """
    turn_ticks = rotation.turn_ticks if rotation is not None else np.empty(0, dtype=np.int64)
    clock = clock_of(capture, turn_ticks, chains, placements, marks_of(rig))
    settled = reconcile(observations, capture, chains, placements)
    if motor is None and rotation is not None:
        settled = without_false_steps(settled, rotation)
    settled = (*settled, *detect(capture, rig, rotation, chains, placements, settled, gaps))
    incidents = link(reconcile(settled, capture, chains, placements), capture, clock)
    unusual = frozenset(_touched(incidents, clock))
    seen = _see(capture, rig, rotation, chains, placements, unusual)
    events = _events(incidents, capture, clock, seen, _drawing(chains, placements, clock), motor)
    origins = [item for item in incidents if item.origin is None]
    suspects, notes = find_suspects(origins, Scene(capture, rig, clock, rotation, chains))
    report = IncidentReport(
        incidents=incidents,
        events=events,
        suspects=suspects,
        rates=rates(incidents, kinds_looked_for(rig, rotation, chains), clock.turns, capture.duration_s),
        revolutions=clock.turns,
        duration_s=capture.duration_s,
        notes=notes,
    )
    return report, seen


def gaps_told(report: IncidentReport) -> tuple[Observation, ...]:
    """The gaps of the recording among the incidents, as they were observed."""
    return tuple(
        Observation(
            kind="capture-gap",
            tick=item.tick,
            channel=item.channel,
            detail=item.detail,
            expected=item.expected,
            observed=item.observed,
            unit=item.unit,
            threshold=item.threshold,
            revolution=item.revolution,
        )
        for item in report.incidents
        if item.kind == "capture-gap"
    )


_INDEX_KINDS = ("index-missed", "index-doubled", "index-runt", "index-shifted", "speed-step")
_MOTOR_KINDS = ("motor-sequence", "motor-dropout")
_DATA_KINDS = ("data-bit-time", "data-truncated", "data-pause", "data-silent", "data-overlong", "data-extra")
_COLUMN_KINDS = ("update-late", "update-missing", "update-repeated", "column-rate")


def kinds_looked_for(rig: Rig, rotation: Rotation | None, chains: Sequence[ChainUpdates]) -> tuple[str, ...]:
    """The kinds of incident that this rig and capture let one look for."""
    kinds = ["capture-gap"]
    kinds += _INDEX_KINDS if rotation is not None else ()
    kinds += _MOTOR_KINDS if rig.motor is not None else ()
    kinds += _DATA_KINDS if chains else ()
    kinds += _COLUMN_KINDS if chains and rotation is not None else ()
    return tuple(kinds)


def _see(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: tuple[ChainUpdates, ...],
    placements: tuple[Placement | None, ...],
    unusual: frozenset[int],
) -> Seen | None:
    screen = set_up_screen(capture, rig, rotation, chains, placements)
    if screen is None:
        return None
    changes = measure_changes(screen, unusual)
    target = compare_target_file(screen, rig.display, unusual) if rig.display.target is not None else None
    return Seen(screen, changes, unusual, target)


def _span_of(item: Incident, clock: Clock) -> tuple[int, int] | None:
    """First and last turn that an incident itself touches."""
    if item.revolution is None:
        return None
    lasts = lasting_ticks(item, clock)
    last = clock.turn_of(item.tick + lasts) if lasts else None
    return item.revolution, max(last or 0, item.revolution)


def _touched(incidents: Sequence[Incident], clock: Clock) -> set[int]:
    touched: set[int] = set()
    for item in incidents:
        span = _span_of(item, clock)
        if span is not None:
            touched.update(range(span[0], span[1] + 1))
    return touched


def _drawing(chains: Sequence[ChainUpdates], placements: Sequence[Placement | None], clock: Clock) -> Drawing | None:
    pairs = zip(chains, placements, strict=True)
    return next((Drawing(chain, placed, clock) for chain, placed in pairs if placed is not None), None)


def _events(
    incidents: Sequence[Incident],
    capture: Capture,
    clock: Clock,
    seen: Seen | None,
    drawing: Drawing | None,
    motor: Motor | None,
) -> tuple[Event, ...]:
    """Events, the one that hurt the picture most first."""
    effects: dict[str, list[Incident]] = defaultdict(list)
    for item in incidents:
        if item.origin is not None:
            effects[item.origin].append(item)
    events = [
        _event(item, effects[item.id], capture, clock, seen, drawing, motor)
        for item in incidents
        if item.origin is None
    ]
    return tuple(sorted(events, key=lambda event: (-event.weight, -len(event.effects), event.origin.tick)))


def _event(
    origin: Incident,
    effects: list[Incident],
    capture: Capture,
    clock: Clock,
    seen: Seen | None,
    drawing: Drawing | None,
    motor: Motor | None,
) -> Event:
    spans = [span for item in (origin, *effects) if (span := _span_of(item, clock)) is not None]
    first = min((span[0] for span in spans), default=None)
    last = max((span[1] for span in spans), default=None)
    sentence = event_sentence(
        origin,
        effects,
        answer=answer(origin, effects, drawing) or doubt(origin, capture),
        witness=shaft_says(origin, motor, clock),
    )
    event = Event(origin, tuple(effects), sentence, first, last, float(len(effects)))
    if seen is None or first is None or last is None:
        return event
    touched = slice(max(first, 0), last + 1)
    changed, area = seen.changes.light[touched], seen.changes.area[touched]
    out = changed > seen.changes.threshold
    lasted = float(np.diff(clock.turn_ticks[max(first, 0) : last + 2])[out].sum()) * clock.tick_s
    told = seen_sentence(int(out.sum()), lasted, float(area[out].max(initial=0.0)))
    return replace(event, weight=float(changed[out].sum()), sentence=f"{sentence} {told}".strip())
