"""Index pulses to revolutions: the shaft's turns, and which pulses to believe."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from spinlag.capture import Capture, Ticks
from spinlag.observations import Observation
from spinlag.rig import Rig
from spinlag.summary import Statistics

NO_TICK = -(2**63)
"""Stands in a tick column where nothing was seen."""


@dataclass(frozen=True, eq=False)
class Rotation:
    """Revolutions of the shaft.

    `turn_ticks`, shape (n + 1,), int64: best belief of the instants at which the shaft passed the reference, so
    revolution k is [turn_ticks[k], turn_ticks[k + 1]). Missed pulses are filled in, doubled ones left out, shifted
    ones put back where the neighbours say.

    `turns`, one row per revolution: `revolution` (0, 1, ...), `start_s`, `period_s`, `speed_rev_per_s`, `index_tick`
    (the reference edge that the firmware saw for this revolution, NO_TICK where there was none), `kind` (`normal`,
    `filled`, `shifted`, `speed-step`) and `used` (True where both ends are trusted, so that the period may enter the
    statistics).

    `pulses`, one row per pulse: `tick` (reference edge), `time_s`, `width_s`, `kind` (`index`, `tooth`, `runt`,
    `extra`, `shifted`).
    """

    channel: str
    turn_ticks: Ticks
    turns: pd.DataFrame
    pulses: pd.DataFrame
    speed: Statistics
    period: Statistics
    period_jitter_rms_s: float | None
    period_jitter_peak_to_peak_s: float | None
    cycle_to_cycle_jitter_rms_s: float | None
    jitter_uncertainty_s: float | None
    drift_rev_per_s2: float | None
    allan: pd.DataFrame
    """Overlapping Allan deviation of the index instants: `tau_s`, `adev`, `n`, and `low`, `high` (95 %)."""
    observations: tuple[Observation, ...]
    notes: tuple[str, ...] = ()


def find_revolutions(capture: Capture, rig: Rig) -> Rotation | None:
    """Revolutions from the index line of the rig (design 5.1); None where the rig has no index.

    Half-open: revolution k covers [turn_ticks[k], turn_ticks[k + 1]). What the capture's start or end cuts in half is
    no revolution. With fewer than two believable pulses the tables are empty, with their columns.
    """
    raise NotImplementedError
