"""What the firmware made of a wrong index pulse, read off the updates that followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spinlag.capture import Capture, Ticks
from spinlag.incidents.link import Clock
from spinlag.incidents.model import Incident
from spinlag.leds.updates import ChainUpdates
from spinlag.placement import Placement

_STARTS_WITHIN = 0.5
"""Share of a column slot within which an update counts as the usual answer to a pulse."""

_MUCH_FASTER = 1.15
_MOST_OF_IT = 0.05


@dataclass(frozen=True, eq=False)
class Drawing:
    """One chain's updates with what is usual for them."""

    chain: ChainUpdates
    placement: Placement
    clock: Clock

    def slot_ticks(self, turn: int) -> float:
        """Length of a column slot in that turn."""
        ticks = self.clock.turn_ticks
        return float(ticks[turn + 1] - ticks[turn]) / self.placement.columns

    def starts(self, begin: int, end: int) -> Ticks:
        """First edges of the updates in [begin, end)."""
        first, after = (int(self.chain.start.searchsorted(tick)) for tick in (begin, end))
        return self.chain.start[first:after]


def answer(origin: Incident, effects: Sequence[Incident], drawing: Drawing | None) -> str:
    """A sentence on what the firmware did with the pulse of `origin`; empty for other kinds and where nothing shows."""
    if drawing is None or drawing.clock.turn_of(origin.tick) is None:
        return ""
    if origin.kind in ("index-doubled", "index-runt"):
        if not effects:
            return "The firmware did not answer it."
        return _to_a_pulse_too_many(origin, drawing)
    if origin.kind == "index-missed":
        return _to_a_missed_pulse(origin, drawing)
    return ""


def doubt(origin: Incident, capture: Capture) -> str:
    """A sentence where a silence of a LED line may as well be the recorder's: nothing else moved, and need not have."""
    if origin.kind != "data-silent" or origin.unit != "s" or not origin.observed:
        return ""
    slack = max(2 * round(capture.sample_period.ticks), 2)
    begin = origin.tick + slack
    end = origin.tick + round(origin.observed / float(capture.tick)) - slack
    if any(
        len(line.edges) and line.edges.searchsorted(begin) < line.edges.searchsorted(end) for line in capture.channels
    ):
        return ""
    return "No other line moved meanwhile, so it may as well be a gap of the recording."


def _to_a_pulse_too_many(origin: Incident, drawing: Drawing) -> str:
    clock = drawing.clock
    turn = clock.turn_of(origin.tick)
    assert turn is not None
    end = int(clock.turn_ticks[turn + 1])
    slot = drawing.slot_ticks(turn)
    after = drawing.starts(origin.tick, end)
    usual = drawing.placement.usual_response_s / clock.tick_s
    if not len(after) or abs(float(after[0]) - origin.tick - usual) > _STARTS_WITHIN * slot:
        return ""
    spacing = float(np.median(np.diff(after))) if len(after) > 1 else slot
    text = "The firmware took it for the start of a turn and began its columns again: "
    text += f"{len(after)} of {drawing.placement.columns} came"
    if spacing * _MUCH_FASTER < slot:
        text += f" {slot / spacing:.2g} times too fast"
    left = end - int(after[-1]) - spacing
    if left > _MOST_OF_IT * drawing.placement.columns * slot:
        text += f", and for the remaining {_milliseconds(left * clock.tick_s)} of the turn the last of them stood still"
    return f"{text}."


def _to_a_missed_pulse(origin: Incident, drawing: Drawing) -> str:
    clock = drawing.clock
    turn = clock.turn_of(origin.tick)
    assert turn is not None
    seen = len(drawing.starts(int(clock.turn_ticks[turn]), int(clock.turn_ticks[turn + 1])))
    if seen <= _MOST_OF_IT * drawing.placement.columns:
        return "Without it the firmware drew nothing, and the last column stood for the whole turn."
    if seen >= (1 - _MOST_OF_IT) * drawing.placement.columns:
        return "The firmware went on drawing all the same."
    return f"The firmware drew {seen} of {drawing.placement.columns} columns in that turn."


def _milliseconds(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms"
