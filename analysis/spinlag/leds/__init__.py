"""LED lines to updates: one module per wiring, one table for all."""

from __future__ import annotations

from spinlag.capture import Capture, Progress
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig


def decode_chains(capture: Capture, rig: Rig, progress: Progress | None = None) -> tuple[ChainUpdates, ...]:
    """Decode every chain of the rig, in the rig's order, each by its wiring."""
    from spinlag.leds import onewire

    decoders = {"one-wire": onewire.decode}
    return tuple(decoders[chain.wiring](capture, chain, rig, progress) for chain in rig.leds)
