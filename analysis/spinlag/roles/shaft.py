"""Which line is the index and which are the motor's: from regularity, mutual phase and what the updates follow."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from spinlag.capture import Capture
from spinlag.roles.glance import Look, sample_ticks
from spinlag.roles.onewire import OneWire
from spinlag.roles.pulses import UNLOCKED, Lock, Pulses, lock_of, phase_between, six_step
from spinlag.roles.sync import Follow, best_follow
from spinlag.roles.words import figure

SLOWEST_HZ, FASTEST_HZ = 0.3, 25_000.0
"""Rates between which a line can be an index or a motor line: a turn in three seconds to a fine toothed wheel."""
INDEX_NAME = re.compile(r"index|idx|sensor|hall|once|zero|home|ref|tdc|opto", re.IGNORECASE)
ACCEPTED = 0.5
MOST_LINES = 40
"""Lines weighed against one another, at most: a simulator's dump can hold thousands."""


@dataclass(frozen=True, eq=False)
class Motor:
    """Motor lines: one to three, and why."""

    lines: tuple[Pulses, ...]
    reasons: tuple[str, ...]
    confidence: float


@dataclass(frozen=True, eq=False)
class Candidate:
    """A line weighed as the index: points for and against, each with its reason."""

    pulses: Pulses
    score: float
    reasons: tuple[str, ...]
    follow: Follow | None
    lock: Lock


def _same_rate(lines: Sequence[Pulses]) -> bool:
    counts = [line.look.count for line in lines]
    return max(counts) - min(counts) <= max(0.1 * max(counts), 4)


def _halves(line: Pulses) -> bool:
    """High for between a fifth and four fifths of the period, as Hall and drive lines are."""
    return line.duty >= 0.2


def find_motor(lines: Sequence[Pulses], capture: Capture) -> Motor | None:
    """Three lines 120 electrical degrees apart, else two lines 60 to 120 degrees apart; None where there are none.

    A single tachometer line needs an index to compare with, so it is left to `find_tachometer`.
    """
    fit = [line for line in lines if _halves(line) and line.look.count >= 4]
    fit = fit[:MOST_LINES]
    trios = (trio for trio in combinations(fit, 3) if _same_rate(trio))
    triples = [(trio, found) for trio in trios if (found := _triple(trio, capture)) is not None]
    if triples:
        trio, (quality, reasons) = max(triples, key=lambda item: item[1][0])
        return Motor(trio, reasons, min(0.97, quality))
    for pair in combinations([line for line in fit if line.duty >= 0.35 and line.periodic], 2):
        if _same_rate(pair):
            degrees, concentration = phase_between(*pair)
            apart = min(degrees, 360 - degrees)
            if concentration >= 0.9 and 60 <= apart <= 130:
                reason = (
                    f"two even lines {apart:.0f} electrical degrees apart at {figure(pair[0].rate_hz, 'Hz')}: two "
                    "motor phases, or the two tracks of an encoder"
                )
                return Motor(pair, (reason,), 0.6)
    return None


def _triple(trio: tuple[Pulses, ...], capture: Capture) -> tuple[float, tuple[str, ...]] | None:
    a, b, c = trio
    ab, sure_b = phase_between(a, b)
    ac, sure_c = phase_between(a, c)
    if min(sure_b, sure_c) >= 0.85:
        off = min(abs(ab - 120) + abs(ac - 240), abs(ab - 240) + abs(ac - 120)) / 2
        if off <= 15:
            reason = (
                f"one of three lines at {figure(a.rate_hz, 'Hz')} whose rising edges follow one another by {ab:.0f} "
                f"and {ac:.0f} electrical degrees (120 and 240 expected), high {a.duty:.0%} of the time"
            )
            return 0.97 - off / 250, (reason,)
    channels = (a.look.channel, b.look.channel, c.look.channel)
    steps = six_step(channels, capture.start, capture.end)
    if steps.valid >= 0.97 and steps.single >= 0.95 and steps.changes >= 9 and steps.states == 6:
        reason = (
            f"one of three lines in six-step sequence: {steps.single:.0%} of {steps.changes} changes move one line "
            f"only, and {steps.valid:.1%} of the time they are neither all low nor all high"
        )
        uneven = max(line.duty for line in trio) - min(line.duty for line in trio)
        return 0.9 * steps.valid - 0.2 * uneven, (reason,)
    return None


