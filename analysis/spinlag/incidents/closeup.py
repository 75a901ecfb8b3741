"""Close-ups of events as plain data: which window, which lines, what to mark and what to dimension."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spinlag.capture import Capture, Ticks
from spinlag.incidents.model import Event, Incident
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.rotation import NO_TICK, Rotation

MOST_CLOSEUPS = 10

_MARGIN = 0.12
_MOST_MARKS = 6
_BIT_WINDOW_S = 8e-6
_LEAST_WINDOW_S = 20e-6


@dataclass(frozen=True)
class Span:
    """One interval to dimension, ticks of the capture."""

    from_tick: int
    to_tick: int
    label: str


@dataclass(frozen=True)
class CloseUp:
    """A window [t0, t1) in ticks around one incident, `zero` being the incident's own instant.

    `channels` are the names of the lines involved, in the order to draw them. `marks` are (tick, label) pairs: what
    happened, and where it was expected. `spans` are intervals to dimension.
    """

    incident: Incident
    title: str
    t0: int
    t1: int
    zero: int
    channels: tuple[str, ...]
    marks: tuple[tuple[int, str], ...]
    spans: tuple[Span, ...]


@dataclass(frozen=True, eq=False)
class Bench:
    """The measured tables that close-ups draw on."""

    capture: Capture
    rig: Rig
    rotation: Rotation | None
    chains: tuple[ChainUpdates, ...]
    placements: tuple[Placement | None, ...]

    def ticks(self, seconds: float) -> int:
        """A length in ticks, at least one."""
        return max(round(seconds / float(self.capture.tick)), 1)

    def chain(self, name: str | None) -> ChainUpdates | None:
        """The chain of that name."""
        return next((chain for chain in self.chains if chain.name == name), None)

    def placement(self, name: str | None) -> Placement | None:
        """The placement of the chain of that name."""
        return next((placed for placed in self.placements if placed is not None and placed.chain == name), None)


def close_ups(bench: Bench, event: Event) -> tuple[CloseUp, ...]:
    """One close-up of the event's origin and, where its first effects lie outside that window, one of those."""
    origin = close_up(bench, event.origin, event)
    outside = [effect for effect in event.effects if not origin.t0 <= effect.tick < origin.t1]
    if not outside:
        return (origin,)
    return origin, close_up(bench, outside[0], event)


def close_up(bench: Bench, incident: Incident, event: Event | None = None) -> CloseUp:
    """The close-up of one incident; marks name the other incidents of its event that the window shows."""
    t0, t1, marks, spans = _VIEWS.get(incident.kind, _plain)(bench, incident)
    least = bench.ticks(_LEAST_WINDOW_S) if incident.kind != "data-bit-time" else 1
    if t1 - t0 < least:
        t0, t1 = t0 - (least - (t1 - t0)) // 2, t0 - (least - (t1 - t0)) // 2 + least
    margin = max(int((t1 - t0) * _MARGIN), 1)
    t0, t1 = max(t0 - margin, bench.capture.start), min(t1 + margin, bench.capture.end)
    others = [] if event is None else [item for item in (event.origin, *event.effects) if item.id != incident.id]
    marks += _others(others, {tick for tick, _ in marks}, t0, t1)
    return CloseUp(
        incident=incident,
        title=f"{incident.id}, {incident.kind}",
        t0=t0,
        t1=t1,
        zero=incident.tick,
        channels=_channels(bench, incident, others),
        marks=tuple(marks),
        spans=tuple(spans),
    )


def _others(others: list[Incident], taken: set[int], t0: int, t1: int) -> list[tuple[int, str]]:
    """Marks of the event's other incidents in the window: the first of each kind, and how many more there are."""
    marks = []
    for kind in dict.fromkeys(item.kind for item in others):
        shown = [item.tick for item in others if item.kind == kind and t0 <= item.tick < t1 and item.tick not in taken]
        if shown:
            taken.add(shown[0])
            marks.append((shown[0], kind if len(shown) == 1 else f"{kind}, the first of {len(shown)}"))
    return marks


Parts = tuple[int, int, list[tuple[int, str]], list[Span]]


def _channels(bench: Bench, incident: Incident, others: list[Incident]) -> tuple[str, ...]:
    rig = bench.rig
    names = [rig.index.channel] if rig.index is not None else []
    for chain in rig.leds:
        names += chain.channels.values() if incident.chain in (None, chain.name) else ()
    names += [incident.channel, *(item.channel for item in others)]
    names += list(rig.motor.phases) if rig.motor is not None else []
    names += list(rig.markers.values())
    return tuple(dict.fromkeys(names))


def _length(bench: Bench, ticks: float) -> str:
    seconds = ticks * float(bench.capture.tick)
    for unit, scale in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if abs(seconds) >= scale:
            return f"{seconds / scale:.4g} {unit}"
    return f"{seconds / 1e-9:.4g} ns"


