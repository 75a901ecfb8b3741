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
    """One chain's wire: n updates in order, true seconds. `row` picks each update's bytes from `frames`; `altered` says
    what faults did to some of them. `last_s` and `bits` are as they come out on the wire."""

    name: str
    channel: str
    latch_s: float
    chain: Chain
    firmware: Firmware
    start_s: Floats
    last_s: Floats
    bits: Ints
    column: Ints
    shown: Ints
    turn: Ints
    row: Ints
    frames: NDArray[np.uint8]
    altered: Mapping[int, tuple[Alteration, ...]]
    seed: tuple[int, ...]
    sums: IntervalSums

    def blocks(self) -> Iterator[EdgeBlock]:
        """The line's true edges, block by block; the same every time."""
        return edge_blocks(
            self.chain,
            self.firmware,
            self.start_s,
            self.row,
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
            frame = self.frames[self.row[update]]
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
    column, shown, turn, row = schedule.column, schedule.shown, schedule.turn, schedule.shown
    altered: dict[int, tuple[Alteration, ...]] = {}
    extras: list[tuple[int, Alteration, float]] = []
    for update, event_id in schedule.strikes:
        fault = events[event_id].fault
        if plan.struck_chain(fault, scenario) is not chain:
            continue
        if fault.kind == "data-extra":
            wait = (wire_time_s(chain, chain.count) + scenario.firmware.gap_us * 1e-6) * rate
            keep = max(1, (fault.leds or 0)) * 8 * len(chain.order)
            extras.append((update, Alteration(keep_bits=keep), float(start[update]) + wait))
            continue
        change = plan.alteration(fault, chain, rng)
        if change is not None:
            altered[update] = (*altered.get(update, ()), change)
    if extras:
        places = np.array([update + 1 for update, _, _ in extras])
        order = np.argsort(places, kind="stable")
        places, sorted_extras = places[order], [extras[i] for i in order]
        start = np.insert(start, places, [at for _, _, at in sorted_extras])
        column, shown = np.insert(column, places, -1), np.insert(shown, places, -1)
        row = np.insert(row, places, [row[update] for update, _, _ in sorted_extras])
        turn = np.insert(turn, places, [turn[update] for update, _, _ in sorted_extras])
        altered = {update + int(np.searchsorted(places, update, side="right")): a for update, a in altered.items()}
        altered |= {int(place) + i: (sorted_extras[i][1],) for i, place in enumerate(places)}
    sums = IntervalSums()
    last, bits = np.empty(len(start)), np.empty(len(start), dtype=np.int64)
    firmware = scenario.firmware
    for block in edge_blocks(chain, firmware, start, row, frames, altered, seed, sums):
        own = slice(block.first, block.first + len(block.last_s))
        last[own], bits[own] = block.last_s, block.bits
    return ChainLine(
        chain.name,
        chain.data,
        chain.latch_us * 1e-6,
        chain,
        firmware,
        start,
        last,
        bits,
        column,
        shown,
        turn,
        row,
        frames,
        altered,
        tuple(seed),
        sums,
    )