def find_tachometer(candidates: Sequence[Candidate], index: Pulses | None) -> Motor | None:
    """One even line that turns with the shaft; None where there is none or no index to compare with.

    It keeps its phase to the index, a whole number of pulses to a few of the index; or, on few turns, the LED updates
    keep time with it as they do with the index.
    """
    if index is None:
        return None
    for candidate in sorted(candidates, key=lambda candidate: -candidate.pulses.duty):
        line = candidate.pulses
        if line is index or line.duty < 0.3 or line.missing_tooth:
            continue
        lock = lock_of(line, index)
        shape = f"an even line ({line.duty:.0%} of its period) at {figure(line.rate_hz, 'Hz')}"
        if lock.marks == 1 or (lock.locked and lock.turns >= 10 * lock.marks):
            ratio = lock.per_mark * lock.marks
            reason = (
                f"{shape} that keeps its phase to the index, {ratio:.0f} pulses to {lock.marks * index.pattern} of the "
                "index: a tachometer line"
            )
            return Motor((line,), (reason,), 0.8 if ratio > 1.5 else 0.5)
        if line.duty >= 0.4 and candidate.follow is not None and candidate.follow.tight:
            return Motor((line,), (f"{shape} with which the LED updates keep time: a tachometer line",), 0.6)
    return None


def weigh_index(
    lines: Sequence[Pulses],
    wires: Mapping[str, tuple[Look, OneWire]],
    motor: Motor | None,
    capture: Capture,
) -> tuple[Candidate, ...]:
    """Every line that could be the index, best first."""
    apart = {line.look.channel.path for line in motor.lines} if motor else set()
    possible = [
        line
        for line in lines
        if line.periodic and SLOWEST_HZ <= line.rate_hz <= FASTEST_HZ and line.look.channel.path not in apart
    ]
    possible.sort(key=lambda line: line.duty)
    weighed = [_weigh(line, wires, motor, capture) for line in possible[:MOST_LINES]]
    if motor is None:
        weighed = [_with_riders(candidate, possible[:MOST_LINES]) for candidate in weighed]
    weighed = [_against_echo(candidate, weighed) for candidate in weighed]
    return tuple(sorted(weighed, key=lambda candidate: -candidate.score))


def _weigh(line: Pulses, wires: Mapping[str, tuple[Look, OneWire]], motor: Motor | None, capture: Capture) -> Candidate:
    points: list[tuple[float, str]] = []
    period_s = line.period * float(capture.tick)
    share = f"{line.duty:.1%} of the time {'high' if line.active else 'low'}"
    # by the usual distance: a false pulse or a lost one is no part of the rate
    shape = f"{line.count} regular pulses at {figure(1.0 / period_s, 'Hz')} (every {figure(period_s, 's')}), {share}"
    slow = line.rate_hz <= 300
    points.append(((1.0 if slow else 0.3) + (1.0 if line.duty < 0.3 else 0.3 if line.duty < 0.45 else 0.0), shape))
    if line.missing_tooth:
        points.append((2.0, f"one longer gap in every {line.pattern} pulses, as from a wheel with a missing tooth"))
    # a spinning thing wanders by more than a crystal's parts in a hundred thousand
    if line.count >= 8 and line.steadiness <= max(1.5e-5, 0.5 * sample_ticks(capture) / line.period):
        points.append((-0.7, "steadier than any shaft should be, as from a crystal"))
    follow = best_follow(line, wires)
    if follow is not None:
        points.append(_points_of(follow, capture))
    lock = lock_of(motor.lines[0], line) if motor else UNLOCKED
    if motor and lock.locked:
        ratio = f"{lock.per_mark / line.pattern:.2f}".rstrip("0").rstrip(".")
        points.append((2.0, f"keeps its phase to the motor lines, {ratio} electrical periods per pulse"))
    elif motor and lock.turns >= 3:
        points.append((-1.5, "does not keep its phase to the motor lines"))
    if INDEX_NAME.search(line.look.channel.name):
        points.append((0.3, f"the name {line.look.channel.name!r} fits too, which is a weak hint"))
    points.sort(key=lambda point: -point[0])
    return Candidate(line, sum(weight for weight, _ in points), tuple(why for _, why in points), follow, lock)


