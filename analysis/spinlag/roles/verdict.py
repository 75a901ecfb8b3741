"""What a survey makes of each single channel: role, how sure, and the reasons in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.roles.onewire import TYPICAL_BIT_S, OneWire
from spinlag.roles.parts import part_sentence
from spinlag.roles.shaft import Candidate, Motor
from spinlag.roles.survey import Survey
from spinlag.roles.wirings import judge_wiring
from spinlag.roles.words import figure, plural

if TYPE_CHECKING:
    from spinlag.roles import Role

Judged = tuple["Role", float, tuple[str, ...]]
FAST_EDGES_PER_S = 20_000.0
"""A line with more edges a second than this is traffic, not a marker."""


def judge_channel(capture: Capture, seen: Survey, channel: Channel) -> Judged:
    """Role, confidence (0 to 1) and reasons for one channel."""
    path = channel.path
    if channel.initial == UNKNOWN:
        return "idle", 0.99, ("never had a known level",)
    if seen.looks[path].count == 0:
        return "idle", 0.99, (f"stayed {'high' if channel.initial else 'low'} for {figure(capture.duration_s, 's')}",)
    if path in seen.aliases:
        return "other", 0.95, (f"repeats {seen.aliases[path]!r} edge for edge: the same line under another name",)
    if (wired := judge_wiring(seen, path)) is not None:
        return wired
    if path in seen.wires:
        return _leds(capture, seen.wires[path][1])
    if seen.index is not None and path == seen.index.pulses.look.channel.path:
        return _index(seen, seen.index)
    if seen.motor is not None and path in {line.look.channel.path for line in seen.motor.lines}:
        return _motor(seen, seen.motor)
    return _rest(capture, seen, channel)


def _leds(capture: Capture, wire: OneWire) -> Judged:
    tick = float(capture.tick)
    kinds = [figure(length * tick, "s") for length in (wire.short, wire.long) if length is not None]
    level = "low" if wire.inverted else "high"
    reasons = [
        f"{wire.bits} pulses that are {level} for {' or '.join(kinds)} every {figure(wire.period * tick, 's')}, in "
        f"{plural(wire.bursts, 'run')} of which {wire.burst_share:.0%} have {wire.burst_bits} bits: "
        f"{plural(wire.leds, 'LED')} of {wire.bits_per_led} bits on one wire"
    ]
    sure = 0.97 if len(kinds) == 2 else 0.8
    if len(kinds) == 1:
        reasons.append("all bits were alike, so the other bit's length is not known")
    if wire.inverted:
        reasons.append("it rests high between updates, so it is inverted")
    if wire.width_note:
        reasons.append(wire.width_note)
    if wire.on_scale:
        reasons.append(part_sentence(capture, wire))
    else:
        right = TYPICAL_BIT_S / wire.period
        reasons.append(
            f"bits of {figure(wire.period * tick, 's')} are out of the question: the file's time unit must be wrong; "
            f"a tick of {figure(right, 's')} would make them {figure(TYPICAL_BIT_S, 's')}"
        )
        sure = 0.6
    return "leds-data", sure * min(1.0, 0.5 + wire.burst_share / 2), tuple(reasons)


def _index(seen: Survey, index: Candidate) -> Judged:
    sure = min(0.97, max(0.3, 0.45 + 0.1 * index.score))
    reasons = list(index.reasons)
    rivals = [other for other in seen.candidates[1:] if index.score - other.score < 1.0]
    if rivals:
        names = ", ".join(repr(rival.pulses.look.channel.name) for rival in rivals)
        reasons.append(f"nearly as likely: {names}")
        sure *= 0.6
    if not seen.wires and not seen.others and seen.motor is None:
        reasons.append("nothing else in the capture bears it out: no LED line, no motor line")
    return "index", sure, tuple(reasons)


def _motor(seen: Survey, motor: Motor) -> Judged:
    reasons = list(motor.reasons)
    pairs = seen.pole_pairs
    reasons.append(pairs.reason)
    return "motor-phase", motor.confidence, tuple(reasons)


def _rest(capture: Capture, seen: Survey, channel: Channel) -> Judged:
    count = seen.looks[channel.path].count
    rate = count / capture.duration_s if capture.duration_s > 0 else 0.0
    if rate > FAST_EDGES_PER_S:
        why = f"{plural(count, 'edge')}, {figure(rate, 'Hz')} on average: a bus or a clock, but no LED line on one wire"
        return "other", 0.5, (why,)
    weighed = next((c for c in seen.candidates if c.pulses.look.channel.path == channel.path), None)
    if weighed is not None:
        against = "not the index, for another line fits better" if seen.index else "too little speaks for the index"
        return "marker", 0.6, (*weighed.reasons, against)
    pulses = seen.pulses.get(channel.path)
    if pulses is None:
        return "marker", 0.6, (f"{plural(count, 'edge')} in {figure(capture.duration_s, 's')}",)
    width = figure(pulses.width * float(capture.tick), "s")
    manner = "regular" if pulses.periodic else "irregular"
    why = f"{plural(pulses.count, 'pulse')}, {manner}, {width} long in the middle, {figure(rate / 2, 'Hz')} on average"
    return "marker", 0.7, (why,)
