"""A capture in memory: exact ticks, toggling edges, and what is known of the recorder's sampling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from difflib import get_close_matches
from fractions import Fraction
from itertools import islice
from typing import Any, Literal, Protocol, overload

import numpy as np
from numpy.typing import NDArray

Ticks = NDArray[np.int64]

UNKNOWN = -1
_FEW = 24
"""Channel names that a message lists before it says how many more there are."""

_SEARCHED, _LONGEST_SEARCHED = 4096, 80
"""Channels, and characters of their names, among which the one that may be meant is looked for."""

SamplePeriodSource = Literal["given", "lattice", "timescale"]
Progress = Callable[[int, int], None]
"""Called with (done, total) in bytes of input; total is 0 where it is not known."""


class Edges(Protocol):
    """What a long line offers: a length, slices of int64 ticks, and a search. A numpy array is one; so is a file.

    Code that handles LED-scale lines uses only these three, slice by slice, and never copies a line whole.
    """

    def __len__(self) -> int: ...

    @overload
    def __getitem__(self, index: int, /) -> Any: ...
    @overload
    def __getitem__(self, index: slice, /) -> Ticks: ...

    def searchsorted(self, v: Any, side: Literal["left", "right"] = "left") -> Any: ...


@dataclass(frozen=True, eq=False)
class Channel:
    """One recorded line.

    `initial` is the first known level, 0 or 1, or UNKNOWN when the line never had one. `edges` are strictly increasing
    ticks at which the known level toggles, so the level after edge k is `initial ^ ((k + 1) & 1)`. `unknown` holds
    half-open intervals [t0, t1) in ticks, shape (n, 2), during which the line was x or z; the last known level is held
    through them.
    """

    name: str
    path: str
    initial: int
    edges: Edges
    unknown: Ticks = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))

    def level_at(self, tick: int) -> int:
        """Level at `tick` (an edge at that very tick counts as taken), or UNKNOWN."""
        if self.initial == UNKNOWN:
            return UNKNOWN
        return self.initial ^ (int(self.edges.searchsorted(tick, side="right")) & 1)

    def rising(self) -> Ticks:
        """Ticks of the rising edges, shape (n,). Copies: meant for index, motor and marker lines."""
        return self._every_other(0)

    def falling(self) -> Ticks:
        """Ticks of the falling edges, shape (n,). Copies: meant for index, motor and marker lines."""
        return self._every_other(1)

    def _every_other(self, level_before: int) -> Ticks:
        if self.initial == UNKNOWN:
            return np.empty(0, dtype=np.int64)
        return np.asarray(self.edges[:], dtype=np.int64)[(self.initial ^ level_before) :: 2]


@dataclass(frozen=True)
class SamplePeriod:
    """How often the recorder looked: `ticks` per sample (exact, at least a tick's worth of rounding is implied when it
    is no whole number) and where the figure came from."""

    ticks: Fraction
    source: SamplePeriodSource

    def seconds(self, tick: Fraction) -> float:
        """The period in seconds, given the capture's tick in seconds."""
        return float(self.ticks * tick)


@dataclass(frozen=True, eq=False)
class Capture:
    """One recording. Instants are whole ticks of `tick` seconds; the record covers [start, end)."""

    file: str
    sha256: str
    importer: str
    tick: Fraction
    start: int
    end: int
    channels: tuple[Channel, ...]
    sample_period: SamplePeriod
    warnings: tuple[str, ...] = ()
    understood: tuple[tuple[str, str], ...] = ()
    """What the importer made of the file, as (topic, finding) pairs for `spinlag look`."""
    read_with: tuple[tuple[str, Any], ...] = ()
    """What was overruled when the file was read, as (option, value) pairs, so that it can be read so again."""
    out_of_step: tuple[tuple[int, int], ...] = ()
    """Neighbouring edges (ticks) between which the samples fall out of step with their lattice, in order of time."""

    @property
    def duration_s(self) -> float:
        """Length of the record in seconds."""
        return float((self.end - self.start) * self.tick)

    @property
    def sample_period_s(self) -> float:
        """Sample period T_s in seconds."""
        return self.sample_period.seconds(self.tick)

    def channel(self, name: str) -> Channel:
        """The channel of that name (where unique) or dotted path.

        Raises KeyError with the names that exist.
        """
        by_path = [channel for channel in self.channels if channel.path == name]
        found = by_path or [channel for channel in self.channels if channel.name == name]
        if len(found) == 1:
            return found[0]
        if found:
            paths = ", ".join(channel.path for channel in found)
            raise KeyError(f"{name!r} names {len(found)} channels; give one of the paths {paths}")
        raise KeyError(f"no channel {name!r} in {self.file}; {self._nearest(name)}")

    def meant(self, name: str) -> str:
        """The channels that may be meant by a name that is none, as a question; empty where none is like it."""
        names = dict.fromkeys(channel.name for channel in self.channels)
        folded = {one.casefold(): one for one in islice(names, _SEARCHED) if len(one) <= _LONGEST_SEARCHED}
        asked = name.casefold()[:_LONGEST_SEARCHED]
        near = [asked] if asked in folded else get_close_matches(asked, folded, n=3)
        return f"did you mean {' or '.join(folded[one] for one in near)}?" if near else ""

    def _nearest(self, name: str) -> str:
        """The channels that may be meant by a name that is none, and those there are."""
        names = dict.fromkeys(channel.name for channel in self.channels)
        meant = self.meant(name)
        known = ", ".join(islice(names, _FEW)) or "no channel at all"
        more = f" and {len(names) - _FEW} more" if len(names) > _FEW else ""
        return f"{f'{meant} It' if meant else 'it'} has {known}{more}"

    def seconds(self, ticks: Any) -> Any:
        """Ticks (scalar or array) on the file's own time axis, as float64 seconds.

        Differences that matter are taken in ticks first; this is for tables and labels.
        """
        return np.asarray(ticks, dtype=np.int64) * float(self.tick)
