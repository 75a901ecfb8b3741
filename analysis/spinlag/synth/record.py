"""What the recorder keeps of every wire: toggles on its sample lattice, line by line, in blocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.synth.lattice import Lattice, odd_ones
from spinlag.synth.lines import ChainLine
from spinlag.synth.world import World

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Line:
    """One recorded line as a stream: its level at sample 0, and its toggles in blocks of ascending ticks."""

    name: str
    initial: int
    blocks: Iterable[Ticks]


def record(world: World) -> tuple[Line, ...]:
    """Every line as the recorder has it."""
    scenario, lattice, phase = world.scenario, world.lattice, world.phase_s
    gaps = [
        (at, at + (event.fault.duration_ms or 0.0) * 1e-3)
        for event in world.events
        if event.fault.kind == "capture-gap"
        for at in [world.times[event.id][0]]
    ]

    def short(name: str, level: int, edges: Floats) -> Line:
        initial, ticks = lattice.record(_held(edges, gaps) + phase, level)
        return Line(name, initial, (ticks,))

    lines: list[Line] = []
    if scenario.index is not None:
        lines.append(short(scenario.index.channel, int(scenario.index.inverted), world.pulses.edges_s()))
    for made in world.lines:
        wire = made.traffic.wire
        levels = list(wire.idle)
        for block in made.traffic.blocks() if made.start_s.size and made.start_s[0] + phase <= 0.0 else ():
            if block.made.begin_s[0] + phase > 0.0:
                break
            for i, edges in enumerate(block.made.lines):
                levels[i] ^= lattice.record(_held(edges, gaps) + phase, 0)[0]
        for i, name in enumerate(wire.channels):
            lines.append(Line(name, levels[i], _LongLine(lattice, made, i, phase, gaps)))
    lines += [short(line.name, line.level, line.edges_s) for line in world.motor]
    for marker in scenario.markers:
        rise, fall = world.markers[marker.name]
        lines.append(short(marker.channel, 0, np.stack((rise, fall), axis=1).ravel()))
    return tuple(line for line in lines if line.name not in scenario.recorder.omit)


def _held(edges_s: Floats, gaps: Sequence[tuple[float, float]]) -> Floats:
    """Toggles with those inside a gap of the recording moved to its end, where the recorder notices the new level."""
    for begin, end in gaps:
        edges_s = np.where((edges_s >= begin) & (edges_s < end), end, edges_s)
    return edges_s


@dataclass(frozen=True, eq=False)
class _LongLine:
    """The recorded toggles of a long line, block by block. Toggles that meet across blocks cancel, as within one."""

    lattice: Lattice
    chain: ChainLine
    number: int
    phase: float
    gaps: Sequence[tuple[float, float]]

    def __iter__(self) -> Iterator[Ticks]:
        held: Ticks = np.empty(0, dtype=np.int64)
        for block in self.chain.traffic.blocks():
            _, ticks = self.lattice.record(_held(block.made.lines[self.number], self.gaps) + self.phase, 0)
            ticks = odd_ones(np.concatenate((held, ticks)))
            held = ticks[-1:]
            if ticks.size > 1:
                yield ticks[:-1]
        if held.size:
            yield held
