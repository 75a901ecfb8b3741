"""Clocked two-wire chains: data beside a clock, with each family's start frame, LED word and end."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spinlag.synth.chains import Clocked
from spinlag.synth.scenario import Firmware
from spinlag.synth.wire import Bits, Floats, Format, IntervalSums, Job, Made, jitter, on_clock, value_planes


def _zeros(bits: int) -> Bits:
    return np.zeros(bits, dtype=np.uint8)


def _bytes_of(planes: NDArray[np.uint8], headers: NDArray[np.uint8] | None = None) -> Bits:
    """Bits of each LED's bytes, perhaps behind a header byte."""
    if headers is not None:
        planes = np.concatenate((headers[..., None], planes), axis=-1)
    return np.unpackbits(planes.reshape(planes.shape[0], -1), axis=1)


def _apa102_words(planes: NDArray[np.uint8], chain: Clocked) -> Bits:
    """111 and five bits of brightness, then three bytes (APA102C sheet of 2014-10, pages 3 and 4)."""
    return _bytes_of(planes, np.full(planes.shape[:2], 0xE0 | chain.brightness, dtype=np.uint8))


def _p9813_words(planes: NDArray[np.uint8], chain: Clocked) -> Bits:
    """11 and the inverted top two bits of blue, green, red; then blue, green, red (P9813 sheet, pages 2 and 3)."""
    blue, green, red = (planes[..., chain.order.index(letter)] for letter in "BGR")
    header = 0xC0 | ((~blue & 0xC0) >> 2) | ((~green & 0xC0) >> 4) | ((~red & 0xC0) >> 6)
    return _bytes_of(planes, header.astype(np.uint8))


def _plain_words(planes: NDArray[np.uint8], _: Clocked) -> Bits:
    return _bytes_of(planes)


def _lpd6803_words(planes: NDArray[np.uint8], _: Clocked) -> Bits:
    """A one and five bits for each colour (LPD6803 sheet, page 9)."""
    five = (planes >> 3).astype(np.int64)
    words = (1 << 15) | (five[..., 0] << 10) | (five[..., 1] << 5) | five[..., 2]
    return _bytes_of(np.stack((words >> 8, words & 0xFF), axis=-1).astype(np.uint8))


def _lpd8806_words(planes: NDArray[np.uint8], _: Clocked) -> Bits:
    """A one and seven bits for each colour."""
    return _bytes_of(np.asarray((planes >> 1) | 0x80, dtype=np.uint8))


_WORDS: dict[str, Callable[[NDArray[np.uint8], Clocked], Bits]] = {
    "APA102": _apa102_words,
    "SK9822": _apa102_words,
    "P9813": _p9813_words,
    "WS2801": _plain_words,
    "LPD6803": _lpd6803_words,
    "LPD8806": _lpd8806_words,
}
_WORD_BITS = {"APA102": 32, "SK9822": 32, "P9813": 32, "WS2801": 24, "LPD6803": 16, "LPD8806": 24}


def _tail(chain: Clocked) -> Bits:
    """End of an update that reaches the last of `count` LEDs; `end_bits` and `end_ones` overrule it."""
    n = chain.count
    half = 8 * math.ceil(n / 16)
    usual = {
        "APA102": (max(32, half), 1),
        "SK9822": (32 + half, 0),  # a reset frame of zeros, then half a clock for each LED
        "P9813": (32, 0),
        "WS2801": (0, 0),
        "LPD6803": (8 * math.ceil(n / 8), 0),
        "LPD8806": (8 * math.ceil(n / 32), 0),
    }
    bits, level = usual[chain.protocol]
    bits = bits if chain.end_bits is None else chain.end_bits
    level = level if chain.end_ones is None else int(chain.end_ones)
    return np.full(bits, level, dtype=np.uint8)


