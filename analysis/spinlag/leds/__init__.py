"""LED lines to updates: one module per wiring, one table for all."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from spinlag.capture import Capture, Progress
from spinlag.rig import LedsTable, Rig

if TYPE_CHECKING:
    from spinlag.leds.updates import ChainUpdates

    Decoder = Callable[[Capture, LedsTable, Rig, Progress | None], ChainUpdates]


def decode_chains(capture: Capture, rig: Rig, progress: Progress | None = None) -> tuple[ChainUpdates, ...]:
    """Decode every chain of the rig, in the rig's order, each by its wiring."""
    from spinlag.leds import clocked, direct, latched, onewire

    decoders: dict[str, Decoder] = {
        "one-wire": onewire.decode,
        "clocked": clocked.decode,
        "latched": latched.decode,
        "direct": direct.decode,
    }
    return tuple(decoders[chain.wiring](capture, chain, rig, progress) for chain in rig.leds)
