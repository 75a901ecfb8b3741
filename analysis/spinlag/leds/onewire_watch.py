"""Departures on a one-wire line: bits and pauses that are not as this line's usually are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.onewire_learn import GLITCH_S, HARMLESS_LOW_S, Habits
from spinlag.leds.onewire_scan import Scan
from spinlag.leds.parts import Part
from spinlag.leds.watch import MOST_OF_A_KIND, Listing, Traffic, lengths, silences
from spinlag.observations import Observation, told_in

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_MOST_SLICES = 400
_COMMON_SHARE = 0.1
_RARE = 1e-3


@dataclass(frozen=True, eq=False)
class Scene:
    """What the rules below look at: the line as scanned, its updates, and the parts to hold its bits against."""

    traffic: Traffic
    scan: Scan
    habits: Habits
    parts: Sequence[Part]


def watch_one_wire(scene: Scene) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Observations on one chain in order of time, and notes on what is not listed one by one."""
    listing = Listing()
    _glitches(scene, listing)
    _bits(scene, listing)
    _pauses(scene, listing)
    lengths(scene.traffic, listing)
    silences(scene.traffic, listing)
    return listing.done()


def _glitches(scene: Scene, listing: Listing) -> None:
    kept, tick_s = scene.scan.glitches, scene.traffic.clock.tick_s
    least = scene.habits.glitch * tick_s
    found = [
        scene.traffic.observe(
            "data-bit-time",
            at,
            f"a pulse of {ticks * tick_s * 1e9:.3g} ns, too short to be a bit; it is not counted as one",
            scene.traffic.update_at(at),
            expected=least,
            observed=ticks * tick_s,
            unit="s",
            threshold=f"shorter than {least * 1e9:.3g} ns (shortest pulse measured to count as a bit: "
            f"{GLITCH_S * 1e9:.3g} ns)",
        )
        for at, ticks in zip(kept.at[:MOST_OF_A_KIND], kept.ticks[:MOST_OF_A_KIND], strict=True)
    ]
    listing.take("data-bit-time", found, kept.count)


@dataclass(frozen=True)
class _Bounds:
    """What is usual for one interval (ticks), and beyond which lengths it departs."""

    name: str
    usual: float
    low: float
    high: float
    why: str


