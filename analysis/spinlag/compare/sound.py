"""What the warnings of the captures leave of a comparison, and clocks that do not run alike."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spinlag.compare.counts import pooled_timing, timing_names
from spinlag.compare.measured import Measured
from spinlag.compare.rows import Fault, Row
from spinlag.compare.shown import PictureDifference
from spinlag.compare.stats import within
from spinlag.compare.trends import Trend
from spinlag.wrong_lines import TIME, Unsound

Side = Sequence[Measured]

LEAST_FACTOR = 0.002
"""Crystals, a recorder's and a controller's, differ by less than this share (common practice, no source)."""

_BITS = ("t0h", "t1h", "bit_period", "clock_high", "clock_low", "clock_period")
_NUMBER = re.compile(r"[-+]?\d[\d.,]*(e[-+]?\d+)?")
_MOST_NAMED = 3
_COUNTED_ON = (
    ("index-", "rotation.order_1"),
    ("speed-", "rotation.order_1"),
    ("update-", "placement.residue"),
    ("column-", "placement.residue"),
    ("motor-", "motor.sequence_faults"),
)
"""Kinds of fault, and a figure that is sound where they are."""


def warnings_of(sets: Mapping[str, Side]) -> tuple[str, ...]:
    """The captures' warnings by set, each kind once: those that differ in their numbers alone are one kind."""
    told = []
    for name, captures in sets.items():
        kinds: dict[str, dict[int, str]] = {}
        for number, one in enumerate(captures):
            for warning in one.warnings:
                kinds.setdefault(_NUMBER.sub("#", warning), {}).setdefault(number, warning)
        for seen in kinds.values():
            files = [captures[number].file for number in seen]
            first = next(iter(seen.values()))
            if len(captures) == 1 or len(files) == 1:
                told.append(f"{name}, {files[0]}: {first}")
                continue
            which = "" if len(set(seen.values())) == 1 else f", as in {files[0]}"
            told.append(f"{name}, {len(files)} of {len(captures)} captures ({_listed(files)}){which}: {first}")
    return tuple(told)


