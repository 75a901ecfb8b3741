"""The LED lines of a scenario: from the firmware's schedule to what each chain's wire carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.synth import plan
from spinlag.synth.chains import AnyChain
from spinlag.synth.firmware import Schedule
from spinlag.synth.picture import Image
from spinlag.synth.scenario import Scenario
from spinlag.synth.truth import TrueInterval
from spinlag.synth.wire import Alteration, IntervalSums, Traffic
from spinlag.synth.wires import wire_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class ChainLine:
    """One chain's wire and what became of n updates on it, in order, true seconds.

    `start_s`, `last_s` and `bits` (of LED words) are as they come out; `column` is what each sent, `extra` marks those
    that no column was due for, and `changed` those that moved any line at all.
    """

    chain: AnyChain
    traffic: Traffic
    start_s: Floats
    last_s: Floats
    first_visible_s: Floats
    visible_s: Floats
    bits: Ints
    column: Ints
    turn: Ints
    extra: NDArray[np.bool_]
    changed: NDArray[np.bool_]
    sums: IntervalSums

    def timing(self) -> dict[str, TrueInterval]:
        """Truth for each kind of interval over all simulated updates."""
        sums = self.sums
        return {
            name: TrueInterval(sums.count[name], sums.total[name] / sums.count[name], sums.low[name], sums.high[name])
            for name in sums.count
        }

    def bytes_of(self, updates: Ints) -> tuple[Ints, NDArray[np.uint8]]:
        """Offsets, shape (n + 1,), and the LED words that updates sent; a byte cut short is kept with zeros behind."""
        packed = np.packbits(self.traffic.frames, axis=1)
        altered = self.traffic.altered
        parts = [
            np.packbits(self.traffic.sent(int(update))) if int(update) in altered else packed[self.column[update]]
            for update in updates
        ]
        offsets = np.concatenate(([0], np.cumsum([len(part) for part in parts], dtype=np.int64)))
        return offsets.astype(np.int64), np.concatenate(parts) if parts else np.empty(0, dtype=np.uint8)


def make_chain_line(
    scenario: Scenario,
    chain: AnyChain,
    schedule: Schedule,
    events: Sequence[plan.Event],
    image: Image,
    seed: Sequence[int],
    rng: np.random.Generator,
) -> ChainLine:
    """The chain's updates with their data and faults; extra transmissions are put in where they belong."""
    firmware = scenario.firmware
    wire = wire_of(chain, firmware)
    start = schedule.start_s + chain.offset_us * 1e-6
    updates = _Updates(start, schedule.column, schedule.turn, np.zeros(len(start), dtype=bool))
    altered: dict[int, tuple[Alteration, ...]] = {}
    again: list[tuple[int, Alteration | None]] = []
    for update, event_id in schedule.strikes:
        fault = events[event_id].fault
        if fault.kind == "update-repeated":
            again.append((update, None))
        elif plan.struck_chain(fault, scenario) is not chain:
            continue
        elif fault.kind == "data-extra":
            again.append((update, Alteration(keep_bits=max(1, fault.leds or 0) * wire.format.word)))
        elif (change := plan.alteration(fault, wire, rng)) is not None:
            altered[update] = (*altered.get(update, ()), change)
    if again:
        rate = 1.0 / (1.0 + firmware.clock_error_ppm * 1e-6)
        wait = (wire.duration_s(chain.count) + firmware.gap_us * 1e-6) * rate
        updates, altered = _send_again(updates, altered, again, wait)
    frames = wire.frames(image[:, chain.first_led : chain.first_led + chain.count])
    traffic = Traffic(wire, updates.start_s, updates.column, frames, altered, tuple(seed))
    return _carry(chain, traffic, updates)


def _carry(chain: AnyChain, traffic: Traffic, updates: _Updates) -> ChainLine:
    """Run all updates over the wire once, for their instants and intervals."""
    sums = IntervalSums()
    count = len(updates.start_s)
    times = np.empty((4, count))
    bits, changed = np.empty(count, dtype=np.int64), np.empty(count, dtype=bool)
    for block in traffic.blocks(sums):
        made = block.made
        own = slice(block.first, block.first + len(made.begin_s))
        times[:, own] = made.begin_s, made.last_s, made.first_visible_s, made.visible_s
        bits[own], changed[own] = block.bits, made.changed
    return ChainLine(
        chain=chain,
        traffic=traffic,
        start_s=times[0],
        last_s=times[1],
        first_visible_s=times[2],
        visible_s=times[3],
        bits=bits,
        column=updates.column,
        turn=updates.turn,
        extra=updates.extra,
        changed=changed,
        sums=sums,
    )


@dataclass(frozen=True, eq=False)
class _Updates:
    start_s: Floats
    column: Ints
    turn: Ints
    extra: NDArray[np.bool_]


def _send_again(
    updates: _Updates,
    altered: Mapping[int, tuple[Alteration, ...]],
    again: Sequence[tuple[int, Alteration | None]],
    wait_s: float,
) -> tuple[_Updates, dict[int, tuple[Alteration, ...]]]:
    """Put in a second transmission `wait_s` after the start of some updates, perhaps an altered one."""
    again = sorted(dict(again).items())
    source = np.array([update for update, _ in again], dtype=np.int64)
    places = source + 1
    more = _Updates(
        start_s=np.insert(updates.start_s, places, updates.start_s[source] + wait_s),
        column=np.insert(updates.column, places, updates.column[source]),
        turn=np.insert(updates.turn, places, updates.turn[source]),
        extra=np.insert(updates.extra, places, True),
    )
    moved = {update + int(np.searchsorted(places, update, side="right")): all_ for update, all_ in altered.items()}
    moved |= {int(places[i]) + i: (change,) for i, (_, change) in enumerate(again) if change is not None}
    return more, moved
