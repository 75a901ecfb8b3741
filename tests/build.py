"""Small captures built edge by edge, for tests that must not lean on the synthesiser."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from spinlag.capture import Capture, Channel, SamplePeriod

RIG = """
[capture]
sample_rate_hz = 1e9
[index]
channel = "SENSOR"
[[leds]]
name = "arm"
part = "WS2812B 2013-05"
data = "DOUT"
count = 2
[display]
columns = 8
"""
"""The rig of `display`, with the part that its bits are timed for."""


def channel(name, edges, initial=0):
    """A channel from edge ticks."""
    return Channel(name=name, path=f"bench.{name}", initial=initial, edges=np.asarray(edges, dtype=np.int64))


def capture(channels, *, tick=Fraction(1, 10**9), sample_ticks=Fraction(1), start=0, end=None, warnings=()):
    """A capture around channels; it ends one tick after the last edge unless told otherwise."""
    last = max((int(c.edges[-1]) for c in channels if len(c.edges)), default=0)
    return Capture(
        file="built.vcd",
        sha256="0" * 64,
        importer="built",
        tick=Fraction(tick),
        start=start,
        end=last + 1 if end is None else end,
        channels=tuple(channels),
        sample_period=SamplePeriod(Fraction(sample_ticks), "given"),
        warnings=tuple(warnings),
    )


def pulses(at, width):
    """Edges of positive pulses that begin at the given ticks."""
    at = np.asarray(at, dtype=np.int64)
    return np.column_stack((at, at + width)).ravel()


def one_wire_bits(data, *, t0h=400, t0l=850, t1h=800, t1l=450):
    """Edges (ns from 0) of bytes sent most significant bit first on a one-wire line; starts low, ends low."""
    bits = np.unpackbits(np.frombuffer(bytes(data), dtype=np.uint8))
    high = np.where(bits, t1h, t0h)
    begin = np.concatenate(([0], np.cumsum(high + np.where(bits, t1l, t0l))[:-1]))
    return np.column_stack((begin, begin + high)).ravel()


def display(
    *,
    revolutions=12,
    period=28_571_000,
    columns=8,
    leds=2,
    response=100_000,
    jitter=None,
    seed=1,
    drop=(),
    move=None,
):
    """Index and LED line of an ideal arm: (capture, instants of the index edges, starts of the updates).

    `drop` lists (revolution, column) to leave out, `move` maps (revolution, column) to extra ticks of delay.
    """
    rng = np.random.default_rng(seed)
    index = np.arange(revolutions + 1, dtype=np.int64) * period + 1_000_000
    led_edges, starts = [], []
    for revolution in range(revolutions):
        for column in range(columns):
            if (revolution, column) in drop:
                continue
            at = int(index[revolution]) + response + column * period // columns
            at += (move or {}).get((revolution, column), 0) + (int(rng.integers(0, jitter)) if jitter else 0)
            data = rng.integers(0, 256, 3 * leds, dtype=np.uint8)
            led_edges.append(at + one_wire_bits(data.tobytes()))
            starts.append(at)
    built = capture([channel("SENSOR", pulses(index, 200_000)), channel("DOUT", np.concatenate(led_edges))])
    return built, index, np.array(starts)
