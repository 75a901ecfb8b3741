"""Two sets of captures: what got better, what worse, what stayed the same, and what the recordings cannot tell.

Per quantity the shift of the median (or of the spread) with a 95 % interval from a block bootstrap over revolutions,
nested in captures; p-values corrected over all quantities and fault kinds tried (Holm).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spinlag.compare.counts import fault_rows, settled_fault, share_rows, timing_rows
from spinlag.compare.items import ITEMS, NOT_COMPARED
from spinlag.compare.measured import CompareError, Measured, comparable
from spinlag.compare.notes import notes_on, notes_on_data
from spinlag.compare.rows import ALPHA, Change, Fault, Row, judged
from spinlag.compare.series import Memo, series_row
from spinlag.compare.shown import PictureDifference, picture_difference
from spinlag.compare.sound import (
    at_clock,
    clock_factor,
    clock_note,
    faults_held_back,
    held_back,
    lost_to_doubt,
    picture_held_back,
    speed_is_known,
    warnings_of,
)
from spinlag.compare.stats import LEAST_LONGER, could_be_told, holm, normal_p, within
from spinlag.rig import Limit, Rig

GROWS_WITH_SPEED = {
    "latency.latency_deg": 1,
    "placement.offset": 1,
    "rotation.period_jitter": -1,
    "rotation.cycle_to_cycle_jitter": -1,
}
"""Powers of the speed with which quantities grow though the firmware stays what it is."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything about one pair of sets. `notes` are sentences for people; `not_compared` gives ids and reasons."""

    name_before: str
    name_after: str
    before: tuple[Measured, ...]
    after: tuple[Measured, ...]
    quantities: tuple[Row, ...]
    faults: tuple[Fault, ...]
    picture: PictureDifference
    notes: tuple[str, ...]
    not_compared: Mapping[str, str]
    warnings: tuple[str, ...] = ()
    """What looks wrong with the captures, by set; each kind once."""
    worthless: tuple[str, ...] = ()
    """How many quantities cannot be told whatever the length of the recordings, and why."""

    @property
    def rows(self) -> tuple[Row | Fault, ...]:
        """Quantities and faults."""
        return (*self.quantities, *self.faults)

    @property
    def verdict(self) -> Change:
        """`worse` where anything is, else `better` where anything is, else `same` only if everything is."""
        return overall([row.verdict for row in self.rows])

    @property
    def settled(self) -> bool:
        """True where nothing is left that the recordings cannot tell."""
        return all(row.verdict != "cannot-tell" for row in self.rows)

    @property
    def length_s(self) -> float:
        """Seconds recorded on the longer side."""
        return max(sum(one.duration_s for one in side) for side in (self.before, self.after))

    @property
    def longer_s(self) -> float | None:
        """How long to record each side, in seconds, to settle all that can be settled; None where nothing is open."""
        open_rows = [row for row in self.rows if row.verdict == "cannot-tell"]
        factors = [row.longer for row in open_rows if row.longer is not None]
        return max(factors) * self.length_s if factors else None


def overall(verdicts: Sequence[Change]) -> Change:
    """One verdict of many; nothing at all to go by is `cannot-tell`."""
    for verdict in ("worse", "better", "cannot-tell"):
        if verdict in verdicts:
            return verdict
    return "same" if verdicts else "cannot-tell"


def compare(
    before: Sequence[Measured],
    after: Sequence[Measured],
    *,
    rig: Rig | None = None,
    names: tuple[str, str] = ("before", "after"),
    memo: Memo | None = None,
) -> Comparison:
    """Compare two sets of captures of one display.

    Tolerances come from `rig`, else from the rigs the captures were measured with, else from defaults that each row
    states. `memo` is for many comparisons of the same recordings. Raises CompareError with every reason where the
    captures cannot be compared, or have nothing to compare.
    """
    comparable({names[0]: before, names[1]: after})
    limits = limits_of(before, after, rig)
    rows, faults = raw_rows(before, after, limits, 1, {} if memo is None else memo)
    if not rows and not faults:
        raise CompareError("cannot compare: neither side has revolutions or bit times with limits to compare")
    return assembled(before, after, *correct([(rows, faults)])[0], names, limits)


def assembled(
    before: Sequence[Measured],
    after: Sequence[Measured],
    rows: Sequence[Row],
    faults: Sequence[Fault],
    names: tuple[str, str],
    limits: Mapping[str, Limit],
) -> Comparison:
    """The comparison of two sets from rows whose p-values are corrected; `limits` are those that counted."""
    faster = _faster(before, after) if speed_is_known(before, after) else 1.0
    sides = {names[0]: before, names[1]: after}
    factor = clock_factor(before, after)
    quantities = [_at_speed(judged(row), faster, len(rows) + len(faults)) for row in rows]
    doubted = quantities if factor is None else [at_clock(row, factor) for row in quantities]
    doubted = held_back(doubted, sides)
    worthless = lost_to_doubt(quantities, doubted)
    quantities = doubted
    picture = picture_difference([one.shown for one in before], [one.shown for one in after])
    picture = picture_held_back(picture, sides)
    return Comparison(
        name_before=names[0],
        name_after=names[1],
        before=tuple(before),
        after=tuple(after),
        quantities=tuple(quantities),
        faults=tuple(faults_held_back(map(settled_fault, faults), sides)),
        picture=replace(picture, said=_with_timing(picture, quantities)),
        notes=(
            *(() if factor is None else (clock_note(factor, names),)),
            *notes_on(before, after, names, limits),
            *notes_on_data(before, picture),
        ),
        not_compared=_not_compared(rows),
        warnings=warnings_of(sides),
        worthless=worthless,
    )


