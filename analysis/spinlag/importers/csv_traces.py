"""Analogue columns of a CSV file while it is read: their histograms, and their samples, kept outside memory if many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spinlag.capture import Ticks
from spinlag.importers.digitise import VoltHistogram, Volts
from spinlag.spill import SpillFile

MEMORY_BYTES = 32 << 20
"""Samples beyond this go to a temporary file."""


@dataclass(frozen=True, eq=False)
class _Part:
    """Consecutive rows: in memory, or where they lie in the file (ticks first, then each trace)."""

    count: int
    places: int
    arrays: tuple[Ticks, ...] | None
    offset: int


class Traces:
    """The samples of all analogue columns: histograms at once, the samples themselves again at the end."""

    def __init__(self, count: int) -> None:
        self.histograms = [VoltHistogram() for _ in range(count)]
        self._parts: list[_Part] = []
        self._held = 0
        self._file: SpillFile | None = None

    def add(self, ticks: Ticks, places: int, volts: Sequence[Volts]) -> None:
        """The next rows; ticks are of 10**-places time units."""
        for histogram, trace in zip(self.histograms, volts, strict=True):
            histogram.add(trace)
        arrays = (ticks, *(trace.view(np.int64) for trace in volts))
        size = sum(array.nbytes for array in arrays)
        if self._file is None and self._held + size <= MEMORY_BYTES:
            self._held += size
            self._parts.append(_Part(len(ticks), places, arrays, 0))
            return
        if self._file is None:
            self._file = SpillFile()
        offsets = [self._file.write(array) for array in arrays]
        self._parts.append(_Part(len(ticks), places, None, offsets[0]))

    def samples(self) -> Iterator[tuple[Ticks, int, list[Volts]]]:
        """The rows again: (ticks, places, one array of volts per column)."""
        for part in self._parts:
            if part.arrays is not None:
                arrays = list(part.arrays)
            else:
                arrays = [self._read(part, k) for k in range(1 + len(self.histograms))]
            yield arrays[0], part.places, [array.view(np.float64) for array in arrays[1:]]

    def _read(self, part: _Part, index: int) -> Ticks:
        array = np.empty(part.count, dtype=np.int64)
        if self._file is not None:
            self._file.read(part.offset + 8 * part.count * index, array)
        return array
