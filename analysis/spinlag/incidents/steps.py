"""Shifted index pulses and steps of speed in captures too short, or with too many of them, for a spread of their own.

The rotation stage judges both by the spread of its capture; where every third turn has a fault, that spread is the
faults' own. Changes from one turn to the next stay even where half of the turns are not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.observations import Observation
from spinlag.rotation import Rotation
from spinlag.rotation.noise import robust_sigma

Floats = NDArray[np.float64]

FLOOR = 0.01
"""A smaller relative change of a turn's length is left to the rotation stage."""

ROBUST_SIGMAS = 10.0

_SIDE = 3
"""Turns on either side whose mean speed is compared."""

_STEADY = 0.3
"""Neither side may vary by more than this share of the step."""

_SEVERAL = 3.0
_SHOWS = 0.25
_FIRST_SIGN = 0.2
_APART = 2
_FEWEST_TURNS = 10
_INDEX_KINDS = ("index-missed", "index-doubled", "index-shifted")


def faults_of_turns(capture: Capture, rotation: Rotation, told: Sequence[Observation]) -> Iterator[Observation]:
    """Shifted pulses and steps of speed that are not among the observations `told`.

    From turn to turn an even shaft changes little, however far it wanders. A step is a change from one turn to the next
    (or over two, where it falls within a turn) that stands out from the spread of such changes and that the next turns
    keep; a shifted pulse makes one turn shorter and its neighbour as much longer. Turns with a fault of the index or a
    step beside them are left alone, and so are those near turns that could not be counted.
    """
    period = np.diff(rotation.turn_ticks).astype(np.float64)
    if len(period) < _FEWEST_TURNS:
        return
    log = np.log(period)
    change = np.diff(log)
    spread = robust_sigma(change)
    threshold = max(ROBUST_SIGMAS * spread, FLOOR)
    rule = f"{100 * threshold:.2f} %: " + (
        f"{ROBUST_SIGMAS:g} robust standard deviations of this capture's changes from turn to turn"
        if threshold > FLOOR
        else "a floor; this capture's changes from turn to turn are smaller"
    )
    busy = {seen.revolution for seen in told if seen.kind in ("speed-step", *_INDEX_KINDS)}
    kind = rotation.turns["kind"].to_numpy()
    busy |= set(np.flatnonzero(kind == "filled").tolist())
    doubtful = kind == "doubtful"
    last = -_APART - 1
    # a shift or step above the threshold shows at least a quarter of it right there, whatever the turns beside it do
    here = np.abs(change)
    here[:-1] = np.maximum(here[:-1], np.abs(log[2:] - log[:-2]))
    likely = np.flatnonzero(here > _SHOWS * threshold) + 1
    for turn in likely[(likely >= _SIDE) & (likely < len(period) - _SIDE)].tolist():
        if turn - last <= _APART or any((turn + k) in busy for k in range(-_APART, _APART + 1)):
            continue
        if doubtful[turn - _SIDE : turn + _SIDE + 1].any():
            continue
        shift, size = _size_of_shift(log, turn), _size_of_step(log, turn)
        if shift is not None and abs(shift) > threshold:
            yield _shifted(capture, rotation, turn, shift, rule)
        elif size is not None and abs(size) > threshold:
            yield _stepped(capture, rotation, turn, log, size, rule)
        else:
            continue
        last = turn


def without_false_steps(told: Sequence[Observation], rotation: Rotation) -> tuple[Observation, ...]:
    """Observations without steps of speed that are really a shifted pulse: a small step, where beside it one turn is
    shorter and its neighbour as much longer by several times the step."""
    log = np.log(np.diff(rotation.turn_ticks).astype(np.float64))
    return tuple(seen for seen in told if not _is_false_step(seen, log))


def _is_false_step(seen: Observation, log: Floats) -> bool:
    if seen.kind != "speed-step" or seen.unit != "rev/s" or seen.revolution is None or not seen.expected:
        return False
    step = abs((seen.observed or 0.0) / seen.expected - 1)
    for turn in range(max(seen.revolution - 1, _SIDE), min(seen.revolution + 3, len(log) - _SIDE)):
        shift = _size_of_shift(log, turn)
        if shift is not None and abs(shift) > max(_SEVERAL * step, FLOOR):
            return True
    return False


def _size_of_shift(log: Floats, turn: int) -> float | None:
    """By what share of a turn the pulse at the start of `turn` came late; None where the turns beside it say no."""
    around = np.concatenate((log[turn - _SIDE : turn - 1], log[turn + 1 : turn + _SIDE]))
    usual = float(around.mean())
    before, after = float(np.expm1(log[turn - 1] - usual)), float(np.expm1(log[turn] - usual))
    size = (before - after) / 2
    if abs(before + after) > _STEADY * abs(size) or float(np.ptp(around)) > _STEADY * abs(size):
        return None
    return size


def _shifted(capture: Capture, rotation: Rotation, turn: int, shift: float, rule: str) -> Observation:
    ticks = rotation.turn_ticks
    period_s = float(ticks[turn + 1] - ticks[turn - 1]) / 2 * float(capture.tick)
    return Observation(
        kind="index-shifted",
        tick=int(ticks[turn]),
        channel=rotation.channel,
        detail=f"the pulse came {abs(shift) * period_s * 1e6:.4g} µs ({abs(360 * shift):.3g}°) "
        f"{'late' if shift > 0 else 'early'}; the turns around it keep their pace",
        expected=0.0,
        observed=shift * period_s,
        unit="s",
        threshold=rule,
        revolution=turn,
    )


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


def _stepped(capture: Capture, rotation: Rotation, turn: int, log: Floats, size: float, rule: str) -> Observation:
    before = float(np.exp(-log[turn - _SIDE : turn].mean())) / float(capture.tick)
    after = before * float(np.exp(-size))
    return Observation(
        kind="speed-step",
        tick=int(rotation.turn_ticks[turn]),
        channel=rotation.channel,
        detail=f"the speed went from {before:.4g} to {after:.4g} rev/s ({100 * (after / before - 1):+.2f} %) within "
        "a turn",
        expected=before,
        observed=after,
        unit="rev/s",
        threshold=rule,
        revolution=turn,
    )
