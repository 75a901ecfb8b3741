"""How much of the picture was not as usual: turn by turn, and in what the eye sums."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.picture import (
    FULL_TURN,
    Block,
    Floats,
    Image,
    Indices,
    Screen,
    blocks,
    lay_out,
    majority,
    usual_image,
)

INTEGRATION_S = 0.1
"""Time over which the eye sums light; Bloch's law holds up to some 40 to 100 ms, and the longer end is the milder."""

NOTICED = 1 / 16
"""A spot counts as changed where a colour differs by more than this share of the brightest of the usual picture, which
is what the eye adapts to. Common practice, no source."""

USUAL_TURNS = 25
"""Turns around an incident whose median is the usual picture there."""

_SECTOR_EDGE = 0.1
_ROBUST_SIGMAS = 8.0
_MAD_TO_SIGMA = 1.4826
_LEAST_CHANGE = 0.005
_FEWEST_ORDINARY = 5

CHANGE_COLUMNS: dict[str, str] = {
    "revolution": "int64",
    "changed_area": "float64",
    "changed_light": "float64",
    "worst_deg": "float64",
}


@dataclass(frozen=True, eq=False)
class Changes:
    """Every turn against the usual picture of its stretch of the capture.

    `turns`, one row per turn: `revolution`, `changed_area` (share of the picture's area whose colour differs by more
    than NOTICED of its brightest), `changed_light` (light that is too much or too little, over the light of the usual
    picture) and `worst_deg` (middle of the angle that changed most; NaN where nothing did). `threshold` is the changed
    light above which a turn's picture is out of the ordinary, `threshold_from` where that figure comes from.
    """

    turns: pd.DataFrame
    threshold: float
    threshold_from: str

    @cached_property
    def light(self) -> Floats:
        """`changed_light` of every turn, shape (turns,)."""
        return np.asarray(self.turns["changed_light"], dtype=np.float64)

    @cached_property
    def area(self) -> Floats:
        """`changed_area` of every turn, shape (turns,)."""
        return np.asarray(self.turns["changed_area"], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class IncidentView:
    """What the viewer saw in one turn, beside what is usual there.

    `usual`, `seen`, uint8, shape (bins, rows, 3); `difference`, float64, same shape, seen less usual as light, -1 to 1.
    `summed_usual`, `summed_seen`: the same as the eye sums it over `summed_turns` turns from this one. `changed_area`,
    `changed_light` as in Changes, for the turn alone; `summed_change`: changed light of the summed picture.
    `sector_deg` is the worst sector (from, to), None where nothing changed. `lasting_turns` and `lasting_s`: for how
    many of the event's turns, and how long in all, the picture was out of the ordinary.
    """

    revolution: int
    usual: Image
    seen: Image
    difference: Floats
    summed_usual: Image
    summed_seen: Image
    summed_turns: int
    changed_area: float
    changed_light: float
    summed_change: float
    sector_deg: tuple[float, float] | None
    lasting_turns: int
    lasting_s: float


def _noticed(usual: Floats) -> float:
    """The least change of light that counts beside a usual picture; of a dark one, in full scale."""
    return NOTICED * (float(usual.max(initial=0.0)) or 1.0)


def light(image: Image) -> Floats:
    """LED values as light, 0 to 1: LEDs dim by their duty, which is linear in the value sent."""
    return np.asarray(image, dtype=np.float64) / 255.0


def measure_changes(screen: Screen, unusual: Iterable[int] = (), turns_each: int = 64) -> Changes:
    """Compare every turn with the median picture of its block of turns; memory does not grow with the capture.

    `unusual` turns, those known to hold incidents, are left out of the median; a block that has hardly any other turn
    is compared with the usual picture of the block before.
    """
    out = np.zeros(screen.turns, dtype=bool)
    known = np.array(sorted({turn for turn in unusual if 0 <= turn < screen.turns}), dtype=np.int64)
    out[known] = True
    parts: list[pd.DataFrame] = []
    usual: _Usual | None = None
    for block in blocks(screen, turns_each):
        ordinary = np.flatnonzero(~out[block.first : block.last])
        if len(ordinary) >= min(_FEWEST_ORDINARY, screen.turns):
            usual = _usual_of(block, ordinary)
        elif usual is None:
            usual = _usual_of(block, np.arange(block.last - block.first))
        parts.append(_block_changes(block, usual))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(CHANGE_COLUMNS))
    table = table.astype(CHANGE_COLUMNS)
    ordinary = table["changed_light"].to_numpy()[~out]
    threshold, source = _threshold(ordinary if ordinary.size >= _FEWEST_ORDINARY else table["changed_light"].to_numpy())
    return Changes(table, threshold, source)


