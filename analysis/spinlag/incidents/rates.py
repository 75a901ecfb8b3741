"""How often each kind of incident came, with exact Poisson intervals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from spinlag.incidents.model import RATE_COLUMNS, Incident
from spinlag.summary import poisson_interval


def rates(incidents: Sequence[Incident], kinds: Sequence[str], revolutions: int, duration_s: float) -> pd.DataFrame:
    """One row per kind in `kinds`, those that were looked for: incidents, origins, and the rate of origins.

    Effects of one origin come together, so only origins are counts of a Poisson process. Intervals are two-sided 95 %;
    with none seen the upper figure is the one-sided 95 % bound (F. Garwood, Biometrika 28, 1936). NaN where there is
    nothing to divide by.
    """
    all_of = Counter(item.kind for item in incidents)
    origins = Counter(item.kind for item in incidents if item.origin is None)
    per_1000 = 1000 / revolutions if revolutions > 0 else np.nan
    per_minute = 60 / duration_s if duration_s > 0 else np.nan
    intervals: dict[int, tuple[float, float]] = {}
    rows = []
    for kind in kinds:
        seen = origins[kind]
        if seen not in intervals:
            intervals[seen] = poisson_interval(seen)
        low, high = intervals[seen]
        figures = [x * scale for scale in (per_1000, per_minute) for x in (seen, low, high)]
        rows.append([kind, all_of[kind], seen, *figures])
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(RATE_COLUMNS)
    return pd.DataFrame(
        {
            name: pd.Series(values, dtype=dtype)
            for (name, dtype), values in zip(RATE_COLUMNS.items(), columns, strict=True)
        }
    )
