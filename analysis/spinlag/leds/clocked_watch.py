"""Departures on clocked chains: glitches of the clock, updates of a wrong length, starts and ends that do not serve."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.clock_scan import ClockScan
from spinlag.leds.clocked_words import Words
from spinlag.leds.frames import START_ZEROS, Frame
from spinlag.leds.parts import Part
from spinlag.leds.watch import Listing, Traffic, lengths, silences
from spinlag.observations import Kind, Observation

Bools = NDArray[np.bool_]

_COMMON_SHARE = 0.1


def watch_clocked(
    traffic: Traffic, scan: ClockScan, frame: Frame, words: Words, part: Part | None, leds: int | None
) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Observations on one clocked chain in order of time, and notes. `leds`: the rig's count."""
    listing = Listing()
    clock_faults(traffic, scan, listing)
    lengths(traffic, listing)
    silences(traffic, listing)
    _stray_clocks(traffic, frame, words, listing)
    _frame(traffic, frame, words, leds, listing)
    _brightness(words, part, listing)
    return listing.done()


def clock_faults(traffic: Traffic, scan: ClockScan, listing: Listing) -> None:
    """Clock pulses that no part would see, pulses that stand out, and rests inside updates."""
    _glitches(traffic, scan, listing)
    _odd_pulses(traffic, scan, listing)
    _rests(traffic, scan, listing)


def _glitches(traffic: Traffic, scan: ClockScan, listing: Listing) -> None:
    tick_s = traffic.clock.tick_s
    least = scan.habits.glitch * tick_s
    found = [
        traffic.observe(
            "data-bit-time",
            at,
            f"a clock pulse of {ticks * tick_s * 1e9:.3g} ns, too short for any part; it is not counted",
            traffic.update_at(at),
            expected=least,
            observed=ticks * tick_s,
            unit="s",
            threshold=f"shorter than {least * 1e9:.3g} ns",
        )
        for at, ticks in zip(scan.glitches.at, scan.glitches.ticks, strict=True)
    ]
    listing.take("data-bit-time", found, scan.glitches.count)


def _odd_pulses(traffic: Traffic, scan: ClockScan, listing: Listing) -> None:
    """One observation for each update with clock times far from this line's own."""
    tick_s, habits = traffic.clock.tick_s, scan.habits
    kept = [(at, ticks, "high") for at, ticks in zip(scan.odd_highs.at, scan.odd_highs.ticks, strict=True)]
    kept += [(at, ticks, "low") for at, ticks in zip(scan.short_lows.at, scan.short_lows.ticks, strict=True)]
    by_update: dict[int, list[tuple[int, int, str]]] = {}
    for entry in sorted(kept):
        by_update.setdefault(traffic.update_at(entry[0]), []).append(entry)
    count = len(by_update)
    if count > 20 and count > _COMMON_SHARE * len(traffic.start):
        listing.notes.append("clock times far from the line's usual ones are common here and not listed one by one")
        return
    found = []
    for update, entries in by_update.items():
        if update < 0 or not traffic.whole[update]:
            continue
        at, ticks, side = entries[0]
        usual = habits.usual_high if side == "high" else habits.period - habits.usual_high
        low, high = (habits.high_from, habits.high_to) if side == "high" else (habits.low_from, float("inf"))
        more = f", and {len(entries) - 1} more times of this update stand out" if len(entries) > 1 else ""
        found.append(
            traffic.observe(
                "data-bit-time",
                at,
                f"the clock is {side} for {ticks * tick_s * 1e9:.4g} ns, usually {usual * tick_s * 1e9:.4g} ns{more}",
                update,
                expected=usual * tick_s,
                observed=ticks * tick_s,
                unit="s",
                threshold=f"{low * tick_s * 1e9:.4g} to {high * tick_s * 1e9:.4g} ns, from this line's spread",
            )
        )
    listing.take("data-bit-time", found, len(found))


