"""What is wrong on the motor lines: missing and extra edges, states that cannot be, skipped steps, dead lines."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture, Ticks
from spinlag.motor.lines import CountedLines
from spinlag.motor.pattern import Nodes, Pattern
from spinlag.motor.states import States
from spinlag.observations import Observation, revolution_of, told_in
from spinlag.rotation import Rotation
from spinlag.rotation.unseen import lasting

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

DEAD_EDGES = 3
"""So many edges of a line missing in a row (one and a half electrical cycles) make a dead line, fewer a lost edge."""

FAULT_COLUMNS = ("tick", "time_s", "kind", "line", "length_s", "detail")

_RULES = {
    "missing-edge": "every line rises and falls once in each electrical cycle",
    "extra-edge": "every line rises and falls once in each electrical cycle",
    "displaced-edge": "further from the cubic through its neighbours than ordinary edges of this capture",
    "invalid-state": "one of the states that the sensors' places rule out",
    "skipped-step": "each step of the sequence changes one line",
    "backward-step": "the sequence runs one way",
}


@dataclass(frozen=True)
class Fault:
    """One irregularity: when (ticks), what, on which line (index, or -1 for all), how long it lasted (ticks)."""

    tick: int
    kind: str
    line: int
    length: int
    detail: str


def find_faults(
    capture: Capture,
    lines: CountedLines,
    pattern: Pattern | None,
    nodes: Nodes | None,
    states: States | None,
    rotation: Rotation | None,
) -> tuple[Fault, ...]:
    """All irregularities in order of time; those that a dead line brings about are left out, and those where nobody
    looked at the line."""
    unseen = _Unseen(capture, lines)
    dead = [*_never_alive(capture, lines), *_dropouts(capture, lines, rotation, unseen)]
    faults = [*_lost(lines), *_extra(lines), *_displaced(lines, pattern, nodes)]
    if states is not None:
        faults += [Fault(int(t), "invalid-state", -1, int(n), said) for t, n, said in states.invalid]
        faults += [Fault(int(t), "skipped-step", -1, 0, said) for t, said in states.skipped]
    clear = [fault for fault in _outside(faults, dead, _cycle_ticks(lines)) if not unseen.hides(fault)]
    return tuple(sorted([*dead, *clear], key=lambda fault: fault.tick))


class _Unseen:
    """The stretches in which a line was unknown (x or z), an electrical cycle more on either side."""

    def __init__(self, capture: Capture, lines: CountedLines) -> None:
        channels = [capture.channel(name) for name in lines.names]
        wider = np.array([-1, 1]) * _cycle_ticks(lines)
        self.spans = [
            np.add(lasting(one.unknown, np.asarray(one.edges[:])), wider) if len(one.unknown) else one.unknown
            for one in channels
        ]

    def hides(self, fault: Fault) -> bool:
        """Whether it lies in such a stretch of its line, or of any where all lines have it together."""
        own = self.spans if fault.line < 0 else self.spans[fault.line : fault.line + 1]
        begin, end = fault.tick, fault.tick + fault.length
        return any(bool(((spans[:, 0] <= begin) & (end <= spans[:, 1])).any()) for spans in own)


def _outside(faults: list[Fault], dead: list[Fault], margin: int) -> list[Fault]:
    """Faults further than `margin` ticks from every span in which a line was dead."""
    if not dead:
        return faults
    begin = np.sort(np.array([one.tick - margin for one in dead], dtype=np.int64))
    end = np.sort(np.array([one.tick + one.length + margin for one in dead], dtype=np.int64))
    tick = np.array([fault.tick for fault in faults], dtype=np.int64)
    # outside of all where as many spans have ended before it as have begun
    clear = np.searchsorted(begin, tick, side="right") == np.searchsorted(end, tick, side="left")
    return [faults[i] for i in np.flatnonzero(clear)]


def fault_table(capture: Capture, lines: CountedLines, faults: tuple[Fault, ...]) -> pd.DataFrame:
    """The faults as a table: `tick`, `time_s`, `kind`, `line`, `length_s`, `detail`."""
    tick = np.array([fault.tick for fault in faults], dtype=np.int64)
    return pd.DataFrame(
        {
            "tick": tick,
            "time_s": capture.seconds(tick),
            "kind": pd.Series([fault.kind for fault in faults], dtype="str"),
            "line": pd.Series([_line_name(lines, fault.line) for fault in faults], dtype="str"),
            "length_s": np.array([fault.length * float(capture.tick) for fault in faults], dtype=np.float64),
            "detail": pd.Series([fault.detail for fault in faults], dtype="str"),
        }
    )


def _line_name(lines: CountedLines, line: int) -> str:
    return lines.names[line] if line >= 0 else "all"


def _cycle_ticks(lines: CountedLines) -> int:
    """Usual length of an electrical cycle, ticks."""
    one = max(lines.series, key=lambda series: len(series.believed))
    return int(np.median(np.diff(one.ticks[one.believed])))


def _never_alive(capture: Capture, lines: CountedLines) -> list[Fault]:
    length = capture.end - capture.start
    return [
        Fault(capture.start, "dropout", line, length, "the line hardly ever changes while the others do")
        for line in lines.silent
    ]


@dataclass(frozen=True)
class _Line:
    """One line's edges in order: `ticks` and `half`, counted in half cycles from one rising edge to the next falling
    one and so on."""

    line: int
    ticks: Ticks
    half: Indices


def _interleaved(lines: CountedLines) -> list[_Line]:
    found = []
    for line in sorted({one.line for one in lines.series}):
        pair = [one for one in lines.series if one.line == line]
        rise, fall = (pair[0], pair[1]) if pair[0].rising else (pair[1], pair[0])
        behind = 0 if fall.phase > rise.phase else 1
        ticks = np.concatenate((rise.ticks[rise.believed], fall.ticks[fall.believed]))
        half = np.concatenate((2 * rise.cycle[rise.believed], 2 * (fall.cycle[fall.believed] - behind) + 1))
        order = np.argsort(half, kind="stable")
        found.append(_Line(line, ticks[order], half[order]))
    return found


def _gaps(one: _Line) -> Iterable[tuple[int, int]]:
    """Index of the edge before each gap, and how many edges are missing."""
    step = np.diff(one.half)
    for i in np.flatnonzero(step > 1):
        yield int(i), int(step[i]) - 1


def _dropouts(capture: Capture, lines: CountedLines, rotation: Rotation | None, unseen: _Unseen) -> list[Fault]:
    found: list[Fault] = []
    every = _interleaved(lines)
    start, end = _seen_span(every, rotation)
    for one in every:
        half_cycle = _cycle_ticks(lines) / 2
        gaps = [(int(one.ticks[i]), int(one.ticks[i + 1]), n) for i, n in _gaps(one)]
        gaps.insert(0, (start, int(one.ticks[0]), round((int(one.ticks[0]) - start) / half_cycle) - 1))
        gaps.append((int(one.ticks[-1]), end, round((end - int(one.ticks[-1])) / half_cycle) - 1))
        for before, after, missing in gaps:
            if missing < DEAD_EDGES:
                continue
            if _alive_elsewhere(every, one.line, before, after) or _index_alive(rotation, before, after):
                tick = before + round((after - before) / (missing + 1))
                lasted = told_in((after - before) * float(capture.tick), "ms")
                said = f"the line stood still for {lasted}: {missing} edges"
                found.append(Fault(tick, "dropout", one.line, after - tick, said))
    return _together([fault for fault in found if not unseen.hides(fault)], len(every))


def _seen_span(every: list[_Line], rotation: Rotation | None) -> tuple[int, int]:
    """First and last instant at which a motor line or the index shows that the shaft turned."""
    start, end = min(int(one.ticks[0]) for one in every), max(int(one.ticks[-1]) for one in every)
    if rotation is None or not len(rotation.turn_ticks):
        return start, end
    return min(start, int(rotation.turn_ticks[0])), max(end, int(rotation.turn_ticks[-1]))


def _alive_elsewhere(every: list[_Line], line: int, before: int, after: int) -> bool:
    """True where another line has an edge well inside the span."""
    margin = (after - before) // 4
    for other in every:
        if other.line != line:
            first, last = np.searchsorted(other.ticks, (before + margin, after - margin))
            if last > first:
                return True
    return False


def _index_alive(rotation: Rotation | None, before: int, after: int) -> bool:
    """True unless the index, where there is one, was silent as well: then the shaft stood, or nothing was recorded.

    A span too short to hold an index pulse for sure does not speak against it: the line's own steps before and after
    fit a shaft that turned on.
    """
    if rotation is None or len(rotation.turn_ticks) < 2:
        return True
    pulses = rotation.turns["index_tick"].to_numpy()
    inside = int(((pulses > before) & (pulses < after)).sum())
    period = float(np.median(np.diff(rotation.turn_ticks)))
    expected = (after - before) / period
    return expected < 1.25 or inside >= max(1, round(expected) - 1)


def _together(found: list[Fault], count: int) -> list[Fault]:
    """Lines that die together are told once, where all of them do."""
    merged: list[Fault] = []
    for fault in sorted(found, key=lambda one: one.tick):
        same = [one for one in found if one.tick < fault.tick + fault.length and fault.tick < one.tick + one.length]
        if count > 1 and len({one.line for one in same}) == count:
            if not any(one.line == -1 and one.tick <= fault.tick < one.tick + one.length for one in merged):
                end = max(one.tick + one.length for one in same)
                first = min(one.tick for one in same)
                merged.append(Fault(first, "dropout", -1, end - first, f"all lines stood still: {same[0].detail}"))
        else:
            merged.append(fault)
    return merged


def _lost(lines: CountedLines) -> list[Fault]:
    found = []
    for one in _interleaved(lines):
        for i, missing in _gaps(one):
            if missing < DEAD_EDGES:
                tick = int(one.ticks[i]) + round(int(one.ticks[i + 1] - one.ticks[i]) / (missing + 1))
                said = f"{missing} edge{'s' if missing > 1 else ''} of {lines.names[one.line]} did not come"
                found.append(Fault(tick, "missing-edge", one.line, 0, said))
    return found


def _extra(lines: CountedLines) -> list[Fault]:
    found = [
        Fault(int(tick), "extra-edge", line, 0, f"a spike on {lines.names[line]}")
        for line, spikes in lines.runts
        for tick in spikes.tolist()
    ]
    for one in lines.series:
        believed = one.ticks[one.believed]
        stray = np.delete(one.ticks, one.believed)
        stray = stray[(stray > believed[0]) & (stray < believed[-1])]
        way = "rising" if one.rising else "falling"
        found += [
            Fault(int(tick), "extra-edge", one.line, 0, f"a {way} edge too many on {lines.names[one.line]}")
            for tick in stray
        ]
    return found


def _displaced(lines: CountedLines, pattern: Pattern | None, nodes: Nodes | None) -> list[Fault]:
    if nodes is None or pattern is None:
        return []
    found = []
    for i in np.concatenate((nodes.shifts.shifted, nodes.shifts.stray)):
        tick = int(nodes.all_ticks[i])
        distance = [int(np.abs(one.ticks - tick).min()) for one in lines.series]
        line = lines.series[int(np.argmin(distance))].line
        found.append(Fault(tick, "displaced-edge", line, 0, f"an edge of {lines.names[line]} away from its place"))
    return found


def observe_motor(
    capture: Capture, lines: CountedLines, faults: tuple[Fault, ...], rotation: Rotation | None
) -> tuple[Observation, ...]:
    """Observations of kinds `motor-sequence` and `motor-dropout`. Irregularities within one electrical cycle of the
    first are one observation."""
    turns = rotation.turn_ticks if rotation is not None else np.empty(0, dtype=np.int64)
    seen = [_dropout(capture, lines, fault, turns) for fault in faults if fault.kind == "dropout"]
    rest = sorted((fault for fault in faults if fault.kind != "dropout"), key=lambda fault: fault.tick)
    span, first = _cycle_ticks(lines), 0
    while first < len(rest):
        last = bisect_right(rest, rest[first].tick + span, lo=first, key=lambda fault: fault.tick)
        seen.append(_sequence(capture, lines, rest[first:last], turns))
        first = last
    return tuple(sorted(seen, key=lambda observation: observation.tick))


def _dropout(capture: Capture, lines: CountedLines, fault: Fault, turns: Ticks) -> Observation:
    tick_s = float(capture.tick)
    return Observation(
        kind="motor-dropout",
        tick=fault.tick,
        channel=lines.names[max(fault.line, 0)],
        detail=fault.detail,
        expected=_cycle_ticks(lines) / 2 * tick_s,
        observed=fault.length * tick_s,
        unit="s",
        threshold=f"{DEAD_EDGES} edges missing in a row",
        revolution=revolution_of(turns, fault.tick),
    )


def _sequence(capture: Capture, lines: CountedLines, group: list[Fault], turns: Ticks) -> Observation:
    named = next((fault for fault in group if fault.line >= 0), group[0])
    lengths = [fault.length for fault in group if fault.length]
    said = "; ".join(dict.fromkeys(fault.detail for fault in group))
    return Observation(
        kind="motor-sequence",
        tick=group[0].tick,
        channel=lines.names[max(named.line, 0)],
        detail=said,
        expected=0.0 if lengths else None,
        observed=max(lengths) * float(capture.tick) if lengths else None,
        unit="s" if lengths else "",
        threshold=_RULES[named.kind],
        revolution=revolution_of(turns, group[0].tick),
    )
