"""LED words in the bits of clocked updates: where the data begin and end, what follows, for many updates at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.leds.frames import START_ZEROS, Frame

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Words:
    """Per update, shape (n,), as places in the slice's bits: `begin` of the data, `words` whole LED words, `bits` of
    data (a last word cut short included), `zeros` before the data, `tail` bits after them, `tail_ones` where all of
    those are ones, `tail_zeros` leading zeros of the tail (at most START_ZEROS), `dimmed` words below full brightness.
    """

    begin: Ints
    words: Ints
    bits: Ints
    zeros: Ints
    tail: Ints
    tail_ones: Bools
    tail_zeros: Ints
    dimmed: Ints


def find_words(frame: Frame, bits: Bools, firsts: Ints, ends: Ints, leds: int | None, tail_words: int) -> Words:
    """The LED words of each update [firsts, ends] (inclusive places in `bits`).

    With `leds` given, words of ones beyond so many are the end frame; without, the last `tail_words` are.
    """
    stops = ends + 1
    begin = firsts
    if frame.head:
        places = np.flatnonzero(bits)
        at = np.searchsorted(places, firsts)
        begin = np.where(at < len(places), places[np.minimum(at, len(places) - 1)] if len(places) else 0, stops)
        begin = np.minimum(begin, stops)
    room = (stops - begin) // frame.word
    words = _marked_words(frame, bits, begin, room)
    if frame.ones:
        words = _without_end(frame, begin, words, bits, leds, tail_words)
    data_end = begin + words * frame.word
    left = stops - data_end
    partial = (left > 0) & (left < frame.word)
    if leds is not None:
        partial &= words < leds
    if frame.ones and partial.any():
        some = np.flatnonzero(partial)
        partial[some] = bits[data_end[some]]
        if leds is None:
            # bits that are all ones may as well be the end frame
            partial[some] &= _count_ones(bits, data_end[some], left[some]) < left[some]
    size = words * frame.word + np.where(partial, left, 0)
    tail_at = begin + size
    tail = stops - tail_at
    ones = _count_ones(bits, tail_at, tail)
    return Words(
        begin=begin,
        words=words,
        bits=size,
        zeros=begin - firsts,
        tail=tail,
        tail_ones=(tail > 0) & (ones == tail),
        tail_zeros=_leading_zeros(bits, tail_at, np.minimum(tail, START_ZEROS)),
        dimmed=_dimmed(frame, bits, begin, words),
    )


def payload(bits: Bools, firsts: Ints, ends: Ints, words: Words) -> Bools:
    """The data bits of all updates, end to end."""
    if not len(firsts):
        return bits[:0]
    length = int(ends[0] - firsts[0]) + 1
    lead, size = int(words.zeros[0]), int(words.bits[0])
    alike = len(bits) == length * len(firsts) and (words.bits == size).all() and (words.zeros == lead).all()
    if alike and (ends - firsts + 1 == length).all():
        return bits.reshape(len(firsts), length)[:, lead : lead + size].flatten()
    chosen = np.zeros(len(bits) + 1, dtype=np.int8)
    np.add.at(chosen, words.begin, 1)
    np.add.at(chosen, words.begin + words.bits, -1)
    picked: Bools = bits[np.cumsum(chosen[:-1], dtype=np.int8).astype(bool)]
    return picked


def _spread(begin: Ints, counts: Ints, step: int) -> tuple[Ints, Ints]:
    """Places begin, begin + step, ... of each update's words, end to end, and where each update's first one stands."""
    first = np.cumsum(counts) - counts
    number = np.arange(int(counts.sum())) - np.repeat(first, counts)
    return np.repeat(begin, counts) + number * step, first


def _count_ones(bits: Bools, begin: Ints, counts: Ints) -> Ints:
    """Ones among so many bits from each place on."""
    places, first = _spread(begin, counts, 1)
    ones = np.zeros(len(begin), dtype=np.int64)
    some = counts > 0
    if some.any():
        ones[some] = np.add.reduceat(bits[places].astype(np.int64), first[some])
    return ones


def _marked_words(frame: Frame, bits: Bools, begin: Ints, room: Ints) -> Ints:
    """How many words from `begin` on carry the format's marks."""
    if not frame.ones and not frame.zeros:
        return room
    places, first = _spread(begin, room, frame.word)
    marked = np.ones(len(places), dtype=bool)
    for place in frame.ones:
        marked &= bits[places + place]
    for place in frame.zeros:
        marked &= ~bits[places + place]
    return _run_length(marked, first, room)