def _with_riders(candidate: Candidate, lines: Sequence[Pulses]) -> Candidate:
    """A point for a line to which an even, faster one keeps its phase, as a tachometer does to the index."""
    for line in lines:
        if (
            line is not candidate.pulses
            and line.duty >= 0.3
            and not line.missing_tooth
            and line.rate_hz > 0.9 * candidate.pulses.rate_hz
        ):
            lock = lock_of(line, candidate.pulses)
            if lock.locked and lock.turns >= 4:
                why = f"{line.look.channel.name!r} keeps its phase to it, {lock.per_mark:.3g} periods per pulse"
                return Candidate(
                    candidate.pulses, candidate.score + 1.5, (*candidate.reasons, why), candidate.follow, candidate.lock
                )
    return candidate


def _points_of(follow: Follow, capture: Capture) -> tuple[float, str]:
    tick = float(capture.tick)
    apart = figure(follow.spacing * tick, "s")
    said = (
        f"the next update of {follow.channel!r} starts {figure(follow.wait * tick, 's')} after its {follow.edge} "
        f"edge, with a spread of {figure(follow.spread * tick, 's')} where updates are {apart} apart"
    )
    if follow.tight and (follow.updates_per_pulse >= 1.1 or follow.every > 1):
        # a few pulses can keep time with anything for a while, and the tighter the rarer
        closeness = np.log10(0.2 * follow.spacing / max(follow.spread, sample_ticks(capture)))
        return min(2.0, 0.2 * follow.pulses) + float(np.clip(closeness, 0.0, 1.5)), said
    if follow.tight:
        return 0.5, f"{said}; one update to a pulse, so it may strobe the columns rather than mark the turn"
    if follow.pulses >= 8 and follow.concentration < 0.5:
        return -2.0, f"the updates of {follow.channel!r} do not follow it"
    return 0.0, said


def _against_echo(candidate: Candidate, others: Sequence[Candidate]) -> Candidate:
    """Mark down a line that only repeats another a moment later: a debug pin that the index's interrupt sets."""
    line = candidate.pulses
    own = line.main().turning_to(line.active)
    for other in others:
        lead = other.pulses.main().turning_to(other.pulses.active)
        if other is candidate or not _same_rate((line, other.pulses)) or len(lead) < 3:
            continue
        at = np.searchsorted(lead, own, side="left") - 1
        lags = (own - lead[np.maximum(at, 0)])[at >= 0]
        if len(lags) >= 2 and np.quantile(lags, 0.9) <= 0.02 * line.period and np.median(lags) > 0:
            why = (
                f"only repeats {other.pulses.look.channel.name!r} a moment later, as a debug pin of the firmware would"
            )
            return Candidate(line, candidate.score - 3.0, (why, *candidate.reasons), candidate.follow, candidate.lock)
    return candidate


def chosen_index(candidates: Sequence[Candidate]) -> Candidate | None:
    """The best candidate where it is good enough; None otherwise."""
    return candidates[0] if candidates and candidates[0].score >= ACCEPTED else None
