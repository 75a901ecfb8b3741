"""Latched chains: shift registers with data, clock, latch and perhaps a blank line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.chains import Latched
from spinlag.synth.scenario import Firmware
from spinlag.synth.wire import Bits, Floats, Format, IntervalSums, Job, Made, jitter, on_clock, value_planes

_NO_BITS: Bits = np.empty(0, dtype=np.uint8)


class LatchedWire:
    """A chain of shift registers: the last output's bits go first, most significant first; the rising latch edge shows
    them, or the falling blank edge where there is a blank line."""

    def __init__(self, chain: Latched, firmware: Firmware) -> None:
        self.chain, self.firmware = chain, firmware
        self.channels = (chain.data, chain.clock, chain.latch, *([chain.blank] if chain.blank else []))
        self.idle = (0, 0, 0, *([0] if chain.blank else []))
        outputs = chain.count * len(chain.order)
        self.spare = -outputs % chain.outputs_per_chip
        head = np.zeros(self.spare * chain.depth, dtype=np.uint8)
        self.format = Format(head, len(chain.order) * chain.depth, _NO_BITS)
        self.period_s = 1.0 / chain.clock_rate_hz
        self.lead_s = 0.5 * self.period_s if chain.data_lead_ns is None else chain.data_lead_ns * 1e-9

    def frames(self, image: NDArray[np.uint8]) -> Bits:
        """Bits of every column in the order they are shifted out, shape (columns, bits): the last output first."""
        values = value_planes(image, self.chain.order).reshape(image.shape[0], -1)[:, ::-1]
        depth = self.chain.depth
        if depth == 1:
            return (values > 127).astype(np.uint8)
        grey = values.astype(np.int64) * ((1 << depth) - 1) // 255
        shifts = np.arange(depth - 1, -1, -1)
        return np.asarray((grey[..., None] >> shifts) & 1, dtype=np.uint8).reshape(image.shape[0], -1)

    def pauses(self, bits: int) -> Floats:
        """None."""
        return np.zeros(bits)

    def duration_s(self, leds: int) -> float:
        """All bits, then latch and blank."""
        chain = self.chain
        bits = len(self.format.head) + leds * self.format.word
        after_ns = chain.latch_after_ns + chain.latch_width_ns + (chain.blank_tail_ns if chain.blank else 0.0)
        return float(self.lead_s + bits * self.period_s + after_ns * 1e-9)

    def make(self, job: Job, rng: np.random.Generator, sums: IntervalSums) -> Made:
        """Clock, data, latch and blank edges."""
        chain = self.chain
        rate = 1.0 / (1.0 + self.firmware.clock_error_ppm * 1e-6)
        m, b = job.bits.shape
        rise = np.arange(b) * self.period_s + np.cumsum(job.pauses) + self.lead_s
        clock = np.empty((m, 2 * b))
        clock[:, 0::2] = rise * rate + job.starts[:, None]
        clock[:, 1::2] = clock[:, 0::2] + (0.5 * self.period_s + job.high_change) * rate
        data = np.empty((m, b + 1))
        data[:, :b] = clock[:, 0::2] - self.lead_s * rate
        data[:, b] = clock[:, -2] + (self.period_s - self.lead_s) * rate
        latch = np.empty((m, 2))
        latch[:, 0] = clock[:, -1] + chain.latch_after_ns * 1e-9 * rate
        latch[:, 1] = latch[:, 0] + chain.latch_width_ns * 1e-9 * rate
        blank = latch + np.array([-chain.blank_lead_ns, chain.blank_tail_ns]) * 1e-9 * rate
        if chain.jitter_ns > 0:
            for edges in (clock, data, latch, blank):
                edges += jitter(edges.shape, chain.jitter_ns, rng)
        tick = self.firmware.clock_hz, self.firmware.clock_error_ppm
        clock, data, latch, blank = (on_clock(edges, *tick) for edges in (clock, data, latch, blank))
        level = np.zeros((m, b + 2), dtype=np.uint8)
        level[:, 1:-1] = job.bits
        toggles = level[:, 1:] != level[:, :-1]
        self._tally(clock, data, latch, toggles, sums)
        shown = blank[:, 1] if chain.blank else latch[:, 0]
        lines = (data[toggles], clock.ravel(), latch.ravel(), *([blank.ravel()] if chain.blank else []))
        return Made(lines, clock[:, 0].copy(), clock[:, -1].copy(), shown, shown, np.ones(m, dtype=bool))

    def _tally(
        self, clock: Floats, data: Floats, latch: Floats, toggles: NDArray[np.bool_], sums: IntervalSums
    ) -> None:
        rise, fall = clock[:, 0::2], clock[:, 1::2]
        sums.add("clock_high", (fall - rise).ravel())
        sums.add("clock_low", (rise[:, 1:] - fall[:, :-1]).ravel())
        sums.add("clock_period", (rise[:, 1:] - rise[:, :-1]).ravel())
        sums.add("data_setup", (rise - data[:, :-1])[toggles[:, :-1]])
        sums.add("data_hold", (data[:, 1:] - rise)[toggles[:, 1:]])
        sums.add("clock_to_latch", latch[:, 0] - rise[:, -1])
        sums.add("latch_width", latch[:, 1] - latch[:, 0])
