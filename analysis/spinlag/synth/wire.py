"""What every wiring has in common: bits of many updates to true edges on one or more lines, block by block."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bits = NDArray[np.uint8]
"""Zeros and ones, one to a byte."""

BLOCK_BITS = 400_000
"""About how many bits are made at once."""


@dataclass(frozen=True)
class Alteration:
    """What a planted fault does to one update. Bits are counted from the first LED's first.

    `keep_bits` cuts it, `extra` bits lengthen it, a pause of `pause_s` stands before bit `pause_bit`, and bits
    [bit, bit + bits) have their high time changed by `change_s` (the low gives way).
    """

    keep_bits: int | None = None
    extra: tuple[int, ...] = ()
    pause_bit: int = 0
    pause_s: float = 0.0
    bit: int = 0
    bits: int = 0
    change_s: float = 0.0


@dataclass
class IntervalSums:
    """Running count, sum and extremes of each kind of interval, in seconds, as truth for its mean."""

    count: dict[str, int] = field(default_factory=dict)
    total: dict[str, float] = field(default_factory=dict)
    low: dict[str, float] = field(default_factory=dict)
    high: dict[str, float] = field(default_factory=dict)

    def add(self, name: str, intervals: Floats) -> None:
        """Take in the intervals of one kind."""
        if not intervals.size:
            return
        self.count[name] = self.count.get(name, 0) + intervals.size
        self.total[name] = self.total.get(name, 0.0) + float(intervals.sum())
        self.low[name] = min(self.low.get(name, np.inf), float(intervals.min()))
        self.high[name] = max(self.high.get(name, -np.inf), float(intervals.max()))


@dataclass(frozen=True, eq=False)
class Format:
    """How LED words stand in an update: `head` bits, `word` bits for each LED, `tail` bits."""

    head: Bits
    word: int
    tail: Bits


@dataclass(frozen=True, eq=False)
class Job:
    """m updates of b bits each, head and tail included. `starts`, `until`, shape (m,): when each begins, and the next
    one; `bits`, shape (m, b); `before`, shape (m, b): the update before each, zeros where lengths differ; `pauses` and
    `high_change`, seconds, shape (b,)."""

    starts: Floats
    until: Floats
    bits: Bits
    before: Bits
    pauses: Floats
    high_change: Floats


@dataclass(frozen=True, eq=False)
class Made:
    """True edges of a job: `lines`, ascending, one array per line; and shape (m,): first and last edge of each update,
    and when the first and the last LED show it. What was `changed` is False for updates that moved no line."""

    lines: tuple[Floats, ...]
    begin_s: Floats
    last_s: Floats
    first_visible_s: Floats
    visible_s: Floats
    changed: NDArray[np.bool_]


class Wire(Protocol):
    """One chain's wiring. Times that it is told, and gives, are true seconds; its own clock is the controller's."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Its lines, data first."""

    @property
    def idle(self) -> tuple[int, ...]:
        """Level of each line between updates."""

    @property
    def format(self) -> Format:
        """How LED words stand in an update."""

    def frames(self, image: NDArray[np.uint8]) -> Bits:
        """LED words of every column, shape (columns, bits), from uint8 (columns, leds, 3)."""

    def pauses(self, bits: int) -> Floats:
        """Usual extra low before each bit of an update of so many bits, seconds, shape (bits,)."""

    def duration_s(self, leds: int) -> float:
        """How long an update of so many LEDs takes at most, in seconds of the controller's clock."""

    def make(self, job: Job, rng: np.random.Generator, sums: IntervalSums) -> Made:
        """The edges of a job."""


@dataclass(frozen=True, eq=False)
class Block:
    """Updates [first, first + n) as made, and the LED bits that each sent."""

    first: int
    made: Made
    bits: Ints


