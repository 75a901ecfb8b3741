"""Stretches in which an LED line held its level far too long for a bit, and within an update: its clip came off and on
again, or its sender stopped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.leds.lost import united
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation, revolution_of, told_in
from spinlag.rig import LedsTable, Rig
from spinlag.rotation import Rotation

SPACINGS = 3.5
LATCHES = 10.0
"""Held for so many times the longest usual spacing of updates, and so many latch times. Common practice, no source."""

USUAL_STEPS = 0.995
LEAST_UPDATES = 8

_TIMED = ("one-wire", "clocked")
"""Wirings whose line moves whatever is sent."""


@dataclass(frozen=True)
class Held:
    """One stretch [begin, end), ticks, between two edges of the line `channel` (a path).

    What `lines` (paths) sent meanwhile nobody saw. `level` is what it stayed at, `usual` the longest usual spacing of
    the chain's updates in ticks.
    """

    chain: str
    channel: str
    lines: tuple[str, ...]
    begin: int
    end: int
    level: int
    usual: int


def held_stretches(capture: Capture, rig: Rig, chains: Sequence[ChainUpdates]) -> tuple[Held, ...]:
    """Held stretches of the lines of all one-wire chains and of the clocks of clocked ones, those of a chain in order.

    At rest between two whole updates a line may stay as long as its sender likes: only the active level counts, and the
    level at rest where the update before or the one after is not whole. Where no other line changes, it is the
    recording that has a gap.
    """
    pairs = zip(rig.leds, chains, strict=True)
    return tuple(one for table, chain in pairs if table.wiring in _TIMED for one in _of(capture, table, chain))


def _of(capture: Capture, table: LedsTable, chain: ChainUpdates) -> Iterator[Held]:
    if len(chain) < LEAST_UPDATES:
        return
    channel = capture.channel(table.clock or table.data)
    lines = tuple(dict.fromkeys((channel.path, capture.channel(chain.channel).path)))
    step = np.diff(chain.start)
    most = int(USUAL_STEPS * (len(step) - 1))
    usual = int(np.partition(step, most)[most])
    least = max(SPACINGS * usual, LATCHES * (chain.latch_s or 0.0) / float(capture.tick))
    whole = chain.leds_seen * chain.bits_per_led
    # a clock may rest at either level
    active = channel.level_at(int(chain.start[0])) if table.clock is None else UNKNOWN
    for update in np.flatnonzero(step > least).tolist():
        low, high = channel.edges.searchsorted(np.array([chain.start[update], chain.start[update + 1]]))
        edges = channel.edges[int(low) : int(high) + 1]
        longest = int(np.argmax(np.diff(edges)))
        begin, end = int(edges[longest]), int(edges[longest + 1])
        level = channel.level_at(begin)
        broken = level == active or (np.asarray(chain.bits[update : update + 2]) != whole).any()
        if (
            end - begin > least
            and broken
            and not _known(channel, begin, end)
            and _others_go_on(capture, channel, begin, end)
        ):
            yield Held(chain.name, channel.path, lines, begin, end, level, usual)


def _known(channel: Channel, begin: int, end: int) -> bool:
    """Whether the file itself says that the level was unknown in the stretch."""
    return bool(((channel.unknown[:, 0] < end) & (begin < channel.unknown[:, 1])).any())


def _others_go_on(capture: Capture, line: Channel, begin: int, end: int) -> bool:
    inner = np.array([begin + (end - begin) // 4, end - (end - begin) // 4])
    others = (one for one in capture.channels if one.path != line.path)
    return any(int(np.diff(one.edges.searchsorted(inner))[0]) > 0 for one in others)


def knowing_of(capture: Capture, held: Sequence[Held]) -> Capture:
    """The capture with the held stretches as unknown ones of their lines: nobody saw what was sent."""
    spans = {path: [(one.begin, one.end) for one in held if path in one.lines] for one in held for path in one.lines}
    channels = (
        replace(one, unknown=united(one.unknown, np.array(spans[one.path], dtype=np.int64)))
        if one.path in spans
        else one
        for one in capture.channels
    )
    return replace(capture, channels=tuple(channels))


def observe_held(capture: Capture, held: Sequence[Held], rotation: Rotation | None) -> Iterator[Observation]:
    """An observation of kind `data-silent` for each."""
    tick_s = float(capture.tick)
    for one in held:
        lasted = (one.end - one.begin) * tick_s
        yield Observation(
            kind="data-silent",
            tick=one.begin,
            channel=capture.channel(one.channel).name,
            detail=f"the line stays {'high' if one.level else 'low'} for {told_in(lasted, 'ms')} in the middle of an "
            "update: its clip came off, or the sender stopped",
            expected=one.usual * tick_s,
            observed=lasted,
            unit="s",
            threshold=f"{SPACINGS:g} times the line's own longest usual spacing of updates, and {LATCHES:g} times the "
            "latch time",
            revolution=revolution_of(rotation.turn_ticks, one.begin) if rotation is not None else None,
            chain=one.chain,
        )
