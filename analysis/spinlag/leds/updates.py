"""What every LED wiring gives: one table of updates, whatever the wire."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks
from spinlag.leds.parts import Part
from spinlag.leds.repeats import RepeatedBytes
from spinlag.observations import Observation
from spinlag.summary import Statistics

_MOST_BITS = 1 << 20
"""Up to so many bits in an update, updates are counted by length; that takes no copy of a long table."""


@dataclass(frozen=True, eq=False)
class Tally:
    """Distribution of one interval on the wire: distinct lengths in ticks, ascending, and how often each was seen.

    `bin_ticks` is the width within which lengths were taken for one (1: exact). `shortest` and `longest` are the
    extremes, in ticks (exact, but to within a bin in the later part of a long record), with the instants (ticks) at
    which they were first seen.
    """

    lengths: Ticks
    counts: NDArray[np.int64]
    bin_ticks: int
    shortest: int
    shortest_at: int
    longest: int
    longest_at: int
    statistics: Statistics
    """In seconds; `uncertainty` is that of the mean."""


@dataclass(frozen=True, eq=False)
class ChainUpdates:
    """All updates of one LED chain, n of them, in order.

    `start` and `last`, int64 ticks, shape (n,): first and last data edge. `light_early_s` and `light_s`, float64
    seconds after `last`: the earliest and the latest instant at which the new data can be visible.
    `bits`, int64: bits received. `data`, uint8: whole bytes in wire order; update i owns data[offsets[i]:offsets[i+1]].
    In long captures whose updates repeat it is no array, but reads like one.
    `whole`: False where the capture's start or end cuts the update, or a stretch in which the line is not known.
    """

    name: str
    wiring: str
    channel: str
    part: Part | None
    part_note: str
    """How the part was come by: `rig`, or a sentence saying what was guessed."""
    bits_per_led: int
    order: str
    start: Ticks
    last: Ticks
    light_early_s: NDArray[np.float64]
    light_s: NDArray[np.float64]
    bits: NDArray[np.int64]
    data: NDArray[np.uint8] | RepeatedBytes
    offsets: NDArray[np.int64]
    whole: NDArray[np.bool_]
    timing: Mapping[str, Tally]
    """By timing name; for one-wire lines t0h, t0l, t1h, t1l, bit_period, low_between_updates."""
    threshold_s: float | None
    threshold_from: str
    latch_s: float | None
    latch_from: str
    observations: tuple[Observation, ...] = ()
    notes: tuple[str, ...] = ()
    frame: str = ""
    """Clocked chains: the format of the words, as `frames.FRAMES` names it."""
    along_chain: bool = False
    """True where light runs along the chain: light_early_s is the first LED's, light_s the last one's, and the others
    lie evenly between. Elsewhere all LEDs change together, at some instant from the one to the other."""
    candidates: tuple[Part, ...] = ()
    """What to judge against: every part the rig's `part` can mean (all revisions of a bare number), as the probe's
    place on the line allows it (`parts.after_led`); empty where no part is given."""
    lost_intervals: int = 0
    """Intervals that are not in `timing` because they meet a stretch in which nobody looked at the line."""
    unread: str = ""
    """Why the chain's lines were not read as LED data, where they carry another signal."""
    count: int | None = None
    """LEDs of the chain by the rig, where a whole update can be told by them."""

    def __len__(self) -> int:
        return len(self.start)

    @property
    def changes_only(self) -> bool:
        """True where an update is seen only if it changes something: one that shows the same again leaves no trace."""
        return self.wiring == "direct"

    @property
    def leds_seen(self) -> int:
        """The commonest number of LEDs in a whole update (in any, where none is whole); 0 where there is none.

        Where no one length makes up half of the updates, some bits being lost from most, it is the rig's count.
        """
        if self.bits.size == 0:
            return 0
        if int(self.bits.max()) > _MOST_BITS:
            lengths, times = np.unique(self.bits[self.whole] if self.whole.any() else self.bits, return_counts=True)
        else:
            times = np.bincount(self.bits)
            if self.whole.any():
                times -= np.bincount(self.bits[~self.whole], minlength=len(times))
            lengths = np.arange(len(times))
        if self.count is not None and times.max() < 0.5 * times.sum():
            return self.count
        leds, which = np.unique(lengths // self.bits_per_led, return_inverse=True)
        return int(leds[np.bincount(which, weights=times).argmax()])