def _plain(bench: Bench, incident: Incident) -> Parts:
    half = bench.ticks(1e-3)
    return incident.tick - half, incident.tick + half, [(incident.tick, incident.kind)], []


def _turn_bounds(bench: Bench) -> Ticks:
    return bench.rotation.turn_ticks if bench.rotation is not None else np.empty(0, dtype=np.int64)


def _seen_edges(bench: Bench) -> Ticks:
    """Reference edges that were on the wire, believed or not."""
    if bench.rotation is None or bench.rotation.pulses.empty:
        return np.empty(0, dtype=np.int64)
    return np.asarray(bench.rotation.pulses["tick"], dtype=np.int64)


def _index(bench: Bench, incident: Incident) -> Parts:
    """From the reference before to the reference after, with what was expected beside what came."""
    bounds = _turn_bounds(bench)
    if len(bounds) < 2:
        return _plain(bench, incident)
    k = int(np.clip(bounds.searchsorted(incident.tick, side="right") - 1, 0, len(bounds) - 2))
    before, after = int(bounds[k]), int(bounds[k + 1])
    if abs(incident.tick - before) < 0.02 * (after - before) and k > 0:
        before = int(bounds[k - 1])
    expected = [int(tick) for tick in bounds[(bounds >= before) & (bounds <= after)]]
    words = {
        "index-missed": "index expected, none came",
        "index-doubled": "second pulse",
        "index-runt": "short pulse",
        "index-shifted": "index came",
    }
    marks = [(incident.tick, words.get(incident.kind, incident.kind))]
    near = max((after - before) // 500, 1)
    seen = _seen_edges(bench)
    marks += [
        (tick, "index, as expected" if _is_near(seen, tick, near) else "index expected")
        for tick in expected
        if abs(tick - incident.tick) > near
    ]
    spans: list[Span] = []
    if incident.kind == "index-shifted":
        home = min(expected, key=lambda tick: abs(tick - incident.tick))
        if abs(home - incident.tick) <= near:
            marks.append((home, "expected"))
        wide = 8 * abs(incident.tick - home) + bench.ticks(2e-4)
        first, last = min(home, incident.tick), max(home, incident.tick)
        way = "late" if incident.tick > home else "early"
        spans.append(Span(first, last, f"{_length(bench, last - first)} {way}"))
        return first - wide // 2, last + wide // 2, marks, spans
    if incident.kind == "index-runt":
        return _runt(bench, incident, marks)
    inner = [before, *(tick for tick in expected if before < tick < after), after]
    spans += [Span(a, b, f"turn {_length(bench, b - a)}") for a, b in pairwise(inner)]
    if incident.kind == "index-doubled":
        spans.append(Span(before, incident.tick, f"pulse to pulse {_length(bench, incident.tick - before)}"))
    if incident.kind == "index-missed":
        spans.append(Span(before, after, f"pulse to pulse {_length(bench, after - before)}"))
    return before, after, marks, spans


def _runt(bench: Bench, incident: Incident, marks: list[tuple[int, str]]) -> Parts:
    """The pulse with its own width, and where the shortest that counts would end."""
    edges = _edges_around(bench, incident.channel, incident.tick)
    width = bench.ticks(incident.observed or 1e-5)
    begin = int(edges[edges <= incident.tick][-1]) if (edges <= incident.tick).any() else incident.tick
    spans = [Span(begin, begin + width, f"{_length(bench, width)} wide")] if incident.observed else []
    longest = width
    if incident.expected and incident.unit == "s":
        longest = max(width, bench.ticks(incident.expected))
        marks.append((begin + bench.ticks(incident.expected), "shorter pulses do not count"))
    return begin - 4 * longest, begin + 6 * longest, marks, spans


def _is_near(ticks: Ticks, tick: int, near: int) -> bool:
    at = int(ticks.searchsorted(tick))
    return any(abs(int(other) - tick) <= near for other in ticks[max(at - 1, 0) : at + 1])


_EDGES_AROUND = 16


def _edges_around(bench: Bench, channel: str, tick: int) -> Ticks:
    """Some edges of a line on both sides of an instant."""
    edges = bench.capture.channel(channel).edges
    at = int(edges.searchsorted(tick, side="right"))
    return np.asarray(edges[max(at - _EDGES_AROUND, 0) : at + _EDGES_AROUND], dtype=np.int64)


def _motor(bench: Bench, incident: Incident) -> Parts:
    """The line's edges around the fault: where edges were due that did not come, or the one too many."""
    edges = _edges_around(bench, incident.channel, incident.tick)
    if len(edges) < 4:
        return _plain(bench, incident)
    usual = float(np.median(np.diff(edges)))
    margin = round(3 * usual)
    slack = max(round(0.02 * usual), 1)
    after = int(np.clip(edges.searchsorted(incident.tick + slack), 1, len(edges) - 1))
    before, behind = int(edges[after - 1]), int(edges[after])
    lacking = round((behind - before) / usual) - 1
    if lacking > 0:
        due = (before + usual * np.arange(1, lacking + 1)).astype(np.int64).tolist()
        marks = [(tick, "edge due, none came" if i == 0 else "due") for i, tick in enumerate(due[:_MOST_MARKS])]
        if lacking > _MOST_MARKS:
            marks[-1] = (marks[-1][0], f"due, and {lacking - _MOST_MARKS} more")
        label = f"{_length(bench, behind - before)} without an edge, usually {_length(bench, usual)}"
        return before - margin, behind + margin, marks, [Span(before, behind, label)]
    k = after - 1 + int(np.argmin(np.diff(edges[after - 1 : after + 2])))
    spans = (
        [
            Span(
                int(edges[k]),
                int(edges[k + 1]),
                f"{_length(bench, edges[k + 1] - edges[k])}, usually {_length(bench, usual)}",
            )
        ]
        if k + 1 < len(edges)
        else []
    )
    return before - margin, behind + margin, [(incident.tick, "out of sequence")], spans


def _speed(bench: Bench, incident: Incident) -> Parts:
    bounds = _turn_bounds(bench)
    if len(bounds) < 3:
        return _plain(bench, incident)
    k = int(np.clip(bounds.searchsorted(incident.tick, side="right") - 1, 0, len(bounds) - 2))
    first, last = max(k - 1, 0), min(k + 2, len(bounds) - 1)
    spans = [
        Span(int(bounds[i]), int(bounds[i + 1]), f"turn {i}: {_length(bench, bounds[i + 1] - bounds[i])}")
        for i in range(first, last)
    ]
    return int(bounds[first]), int(bounds[last]), [(incident.tick, "speed changes")], spans


def _update_index(chain: ChainUpdates, incident: Incident) -> int | None:
    if incident.update is not None and 0 <= incident.update < len(chain):
        return incident.update
    return int(chain.start.searchsorted(incident.tick, side="right")) - 1 if len(chain) else None


def _neighbours(chain: ChainUpdates, update: int, before: int = 1, after: int = 1) -> tuple[int, int]:
    first, last = max(update - before, 0), min(update + after, len(chain) - 1)
    return int(chain.start[first]), int(chain.last[last])


def _usual_length(chain: ChainUpdates) -> int:
    return int(np.median(chain.last - chain.start)) if len(chain) else 0


def _late(bench: Bench, incident: Incident) -> Parts:
    chain = bench.chain(incident.chain)
    update = None if chain is None else _update_index(chain, incident)
    if chain is None or update is None or update < 0:
        return _plain(bench, incident)
    t0, t1 = _neighbours(chain, update)
    start = int(chain.start[update])
    late = (incident.observed or 0.0) - (incident.expected or 0.0)
    due = start - round(late / float(bench.capture.tick))
    marks = [(due, "update due"), (start, "update came")]
    return min(t0, due), t1, marks, [Span(due, start, f"late by {_length(bench, start - due)}")]


def _missing(bench: Bench, incident: Incident) -> Parts:
    chain = bench.chain(incident.chain)
    if chain is None or not len(chain) or bench.placement(incident.chain) is None or incident.revolution is None:
        return _plain(bench, incident)
    before = int(chain.start.searchsorted(incident.tick, side="right")) - 1
    t0, t1 = _neighbours(chain, max(before, 0))
    slot = _slot(bench, incident)
    if slot is None:
        return min(t0, incident.tick), max(t1, incident.tick), [(incident.tick, "columns missing")], []
    lacking = max(1, round((t1 - incident.tick) / slot) - 1)
    marks = [
        (round(incident.tick + i * slot), "column expected" if i == 0 else "expected")
        for i in range(min(lacking, _MOST_MARKS))
    ]
    follower = int(chain.start[min(before + 1, len(chain) - 1)])
    spans = [
        Span(int(chain.start[before]), follower, f"update to update {_length(bench, follower - chain.start[before])}")
    ]
    return min(t0, incident.tick), max(t1, incident.tick), marks, spans if before >= 0 else []


def _update(bench: Bench, incident: Incident) -> Parts:
    """One update with its neighbours: cut short, too long, too many, repeated."""
    chain = bench.chain(incident.chain)
    update = None if chain is None else _update_index(chain, incident)
    if chain is None or update is None or update < 0:
        return _plain(bench, incident)
    t0, t1 = _neighbours(chain, update)
    start, last, usual = int(chain.start[update]), int(chain.last[update]), _usual_length(chain)
    marks = [(start, _UPDATE_WORDS.get(incident.kind, incident.kind))]
    spans = [Span(start, last, f"{int(chain.bits[update])} bits, {_length(bench, last - start)}")]
    if incident.kind in ("data-truncated", "data-overlong") and abs(last - start - usual) > 0.02 * usual:
        marks.append((start + usual, "expected end"))
    elif incident.kind in ("data-extra", "update-repeated") and update > 0:
        before = int(chain.start[update - 1])
        spans.append(Span(before, start, f"{_length(bench, start - before)} after the one before"))
        slot = _slot(bench, incident)
        if slot is not None:
            marks.append((before + round(slot), "next column due"))
            t1 = max(t1, before + round(slot))
    return t0, max(t1, start + usual), marks, spans


_UPDATE_WORDS = {
    "data-truncated": "update begins, and is cut short",
    "data-overlong": "update begins",
    "data-extra": "update too many",
    "update-repeated": "column sent again",
}


def _slot(bench: Bench, incident: Incident) -> float | None:
    """Ticks of a column slot in the incident's turn; None where there is none."""
    bounds, placed = _turn_bounds(bench), bench.placement(incident.chain)
    if placed is None or incident.revolution is None or not 0 <= incident.revolution < len(bounds) - 1:
        return None
    return float(bounds[incident.revolution + 1] - bounds[incident.revolution]) / placed.columns


def _bit(bench: Bench, incident: Incident) -> Parts:
    half = bench.ticks(_BIT_WINDOW_S / 2)
    length = bench.ticks(incident.observed) if incident.observed and incident.unit == "s" else 0
    spans = [Span(incident.tick, incident.tick + length, f"{_length(bench, length)}")] if length else []
    marks = [(incident.tick, "bit of a wrong length")]
    if incident.expected and incident.unit == "s":
        marks.append((incident.tick + bench.ticks(incident.expected), "expected end"))
    return incident.tick - half, incident.tick + length + half, marks, spans


def _stretch(bench: Bench, incident: Incident) -> Parts:
    """Something that lasts: a pause, a silence, a gap."""
    if not incident.observed or incident.unit != "s":
        return _plain(bench, incident)
    length = bench.ticks(incident.observed)
    around = length // 4
    marks = [(incident.tick, incident.kind)]
    if incident.expected and incident.expected < incident.observed:
        marks.append(
            (incident.tick + bench.ticks(incident.expected), _STRETCH_WORDS.get(incident.kind, "expected end"))
        )
    spans = [Span(incident.tick, incident.tick + length, _length(bench, length))]
    return incident.tick - around, incident.tick + length + around, marks, spans


_STRETCH_WORDS = {
    "data-silent": "next update due by here",
    "data-pause": "harmless up to here",
    "capture-gap": "some line should have moved by here",
}


def _rate(bench: Bench, incident: Incident) -> Parts:
    bounds, chain = _turn_bounds(bench), bench.chain(incident.chain)
    revolution = incident.revolution
    if chain is None or revolution is None or not 0 <= revolution < len(bounds) - 1:
        return _plain(bench, incident)
    t0, t1 = int(bounds[revolution]), int(bounds[revolution + 1])
    first, after = (int(chain.start.searchsorted(t)) for t in (t0, t1))
    marks = [(t0, "turn begins"), (t1, "turn ends")]
    spans = [Span(t0, t1, f"turn {_length(bench, t1 - t0)}")]
    if after - first >= 2:
        begin, end = int(chain.start[first]), int(chain.start[after - 1])
        spans.append(Span(begin, end, f"{after - first} columns in {_length(bench, end - begin)}"))
        slot = _slot(bench, incident)
        if slot is not None:
            marks.append((begin + round((after - first - 1) * slot), f"update {after - first} of the turn due"))
            marks.append((end, "came"))
    if bench.rotation is not None:
        seen = bench.rotation.turns["index_tick"].to_numpy(dtype=np.int64)
        if revolution > 0 and NO_TICK not in seen[revolution - 1 : revolution + 1]:
            took = int(seen[revolution] - seen[revolution - 1])
            marks[0] = (t0, f"turn begins (the one before took {_length(bench, took)})")
    return t0, t1, marks, spans


_VIEWS: dict[str, Callable[[Bench, Incident], Parts]] = {
    "index-missed": _index,
    "index-doubled": _index,
    "index-runt": _index,
    "index-shifted": _index,
    "speed-step": _speed,
    "data-bit-time": _bit,
    "data-truncated": _update,
    "data-pause": _stretch,
    "data-silent": _stretch,
    "data-overlong": _update,
    "data-extra": _update,
    "update-late": _late,
    "update-missing": _missing,
    "update-repeated": _update,
    "column-rate": _rate,
    "capture-gap": _stretch,
    "motor-dropout": _motor,
    "motor-sequence": _motor,
}