class ClockedWire:
    """A two-wire chain. The clock idles low; data change `data_lead_ns` before the rising edge that samples them (half
    a clock where not given) and return to low when one more bit would change them."""

    def __init__(self, chain: Clocked, firmware: Firmware) -> None:
        self.chain, self.firmware = chain, firmware
        self.channels = (chain.data, chain.clock)
        self.idle = (0, 0)
        head = 0 if chain.protocol in ("WS2801", "LPD8806") else 32
        self.format = Format(_zeros(head), _WORD_BITS[chain.protocol], _tail(chain))
        self.period_s = 1.0 / chain.clock_rate_hz
        self.high_s = self.period_s * chain.clock_high
        self.lead_s = self.period_s - self.high_s if chain.data_lead_ns is None else chain.data_lead_ns * 1e-9

    def frames(self, image: NDArray[np.uint8]) -> Bits:
        """LED words of every column, shape (columns, bits)."""
        return _WORDS[self.chain.protocol](value_planes(image, self.chain.order), self.chain)

    def pauses(self, bits: int) -> Floats:
        """The controller's pause between bytes, shape (bits,)."""
        extra = np.zeros(bits)
        extra[8::8] = self.chain.byte_gap_us * 1e-6
        return extra

    def duration_s(self, leds: int) -> float:
        """All bits, head and tail included, and the pauses."""
        bits = len(self.format.head) + leds * self.format.word + len(self.format.tail)
        return float(self.lead_s + bits * self.period_s + self.pauses(bits).sum())

    def make(self, job: Job, rng: np.random.Generator, sums: IntervalSums) -> Made:
        """Clock edges of every bit, and a data edge wherever the bit differs from the one before."""
        rate = 1.0 / (1.0 + self.firmware.clock_error_ppm * 1e-6)
        m, b = job.bits.shape
        rise = np.arange(b) * self.period_s + np.cumsum(job.pauses) + self.lead_s
        clock = np.empty((m, 2 * b))
        clock[:, 0::2] = rise * rate + job.starts[:, None]
        clock[:, 1::2] = clock[:, 0::2] + (self.high_s + job.high_change) * rate
        data = np.empty((m, b + 1))
        data[:, :b] = clock[:, 0::2] - self.lead_s * rate
        data[:, b] = clock[:, -2] + (self.period_s - self.lead_s) * rate
        if self.chain.jitter_ns > 0:
            clock += jitter(clock.shape, self.chain.jitter_ns, rng)
            data += jitter(data.shape, self.chain.jitter_ns, rng)
        tick = self.firmware.clock_hz, self.firmware.clock_error_ppm
        clock, data = on_clock(clock, *tick), on_clock(data, *tick)
        level = np.zeros((m, b + 2), dtype=np.uint8)
        level[:, 1:-1] = job.bits
        toggles = level[:, 1:] != level[:, :-1]
        _tally(clock, data, toggles, job.pauses, sums)
        first, last = self._visible(clock, job)
        lines = (data[toggles], clock.ravel())
        return Made(lines, clock[:, 0].copy(), clock[:, -1].copy(), first, last, np.ones(m, dtype=bool))

    def _visible(self, clock: Floats, job: Job) -> tuple[Floats, Floats]:
        """When the first and the last LED show the update, as far as is known of the family.

        APA102 and P9813: each LED with the last bit of its own word, and on the APA102 half a clock later for every LED
        before it. SK9822: all, when 32 zeros have followed the data (or precede the next). WS2801: all, when the clock
        has been low for the latch time. LPD8806: each LED as the next byte begins. LPD6803: with the last clock.
        """
        head, word = len(self.format.head), self.format.word
        rises = clock[:, 0::2]
        b = rises.shape[1]
        leds = max((b - head - len(self.format.tail)) // word, 1)
        kind = self.chain.protocol
        if kind == "WS2801":
            both = clock[:, -1] + self.chain.latch_us * 1e-6
            return both, both
        if kind == "SK9822":
            at = head + leds * word + 31
            both = rises[:, at] if at < b else job.until + self.lead_s + 31 * self.period_s
            return both, both
        if kind == "LPD6803":
            return clock[:, -1], clock[:, -1]
        beyond = 1 if kind == "LPD8806" else 0
        ends = [min(head + word * i - 1 + beyond, b - 1) for i in (1, leds)]
        half = 0.5 * self.period_s if kind == "APA102" else 0.0
        return rises[:, ends[0]], rises[:, ends[1]] + (leds - 1) * half


def _tally(clock: Floats, data: Floats, toggles: NDArray[np.bool_], pauses: Floats, sums: IntervalSums) -> None:
    rise, fall = clock[:, 0::2], clock[:, 1::2]
    plain = pauses[1:] == 0.0
    sums.add("clock_high", (fall - rise).ravel())
    sums.add("clock_low", (rise[:, 1:] - fall[:, :-1])[:, plain].ravel())
    sums.add("clock_period", (rise[:, 1:] - rise[:, :-1])[:, plain].ravel())
    sums.add("data_setup", (rise - data[:, :-1])[toggles[:, :-1]])
    sums.add("data_hold", (data[:, 1:] - rise)[toggles[:, 1:]])
