"""Clocked and latched lines for tests, drawn here and not by the synthesiser: bits to true edges to a recording."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from build import capture, channel
from spinlag.capture import Capture, SamplePeriod

NS = 1e-9
US = 1e-6


@dataclass
class Clocked:
    """Data, clock and perhaps a latch and a blank line, in true seconds. `high_s`, `low_s`: the clock; data are set
    `setup_s` before the sampling edge and, with `hold_s`, turned over that long after it."""

    high_s: float = 250 * NS
    low_s: float = 250 * NS
    setup_s: float = 200 * NS
    hold_s: float | None = None
    idle_high: bool = False
    clock: list[float] = field(default_factory=list)
    data: list[float] = field(default_factory=list)
    latch: list[float] = field(default_factory=list)
    blank: list[float] = field(default_factory=list)
    sent: list[NDArray[np.bool_]] = field(default_factory=list)
    level: int = 0

    def update(self, bits, start_s: float, *, pauses: dict[int, float] | None = None) -> float:
        """Add an update whose first sampling edge is at `start_s`; `pauses` (s) lengthen the clock's rest after a bit.
        Returns the last sampling edge."""
        bits = np.asarray(bits, dtype=bool)
        at = rise = start_s
        for index, bit in enumerate(bits.tolist()):
            rise = at
            if self.idle_high:
                self.clock += [rise - self.low_s, rise]
            else:
                self.clock += [rise, rise + self.high_s]
            self._set(int(bit), rise - self.setup_s)
            if self.hold_s is not None:
                self._set(1 - int(bit), rise + self.hold_s)
            at += self.high_s + self.low_s + (pauses or {}).get(index, 0.0)
        self.sent.append(bits)
        return rise

    def _set(self, value: int, at: float) -> None:
        if value != self.level:
            self.data.append(at)
            self.level = value

    def pulse_latch(self, at: float, width: float) -> None:
        """Add a latch pulse."""
        self.latch += [at, at + width]

    def pulse_blank(self, begin: float, end: float) -> None:
        """Add a blank pulse."""
        self.blank += [begin, end]

    def recorded(
        self,
        *,
        rate_hz: float = 100e6,
        tick: Fraction = Fraction(1, 10**10),
        phase: float = 0.3,
        tail_s: float = 300 * US,
        noise_s: float = 0.0,
        seed: int = 0,
    ) -> Capture:
        """What a recorder of that rate writes: each edge at the first sample from it on."""
        rng = np.random.default_rng(seed)
        channels = []
        last = max(self.clock[-1], *(self.latch or [0.0]), *(self.blank or [0.0]))
        for name, edges, initial in (
            ("DATA", self.data, 0),
            ("CLOCK", self.clock, int(self.idle_high)),
            ("LATCH", self.latch, 0),
            ("BLANK", self.blank, 0),
        ):
            true = np.array(edges)
            if noise_s:
                true = true + rng.normal(0.0, noise_s, true.size)
            ticks = np.rint(np.ceil(true * rate_hz + phase) / rate_hz / float(tick)).astype(np.int64)
            ticks, counts = np.unique(ticks, return_counts=True)
            channels.append(channel(name, ticks[counts % 2 == 1], initial=initial))
        made = capture(channels, tick=tick, end=int((last + tail_s) / float(tick)))
        per_sample = 1 / (Fraction(rate_hz).limit_denominator(1) * tick)
        return Capture(**{**made.__dict__, "sample_period": SamplePeriod(per_sample, "given")})


def ones(count: int) -> NDArray[np.bool_]:
    """So many ones."""
    return np.ones(count, dtype=bool)


def zeros(count: int) -> NDArray[np.bool_]:
    """So many zeros."""
    return np.zeros(count, dtype=bool)


def apa_words(rng: np.random.Generator, leds: int, brightness: int = 31) -> NDArray[np.bool_]:
    """111, brightness, three random bytes for each LED."""
    words = np.concatenate(
        (np.full((leds, 1), 0xE0 | brightness, dtype=np.uint8), rng.integers(0, 256, (leds, 3), dtype=np.uint8)), axis=1
    )
    return np.unpackbits(words).astype(bool)


def apa_update(rng: np.random.Generator, leds: int, brightness: int = 31, end: int | None = None) -> NDArray[np.bool_]:
    """A whole APA102 update: 32 zeros, the words, ones."""
    tail = max(32, leds // 2 + 1) if end is None else end
    return np.concatenate((zeros(32), apa_words(rng, leds, brightness), ones(tail)))
