"""Clips on the wrong lines and levels the wrong way up: what a line looks like against what the rig takes it for.

Every sentence proposes a change of the rig, or of the bench, that would put it right; none is made. What a chain's
lines gave is left out where one of them carries another signal for certain.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import LedsTable, Rig
from spinlag.roles.words import toml_text

if TYPE_CHECKING:
    from spinlag.roles.pulses import Pulses
    from spinlag.roles.survey import Survey
    from spinlag.roles.sync import Follow

_MOST_CHANNELS = 256
"""A first look at every line of a simulator's dump is not worth its time here."""

CLEARLY = 4.0
"""The updates follow the other edge if the wait from it varies so many times less. Common practice, no source."""

RARER = 0.4
"""A line is taken for pulses of its rarer level where that makes up no more than this share of the time; nearer to a
half, nothing tells the pulse from the gap. Common practice, no source."""

_FEWEST_PULSES = 12
_MOST_UPDATES = 1 << 14
"""Updates from which a typical latency is told."""

_EVENLY_DEG = 12.0
"""Motor sensors are taken for evenly spaced where they stand so near to 120 electrical degrees apart."""

_TITLES = {
    "index": "the index pulse",
    "motor": "a motor line",
    "wire": "LED data on one wire",
    "clock": "the clock of an LED chain",
    "data": "the data of a clocked LED chain",
    "latch": "a latch",
    "blank": "a blanking line",
}


@dataclass(frozen=True)
class WrongClip:
    """What to say, and the paths of channels that carry another line than the rig says; `not_leds` are those of them
    that are meant for LEDs and for certain carry no such signal."""

    said: str
    misplaced: tuple[str, ...] = ()
    not_leds: tuple[str, ...] = ()


def wrong_clips(capture: Capture, rig: Rig, chains: Sequence[ChainUpdates]) -> tuple[WrongClip, ...]:
    """Lines that look like what the rig takes another one for, or like themselves upside down; none of it where the rig
    was guessed from the same look."""
    return tuple(_found(capture, rig, chains))


def without_misplaced(
    capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], clips: Sequence[WrongClip]
) -> tuple[ChainUpdates, ...]:
    """The chains, those empty that were read from a line which carries no LED signal: its bits would be nonsense."""
    from spinlag.leds.chain_parts import chain_parts, no_updates

    wrong = {path for one in clips for path in one.not_leds}
    if not wrong:
        return tuple(chains)
    named = rig.channels()
    kept = []
    for number, (table, chain) in enumerate(zip(rig.leds, chains, strict=True)):
        own = [name for key, name in named.items() if key.startswith(f"leds[{number}].")]
        strange = [name for name in own if capture.channel(name).path in wrong]
        if strange:
            what = _TITLES["wire"] if table.wiring == "one-wire" else f"a {table.wiring} LED chain's"
            why = f"the line {strange[0]} does not look like {what}; see the proposal among the warnings"
            chain = replace(no_updates(table, chain.channel, chain_parts(table)[0], why), unread=why)
        kept.append(chain)
    return tuple(kept)


def _found(capture: Capture, rig: Rig, chains: Sequence[ChainUpdates]) -> Iterator[WrongClip]:
    yield from map(WrongClip, _swapped_chains(rig, chains))
    if rig.guessed or len(capture.channels) > _MOST_CHANNELS:
        return
    from spinlag.roles.survey import survey

    seen = survey(capture)
    yield from map(WrongClip, _inverted_wires(capture, rig, seen))
    exchanged = list(_elsewhere(capture, rig, seen))
    yield from exchanged
    if not exchanged:
        yield from map(WrongClip, _other_edge(capture, rig, seen, chains))
        yield from map(WrongClip, _upside_down_phase(capture, rig, seen))
        yield from map(WrongClip, _clocked_upside_down(capture, rig, seen, chains))


