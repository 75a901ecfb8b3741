"""Damaged captures and wrong rigs, by chance, through the whole analysis: `python -m tests.fuzz.damage --inputs 2000`.

Small displays of every wiring are simulated; then clips are exchanged, lines inverted, cut off, made deaf or noisy,
stretches lost or unknown, clocks made wrong. Every one must be analysed to the end, or be refused in one line.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from spinlag.capture import UNKNOWN, Capture, Channel
from spinlag.errors import SpinlagError
from spinlag.pipeline import analyse
from spinlag.report.results import results_bytes
from spinlag.rig import Rig
from spinlag.roles import draft_rig_toml, guess_rig, guess_roles
from spinlag.synth import simulate
from spinlag.synth.random import random_scenario

WIRINGS = ("one-wire", "clocked", "latched", "direct")
MOST_SECONDS = 5.0
"""Processor time that an analysis may take."""

EVERY = 8
"""A display serves for so many inputs: to simulate one takes as long as to analyse it."""

Damage = Callable[[np.random.Generator, Capture], Capture]


@dataclass(frozen=True, eq=False)
class Bench:
    """A simulated display and the rig that is right for it."""

    capture: Capture
    rig: Rig


def bench(seed: int, number: int) -> Bench:
    """Display `number` of a seed: wirings in turn, half of them with motor lines or markers."""
    rng = np.random.default_rng([seed, number])
    turns = int(rng.integers(14, 18))
    made = simulate(
        random_scenario(
            rng, wiring=WIRINGS[number % len(WIRINGS)], revolutions=turns, markers=str(rng.choice(["none", "innocent"]))
        )
    )
    return Bench(made.capture, made.rig)


def damaged(rng: np.random.Generator, capture: Capture) -> tuple[Capture, list[str]]:
    """The capture after one to four damages, and their names."""
    names = []
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        damage = DAMAGES[int(rng.integers(len(DAMAGES)))]
        capture = damage(rng, capture)
        names.append(damage.__name__.strip("_"))
    return capture, names


def _one(rng: np.random.Generator, capture: Capture, change: Callable[[Channel], Channel]) -> Capture:
    """The capture with one channel changed."""
    k = int(rng.integers(len(capture.channels)))
    changed = change(capture.channels[k])
    return replace(capture, channels=(*capture.channels[:k], changed, *capture.channels[k + 1 :]))


def _exchanged(rng: np.random.Generator, capture: Capture) -> Capture:
    """Clips on one another's lines."""
    order = rng.permutation(len(capture.channels)) if rng.random() < 0.3 else np.arange(len(capture.channels))
    one, two = rng.integers(len(order), size=2)
    order[[one, two]] = order[[two, one]]
    lines = [
        replace(capture.channels[k], name=c.name, path=c.path) for k, c in zip(order, capture.channels, strict=True)
    ]
    return replace(capture, channels=tuple(lines))


def _inverted(rng: np.random.Generator, capture: Capture) -> Capture:
    return _one(rng, capture, lambda c: c if c.initial == UNKNOWN else replace(c, initial=1 - c.initial))


def _silent(rng: np.random.Generator, capture: Capture) -> Capture:
    """A line that never toggles, or that nothing is known of."""
    unknown = bool(rng.integers(2))

    def change(c: Channel) -> Channel:
        spans = np.array([[capture.start, capture.end]]) if unknown else c.unknown[:0]
        return replace(c, edges=c.edges[:0], initial=UNKNOWN if unknown else c.initial, unknown=spans)

    return _one(rng, capture, change)


def _dead(rng: np.random.Generator, capture: Capture) -> Capture:
    """A line that dies, or comes late."""
    at = int(rng.integers(capture.start, capture.end))
    late = bool(rng.integers(2))
    return _one(rng, capture, lambda c: _only(c, (c.edges[:] >= at) if late else (c.edges[:] < at)))


def _few(rng: np.random.Generator, capture: Capture) -> Capture:
    """A line of which a handful of edges is left."""
    most = int(rng.integers(1, 9))
    return _one(rng, capture, lambda c: replace(c, edges=np.sort(rng.permutation(c.edges[:])[:most])))


def _gap(rng: np.random.Generator, capture: Capture) -> Capture:
    """Nothing recorded for a while, on all lines."""
    begin, end = np.sort(rng.integers(capture.start, capture.end, size=2))
    lines = [_only(c, (c.edges[:] < begin) | (c.edges[:] >= end)) for c in capture.channels]
    return replace(capture, channels=tuple(lines))


def _spliced(rng: np.random.Generator, capture: Capture) -> Capture:
    """A stretch of samples lost: what follows comes too early, on all lines."""
    begin, end = (int(at) for at in np.sort(rng.integers(capture.start, capture.end - 1, size=2)))

    def change(c: Channel) -> Channel:
        edges = c.edges[:]
        kept = np.concatenate((edges[edges < begin], edges[edges >= end] - (end - begin)))
        times, counts = np.unique(kept, return_counts=True)
        return replace(c, edges=times[counts % 2 == 1], unknown=c.unknown[:0])

    return replace(capture, channels=tuple(change(c) for c in capture.channels), end=capture.end - (end - begin))


