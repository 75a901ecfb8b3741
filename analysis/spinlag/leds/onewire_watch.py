"""Departures on a one-wire line: bits, updates and pauses that are not as this line's usually are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.onewire_learn import GLITCH_S, HARMLESS_LOW_S, Habits
from spinlag.leds.onewire_scan import Scan
from spinlag.leds.onewire_updates import Updates
from spinlag.leds.parts import Part
from spinlag.leds.tally import Clock
from spinlag.observations import Kind, Observation

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_OF_A_KIND = 200
"""Observations of one kind listed one by one; the rest are counted in a note."""

_MOST_SLICES = 400
_COMMON_SHARE = 0.1
_RARE = 1e-3


@dataclass(frozen=True, eq=False)
class Scene:
    """What the rules below look at. `expected` bits per update are None where the line has no usual length."""

    name: str
    channel: str
    scan: Scan
    habits: Habits
    updates: Updates
    whole: Bools
    expected: int | None
    bits_per_led: int
    parts: Sequence[Part]
    clock: Clock
    known_to: int

    def observe(self, kind: Kind, tick: int, detail: str, update: int | None, **evidence: object) -> Observation:
        """An Observation on this chain's line."""
        return Observation(
            kind=kind,
            tick=int(tick),
            channel=self.channel,
            detail=detail,
            chain=self.name,
            update=None if update is None or update < 0 else int(update),
            **evidence,  # type: ignore[arg-type]
        )

    def update_at(self, tick: int) -> int:
        """Index of the update under way at `tick`, or the one before; -1 before the first."""
        return int(np.searchsorted(self.updates.start, tick, side="right")) - 1


class Listing:
    """Observations of one kind, listed up to MOST_OF_A_KIND and counted beyond."""

    def __init__(self) -> None:
        self.listed: list[Observation] = []
        self.notes: list[str] = []

    def take(self, kind: Kind, found: Sequence[Observation], count: int) -> None:
        """List what was found of one kind, out of `count` that there are."""
        self.listed += found[:MOST_OF_A_KIND]
        unlisted = count - min(len(found), MOST_OF_A_KIND)
        if unlisted > 0:
            self.notes.append(f"{kind}: {count} in all, of which the first {count - unlisted} are listed")


