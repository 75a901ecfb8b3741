"""Which LED parts a line seen in a first look may be meant for."""

from __future__ import annotations

import numpy as np

from spinlag.capture import Capture
from spinlag.leds.recognise import RankedPart, fit_sentence, rank_parts
from spinlag.leds.updates import Tally
from spinlag.roles.onewire import OneWire
from spinlag.summary import summarise_counts


def likely_parts(capture: Capture, wire: OneWire) -> tuple[RankedPart, ...]:
    """LED parts by how well the line's bit times agree with their sheets, the best first; none off the time scale."""
    if not wire.on_scale:
        return ()
    tick = float(capture.tick)
    timing = {}
    for name, lengths in wire.lengths.items():
        if len(lengths):
            values, counts = np.unique(lengths, return_counts=True)
            statistics = summarise_counts(values * tick, counts)
            # instants of the extremes play no part in ranking
            timing[name] = Tally(values, counts, 1, int(values[0]), 0, int(values[-1]), 0, statistics)
    bits = wire.burst_bits if wire.burst_share >= 0.5 else None
    return rank_parts(timing, slack_s=0.1 * capture.sample_period_s, bits=bits)


def part_sentence(capture: Capture, wire: OneWire) -> str:
    """What the timing says of the part, in words."""
    return fit_sentence(likely_parts(capture, wire))
