"""The account of a scenario that has been run: its truth, on the time axis of sample 0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.faults import MAY_FOLLOW
from spinlag.synth.lines import ChainLine
from spinlag.synth.truth import Planted, TrueChain, TrueTurns, Truth
from spinlag.synth.world import World

Floats = NDArray[np.float64]


def tell(world: World) -> Truth:
    """The truth on the axis of sample 0."""
    scenario, lattice, phase = world.scenario, world.lattice, world.phase_s
    end = lattice.samples * lattice.true_period_s
    motion, zero, pulses = world.motion, world.zero, world.pulses
    ends = motion.angle_at(np.array([end - phase]))
    zero_s = motion.time_at(np.arange(zero, int(np.floor(ends[0])) + 1, dtype=np.float64)) + phase
    seen = (pulses.lead_s + phase >= 0) & (pulses.trail_s + phase < end)
    chains = tuple(_true_chain(world, line, phase, end) for line in world.lines)
    planted = []
    for event in world.events:
        if event.id not in world.times:
            continue
        at, channel, chain, column = world.times[event.id]
        if not 0.0 <= at + phase < end:
            continue
        planted.append(
            Planted(
                id=event.id,
                kind=event.fault.kind,
                time_s=at + phase,
                revolution=int(np.searchsorted(zero_s, at + phase, side="right")) - 1,
                channel=channel,
                chain=chain,
                column=column,
                may_follow=MAY_FOLLOW[event.fault.kind],
                cause=event.cause,
            )
        )
    return Truth(
        duration_s=end,
        sample_period_s=lattice.true_period_s,
        clock_error=scenario.recorder.clock_error_ppm * 1e-6,
        zero_s=zero_s,
        pulse_lead_s=pulses.lead_s[seen] + phase,
        pulse_trail_s=pulses.trail_s[seen] + phase,
        pulse_reference_s=pulses.reference_s[seen] + phase,
        pulse_revolution=pulses.turn[seen] - zero,
        pulse_place=pulses.place[seen],
        turns=_true_turns(world, phase, end),
        chains=chains,
        motor_angles_deg={line.name: line.edge_angles_rev * 360.0 for line in world.motor},
        marker_s={
            name: rise[(rise + phase >= 0) & (rise + phase < end)] + phase for name, (rise, _) in world.markers.items()
        },
        image=world.image,
        planted=tuple(planted),
    )


def _true_chain(world: World, line: ChainLine, phase: float, end: float) -> TrueChain:
    start, last = line.start_s + phase, line.last_s + phase
    seen = np.flatnonzero((last > 0) & (start < end) & line.changed)
    visible = line.visible_s[seen]
    angle = world.motion.angle_at(visible)
    offsets, data = line.bytes_of(seen)
    turn_revolution = np.array([turn.turn - world.zero for turn in world.schedule.turns], dtype=np.int64)
    return TrueChain(
        name=line.chain.name,
        wiring=line.chain.wiring,
        channel=line.chain.lines[0],
        channels=line.chain.lines,
        start_s=start[seen],
        last_s=last[seen],
        first_visible_s=line.first_visible_s[seen] + phase,
        visible_s=visible + phase,
        angle_deg=(angle - np.floor(angle)) * 360.0,
        revolution=turn_revolution[line.turn[seen]] if seen.size else np.empty(0, dtype=np.int64),
        column=line.column[seen],
        extra=line.extra[seen],
        altered=np.array([int(update) in line.traffic.altered for update in seen], dtype=bool),
        whole=(start[seen] > 0) & (last[seen] < end),
        bits=line.bits[seen],
        data=data,
        offsets=offsets,
        timing=line.timing(),
    )


def _true_turns(world: World, phase: float, end: float) -> TrueTurns:
    turns = world.schedule.turns
    rows = [i for i, turn in enumerate(turns) if 0 <= turn.reference_s + phase < end]
    first = np.full((3, len(rows)), np.nan)
    first_column = np.full(len(rows), -1, dtype=np.int64)
    sent = np.zeros(len(rows), dtype=np.int64)
    if world.lines:
        line = world.lines[0]
        for k, i in enumerate(rows):
            lo, hi = np.searchsorted(line.turn, [i, i + 1])
            mine = np.arange(lo, hi)[~line.extra[lo:hi] & line.changed[lo:hi]]
            sent[k] = len(mine)
            if mine.size and line.last_s[mine[0]] + phase < end:
                at = mine[0]
                first[:, k] = line.start_s[at], line.last_s[at], line.visible_s[at]
                first_column[k] = line.column[at]
    return TrueTurns(
        reference_s=np.array([turns[i].reference_s + phase for i in rows], dtype=np.float64),
        revolution=np.array([turns[i].turn - world.zero for i in rows], dtype=np.int64),
        expected_period_s=np.array([turns[i].expected_period_s for i in rows], dtype=np.float64),
        first_start_s=first[0] + phase,
        first_last_s=first[1] + phase,
        first_visible_s=first[2] + phase,
        first_column=first_column,
        columns_sent=sent,
    )