def watch(scene: Scene) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Observations on one chain in order of time, and notes on what is not listed one by one."""
    listing = Listing()
    _glitches(scene, listing)
    _bits(scene, listing)
    _pauses(scene, listing)
    _lengths(scene, listing)
    _silences(scene, listing)
    return tuple(sorted(listing.listed, key=lambda item: item.tick)), tuple(listing.notes)


def _glitches(scene: Scene, listing: Listing) -> None:
    kept, tick_s = scene.scan.glitches, scene.clock.tick_s
    least = scene.habits.glitch * tick_s
    found = [
        scene.observe(
            "data-bit-time",
            at,
            f"a pulse of {ticks * tick_s * 1e9:.3g} ns, too short to be a bit; it is not counted as one",
            scene.update_at(at),
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
    slack = scene.clock.slack_ticks
    below = max(1.8 * (usual - ordinary[0]) + slack, 2 * slack, 0.15 * separation)
    above = max(1.8 * (ordinary[1] - usual) + slack, 2 * slack, 0.15 * separation)
    low, high = usual - below, usual + above
    why = f"this line's usual {usual * scene.clock.tick_s * 1e9:.4g} ns and its spread"
    windows = [part.windows[name] for part in scene.parts if name in part.windows]
    if windows and len(windows) == len(scene.parts):
        per_s = 1 / scene.clock.tick_s
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
    if count > 20 and count > _COMMON_SHARE * share * len(scene.updates.start):
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
    owner = np.searchsorted(scene.updates.start, rises[where], side="right") - 1
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
        found.append(_bit(scene, rises, at, len(several), int(owner[begin]), bound, ticks))
    return found


def _judged(scene: Scene, update: int) -> bool:
    return update >= 0 and bool(scene.whole[update])


def _bit(scene: Scene, rises: Ticks, at: int, several: int, update: int, bound: _Bounds, ticks: int) -> Observation:
    tick_s = scene.clock.tick_s
    value = ticks * tick_s
    first = int(np.searchsorted(rises, scene.updates.start[update]))
    where = ""
    if first < len(rises) and rises[first] == scene.updates.start[update]:
        led, bit = divmod(at - first, scene.bits_per_led)
        where = f"bit {bit} of LED {led}: "
    what = f"{'high' if bound.name.endswith('h') else 'low'} time of a {bound.name[1]}"
    more = f", and {several - 1} more bits of this update stand out" if several > 1 else ""
    return scene.observe(
        "data-bit-time",
        int(rises[at]),
        f"{where}{what} is {value * 1e9:.4g} ns, usually {bound.usual * tick_s * 1e9:.4g} ns{more}; "
        f"{_grade(scene, bound.name, value)}",
        update,
        expected=bound.usual * tick_s,
        observed=value,
        unit="s",
        threshold=f"{bound.low * tick_s * 1e9:.4g} to {bound.high * tick_s * 1e9:.4g} ns, from {bound.why}",
    )


def _grade(scene: Scene, name: str, value_s: float) -> str:
    parts = [part for part in scene.parts if name in part.windows or name in part.measured]
    if not parts:
        return "no sheet to hold it against"
    slack = scene.clock.slack_ticks * scene.clock.tick_s
    grades = {part.grade(name, value_s, slack) for part in parts}
    if grades == {"sheet"}:
        return f"still inside the sheet of {parts[0].name}"
    if grades == {"outside"}:
        known = any(name in part.measured for part in parts)
        return "outside the sheet" + (" and outside what the family was measured to accept" if known else "")
    if "sheet" in grades:
        return "inside some of the part's sheets only"
    return "outside the sheet, inside what the family was measured to accept"


def _pauses(scene: Scene, listing: Listing) -> None:
    """Lows inside updates that are long enough for some parts to latch."""
    kept, tick_s = scene.scan.pauses, scene.clock.tick_s
    last = scene.scan.joined
    at, ticks = [*kept.at, *last.at], [*kept.ticks, *last.ticks]
    count = kept.count + last.count
    if not count:
        return
    latch = min((part.latch_s for part in scene.parts if part.latch_s is not None), default=None)
    least = f"{HARMLESS_LOW_S * 1e6:g} us, from which some parts were measured to latch"
    threshold = f"longer than {least}" + ("" if latch is None else f"; the sheet's latch time is {latch * 1e6:g} us")
    found = [
        scene.observe(
            "data-pause",
            tick,
            f"the line rested for {length * tick_s * 1e6:.4g} us inside an update: some parts latch there and show the "
            "rest on the first LEDs",
            scene.update_at(tick),
            expected=HARMLESS_LOW_S,
            observed=length * tick_s,
            unit="s",
            threshold=threshold,
        )
        for tick, length in sorted(zip(at, ticks, strict=True))
    ]
    if count > 20 and count > _COMMON_SHARE * len(scene.updates.start):
        found = found[:1]
        listing.notes.append(
            f"pauses of more than {HARMLESS_LOW_S * 1e6:g} us inside updates are this line's habit ({count} of them); "
            "only the first is listed"
        )
        count = 1
    listing.take("data-pause", found, count)


def _lengths(scene: Scene, listing: Listing) -> None:
    """Updates with fewer or more bits than the chain takes, and updates too many."""
    bits, whole = scene.updates.bits, scene.whole
    usual, note = _usual_bits(scene)
    if note:
        listing.notes.append(note)
    per_led = scene.bits_per_led
    wrong = bits % per_led != 0 if usual is None else bits != usual
    odd = np.flatnonzero(whole & wrong)
    extra = _extras(scene, odd)
    sizes: dict[Kind, list[Observation]] = {"data-truncated": [], "data-overlong": [], "data-extra": []}
    counts: dict[Kind, int] = dict.fromkeys(sizes, 0)
    for update in np.union1d(odd, extra).tolist():
        kind = _length_kind(int(bits[update]), usual, update in extra)
        counts[kind] += 1
        if len(sizes[kind]) < MOST_OF_A_KIND:
            sizes[kind].append(_length(scene, kind, update, usual))
    for kind, found in sizes.items():
        listing.take(kind, found, counts[kind])
    if usual is not None and scene.expected is not None and usual != scene.expected:
        kind = "data-truncated" if usual < scene.expected else "data-overlong"
        first = int(np.argmax(whole & (bits == usual)))
        listing.take(kind, [_length(scene, kind, first, scene.expected)], 1)


def _usual_bits(scene: Scene) -> tuple[int | None, str]:
    """The length that most updates have, and a note where that is not the chain's, or where there is none."""
    bits = scene.updates.bits[scene.whole]
    if not bits.size:
        return None, ""
    values, counts = np.unique(bits, return_counts=True)
    commonest, share = int(values[np.argmax(counts)]), float(counts.max() / bits.size)
    per_led = scene.bits_per_led
    if scene.expected is not None:
        if commonest == scene.expected or share < 0.5 or bits.size < 3:
            return scene.expected, ""
        return commonest, (
            f"the chain takes {scene.expected // per_led} LEDs, but {share:.0%} of its {bits.size} updates carry "
            f"{commonest / per_led:g}: the rig's count or the firmware is wrong"
        )
    if share >= 0.9 and bits.size >= 10 and commonest % per_led == 0:
        return commonest, ""
    if len(values) > 1:
        return None, f"updates vary in length ({values.min()} to {values.max()} bits), and the rig gives no count"
    return None, ""