def _swapped_chains(rig: Rig, chains: Sequence[ChainUpdates]) -> Iterator[str]:
    """Two chains of different length, each as long as the rig says of the other."""
    for i, (one, seen) in enumerate(zip(rig.leds, chains, strict=True)):
        for other, also in zip(rig.leds[i + 1 :], chains[i + 1 :], strict=True):
            if one.count != other.count and (one.count, other.count) == (also.leds_seen, seen.leds_seen):
                yield (
                    f"{one.data} carries {seen.leds_seen} LEDs and {other.data} {also.leds_seen}, the other way round "
                    f"than in the rig: swap the data lines of {one.name} and {other.name}"
                )


def _inverted_wires(capture: Capture, rig: Rig, seen: Survey) -> Iterator[str]:
    for number, chain in enumerate(rig.leds):
        path = capture.channel(chain.data).path
        if chain.wiring != "one-wire" or path not in seen.wires:
            continue
        inverted = seen.wires[path][1].inverted
        if inverted != chain.inverted:
            yield (
                f"{chain.data} (leds[{number}].data) idles {'high' if inverted else 'low'} and reads as LED data when "
                f"its levels are {'exchanged' if inverted else 'taken as they are'}: set inverted = "
                f"{str(inverted).lower()} in the rig"
            )


def _meant(capture: Capture, rig: Rig) -> dict[str, tuple[str, str]]:
    """Channel path -> (rig key, what the rig takes the line for); markers and direct lines look like anything."""
    found: dict[str, tuple[str, str]] = {}
    for key, name in rig.channels().items():
        family, _, rest = key.partition(".")
        if family == "index":
            kind = "index"
        elif family == "motor" or family.startswith("motor"):
            kind = "motor"
        elif family.startswith("leds") and not rest.startswith("lines"):
            chain = rig.leds[int(family[5:-1])]
            kind = "wire" if chain.wiring == "one-wire" else rest
        else:
            continue
        found.setdefault(capture.channel(name).path, (key, kind))
    return found


def _looks(seen: Survey) -> dict[str, str]:
    """Channel path -> what the line looks like, where that leaves little doubt."""
    from spinlag.roles.clocked import Wired

    found = {path: "wire" for path, (_, wire) in seen.wires.items() if wire.on_scale and wire.short and wire.long}
    for chain in seen.others:
        if isinstance(chain, Wired):
            found |= {look.channel.path: key for key, look in chain.lines.items()}
    if seen.motor is not None and len(seen.motor.lines) > 1:
        found |= {line.look.channel.path: "motor" for line in seen.motor.lines}
    if seen.index is not None:
        found[seen.index.pulses.look.channel.path] = "index"
    return found


def _not_leds(seen: Survey, path: str, kind: str, looks: str | None) -> bool:
    """True where a line that is meant for LEDs is told for another signal, or is far off any bit time."""
    if kind in ("index", "motor"):
        return False
    if looks is not None and looks != kind:
        return True
    return kind == "wire" and (path not in seen.wires or not seen.wires[path][1].on_scale)


