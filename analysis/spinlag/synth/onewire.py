"""One-wire NRZ lines: each bit a pulse whose high time tells its value."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.chains import OneWire
from spinlag.synth.scenario import Firmware
from spinlag.synth.wire import Bits, Floats, Format, IntervalSums, Job, Made, jitter, on_clock, value_planes

_NO_BITS: Bits = np.empty(0, dtype=np.uint8)


class OneWireWire:
    """A one-wire chain: eight bits for each letter of the order, most significant first, nothing before or after."""

    def __init__(self, chain: OneWire, firmware: Firmware) -> None:
        self.chain, self.firmware = chain, firmware
        self.channels = (chain.data,)
        self.idle = (int(chain.inverted),)
        self.format = Format(_NO_BITS, 8 * len(chain.order), _NO_BITS)

    def frames(self, image: NDArray[np.uint8]) -> Bits:
        """LED words of every column, shape (columns, bits)."""
        return np.unpackbits(value_planes(image, self.chain.order).reshape(image.shape[0], -1), axis=1)

    def pauses(self, bits: int) -> Floats:
        """Extra low before each bit, in seconds, shape (bits,)."""
        extra = np.zeros(bits)
        if self.chain.pause_every_leds and self.chain.pause_us > 0:
            step = self.chain.pause_every_leds * self.format.word
            extra[step::step] = self.chain.pause_us * 1e-6
        return extra

    def duration_s(self, leds: int) -> float:
        """The longer of the two bit periods for each bit, and the pauses."""
        chain = self.chain
        bit = max(chain.t0h_ns + chain.t0l_ns, chain.t1h_ns + chain.t1l_ns) * 1e-9
        return leds * self.format.word * bit + float(self.pauses(leds * self.format.word).sum())

    def make(self, job: Job, rng: np.random.Generator, sums: IntervalSums) -> Made:
        """Rising and falling edge of every bit."""
        chain, firmware = self.chain, self.firmware
        rate = 1.0 / (1.0 + firmware.clock_error_ppm * 1e-6)
        one = job.bits.astype(bool)
        high = np.where(one, chain.t1h_ns, chain.t0h_ns) * (1e-9 * rate)
        period = np.where(one, chain.t1h_ns + chain.t1l_ns, chain.t0h_ns + chain.t0l_ns) * (1e-9 * rate)
        out = np.empty((one.shape[0], 2 * one.shape[1]))
        rise = out[:, 0::2]
        rise[:, 0] = 0.0
        np.cumsum(period[:, :-1], axis=1, out=rise[:, 1:])
        rise += np.cumsum(job.pauses * rate)
        rise += job.starts[:, None]
        np.add(rise, high + job.high_change * rate, out=out[:, 1::2])
        if chain.jitter_ns > 0:
            out += jitter(out.shape, chain.jitter_ns, rng)
        out = on_clock(out, firmware.clock_hz, firmware.clock_error_ppm)
        _tally(out, one, job.pauses, sums)
        visible = out[:, -1] + chain.latch_us * 1e-6
        changed = np.ones(len(out), dtype=bool)
        return Made((out.ravel(),), out[:, 0].copy(), out[:, -1].copy(), visible, visible, changed)


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
