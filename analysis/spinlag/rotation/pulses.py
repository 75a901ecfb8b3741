"""Edges of the index line to pulses: which level is the pulse, where its reference edge lies, and which are runts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Channel, Ticks
from spinlag.rig import IndexTable
from spinlag.rotation.unseen import across, lasting, noticed

Floats = NDArray[np.float64]

NO_TICK = -(2**63)
"""Stands in a tick column where nothing was seen."""

CLEAR_DUTY = 1.5
"""By how much the typical durations of the two levels must differ before the shorter one is called the pulse."""

RUNT_SHARE = 0.2
"""Where the rig gives no minimum, a pulse shorter than this share of the usual width nearby may be a runt."""

RUNT_DUTY_SHARE = 1 / 3
"""... and is one if its width over the pulse spacing also falls below this share of the usual duty nearby, or if it
stands between two pulses of ordinary width that are an ordinary distance apart. The second condition keeps the narrow
pulses of a shaft that gains speed."""

_BLOCK = 64


@dataclass(frozen=True, eq=False)
class Pulses:
    """Pulses of the index line, n of them, in order.

    `start`, `end`: int64 ticks of a pulse's two edges, NO_TICK where the capture cuts it; `reference`: the instant that
    the firmware acts on. The centre of a pulse that is an odd number of ticks wide is rounded down by half a tick, the
    same for all, so that periods keep their value; that of a pulse which the capture cuts is reckoned from one edge and
    the usual width. `runt`: too short to be believed. `drop_from`, `drop_to`, `drop_at`:
    drop-outs within pulses that were bridged, and the index of the pulse that each belongs to.
    """

    active: int
    start: Ticks
    end: Ticks
    reference: Ticks
    runt: NDArray[np.bool_]
    drop_from: Ticks
    drop_to: Ticks
    drop_at: NDArray[np.int64]
    reckoned: NDArray[np.bool_]
    """True where the reference edge itself was not recorded."""
    threshold: str
    """What makes a runt, in words."""
    unknown: Ticks = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    """Stretches [t0, t1) in which nobody looked, shape (k, 2); pulses whose reference edge fell in one are left out."""

    def __len__(self) -> int:
        return len(self.reference)

    def width_s(self, tick_s: float) -> Floats:
        """Widths in seconds; NaN where the capture cuts the pulse."""
        whole = (self.start != NO_TICK) & (self.end != NO_TICK)
        return np.where(whole, np.where(whole, self.end - self.start, 0) * tick_s, np.nan)


def find_pulses(capture: Capture, channel: Channel, index: IndexTable) -> Pulses:
    """Pulses of an index line, runts marked.

    A pulse is a stretch of the level that usually lasts shorter; where the two last about as long, of the level that
    the reference edge begins. Drop-outs within a pulse that are as short as a runt are bridged.
    """
    edges = np.asarray(channel.edges[:], dtype=np.int64)
    initial = channel.initial
    if initial == UNKNOWN:
        edges, initial = edges[:0], 0
    active = _active_level(edges, initial, index.edge)
    start, end = _stretches(edges, initial, active)
    minimum = index.min_pulse_us * 1e-6 / float(capture.tick)
    short_gap, short_width, said = _shortness(start, end, minimum, index.min_pulse_us)
    keep = np.concatenate(([True], ~short_gap))[: len(start)]
    drops = np.flatnonzero(short_gap)
    group = np.cumsum(keep) - 1
    heads = np.flatnonzero(keep)
    tails = np.concatenate((heads[1:] - 1, [len(start) - 1]))[: len(heads)].astype(np.int64)
    bridged_start, bridged_end = start[heads], end[tails]
    reference = _reference(bridged_start, bridged_end, index.edge, active)
    if index.edge == "centre":
        reference = _cut_centres(reference, bridged_start, bridged_end, capture)
    unknown = lasting(channel.unknown, edges)
    known = (reference != NO_TICK) & ~_unseen(bridged_start, bridged_end, unknown, index.edge, active)
    runt = _runts(bridged_start, bridged_end, short_width[heads], minimum, heads == tails)
    renumber = np.cumsum(known) - 1
    inside = known[group[drops]] if len(drops) else np.empty(0, dtype=bool)
    return Pulses(
        active=active,
        start=bridged_start[known],
        end=bridged_end[known],
        reference=reference[known],
        runt=runt[known],
        drop_from=end[drops][inside],
        drop_to=start[drops + 1][inside],
        drop_at=renumber[group[drops]][inside].astype(np.int64),
        reckoned=_reckoned(bridged_start, bridged_end, index.edge)[known],
        threshold=said,
        unknown=unknown,
    )


def _active_level(edges: Ticks, initial: int, edge: str) -> int:
    """The level of the pulses: 0 or 1."""
    by_reference = 0 if edge == "falling" else 1
    if len(edges) < 3:
        return by_reference
    lengths = np.diff(edges)
    first = initial ^ 1
    usual = {first: float(np.median(lengths[::2])), first ^ 1: float(np.median(lengths[1::2]))}
    if usual[1] * CLEAR_DUTY < usual[0]:
        return 1
    if usual[0] * CLEAR_DUTY < usual[1]:
        return 0
    return by_reference


def _stretches(edges: Ticks, initial: int, active: int) -> tuple[Ticks, Ticks]:
    """Starts and ends of the stretches at the active level; NO_TICK where the capture cuts one."""
    cut = np.array([NO_TICK], dtype=np.int64)
    first = 0 if initial != active else 1
    start, end = edges[first::2], edges[1 - first :: 2]
    if initial == active and len(edges):
        start = np.concatenate((cut, start))
    if len(end) < len(start):
        end = np.concatenate((end, cut))
    return start, end


def _reference(start: Ticks, end: Ticks, edge: str, active: int) -> Ticks:
    if edge == "centre":
        whole = (start != NO_TICK) & (end != NO_TICK)
        return np.where(whole, np.where(whole, start, 0) + np.where(whole, end - start, 0) // 2, NO_TICK)
    return start if (edge == "rising") == (active == 1) else end


def _unseen(start: Ticks, end: Ticks, unknown: Ticks, edge: str, active: int) -> NDArray[np.bool_]:
    """Which pulses have a reference that nobody saw: its edge was only noticed when somebody looked again."""
    if not len(unknown):
        return np.zeros(len(start), dtype=np.bool_)
    began, ended = noticed(unknown, start), noticed(unknown, end)
    if edge == "centre":
        inside = across(unknown, np.stack((start, end), axis=1).reshape(-1))[::2]
        return np.asarray(began | ended | (inside & (start != NO_TICK) & (end != NO_TICK)))
    return began if (edge == "rising") == (active == 1) else ended


def _reckoned(start: Ticks, end: Ticks, edge: str) -> NDArray[np.bool_]:
    cut = (start == NO_TICK) | (end == NO_TICK)
    return np.asarray(cut & (edge == "centre"))


def _cut_centres(reference: Ticks, start: Ticks, end: Ticks, capture: Capture) -> Ticks:
    """Centres of a first or last pulse that the capture cuts, from the edge that it has and half the usual width; only
    where that instant lies within the capture."""
    whole = (start != NO_TICK) & (end != NO_TICK)
    if not whole.any():
        return reference
    for i, nearby in ((0, slice(0, 5)), (-1, slice(-5, None))):
        if whole[i]:
            continue
        half = int(np.median((end - start)[whole][nearby])) // 2
        centre = int(end[i]) - half if start[i] == NO_TICK else int(start[i]) + half
        if (start[i] != NO_TICK or end[i] != NO_TICK) and capture.start <= centre < capture.end:
            reference = reference.copy()
            reference[i] = centre
    return reference


def _shortness(
    start: Ticks, end: Ticks, minimum: float, minimum_us: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], str]:
    """Which gaps between pulses, shape (n - 1,), and which pulses, shape (n,), are shorter than a pulse can be."""
    n = len(start)
    width = np.where((start != NO_TICK) & (end != NO_TICK), end - start, -1).astype(np.int64)
    gap = (start[1:] - end[:-1]).astype(np.int64)
    if minimum > 0:
        bridgeable = minimum < 0.5 * float(np.median(gap)) if len(gap) else False
        said = f"shorter than the rig's min_pulse_us = {minimum_us:g}"
        return (gap < minimum) & bridgeable, (width >= 0) & (width < minimum), said
    said = f"shorter than {RUNT_SHARE:g} of the usual width nearby, and out of proportion to the spacing of the pulses"
    usual = _usual_nearby(np.maximum(width, 0).astype(np.float64))
    short = (width >= 0) & (width < RUNT_SHARE * usual)
    duty = np.maximum(width, 0) / _spacing(start)
    short &= (duty < RUNT_DUTY_SHARE * _usual_nearby(duty)) | _interleaved(start, short)
    limit = RUNT_SHARE * np.minimum(usual[1:], usual[:-1]) if n > 1 else np.empty(0)
    bridgeable = RUNT_SHARE * float(np.median(usual)) < 0.5 * float(np.median(gap)) if len(gap) else False
    return (gap < limit) & bridgeable, short, said


def _runts(
    start: Ticks, end: Ticks, short: NDArray[np.bool_], minimum: float, single: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """A bridged pulse is judged by its whole width where the rig gives a minimum, and believed where it does not."""
    if minimum <= 0:
        return short & single
    whole = (start != NO_TICK) & (end != NO_TICK)
    return np.asarray(whole & (np.where(whole, end - start, 0) < minimum))


def _interleaved(start: Ticks, short: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which pulses stand between two that are not short and no further apart than those usually are."""
    wide = np.flatnonzero(~short & (start != NO_TICK))
    if len(wide) < 3:
        return np.zeros(len(start), dtype=np.bool_)
    apart = np.diff(start[wide]).astype(np.float64)
    beside = np.maximum(np.concatenate((apart[1:2], apart[:-1])), np.concatenate((apart[1:], apart[-2:-1])))
    after = np.searchsorted(wide, np.arange(len(start)))
    inside = (after > 0) & (after < len(wide))
    gap = np.clip(after - 1, 0, len(apart) - 1)
    return np.asarray(inside & (apart[gap] < 1.5 * beside[gap]))