def _cut(rng: np.random.Generator, capture: Capture) -> Capture:
    """Ended early or begun late."""
    at = int(rng.integers(capture.start + 1, capture.end))
    if rng.random() < 0.5:
        lines = [replace(_only(c, c.edges[:] < at), unknown=c.unknown[:0]) for c in capture.channels]
        return replace(capture, channels=tuple(lines), end=at)
    lines = [
        c if c.initial == UNKNOWN else replace(c, initial=c.level_at(at - 1), edges=c.edges[:][c.edges[:] >= at])
        for c in capture.channels
    ]
    return replace(capture, channels=tuple(replace(c, unknown=c.unknown[:0]) for c in lines), start=at)


def _noisy(rng: np.random.Generator, capture: Capture) -> Capture:
    """Spikes on a line."""
    count = int(rng.choice([1, 3, 30, 1000]))
    widths = rng.integers(1, 1 + int(rng.choice([2, 50, 5000])), size=count)
    begins = rng.integers(capture.start + 1, max(capture.end - 6000, capture.start + 2), size=count)

    def change(c: Channel) -> Channel:
        times, counts = np.unique(np.concatenate((c.edges[:], begins, begins + widths)), return_counts=True)
        return c if c.initial == UNKNOWN else replace(c, edges=times[(counts % 2 == 1) & (times < capture.end)])

    return _one(rng, capture, change)


def _unknown(rng: np.random.Generator, capture: Capture) -> Capture:
    """A stretch of x or z."""
    begin, end = np.sort(rng.integers(capture.start, capture.end, size=2))
    if begin == end:
        return capture

    def change(c: Channel) -> Channel:
        kept = _only(c, (c.edges[:] < begin) | (c.edges[:] >= end))
        return kept if c.initial == UNKNOWN else replace(kept, unknown=np.array([[begin, end]]))

    return _one(rng, capture, change)


def _clock(rng: np.random.Generator, capture: Capture) -> Capture:
    """A header that tells another rate than the true one."""
    factor = Fraction(str(rng.choice(["2", "0.5", "10", "0.1", "1000", "41.6666667", "1e-9", "1e9", "1.06"])))
    return replace(capture, tick=capture.tick * factor)


def _coarse(rng: np.random.Generator, capture: Capture) -> Capture:
    """Every so many ticks a sample: pulses between samples are not seen."""
    step = int(rng.choice([3, 40, 1000, 100_000]))

    def change(c: Channel) -> Channel:
        times, counts = np.unique(-(-c.edges[:] // step) * step, return_counts=True)
        return replace(c, edges=times[(counts % 2 == 1) & (times < capture.end)], unknown=c.unknown[:0])

    return replace(capture, channels=tuple(change(c) for c in capture.channels))


def _only(c: Channel, kept: np.ndarray) -> Channel:
    """The channel with these of its edges."""
    return replace(c, edges=c.edges[:][kept])


DAMAGES: tuple[Damage, ...] = (
    *(_exchanged, _exchanged, _exchanged, _inverted, _inverted, _silent, _dead, _dead, _few, _gap, _spliced),
    *(_cut, _noisy, _noisy, _unknown, _unknown, _clock, _coarse),
)


def tried(one: Bench, seed: int, number: int) -> tuple[str, str]:
    """How input `number` of a seed ended in a word, and what went wrong; the text is empty where nothing did."""
    rng = np.random.default_rng([seed, number, 1])
    capture, names = damaged(rng, one.capture)
    what = f"{number} ({', '.join(names)})"
    try:
        if rng.random() < 0.2:
            guess_roles(capture)
            draft_rig_toml(capture)
            rig = guess_rig(capture)
        else:
            rig = one.rig
        findings = analyse(capture, rig)
        json.loads(results_bytes(findings))
        if any("\n" in warning for warning in findings.warnings):
            return "wrong", f"{what}: a warning of several lines"
    except SpinlagError as error:
        return "refused", f"{what}: a message of several lines" if "\n" in str(error) else ""
    except Exception:  # noqa: BLE001 - finding these is what this program is for
        return "wrong", f"{what}: {traceback.format_exc()}"
    return findings.verdict, ""


def main() -> int:
    """Run, print the figures and what went wrong; status 1 where anything did."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, metavar="N", help="begin at input N of the seed")
    options = parser.parse_args()
    warnings.simplefilter("error")
    ended: Counter[str] = Counter()
    slowest, made, one = 0.0, -1, None
    for number in range(options.first, options.first + options.inputs):
        if one is None or number // EVERY != made:
            made = number // EVERY
            one = bench(options.seed, made)
        began = time.process_time()
        how, wrong = tried(one, options.seed, number)
        took = time.process_time() - began
        slowest = max(slowest, took)
        ended[how] += 1
        if wrong or took > MOST_SECONDS:
            ended["too long"] += not wrong
            print(f"input {wrong or f'{number}: took {took:.1f} s'}", flush=True)
    print(f"{options.inputs} inputs:", ", ".join(f"{count} {how}" for how, count in sorted(ended.items())))
    print(f"slowest {slowest:.1f} s")
    return 1 if ended["wrong"] or ended["too long"] else 0


if __name__ == "__main__":
    sys.exit(main())