def _faster(before: Sequence[Measured], after: Sequence[Measured]) -> float:
    """Speed after over speed before, by the usual revolution of each; 1 where one is not known."""
    periods = [np.concatenate([one.series["period_s"] for one in side]) for side in (before, after)]
    return float(np.median(periods[0]) / np.median(periods[1])) if all(len(one) for one in periods) else 1.0


def _at_speed(row: Row, faster: float, tried: int) -> Row:
    """What the speed alone explains is no better or worse firmware: an unchanged latency is a larger angle at a higher
    speed, and a shaft that swings by the same share of a turn swings by a shorter time.

    What is left is judged by the same interval, and by the p-value that it would have had, corrected by as much as the
    row's own (over all `tried`, where that is too small to be told).
    """
    value = row.value(row.before)
    if row.id not in GROWS_WITH_SPEED or not row.differs or not value or row.p is None or row.p_single is None:
        return row
    assert row.low is not None and row.high is not None
    share = faster ** GROWS_WITH_SPEED[row.id] - 1
    low, high = row.low - share * value, row.high - share * value
    middle, half = (low + high) / 2, (high - low) / 2
    said = f"{row.why}; the other speed alone changes it by {100 * share:+.2g} %".replace("-", "\u2212")
    if within(low, high, row.tolerance):
        return replace(row, verdict="same", why=f"{said}, and the rest is negligible")
    correction = row.p / row.p_single if row.p_single > 0 else tried
    if not half > 0 or normal_p(abs(middle) / half) * correction < ALPHA:
        return replace(row, why=said) if abs(share * value) > row.tolerance else row
    room = row.tolerance - abs(middle)
    longer = max(LEAST_LONGER, (half / room) ** 2) if room > 0 else None
    return replace(row, verdict="cannot-tell", why=f"{said}; whether more than that changed is open", longer=longer)


def _with_timing(picture: PictureDifference, rows: Sequence[Row]) -> str:
    """What was shown, and with it whether the timing changed, in words."""
    if picture.different or not picture.compared:
        return picture.said
    moved = [row.title for row in rows if row.differs]
    if moved:
        return f"{picture.said} Same picture, other timing: {'; '.join(moved)}."
    if all(row.verdict == "same" for row in rows):
        return f"{picture.said} The timing is the same as well."
    return f"{picture.said} No change of timing was told."


def limits_of(before: Sequence[Measured], after: Sequence[Measured], rig: Rig | None) -> Mapping[str, Limit]:
    """Limits that carry tolerances: the given rig's, else those of the first capture after, or before, with any."""
    if rig is not None:
        return rig.limits
    return next((one.limits for one in (*after, *before) if one.limits), {})


def raw_rows(
    before: Sequence[Measured], after: Sequence[Measured], limits: Mapping[str, Limit], pairs: int, memo: Memo
) -> tuple[list[Row], list[Fault]]:
    """Rows and faults without corrected p-values or verdicts; `pairs` such families will be corrected together."""
    timing = timing_rows(before, after, limits)
    faults = fault_rows(before, after)
    shares = share_rows(before, after, limits)
    counted: list[Row | Fault] = [*faults, *shares]
    able = [row for row in counted if row.least_p is not None and row.least_p <= ALPHA / len(ITEMS)]
    tried = pairs * (len(ITEMS) + len(able))
    rows = [row for item in ITEMS if (row := series_row(item, before, after, limits, tried, memo)) is not None]
    return [*rows, *shares, *timing], faults


def correct(families: Sequence[tuple[list[Row], list[Fault]]]) -> list[tuple[list[Row], list[Fault]]]:
    """Rows and faults with p-values corrected over everything tested in all `families` together (Holm).

    Counts too few to be told apart, however they fall, are not corrected for, and get a p-value of 1 (Tarone).
    """
    every: list[Row | Fault] = []
    for rows, faults in families:
        every += [*rows, *faults]
    tested = [(row.p_single, row.least_p or 0.0) for row in every if row.p_single is not None]
    able = could_be_told([least for _, least in tested], ALPHA)
    corrected = np.ones(len(tested))
    corrected[able] = holm([p for (p, _), counts in zip(tested, able, strict=True) if counts])
    adjusted = iter(corrected.tolist())

    def one(row: Row | Fault) -> Row | Fault:
        return replace(row, p=next(adjusted)) if row.p_single is not None else row

    result: list[tuple[list[Row], list[Fault]]] = []
    for rows, faults in families:
        together: list[Row | Fault] = [*rows, *faults]
        done: list[Row | Fault] = [one(row) for row in together]
        result.append(([row for row in done if isinstance(row, Row)], [row for row in done if isinstance(row, Fault)]))
    return result


def _not_compared(rows: Sequence[Row]) -> dict[str, str]:
    have = {row.id for row in rows}
    lacking = {item.id: "not measured on either side" for item in ITEMS if item.id not in have}
    return {**NOT_COMPARED, **lacking}