def _bounds(scene: Scene, name: str, separation: float) -> _Bounds | None:
    """Usual length and bounds of one interval: far outside this line's own spread, or clearly beyond every sheet."""
    lengths, counts = scene.scan.gathered[name].lengths()
    n = int(counts.sum())
    if n == 0:
        return None
    upto = np.cumsum(counts)
    usual = float(lengths[np.searchsorted(upto, (n + 1) // 2)])
    rare = max(2, int(_RARE * n))
    ordinary = lengths[np.searchsorted(upto, min(rare + 1, n))], lengths[np.searchsorted(upto, max(n - rare, 1))]
    slack = scene.traffic.clock.slack_ticks
    below = max(1.8 * (usual - ordinary[0]) + slack, 2 * slack, 0.15 * separation)
    above = max(1.8 * (ordinary[1] - usual) + slack, 2 * slack, 0.15 * separation)
    low, high = usual - below, usual + above
    why = f"this line's usual {usual * scene.traffic.clock.tick_s * 1e9:.4g} ns and its spread"
    windows = [part.windows[name] for part in scene.parts if name in part.windows]
    if windows and len(windows) == len(scene.parts):
        per_s = 1 / scene.traffic.clock.tick_s
        least = min(w.low_s * per_s if w.low_s is not None else -np.inf for w in windows)
        most = max(w.high_s * per_s if w.high_s is not None else np.inf for w in windows)
        low, high = max(low, min(least, usual - 2 * slack)), min(high, max(most, usual + 2 * slack))
        why += f", or the sheet of {scene.parts[0].name}"
    return _Bounds(name, usual, low, high, why)


def _bits(scene: Scene, listing: Listing) -> None:
    """Single bits whose high time, or too short a low, stands out."""
    zero, one = scene.habits.zero, scene.habits.one
    separation = one - zero if zero is not None and one is not None else 0.3 * scene.habits.period
    bounds = {name: _bounds(scene, name, separation) for name in ("t0h", "t1h", "t0l", "t1l")}
    suspects = [k for k, record in enumerate(scene.scan.slices) if _stands_out(record.outer, bounds, scene.scan.shift)]
    found: list[Observation] = []
    count = 0
    for k in suspects[:_MOST_SLICES]:
        more = _bits_of_slice(scene, k, bounds)
        count += len(more)
        found += more[: max(MOST_OF_A_KIND - len(found), 0)]
    read = min(len(suspects), _MOST_SLICES)
    share = read / max(len(scene.scan.slices), 1)
    if count > 20 and count > _COMMON_SHARE * share * len(scene.traffic.start):
        listing.notes.append(
            f"bits far from the line's usual times are common here ({count} stretches of them in {share:.0%} of the "
            "line), so they are its habit and not listed one by one"
        )
        return
    if len(suspects) > read:
        listing.notes.append(f"odd bits were looked for in the first {read} of {len(suspects)} pieces that hold some")
    listing.take("data-bit-time", found, count)


def _stands_out(outer: Ints, bounds: dict[str, _Bounds | None], shift: int) -> bool:
    for row, name in enumerate(("t0h", "t1h", "t0l", "t1l")):
        bound = bounds[name]
        low, high = (int(side) for side in outer[row])
        if bound is None or low < 0:
            continue
        if (low << shift) < bound.low or (row < 2 and ((high + 1) << shift) > bound.high):
            return True
    return False


def _bits_of_slice(scene: Scene, index: int, bounds: dict[str, _Bounds | None]) -> list[Observation]:
    edges = scene.scan.read(index)
    rises, falls = edges[0::2], edges[1::2]
    high = falls - rises[: len(falls)]
    low = rises[1:] - falls[: len(rises) - 1]
    one = high > scene.scan.threshold
    n = len(low)
    odd = np.zeros(len(high), dtype=bool)
    for name, mask in (("t0h", ~one), ("t1h", one)):
        if (bound := bounds[name]) is not None:
            odd |= mask & ((high < bound.low) | (high > bound.high))
    short = np.zeros(len(high), dtype=bool)
    for name, mask in (("t0l", ~one[:n]), ("t1l", one[:n])):
        if (bound := bounds[name]) is not None:
            short[:n] |= mask & (low < bound.low)
    short &= ~odd
    where = np.flatnonzero(odd | short)
    owner = np.searchsorted(scene.traffic.start, rises[where], side="right") - 1
    fresh = np.flatnonzero(np.diff(owner, prepend=-2) != 0)
    found = []
    for k, begin in enumerate(fresh):
        several = where[begin : fresh[k + 1] if k + 1 < len(fresh) else len(where)]
        at = int(several[0])
        is_high = bool(odd[at])
        name = f"t{int(one[at])}{'h' if is_high else 'l'}"
        bound = bounds[name]
        if bound is None or not _judged(scene, int(owner[begin])):
            continue
        ticks = int(high[at] if is_high else low[at])
        spans = [
            (f"t{int(one[i])}{'h' if odd[i] else 'l'}", int(high[i] if odd[i] else low[i])) for i in several.tolist()
        ]
        found.append(_bit(scene, rises, at, spans, int(owner[begin]), bound, ticks))
    return found


def _judged(scene: Scene, update: int) -> bool:
    return update >= 0 and bool(scene.traffic.whole[update])


def _bit(
    scene: Scene,
    rises: Ticks,
    at: int,
    spans: Sequence[tuple[str, int]],
    update: int,
    bound: _Bounds,
    ticks: int,
) -> Observation:
    """One observation for the bits of one update that stand out, `spans` (timing name, ticks), the first at `at`."""
    tick_s = scene.traffic.clock.tick_s
    value = ticks * tick_s
    first = int(np.searchsorted(rises, scene.traffic.start[update]))
    where = ""
    if first < len(rises) and rises[first] == scene.traffic.start[update]:
        led, bit = divmod(at - first, scene.traffic.bits_per_led)
        where = f"bit {bit} of LED {led}: "
    what = f"{'high' if bound.name.endswith('h') else 'low'} time of a {bound.name[1]}"
    more = f", and {len(spans) - 1} more bits of this update stand out" if len(spans) > 1 else ""
    return scene.traffic.observe(
        "data-bit-time",
        int(rises[at]),
        f"{where}{what} is {told_in(value, 'ns')}, usually {bound.usual * tick_s * 1e9:.4g} ns{more}; "
        f"{_grade(scene, spans)}",
        update,
        expected=bound.usual * tick_s,
        observed=value,
        unit="s",
        threshold=f"{bound.low * tick_s * 1e9:.4g} to {bound.high * tick_s * 1e9:.4g} ns, from {bound.why}",
    )


def _grade(scene: Scene, spans: Sequence[tuple[str, int]]) -> str:
    """What the sheets say to the worst of the bits."""
    tick_s = scene.traffic.clock.tick_s
    known = [(name, ticks) for name, ticks in dict.fromkeys(spans) if _sheets(scene, name)]
    if not known:
        return "no sheet to hold it against"
    _, words = max((_grade_of(scene, name, ticks * tick_s) for name, ticks in known), key=lambda graded: graded[0])
    return words


def _sheets(scene: Scene, name: str) -> list[Part]:
    return [part for part in scene.parts if name in part.windows or name in part.measured]


def _grade_of(scene: Scene, name: str, value_s: float) -> tuple[int, str]:
    """How bad one interval is (0 to 4), and in words."""
    parts = _sheets(scene, name)
    slack = scene.traffic.clock.slack_ticks * scene.traffic.clock.tick_s
    grades = {part.grade(name, value_s, slack) for part in parts}
    if grades == {"sheet"}:
        if all(part.grade(name, value_s, 0.0) == "sheet" for part in parts):
            return 0, f"still inside the sheet of {parts[0].name}"
        return 1, f"too near the limit of {parts[0].name} for this sample rate to tell"
    if grades == {"outside"}:
        measured = any(name in part.measured for part in parts)
        return 4, "outside the sheet" + (" and outside what the family was measured to accept" if measured else "")
    if "sheet" in grades:
        return 2, "inside some of the part's sheets only"
    return 3, "outside the sheet, inside what the family was measured to accept"


def _pauses(scene: Scene, listing: Listing) -> None:
    """Lows inside updates that are long enough for some parts to latch."""
    kept, tick_s = scene.scan.pauses, scene.traffic.clock.tick_s
    last = scene.scan.joined
    at, ticks = [*kept.at, *last.at], [*kept.ticks, *last.ticks]
    count = kept.count + last.count
    if not count:
        return
    latch = min((part.latch_s for part in scene.parts if part.latch_s is not None), default=None)
    least = f"{HARMLESS_LOW_S * 1e6:g} µs, from which some parts were measured to latch"
    threshold = f"longer than {least}" + ("" if latch is None else f"; the sheet's latch time is {latch * 1e6:g} µs")
    found = [
        scene.traffic.observe(
            "data-pause",
            tick,
            f"the line rested for {length * tick_s * 1e6:.4g} µs inside an update: some parts latch there and show the "
            "rest on the first LEDs",
            scene.traffic.update_at(tick),
            expected=HARMLESS_LOW_S,
            observed=length * tick_s,
            unit="s",
            threshold=threshold,
        )
        for tick, length in sorted(zip(at, ticks, strict=True))
    ]
    if count > 20 and count > _COMMON_SHARE * len(scene.traffic.start):
        found = found[:1]
        listing.notes.append(
            f"pauses of more than {HARMLESS_LOW_S * 1e6:g} µs inside updates are this line's habit ({count} of them); "
            "only the first is listed"
        )
        count = 1
    listing.take("data-pause", found, count)
