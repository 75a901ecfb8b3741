"""Which class makes which wiring."""

from __future__ import annotations

from spinlag.synth.chains import AnyChain, Clocked, Direct, Latched
from spinlag.synth.clocked import ClockedWire
from spinlag.synth.direct import DirectWire
from spinlag.synth.latched import LatchedWire
from spinlag.synth.onewire import OneWireWire
from spinlag.synth.scenario import Firmware
from spinlag.synth.wire import Wire


def wire_of(chain: AnyChain, firmware: Firmware) -> Wire:
    """The chain's wire."""
    if isinstance(chain, Clocked):
        return ClockedWire(chain, firmware)
    if isinstance(chain, Latched):
        return LatchedWire(chain, firmware)
    if isinstance(chain, Direct):
        return DirectWire(chain, firmware)
    return OneWireWire(chain, firmware)
