"""One-wire NRZ lines: bytes of many updates to true edge instants, block by block."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.scenario import Firmware, OneWire

Floats = NDArray[np.float64]

BLOCK_BITS = 400_000
"""About how many bits are made at once."""


@dataclass(frozen=True)
class Alteration:
    """What a planted fault does to one update.

    `keep_bits` cuts it, `extra` bytes lengthen it, a pause of `pause_s` stands before bit `pause_bit`, and bits
    [bit, bit + bits) have their high time changed by `change_s` (the low gives way).
    """

    keep_bits: int | None = None
    extra: bytes = b""
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
class EdgeBlock:
    """Edges of updates [first, first + n): `edges_s` ascending, and `begin_s`, `last_s`, `bits` of each update."""

    first: int
    edges_s: Floats
    begin_s: Floats
    last_s: Floats
    bits: NDArray[np.int64]


def bit_time_s(chain: OneWire) -> float:
    """The longer of the two bit periods, in seconds of the controller's clock."""
    return max(chain.t0h_ns + chain.t0l_ns, chain.t1h_ns + chain.t1l_ns) * 1e-9


def wire_time_s(chain: OneWire, leds: int) -> float:
    """How long an update of so many LEDs takes at most, in seconds of the controller's clock."""
    pauses = (leds - 1) // chain.pause_every_leds if chain.pause_every_leds and leds else 0
    return leds * 8 * len(chain.order) * bit_time_s(chain) + pauses * chain.pause_us * 1e-6


def _pauses(chain: OneWire, bits: int) -> Floats:
    """Extra low before each bit, in seconds, shape (bits,)."""
    extra = np.zeros(bits)
    if chain.pause_every_leds and chain.pause_us > 0:
        step = chain.pause_every_leds * 8 * len(chain.order)
        extra[step::step] = chain.pause_us * 1e-6
    return extra


def _edges(
    chain: OneWire,
    firmware: Firmware,
    starts: Floats,
    bits: NDArray[np.uint8],
    high_change: Floats,
    pauses: Floats,
    rng: np.random.Generator,
    sums: IntervalSums,
) -> Floats:
    """Edges of m updates of b bits each, shape (m, 2 b). `high_change` and `pauses`, seconds, are of shape (b,)."""
    rate = 1.0 / (1.0 + firmware.clock_error_ppm * 1e-6)
    one = bits.astype(bool)
    high = np.where(one, chain.t1h_ns, chain.t0h_ns) * (1e-9 * rate)
    period = np.where(one, chain.t1h_ns + chain.t1l_ns, chain.t0h_ns + chain.t0l_ns) * (1e-9 * rate)
    out = np.empty((bits.shape[0], 2 * bits.shape[1]))
    rise = out[:, 0::2]
    rise[:, 0] = 0.0
    np.cumsum(period[:, :-1], axis=1, out=rise[:, 1:])
    rise += np.cumsum(pauses * rate)
    rise += starts[:, None]
    np.add(rise, high + high_change * rate, out=out[:, 1::2])
    if chain.jitter_ns > 0:
        noise = rng.standard_normal(out.shape) * (chain.jitter_ns * 1e-9)
        out += np.clip(noise, -5e-9 * chain.jitter_ns, 5e-9 * chain.jitter_ns)
    if firmware.clock_hz is not None:
        true_hz = firmware.clock_hz / rate
        out = np.rint(out * true_hz) / true_hz
    _tally(out, one, pauses, sums)
    return out


def _tally(edges: Floats, one: NDArray[np.bool_], pauses: Floats, sums: IntervalSums) -> None:
    high = edges[:, 1::2] - edges[:, 0::2]
    sums.add("t0h", high[~one])
    sums.add("t1h", high[one])
    plain = pauses[1:] == 0.0
    low = (edges[:, 2::2] - edges[:, 1:-1:2])[:, plain]
    before = one[:, :-1][:, plain]
    sums.add("t0l", low[~before])
    sums.add("t1l", low[before])
    sums.add("bit_period", (edges[:, 2::2] - edges[:, 0:-2:2])[:, plain])


def edge_blocks(
    chain: OneWire,
    firmware: Firmware,
    starts: Floats,
    rows: NDArray[np.int64],
    frames: NDArray[np.uint8],
    alterations: Mapping[int, Sequence[Alteration]],
    seed: Sequence[int],
    sums: IntervalSums,
) -> Iterator[EdgeBlock]:
    """Edges of all updates, in blocks that do not depend on one another's random numbers.

    Update i starts at starts[i] and sends frames[rows[i]] (uint8, shape (n, bytes)); `alterations` change some of them.
    """
    bits_of = np.unpackbits(frames, axis=1)
    count = bits_of.shape[1]
    pauses = _pauses(chain, count)
    step = max(1, BLOCK_BITS // max(count, 1))
    none = np.zeros(count)
    for block, first in enumerate(range(0, len(starts), step)):
        rng = np.random.default_rng([*seed, block])
        stop = min(first + step, len(starts))
        cuts = [first, *[i for i in range(first, stop) if i in alterations], stop] if alterations else [first, stop]
        parts: list[Floats] = []
        begin, last = np.empty(stop - first), np.empty(stop - first)
        bits = np.full(stop - first, count, dtype=np.int64)
        at = first
        for cut in cuts[1:]:
            if cut > at:
                made = _edges(chain, firmware, starts[at:cut], bits_of[rows[at:cut]], none, pauses, rng, sums)
                parts.append(made.ravel())
                begin[at - first : cut - first] = made[:, 0]
                last[at - first : cut - first] = made[:, -1]
                at = cut
            if cut < stop:
                made = _altered(chain, firmware, float(starts[cut]), frames[rows[cut]], alterations[cut], rng, sums)
                parts.append(made)
                begin[cut - first], last[cut - first] = made[0], made[-1]
                bits[cut - first] = len(made) // 2
                at = cut + 1
        yield EdgeBlock(first, np.concatenate(parts), begin, last, bits)


def altered_bytes(frame: NDArray[np.uint8], alterations: Sequence[Alteration]) -> tuple[NDArray[np.uint8], int]:
    """The bytes that an altered update sends and how many of their bits, in order."""
    keep: int | None = None
    for alteration in alterations:
        if alteration.extra:
            frame = np.concatenate((frame, np.frombuffer(alteration.extra, dtype=np.uint8)))
        if alteration.keep_bits is not None:
            keep = alteration.keep_bits if keep is None else min(keep, alteration.keep_bits)
    bits = len(frame) * 8 if keep is None else min(keep, len(frame) * 8)
    return frame, bits


def _altered(
    chain: OneWire,
    firmware: Firmware,
    start: float,
    frame: NDArray[np.uint8],
    alterations: Sequence[Alteration],
    rng: np.random.Generator,
    sums: IntervalSums,
) -> Floats:
    data, count = altered_bytes(frame, alterations)
    bits = np.unpackbits(data)[None, :count]
    pauses = _pauses(chain, count)
    change = np.zeros(count)
    for alteration in alterations:
        if 0 < alteration.pause_bit < count:
            pauses[alteration.pause_bit] += alteration.pause_s
        change[alteration.bit : alteration.bit + alteration.bits] += alteration.change_s
    return _edges(chain, firmware, np.array([start]), bits, change, pauses, rng, sums).ravel()
