"""Stretches in which an LED line was unknown (x or z) for so long that updates may have come in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.rotation import Rotation

_OF_SILENCE = frozenset({"data-silent", "update-missing", "update-late", "column-rate"})
_OF_ANGLES = frozenset({"update-late", "column-rate"})
"""What says how the columns lie in a turn whose ends are known."""


def unseen_of(capture: Capture, chain: ChainUpdates) -> list[tuple[int, int]]:
    """Those stretches of the chain's line, (first, last) tick. None where there are too few updates to tell."""
    unknown = capture.channel(chain.channel).unknown
    if not len(unknown) or len(chain) < 2:
        return []
    usual = float(np.median(np.diff(chain.start)))
    return [(begin, end) for begin, end in unknown.tolist() if end - begin > usual]


def nobody_saw(seen: Observation, capture: Capture, chains: Sequence[ChainUpdates], rotation: Rotation | None) -> bool:
    """Whether an observation only says that nothing came on an LED line in a turn, or at a time, when its level was
    unknown, or how columns lie in what may have been several turns."""
    turn = -1 if rotation is None or seen.revolution is None else seen.revolution
    if seen.kind in _OF_ANGLES and rotation is not None and 0 <= turn < len(rotation.turns):
        uncounted = bool(rotation.turns["kind"].iloc[turn] == "doubtful")
        if uncounted:
            return True
    chain = next((chain for chain in chains if chain.name == seen.chain), None)
    if seen.kind not in _OF_SILENCE or chain is None:
        return False
    begin = end = seen.tick
    if seen.kind == "data-silent":
        end += round((seen.observed or 0.0) / float(capture.tick))
    elif rotation is not None and seen.revolution is not None and 0 <= seen.revolution < len(rotation.turns):
        begin, end = (int(tick) for tick in rotation.turn_ticks[seen.revolution : seen.revolution + 2])
    return any(first < end and begin < last for first, last in unseen_of(capture, chain))
