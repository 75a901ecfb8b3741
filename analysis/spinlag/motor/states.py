"""The six-step sequence of three lines: direction, states that cannot be, skipped steps, reversals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Ticks
from spinlag.motor.lines import CountedLines

Places = NDArray[np.int8]

SEQUENCE = (0b101, 0b100, 0b110, 0b010, 0b011, 0b001)
"""States of lines A, B, C (A first) as three sensors 120 electrical degrees apart step through them."""

SEQUENCE_60 = (0b111, 0b110, 0b100, 0b000, 0b001, 0b011)
"""The same for sensors 60 degrees apart, where line B is that of 120 degrees turned over."""

RARE = 0.02
"""A state that takes up less than this share of the time is not part of the sequence."""

SURE_STEPS = 6
"""A reversal is believed after so many steps the other way."""


@dataclass(frozen=True, eq=False)
class States:
    """Three lines together. `direction`: 1 or -1 along the sequence, as the lines are listed; `sixty`: sensors 60
    degrees apart. `invalid`: (tick, length in ticks, sentence); `skipped`: (tick, sentence); `reversals`: ticks at
    which the direction changed for good. `steps`, `backward`: how many."""

    direction: int
    sixty: bool
    steps: int
    backward: int
    invalid: tuple[tuple[int, int, str], ...]
    skipped: tuple[tuple[int, str], ...]
    reversals: tuple[int, ...]


def read_states(capture: Capture, names: tuple[str, ...]) -> States | None:
    """The sequence of three lines that are each high for half of the cycle; None where they are anything else."""
    if len(names) != 3:
        return None
    ticks, states = _merge(capture, names)
    if len(ticks) < 2 * len(SEQUENCE):
        return None
    length = np.diff(ticks)
    share = np.bincount(states[:-1], length, minlength=8) / float(length.sum())
    sixty = share[0] > RARE and share[7] > RARE and share[2] < RARE and share[5] < RARE
    sequence = SEQUENCE_60 if sixty else SEQUENCE
    if min(share[list(sequence)]) < RARE:
        return None
    place = np.full(8, -1, dtype=np.int8)
    place[list(sequence)] = np.arange(6)
    at = place[states]
    wrong = np.flatnonzero(at[:-1] < 0)
    invalid = tuple((int(ticks[i]), int(length[i]), f"state {int(states[i]):03b}") for i in wrong)
    good = np.flatnonzero(at >= 0)
    step = (np.diff(at[good]) + 3) % 6 - 3
    when = ticks[good[1:]]
    direction = 1 if (step == 1).sum() >= (step == -1).sum() else -1
    jumps = np.flatnonzero(np.abs(step) >= 2)
    skipped = tuple(
        (int(when[j]), f"from state {int(states[good[j]]):03b} straight to {int(states[good[j + 1]]):03b}")
        for j in jumps
    )
    return States(
        direction, bool(sixty), len(step), int((step == -direction).sum()), invalid, skipped, _reversals(when, step)
    )


def _merge(capture: Capture, names: tuple[str, ...]) -> tuple[Ticks, Places]:
    """Instants at which any of three lines changed, and the state from then on (first line in the highest bit)."""
    channels = [capture.channel(name) for name in names]
    if any(channel.initial == UNKNOWN for channel in channels):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int8)
    edges = [np.asarray(channel.edges[:], dtype=np.int64) for channel in channels]
    bits = [np.full(len(own), 1 << (len(names) - 1 - i), dtype=np.int8) for i, own in enumerate(edges)]
    initial = sum(channel.initial << (len(names) - 1 - i) for i, channel in enumerate(channels))
    ticks, toggles = np.concatenate(edges), np.concatenate(bits)
    order = np.argsort(ticks, kind="stable")
    ticks, toggles = ticks[order], toggles[order]
    state = np.bitwise_xor.accumulate(toggles) ^ np.int8(initial) if len(toggles) else toggles
    last = np.concatenate((np.diff(ticks) > 0, [True])) if len(ticks) else np.empty(0, dtype=bool)
    return ticks[last], state[last]


def _reversals(when: Ticks, step: Places) -> tuple[int, ...]:
    """Instants from which at least six steps in a row run the other way."""
    sign = np.sign(np.where(np.abs(step) == 1, step, 0))
    moving = np.flatnonzero(sign)
    if not len(moving):
        return ()
    sign = sign[moving]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(sign) != 0)))
    lengths = np.diff(np.concatenate((starts, [len(sign)])))
    found: list[int] = []
    current = 0
    for start, length in zip(starts, lengths, strict=True):
        if length >= SURE_STEPS:
            if current and sign[start] != current:
                found.append(int(when[moving[start]]))
            current = int(sign[start])
    return tuple(found)


def direction_of(lines: CountedLines) -> str | None:
    """Direction from the order in which the first two lines rise, as they are listed: `forward`, `reverse`, or None
    where that does not tell (one line, or two in step or in opposition)."""
    rises = {one.line: one.phase for one in lines.series if one.rising}
    if 0 not in rises or 1 not in rises:
        return None
    lead = (rises[1] - rises[0]) % 1.0
    if min(lead, abs(lead - 0.5), 1.0 - lead) < 0.05:
        return None
    return "forward" if lead < 0.5 else "reverse"
