"""One-wire lines for tests, drawn here and not by the synthesiser: bits to true edges to what a recorder writes."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from build import capture, channel
from spinlag.capture import Capture, SamplePeriod
from spinlag.leds.onewire import decode
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import CaptureTable, LedsTable, Rig

NS = 1e-9
US = 1e-6

TIMES = (400.0, 850.0, 800.0, 450.0)
"""T0H, T0L, T1H, T1L in ns: nominal values of the WS2812B sheet dated 2013-05-30, p. 3."""


@dataclass
class Drawn:
    """True instants in seconds of a line's edges, and what was sent: bits, and bytes with the last one padded."""

    edges: list[NDArray[np.float64]] = field(default_factory=list)
    sent: list[NDArray[np.bool_]] = field(default_factory=list)

    def update(
        self,
        bits: Any,
        start_s: float,
        times: tuple[float, ...] = TIMES,
        pauses: dict[int, float] | None = None,
        highs: dict[int, float] | None = None,
    ) -> float:
        """Add an update; `pauses` (s) lengthen the low after a bit, `highs` (s) its high. Returns its last edge."""
        bits = np.asarray(bits, dtype=bool)
        high = np.where(bits, times[2], times[0]) * NS
        low = np.where(bits, times[3], times[1]) * NS
        for bit, more in (highs or {}).items():
            high[bit] += more
            low[bit] -= more
        for bit, more in (pauses or {}).items():
            low[bit] += more
        rise = start_s + np.concatenate(([0.0], np.cumsum(high + low)[:-1]))
        self.edges.append(np.stack((rise, rise + high), axis=1).ravel())
        self.sent.append(bits)
        return float(rise[-1] + high[-1])

    def pulse(self, start_s: float, length_s: float) -> None:
        """Add a pulse that is no bit."""
        self.edges.append(np.array([start_s, start_s + length_s]))

    def recorded(
        self,
        *,
        rate_hz: float = 24e6,
        tick: Fraction = Fraction(1, 10**9),
        phase: float = 0.3,
        clock_error: float = 0.0,
        tail_s: float = 400 * US,
        inverted: bool = False,
        initial: int | None = None,
        noise_s: float = 0.0,
        seed: int = 0,
    ) -> Capture:
        """What a recorder of that rate writes: each edge at the first sample from it on, in ticks from tick 0 on."""
        true = np.sort(np.concatenate(self.edges))
        if noise_s:
            true = true + np.random.default_rng(seed).normal(0.0, noise_s, true.size)
        samples = np.ceil(true * (1 + clock_error) * rate_hz + phase)
        ticks = np.rint(samples / rate_hz / float(tick)).astype(np.int64)
        level = (1 if inverted else 0) if initial is None else initial
        end = int(ticks[-1] + tail_s / float(tick))
        made = capture([channel("DOUT", ticks, initial=level)], tick=tick, end=end)
        per_sample = 1 / (Fraction(rate_hz).limit_denominator(1) * tick)
        return Capture(**{**made.__dict__, "sample_period": SamplePeriod(per_sample, "given")})


def bits_of(data: Any) -> NDArray[np.bool_]:
    """Bits of bytes, most significant first."""
    return np.unpackbits(np.frombuffer(bytes(data), dtype=np.uint8)).astype(bool)


def random_bits(rng: np.random.Generator, leds: int, per_led: int = 24) -> NDArray[np.bool_]:
    """Random colours."""
    return rng.integers(0, 2, leds * per_led).astype(bool)


def even_updates(n: int, leds: int, *, slot_s: float, seed: int = 0, times: tuple[float, ...] = TIMES) -> Drawn:
    """n updates of random colours, about `slot_s` apart, never at the same phase of the recorder's clock."""
    rng = np.random.default_rng(seed)
    drawn = Drawn()
    for k in range(n):
        drawn.update(random_bits(rng, leds), 100 * US + k * slot_s + rng.uniform(0, 2 * US), times)
    return drawn


def decoded(made: Capture, *, clock_ppm: float = 50.0, **chain: Any) -> ChainUpdates:
    """The line DOUT decoded as a chain with these rig keys."""
    table = LedsTable(**{"name": "arm", "data": "DOUT", **chain})
    return decode(made, table, Rig(capture=CaptureTable(clock_ppm=clock_ppm), leds=(table,)))


def received(updates: ChainUpdates) -> list[bytes]:
    """Whole bytes of each update."""
    at = updates.offsets
    return [updates.data[at[i] : at[i + 1]].tobytes() for i in range(len(updates))]


def sent(drawn: Drawn) -> list[bytes]:
    """Whole bytes of each update as sent."""
    return [np.packbits(bits).tobytes()[: len(bits) // 8] for bits in drawn.sent]
