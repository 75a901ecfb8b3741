"""Moments worth a close look: the window, the instants to mark and the intervals to dimension."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.errors import OutputError, Problem, RigError
from spinlag.findings import Findings
from spinlag.incidents.closeup import Bench, CloseUp, close_up
from spinlag.report.format import measured, si
from spinlag.report.names import printable
from spinlag.report.plots.timing import Dimension, Line, Mark
from spinlag.report.results import incident_rows
from spinlag.rig import Rig
from spinlag.small_files import write_whole
from spinlag.uncertainty import mean_interval_uncertainty

MAX_LINES = 16
_USUAL_SPAN_S = 2e-3
_MOST_MARKS = 6
_ORDER = ("index", "leds", "motor", "markers")


@dataclass(frozen=True)
class Moment:
    """A window [t0_s, t1_s) on the capture's own time axis, and what to point out in it.

    `zero_s` is the instant from which the picture counts, `zero_label` says what happened then. Marks and dimensions
    are on the capture's axis too. `slug` is safe in a file name.
    """

    title: str
    slug: str
    t0_s: float
    t1_s: float
    zero_s: float
    zero_label: str
    marks: tuple[Mark, ...] = ()
    dimensions: tuple[Dimension, ...] = ()
    channels: tuple[str, ...] = ()
    """Paths of the channels to show; empty for all that the rig names and all others that move."""


def find_moment(
    findings: Findings,
    *,
    time_s: float | None = None,
    revolution: int | None = None,
    incident: str | None = None,
    span_ms: float | None = None,
) -> Moment:
    """The moment meant by exactly one of `time_s`, `revolution` and `incident`; `span_ms` sets the width shown.

    Raises RigError (one line) where the capture has no such moment.
    """
    span_s = None if span_ms is None else span_ms * 1e-3
    if revolution is not None:
        return revolution_moment(findings, revolution, span_s=span_s)
    if incident is not None:
        return _incident_moment(findings, incident, span_s)
    if time_s is None:
        raise ValueError("one of time_s, revolution and incident is needed")
    return _time_moment(findings, time_s, span_s)


def worst_moment(findings: Findings) -> Moment | None:
    """The revolution with the longest latency; None where no latency was measured."""
    for chain, latency in enumerate(findings.latencies):
        if latency is not None and latency.latency.n:
            row = int(np.nanargmax(latency.table["latency_s"].to_numpy()))
            return revolution_moment(findings, int(latency.table["revolution"].iloc[row]), chain=chain)
    return None


def revolution_moment(
    findings: Findings, revolution: int, *, chain: int | None = None, span_s: float | None = None
) -> Moment:
    """From the index edge of a revolution to the visible instant of its first update, intervals dimensioned."""
    rotation = findings.rotation
    if rotation is None or not 0 <= revolution < len(rotation.turns):
        have = "no revolution" if rotation is None or rotation.turns.empty else f"0 to {len(rotation.turns) - 1}"
        raise RigError([Problem("revolution", f"there is no revolution {revolution}; the capture has {have}")])
    turn = rotation.turns.iloc[revolution]
    period = float(turn["period_s"])
    chosen = _latency_row(findings, revolution, chain)
    if chosen is None:
        zero = float(turn["start_s"])
        width = span_s or min(period, _USUAL_SPAN_S)
        return Moment(
            title=f"revolution {revolution}: no update was seen in it",
            slug=f"revolution-{revolution}",
            t0_s=zero - 0.1 * width,
            t1_s=zero + 0.9 * width,
            zero_s=zero,
            zero_label="time after the start of the revolution",
            marks=(Mark(zero, "start of the revolution"),),
        )
    name, row = chosen
    zero = float(row["index_s"])
    start, light = zero + float(row["response_s"]), zero + float(row["latency_s"])
    last = start + float(row["wire_s"])
    width = span_s or 1.35 * (light - zero)

    def length(what: str, seconds: float) -> str:
        bound = mean_interval_uncertainty(
            findings.capture.sample_period_s, 1, clock_ppm=findings.rig.capture.clock_ppm, mean_s=seconds
        )
        return f"{what} {measured(seconds, bound, 's')}"

    return Moment(
        title=f"revolution {revolution}, chain {printable(name, 40)}: index edge to first light",
        slug=f"revolution-{revolution}",
        t0_s=zero - 0.1 * width,
        t1_s=zero + 0.9 * width,
        zero_s=zero,
        zero_label="time after the index edge",
        marks=(Mark(zero, "index edge"), Mark(light, "new light visible")),
        dimensions=(
            Dimension(zero, start, length("response", start - zero)),
            Dimension(start, last, length("wire", last - start)),
            Dimension(last, light, f"latch time {si(light - last, 's')} (taken, not measured)"),
            Dimension(zero, light, f"{length('latency', light - zero)} = {_degrees(light - zero, period)}"),
        ),
    )


def _degrees(seconds: float, period_s: float) -> str:
    return f"{si(360 * seconds / period_s, 'deg', 3)} of rotation"


def _latency_row(findings: Findings, revolution: int, chain: int | None) -> tuple[str, dict[str, float]] | None:
    wanted = range(len(findings.latencies)) if chain is None else (chain,)
    for index in wanted:
        latency = findings.latencies[index]
        if latency is None:
            continue
        rows = latency.table[latency.table["revolution"] == revolution]
        if len(rows) and np.isfinite(rows["latency_s"].iloc[0]):
            return latency.chain, {str(key): float(value) for key, value in rows.iloc[0].items()}
    return None


def _incident_moment(findings: Findings, incident: str, span_s: float | None) -> Moment:
    rows = incident_rows(findings)
    row = next((row for row in rows if row["id"].lower() == incident.lower()), None)
    if row is None:
        have = f"{rows[0]['id']} to {rows[-1]['id']}" if rows else "none"
        raise RigError([Problem("incident", f"there is no incident {printable(incident, 40)}; the capture has {have}")])
    if span_s is None:
        item = next(item for item in findings.incidents.incidents if item.id == row["id"])
        bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
        shown = close_up_moment(findings.capture, close_up(bench, item, findings.incidents.event_of(item.id)))
        return replace(shown, title=f"{shown.title}: {printable(item.detail, 200)}")
    width = span_s
    return Moment(
        title=f"{row['id']}, {row['kind']}: {printable(row['detail'], 200)}",
        slug=f"incident-{row['id']}",
        t0_s=row["time_s"] - 0.4 * width,
        t1_s=row["time_s"] + 0.6 * width,
        zero_s=row["time_s"],
        zero_label="time after the incident",
        marks=(Mark(row["time_s"], str(row["kind"])),),
    )


def close_up_moment(capture: Capture, close_up: CloseUp) -> Moment:
    """The moment that a close-up shows, for the timing picture."""

    def seconds(tick: int) -> float:
        return float(capture.seconds(tick))

    return Moment(
        title=close_up.title,
        slug=f"incident-{close_up.incident.id}",
        t0_s=seconds(close_up.t0),
        t1_s=seconds(close_up.t1),
        zero_s=seconds(close_up.zero),
        zero_label="time after the incident",
        marks=tuple(Mark(seconds(tick), label) for tick, label in close_up.marks),
        dimensions=tuple(
            Dimension(seconds(span.from_tick), seconds(span.to_tick), span.label) for span in close_up.spans
        ),
        channels=tuple(capture.channel(name).path for name in close_up.channels),
    )


def _time_moment(findings: Findings, time_s: float, span_s: float | None) -> Moment:
    capture = findings.capture
    begin, end = (float(capture.seconds(tick)) for tick in (capture.start, capture.end))
    if not begin <= time_s <= end:
        raise RigError([Problem("time", f"{time_s:g} s lies outside the capture, {begin:.6g} s to {end:.6g} s")])
    width = span_s or _USUAL_SPAN_S
    return Moment(
        title=f"around {time_s:.9g} s",
        slug=f"time-{time_s:.9g}s".replace(".", "_").replace("+", ""),
        t0_s=time_s - 0.5 * width,
        t1_s=time_s + 0.5 * width,
        zero_s=time_s,
        zero_label="time from the instant asked for",
        marks=(Mark(time_s, "asked for"), *_incidents_in(findings, time_s - 0.5 * width, time_s + 0.5 * width)),
        dimensions=_since_the_index(findings, time_s),
    )


def _incidents_in(findings: Findings, t0_s: float, t1_s: float) -> list[Mark]:
    inside = [item for item in findings.incidents.incidents if t0_s <= item.time_s < t1_s]
    return [Mark(item.time_s, f"{item.id}, {item.kind}") for item in inside[:_MOST_MARKS]]


def _since_the_index(findings: Findings, time_s: float) -> tuple[Dimension, ...]:
    """How long before an instant its turn and its last update began; nothing where there is no turn or update."""
    found: list[Dimension] = []
    tick_s = float(findings.capture.tick)
    tick = round(time_s / tick_s)
    if findings.rotation is not None:
        bounds = findings.rotation.turn_ticks
        turn = int(bounds.searchsorted(tick, side="right")) - 1
        if 0 <= turn < len(bounds) - 1:
            since, period = (tick - int(bounds[turn])) * tick_s, float(bounds[turn + 1] - bounds[turn]) * tick_s
            label = f"{si(since, 's')} into revolution {turn} = {si(360 * since / period, 'deg', 3)}"
            found.append(Dimension(time_s - since, time_s, label))
    for chain in findings.chains:
        update = int(chain.start.searchsorted(tick, side="right")) - 1
        if update >= 0:
            since = (tick - int(chain.start[update])) * tick_s
            label = f"{si(since, 's')} after the start of update {update} of {printable(chain.name, 40)}"
            found.append(Dimension(time_s - since, time_s, label))
    return tuple(found)


def lines_of(capture: Capture, rig: Rig, moment: Moment) -> tuple[list[Line], int]:
    """The lines to draw, the rig's first, and how many others were left out; times count from `moment.zero_s`."""
    t0 = round(moment.t0_s / float(capture.tick))
    t1 = round(moment.t1_s / float(capture.tick)) + 1
    if moment.channels:
        chosen = [capture.channel(path) for path in moment.channels]
    else:
        given = rig.channels()
        keys = sorted(given, key=lambda key: _ORDER.index(key.partition(".")[0].partition("[")[0]))
        named = list(dict.fromkeys(capture.channel(given[key]).path for key in keys))
        chosen = [capture.channel(path) for path in named]
        moving = [c for c in capture.channels if c.path not in named and len(c.edges) and _edges(c, t0, t1).size]
        chosen += sorted(moving, key=lambda channel: channel.path)
    zero = round(moment.zero_s / float(capture.tick))
    lines = [_line(capture, channel, t0, t1, zero) for channel in chosen[:MAX_LINES]]
    return lines, max(len(chosen) - MAX_LINES, 0)