def _rests(traffic: Traffic, scan: ClockScan, listing: Listing) -> None:
    """Rests of the clock inside updates, unless they are the line's habit."""
    kept, tick_s = scan.rests, traffic.clock.tick_s
    if not kept.count:
        return
    if kept.count > 20 and kept.count > _COMMON_SHARE * len(traffic.start):
        listing.notes.append(f"rests of the clock inside updates are this line's habit ({kept.count} of them)")
        return
    least = scan.habits.long_rest * tick_s
    found = [
        traffic.observe(
            "data-pause",
            at,
            f"the clock rested for {ticks * tick_s * 1e6:.4g} µs inside an update",
            traffic.update_at(at),
            expected=scan.habits.period * tick_s,
            observed=ticks * tick_s,
            unit="s",
            threshold=f"longer than {least * 1e6:.3g} µs",
        )
        for at, ticks in zip(kept.at, kept.ticks, strict=True)
    ]
    listing.take("data-pause", found, kept.count)


def _stray_clocks(traffic: Traffic, frame: Frame, words: Words, listing: Listing) -> None:
    """Updates with all their words but more clocks after them than usual, so that something else was sent too."""
    whole = traffic.whole
    if whole.sum() < 10:
        return
    values, counts = np.unique(words.tail[whole], return_counts=True)
    usual = int(values[np.argmax(counts)])
    if counts.max() < 0.9 * whole.sum():
        return
    wrong = whole & (words.tail > usual)
    if traffic.expected is not None:
        wrong &= traffic.bits == traffic.expected
    FrameFault(
        "data-overlong",
        wrong,
        lambda update: (
            f"{words.tail[update]} clocks follow the data, usually {usual}: more than the chain's words were sent"
        ),
        float(usual),
        words.tail,
        f"the usual end of this line's updates, {frame.name} words",
    ).list_in(listing, traffic)


@dataclass(frozen=True)
class FrameFault:
    """A kind of fault of an update's frame: which updates have it, what to say of one, and its figures in bits."""

    kind: Kind
    which: Bools
    said: Callable[[int], str]
    expected: float
    observed: NDArray[np.int64]
    threshold: str

    def list_in(self, listing: Listing, traffic: Traffic) -> None:
        """One observation per update at fault; where it is the habit, one for the first, saying so."""
        at = np.flatnonzero(self.which)
        judged = int(traffic.whole.sum())
        habit = at.size > 20 and at.size > _COMMON_SHARE * judged
        more = f" (and so in {at.size} of {judged} updates)" if habit else ""
        listed = at[:1] if habit else at
        found = [
            traffic.observe(
                self.kind,
                int(traffic.last[update]),
                self.said(update) + more,
                update,
                expected=self.expected,
                observed=float(self.observed[update]),
                unit="bits",
                threshold=self.threshold,
            )
            for update in listed.tolist()
        ]
        listing.take(self.kind, found, len(listed))


def _frame(traffic: Traffic, frame: Frame, words: Words, leds: int | None, listing: Listing) -> None:
    """Starts and ends that the family cannot work with."""
    whole = traffic.whole
    chain = leds or (int(np.median(words.words[whole])) if whole.any() else 0)
    FrameFault(
        "data-truncated",
        whole & (words.zeros < frame.head) & (words.words > 0),
        lambda update: f"the start frame has {words.zeros[update]} zeros instead of {frame.head} at least",
        float(frame.head),
        words.zeros,
        f"start frame, {frame.source}",
    ).list_in(listing, traffic)
    least = frame.end_clocks(chain)
    if frame.shows == "next-start":
        # the zeros that show the data may as well be those of the next start frame
        least -= START_ZEROS
    FrameFault(
        "data-truncated",
        whole & (words.words >= chain) & (words.tail < least),
        lambda update: f"{words.tail[update]} clocks follow the data, {chain} LEDs need {least}",
        float(least),
        words.tail,
        f"end of the update, {frame.source}",
    ).list_in(listing, traffic)
    FrameFault(
        "data-extra",
        whole & words.tail_ones & frame.wants_zeros,
        lambda update: f"the update ends with {words.tail[update]} ones where the part needs zeros",
        0.0,
        words.tail,
        f"end of the update, {frame.source}",
    ).list_in(listing, traffic)


def _brightness(words: Words, part: Part | None, listing: Listing) -> None:
    dimmed = int(words.dimmed.sum())
    if not dimmed:
        return
    slow = part.brightness_pwm_hz if part is not None else None
    risk = f"a slower PWM of about {slow:.0f} Hz then lies over the light" if slow else "some parts then flicker"
    listing.notes.append(
        f"{dimmed} of {int(words.words.sum())} LED words set the five-bit brightness below full: {risk}, which shows "
        "on a spinning display"
    )
