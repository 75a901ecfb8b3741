"""The LED lines of a scenario: from the firmware's schedule to what each chain's wire carries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.synth import plan
from spinlag.synth.firmware import Schedule
from spinlag.synth.onewire import Alteration, EdgeBlock, IntervalSums, altered_bytes, edge_blocks, wire_time_s
from spinlag.synth.picture import Image, wire_bytes
from spinlag.synth.scenario import Chain, Firmware, Scenario
from spinlag.synth.truth import TrueInterval

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class ChainLine:
    """One chain's wire: n updates in order, true seconds.

    Update i sends frames[column[i]]; `altered` says what faults did to some of them, `extra` marks those that no column
    was due for. `start_s`, `last_s` and `bits` are as they come out on the wire, `due_s` is when each was begun.
    """

    name: str
    channel: str
    latch_s: float
    chain: Chain
    firmware: Firmware
    due_s: Floats
    start_s: Floats
    last_s: Floats
    bits: Ints
    column: Ints
    turn: Ints
    extra: NDArray[np.bool_]
    frames: NDArray[np.uint8]
    altered: Mapping[int, tuple[Alteration, ...]]
    seed: tuple[int, ...]
    sums: IntervalSums

    def blocks(self) -> Iterator[EdgeBlock]:
        """The line's true edges, block by block; the same every time."""
        return edge_blocks(
            self.chain,
            self.firmware,
            self.due_s,
            self.column,
            self.frames,
            self.altered,
            self.seed,
            IntervalSums(),
        )

    def timing(self) -> dict[str, TrueInterval]:
        """Truth for each kind of interval over all simulated updates."""
        sums = self.sums
        return {
            name: TrueInterval(sums.count[name], sums.total[name] / sums.count[name], sums.low[name], sums.high[name])
            for name in sums.count
        }

    def bytes_of(self, updates: Ints) -> tuple[Ints, NDArray[np.uint8]]:
        """Offsets, shape (n + 1,), and bytes that the updates sent; a last byte cut short is kept with zeros behind."""
        parts = []
        for update in updates:
            frame = self.frames[self.column[update]]
            if int(update) in self.altered:
                frame, count = altered_bytes(frame, self.altered[int(update)])
                bits = np.unpackbits(frame)[:count]
                frame = np.packbits(bits)
            parts.append(frame)
        offsets = np.concatenate(([0], np.cumsum([len(part) for part in parts], dtype=np.int64)))
        return offsets.astype(np.int64), np.concatenate(parts) if parts else np.empty(0, dtype=np.uint8)


def make_chain_line(
    scenario: Scenario,
    chain: Chain,
    schedule: Schedule,
    events: Sequence[plan.Event],
    image: Image,
    seed: Sequence[int],
    rng: np.random.Generator,
) -> ChainLine:
    """The chain's updates with their data and faults; extra transmissions are put in where they belong."""
    frames = wire_bytes(image[:, chain.first_led : chain.first_led + chain.count], chain.order)
    rate = 1.0 / (1.0 + scenario.firmware.clock_error_ppm * 1e-6)
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
            again.append((update, Alteration(keep_bits=max(1, fault.leds or 0) * 8 * len(chain.order))))
        elif (change := plan.alteration(fault, chain, rng)) is not None:
            altered[update] = (*altered.get(update, ()), change)
    if again:
        wait = (wire_time_s(chain, chain.count) + scenario.firmware.gap_us * 1e-6) * rate
        updates, altered = _send_again(updates, altered, again, wait)
    sums = IntervalSums()
    count = len(updates.start_s)
    begin, last, bits = np.empty(count), np.empty(count), np.empty(count, dtype=np.int64)
    firmware = scenario.firmware
    for block in edge_blocks(chain, firmware, updates.start_s, updates.column, frames, altered, seed, sums):
        own = slice(block.first, block.first + len(block.last_s))
        begin[own], last[own], bits[own] = block.begin_s, block.last_s, block.bits
    return ChainLine(
        name=chain.name,
        channel=chain.data,
        latch_s=chain.latch_us * 1e-6,
        chain=chain,
        firmware=firmware,
        due_s=updates.start_s,
        start_s=begin,
        last_s=last,
        bits=bits,
        column=updates.column,
        turn=updates.turn,
        extra=updates.extra,
        frames=frames,
        altered=altered,
        seed=tuple(seed),
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