def _edges(channel: Channel, t0: int, t1: int) -> np.ndarray:
    begin, end = (int(channel.edges.searchsorted(tick)) for tick in (t0, t1))
    return np.asarray(channel.edges[begin:end], dtype=np.int64)


def _line(capture: Capture, channel: Channel, t0: int, t1: int, zero: int) -> Line:
    before = int(channel.edges.searchsorted(t0))
    initial = channel.initial if channel.initial == UNKNOWN else channel.initial ^ (before & 1)
    return Line(channel.name, initial, (_edges(channel, t0, t1) - zero) * float(capture.tick))


def draw_moment(findings: Findings, moment: Moment, path: str | Path) -> Path:
    """Save the timing picture of a moment as PNG or SVG, by the suffix of `path`. Raises OutputError."""
    return around_picture(findings.capture, findings.rig, moment, path)


def around_picture(capture: Capture, rig: Rig, moment: Moment, path: str | Path) -> Path:
    """Save the timing picture of a moment as PNG or SVG, by the suffix of `path`; whole or not at all.

    Raises OutputError for another suffix or where the file cannot be written.
    """
    from spinlag.report.figures import moment_figure
    from spinlag.report.plots import style

    target = Path(path)
    kind = target.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise OutputError(f"{printable(str(target), 400)}: a picture's name ends in .png or .svg")
    with style.styled():
        content = style.rendered(moment_figure(capture, rig, moment), "png" if kind == "png" else "svg")
    try:
        write_whole(target, content)
    except OSError as error:
        raise OutputError(f"{printable(str(target), 400)}: cannot write: {error.strerror or error}") from error
    return target


def shift_to_zero(moment: Moment) -> tuple[Sequence[Mark], Sequence[Dimension]]:
    """Marks and dimensions counted from `moment.zero_s`."""
    zero = moment.zero_s
    marks = [Mark(mark.time_s - zero, mark.label) for mark in moment.marks]
    return marks, [Dimension(d.from_s - zero, d.to_s - zero, d.label) for d in moment.dimensions]
