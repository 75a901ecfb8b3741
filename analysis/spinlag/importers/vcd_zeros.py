"""Zero bytes among the text of a VCD file, as an unfinished copy or a crash leaves them."""

from __future__ import annotations

import numpy as np

from spinlag.importers.blocks import Block


class Zeros:
    """The zero bytes of a file, block by block: where the first stands, how many follow it, how many there are."""

    def __init__(self) -> None:
        self.first: int | None = None
        self.run = 0
        self.total = 0
        self._seen = 0

    def add(self, block: Block) -> None:
        """Count those of the next block."""
        self._seen = block.offset + len(block)
        places = np.flatnonzero(block.text() == 0) + block.offset
        if not len(places):
            return
        self.total += len(places)
        if self.first is None:
            self.first = int(places[0])
        if places[0] == self.first + self.run:
            ends = np.flatnonzero(np.diff(places) != 1)
            self.run += int(ends[0]) + 1 if len(ends) else len(places)

    def said(self, *, read_out: bool) -> str:
        """How many there are, and where; `read_out`: nothing follows that was not counted."""
        if self.first is None:
            return "no zero byte stands among the text"
        least = "" if read_out or self._seen != self.first + self.run else "at least "
        first = f"at byte {self.first}" if self.run == 1 else f"from byte {self.first} on"
        if self.total == 1:
            said = f"1 zero byte stands {first}"
        elif self.total == self.run:
            said = f"{least}{self.run} zero bytes stand {first}"
        else:
            said = f"{self.total} zero bytes stand among the values, the first {self.run} of them {first}"
        return f"{said}, as in an unfinished copy"
