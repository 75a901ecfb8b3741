"""Places where the recorder lost samples while its time went on as if nothing were missing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation, revolution_of
from spinlag.rig import Rig
from spinlag.rotation import Rotation
from spinlag.rotation.unseen import LASTING

_BROKEN = ("data-bit-time", "data-truncated", "data-pause")
_STEPS = 1.5
"""Steps of the motor's lines within which they can place a jump of the shaft."""

_OUT_OF_STEP = "the samples fall out of step, so that some were lost or the recorder's clock was set"


def splices(
    capture: Capture,
    rig: Rig,
    rotation: Rotation | None,
    chains: Sequence[ChainUpdates],
    observations: Sequence[Observation],
) -> list[Observation]:
    """Where samples were lost, as gaps that last no longer than what was recorded across them, or just long enough not
    to be passed over where turns are counted.

    Either the samples fell out of step with their lattice, or the motor's lines saw the shaft jump and go on at its
    speed, which no shaft can, while an update of LEDs broke off at the same place.
    """
    places = [(begin, end, capture.channels[0].name, _OUT_OF_STEP) for begin, end in capture.out_of_step]
    if rotation is not None and len(rotation.turn_ticks) < 2:
        rotation = None
    if rotation is not None and rig.motor is not None:
        places += _jumps(capture, rig.motor.phases, rotation, chains, observations)
    turn = float(np.median(np.diff(rotation.turn_ticks))) if rotation is not None else 0.0
    found: list[Observation] = []
    until = capture.start
    for begin, after, channel, why in sorted(places):
        end = min(max(after, begin + round(2 * LASTING * turn)), capture.end)
        if begin >= until:
            found.append(_gap(capture, rotation, begin, end, channel, why))
            until = end
    return found


def _jumps(
    capture: Capture,
    phases: Sequence[str],
    rotation: Rotation,
    chains: Sequence[ChainUpdates],
    observations: Sequence[Observation],
) -> Iterator[tuple[int, int, str, str]]:
    """Jumps of the shaft at broken updates: last edge before and first edge after, channel and reason."""
    broken = [seen for seen in observations if seen.kind in _BROKEN and seen.update is not None]
    skipped = [seen.tick for seen in observations if seen.kind == "motor-sequence"]
    for jump in observations:
        if jump.kind != "speed-step" or jump.unit != "s":
            continue  # a change of speed, or none of the shaft
        near = _STEPS * _step_ticks(capture, phases, rotation, jump.tick)
        for chain in chains:
            rows = {seen.update for seen in broken if seen.chain == chain.name}
            at = [k for k in rows if k is not None and chain.start[k] - near <= jump.tick <= chain.last[k] + near]
            if at:
                begin, end = _narrowed(capture, chain, min(at), [*skipped, *_short_bits(broken, chain.name, min(at))])
                why = f"{jump.detail}, which no shaft can, and an update of {chain.name} breaks off at the same place"
                yield begin, end, chain.channel, why
                break


def _step_ticks(capture: Capture, phases: Sequence[str], rotation: Rotation, tick: int) -> float:
    """Ticks between edges of the motor's lines about there."""
    turn = float(np.median(np.diff(rotation.turn_ticks)))
    about = np.array([tick - turn, tick + turn]).astype(np.int64)
    edges = sum(int(np.diff(capture.channel(name).edges.searchsorted(about))[0]) for name in phases)
    return 2 * turn / max(edges, 1)


def _short_bits(broken: Sequence[Observation], chain: str, update: int) -> list[int]:
    return [s.tick for s in broken if (s.chain, s.update, s.kind) == (chain, update, "data-bit-time")]


def _narrowed(capture: Capture, chain: ChainUpdates, update: int, signs: Sequence[int]) -> tuple[int, int]:
    """The part of an update in which it broke off: about the first of the signs in it, or all of it."""
    first, last = int(chain.start[update]), int(chain.last[update])
    inside = [tick for tick in signs if first <= tick <= last]
    if not inside:
        return first, last
    edges = capture.channel(chain.channel).edges
    at = int(edges.searchsorted(min(inside)))
    return int(edges[max(at - 1, 0)]), int(edges[min(at + 1, len(edges) - 1)])


def _gap(capture: Capture, rotation: Rotation | None, begin: int, end: int, channel: str, why: str) -> Observation:
    return Observation(
        kind="capture-gap",
        tick=begin,
        channel=channel,
        detail=f"the recorder lost samples here, and the file does not tell how many: {why}",
        expected=0.0,
        observed=(end - begin) * float(capture.tick),
        unit="s",
        threshold="samples out of step; or a jump of the shaft and a broken update within one and a half steps of the "
        "motor's lines",
        revolution=revolution_of(rotation.turn_ticks, begin) if rotation is not None else None,
    )
