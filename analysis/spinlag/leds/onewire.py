"""One-wire NRZ lines: a rising edge starts a bit, its high time decides it, a long low ends the update."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spinlag.capture import Capture, Channel, Progress
from spinlag.leds.chain_parts import chain_parts, no_updates
from spinlag.leds.line import line_of
from spinlag.leds.onewire_learn import Habits, detect_polarity, learn
from spinlag.leds.onewire_scan import NAMES, Scan
from spinlag.leds.onewire_updates import Updates, join, whole_updates
from spinlag.leds.onewire_watch import Scene, watch_one_wire
from spinlag.leds.parts import Part, after_led
from spinlag.leds.recognise import fit_sentence, rank_parts
from spinlag.leds.tally import Clock, finish
from spinlag.leds.updates import ChainUpdates, Tally
from spinlag.leds.watch import Traffic
from spinlag.rig import LedsTable, Rig

DEFAULT_BITS_PER_LED = 24
DEFAULT_ORDER = "GRB"
LONGEST_LATCH_S = 300e-6
"""Latch time of the slowest one-wire sheets (WS2813 April-2016, p. 5), where nothing tells the part."""


@dataclass(frozen=True)
class _Choice:
    """The part to decode by, all that the rig can mean, and what to say about it."""

    part: Part | None
    candidates: tuple[Part, ...]
    note: str


def decode(capture: Capture, chain: LedsTable, rig: Rig, progress: Progress | None = None) -> ChainUpdates:
    """Every update on a one-wire chain, in one pass over the line.

    Raises KeyError where the capture lacks the chain's channel, PartError where the part is not known. `progress` is
    called with edges done and edges in all.
    """
    channel = capture.channel(chain.data)
    clock = Clock(capture.tick, capture.sample_period.ticks, rig.capture.clock_ppm)
    found, notes = chain_parts(chain)
    inverted, turned = _polarity(capture, channel, chain)
    line = line_of(capture, channel, inverted=inverted)
    count_bits = _count_bits(chain, found)
    habits = learn(capture, line, found[0] if found else None, count_bits)
    if habits is None:
        return no_updates(chain, channel.name, found, "the line never sends a bit")
    if len(found) > 1:
        found = _nearest_first(found, habits, clock)
        habits = learn(capture, line, found[0], count_bits) or habits
    scan = Scan(line, habits)
    scan.run(progress)
    stretches = scan.stretches()
    updates = join(stretches, habits.expected, _longest_pause(chain, found, habits, clock))
    scan.take_back(stretches, updates.pauses)
    timing = _timing(scan, updates, clock)
    usual = habits.expected
    choice = _choose(chain, found, timing, clock, usual)
    bits_per_led, order, more = _colours(chain, choice.part, usual)
    whole = whole_updates(line, updates, usual, min(habits.end, habits.pause))
    expected = count_bits if chain.tap == "controller" else None
    traffic = Traffic(
        name=chain.name,
        channel=channel.name,
        start=updates.start,
        last=updates.last,
        bits=updates.bits,
        whole=whole,
        expected=expected,
        bits_per_led=bits_per_led,
        clock=clock,
        known_to=line.known_to,
    )
    judged_by = choice.candidates if chain.tap == "controller" else ()
    observations, unlisted = watch_one_wire(Scene(traffic, scan, habits, judged_by))
    latch_s, latch_from = _latch(chain, found, timing, clock)
    n = len(updates.start)
    return ChainUpdates(
        name=chain.name,
        wiring=chain.wiring,
        channel=channel.name,
        part=choice.part,
        part_note=choice.note,
        bits_per_led=bits_per_led,
        order=order,
        start=updates.start,
        last=updates.last,
        light_early_s=np.zeros(n),
        light_s=np.full(n, latch_s),
        bits=updates.bits,
        data=updates.data,
        offsets=updates.offsets,
        whole=whole,
        timing=timing,
        threshold_s=habits.threshold * clock.tick_s,
        threshold_from=habits.threshold_from,
        latch_s=latch_s,
        latch_from=latch_from,
        observations=observations,
        notes=(*notes, *turned, *habits.notes, *more, *_tap_notes(chain), *unlisted),
        candidates=choice.candidates,
        lost_intervals=scan.lost.count,
        count=None if expected is None else expected // bits_per_led,
    )


def _polarity(capture: Capture, channel: Channel, chain: LedsTable) -> tuple[bool, tuple[str, ...]]:
    seen = detect_polarity(capture, channel)
    if chain.inverted:
        if seen is False:
            return True, (f"the rig says that {channel.name} is inverted, but the line rests low",)
        return True, ("inverted line, as the rig says",)
    if seen:
        return True, (f"{channel.name} rests high: decoded as an inverted line, though the rig does not say so",)
    return False, ()


def _count_bits(chain: LedsTable, found: tuple[Part, ...]) -> int | None:
    """Bits of a whole update, where the rig's count can be taken at its word."""
    if chain.count is None or chain.tap != "controller":
        return None
    if chain.order is not None:
        return chain.count * 8 * len(chain.order)
    return chain.count * (found[0].bits_per_led if found else DEFAULT_BITS_PER_LED)


