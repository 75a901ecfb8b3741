"""Direct lines: one line for each LED or colour, on or off, perhaps pulse-width modulated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.chains import Direct
from spinlag.synth.scenario import Firmware
from spinlag.synth.wire import Bits, Floats, Format, IntervalSums, Job, Made, on_clock, value_planes

_NO_BITS: Bits = np.empty(0, dtype=np.uint8)


class DirectWire:
    """Port pins. An update sets every line, `skew_ns` one after another; with `pwm_hz` each line is on for its value's
    share of every PWM period, which starts anew with the update."""

    def __init__(self, chain: Direct, firmware: Firmware) -> None:
        self.chain, self.firmware = chain, firmware
        self.channels = chain.lines
        self.idle = tuple(0 for _ in chain.lines)
        self.depth = 1 if chain.pwm_hz is None else 8
        self.format = Format(_NO_BITS, len(chain.order) * self.depth, _NO_BITS)

    def frames(self, image: NDArray[np.uint8]) -> Bits:
        """Values of every column, shape (columns, lines * depth): one bit, or eight with PWM."""
        values = value_planes(image, self.chain.order).reshape(image.shape[0], -1)
        return (values > 127).astype(np.uint8) if self.depth == 1 else np.unpackbits(values, axis=1)

    def pauses(self, bits: int) -> Floats:
        """None."""
        return np.zeros(bits)

    def duration_s(self, leds: int) -> float:
        """From the first pin to the last."""
        return leds * len(self.chain.order) * self.chain.skew_ns * 1e-9

    def make(self, job: Job, rng: np.random.Generator, sums: IntervalSums) -> Made:
        """On and off edges of every line. Where one update's light meets the next one's, two toggles stand at one
        instant, and the recorder sees neither."""
        del rng, sums
        lines = []
        rate = 1.0 / (1.0 + self.firmware.clock_error_ppm * 1e-6)
        tick = self.firmware.clock_hz, self.firmware.clock_error_ppm
        skews = np.arange(len(self.channels)) * (self.chain.skew_ns * 1e-9 * rate)
        for i, skew in enumerate(skews):
            begin, end = job.starts + skew, job.until + skew
            bits = job.bits[:, i * self.depth : (i + 1) * self.depth]
            value = bits[:, 0] if self.depth == 1 else np.packbits(bits, axis=1)[:, 0]
            share = value / (1 if self.depth == 1 else 255)
            lines.append(on_clock(self._pulses(begin, end, share, rate), *tick))
        moved = job.bits != job.before
        changed = moved.any(axis=1)
        last = moved.reshape(len(moved), len(skews), self.depth).any(axis=2)
        final = np.where(changed, skews[len(skews) - 1 - np.argmax(last[:, ::-1], axis=1)], 0.0)
        first = np.where(changed, skews[np.argmax(last, axis=1)], 0.0)
        begin, end = on_clock(job.starts + first, *tick), on_clock(job.starts + final, *tick)
        return Made(tuple(lines), begin, end, begin, end, changed)

    def _pulses(self, begin: Floats, end: Floats, share: Floats, rate: float) -> Floats:
        """Toggles of one line: on for `share` of each period within [begin, end)."""
        if self.chain.pwm_hz is None:
            on = share > 0
            return np.stack((begin[on], end[on]), axis=1).ravel()
        period = rate / self.chain.pwm_hz
        counts = np.where(share > 0, np.ceil((end - begin) / period), 0).astype(np.int64)
        counts[share >= 1] = 1
        which = np.repeat(np.arange(len(begin)), counts)
        number = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
        on = begin[which] + number * period
        off = np.where(share[which] >= 1, end[which], np.minimum(on + share[which] * period, end[which]))
        return np.stack((on, off), axis=1)[on < end[which]].ravel()
