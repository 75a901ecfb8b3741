"""The usual block of a VCD body, nothing but time stamps and one-bit values with one-character codes, at full speed."""

from __future__ import annotations

import numpy as np

from spinlag.importers.blocks import Block
from spinlag.importers.lanes import Recorded
from spinlag.importers.vcd_group import by_lane
from spinlag.importers.vcd_scheme import CARRIED, INVALID, NO_LANE, STATE, Parsed, Scheme
from spinlag.importers.vcd_tokens import Tokens, decimals

_TIME = ord("#")
_VALUE_GAP = 3
"""From white space to white space over a value and its code, two characters."""


def read_regular(block: Block, tokens: Tokens, scheme: Scheme) -> Parsed | None:
    """The block's records; None where anything in it is out of the ordinary, right or wrong."""
    if not len(tokens):
        return Parsed()
    is_time = tokens.first == _TIME
    at_time = np.flatnonzero(is_time)
    at_value = np.flatnonzero(~is_time)
    states = tokens.first[at_value] ^ np.uint8(ord("0"))
    if len(states) and states.max() > 1:
        states = STATE[tokens.first[at_value]]
        if states.max() == INVALID:
            return None
    gap = tokens.end - tokens.before
    time_gap = gap[at_time]
    shortest, longest = (int(time_gap.min()), int(time_gap.max())) if len(time_gap) else (0, 0)
    of_times = longest * len(time_gap) if shortest == longest else int(time_gap.sum())
    if gap.min() < _VALUE_GAP or int(gap.sum()) - of_times != _VALUE_GAP * len(at_value):
        return None
    times = decimals(tokens.buffer, tokens.origin, tokens.end[at_time], time_gap - 2, shortest - 2, longest - 2)
    if times is None or (times[1:] < times[:-1]).any():
        return None
    recorded = _records(tokens, at_value, states, times, scheme)
    if recorded is None:
        return None
    carried = bool(len(at_value)) and (not len(at_time) or bool(at_value[0] < at_time[0]))
    if not len(times):
        return Parsed(recorded, carried)
    offset = block.offset + int(tokens.before[at_time[0]])
    return Parsed(recorded, carried, int(times[0]), int(times[-1]), offset)


def _records(
    tokens: Tokens, at_value: np.ndarray, states: np.ndarray, times: np.ndarray, scheme: Scheme
) -> Recorded | None:
    code = tokens.text[2:][tokens.before[at_value]]
    lane_of = scheme.one_bit_lanes()
    order = np.argsort(code, kind="stable")
    code = code[order]
    clock = np.concatenate([[CARRIED], times])
    at_value -= np.arange(len(at_value))
    recorded = by_lane(code, order, clock[at_value], states)
    lanes = lane_of[recorded.lanes].tolist()
    if NO_LANE in lanes:
        return None
    return Recorded(lanes, recorded.bounds, recorded.ticks, recorded.states, recorded.plain)