def _run_length(good: Bools, first: Ints, counts: Ints) -> Ints:
    """Length of the run of True from each group's first place on."""
    bad = np.flatnonzero(~good)
    if not bad.size:
        return counts
    at = np.searchsorted(bad, first)
    next_bad = np.where(at < len(bad), bad[np.minimum(at, len(bad) - 1)], len(good))
    run: Ints = np.minimum(next_bad - first, counts)
    return run


def _without_end(frame: Frame, begin: Ints, words: Ints, bits: Bools, leds: int | None, tail_words: int) -> Ints:
    """Words less those of the end frame: ones beyond the chain's length, or as many as every update ends with."""
    if leds is None:
        return np.maximum(words - tail_words, 0)
    beyond = np.maximum(words - leds, 0)
    if not beyond.any():
        return words
    places, first = _spread(begin + np.minimum(words, leds) * frame.word, beyond, frame.word)
    filled = _count_ones(bits, places, np.full(len(places), frame.word)) == frame.word
    kept = beyond.copy()
    some = np.flatnonzero(beyond)
    last_data = np.full(len(beyond), -1, dtype=np.int64)
    owner = np.repeat(np.arange(len(beyond)), beyond)
    data = np.flatnonzero(~filled)
    last_data[owner[data]] = data - first[owner[data]]
    kept[some] = last_data[some] + 1
    return words - beyond + kept


def _leading_zeros(bits: Bools, begin: Ints, counts: Ints) -> Ints:
    """Zeros from each place on, at most so many."""
    places, first = _spread(begin, counts, 1)
    return _run_length(~bits[places], first, counts)


def _dimmed(frame: Frame, bits: Bools, begin: Ints, words: Ints) -> Ints:
    """Words whose five-bit brightness is below full."""
    if not frame.brightness:
        return np.zeros(len(begin), dtype=np.int64)
    places, _ = _spread(begin, words, frame.word)
    full = np.ones(len(places), dtype=bool)
    for place in frame.brightness:
        full &= bits[places + place]
    owner = np.repeat(np.arange(len(begin)), words)
    return np.bincount(owner[~full], minlength=len(begin)).astype(np.int64, copy=False)


def end_words(frame: Frame, updates: Sequence[Bools]) -> int:
    """Whole words of ones that every one of these updates ends with: the end frame, where no count tells."""
    if not frame.ones or not updates:
        return 0
    fewest = None
    for update in updates:
        zeros = np.flatnonzero(~update)
        ones = len(update) - 1 - int(zeros[-1]) if zeros.size else len(update)
        begin = int(np.argmax(update)) if update.any() else len(update)
        left = (len(update) - begin) % frame.word
        whole = max(ones - left, 0) // frame.word if left <= ones else 0
        fewest = whole if fewest is None else min(fewest, whole)
    return fewest or 0


def joined_ends(ends: Ints, rest: Ints, usual: int, longest: float, length: int | None) -> Ints:
    """Ends of updates among the long rests: those between pieces that make up a usual update together are pauses.

    `ends`: the last clock before each long rest; `rest`: every rest; a rest of `longest` ends an update whatever its
    length. `length`: clocks in all where these are the last ones; else the pieces at the end may go on, and an odd last
    one is left for later.
    """
    stops = ends if length is None or ends[-1] == length - 1 else np.append(ends, length - 1)
    sizes = np.diff(stops, prepend=-1)
    odd = sizes != usual
    if odd.mean() > 0.5 and len(odd) > 8:
        return ends
    inner = np.zeros(len(stops), dtype=bool)
    for begin in np.flatnonzero(odd & ~np.concatenate(([False], odd[:-1]))).tolist():
        total, first, k = 0, begin, begin
        while k < len(stops) and odd[k]:
            total += int(sizes[k])
            while total > usual and first < k:
                total -= int(sizes[first])
                first += 1
            if total == usual and first < k:
                inner[first:k] = True
                total, first = 0, k + 1
            if k < len(ends) and ends[k] < len(rest) and rest[ends[k]] >= longest:
                total, first = 0, k + 1
            k += 1
    kept: Ints = ends[~inner[: len(ends)]]
    if length is None and len(kept) > 1 and kept[-1] - kept[-2] != usual:
        # what follows may belong to it
        kept = kept[:-1]
    return kept
