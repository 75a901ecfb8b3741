"""Departures of the index line and of the shaft's speed, each with its evidence in numbers."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from spinlag.capture import Capture, Channel, Ticks
from spinlag.observations import Observation, told_in
from spinlag.rig import IndexTable
from spinlag.rotation.pulses import Pulses
from spinlag.rotation.speed import FLOOR_CHANGE, SPAN
from spinlag.rotation.turns import Turns, merge_changes

MOST_RUNTS_APART = 20
"""More runts than this without a whole pulse between them are told as one observation."""


class _Scene:
    def __init__(self, capture: Capture, channel: Channel, index: IndexTable, pulses: Pulses, found: Turns) -> None:
        self.capture = capture
        self.channel = channel
        self.index = index
        self.pulses = pulses
        self.found = found
        self.tick_s = float(capture.tick)

    def revolution(self, tick: int) -> int | None:
        """Revolution that holds `tick`; None outside all."""
        ticks = self.found.ticks
        k = int(np.searchsorted(ticks, tick, side="right")) - 1
        return k if 0 <= k < len(ticks) - 1 else None

    def period_s(self, tick: int) -> float | None:
        """Length of the revolution at `tick`, or of the nearest one."""
        n = len(self.found.ticks) - 1
        if n < 1:
            return None
        k = min(max(int(np.searchsorted(self.found.ticks, tick, side="right")) - 1, 0), n - 1)
        return float(self.found.ticks[k + 1] - self.found.ticks[k]) * self.tick_s


def observe(
    capture: Capture, channel: Channel, index: IndexTable, pulses: Pulses, found: Turns
) -> tuple[Observation, ...]:
    """Observations of kinds `index-runt`, `index-missed`, `index-doubled`, `index-shifted` and `speed-step`, in order
    of time."""
    scene = _Scene(capture, channel, index, pulses, found)
    seen = [*_runts(scene), *_missed(scene), *_doubled(scene), *_shifted(scene), *_jerks(scene), *_steps(scene)]
    return tuple(sorted(seen, key=lambda observation: observation.tick))


def _runts(scene: _Scene) -> list[Observation]:
    pulses = scene.pulses
    whole = ~pulses.runt & np.isfinite(pulses.width_s(scene.tick_s))
    usual = float(np.median(pulses.width_s(scene.tick_s)[whole])) if whole.any() else None
    expected = scene.index.min_pulse_us * 1e-6 if scene.index.min_pulse_us > 0 else usual
    rows = [
        (int(pulses.reference[i]), int(pulses.end[i] - pulses.start[i]), "a pulse too short to be the mark's")
        for i in np.flatnonzero(pulses.runt)
    ]
    rows += [
        (int(begin), int(end - begin), "the line dropped out within a pulse")
        for begin, end in zip(pulses.drop_from, pulses.drop_to, strict=True)
    ]
    return [
        Observation(
            kind="index-runt",
            tick=tick,
            channel=scene.channel.name,
            detail=detail,
            expected=expected,
            observed=length * scene.tick_s,
            unit="s",
            threshold=pulses.threshold,
            revolution=scene.revolution(tick),
        )
        for tick, length, detail in _bursts(sorted(rows), pulses.reference[~pulses.runt], scene.tick_s)
    ]


def _bursts(rows: list[tuple[int, int, str]], whole: Ticks, tick_s: float) -> list[tuple[int, int, str]]:
    """Runts (instant, length, what to say), those of a long row without a whole pulse in it told as one."""
    between = np.searchsorted(whole, [row[0] for row in rows])
    first = np.flatnonzero(np.diff(between, prepend=-1))
    told = []
    for begin, end in pairwise([*first.tolist(), len(rows)]):
        burst = rows[begin:end]
        if len(burst) > MOST_RUNTS_APART:
            tick, length, detail = burst[0]
            lasted = (burst[-1][0] - tick) * tick_s
            burst = [(tick, length, f"{detail}, and {len(burst) - 1} more within {lasted * 1e3:.4g} ms")]
        told += burst
    return told


def _unknown(channel: Channel, tick: int) -> bool:
    """True where the line was x or z at `tick`."""
    k = int(np.searchsorted(channel.unknown[:, 0], tick, side="right")) - 1
    return k >= 0 and tick < int(channel.unknown[k, 1])


def _missed(scene: _Scene) -> list[Observation]:
    """One observation for each silence of the index, however many pulses did not come in it."""
    ticks = np.sort(scene.found.missed)
    if not len(ticks):
        return []
    believed = np.sort(scene.pulses.reference[~np.isin(scene.found.pulse_kind, ("runt", "extra"))])
    gap = np.searchsorted(believed, ticks)
    seen = []
    gaps, first = np.unique(gap, return_index=True)
    for g, members in zip(gaps, np.split(ticks, first[1:]), strict=True):
        length = float(believed[g] - believed[g - 1]) * scene.tick_s
        known = [int(tick) for tick in members if not _unknown(scene.channel, int(tick))]
        if not known:
            continue
        of = f"{len(members)} pulses" if len(members) > 1 else "the pulse"
        seen.append(
            Observation(
                kind="index-missed",
                tick=known[0],
                channel=scene.channel.name,
                detail=f"{of} did not come: {told_in(length, 'ms')} between pulses, {len(members) + 1} times the usual "
                "distance",
                expected=length / (len(members) + 1),
                observed=length,
                unit="s",
                threshold=scene.found.place_rule,
                revolution=scene.revolution(known[0]),
            )
        )
    return seen


def _doubled(scene: _Scene) -> list[Observation]:
    seen = []
    all_ticks = scene.pulses.reference
    believed = np.flatnonzero(~np.isin(scene.found.pulse_kind, ("runt", "extra")))
    for row in scene.found.extra:
        before = believed[np.searchsorted(believed, row) - 1]
        delay = float(all_ticks[row] - all_ticks[before]) * scene.tick_s
        period = scene.period_s(int(all_ticks[row])) or 0.0
        seen.append(
            Observation(
                kind="index-doubled",
                tick=int(all_ticks[row]),
                channel=scene.channel.name,
                detail=f"a pulse too many, {delay * 1e3:.4g} ms ({360.0 * delay / period:.3g}°) after the one "
                f"before; {scene.found.calm}",
                expected=period / max(len(scene.found.tooth_angles_deg), 1),
                observed=delay,
                unit="s",
                threshold=scene.found.place_rule,
                revolution=scene.revolution(int(all_ticks[row])),
            )
        )
    return seen


def _shifted(scene: _Scene) -> list[Observation]:
    seen = []
    found = scene.found
    last = len(found.ticks) - 2
    for row, home, turn in zip(found.shifted, found.shifted_home, found.shifted_turn, strict=True):
        tick = int(scene.pulses.reference[row])
        shift = float(tick - int(home)) * scene.tick_s
        period = scene.period_s(int(home)) or 1.0
        way = "late" if shift > 0 else "early"
        seen.append(
            Observation(
                kind="index-shifted",
                tick=tick,
                channel=scene.channel.name,
                detail=f"the pulse came {abs(shift) * 1e6:.4g} µs ({abs(360.0 * shift / period):.3g}°) {way}; "
                f"{scene.found.calm}",
                expected=0.0,
                observed=shift,
                unit="s",
                threshold=scene.found.shift_rule,
                revolution=int(turn) if 0 <= turn <= last else None,
            )
        )
    return seen


def _jerks(scene: _Scene) -> list[Observation]:
    seen = []
    for tick, turns in zip(scene.found.jerk_tick, scene.found.jerk_turns, strict=True):
        period = scene.period_s(int(tick) - 1) or 1.0
        seen.append(
            Observation(
                kind="speed-step",
                tick=int(tick),
                channel=scene.channel.name,
                detail=f"the shaft fell {360.0 * turns:.3g}° back and went on at the same speed"
                if turns > 0
                else f"the shaft ran {-360.0 * turns:.3g}° ahead and went on at the same speed",
                expected=0.0,
                observed=float(turns) * period,
                unit="s",
                threshold=scene.found.shift_rule,
                revolution=scene.revolution(int(tick) - 1),
            )
        )
    return seen


def _steps(scene: _Scene) -> list[Observation]:
    found = scene.found
    jerked = np.searchsorted(found.ticks, found.jerk_tick, side="left") - 1
    seen = []
    for change in merge_changes(found.changes, jerked, SPAN + 1):
        tick = int(found.ticks[change.first])
        before, after = change.before / scene.tick_s, change.after / scene.tick_s
        over = "within a turn" if change.phase == "step" else f"over {change.last - change.first + 1} turns"
        seen.append(
            Observation(
                kind="speed-step",
                tick=tick,
                channel=scene.channel.name,
                detail=f"the speed went from {before:.4g} to {after:.4g} rev/s "
                f"({100 * (after / before - 1):+.2f} %) {over}",
                expected=before,
                observed=after,
                unit="rev/s",
                threshold=f"{100 * found.changes.threshold:.2f} % between means over {SPAN} turns: "
                f"{found.changes.sigmas:.3g} robust standard deviations of this capture, "
                f"at least {100 * FLOOR_CHANGE:.1f} % and what the sample period leaves open",
                revolution=int(change.first),
            )
        )
    return seen
