"""Index edge to visible light: response, wire time, latch time and their sum, revolution by revolution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.placed import rows_of_turns
from spinlag.placement import Placement, sound_updates, turns_touched
from spinlag.rig import Rig
from spinlag.rotation import NO_TICK, Rotation
from spinlag.summary import Statistics, summarise
from spinlag.uncertainty import interval_standard_uncertainty, looks_locked, mean_interval_uncertainty


@dataclass(frozen=True, eq=False)
class Latency:
    """Latency of one chain.

    `table`, one row per revolution that has an index edge: `revolution`, `update`, `index_s`, `response_s`, `wire_s`,
    `latch_s`, `latency_early_s`, `latency_s`, `latency_deg`, `latency_columns`; NaN (and `update` -1) where the
    revolution has no update. `latency_early_s` counts to the earliest instant at which the new light can show,
    `latency_s` to the latest. Both jitters are of `latency_s` over revolutions.

    Where the first update has other than the chain's LEDs (in `revolutions_with_broken_update`), the column is never
    shown whole, or at another time: of such a turn the response is known, all that rests on the update's end is NaN.
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
    revolutions_with_broken_update: int = 0


def measure_latency(
    capture: Capture,
    rig: Rig,
    rotation: Rotation,
    chain: ChainUpdates,
    placement: Placement,
    *,
    gaps: Sequence[tuple[int, int]] = (),
) -> Latency:
    """Latency of every revolution with an index edge: the first update that placement gave to that revolution.

    Revolutions in which one of the `gaps` in what was seen of the chain (first and last tick) may hide that update are
    left out.
    """
    tick = float(capture.tick)
    index = rotation.turns["index_tick"].to_numpy(dtype=np.int64)
    seen = np.flatnonzero(index != NO_TICK)
    first, after = rows_of_turns(placement.places.revolution, len(index))
    update = np.where(after > first, first, -1)
    seen = seen[~_hidden(rotation, chain, update, gaps)[seen]]
    update = update[seen]
    there = update >= 0
    there[there] = chain.whole[update[there]]
    if placement.changes_only:
        # a later column's change says nothing of when the first one was shown
        there[there] = placement.places.column[update[there]] == 0
    u = update[there]
    broken = ~sound_updates(chain)[u]

    def column(values: np.ndarray) -> np.ndarray:
        full = np.full(len(seen), np.nan)
        full[there] = values
        return full

    def to_the_end(values: np.ndarray) -> np.ndarray:
        return column(np.where(broken, np.nan, values))

    period = np.diff(rotation.turn_ticks)[seen] * tick
    wire = (chain.last[u] - chain.start[u]) * tick
    to_last = (chain.last[u] - index[seen][there]) * tick
    latency = to_the_end(to_last + chain.light_s[u])
    response_ticks = chain.start[u] - index[seen][there]
    table = pd.DataFrame(
        {
            "revolution": seen.astype(np.int64),
            "update": np.where(there, update, -1),
            "index_s": capture.seconds(index[seen]),
            "response_s": column(response_ticks * tick),
            "wire_s": to_the_end(wire),
            "latch_s": to_the_end(chain.light_s[u]),
            "latency_early_s": to_the_end(to_last + chain.light_early_s[u]),
            "latency_s": latency,
            "latency_deg": 360.0 * latency / period,
            "latency_columns": placement.columns * latency / period,
        }
    )
    locked = looks_locked(response_ticks)
    measured = latency[np.isfinite(latency)]

    def stats(name: str, *, sampled: bool = True) -> Statistics:
        values = table[name].to_numpy()
        return summarise(values, _mean_uncertainty(capture, rig, values, locked=locked) if sampled else 0.0)

    per_second = 360.0 / float(np.median(period)) if len(period) else 0.0
    in_seconds = stats("latency_s")
    return Latency(
        chain=chain.name,
        table=table,
        response=stats("response_s"),
        wire=stats("wire_s"),
        latch=stats("latch_s", sampled=False),
        latency=in_seconds,
        latency_deg=_scaled(table["latency_deg"], in_seconds, per_second),
        latency_columns=_scaled(table["latency_columns"], in_seconds, per_second * placement.columns / 360.0),
        jitter_std_s=in_seconds.std,
        jitter_peak_to_peak_s=float(np.ptp(measured)) if measured.size > 1 else None,
        jitter_uncertainty_s=_jitter_uncertainty(capture.sample_period_s, in_seconds),
        revolutions_without_update=int(np.count_nonzero(update < 0)),
        revolutions_with_broken_update=int(np.count_nonzero(broken)),
    )


def _hidden(
    rotation: Rotation, chain: ChainUpdates, update: NDArray[np.int64], gaps: Sequence[tuple[int, int]]
) -> NDArray[np.bool_]:
    """Turns, shape (turns,), with a gap before the end of their first update, or anywhere where they have none; and the
    turn in which a line that was silent from the start of the record on begins: that is no answer to an index edge."""
    hidden = turns_touched(rotation, gaps)
    for turn in np.flatnonzero(hidden & (update >= 0)).tolist():
        until = int(chain.last[update[turn]])
        hidden[turn] = any(begin < until and end > rotation.turn_ticks[turn] for begin, end in gaps)
    hidden[1:] |= update[1:] == 0
    return hidden


def _mean_uncertainty(capture: Capture, rig: Rig, values: np.ndarray, *, locked: bool) -> float | None:
    finite = values[np.isfinite(values)]
    if not finite.size:
        return None
    return mean_interval_uncertainty(
        capture.sample_period_s,
        finite.size,
        clock_ppm=rig.capture.clock_ppm,
        mean_s=float(finite.mean()),
        locked=locked,
    )


def _scaled(values: pd.Series, in_seconds: Statistics, factor: float) -> Statistics:
    uncertainty = in_seconds.uncertainty
    return summarise(values, None if uncertainty is None else uncertainty * factor)


def _jitter_uncertainty(sample_period_s: float, latency: Statistics) -> float | None:
    """Expanded uncertainty of the standard deviation: quantisation's own share of it, and 1.96 std / sqrt(2 (n - 1)).

    Sampling adds T_s^2 / 6 to the variance (Sheppard); the observed figure is kept, and this much of it may be ours.
    """
    if latency.std is None:
        return None
    ours = latency.std - np.sqrt(max(latency.std**2 - interval_standard_uncertainty(sample_period_s) ** 2, 0.0))
    return float(np.hypot(ours, 1.96 * latency.std / np.sqrt(2 * (latency.n - 1))))
