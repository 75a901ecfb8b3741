"""Departures that every wiring knows: glitches, updates of a wrong length or too many, silences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.tally import Clock
from spinlag.observations import Kind, Observation, told_in

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_OF_A_KIND = 200
"""Observations of one kind listed one by one; the rest are counted in a note."""


@dataclass(frozen=True, eq=False)
class Traffic:
    """Updates of one chain as the rules below look at them: first and last edge, bits, and which are whole. `expected`
    bits by the rig's count, None where it has none; `unit` is what `bits_per_led` bits make."""

    name: str
    channel: str
    start: Ticks
    last: Ticks
    bits: Ints
    whole: Bools
    expected: int | None
    bits_per_led: int
    clock: Clock
    known_to: int
    unit: str = "LEDs"

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
        return int(np.searchsorted(self.start, tick, side="right")) - 1


class Listing:
    """Observations of one kind, listed up to MOST_OF_A_KIND and counted beyond."""

    def __init__(self) -> None:
        self.listed: list[Observation] = []
        self.notes: list[str] = []

    def done(self) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
        """All observations in order of time, and the notes."""
        return tuple(sorted(self.listed, key=lambda item: item.tick)), tuple(self.notes)

    def take(self, kind: Kind, found: Sequence[Observation], count: int) -> None:
        """List what was found of one kind, out of `count` that there are."""
        self.listed += found[:MOST_OF_A_KIND]
        unlisted = count - min(len(found), MOST_OF_A_KIND)
        if unlisted > 0:
            self.notes.append(f"{kind}: {count} in all, of which the first {count - unlisted} are listed")


def lengths(scene: Traffic, listing: Listing) -> None:
    """Updates with fewer or more bits than the chain takes, and updates too many."""
    bits, whole = scene.bits, scene.whole
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


def _usual_bits(scene: Traffic) -> tuple[int | None, str]:
    """The length that most updates have, and a note where that is not the chain's, or where there is none."""
    bits = scene.bits[scene.whole]
    if not bits.size:
        return None, ""
    values, counts = np.unique(bits, return_counts=True)
    commonest, share = int(values[np.argmax(counts)]), float(counts.max() / bits.size)
    per_led = scene.bits_per_led
    if scene.expected is not None:
        if commonest == scene.expected or share < 0.5 or bits.size < 3:
            return scene.expected, ""
        return commonest, (
            f"the chain takes {scene.expected // per_led} {scene.unit}, but {share:.0%} of its {bits.size} updates "
            f"carry {commonest / per_led:g}: the rig's count or the firmware is wrong"
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


def _length(scene: Traffic, kind: Kind, update: int, usual: int | None) -> Observation:
    bits, per_led = int(scene.bits[update]), scene.bits_per_led
    leds, left = divmod(bits, per_led)
    carried = f"{leds} {scene.unit[:-1] if leds == 1 else scene.unit}" + (
        f" and {left} bit{'s' if left > 1 else ''}" if left else ""
    )
    if kind == "data-extra":
        detail = f"an update of {carried} between two that kept their pace"
        tick, threshold = scene.start[update], "the pace of the updates around it"
    else:
        full = "" if usual is None else f" instead of {usual // per_led}"
        detail = f"the update carries {carried}{full}" + ("; the last bits fill no LED" if left else "")
        tick = scene.last[update]
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


def _extras(scene: Traffic, odd: Ints) -> Ints:
    """Which of the updates of unusual length are updates too many: three intervals where the pace leaves room for two.

    One of the usual length too many cannot be told here from a column sent twice or early; placement sees those. What
    recurs with every turn (the same number of updates apart) is the turn's seam and no update too many.
    """
    start, n = scene.start, len(scene.start)
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


def silences(scene: Traffic, listing: Listing) -> None:
    """Times without updates far beyond the usual pace; what recurs every turn is the display's own dark share."""
    start, last = scene.start, scene.last
    n = len(start)
    if n < 8:
        return
    step = np.diff(start)
    few = max(1, int(0.005 * len(step)))
    usual = int(np.partition(step, len(step) - 1 - few)[len(step) - 1 - few])
    # where the update itself lasts long, its line held still: that is no silence after it
    long = np.flatnonzero((step > 3.5 * usual) & (start[1:] - last[:-1] > usual))
    if _recurs(long, n - 1):
        long = long[:0]
    found = [_silence(scene, int(k), int(start[k + 1] - last[k]), usual) for k in long.tolist()]
    tail = scene.known_to - int(start[-1])
    if tail > 5 * max(usual, int(step.max())) and tail > 10 * float(np.median(step)):
        found.append(_silence(scene, n - 1, scene.known_to - int(last[-1]), usual))
    listing.take("data-silent", found, len(found))


def _silence(scene: Traffic, update: int, low: int, usual: int) -> Observation:
    tick_s = scene.clock.tick_s
    return scene.observe(
        "data-silent",
        int(scene.last[update]),
        f"no data for {told_in(low * tick_s, 'ms')}; updates usually come at most {told_in(usual * tick_s, 'ms')} "
        "apart",
        update,
        expected=usual * tick_s,
        observed=low * tick_s,
        unit="s",
        threshold=f"3.5 times the line's own longest usual spacing ({3.5 * usual * tick_s * 1e3:.4g} ms)",
    )
