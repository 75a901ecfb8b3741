"""Places on the wheel to teeth: which place begins a revolution, and at what angle each tooth really sits."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from spinlag.rig import IndexTable
from spinlag.rotation.lattice import NO_PLACE, Lattice

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

EMPTY_SHARE = 0.5
"""The missing tooth is the one place that is empty in more than this share of the turns."""


MOST_REPEAT = 12
LEAST_UNEVEN = 0.01
REPEAT_SHARE = 0.2
"""Intervals repeat where no more than this share of their unevenness (at least 1 %) is left within each of up to 12
places."""


@dataclass(frozen=True, eq=False)
class Wheel:
    """The wheel as the pulses show it.

    `places`: evenly spaced places per revolution, an empty one included; `place`, shape (n,): place of each pulse
    counted so that multiples of `places` begin a revolution, NO_PLACE for pulses without one; `angle`, shape (places,):
    angle of each place in revolutions, learned from the medians, 0 for the first; `empty`: the place of the missing
    tooth, or None.
    """

    places: int
    place: Indices
    angle: Floats
    empty: int | None
    notes: tuple[str, ...] = ()
    begins_known: bool = True
    """False where several marks look alike and nothing said which of them begins a revolution."""

    def turns(self, place: Indices) -> Floats:
        """Shaft angle of places, in revolutions."""
        return np.asarray(place // self.places + self.angle[place % self.places])


def read_wheel(times: Indices, lattice: Lattice, index: IndexTable, first_mark: int | None = None) -> Wheel:
    """Teeth of the pulses at `times`, shape (n,), from their places.

    Where marks look alike, revolutions begin at mark `first_mark` counted from the first place, or at that place
    itself.
    """
    places = index.pulses_per_revolution + int(index.missing_tooth)
    place, notes, empty = lattice.place, [], None
    if index.missing_tooth:
        place, found = _align_on_gap(lattice, places)
        if found:
            empty = places - 1
        else:
            places = index.pulses_per_revolution
            notes.append(
                f"no missing tooth shows among {places + 1} places; the pulses were taken as {places} even ones"
            )
    alike = places > 1 and empty is None
    parted = np.flatnonzero(lattice.cut & lattice.doubtful)
    if alike and len(parted):
        notes.append(
            f"{places} even pulses per revolution: which of them begins one cannot be told on both sides of a stretch "
            "that nobody saw"
        )
    elif alike and first_mark is not None:
        place = np.where(place == NO_PLACE, NO_PLACE, place + (places - first_mark) % places)
        notes.append(
            f"{places} even pulses per revolution: revolutions begin at the one at which the LED updates start over"
        )
    elif alike:
        notes.append(f"{places} even pulses per revolution: which of them begins one is not known; the first was taken")
    repeat = _repeat(times, lattice) if places == 1 else None
    if repeat is not None:
        notes.append(
            f"the intervals repeat after every {repeat} pulses: are there {repeat} marks on the shaft "
            f"(index.pulses_per_revolution = {repeat})?"
        )
    some = _longest_piece(parted, len(times)) if alike else slice(None)
    angle = _learn_angles(times[some], place[some], places)
    return Wheel(places, place, angle, empty, tuple(notes), not alike or (first_mark is not None and not len(parted)))


def _longest_piece(parted: Indices, n: int) -> slice:
    """The most pulses in a row of n that were counted through."""
    bounds = np.concatenate(([0], parted, [n]))
    k = int(np.argmax(np.diff(bounds)))
    return slice(int(bounds[k]), int(bounds[k + 1]))


def _repeat(times: Indices, lattice: Lattice) -> int | None:
    """After how many pulses the intervals repeat, where they plainly do: the marks are then several to a turn."""
    ticks = times[lattice.place != NO_PLACE]
    length = np.diff(ticks).astype(np.float64)
    if len(length) < 4 * MOST_REPEAT:
        return None
    length = length / np.median(length)
    overall = _unevenness(length - np.median(length))
    if overall < LEAST_UNEVEN:
        return None
    for k in range(2, MOST_REPEAT + 1):
        own = length[: len(length) // k * k].reshape(-1, k)
        if _unevenness(own - np.median(own, axis=0)) < REPEAT_SHARE * overall:
            return k
    return None


def _unevenness(off: Floats) -> float:
    """Mean absolute departure, the tenth that is largest (faults) left out."""
    size = np.sort(np.abs(off), axis=None)
    return float(size[: -(len(size) // 10) or None].mean())


def _align_on_gap(lattice: Lattice, places: int) -> tuple[Indices, bool]:
    """Places renumbered so that the last of each turn is the empty one, and whether there is such a place.

    Where the number of places passed cannot be told for sure (a long silence, a jerk), the count starts afresh: each
    piece shows its own gap.
    """
    place = lattice.place.copy()
    there = np.flatnonzero(place != NO_PLACE)
    if len(there) < 3:
        return place, False
    steps = np.diff(place[there], prepend=place[there[0]])
    unsure = np.flatnonzero(lattice.rough[there] | lattice.doubtful[there] | (steps > 3))
    bounds = np.unique(np.concatenate(([0], unsure, [len(there)])))
    shift, any_found = 0, False
    for begin, end in pairwise(bounds):
        members = there[begin:end]
        own = place[members]
        gap = _gap_phase(own, places)
        if gap is not None:
            wanted = (places - 1 - gap - shift) % places
            shift += wanted if wanted <= places // 2 or not any_found else wanted - places
            any_found = True
        if begin and int(own[0]) + shift <= int(place[there[begin - 1]]):
            shift += places
        place[members] += shift
    if any_found:
        # pieces before the first that shows its gap keep their count; make the first place of all not negative
        low = int(place[there[0]])
        place[there] += -(low // places) * places
    return place, any_found


def _gap_phase(place: Indices, places: int) -> int | None:
    """The place within the turn that stays empty, or None where none does."""
    turns = (int(place[-1]) - int(place[0])) / places
    if turns < 1:
        return _only_gap(place, places)
    seen = np.bincount(place % places, minlength=places)
    phase = int(np.argmin(seen))
    others = np.delete(seen, phase)
    return phase if seen[phase] < (1 - EMPTY_SHARE) * max(float(np.median(others)), 1.0) else None


def _only_gap(place: Indices, places: int) -> int | None:
    """In less than a turn: the one step of two places, if there is just one."""
    wide = np.flatnonzero(np.diff(place) == 2)
    return int(place[wide[0]] + 1) % places if len(wide) == 1 else None


def _learn_angles(times: Indices, place: Indices, places: int) -> Floats:
    """Angle of each place, in revolutions: the median share of the turn that had passed, over turns with both ends."""
    even = np.arange(places) / places
    if places == 1:
        return even
    there = np.flatnonzero(place != NO_PLACE)
    if len(there) < 2 * places:
        return even
    at, tick = place[there], times[there]
    starts = np.flatnonzero(at % places == 0)
    turn = at[starts] // places
    whole = np.flatnonzero(np.diff(turn) == 1)
    if len(whole) < 3:
        return even
    begin, end = tick[starts[whole]], tick[starts[whole + 1]]
    row = np.full(int(turn[-1]) - int(turn[0]) + 2, -1, dtype=np.int64)
    row[turn[whole] - turn[0]] = np.arange(len(whole))
    of = row[np.clip(at // places - turn[0], 0, len(row) - 1)]
    inside = (of >= 0) & (at // places >= turn[0])
    share = (tick[inside] - begin[of[inside]]) / (end - begin)[of[inside]]
    learned = _median_by(at[inside] % places, share, places)
    learned = np.where(np.isfinite(learned), learned, even)
    # marks that change places were never told apart: better none learned than a wheel that turns back
    return learned if (np.diff(learned, append=1.0) > 0.2 / places).all() else even


def _median_by(key: Indices, value: Floats, n: int) -> Floats:
    """Median of `value` for each key 0 ... n - 1; NaN where a key has none."""
    order = np.lexsort((value, key))
    key, value = key[order], value[order]
    first = np.searchsorted(key, np.arange(n))
    count = np.searchsorted(key, np.arange(n), side="right") - first
    median = np.full(n, np.nan)
    some = count > 0
    low = first[some] + (count[some] - 1) // 2
    median[some] = 0.5 * (value[low] + value[first[some] + count[some] // 2])
    return median