def _spacing(start: Ticks) -> Floats:
    """The larger of the distances to the pulse before and after, ticks, at least 1."""
    if len(start) < 2:
        return np.ones(len(start))
    step = np.where(start[:-1] == NO_TICK, 0, np.diff(np.where(start == NO_TICK, 0, start))).astype(np.float64)
    larger = np.maximum(np.concatenate((step[:1], step)), np.concatenate((step, step[-1:])))
    return np.maximum(larger, 1.0)


def _usual_nearby(values: Floats) -> Floats:
    """For each of n values the usual one in its block of 64: the median weighted by the square root of the value.

    The weight lets several short spikes to each real pulse pass without taking the median over, and one endless pulse
    (a shaft that came to rest under the sensor) as well.
    """
    n = len(values)
    if n == 0:
        return values
    block = min(_BLOCK, n)
    whole = n // block * block
    rows = [values[:whole].reshape(-1, block)]
    if whole < n:
        rows.append(values[n - block :].reshape(1, block))
    usual = np.concatenate([_weighted_median(row) for row in rows])
    return np.asarray(np.repeat(usual, block)[:n] if whole == n else _spread(usual, block, n, whole))


def _spread(usual: Floats, block: int, n: int, whole: int) -> Floats:
    return np.concatenate((np.repeat(usual[:-1], block), np.full(n - whole, usual[-1])))


def _weighted_median(rows: Floats) -> Floats:
    """Median of each row, each value weighted by its square root; shape (rows,)."""
    ordered = np.sort(rows, axis=1)
    weight = np.cumsum(np.sqrt(ordered), axis=1)
    middle = (weight < 0.5 * weight[:, -1:]).sum(axis=1)
    return np.asarray(np.take_along_axis(ordered, np.minimum(middle, rows.shape[1] - 1)[:, None], axis=1)[:, 0])
