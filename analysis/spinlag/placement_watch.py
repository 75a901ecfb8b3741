"""Departures in placement: updates late, missing or doubled, and turns drawn at a wrong rate."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spinlag.capture import Capture
from spinlag.columns import Matching, firmware_bounds
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.placed import PlacedUpdates, rows_of_turns
from spinlag.rotation import Rotation
from spinlag.rotation.noise import centre_and_sigma

Floats = NDArray[np.float64]

ROBUST_SIGMAS = 8.0
"""Ordinary jitter stays inside this many robust standard deviations even in an hour of columns."""

FAIR_SHARE = 0.2
"""With so large a share of its turns drawn at the shaft's own rate, a capture's other turns are departures."""

LEAST_SLOT_SHARE = 0.1
"""No update is called late for less than this share of a column slot: nobody sees it."""


def watch_placement(
    capture: Capture,
    rotation: Rotation,
    chain: ChainUpdates,
    places: PlacedUpdates,
    turns: pd.DataFrame,
    matching: Matching,
    columns: int,
    expected: NDArray[np.int64],
) -> tuple[Observation, ...]:
    """Observations of kinds `update-late`, `update-missing`, `update-repeated` and `column-rate`, in order of time.

    `expected`: the columns that every turn should show.
    """
    scene = _Scene(capture, rotation, chain, places, turns, matching, columns, expected)
    found = [*_late(scene), *_missing(scene), *_repeated(scene), *_rates(scene)]
    return tuple(sorted(found, key=lambda observation: observation.tick))


class _Scene:
    """The tables as plain arrays, so that each rule below reads like its sentence."""

    def __init__(
        self,
        capture: Capture,
        rotation: Rotation,
        chain: ChainUpdates,
        places: PlacedUpdates,
        turns: pd.DataFrame,
        matching: Matching,
        columns: int,
        expected: NDArray[np.int64],
    ) -> None:
        self.chain = chain
        self.columns = columns
        self.expected = expected
        self.tick_s = float(capture.tick)
        self.sample_s = capture.sample_period_s
        self.turn = places.revolution
        self.column = places.column
        self.residue = places.residue_deg
        self.lacking = turns["missing"].to_numpy()
        self.rate = turns["scale"].to_numpy()
        self.spacing = matching.spacing
        self.response = matching.response
        self.bounds = firmware_bounds(rotation)
        self.period = np.diff(rotation.turn_ticks)
        self.first, self.after = rows_of_turns(self.turn, len(self.period))

    def observe(self, kind: str, tick: float, turn: int, detail: str, **evidence: object) -> Observation:
        """An Observation on this chain's line."""
        return Observation(
            kind=kind,  # type: ignore[arg-type]
            tick=round(tick),
            channel=self.chain.channel,
            detail=detail,
            revolution=turn,
            chain=self.chain.name,
            **evidence,  # type: ignore[arg-type]
        )


def _late(scene: _Scene) -> Iterator[Observation]:
    """Updates later than their turn's grid, and turns whose first update comes late; one for each run of them."""
    slot_deg = 360.0 / scene.columns
    _, sigma = centre_and_sigma(scene.residue)
    sample_deg = 360.0 * scene.sample_s / (float(np.median(scene.period)) * scene.tick_s)
    threshold = max(ROBUST_SIGMAS * sigma, LEAST_SLOT_SHARE * slot_deg, 5 * sample_deg)
    late = np.flatnonzero(np.nan_to_num(scene.residue) > threshold)
    openings = late[np.diff(late, prepend=-2) > 1]
    why = f"more than {threshold:.3g}° behind the turn's grid ({_why(ROBUST_SIGMAS * sigma, threshold, 'residue')})"
    told: set[int] = set()
    for update in openings:
        turn = int(scene.turn[update])
        behind_s = scene.residue[update] / 360.0 * scene.period[turn] * scene.tick_s
        told.add(int(update))
        yield scene.observe(
            "update-late",
            scene.chain.start[update],
            turn,
            f"column {scene.column[update]} came {behind_s * 1e6:.1f} µs ({scene.residue[update]:.2f}°) late",
            expected=0.0,
            observed=float(behind_s),
            unit="s",
            threshold=why,
            update=int(update),
        )
    yield from _late_turns(scene, told)


