"""Stretches of bits to updates: which long lows were pauses inside an update, and what each update sent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.line import Line, unknown_within
from spinlag.leds.onewire_scan import Stretches
from spinlag.paged import Column, paged_full

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]

_USUAL_SHARE = 0.5
_FEW = 40


@dataclass(frozen=True, eq=False)
class Updates:
    """n updates. `pauses` are the indices of stretches whose following low turned out to lie inside an update."""

    start: Ticks
    last: Ticks
    bits: Ints
    data: Bytes
    offsets: Ints
    pauses: Ints


def join(stretches: Stretches, expected: int | None, longest_pause: int) -> Updates:
    """Updates from stretches: consecutive ones of unusual length that make up a usual one together are one update.

    Only across lows shorter than `longest_pause` ticks, and only where most stretches have the usual length already (or
    there are few): else that length is no guide.
    """
    n = len(stretches.bits)
    last_of = _groups(stretches, expected, longest_pause) if expected is not None and n > 1 else None
    if last_of is None:
        data, offsets = _alone(stretches)
        none = np.empty(0, dtype=np.int64)
        return Updates(stretches.start, stretches.last, stretches.bits, data, offsets, none)
    first = np.flatnonzero(np.diff(last_of, prepend=-1) != 0)
    last = last_of[first]
    inner = np.ones(n, dtype=bool)
    inner[last] = False
    bits = np.add.reduceat(stretches.bits, first)
    data, offsets = _bytes(stretches, first, last, bits)
    return Updates(
        stretches.start[first], stretches.last[last], bits.astype(np.int64), data, offsets, np.flatnonzero(inner)
    )


def _groups(stretches: Stretches, expected: int, longest_pause: int) -> Ints | None:
    """For each stretch, the index of the last stretch of its update; None where each is an update of its own."""
    bits = stretches.bits
    odd = bits != expected
    if not odd.any() or (len(bits) > _FEW and odd.mean() > 1 - _USUAL_SHARE):
        return None
    low = stretches.start[1:] - stretches.last[:-1]
    joined = odd[1:] & odd[:-1] & (low < longest_pause)
    if not joined.any():
        return None
    last_of = np.arange(len(bits))
    edge = np.diff(joined.astype(np.int8), prepend=0, append=0)
    for begin, end in zip(np.flatnonzero(edge > 0).tolist(), np.flatnonzero(edge < 0).tolist(), strict=True):
        first, total = begin, 0
        for k in range(begin, end + 1):
            total += int(bits[k])
            while total > expected and first < k:
                total -= int(bits[first])
                first += 1
            if total == expected and first < k:
                last_of[first : k + 1] = k
                first, total = k + 1, 0
    return last_of


def _alone(stretches: Stretches) -> tuple[Bytes, Ints]:
    """Whole bytes of each stretch, and where they begin."""
    offsets = np.concatenate(([0], np.cumsum(stretches.bits // 8))).astype(np.int64)
    cut = np.flatnonzero(stretches.bits & 7)
    if not cut.size:
        return stretches.data, offsets
    ends = stretches.offsets[cut + 1] - 1
    data = Column(np.uint8)
    for begin, end in zip([0, *(ends + 1).tolist()], [*ends.tolist(), len(stretches.data)], strict=True):
        data.append(stretches.data[begin:end])
    return data.join(), offsets


def _bytes(stretches: Stretches, first: Ints, last: Ints, bits: Ints) -> tuple[Bytes, Ints]:
    """Whole bytes of each update, and where they begin."""
    offsets = np.concatenate(([0], np.cumsum(bits // 8))).astype(np.int64)
    at, data = stretches.offsets, stretches.data
    joined = Column(np.uint8)
    done = 0
    alone = first == last
    cut = first[alone & (bits & 7 > 0)]
    whole = paged_full(len(data), True, np.bool_)
    whole[at[cut + 1] - 1] = False
    for update in np.flatnonzero(~alone):
        begin, end = int(at[first[update]]), int(at[last[update] + 1])
        joined.append(data[done:begin][whole[done:begin]])
        several = [
            np.unpackbits(data[at[k] : at[k + 1]])[: stretches.bits[k]]
            for k in range(int(first[update]), int(last[update]) + 1)
        ]
        joined.append(np.packbits(np.concatenate(several))[: int(bits[update]) // 8])
        done = end
    joined.append(data[done:][whole[done:]])
    return joined.join(), offsets


def whole_updates(line: Line, updates: Updates, expected: int | None, ends_after: int) -> Bools:
    """Which updates the record holds from their first bit to their last, undisturbed.

    The first and the last count as whole where the line rested for `ends_after` ticks before or after, or where they
    have the usual length.
    """
    n = len(updates.start)
    whole = ~unknown_within(line, updates.start, updates.last + 1)
    if n == 0:
        return whole
    # one that an unknown stretch follows or precedes too closely may have gone on in it, or begun there
    near = unknown_within(line, updates.start - ends_after, updates.last + 1 + ends_after)
    if near.any():
        whole &= ~near if expected is None else ~near | (updates.bits == expected)
    edges = line.edges
    starts_active = line.first == 1
    rested = int(updates.start[0]) - (int(edges[0]) if starts_active else line.known_from)
    usual = expected is not None and updates.bits[0] == expected and not starts_active
    whole[0] &= rested >= ends_after or usual
    until = int(edges[len(edges) - 1]) if line.ends_active else line.known_to
    usual = expected is not None and updates.bits[-1] == expected and not line.ends_active
    whole[-1] &= until - int(updates.last[-1]) >= ends_after or usual
    return whole
