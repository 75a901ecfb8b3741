"""Steps of the shaft's speed in captures too short, or with too many steps, for a spread of their own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.observations import Observation
from spinlag.rotation import Rotation

Floats = NDArray[np.float64]

FLOOR = 0.01
"""A smaller relative change of speed is left to the rotation stage."""

ROBUST_SIGMAS = 10.0

_SIDE = 3
"""Turns on either side whose mean speed is compared."""

_STEADY = 0.3
"""Neither side may vary by more than this share of the step."""

_FIRST_SIGN = 0.2
_APART = 2
_MAD_TO_SIGMA = 1.4826
_FEWEST_TURNS = 10
_INDEX_KINDS = ("index-missed", "index-doubled", "index-shifted")


def speed_steps(capture: Capture, rotation: Rotation, told: Sequence[Observation]) -> Iterator[Observation]:
    """Steps of speed that are not among the observations `told`.

    From turn to turn an even shaft changes little, however far it wanders; a step is a change from one turn to the next
    (or over two, where it falls within a turn) that stands out from the spread of such changes and that the next turns
    keep. Turns with a fault of the index beside them are left alone.
    """
    period = np.diff(rotation.turn_ticks).astype(np.float64)
    if len(period) < _FEWEST_TURNS:
        return
    log = np.log(period)
    change = np.diff(log)
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(change - np.median(change))))
    threshold = max(ROBUST_SIGMAS * spread, FLOOR)
    busy = {seen.revolution for seen in told if seen.kind in ("speed-step", *_INDEX_KINDS)}
    last = -_APART - 1
    for turn in range(_SIDE, len(period) - _SIDE - 1):
        if turn - last <= _APART or any((turn + k) in busy for k in range(-_APART, _APART + 1)):
            continue
        size = _size_of_step(log, turn)
        if size is None or abs(size) <= threshold:
            continue
        last = turn
        yield _observation(capture, rotation, turn, log, size, threshold, spread)


def _size_of_step(log: Floats, turn: int) -> float | None:
    """Change of the logarithm of the period at `turn`, which is the first to show it; None where it is no step."""
    before, after = log[turn - _SIDE : turn], log[turn + 1 : turn + 1 + _SIDE]
    size = float(after.mean() - before.mean())
    own = float(log[turn] - before.mean())
    within = np.sign(size) * own
    if not _FIRST_SIGN * abs(size) < within < (1 + _STEADY) * abs(size):
        return None
    if max(np.ptp(before), np.ptp(after)) > _STEADY * abs(size):
        return None
    return size


def _observation(
    capture: Capture, rotation: Rotation, turn: int, log: Floats, size: float, threshold: float, spread: float
) -> Observation:
    before = float(np.exp(-log[turn - _SIDE : turn].mean())) / float(capture.tick)
    after = before * float(np.exp(-size))
    source = (
        f"{ROBUST_SIGMAS:g} robust standard deviations of this capture's changes from turn to turn"
        if threshold == ROBUST_SIGMAS * spread
        else "a floor; this capture's changes from turn to turn are smaller"
    )
    return Observation(
        kind="speed-step",
        tick=int(rotation.turn_ticks[turn]),
        channel=rotation.channel,
        detail=f"the speed went from {before:.4g} to {after:.4g} rev/s ({after / before - 1:+.2%}) within a turn",
        expected=before,
        observed=after,
        unit="rev/s",
        threshold=f"{threshold:.2%}: {source}",
        revolution=turn,
    )
