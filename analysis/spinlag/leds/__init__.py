"""LED lines to updates: one module per wiring, one table for all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from spinlag.capture import Capture, Progress
from spinlag.rig import LedsTable, Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
    return tuple(_compact(decoders[chain.wiring](capture, chain, rig, progress)) for chain in rig.leds)


def _compact(chain: ChainUpdates) -> ChainUpdates:
    """The same updates in less memory: bytes that repeat are held once, and so is a delay that never changes; what is
    long otherwise need not stay in memory."""
    from spinlag.leds.repeats import RepeatedBytes, held_once
    from spinlag.paged import paged

    offsets = paged(chain.offsets)
    data = chain.data if isinstance(chain.data, RepeatedBytes) else held_once(chain.data, offsets)
    early, late = _held_once(chain.light_early_s), _held_once(chain.light_s)
    return replace(
        chain,
        start=paged(chain.start),
        last=paged(chain.last),
        bits=paged(chain.bits),
        whole=paged(chain.whole),
        offsets=offsets,
        data=data if isinstance(data, RepeatedBytes) else paged(data),
        light_early_s=early,
        light_s=late,
    )


def _held_once(values: NDArray[np.float64]) -> NDArray[np.float64]:
    import numpy as np

    from spinlag.paged import paged

    if len(values) and (values == values[0]).all():
        return np.broadcast_to(values[:1].copy(), values.shape)
    return paged(values)
