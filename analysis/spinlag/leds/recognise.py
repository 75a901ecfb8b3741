"""Which LED part a one-wire line may be meant for, by its timing alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spinlag.leds.parts import Part, Window, parts
from spinlag.leds.updates import Tally

_WEIGHTS = {"t0h": 3.0, "t1h": 3.0, "bit_period": 2.0, "t0l": 1.0, "t1l": 1.0, "low_between_updates": 0.5}
"""High times decide a bit; lows are stretched by firmware, and a wait too short is a fault rather than another part."""

_SHORT = {
    "t0h": "T0H",
    "t1h": "T1H",
    "t0l": "T0L",
    "t1l": "T1L",
    "bit_period": "bit period",
    "low_between_updates": "low between updates",
}


@dataclass(frozen=True)
class RankedPart:
    """One part's claim on a line: `score` from 0 to 1, whether every mean bit time `fits` its sheet, and why."""

    part: Part
    score: float
    fits: bool
    reasons: tuple[str, ...]


def rank_parts(
    timing: Mapping[str, Tally], *, slack_s: float = 0.0, bits: int | None = None, among: Sequence[Part] | None = None
) -> tuple[RankedPart, ...]:
    """One-wire parts by how well a line's intervals agree with their sheets, the best first.

    `timing` is that of ChainUpdates, `slack_s` the largest error of a mean, `bits` the length of a usual update (a part
    whose LEDs it does not divide is out). Parts without published bit times are left out. Several may fit: sheets
    overlap, so a first place alone says little.
    """
    ranked = [
        _claim(part, timing, slack_s)
        for part in (parts() if among is None else among)
        if part.wiring == "one-wire"
        and "t0h" in part.windows
        and "t1h" in part.windows
        and (not bits or bits % part.bits_per_led == 0)
    ]
    return tuple(sorted(ranked, key=lambda claim: (-claim.fits, -claim.score, claim.part.mark != "verified")))


def fit_sentence(ranked: Sequence[RankedPart]) -> str:
    """What the ranking allows to be said about the part, in one sentence."""
    fitting = [claim.part.name for claim in ranked if claim.fits]
    if not ranked:
        return "no part could be compared with the line's timing"
    if not fitting:
        best = ranked[0]
        return f"no part's sheet holds all the bit times; nearest is {best.part.name} ({'; '.join(best.reasons)})"
    if len(fitting) == 1:
        return f"the bit times fit the sheet of {fitting[0]} alone"
    said = ", ".join(fitting[:6]) + (f" and {len(fitting) - 6} more" if len(fitting) > 6 else "")
    return f"the bit times fit {len(fitting)} sheets and cannot tell between them: {said}"


def _claim(part: Part, timing: Mapping[str, Tally], slack_s: float) -> RankedPart:
    reasons: list[str] = []
    score = total = 0.0
    fits = True
    seen = False
    for name, weight in _WEIGHTS.items():
        tally, window = timing.get(name), part.windows.get(name)
        if tally is None or window is None or tally.statistics.mean is None:
            continue
        value = tally.statistics.mean
        if name == "low_between_updates":
            value = tally.statistics.min if tally.statistics.min is not None else value
        inside = window.holds(value, slack_s)
        total += weight
        score += weight * (0.8 + 0.2 * _centred(value, window) if inside else 0.0)
        if name != "low_between_updates":
            seen = True
            fits = fits and inside
        if not inside:
            reasons.append(f"{_SHORT[name]} of {value * 1e9:.4g} ns lies outside {window}")
    if seen and not reasons:
        reasons.append("every interval seen lies inside the sheet")
    return RankedPart(part, score / total if total else 0.0, fits and seen, tuple(reasons))


def _centred(value: float, window: Window) -> float:
    """1 in the middle of a window, 0 at its edge; 0.5 in one that is open on a side."""
    if window.low_s is None or window.high_s is None:
        return 0.5
    half = (window.high_s - window.low_s) / 2
    return max(0.0, 1.0 - abs(value - (window.low_s + half)) / half) if half > 0 else 0.0
