"""Index and motor lines on the wrong clips or upside down: what turns with the bench, and which edge begins a turn.

Lines of one shaft keep their phase to one another, and LED updates to the index; a stranger's phase is spread evenly.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig
from spinlag.roles.words import toml_text
from spinlag.wrong_lines import SEE, Unsound, WrongClip, on_index

if TYPE_CHECKING:
    from spinlag.roles.pulses import Pulses
    from spinlag.roles.survey import Survey
    from spinlag.roles.sync import Follow

CLEARLY = 4.0
"""The updates follow the other edge if the wait from it varies so many times less. Common practice, no source."""

RARER = 0.4
"""A line is taken for pulses of its rarer level where that makes up no more than this share of the time; nearer to a
half, nothing tells the pulse from the gap. Common practice, no source."""

STRANGE, KEPT = 0.5, 0.85
"""Phases of a line are a stranger's below the one resultant length, and kept from the other on (0 where they are spread
evenly, 1 where all are alike). Common practice, no source."""

_FEWEST_PULSES = 12
_FEWEST_PHASES = 4
"""So few phases of a line that turns with the bench are alike already, and so many of a stranger's seldom are."""

_MOST_UPDATES = 1 << 14
"""Updates from which a typical latency is told."""

_EVENLY_DEG = 12.0
"""Motor sensors are taken for evenly spaced where they stand so near to 120 electrical degrees apart."""

_MOST_RATIO = 12
"""Edges of a line per cycle of another for which a kept phase is looked for."""


def index_elsewhere(capture: Capture, rig: Rig, seen: Survey, taken: frozenset[str]) -> Iterator[WrongClip]:
    """An index line to which neither the motor lines nor the LED updates keep their phase, and the line that they do
    keep it to. Paths in `taken` have been spoken of."""
    if rig.index is None:
        return
    path = capture.channel(rig.index.channel).path
    line = seen.pulses.get(path)
    if path in taken or line is None or line.count < _FEWEST_PHASES:
        return
    mine = _phases(line, rig, seen)
    if not mine or max(mine.values()) >= STRANGE:
        return
    key, name, said = "index.channel", line.look.channel.name, " and ".join(_WHO[one] for one in mine)
    said = f"{name} ({key}) does not turn with the bench: {said} keep no phase to it"
    better = seen.index.pulses if seen.index is not None else None
    if better is not None and better.look.channel.path not in taken | {path}:
        theirs = _phases(better, rig, seen)
        if theirs and min(theirs.values()) >= KEPT and "motor" not in theirs:
            # firmware that runs free, and a line on which it says so, would look the same
            why = f"the LED updates keep no phase to {name}, but they do to another line; {SEE}"
            said = fitting(capture, rig, said, key, name, [better.look.channel.path])
            yield WrongClip(said, spoils=on_index(rig, why), also=(path,))
            return
        if theirs and min(theirs.values()) >= KEPT:
            yield WrongClip(fitting(capture, rig, said, key, name, [better.look.channel.path]), (path,))
            return
    if "motor" in mine and "leds" in mine:
        yield WrongClip(f"{said}; look at its clip, and whether the rig names the right line", (path,))


_WHO = {"motor": "the motor lines", "leds": "the LED updates"}


def _phases(line: Pulses, rig: Rig, seen: Survey) -> dict[str, float]:
    """How well the motor's lines and the LED updates keep their phase to a line, 0 to 1, as far as they are seen."""
    from spinlag.roles.pulses import lock_of
    from spinlag.roles.sync import follow_of
    from spinlag.roles.wirings import stand_ins

    found = {}
    if seen.motor is not None and line not in seen.motor.lines:
        locks = [lock_of(one, line) for one in seen.motor.lines]
        if max(lock.turns for lock in locks) >= _FEWEST_PHASES - 1:
            found["motor"] = max(1.0 if lock.locked else lock.concentration for lock in locks)
    places = 1 if rig.index is None or rig.index.missing_tooth else rig.index.pulses_per_revolution
    wires = {**seen.wires, **stand_ins(seen.others)}
    follows = [
        follow_of(line, edge, look, wire, places)
        for look, wire in wires.values()
        for edge in ("rising", "falling")
        if wire.on_scale
    ]
    if told := [one.concentration for one in follows if one is not None and one.pulses >= _FEWEST_PHASES]:
        found["leds"] = max(told)
    return found


def fitting(capture: Capture, rig: Rig, said: str, key: str, name: str, better: Sequence[str]) -> str:
    """What is `said` of the line that `key` names, and what to do where those at `better` (paths) fit in its place."""
    others = [capture.channel(path).name for path in better]
    named = {capture.channel(channel).path: own for own, channel in rig.channels().items()}
    if len(better) > 1 or better[0] not in named:
        fit = "does" if len(better) == 1 else "do"
        return f"{said}, but {', '.join(others[:3])} {fit}: is that the line the rig should name?"
    swapped = f"{key} = {toml_text(others[0])}, {named[better[0]]} = {toml_text(name)}"
    return f"{said}, but {others[0]} does: swap them ({swapped})"


