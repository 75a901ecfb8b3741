"""Clips on the wrong lines and levels the wrong way up: what a line looks like against what the rig takes it for.

Every sentence proposes a change of the rig, or of the bench, that would put it right; none is made. What a chain's
lines gave is left out where one of them carries another signal for certain.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import LedsTable, Rig
from spinlag.roles.words import figure, toml_text
from spinlag.shaft_clips import fitting, index_elsewhere, motor_elsewhere, other_edge, upside_down_phase
from spinlag.wrong_lines import SEE, TITLES, Unsound, WrongClip

if TYPE_CHECKING:
    from spinlag.motor import Motor
    from spinlag.roles.survey import Survey

_FEWEST_EDGES = 8
"""Two lines of fewer edges may well change together by chance."""

_SLOWEST_BIT_S = 20e-6
"""Pulses so far apart are no bits of LEDs on one wire: 16 times their usual 1.25 us (makers' sheets)."""

_MOST_CHANNELS = 256
"""A first look at every line of a simulator's dump is not worth its time here."""


def wrong_clips(
    capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], motor: Motor | None = None
) -> tuple[WrongClip, ...]:
    """Lines that look like what the rig takes another one for, or like themselves upside down; none of it where the rig
    was guessed from the same look. Of lines that the `motor` has left out nothing is said but what to exchange."""
    strange = frozenset(capture.channel(name).path for name in (motor.strange if motor is not None else ()))
    return tuple(_found(capture, rig, chains, strange))


def _found(capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], strange: frozenset[str]) -> Iterator[WrongClip]:
    yield from _swapped_chains(rig, chains)
    if rig.guessed or len(capture.channels) > _MOST_CHANNELS:
        return
    from spinlag.roles.survey import survey

    seen = survey(capture)
    yield from map(WrongClip, _inverted_wires(capture, rig, seen))
    tied = list(_tied(capture, rig, seen, strange))
    exchanged = [*tied, *_elsewhere(capture, rig, seen, _paths(tied))]
    exchanged += _no_leds(capture, rig, seen, _paths(exchanged))
    exchanged += index_elsewhere(capture, rig, seen, _paths(exchanged))
    exchanged += motor_elsewhere(capture, rig, seen, _paths(exchanged), strange)
    yield from exchanged
    if not exchanged:
        yield from other_edge(capture, rig, seen, chains)
        yield from map(WrongClip, upside_down_phase(capture, rig, seen))
        yield from map(WrongClip, _clocked_upside_down(capture, rig, seen, chains))


def _paths(clips: Sequence[WrongClip]) -> frozenset[str]:
    return frozenset(path for one in clips for path in one.spoken_of)


