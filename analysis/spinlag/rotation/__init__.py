"""Index pulses to revolutions: the shaft's turns, and which pulses to believe."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spinlag.capture import Capture, Channel, Ticks
from spinlag.observations import Observation
from spinlag.rig import IndexTable, Rig
from spinlag.rotation.pulses import NO_TICK, Pulses, find_pulses
from spinlag.rotation.statistics import Sampling, measure
from spinlag.rotation.turns import Turns, find_turns
from spinlag.rotation.watch import observe
from spinlag.sampling import resolution_ticks
from spinlag.summary import Statistics

__all__ = ["FASTEST_MARKS_HZ", "NO_TICK", "Rotation", "find_revolutions", "pulse_rate_hz"]

FASTEST_MARKS_HZ = 200_000.0
"""No shaft passes its marks faster (1024 of them at 195 turns a second); a line that does carries something else, whose
pauses would pass for millions of missed turns. Common practice, no source."""

_RUN = 512
"""Edges of a run that is looked at."""


@dataclass(frozen=True, eq=False)
class Rotation:
    """Revolutions of the shaft.

    `turn_ticks`, shape (n + 1,), int64: best belief of the instants at which the shaft passed the reference, so
    revolution k is [turn_ticks[k], turn_ticks[k + 1]). Missed pulses are filled in, doubled ones left out, shifted
    ones put back where the neighbours say.

    `turns`, one row per revolution: `revolution` (0, 1, ...), `start_s`, `period_s`, `speed_rev_per_s`, `index_tick`
    (the reference edge that the firmware saw for this revolution, NO_TICK where there was none), `kind` and `used`
    (True where both ends are trusted, so that the period may enter the statistics). `kind` is `filled` or `shifted`
    after the pulse that begins the turn, `speed-step` where the shaft's speed changed during it, `run-up` and
    `run-down` where the shaft was getting up to speed or coming to rest, `doubtful` where the number of turns cannot be
    told, and otherwise `normal`.

    `pulses`, one row per pulse: `tick` (reference edge), `time_s`, `width_s` (NaN where the capture cuts it), `kind`
    (`index`, `tooth`, `runt`, `extra`, `shifted`).
    """

    channel: str
    turn_ticks: Ticks
    turns: pd.DataFrame
    pulses: pd.DataFrame
    speed: Statistics
    period: Statistics
    period_jitter_rms_s: float | None
    """Root mean square of the period about its mean, slow drift taken out where it is plain; n - 1 (n - 2) in the
    divisor. As observed: `notes` says what sampling alone contributes."""
    period_jitter_peak_to_peak_s: float | None
    cycle_to_cycle_jitter_rms_s: float | None
    """Root mean square of the difference of adjacent periods (JESD65B: cycle-to-cycle jitter)."""
    jitter_uncertainty_s: float | None
    """Expanded uncertainty (95 %) of the rms from sampling alone; what n turns say of the process is in `notes`."""
    drift_rev_per_s2: float | None
    allan: pd.DataFrame
    """Overlapping Allan deviation of the index instants: `tau_s`, `adev`, `n`, `low`, `high` (95 %), `edf`, `noise`."""
    observations: tuple[Observation, ...]
    notes: tuple[str, ...] = ()
    tooth_angles_deg: tuple[float, ...] = (0.0,)
    """Where the marks of one revolution sit, learned from the capture, from the mark that begins it."""
    begins_known: bool = True
    """False where several marks look alike and nothing said which of them the firmware counts from."""
    wheel_notes: tuple[str, ...] = ()
    """The notes on which mark begins a revolution; `notes` holds them too."""


def find_revolutions(capture: Capture, rig: Rig, *, first_mark: int | None = None) -> Rotation | None:
    """Revolutions from the index line of the rig; None where the rig has no index.

    Half-open: revolution k covers [turn_ticks[k], turn_ticks[k + 1]). What the capture's start or end cuts in half is
    no revolution. Where several marks look alike, `first_mark` of them (counted from the first that was passed) begins
    the revolutions. With fewer than two believable pulses, or with pulses faster than any shaft's marks, the tables are
    empty, with their columns.
    """
    if rig.index is None:
        return None
    channel = capture.channel(rig.index.channel)
    if pulse_rate_hz(capture, channel) > FASTEST_MARKS_HZ:
        channel = replace(channel, edges=channel.edges[:0])
    pulses = find_pulses(capture, channel, rig.index)
    found = find_turns(pulses, rig.index, resolution_ticks(capture), first_mark)
    observations = observe(capture, channel, rig.index, pulses, found)
    return build_rotation(capture, rig, rig.index, pulses, found, observations)


def pulse_rate_hz(capture: Capture, channel: Channel) -> float:
    """How fast pulses usually follow each other, from a few runs of edges; 0 where there are too few to tell."""
    n = len(channel.edges)
    runs = [np.asarray(channel.edges[at : at + _RUN], dtype=np.int64) for at in (0, n // 2, max(0, n - _RUN))]
    periods = np.concatenate([run[2:] - run[:-2] for run in runs])
    return 1 / (float(np.median(periods)) * float(capture.tick)) if len(periods) >= _RUN else 0.0


def build_rotation(
    capture: Capture,
    rig: Rig,
    index: IndexTable,
    pulses: Pulses,
    found: Turns,
    observations: tuple[Observation, ...],
) -> Rotation:
    """Tables and figures of turns that were found."""
    tick_s = float(capture.tick)
    sampling = Sampling(tick_s, capture.sample_period_s, rig.capture.clock_ppm, index.edge == "centre")
    figures = measure(found.ticks, found.used, found.kind == "speed-step", sampling)
    return Rotation(
        channel=index.channel,
        turn_ticks=found.ticks,
        turns=_turn_table(capture, found),
        pulses=pd.DataFrame(
            {
                "tick": pulses.reference,
                "time_s": capture.seconds(pulses.reference),
                "width_s": pulses.width_s(tick_s),
                "kind": found.pulse_kind,
            }
        ),
        speed=figures.speed,
        period=figures.period,
        period_jitter_rms_s=figures.period_jitter_rms_s,
        period_jitter_peak_to_peak_s=figures.period_jitter_peak_to_peak_s,
        cycle_to_cycle_jitter_rms_s=figures.cycle_to_cycle_jitter_rms_s,
        jitter_uncertainty_s=figures.jitter_uncertainty_s,
        drift_rev_per_s2=figures.drift_rev_per_s2,
        allan=figures.allan,
        observations=observations,
        notes=(*found.wheel_notes, *found.notes, *figures.notes),
        tooth_angles_deg=found.tooth_angles_deg,
        begins_known=found.begins_known,
        wheel_notes=found.wheel_notes,
    )


def _turn_table(capture: Capture, found: Turns) -> pd.DataFrame:
    n = max(len(found.ticks) - 1, 0)
    periods = np.diff(found.ticks) * float(capture.tick)
    return pd.DataFrame(
        {
            "revolution": np.arange(n, dtype=np.int64),
            "start_s": capture.seconds(found.ticks[:n]),
            "period_s": periods,
            "speed_rev_per_s": 1.0 / periods,
            "index_tick": found.index_tick,
            "kind": pd.Series(found.kind, dtype="str"),
            "used": found.used,
        }
    )
