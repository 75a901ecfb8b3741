"""Do incidents follow the edges of some line more often than chance would have it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks

Floats = NDArray[np.float64]

WINDOWS_PER_DECADE = 6
MOST_CHANCE = 0.5
"""Windows that cover more of the record than this say nothing and are not tried."""

LEAST_FOLLOWING = 3
"""Fewer incidents in a window than this are never a pattern, however short the window."""

_FIRST_BATCH = 64
_LARGEST_BATCH = 512
_ENOUGH_EXCEEDANCES = 40
_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, eq=False)
class Coincidence:
    """How `n` incidents lie after the edges of one line.

    Of the incidents, `following` come within `window_ticks` of the last edge before them, the best of the windows
    tried; `chance` is the share of the record that lies so close after an edge. `effect` is the share beyond chance,
    (following / n - chance) / (1 - chance). `statistic` is -log10 of the binomial tail in the best window, `p` the
    share of circular shifts whose own best window does as well, of `shifts` made. `delays`, ticks, shape (n,): time
    since the last edge (a very large number where there is none); `close`, shape (n,), which incidents follow.
    """

    n: int
    following: int
    window_ticks: int
    chance: float
    effect: float
    statistic: float
    p: float
    shifts: int
    delays: Ticks
    close: NDArray[np.bool_]


_MOST_TICKS = 1 << 62


def windows_to_try(edges: Ticks, start: int, end: int, shortest: int, longest: int) -> tuple[Ticks, Floats]:
    """Windows in ticks, evenly spread on a log scale, and the share of [start, end) within each after an edge."""
    # a file whose tick is far too small makes windows of more ticks than an instant can have
    shortest, longest = min(shortest, _MOST_TICKS), min(longest, _MOST_TICKS)
    decades = max(np.log10(max(longest, 1) / max(shortest, 1)), 0.0)
    count = 1 + int(np.ceil(decades * WINDOWS_PER_DECADE))
    windows = np.unique(np.rint(np.geomspace(max(shortest, 1), max(longest, shortest, 1), count)).astype(np.int64))
    gaps = np.diff(np.append(edges, end))
    covered = np.minimum(gaps[:, None], windows[None, :]).sum(axis=0) / max(end - start, 1)
    useful = covered <= MOST_CHANCE
    return windows[useful], covered[useful]


def coincide(
    instants: Ticks,
    edges: Ticks,
    *,
    start: int,
    end: int,
    shortest: int,
    longest: int,
    slack: int,
    rng: np.random.Generator,
    permutations: int,
    turn_ticks: Ticks | None = None,
) -> Coincidence | None:
    """Test whether `instants`, shape (n,), follow `edges`, shape (m,), both ascending ticks within [start, end).

    An edge up to `slack` ticks after an incident still counts as before it (the recorder's own resolution). Chance is
    found by shifting all incidents together around the record by random amounts, which keeps the incidents' and the
    edges' own rhythm and breaks only what ties them; the statistic is the best over all windows within each shift, so
    that p needs no correction for the windows. With `turn_ticks`, the instants of the shaft's reference, shifts are
    whole turns and all incidents must lie within them: right for a line that goes with the shaft, which any incident
    tied to an angle would seem to follow. Shifting stops early once it is plain that p is large (J. Besag and P.
    Clifford, Biometrika 78, 1991). None where nothing can be tested.
    """
    from scipy.stats import binom

    windows, covered = windows_to_try(edges, start, end, shortest, longest)
    n = len(instants)
    if n == 0 or len(edges) == 0 or not windows.size:
        return None
    counts = np.arange(n + 1)
    tail = -binom.logsf(counts[:, None] - 1, n, covered[None, :]) / np.log(10)
    tail[:LEAST_FOLLOWING] = 0.0
    delays = _delays(instants, edges, slack)
    within = (delays[None, :] <= windows[:, None]).sum(axis=1)
    scores = tail[within, np.arange(len(windows))]
    best = int(np.argmax(scores))
    shifts = _shifts(instants, start, end, turn_ticks, rng, permutations)
    p, made = _shift_test(shifts, edges, slack, windows, tail, float(scores[best]))
    chance = float(covered[best])
    return Coincidence(
        n=n,
        following=int(within[best]),
        window_ticks=int(windows[best]),
        chance=chance,
        effect=float((within[best] / n - chance) / (1 - chance)),
        statistic=float(scores[best]),
        p=p,
        shifts=made,
        delays=delays,
        close=delays <= windows[best],
    )


def _delays(instants: Ticks, edges: Ticks, slack: int) -> Ticks:
    """Ticks since the last edge before each instant, of any shape."""
    before = edges.searchsorted(instants + slack, side="right") - 1
    return np.where(before >= 0, np.maximum(instants - edges[np.maximum(before, 0)], 0), _NEVER)


def _shifts(
    instants: Ticks, start: int, end: int, turn_ticks: Ticks | None, rng: np.random.Generator, wanted: int
) -> Iterator[Ticks]:
    """Shifted copies of the instants, in batches of shape (k, n): random times, or whole turns (each one once where
    there are no more than wanted)."""
    if turn_ticks is None:
        span = max(end - start, 2)
        for size in _batches(wanted):
            yield (instants - start + rng.integers(1, span, size=(size, 1))) % span + start
        return
    turns = len(turn_ticks) - 1
    turn = turn_ticks.searchsorted(instants, side="right") - 1
    share = (instants - turn_ticks[turn]) / np.diff(turn_ticks)[turn]
    order = np.arange(1, turns) if turns - 1 <= wanted else rng.integers(1, turns, size=wanted)
    done = 0
    for size in _batches(len(order)):
        moved = (turn + order[done : done + size, None]) % turns
        done += size
        yield turn_ticks[moved] + np.rint(share * np.diff(turn_ticks)[moved]).astype(np.int64)


def _batches(total: int) -> Iterator[int]:
    size = _FIRST_BATCH
    while total > 0:
        yield min(size, total)
        total -= size
        size = min(2 * size, _LARGEST_BATCH)


def _shift_test(
    shifts: Iterator[Ticks], edges: Ticks, slack: int, windows: Ticks, tail: Floats, score: float
) -> tuple[float, int]:
    """(p, shifts made): how often shifted incidents do as well as `score` in their own best window."""
    n_windows = len(windows)
    reached = made = 0
    for moved in shifts:
        size = len(moved)
        place = windows.searchsorted(_delays(moved, edges, slack))  # the first window that holds each delay
        flat = (np.arange(size)[:, None] * (n_windows + 1) + place).ravel()
        held = np.bincount(flat, minlength=size * (n_windows + 1)).reshape(size, n_windows + 1)
        within = np.cumsum(held[:, :n_windows], axis=1)
        best = tail[within, np.arange(n_windows)].max(axis=1)
        reached += int(np.count_nonzero(best >= score * (1 - 1e-12)))
        made += size
        if reached >= _ENOUGH_EXCEEDANCES:
            return reached / made, made
    return (1 + reached) / (1 + made), made