def _swapped_chains(rig: Rig, chains: Sequence[ChainUpdates]) -> Iterator[WrongClip]:
    """Two chains of different length, each as long as the rig says of the other."""
    for i, (one, seen) in enumerate(zip(rig.leds, chains, strict=True)):
        for other, also in zip(rig.leds[i + 1 :], chains[i + 1 :], strict=True):
            if one.count != other.count and (one.count, other.count) == (also.leds_seen, seen.leds_seen):
                why = f"the data lines of {one.name} and {other.name} look exchanged; {SEE}"
                yield WrongClip(
                    f"{one.data} carries {seen.leds_seen} LEDs and {other.data} {also.leds_seen}, the other way round "
                    f"than in the rig: swap the data lines of {one.name} and {other.name}",
                    spoils=tuple(
                        Unsound(what, why)
                        for what in (f"leds.{one.name}.", f"leds.{other.name}.", "latency.", "placement.")
                    ),
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


def _tied(capture: Capture, rig: Rig, seen: Survey, strange: frozenset[str]) -> Iterator[WrongClip]:
    """Lines of the rig for different things that carry the very same edges. Two LED lines of one kind may, where they
    show the same picture; of motor lines that are all `strange` nothing is said."""
    looks, kinds = _looks(seen), _kinds(capture, rig)
    nets: dict[str, list[str]] = {}
    for path in kinds:
        nets.setdefault(seen.aliases.get(path, path), []).append(path)
    for first, paths in nets.items():
        told = {kinds[path][1] for path in paths}
        alike = told <= {"latch", "blank"} or (len(told) == 1 and told not in ({"motor"}, {"marker"}))
        if len(paths) < 2 or alike or strange >= set(paths) or seen.looks[first].count < _FEWEST_EDGES:
            continue
        names = [capture.channel(path).name for path in paths]
        said = " and ".join(f"{name} ({kinds[path][0]})" for name, path in zip(names, paths, strict=True))
        looks_like = looks.get(first)
        wrong = [path for path in paths if kinds[path][1] != looks_like or told == {"motor"}]
        where = " and ".join(capture.channel(path).name for path in wrong)
        like = f"it looks like {TITLES[looks_like]}; " if looks_like in TITLES and len(wrong) < len(paths) else ""
        clips = "clip" if len(wrong) == 1 else "clips"
        yield WrongClip(
            f"{said} carry the same edges all the time: {like}look at the {clips} of {where}, or for a short",
            tuple(path for path in wrong if kinds[path][1] != "marker"),
            tuple(path for path in wrong if kinds[path][0].startswith("leds")),
            also=tuple(paths),
        )


def _kinds(capture: Capture, rig: Rig) -> dict[str, tuple[str, str]]:
    """As `_meant`, with direct lines and markers."""
    found = _meant(capture, rig)
    for key, name in rig.channels().items():
        found.setdefault(capture.channel(name).path, (key, "marker" if key.startswith("markers.") else "direct"))
    return found


def _not_leds(seen: Survey, path: str, kind: str, looks: str | None) -> bool:
    """True where a line that is meant for LEDs is told for another signal, or is far off any bit time."""
    if kind in ("index", "motor"):
        return False
    if looks is not None and looks != kind:
        return True
    return kind == "wire" and (path not in seen.wires or not seen.wires[path][1].on_scale)


def _elsewhere(capture: Capture, rig: Rig, seen: Survey, taken: frozenset[str]) -> Iterator[WrongClip]:
    """Two lines of the rig that look like one another, and lines that look like one that the rig should have named.
    Paths in `taken` have been spoken of."""
    meant, looks = _meant(capture, rig), _looks(seen)
    meant = {path: found for path, found in meant.items() if path not in taken}
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
        as_ = f" and {names[other]} like {TITLES[own]}" if looks.get(other) == own else ""
        yield WrongClip(
            f"{names[path]} looks like {TITLES[kind]}{as_}, the other way round than in the rig: swap them "
            f"({key} = {toml_text(names[other])}, {meant[other][0]} = {toml_text(names[path])})",
            (path, other),
            tuple(one for one in (path, other) if _not_leds(seen, one, meant[one][1], looks.get(one))),
        )
    strangers: dict[str, list[str]] = {}
    for path, kind in looks.items():
        if path not in meant and path not in taken:
            strangers.setdefault(kind, []).append(path)
    for path, (key, kind) in meant.items():
        line = capture.channel(path)
        if path in told or looks.get(path) == kind or kind not in strangers or not len(line.edges):
            continue
        if kind in ("index", "motor") and path not in wrong:
            continue  # an index or a motor line can look like much; LED lines cannot
        said = f"{line.name} ({key}) does not look like {TITLES[kind]}"
        yield WrongClip(
            fitting(capture, rig, said, key, line.name, strangers[kind]),
            (path,),
            (path,) if _not_leds(seen, path, kind, looks.get(path)) else (),
        )


def _no_leds(capture: Capture, rig: Rig, seen: Survey, taken: frozenset[str]) -> Iterator[WrongClip]:
    """Lines meant for LEDs on one wire that are far too slow for any."""
    for path, (key, kind) in _meant(capture, rig).items():
        if path in taken or kind != "wire" or not _far_too_slow(capture, seen, path):
            continue
        apart = figure(_usual_period_s(capture, seen, path), "s")
        yield WrongClip(
            f"{capture.channel(path).name} ({key}) does not look like {TITLES[kind]}: its pulses come {apart} apart, "
            "where bits take about 1.25 µs; look at its clip, and whether the rig names the right line",
            (path,),
            (path,),
        )


def _far_too_slow(capture: Capture, seen: Survey, path: str) -> bool:
    edges = seen.looks[path].count if path in seen.looks else 0
    return path not in seen.wires and edges >= _FEWEST_EDGES and _usual_period_s(capture, seen, path) > _SLOWEST_BIT_S


def _usual_period_s(capture: Capture, seen: Survey, path: str) -> float:
    steps = np.concatenate([np.diff(stretch.edges[::2]) for stretch in seen.looks[path].stretches])
    return float(np.median(steps)) * float(capture.tick)


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