def _late_turns(scene: _Scene, told: set[int]) -> Iterator[Observation]:
    some = np.flatnonzero(scene.after > scene.first)
    lead = scene.first[some]
    whole_turn = scene.column[lead] == 0
    some, lead = some[whole_turn], lead[whole_turn]
    response = (scene.chain.start[lead] - scene.bounds[some]).astype(np.float64)
    centre, sigma = centre_and_sigma(response)
    slot = float(np.median(scene.period)) / scene.columns
    threshold = max(ROBUST_SIGMAS * sigma, LEAST_SLOT_SHARE * slot, 5 * scene.sample_s / scene.tick_s)
    why = _why(ROBUST_SIGMAS * sigma, threshold, "response")
    for turn, update, ticks in zip(some, lead, response, strict=True):
        if ticks - centre <= threshold or int(update) in told:
            continue
        extra_s = (ticks - centre) * scene.tick_s
        yield scene.observe(
            "update-late",
            scene.chain.start[update],
            int(turn),
            f"the first update of the turn came {extra_s * 1e6:.1f} µs later after the index edge than usual",
            expected=float(centre * scene.tick_s),
            observed=float(ticks * scene.tick_s),
            unit="s",
            threshold=f"more than {threshold * scene.tick_s * 1e6:.3g} µs over the median response ({why})",
            update=int(update),
        )


def _why(statistical: float, threshold: float, what: str) -> str:
    if threshold == statistical:
        return f"{ROBUST_SIGMAS:g} robust standard deviations of the capture's own {what}"
    return f"floor of {LEAST_SLOT_SHARE:g} column slot or 5 samples; the capture's own {what} varies less"


def _missing(scene: _Scene) -> Iterator[Observation]:
    """Runs of columns that no update filled although their turn lasted long enough for them."""
    usual = float(np.nanmedian(scene.spacing)) if np.isfinite(scene.spacing).any() else np.nan
    for turn in np.flatnonzero(scene.lacking > 0).tolist():
        first, after = int(scene.first[turn]), int(scene.after[turn])
        if after == first:
            yield scene.observe(
                "update-missing",
                scene.bounds[turn],
                turn,
                "no update in the whole revolution",
                expected=float(scene.columns),
                observed=0.0,
                unit="updates",
                threshold="columns of the display",
            )
            continue
        shown = np.unique(scene.column[first:after])
        lacking = np.setdiff1d(scene.expected, shown, assume_unique=True)
        if not lacking.size:
            continue
        step = scene.spacing[turn] if np.isfinite(scene.spacing[turn]) else usual
        origin = scene.chain.start[first] - scene.column[first] * step
        # a column whose instant lies past the next index edge was cut off by the edge, not lost
        lacking = lacking[origin + lacking * step < scene.bounds[turn + 1] - 0.5 * step]
        for run in np.split(lacking, np.flatnonzero(np.diff(lacking) > 1) + 1):
            if run.size:
                yield scene.observe(
                    "update-missing",
                    origin + run[0] * step,
                    turn,
                    f"column {run[0]} was not sent"
                    if run.size == 1
                    else f"columns {run[0]} to {run[-1]} were not sent",
                    expected=float(scene.columns),
                    observed=float(shown.size),
                    unit="updates",
                    threshold="columns of the display, on the grid of the turn's own updates",
                )


def _repeated(scene: _Scene) -> Iterator[Observation]:
    if len(scene.turn) < 2:
        return
    same = (scene.turn[1:] >= 0) & (scene.turn[1:] == scene.turn[:-1]) & (scene.column[1:] == scene.column[:-1])
    for update in np.flatnonzero(same) + 1:
        turn = int(scene.turn[update])
        gap_s = (scene.chain.start[update] - scene.chain.start[update - 1]) * scene.tick_s
        yield scene.observe(
            "update-repeated",
            scene.chain.start[update],
            turn,
            f"column {scene.column[update]} was sent twice, {gap_s * 1e6:.1f} µs apart",
            expected=float(scene.spacing[turn] * scene.tick_s) if np.isfinite(scene.spacing[turn]) else None,
            observed=float(gap_s),
            unit="s",
            threshold="two updates in one column slot",
            update=int(update),
        )


def _rates(scene: _Scene) -> Iterator[Observation]:
    """Turns whose columns were spaced for another speed than the shaft's.

    Where a fair share of the turns is drawn right, those are the usual ones: a fault that the firmware carries along
    for most of a capture does not make itself the rule.
    """
    floor = 0.5 / scene.columns
    right = scene.rate[np.abs(np.nan_to_num(scene.rate, nan=np.inf)) <= floor]
    known = int(np.isfinite(scene.rate).sum())
    centre, sigma = centre_and_sigma(right if right.size >= FAIR_SHARE * max(known, 1) else scene.rate)
    threshold = max(ROBUST_SIGMAS * sigma, floor)
    for turn in np.flatnonzero(np.abs(np.nan_to_num(scene.rate, nan=centre) - centre) > threshold):
        share = float(scene.rate[turn] - centre)
        yield scene.observe(
            "column-rate",
            scene.chain.start[scene.first[turn]],
            int(turn),
            f"columns were spaced {100 * abs(share):.1f} % too {'wide' if share > 0 else 'narrow'} for the turn",
            expected=float(centre),
            observed=float(scene.rate[turn]),
            unit="1",
            threshold=f"{threshold:.3g} from the usual ({ROBUST_SIGMAS:g} robust standard deviations of the capture's "
            f"own turns, at least half a slot over the turn)",
            update=int(scene.first[turn]),
        )