def _elsewhere(capture: Capture, rig: Rig, seen: Survey) -> Iterator[WrongClip]:
    """Two lines of the rig that look like one another, and lines that look like one that the rig should have named."""
    meant, looks = _meant(capture, rig), _looks(seen)
    names = {channel.path: channel.name for channel in capture.channels}
    wrong = {path: looks[path] for path, (_, kind) in meant.items() if looks.get(path, kind) != kind}
    told: set[str] = set()
    for path, kind in wrong.items():
        key, own = meant[path]
        partners = [other for other in meant if other != path and meant[other][1] == kind and looks.get(other) != kind]
        # the partner looks like this line, or at least like nothing that it should
        partners.sort(key=lambda other: looks.get(other) != own)
        if path in told or not partners:
            continue
        other = partners[0]
        if looks.get(other) not in (own, None) and looks.get(other) == meant[other][1]:
            continue
        told |= {path, other}
        as_ = f" and {names[other]} like {_TITLES[own]}" if looks.get(other) == own else ""
        yield WrongClip(
            f"{names[path]} looks like {_TITLES[kind]}{as_}, the other way round than in the rig: swap them "
            f"({key} = {toml_text(names[other])}, {meant[other][0]} = {toml_text(names[path])})",
            (path, other),
            tuple(one for one in (path, other) if _not_leds(seen, one, meant[one][1], looks.get(one))),
        )
    strangers: dict[str, list[str]] = {}
    for path, kind in looks.items():
        if path not in meant:
            strangers.setdefault(kind, []).append(names[path])
    for path, (key, kind) in meant.items():
        line = capture.channel(path)
        if path in told or looks.get(path) == kind or kind not in strangers or not len(line.edges):
            continue
        if kind in ("index", "motor") and path not in wrong:
            continue  # an index or a motor line can look like much; LED lines cannot
        better = ", ".join(strangers[kind][:3])
        yield WrongClip(
            f"{line.name} ({key}) does not look like {_TITLES[kind]}, but {better} does: is that the line the rig "
            "should name?",
            (path,),
            (path,) if _not_leds(seen, path, kind, looks.get(path)) else (),
        )


def _other_edge(capture: Capture, rig: Rig, seen: Survey, chains: Sequence[ChainUpdates]) -> Iterator[str]:
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
            yield (
                f"the LED updates follow the {other} edge of {rig.index.channel} (the wait varies by "
                f"{figure(theirs.spread * tick, 's')}) far more closely than the {edge} one that the rig names "
                f'({figure(ours.spread * tick, "s")}): is the line inverted? [index] edge = "{other}" would fit'
            )
            return
        if _ends_the_pulse(line, edge) and _begins_first(theirs, ours, line, sample_ticks(capture)):
            yield _said_of_pulse(capture, rig, line, theirs, edge, chains)
            return


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


def _upside_down_phase(capture: Capture, rig: Rig, seen: Survey) -> Iterator[str]:
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


def _clocked_upside_down(capture: Capture, rig: Rig, seen: Survey, chains: Sequence[ChainUpdates]) -> Iterator[str]:
    """Clocked chains that make sense on the other clock edge, or with their data's levels exchanged."""
    from spinlag.roles.clocked import Wired

    sampled = {chain.clock.channel.path: chain for chain in seen.others if isinstance(chain, Wired)}
    for number, (chain, decoded) in enumerate(zip(rig.leds, chains, strict=True)):
        if chain.wiring != "clocked" or chain.clock is None:
            continue
        data, clock = capture.channel(chain.data), capture.channel(chain.clock)
        looks = sampled.get(clock.path)
        if looks is not None and looks.frame is not None and looks.sampling != chain.clock_edge:
            yield (
                f"{chain.clock} (leds[{number}].clock) samples whole {looks.frame.name} words at its {looks.sampling} "
                f"edges, and the data change at its {chain.clock_edge} ones: it is inverted, or clock_edge = "
                f'"{looks.sampling}" belongs in the rig'
            )
        elif not _as_it_should(chain, decoded) and (name := _frame_when_exchanged(capture, data, clock)):
            yield (
                f"{chain.data} (leds[{number}].data) reads as {name} words when its levels are exchanged: it was "
                "clipped on behind an inverter; clip it on before that"
            )


def _as_it_should(chain: LedsTable, decoded: ChainUpdates) -> bool:
    return decoded.leds_seen is not None and chain.count in (None, decoded.leds_seen)


def _frame_when_exchanged(capture: Capture, data: Channel, clock: Channel) -> str | None:
    """Family of the words that the data make when high and low are exchanged; None where they are no known words."""
    from spinlag.roles.clocked import find_clocked
    from spinlag.roles.glance import look_at

    if data.initial == UNKNOWN:
        return None
    other = replace(data, initial=1 - data.initial)
    chains = find_clocked([look_at(other), look_at(clock)], capture)
    return next((one.frame.name for one in chains if one.frame and one.clock.channel.path == clock.path), None)