def _length_kind(bits: int, usual: int | None, extra: bool) -> Kind:
    if extra:
        return "data-extra"
    return "data-overlong" if usual is not None and bits > usual else "data-truncated"


def _length(scene: Scene, kind: Kind, update: int, usual: int | None) -> Observation:
    bits, per_led = int(scene.updates.bits[update]), scene.bits_per_led
    leds, left = divmod(bits, per_led)
    carried = f"{leds} LEDs" + (f" and {left} bits" if left else "")
    if kind == "data-extra":
        detail = f"an update of {carried} between two that kept their pace"
        tick, threshold = scene.updates.start[update], "the pace of the updates around it"
    else:
        full = "" if usual is None else f" instead of {usual // per_led}"
        detail = f"the update carries {carried}{full}" + ("; the last bits fill no LED" if left else "")
        tick = scene.updates.last[update]
        threshold = "whole LEDs" if usual is None else "the rig's count" if scene.expected else "the commonest length"
    return scene.observe(
        kind,
        tick,
        detail,
        update,
        expected=None if usual is None else float(usual),
        observed=float(bits),
        unit="bits",
        threshold=threshold,
    )


def _extras(scene: Scene, odd: Ints) -> Ints:
    """Which of the updates of unusual length are updates too many: three intervals where the pace leaves room for two.

    One of the usual length too many cannot be told here from a column sent twice or early; placement sees those. What
    recurs with every turn (the same number of updates apart) is the turn's seam and no update too many.
    """
    start, n = scene.updates.start, len(scene.updates.start)
    if n < 12 or odd.size > max(3, 0.02 * n):
        return odd[:0]
    step = np.diff(start)
    extras = np.array([update for update in odd.tolist() if _too_many(step, update)], dtype=np.int64)
    return odd[:0] if _recurs(extras, n) else extras


def _too_many(step: Ticks, update: int) -> bool:
    before, after = step[max(update - 6, 0) : update - 1], step[update + 2 : update + 7]
    if len(before) < 3 or len(after) < 3:
        return False
    left, right = float(np.median(before)), float(np.median(after))
    spread = max(float(np.ptp(before)), float(np.ptp(after)))
    three = float(step[update - 1 : update + 2].sum())
    return abs(left - right) < 0.15 * left and spread < 0.3 * left and abs(three - 2 * left) < 0.4 * left


def _recurs(places: Ints, n: int) -> bool:
    """True for places that come at one and the same distance, as what happens once a turn does."""
    if places.size < 2:
        return False
    apart = np.diff(places)
    values, counts = np.unique(apart, return_counts=True)
    usual = int(values[np.argmax(counts)])
    if places.size == 2:
        return int(places[0]) <= usual and n - int(places[1]) <= usual
    return float(counts.max()) > 0.5 * apart.size


def _silences(scene: Scene, listing: Listing) -> None:
    """Times without updates far beyond the usual pace; what recurs every turn is the display's own dark share."""
    start, last = scene.updates.start, scene.updates.last
    n = len(start)
    if n < 8:
        return
    step = np.diff(start)
    few = max(1, int(0.005 * len(step)))
    usual = int(np.partition(step, len(step) - 1 - few)[len(step) - 1 - few])
    long = np.flatnonzero(step > 3.5 * usual)
    if _recurs(long, n - 1):
        long = long[:0]
    found = [_silence(scene, int(k), int(start[k + 1] - last[k]), usual) for k in long.tolist()]
    tail = scene.known_to - int(start[-1])
    if tail > 5 * max(usual, int(step.max())) and tail > 10 * float(np.median(step)):
        found.append(_silence(scene, n - 1, scene.known_to - int(last[-1]), usual))
    listing.take("data-silent", found, len(found))


def _silence(scene: Scene, update: int, low: int, usual: int) -> Observation:
    tick_s = scene.clock.tick_s
    return scene.observe(
        "data-silent",
        int(scene.updates.last[update]),
        f"no data for {low * tick_s * 1e3:.4g} ms; updates usually come at most {usual * tick_s * 1e3:.4g} ms apart",
        update,
        expected=usual * tick_s,
        observed=low * tick_s,
        unit="s",
        threshold=f"3.5 times the line's own longest usual spacing ({3.5 * usual * tick_s * 1e3:.4g} ms)",
    )
