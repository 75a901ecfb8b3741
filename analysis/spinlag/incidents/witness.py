"""What the motor lines know about an incident: did the shaft itself change, or only the sensor's story of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spinlag.incidents.link import Clock
from spinlag.incidents.model import Incident

if TYPE_CHECKING:
    from spinlag.motor import Motor

_ASKED = frozenset({"index-missed", "index-doubled", "index-runt", "index-shifted", "speed-step"})
_AMBIGUOUS = frozenset({"index-shifted", "speed-step"})

EVEN = 0.02
"""The shaft is said to run on evenly while its speed, turn by turn, stays within this share. Common practice, no
source: a step of the speed that a viewer sees is larger, the ripple of a healthy drive smaller."""

_TURNS_EITHER_SIDE = 2


def shaft_says(origin: Incident, motor: Motor | None, clock: Clock) -> str:
    """A sentence on what the motor lines say about `origin`; empty for kinds that they know nothing of."""
    if origin.kind not in _ASKED:
        return ""
    change = None if motor is None else _change_of_speed(origin, motor, clock)
    if change is None:
        if origin.kind not in _AMBIGUOUS:
            return ""
        if motor is not None and motor.cycles:
            return "The motor lines do not reach far enough to tell the sensor's fault from the shaft's."
        return "No motor line was recorded that could tell the sensor's fault from the shaft's."
    if abs(change) < EVEN:
        within = f"{100 * max(abs(change), 0.001):.1f} %"
        if origin.kind == "speed-step":
            return f"The motor lines saw the shaft's speed change by no more than {within}."
        return f"The shaft kept its speed within {within} (motor lines), so suspect the sensor."
    if origin.kind == "speed-step":
        return f"The motor lines saw it too ({100 * change:+.1f} %): it was the shaft."
    return f"The motor lines saw the shaft's own speed change by {100 * change:+.1f} % there."


def _change_of_speed(origin: Incident, motor: Motor, clock: Clock) -> float | None:
    """Largest departure of the shaft's speed, one turn at a time, from the mean of the turns before; None where the
    motor lines do not reach."""
    if not clock.turns:
        return None
    turn = min(max(int(clock.turn_ticks.searchsorted(origin.tick, side="right")) - 1, 0), clock.turns - 1)
    length = int(clock.turn_ticks[turn + 1] - clock.turn_ticks[turn])
    steps = np.arange(-_TURNS_EITHER_SIDE, _TURNS_EITHER_SIDE + 1)
    at = motor.turns_at(origin.tick + steps * length)
    speed = np.diff(at)
    if not np.isfinite(speed).all():
        return None
    usual = float(speed[:_TURNS_EITHER_SIDE].mean())
    departure = speed / usual - 1
    return float(departure[np.argmax(np.abs(departure))])
