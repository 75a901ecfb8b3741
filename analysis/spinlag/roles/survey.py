"""Everything a first look makes of a capture: which line is what, how the turn is divided, and what stays doubtful."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from spinlag.capture import Capture
from spinlag.roles.clocked import find_clocked
from spinlag.roles.glance import Look, look_at, same_line
from spinlag.roles.onewire import OneWire, recognise
from spinlag.roles.pulses import UNLOCKED, Lock, Pulses, lock_of, pulses_of
from spinlag.roles.shaft import FASTEST_HZ, Candidate, Motor, chosen_index, find_motor, find_tachometer, weigh_index
from spinlag.roles.sync import Edge, choose_edge, edges_of, restarts_every
from spinlag.roles.wirings import OtherChain, direct_beside, paths_of, stand_ins, without
from spinlag.roles.words import figure, plural


@dataclass(frozen=True)
class Told:
    """A figure that was guessed (None where it could not be) and the reason in words."""

    value: int | None
    reason: str
    sure: bool = True


@dataclass(frozen=True, eq=False)
class Turn:
    """How the index divides the turn, with the reason for each figure."""

    edge: Edge
    edge_reason: str
    pulses_per_revolution: Told
    missing_tooth: bool
    columns: Told


@dataclass(frozen=True, eq=False)
class Survey:
    """The whole first look. Mappings are keyed by channel path; `aliases` maps a path to the path it repeats."""

    looks: Mapping[str, Look]
    aliases: Mapping[str, str]
    wires: Mapping[str, tuple[Look, OneWire]]
    pulses: Mapping[str, Pulses]
    candidates: tuple[Candidate, ...]
    index: Candidate | None
    turn: Turn | None
    motor: Motor | None
    pole_pairs: Told
    others: tuple[OtherChain, ...] = ()
    """LED chains of other wirings than one wire; their lines are not among `wires`."""


def survey(capture: Capture) -> Survey:
    """Look at every line of the capture, with bounded cost per line."""
    looks = {channel.path: look_at(channel) for channel in capture.channels}
    aliases = _aliases(looks)
    own = [look for path, look in looks.items() if path not in aliases]
    wires = {look.channel.path: (look, wire) for look in own if (wire := recognise(look, capture)) is not None}
    # bits of two lengths in runs of whole LEDs leave no doubt; bits all alike may be the pulses of a clock
    sure = {path for path, (_, wire) in wires.items() if wire.on_scale and wire.short and wire.long}
    others: list[OtherChain] = [*find_clocked([look for look in own if look.channel.path not in sure], capture)]
    own = [look for look in own if look.channel.path not in paths_of(others)]
    wires = _plausible({path: seen for path, seen in wires.items() if path not in paths_of(others)})
    rest = [look for look in own if look.channel.path not in wires]
    pulses = {look.channel.path: line for look in rest if (line := pulses_of(look, capture, FASTEST_HZ)) is not None}
    lines = list(pulses.values())
    motor = find_motor(lines, capture)
    direct = direct_beside(rest, motor, capture, other_leds=bool(wires or others))
    if direct:
        others += direct
        lines = without(lines, paths_of(direct))
        motor = find_motor(lines, capture)
    paced = {**wires, **stand_ins(others)}
    candidates = weigh_index(lines, paced, motor, capture)
    index = chosen_index(candidates)
    if motor is None:
        motor = find_tachometer(candidates, index.pulses if index else None)
    turn = _turn(index, motor, paced, capture) if index else None
    beats = [chain.slot for chain in direct if not chain.pwm]
    if index is not None and turn is not None and beats and not wires and len(others) == len(direct):
        # columns that show the same as the one before are not among the updates
        turn = replace(turn, columns=_columns_by_beat(index.pulses, turn, beats[0], capture))
    pairs = _pole_pairs(index, turn, motor)
    return Survey(looks, aliases, wires, pulses, candidates, index, turn, motor, pairs, tuple(others))


def _aliases(looks: Mapping[str, Look]) -> dict[str, str]:
    """Lines that repeat an earlier one edge for edge, as when one net has several names."""
    first: dict[tuple[int, int, int, int], list[Look]] = {}
    found: dict[str, str] = {}
    for path, look in looks.items():
        if look.count == 0:
            continue
        edges = look.channel.edges
        key = (look.count, look.channel.initial, int(edges[0]), int(edges[look.count - 1]))
        for earlier in first.setdefault(key, []):
            if same_line(earlier.channel, look.channel):
                found[path] = earlier.channel.path
                break
        else:
            first[key].append(look)
    return found


def _plausible(wires: Mapping[str, tuple[Look, OneWire]]) -> dict[str, tuple[Look, OneWire]]:
    """A wrong time unit is wrong for every line: lines that fit the true time axis rule out those that need another."""
    on_scale = {path: seen for path, seen in wires.items() if seen[1].on_scale}
    return on_scale or dict(wires)


def _turn(index: Candidate, motor: Motor | None, wires: Mapping[str, tuple[Look, OneWire]], capture: Capture) -> Turn:
    leading: Edge = "rising" if index.pulses.active else "falling"
    lock = lock_of(motor.lines[0], index.pulses) if motor else UNLOCKED
    pulses = _pulses_per_revolution(index, lock, leading, wires, capture)
    edge, why = choose_edge(index.pulses, wires, capture, 1 if index.pulses.missing_tooth else pulses.value or 1)
    return Turn(edge, why, pulses, index.pulses.missing_tooth, _columns(index.pulses, edge, pulses, wires))


def _pulses_per_revolution(
    index: Candidate, lock: Lock, edge: Edge, wires: Mapping[str, tuple[Look, OneWire]], capture: Capture
) -> Told:
    line = index.pulses
    if line.missing_tooth:
        return Told(line.pattern, f"one gap in every {line.pattern} pulses is longer: a wheel with a missing tooth")
    if line.pattern > 1:
        return Told(line.pattern, f"the spacings repeat every {line.pattern} pulses")
    said: list[tuple[int, str]] = []
    if index.follow and index.follow.tight and index.follow.every > 1:
        k = index.follow.every
        said.append((k, f"the wait for the next LED update repeats after {k} pulses"))
    restarts = [restarts_every(line, look, wire, capture) for look, wire in wires.values() if wire.on_scale]
    anew = max((k for k in restarts if k), default=None)
    if anew is not None and anew > 1:
        said.append((anew, f"the LED columns start anew after every {anew} pulses"))
    if lock.marks > 1:
        k, ratio = lock.marks, f"{lock.per_mark:.3g} electrical periods"
        said.append((k, f"the motor makes {ratio} per pulse, a whole number only over {k} pulses"))
    repeat, from_data = _repeat_in_pulses(line, edge, wires)
    if from_data > 1:
        told = f"the LED data repeat every {repeat} updates, which is {from_data} pulses"
        alone = "" if said else " (a picture that changes from turn to turn would look the same)"
        said.append((from_data, told + alone))
    if said:
        most = max(k for k, _ in said)
        agreed = all(most % k == 0 for k, _ in said)
        return Told(most, "; ".join(why for _, why in said), sure=agreed and (len(said) > 1 or from_data == 0))
    if from_data == 1 or anew == 1:
        why = (
            "the LED columns start anew at every pulse" if anew == 1 else f"the LED data repeat every {repeat} updates"
        )
        return Told(1, f"pulses are evenly spaced and {why}: one to a turn")
    doubt = "evenly spaced pulses of several to a turn would look the same"
    return Told(1, f"pulses are evenly spaced, so one to a turn is assumed; {doubt}", sure=False)


def _repeat_in_pulses(line: Pulses, edge: Edge, wires: Mapping[str, tuple[Look, OneWire]]) -> tuple[int, int]:
    """(updates after which the data of a chain repeat, pulses in which so many updates come); 0 where not known."""
    instants = edges_of(line, edge)[:50_000]
    if len(instants) < 3:
        return 0, 0
    for look, wire in wires.values():
        ends = look.channel.edges.searchsorted(instants[[0, -1]])
        updates = float(ends[1] - ends[0]) / (2 * wire.burst_bits) / (len(instants) - 1)
        if wire.repeat and wire.on_scale and updates > 0:
            pulses = wire.repeat / updates
            if round(pulses) >= 1 and abs(pulses - round(pulses)) <= 0.05 * pulses:
                return wire.repeat, round(pulses)
    return 0, 0


def _columns(line: Pulses, edge: Edge, pulses: Told, wires: Mapping[str, tuple[Look, OneWire]]) -> Told:
    """Updates from turn to turn, told from the number of LED edges between, so that not one bit need be read."""
    k = pulses.value or 1
    instants = edges_of(line, edge)
    turns = line.marks(instants) if line.missing_tooth else instants[::k]
    best: tuple[float, int, int, OneWire] | None = None
    for look, wire in wires.values():
        if len(turns) < 2 or not wire.on_scale:
            continue
        at = np.asarray(look.channel.edges.searchsorted(turns[:50_000]), dtype=np.int64)
        updates = np.rint(np.diff(at) / (2 * wire.burst_bits)).astype(np.int64)
        # where the line was silent or not recorded there is nothing to count
        updates = updates[updates > 0]
        if len(updates):
            values, counts = np.unique(updates, return_counts=True)
            share = float(counts.max() / counts.sum())
            if best is None or share > best[0]:
                best = (share, int(values[np.argmax(counts)]), len(updates), wire)
    if best is None:
        return Told(None, "no updates between index pulses to count")
    share, columns, counted, wire = best
    # on few turns one that is not like the others must not veto the count
    if share < 0.6 and counted > 3:
        return Told(
            None,
            f"the number of updates varies from turn to turn (the commonest, {columns}, holds for {share:.0%}): "
            "the columns are not tied to the index",
        )
    why = f"{share:.0%} of {plural(counted, 'turn')} of the index hold {columns} updates"
    if wire.repeat == columns:
        why += ", and the data repeat after as many"
    return Told(columns, why, sure=share >= 0.9)


def _columns_by_beat(line: Pulses, turn: Turn, slot: float, capture: Capture) -> Told:
    """How often the beat of lines that show only changes fits a turn."""
    instants = edges_of(line, turn.edge)
    turns = line.marks(instants) if line.missing_tooth else instants[:: turn.pulses_per_revolution.value or 1]
    if len(turns) < 2:
        return Told(None, "no whole turn to hold the beat against")
    period = float(np.median(np.diff(turns[:50_000])))
    ratio, tick = period / slot, float(capture.tick)
    why = f"a turn of {figure(period * tick, 's')} is {ratio:.3g} beats of {figure(slot * tick, 's')}"
    if abs(ratio - round(ratio)) > 0.25 or round(ratio) < 2:
        return Told(None, f"{why}, no whole number")
    return Told(round(ratio), why, sure=abs(ratio - round(ratio)) < 0.1)


def _pole_pairs(index: Candidate | None, turn: Turn | None, motor: Motor | None) -> Told:
    if motor is None:
        return Told(None, "no motor line was found")
    if index is None or turn is None:
        return Told(None, "without an index nothing tells how many electrical periods make a turn", sure=False)
    lock = lock_of(motor.lines[0], index.pulses)
    if not lock.locked:
        return Told(None, "the motor lines do not keep their phase to the index", sure=False)
    marks = (turn.pulses_per_revolution.value or 1) // index.pulses.pattern
    pairs = lock.per_mark * max(marks, 1)
    return Told(round(pairs), f"{pairs:.3g} electrical periods to a turn of the index", sure=lock.turns >= 3)