def _listed(files: Sequence[str]) -> str:
    more = len(files) - _MOST_NAMED
    return ", ".join(files[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def reasons_against(quantity_id: str, sides: Mapping[str, Side]) -> str:
    """Why the figures of one quantity are worthless in some captures, and in which; empty where they are sound."""
    told: dict[str, list[str]] = {}
    for captures in sides.values():
        for one in captures:
            why = next((found.why for found in one.unsound if found.covers(quantity_id)), None)
            if why is not None:
                told.setdefault(why, []).append(one.file)
    return "; ".join(f"{_listed(files)}: {why}" for why, files in told.items())


def held_back(rows: Iterable[Row], sides: Mapping[str, Side]) -> list[Row]:
    """The rows, none of them a verdict that rests on figures which a capture's warnings make worthless."""
    kept = []
    for row in rows:
        against = reasons_against(row.id, sides)
        kept.append(replace(row, verdict="cannot-tell", why=against, longer=None) if against else row)
    return kept


def faults_held_back(faults: Iterable[Fault], sides: Mapping[str, Side]) -> list[Fault]:
    """The faults, none of them a verdict that was counted on such figures."""
    kept = []
    for fault in faults:
        on = next((figure for kind, figure in _COUNTED_ON if fault.kind.startswith(kind)), None)
        against = "" if on is None else reasons_against(on, sides)
        kept.append(replace(fault, verdict="cannot-tell", why=against, longer=None) if against else fault)
    return kept


def picture_held_back(picture: PictureDifference, sides: Mapping[str, Side]) -> PictureDifference:
    """What was shown, unless the columns were counted from a wrong instant."""
    against = reasons_against("placement.residue", sides)
    if not against:
        return picture
    return PictureDifference(0, (), (), picture.moving, f"What was shown cannot be compared: {against}.")


def lost_to_doubt(rows: Sequence[Row], doubted: Sequence[Row]) -> tuple[str, ...]:
    """How many of the rows are open for a doubt about clocks or captures, a sentence for each reason."""
    lost = Counter(now.why for row, now in zip(rows, doubted, strict=True) if now is not row)
    return tuple(f"{n} of {len(rows)} quantities cannot be told: {why}" for why, n in lost.items())


def trends_held_back(trends: Iterable[Trend], sets: Mapping[str, Side]) -> list[Trend]:
    """The trends, none of them with a change that rests on such figures."""
    kept = []
    for trend in trends:
        against = "" if trend.id.startswith("faults.") else reasons_against(trend.id, sets)
        kept.append(replace(trend, changed_at=None, sure=0.0, said=f"cannot tell: {against}") if against else trend)
    return kept


@dataclass(frozen=True)
class ClockFactor:
    """One factor on all bit times, with its 95 % uncertainty."""

    value: float
    error: float


def clock_factor(before: Side, after: Side) -> ClockFactor | None:
    """By what one factor all bit times after are longer, where it is no tolerance of crystals; None where they are
    alike, or changed by themselves: firmware seldom changes them in proportion, another clock always does."""
    ratios: dict[str, list[tuple[float, float]]] = {}
    for name in timing_names([before, after]):
        chain, _, timing = name.rpartition(".")
        if timing not in _BITS:
            continue
        one, other = pooled_timing(name, before), pooled_timing(name, after)
        if one is not None and other is not None and one[0] and other[0]:
            ratio = other[0] / one[0]
            ratios.setdefault(chain, []).append((ratio, ratio * float(np.hypot(one[1] / one[0], other[1] / other[0]))))
    found = [one for chain in ratios.values() for one in chain]
    if len(found) < 2 or _clock_is_doubted(before, after):
        return None
    weights = np.array([1 / max(error, 1e-9) ** 2 for _, error in found])
    factor = float(np.average([ratio for ratio, _ in found], weights=weights))
    off = abs(factor - 1)
    precise = sum(error < off / 2 for _, error in found)
    # of several intervals of 95 % the worst may well miss by half as much again
    alike = all(abs(ratio - factor) <= max(1.5 * error, 0.1 * off) for ratio, error in found)
    if off <= LEAST_FACTOR or precise < 2 or not alike:
        return None
    return ClockFactor(factor, min(error for _, error in found))


def _clock_is_doubted(before: Side, after: Side) -> bool:
    return any(found.what == TIME for one in (*before, *after) for found in one.unsound)


def speed_is_known(before: Side, after: Side) -> bool:
    """True where the speeds of both sides can be held against each other."""
    return not reasons_against("rotation.speed", {"": (*before, *after)})


def clock_note(factor: ClockFactor, names: tuple[str, str]) -> str:
    """What a reader should know of clocks that do not run alike."""
    return (
        f"All bit times of {names[1]} are {factor.value:.4g} times those of {names[0]}, in one proportion, and that is "
        "a clock: one recorder's (look at its sample rate and at the file's time unit), or the controller's. A change "
        "of a time that this alone explains is called neither better nor worse."
    )


def at_clock(row: Row, factor: ClockFactor) -> Row:
    """A time is judged only where the verdict is the same by either clock, or by anything between: a latch time of the
    sheet, which is no clock's, may be part of it. Of an angle such a latch time is all that another clock changes."""
    value = row.value(row.before)
    if not Unsound(TIME, "").covers(row.id) or row.verdict == "cannot-tell" or not value:
        return row
    assert row.low is not None and row.high is not None and row.shift is not None
    share = factor.value - 1
    room = abs(factor.error * value)
    least, most = sorted((0.0, share * value)) if row.unit == "s" else (-abs(share * value), abs(share * value))
    low, high = row.low - most - room, row.high - least + room
    if row.verdict == "same":
        sound = within(low, high, row.tolerance)
    else:
        sound = low > row.tolerance if row.shift > 0 else high < -row.tolerance
    if sound:
        return row
    moved = f"{100 * share:+.2g} %".replace("-", "\u2212")
    why = f"all bit times changed by {moved}, as by another clock, and whether more than that changed is open"
    return replace(row, verdict="cannot-tell", why=why, longer=None)