def _threshold(changed: Floats) -> tuple[float, str]:
    if not changed.size:
        return _LEAST_CHANGE, "no turn to go by"
    centre = float(np.median(changed))
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(changed - centre)))
    statistical = centre + _ROBUST_SIGMAS * spread
    if statistical > _LEAST_CHANGE:
        return statistical, f"median and {_ROBUST_SIGMAS:g} robust standard deviations of the capture's own turns"
    return _LEAST_CHANGE, f"floor of {100 * _LEAST_CHANGE:.1f} %; the capture's own turns vary less"


@dataclass(frozen=True, eq=False)
class _Usual:
    """The usual picture as light, shape (bins, rows, 3); bins where most turns agree carry the key they agree on."""

    light: Floats
    keys: NDArray[np.uint64]
    settled: NDArray[np.bool_]


def _usual_of(block: Block, turns: Indices) -> _Usual:
    keys, settled, holder = majority(block.keys[turns])
    usual = light(block.colours(turns[holder], np.arange(block.screen.bins)))
    open_bins = np.flatnonzero(~settled)
    if open_bins.size:
        usual[open_bins] = light(_medians(block, turns, open_bins))
    return _Usual(usual, keys, settled)


def _block_changes(block: Block, known: _Usual) -> pd.DataFrame:
    screen = block.screen
    n = block.last - block.first
    usual = known.light
    turn, bins = np.nonzero((block.keys != known.keys[None, :]) | ~known.settled[None, :])
    area = np.zeros((n, screen.bins))
    change = np.zeros((n, screen.bins))
    noticed = _noticed(usual)
    for part in np.array_split(np.arange(len(turn)), max(len(turn) * screen.rows // 2_000_000, 1)):
        gap = np.abs(light(block.colours(turn[part], bins[part])) - usual[bins[part]])
        change[turn[part], bins[part]] = gap.mean(axis=2) @ screen.weights
        area[turn[part], bins[part]] = (gap.max(axis=2) > noticed) @ screen.weights
    total = float((usual.mean(axis=2) @ screen.weights).sum())
    worst = np.argmax(change, axis=1)
    some = change[np.arange(n), worst] > 0
    return pd.DataFrame(
        {
            "revolution": np.arange(block.first, block.last),
            "changed_area": area.mean(axis=1),
            "changed_light": change.sum(axis=1) / total if total > 0 else (change.sum(axis=1) > 0).astype(np.float64),
            "worst_deg": np.where(some, screen.angles_deg[worst] % FULL_TURN, np.nan),
        }
    )


def _medians(block: Block, turns: Indices, bins: Indices) -> Image:
    """Median colours of a few bins over some of the block's turns, shape (bins, rows, 3)."""
    n = len(turns)
    found = np.empty((len(bins), block.screen.rows, 3), dtype=np.uint8)
    for part in np.array_split(np.arange(len(bins)), max(len(bins) * n * block.screen.rows // 2_000_000, 1)):
        turn, which = np.divmod(np.arange(n * len(part)), max(len(part), 1))
        stack = block.colours(turns[turn], bins[part][which]).reshape(n, len(part), block.screen.rows, 3)
        found[part] = np.partition(stack, (n - 1) // 2, axis=0)[(n - 1) // 2]
    return found


def view_incident(
    screen: Screen, changes: Changes, revolution: int, unusual: Iterable[int] = (), until: int | None = None
) -> IncidentView:
    """The picture of turn `revolution` beside the median of the nearest USUAL_TURNS turns not in `unusual`.

    `until` is the last turn that the event touched: of the turns from `revolution` to it, the one that changed most is
    shown. Raises IndexError for a turn that is not there.
    """
    if not 0 <= revolution < screen.turns:
        raise IndexError(f"no turn {revolution}; there are {screen.turns}")
    changed = changes.light
    last = min(max(until if until is not None else revolution, revolution), screen.turns - 1)
    shown = revolution + int(np.argmax(changed[revolution : last + 1]))
    usual = usual_image(screen, _ordinary_turns(screen, shown, {*unusual, shown}))
    seen = lay_out(screen, shown, shown + 1).images()[0]
    difference = light(seen) - light(usual)
    span = _turns_in(screen, INTEGRATION_S, shown)
    begin = min(revolution, max(screen.turns - span, 0))
    summed = light(lay_out(screen, begin, begin + span).images()).mean(axis=0)
    summed_usual = light(usual)
    out = np.flatnonzero(changed[revolution : last + 1] > changes.threshold) + revolution
    lasting = float(np.diff(screen.turn_ticks)[out].sum() * screen.tick_s)
    return IncidentView(
        revolution=shown,
        usual=usual,
        seen=seen,
        difference=difference,
        summed_usual=usual,
        summed_seen=np.asarray(np.rint(summed * 255), dtype=np.uint8),
        summed_turns=min(span, screen.turns - begin),
        changed_area=float(((np.abs(difference).max(axis=2) > _noticed(summed_usual)) @ screen.weights).mean()),
        changed_light=_changed_light(difference, light(usual), screen.weights),
        summed_change=_changed_light(summed - summed_usual, summed_usual, screen.weights),
        sector_deg=_worst_sector(screen, difference),
        lasting_turns=int(out.size),
        lasting_s=lasting,
    )


def _changed_light(difference: Floats, usual: Floats, weights: Floats) -> float:
    """Light too much or too little over the usual light; 1 where the usual picture is dark and the seen one is not."""
    wrong = float((np.abs(difference).mean(axis=2) @ weights).sum())
    total = float((usual.mean(axis=2) @ weights).sum())
    return wrong / total if total > 0 else float(wrong > 0)


def _ordinary_turns(screen: Screen, around: int, unusual: set[int]) -> Indices:
    others = np.array([turn for turn in range(screen.turns) if turn not in unusual], dtype=np.int64)
    if not others.size:
        others = np.array([turn for turn in range(screen.turns) if turn != around] or [around], dtype=np.int64)
    nearest = np.argsort(np.abs(others - around), kind="stable")[:USUAL_TURNS]
    return np.sort(others[nearest])


def _turns_in(screen: Screen, seconds: float, turn: int) -> int:
    length = float(screen.turn_ticks[turn + 1] - screen.turn_ticks[turn]) * screen.tick_s
    return max(1, round(seconds / length))


def _worst_sector(screen: Screen, difference: Floats) -> tuple[float, float] | None:
    """Angles (from, to) of the run of bins around the greatest change that changed at least a tenth as much."""
    change = np.abs(difference).mean(axis=2) @ screen.weights
    peak = int(np.argmax(change))
    if change[peak] <= 0:
        return None
    above = change >= _SECTOR_EDGE * change[peak]
    width = FULL_TURN / screen.bins
    if above.all():
        return 0.0, FULL_TURN
    first = last = peak
    while above[(first - 1) % screen.bins]:
        first -= 1
    while above[(last + 1) % screen.bins]:
        last += 1
    begin = (screen.angles_deg[0] - width / 2 + first * width) % FULL_TURN
    return float(begin), float(begin + (last - first + 1) * width)
