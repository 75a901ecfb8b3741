"""What went wrong, as tables of facts: incidents, the events they belong to, suspects and rates."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

INCIDENT_COLUMNS: dict[str, str] = {
    "id": "object",
    "kind": "object",
    "time_s": "float64",
    "revolution": "Int64",
    "shaft_angle_deg": "float64",
    "channel": "object",
    "origin": "object",
    "cause": "object",
    "delay_s": "float64",
    "expected": "float64",
    "observed": "float64",
    "unit": "object",
    "threshold": "object",
    "chain": "object",
    "update": "Int64",
    "detail": "object",
}
"""Columns of `IncidentReport.table` and of incidents.csv, in order, with their dtypes."""

RATE_COLUMNS: dict[str, str] = {
    "kind": "object",
    "incidents": "int64",
    "origins": "int64",
    "per_1000_revolutions": "float64",
    "per_1000_revolutions_low": "float64",
    "per_1000_revolutions_high": "float64",
    "per_minute": "float64",
    "per_minute_low": "float64",
    "per_minute_high": "float64",
}
"""Columns of `IncidentReport.rates`; NaN where there is no revolution or no time to divide by."""


@dataclass(frozen=True)
class Incident:
    """One departure from normal operation.

    `id` is `I1`, `I2`, ... in order of time. `tick` is in ticks of the capture, `time_s` the same instant in seconds of
    the file's time axis. `revolution` is None before the first and after the last whole one, `shaft_angle_deg` in
    [0, 360) likewise. `origin` is the id of the incident at the root of its event and `cause` the one that directly
    explains it; both are None for a root. `delay_s` counts from the origin; it is negative where an effect is dated to
    the start of a span (such as a turn) in which its origin lies. `expected` and `observed` are in `unit`;
    `threshold` says what made it an incident and where that figure came from. `chain` and `update` name the LED chain
    and the row of its updates table, where it concerns one. `because` says in words why the cause explains it.
    """

    id: str
    kind: str
    tick: int
    time_s: float
    revolution: int | None
    shaft_angle_deg: float | None
    channel: str
    detail: str
    origin: str | None = None
    cause: str | None = None
    delay_s: float | None = None
    expected: float | None = None
    observed: float | None = None
    unit: str = ""
    threshold: str = ""
    chain: str | None = None
    update: int | None = None
    because: str = ""


@dataclass(frozen=True)
class Event:
    """One origin with its effects, and what happened in a sentence.

    `effects` are in order of time. `first_revolution` and `last_revolution` bound what it touched (None where the
    capture has no revolutions there). `weight` orders events by how much they hurt: the share of a turn's picture that
    changed, summed over the turns touched, where a picture could be made, else the number of effects.
    """

    origin: Incident
    effects: tuple[Incident, ...]
    sentence: str
    first_revolution: int | None
    last_revolution: int | None
    weight: float = 0.0

    @property
    def id(self) -> str:
        """An event goes by its origin's id."""
        return self.origin.id


@dataclass(frozen=True)
class Suspect:
    """One thing that incidents might have in common, tested.

    `what` names it in words. `statistic` is the test's figure, named by `test`. `effect` is a size from 0 (nothing) to
    1 (every incident): the share of incidents beyond chance that follow an edge, the mean resultant length of angles
    or phases, or the rank-biserial correlation with a figure of the data. `p` is corrected for every suspect and
    window tried. `incidents` are the ids concerned. `value`, `low`, `high` in `unit` hold what was found (the delay
    window, the mean angle with its interval, the period).
    """

    what: str
    test: str
    statistic: float
    effect: float
    p: float
    incidents: tuple[str, ...]
    detail: str
    group: str = "all"
    channel: str | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""


@dataclass(frozen=True, eq=False)
class IncidentReport:
    """Everything found to have gone wrong. `incidents` in order of time, `events` worst first, `suspects` ranked.

    `rates` has one row per kind looked for (columns RATE_COLUMNS), with exact Poisson intervals (95 %) of the number of
    origins of that kind; for a kind never seen the upper figure is the one-sided 95 % bound. `notes` say what could
    not be looked for or told, and why.
    """

    incidents: tuple[Incident, ...]
    events: tuple[Event, ...]
    suspects: tuple[Suspect, ...]
    rates: pd.DataFrame
    revolutions: int
    duration_s: float
    notes: tuple[str, ...] = field(default=())

    @property
    def table(self) -> pd.DataFrame:
        """One row per incident, in order of time, with the columns of INCIDENT_COLUMNS; the same when empty."""
        return pd.DataFrame(
            {
                name: pd.Series([getattr(item, name) for item in self.incidents], dtype=dtype)
                for name, dtype in INCIDENT_COLUMNS.items()
            }
        )

    @property
    def origins(self) -> tuple[Incident, ...]:
        """The incidents at the root of an event, in order of time."""
        return tuple(item for item in self.incidents if item.origin is None)

    def event_of(self, incident_id: str) -> Event:
        """The event that an incident belongs to. Raises KeyError for an unknown id."""
        for event in self.events:
            if event.id == incident_id or any(effect.id == incident_id for effect in event.effects):
                return event
        known = f"I1 to I{len(self.incidents)}" if self.incidents else "none"
        raise KeyError(f"no incident {incident_id!r}; there are {known}")
