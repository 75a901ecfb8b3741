"""Revolutions and updates to columns: at which angle each update became visible, and at which it should have."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from spinlag.observations import Observation
from spinlag.summary import Statistics


@dataclass(frozen=True, eq=False)
class Placement:
    """Columns on the picture, for one chain.

    `updates`, one row per update of the chain: `update`, `revolution` (-1 before the first and after the last whole
    one), `column` (-1 where none), `start_s`, `last_s`, `visible_s`, `angle_deg`, `error_deg`, `residue_deg`, `whole`.
    `turns`, one row per revolution judged: `revolution`, `updates`, `offset_deg`, `scale`, `residue_rms_deg`,
    `seam_deg`, `missing`, `repeated`, `extra`.
    """

    chain: str
    columns: int
    columns_from: str
    updates: pd.DataFrame
    turns: pd.DataFrame
    offset: Statistics
    scale: Statistics
    residue: Statistics
    residue_rms_deg: float | None
    residue_uncertainty_deg: float | None
    seam: Statistics
    missing: int
    extra: int
    repeated: int
    columns_expected: int
    observations: tuple[Observation, ...] = ()
