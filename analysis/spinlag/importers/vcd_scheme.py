"""What a VCD header declares, in the form that reading the body needs, and what one block of the body gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spinlag.importers.lanes import LOST, Recorded
from spinlag.importers.vcd_codes import Codes, Indices

NO_LANE = -1
INVALID = 255

CARRIED = -(1 << 62)
"""Stands for the time that held when a block began, which only the block before it can tell."""


def _states(texts: Mapping[str, int]) -> NDArray[np.uint8]:
    table = np.full(256, INVALID, dtype=np.uint8)
    for characters, state in texts.items():
        for character in characters:
            table[ord(character)] = state
    return table


STATE = _states({"0Ll": 0, "1Hh": 1, "xXzZuUwW-": LOST})
"""State of a value character: IEEE Std 1364-2005 18.2.1, and the nine of IEEE Std 1164 that VHDL writers use."""

PORT_STATE = _states({"DdLl0": 0, "UuHh1": 1, "NZXT?AaBbCcFf": LOST})
"""State of a port value character of extended VCD (IEEE Std 1364-2005 18.4.3): driven from inside, outside or both."""


@dataclass(frozen=True, eq=False)
class Scheme:
    """Identifier codes and the lanes (one-bit lines) behind them.

    Code number k has `width[k]` lanes, the least significant bit first from `lane[k]` on; `lane[k]` is NO_LANE where
    the code is no digital line. `ports` says that values come as ports of extended VCD.
    """

    codes: Codes
    lane: NDArray[np.int32]
    width: NDArray[np.int32]
    lanes: int
    ports: bool = False

    def one_bit_lanes(self) -> NDArray[np.int32]:
        """Shape (256,): the lane of each one-character code of a one-bit line, NO_LANE for every other byte."""
        table = np.full(256, NO_LANE, dtype=np.int32)
        known = np.flatnonzero(self.codes.one >= 0)
        number = self.codes.one[known]
        table[known] = np.where(self.width[number] == 1, self.lane[number], NO_LANE)
        return table


@dataclass(frozen=True)
class Fault:
    """Something wrong at a byte of the (decompressed) file; `way` is the way out where nothing better is known."""

    offset: int
    reason: str
    way: str = ""


@dataclass(frozen=True, eq=False)
class Sections:
    """What stands in a block's comments and other sections that hold no values, by the byte of the file.

    `declared` is where a variable is declared among the values, `timescale` where a timescale is given, which are no
    place for it; `open` where a section begins that this block does not end; `stamps`, shape (n,), where words in them
    look like time stamps.
    """

    declared: int | None = None
    timescale: int | None = None
    open: int | None = None
    stamps: Indices = field(default_factory=lambda: np.empty(0, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class Parsed:
    """One block of the body. `first` and `last` are its first and last time stamp, None where it has none.

    `carried` says that some ticks are CARRIED. `first_offset` is where the first time stamp stands in the file. `rest`
    is text that can only be read together with the next block. A fault is kept, not raised: a block read on its own
    may have begun inside a comment; `first` then holds where it comes before the fault. `too_long`: a vector value had
    more digits than its variable has bits. `dump_off` counts the places where dumping was switched off.
    `sections` is what stands in sections that hold no values. `zeros` says that zero bytes stand in the block.
    """

    recorded: Recorded | None = None
    carried: bool = False
    first: int | None = None
    last: int | None = None
    first_offset: int = 0
    rest: bytes = b""
    fault: Fault | None = None
    too_long: bool = False
    dump_off: int = 0
    sections: Sections = field(default_factory=Sections)
    zeros: bool = False