def _nearest_first(found: tuple[Part, ...], habits: Habits, clock: Clock) -> tuple[Part, ...]:
    """The first revision whose threshold parts the line's two high times, then the others."""

    def serves(part: Part) -> bool:
        threshold = part.threshold_s
        if threshold is None:
            return False
        ticks = threshold / clock.tick_s
        return (habits.zero is None or habits.zero <= ticks) and (habits.one is None or habits.one > ticks)

    best = next((part for part in found if serves(part)), found[0])
    return (best, *(part for part in found if part is not best))


def _longest_pause(chain: LedsTable, found: tuple[Part, ...], habits: Habits, clock: Clock) -> int:
    """A low this long ends an update whatever its length: the LEDs take over their data."""
    latches = [part.latch_s for part in found if part.latch_s is not None]
    latch_s = chain.latch_us / 1e6 if chain.latch_us else max(latches, default=LONGEST_LATCH_S)
    return int(latch_s * habits.scale / clock.tick_s)


def _timing(scan: Scan, updates: Updates, clock: Clock) -> dict[str, Tally]:
    grouping = scan.grouping(len(updates.start))
    timing = {name: finish(scan.gathered[name], clock, grouping) for name in NAMES}
    timing["low_between_updates"] = scan.lost.tally(updates.last[:-1], updates.start[1:], clock)
    order = ("t0h", "t0l", "t1h", "t1l", "bit_period", "low_between_updates")
    return {name: tally for name in order if (tally := timing[name]) is not None}


def _choose(
    chain: LedsTable, found: tuple[Part, ...], timing: Mapping[str, Tally], clock: Clock, usual: int | None
) -> _Choice:
    if not found:
        ranked = rank_parts(timing, slack_s=clock.sample_s, bits=usual)
        return _Choice(None, (), f"no part given; {fit_sentence(ranked)}")
    behind = chain.tap == "after-led"
    candidates = tuple(after_led(part) for part in found) if behind else found
    note = "rig"
    if len(found) > 1:
        names = ", ".join(part.name for part in found)
        note = f"{chain.part} can mean {names}; decoded by {found[0].name}, judged against each"
    return _Choice(candidates[0], candidates, note)


def _colours(chain: LedsTable, part: Part | None, usual: int | None) -> tuple[int, str, tuple[str, ...]]:
    """Bits per LED, colour order, and what was assumed."""
    if chain.order is not None:
        bits = 8 * len(chain.order)
        if part is not None and bits != part.bits_per_led:
            note = f"order {chain.order} in the rig means {bits} bits per LED, {part.name} has {part.bits_per_led}"
            return bits, chain.order, (note,)
        return bits, chain.order, ()
    if part is not None:
        return part.bits_per_led, part.order, ()
    if usual and usual % 32 == 0 and usual % 24:
        return (
            32,
            "GRBW",
            (f"32 bits per LED and order GRBW assumed: an update of {usual} bits holds no whole RGB LEDs",),
        )
    return DEFAULT_BITS_PER_LED, DEFAULT_ORDER, ("24 bits per LED and order GRB assumed: no part or order is given",)


def _latch(chain: LedsTable, found: tuple[Part, ...], timing: Mapping[str, Tally], clock: Clock) -> tuple[float, str]:
    """Low after which the LEDs show their data, in seconds, and where the figure is from."""
    if chain.latch_us is not None:
        return chain.latch_us / 1e6, "rig (latch_us)"
    known = [part for part in found if part.latch_s is not None]
    if known:
        longest = max(known, key=lambda part: part.latch_s or 0.0)
        more = "" if len(found) == 1 else f", the longest of the {len(found)} that the rig's part can mean"
        return longest.latch_s or 0.0, f"{longest.source}{more}"
    ranked = [claim for claim in rank_parts(timing, slack_s=clock.sample_s) if claim.fits and claim.part.latch_s]
    if ranked:
        longest = max((claim.part for claim in ranked), key=lambda part: part.latch_s or 0.0)
        return longest.latch_s or 0.0, f"no part given: the longest of those whose bit times fit, {longest.name}"
    return LONGEST_LATCH_S, "no part given and none fits: the longest in one-wire sheets (WS2813 2016-04, p. 5)"


def _tap_notes(chain: LedsTable) -> tuple[str, ...]:
    if chain.tap != "after-led":
        return ()
    return (
        "probe behind an LED: the pulses seen are that LED's own, so the sheet's input limits are not judged; LEDs "
        "before the probe are not seen, updates begin later than at the controller, and lows between them are longer",
    )
