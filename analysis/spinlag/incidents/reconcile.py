"""What one stage guessed from its own line, put right by what another knows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.paged import paged, paged_full
from spinlag.placed import turn_stretches
from spinlag.placement import Placement

Bools = NDArray[np.bool_]
Indices = NDArray[np.signedinteger]

USUALLY = 0.5
"""A column that is sent in fewer turns than this share is not expected: the firmware leaves it out, or sends only what
changed."""


def reconcile(
    observations: Sequence[Observation],
    capture: Capture,
    chains: Sequence[ChainUpdates],
    placements: Sequence[Placement | None],
) -> tuple[Observation, ...]:
    """Observations with the guesses corrected that the turns of the shaft disprove.

    A LED line alone cannot tell an update too many from a new start of the columns, a short update from one too many,
    nor two parts of one update from two updates. Where the updates were matched to columns, an update with a column to
    itself is not one too many, a short one that shares its column with a whole one is, and two that together make up
    one are one with a pause. A column that most turns go without is not missing from any.
    """
    views = {
        chain.name: _View.of(chain, placed)
        for chain, placed in zip(chains, placements, strict=True)
        if placed is not None
    }
    settled = (_settle(seen, views.get(seen.chain or "")) for seen in observations)
    kept = _without_first_state([seen for seen in settled if seen is not None])
    pauses = [pause for name in sorted(views) for pause in _pauses(views[name], capture, kept)]
    return (*kept, *pauses)


_STATE_TURNS = 3
"""So many turns in a row, from the first on, are a state and not a row of incidents."""


def _without_first_state(kept: Sequence[Observation]) -> list[Observation]:
    """Drop what holds for the first turns of the capture without a break: that their first update comes later than in
    most turns. It is how the firmware ran until something changed, and the change is told where it comes."""
    late: dict[str | None, set[int]] = {}
    for seen in kept:
        if seen.kind == "update-late" and seen.revolution is not None and seen.expected:
            late.setdefault(seen.chain, set()).add(seen.revolution)
    state: dict[str | None, set[int]] = {}
    for chain, turns in late.items():
        first = min(turns)
        run = set(range(first, next(t for t in range(first, max(turns) + 2) if t not in turns)))
        state[chain] = run if first <= 1 and len(run) >= _STATE_TURNS else set()
    return [
        seen
        for seen in kept
        if not (seen.kind == "update-late" and seen.expected and seen.revolution in state.get(seen.chain, set()))
    ]


@dataclass(frozen=True, eq=False)
class _View:
    """One chain's updates against the columns they were meant for.

    Per update: `turn`, its revolution (-1: none); `alone`, it has a column to itself; `beside_whole`, it shares one
    with a whole update; `full`, it is whole itself; `again`, a neighbour in the same column carries the same data;
    `parts`, it and the next one together make one update. `lacking`: turns that lack a column which most turns have.
    """

    chain: ChainUpdates
    turn: Indices
    alone: Bools
    beside_whole: Bools
    full: Bools
    again: Bools
    parts: Bools
    lacking: frozenset[int]

    @classmethod
    def of(cls, chain: ChainUpdates, placed: Placement) -> _View:
        turn, column = placed.places.revolution, placed.places.column
        n, turns, columns = len(turn), len(placed.turns), placed.columns
        usual = chain.leds_seen * chain.bits_per_led
        full = paged(chain.bits == usual)
        alone, beside, again = (paged_full(n, False, np.bool_) for _ in range(3))
        shown = np.zeros((turns, columns), dtype=bool)
        for rows, first, _ in turn_stretches(turn, turns):
            own = column[rows]
            _, place, times = np.unique(
                (turn[rows] - first) * (columns + 1) + np.minimum(own, columns), return_inverse=True, return_counts=True
            )
            whole_ones = np.bincount(place[full[rows]], minlength=len(times))[place] - full[rows]
            known = (own >= 0) & (own < columns)
            alone[rows] = (times[place] == 1) & known
            beside[rows] = (whole_ones >= 1) & known
            again[rows] = _sent_again(chain, rows.start, place)
            shown[turn[rows][known], own[known]] = True
        return cls(
            chain=chain,
            turn=turn,
            alone=alone,
            beside_whole=beside,
            full=full,
            again=again,
            parts=_in_parts(chain, turn, usual),
            lacking=_turns_lacking(shown),
        )

    def in_parts(self, update: int) -> bool:
        """True where the update is one part of two."""
        return bool(self.parts[update] or (update > 0 and self.parts[update - 1]))


def _sent_again(chain: ChainUpdates, begin: int, place: Indices) -> Bools:
    """Which of the updates from `begin` on have a neighbour in the same place, and with the same bytes."""
    again = np.zeros(len(place), dtype=bool)
    for i in np.flatnonzero(place[1:] == place[:-1]).tolist():
        first, middle, end = (int(at) for at in chain.offsets[begin + i : begin + i + 3])
        if middle - first == end - middle and np.array_equal(chain.data[first:middle], chain.data[middle:end]):
            again[i : i + 2] = True
    return again


def _in_parts(chain: ChainUpdates, turn: Indices, usual: int) -> Bools:
    """Which updates make up a usual one with the next: as many bits together, and closer than updates usually are."""
    parts = np.zeros(len(turn), dtype=bool)
    if len(turn) < 2 or usual == 0:
        return parts
    bits = chain.bits
    near = np.diff(chain.start) < 0.9 * np.median(np.diff(chain.start))
    parts[:-1] = near & (turn[1:] == turn[:-1]) & (bits[1:] + bits[:-1] == usual) & (bits[1:] > 0) & (bits[:-1] > 0)
    return parts


def _turns_lacking(shown: Bools) -> frozenset[int]:
    """Turns without a column that most turns have; `shown`, shape (turns, columns)."""
    expected = shown.mean(axis=0) >= USUALLY if len(shown) else np.zeros(shown.shape[1], dtype=bool)
    return frozenset(np.flatnonzero((expected & ~shown).any(axis=1)).tolist())


def _settle(seen: Observation, view: _View | None) -> Observation | None:
    if view is None:
        return seen
    if seen.kind in ("update-missing", "data-silent"):
        return seen if _is_missed(seen, view) else None
    if seen.update is None or not 0 <= seen.update < len(view.full):
        return seen
    u = seen.update
    if seen.kind in ("data-extra", "data-truncated") and view.in_parts(u):
        return None  # told as a pause
    if seen.kind == "data-extra" and view.again[u]:
        return None  # the placement tells of it as a column sent twice
    if seen.kind == "data-extra" and view.alone[u]:
        if view.full[u]:
            return None
        return replace(seen, kind="data-truncated", detail=f"{seen.detail}; no other update filled its column")
    if seen.kind == "data-truncated" and view.beside_whole[u]:
        return replace(seen, kind="data-extra", detail=f"{seen.detail}; a whole update filled the same column")
    return seen


def _is_missed(seen: Observation, view: _View) -> bool:
    """True where a turn in which updates are said to be missing lacks a column that most turns have."""
    if seen.kind == "update-missing":
        return seen.revolution is None or seen.revolution in view.lacking
    u = seen.update
    if u is None or not 0 <= u < len(view.turn) - 1:
        return True
    ends = [int(turn) for turn in view.turn[u : u + 2] if turn >= 0]
    if not ends:
        return not (view.turn[u:] >= 0).any()  # the start of the capture, before any whole turn, is not judged
    return any(turn in view.lacking for turn in range(ends[0], ends[-1] + 1))


def _pauses(view: _View, capture: Capture, told: Sequence[Observation]) -> Iterator[Observation]:
    """A pause for every pair of parts that the LED stage did not tell as one."""
    chain = view.chain
    known = {seen.update for seen in told if seen.chain == chain.name and seen.kind in ("data-pause", "capture-gap")}
    for u in np.flatnonzero(view.parts).tolist():
        if u in known or u + 1 in known:
            continue
        rest = int(chain.start[u + 1] - chain.last[u]) * float(capture.tick)
        yield Observation(
            kind="data-pause",
            tick=int(chain.last[u]),
            channel=chain.channel,
            detail=f"the line rested for {rest * 1e6:.4g} µs in the middle of an update, which came in two parts",
            observed=rest,
            unit="s",
            threshold="two short updates that together carry what one usually does, closer than updates usually are",
            chain=chain.name,
            update=u,
        )