@dataclass(frozen=True, eq=False)
class Traffic:
    """Everything that one chain's wire carries: update i begins at starts[i] and sends frames[rows[i]]."""

    wire: Wire
    starts: Floats
    rows: Ints
    frames: Bits
    altered: Mapping[int, Sequence[Alteration]]
    seed: tuple[int, ...]

    def blocks(self, sums: IntervalSums | None = None) -> Iterator[Block]:
        """All updates in blocks that do not depend on one another's random numbers; the same every time."""
        sums = sums or IntervalSums()
        whole = self._dress(self.frames)
        count = whole.shape[1]
        pauses, none = self.wire.pauses(count), np.zeros(count)
        step = max(1, BLOCK_BITS // max(count, 1))
        before = np.roll(self.rows, 1)
        until = np.append(self.starts[1:], self.starts[-1:] + 1.0)
        for number, first in enumerate(range(0, len(self.starts), step)):
            rng = np.random.default_rng([*self.seed, number])
            stop = min(first + step, len(self.starts))
            odd = [i for i in range(first, stop) if i in self.altered] if self.altered else []
            parts: list[Made] = []
            at = first
            for cut in [*odd, stop]:
                if cut > at:
                    own = slice(at, cut)
                    last_bits = whole[before[own]]
                    if at == 0:
                        last_bits[0] = 0
                    job = Job(self.starts[own], until[own], whole[self.rows[own]], last_bits, pauses, none)
                    parts.append(self.wire.make(job, rng, sums))
                if cut < stop:
                    made = self.wire.make(self._odd_job(cut, float(until[cut])), rng, sums)
                    if any(bool(np.any(np.diff(line) <= 0.0)) for line in made.lines):
                        raise ValueError("a fault changes a bit time by more than the pulse or its low can give")
                    parts.append(made)
                at = cut + 1
            bits = np.full(stop - first, self.frames.shape[1], dtype=np.int64)
            bits[[i - first for i in odd]] = [len(self.sent(i)) for i in odd]
            yield Block(first, _join(parts), bits)

    def sent(self, update: int) -> Bits:
        """The LED bits that an update sends, in order."""
        payload, keep = self._payload(update)
        return payload if keep is None else payload[:keep]

    def _payload(self, update: int) -> tuple[Bits, int | None]:
        payload = self.frames[self.rows[update]]
        keep: int | None = None
        for change in self.altered.get(update, ()):
            if change.extra:
                payload = np.concatenate((payload, np.array(change.extra, dtype=np.uint8)))
            if change.keep_bits is not None:
                keep = change.keep_bits if keep is None else min(keep, change.keep_bits)
        return payload, keep

    def _dress(self, payload: Bits) -> Bits:
        head, tail = self.wire.format.head, self.wire.format.tail
        rows = payload.shape[0]
        return np.concatenate((np.tile(head, (rows, 1)), payload, np.tile(tail, (rows, 1))), axis=1)

    def _odd_job(self, update: int, until: float) -> Job:
        payload, keep = self._payload(update)
        head = len(self.wire.format.head)
        bits = self._dress(payload[None, :])
        if keep is not None:
            bits = bits[:, : head + keep]
        count = bits.shape[1]
        pauses, change = self.wire.pauses(count).copy(), np.zeros(count)
        for altered in self.altered[update]:
            if 0 < head + altered.pause_bit < count:
                pauses[head + altered.pause_bit] += altered.pause_s
            change[head + altered.bit : head + altered.bit + altered.bits] += altered.change_s
        return Job(self.starts[update : update + 1], np.array([until]), bits, np.zeros_like(bits), pauses, change)


def _join(parts: list[Made]) -> Made:
    if len(parts) == 1:
        return parts[0]
    lines = zip(*(part.lines for part in parts), strict=True)
    return Made(
        lines=tuple(np.concatenate(line) for line in lines),
        begin_s=np.concatenate([part.begin_s for part in parts]),
        last_s=np.concatenate([part.last_s for part in parts]),
        first_visible_s=np.concatenate([part.first_visible_s for part in parts]),
        visible_s=np.concatenate([part.visible_s for part in parts]),
        changed=np.concatenate([part.changed for part in parts]),
    )


def value_planes(image: NDArray[np.uint8], order: str) -> NDArray[np.uint8]:
    """Colour values in wire order, shape (columns, leds, letters). White is the least of the three colours; a chain of
    one letter W shows the brightest of them."""
    white = image.max(axis=-1) if order == "W" else image.min(axis=-1)
    planes = {"R": image[..., 0], "G": image[..., 1], "B": image[..., 2], "W": white}
    return np.stack([planes[letter] for letter in order], axis=-1)


def on_clock(instants_s: Floats, clock_hz: float | None, error_ppm: float) -> Floats:
    """Instants moved to the nearest tick of the controller's clock, where it has one."""
    if clock_hz is None:
        return instants_s
    true_hz = clock_hz * (1.0 + error_ppm * 1e-6)
    return np.rint(instants_s * true_hz) / true_hz


def jitter(shape: tuple[int, ...], rms_ns: float, rng: np.random.Generator) -> Floats:
    """Gaussian jitter in seconds, cut at five times its rms."""
    noise = rng.standard_normal(shape) * (rms_ns * 1e-9)
    return np.clip(noise, -5e-9 * rms_ns, 5e-9 * rms_ns)