def motor_elsewhere(
    capture: Capture, rig: Rig, seen: Survey, taken: frozenset[str], strange: frozenset[str]
) -> Iterator[WrongClip]:
    """A motor line that keeps its phase neither to the others nor to the index, which keep theirs, and the line that
    does instead. Paths in `taken` have been spoken of, those in `strange` will be."""
    if rig.motor is None:
        return
    paths = [capture.channel(name).path for name in rig.motor.phases]
    lines = {path: line for path in paths if (line := seen.pulses.get(path)) is not None}
    others = dict(lines)
    if rig.index is not None and seen.index is not None:
        path = seen.index.pulses.look.channel.path
        others |= {path: seen.index.pulses} if path == capture.channel(rig.index.channel).path else {}
    others = {path: line for path, line in others.items() if path not in taken | strange}
    for number, path in enumerate(paths):
        line = lines.get(path)
        rest = [other for key, other in others.items() if key != path]
        if path in taken or line is None or line.count < _FEWEST_PHASES or not _turn_together(rest):
            continue
        if max(_kept(line, other) for other in rest) >= STRANGE:
            continue
        key, name = f"motor.phases[{number}]", line.look.channel.name
        said = f"{name} ({key}) does not keep its phase to {', '.join(one.look.channel.name for one in rest)}"
        alike = [one for one in rest if one in lines.values()]
        better = [one for one in _unnamed(capture, rig, seen, taken) if alike and _belongs(one, rest, alike)]
        if len(better) == 1:
            yield WrongClip(fitting(capture, rig, said, key, name, [better[0].look.channel.path]), (path,))
        elif path not in strange:
            yield WrongClip(f"{said}: look at its clip, and whether the rig names the right line", (path,))


def _turn_together(lines: Sequence[Pulses]) -> bool:
    """True for two lines or more that keep their phase to one another."""
    return len(lines) > 1 and min(_kept(one, other) for one, other in combinations(lines, 2)) >= KEPT


def _unnamed(capture: Capture, rig: Rig, seen: Survey, taken: frozenset[str]) -> list[Pulses]:
    """Lines that the rig takes for nothing, or for markers."""
    named = {capture.channel(name).path for key, name in rig.channels().items() if not key.startswith("markers.")}
    return [line for path, line in seen.pulses.items() if path not in named | taken | set(seen.aliases)]


def _belongs(line: Pulses, rest: Sequence[Pulses], alike: Sequence[Pulses]) -> bool:
    """True for a line that turns with the `rest`, as fast as those `alike`."""
    counts = [one.look.count for one in (line, *alike)]
    return max(counts) - min(counts) <= max(0.1 * min(counts), 4) and _turn_together([line, *rest])


def _kept(line: Pulses, other: Pulses) -> float:
    """How well two lines keep their phase to each other, 0 to 1."""
    return max(_kept_in(line, other), _kept_in(other, line))


def _kept_in(line: Pulses, other: Pulses) -> float:
    """How well a line keeps its phase in the cycles of another, 0 to 1, at up to _MOST_RATIO of its edges per cycle."""
    from spinlag.roles.glance import edges_between

    cycles = other.main().turning_to(1)
    if len(cycles) < 3:
        return 0.0
    edges = edges_between(line.look.channel, int(cycles[0]), int(cycles[-1])).turning_to(1)
    if len(edges) < _FEWEST_PHASES - 1:
        return 0.0
    at = np.searchsorted(cycles, edges, side="right")
    edges, at = edges[at < len(cycles)], at[at < len(cycles)]
    turn = (edges - cycles[at - 1]) / (cycles[at] - cycles[at - 1])
    most = max(1, min(_MOST_RATIO, round(len(edges) / len(cycles)) + 1))
    return max(float(np.abs(np.exp(2j * np.pi * k * turn).mean())) for k in range(1, most + 1))


