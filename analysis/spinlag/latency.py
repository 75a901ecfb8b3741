"""Index edge to visible light: response, wire time, latch time and their sum, revolution by revolution."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from spinlag.summary import Statistics


@dataclass(frozen=True, eq=False)
class Latency:
    """Latency of one chain.

    `table`, one row per revolution that has an index edge: `revolution`, `update`, `index_s`, `response_s`, `wire_s`,
    `latch_s`, `latency_early_s`, `latency_s`, `latency_deg`, `latency_columns`; NaN where the revolution has no update.
    """

    chain: str
    table: pd.DataFrame
    response: Statistics
    wire: Statistics
    latch: Statistics
    latency: Statistics
    latency_deg: Statistics
    latency_columns: Statistics
    jitter_std_s: float | None
    jitter_peak_to_peak_s: float | None
    jitter_uncertainty_s: float | None
    revolutions_without_update: int
