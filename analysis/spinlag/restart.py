"""Which of several marks that look alike the firmware counts its columns from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.columns import match_columns
from spinlag.leds.updates import ChainUpdates
from spinlag.rotation import Rotation

Floats = NDArray[np.float64]

MOST_TURNS = 60
FEWEST_UPDATES = 4
"""Updates of one turn from which a departure from even spacing shows."""

CHANCE = 0.01
"""How often, at most, marks that are all the same to the firmware may be told apart by luck."""


def restart_mark(rotation: Rotation | None, chains: Sequence[ChainUpdates], columns: int | None) -> int | None:
    """The mark, counted from the one that `rotation` begins with, at which the updates start over; None where that is
    known already or cannot be told.

    Between two restarts the updates follow one even grid, and at a restart the grid jumps by what the firmware did not
    foresee of the turn's length and by its own unsteady answer. So of all ways to cut the updates into turns the right
    one leaves the least departure from even spacing, turn by turn. Every other mark must lose to it in more turns than
    chance allows (sign test, one-sided, with Bonferroni's correction).
    """
    if rotation is None or rotation.begins_known or not chains:
        return None
    start = max(chains, key=len).start
    marks = len(rotation.tooth_angles_deg)
    turns = min(len(rotation.turn_ticks) - 2, MOST_TURNS)
    if turns < 1:
        return None
    unevenness = np.array([_unevenness(start, _instants(rotation, m, turns + 1), columns) for m in range(marks)])
    known = np.isfinite(unevenness).all(axis=0)
    if not known.any():
        return None
    unevenness = unevenness[:, known]
    best = int(np.argmin(np.median(unevenness, axis=1)))
    others = np.delete(unevenness, best, axis=0)
    wins, losses = (unevenness[best] < others).sum(axis=1), (unevenness[best] > others).sum(axis=1)
    return best if _chance(int((wins - losses).min()), known.sum(), marks) < CHANCE else None


def _chance(lead: int, turns: int, marks: int) -> float:
    from scipy.stats import binom

    return float(binom.sf((turns + lead) / 2 - 1, turns, 0.5)) * marks * (marks - 1)


def _instants(rotation: Rotation, mark: int, n: int) -> Ticks:
    """The first n passages of a mark: its pulse where there is one near, otherwise where it should have been."""
    begin, angle = rotation.turn_ticks[: n + 1], np.array([*rotation.tooth_angles_deg, 360.0]) / 360.0
    period = np.diff(begin)
    passage = begin[:-1] + np.rint(angle[mark] * period).astype(np.int64)
    pulse = rotation.pulses["tick"].to_numpy()[~rotation.pulses["kind"].isin(["runt", "extra"]).to_numpy()]
    right = np.clip(pulse.searchsorted(passage), 1, len(pulse) - 1)
    nearest = np.where(passage - pulse[right - 1] < pulse[right] - passage, pulse[right - 1], pulse[right])
    near = np.abs(nearest - passage) < 0.25 * float(np.diff(angle).min()) * period
    return np.asarray(np.where(near, nearest, passage), dtype=np.int64)


def _unevenness(start: Ticks, bounds: Ticks, columns: int | None) -> Floats:
    """Root mean square departure of each turn's updates from the straight line through them, ticks, shape (turns,);
    NaN where there are too few."""
    within = start[start.searchsorted(bounds[0]) : start.searchsorted(bounds[-1])]
    matching = match_columns(within, bounds, columns)
    rms = np.full(len(bounds) - 1, np.nan)
    for turn in range(len(rms)):
        own = np.flatnonzero(matching.revolution == turn)
        if len(own) >= FEWEST_UPDATES:
            x = (matching.column[own] - matching.column[own[0]]).astype(np.float64)
            y = (within[own] - within[own[0]]).astype(np.float64)
            x, y = x - x.mean(), y - y.mean()
            slope = (x @ y) / max(float(x @ x), 1.0)
            rms[turn] = np.sqrt(np.mean((y - slope * x) ** 2))
    return rms