def other_edge(capture: Capture, rig: Rig, seen: Survey, chains: Sequence[ChainUpdates]) -> Iterator[WrongClip]:
    """An index whose other edge is the one that the updates follow, as behind an inverter: the wait from it varies far
    less, or the columns begin anew after the edge that begins the pulse, before the one that the rig names."""
    from spinlag.roles.glance import sample_ticks
    from spinlag.roles.sync import follow_of
    from spinlag.roles.wirings import paths_of, stand_ins
    from spinlag.roles.words import figure

    if rig.index is None or rig.index.edge == "centre":
        return
    own = {capture.channel(name).path for key, name in rig.channels().items() if key.startswith("leds")}
    others = [chain for chain in seen.others if paths_of([chain]) <= own]
    wires = {path: found for path, found in seen.wires.items() if path in own} | stand_ins(others)
    line = seen.pulses.get(capture.channel(rig.index.channel).path)
    if line is None:
        return
    edge: Literal["rising", "falling"] = rig.index.edge
    other: Literal["rising", "falling"] = "falling" if edge == "rising" else "rising"
    places = 1 if rig.index.missing_tooth else rig.index.pulses_per_revolution
    for look, wire in wires.values():
        ours, theirs = (follow_of(line, one, look, wire, places) if wire.on_scale else None for one in (edge, other))
        if ours is None or theirs is None or not theirs.tight or theirs.pulses < _FEWEST_PULSES:
            continue
        if ours.spread > CLEARLY * max(theirs.spread, sample_ticks(capture)):
            tick = float(capture.tick)
            yield _from_other_edge(
                rig.index.channel,
                f"the LED updates follow the {other} edge of {rig.index.channel} (the wait varies by "
                f"{figure(theirs.spread * tick, 's')}) far more closely than the {edge} one that the rig names "
                f'({figure(ours.spread * tick, "s")}): is the line inverted? [index] edge = "{other}" would fit',
            )
            return
        if _ends_the_pulse(line, edge) and _begins_first(theirs, ours, line, sample_ticks(capture)):
            yield _from_other_edge(rig.index.channel, _said_of_pulse(capture, rig, line, theirs, edge, chains))
            return


def _from_other_edge(name: str, said: str) -> WrongClip:
    """What is counted from the edge that the rig names is worthless; the speed is not."""
    why = f"the LED columns begin after the other edge of {name} than the rig names; {SEE}"
    return WrongClip(said, spoils=(Unsound("latency.", why), Unsound("placement.", why)))


def _ends_the_pulse(line: Pulses, edge: str) -> bool:
    """True where the edge leads out of the line's rarer level."""
    return line.duty <= RARER and edge == ("falling" if line.active else "rising")


def _begins_first(leading: Follow, trailing: Follow, line: Pulses, sample_ticks: float) -> bool:
    """True where the columns begin anew within the pulse: at the update after the edge that begins it, the step from
    the update before takes up what the turn was longer or shorter; around the edge that ends it, steps are even."""
    within = 0 < leading.wait + CLEARLY * leading.spread < line.width
    return within and leading.seam > 2 * max(trailing.seam, 0.6 * sample_ticks)


def _said_of_pulse(
    capture: Capture, rig: Rig, line: Pulses, follow: Follow, edge: str, chains: Sequence[ChainUpdates]
) -> str:
    from spinlag.roles.words import figure

    tick = float(capture.tick)
    name, other = line.look.channel.name, follow.edge
    rests, pulse = ("low", "high") if line.active else ("high", "low")
    named = (
        chain
        for table, chain in zip(rig.leds, chains, strict=True)
        if len(chain) and (len(chains) == 1 or follow.channel in (table.data, table.clock))
    )
    light = ""
    if (chain := next(named, None)) is not None:
        wire = float(np.median(chain.last[:_MOST_UPDATES] - chain.start[:_MOST_UPDATES])) * tick
        latency = follow.wait * tick + wire + float(np.median(chain.light_s[:_MOST_UPDATES]))
        light = f", and make the latency about {figure(latency, 's')}"
    return (
        f"{name} is {rests} for {1 - line.duty:.1%} of the time, so that the {edge} edge that the rig goes by ends its "
        f"{pulse} pulses of {figure(line.width * tick, 's')}; the LED columns begin anew "
        f"{figure(follow.wait * tick, 's')} after the {other} edge, before the pulse is over, and what is measured "
        f'from the {edge} edge is a later column: is the line inverted? [index] edge = "{other}" would fit{light}'
    )


def upside_down_phase(capture: Capture, rig: Rig, seen: Survey) -> Iterator[str]:
    """One of three motor lines half a cycle off its even place."""
    from spinlag.roles.pulses import phase_between

    if rig.motor is None or len(rig.motor.phases) != 3:
        return
    lines = [seen.pulses.get(capture.channel(name).path) for name in rig.motor.phases]
    first, second, third = lines
    if (
        first is None
        or second is None
        or third is None
        or min(len(line.look.channel.edges) for line in (first, second, third)) < 12
    ):
        return
    (ab, sure_b), (ac, sure_c) = phase_between(first, second), phase_between(first, third)
    if min(sure_b, sure_c) < 0.9:
        return
    for number, (b, c) in enumerate(((ab + 180, ac + 180), (ab + 180, ac), (ab, ac + 180))):
        if _even(b, c):
            yield (
                f"{rig.motor.phases[number]} (motor.phases[{number}]) fits the other two with its levels exchanged: "
                "it is inverted, or the sensors stand 60 electrical degrees apart instead of 120; angles are learned "
                "from the edges either way"
            )


def _even(b_deg: float, c_deg: float) -> bool:
    off = [
        abs((b_deg - one + 180) % 360 - 180) + abs((c_deg - two + 180) % 360 - 180)
        for one, two in ((120, 240), (240, 120))
    ]
    return min(off) <= 2 * _EVENLY_DEG
