"""What an importer hands over before the sample period is settled."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from spinlag.capture import Channel, SamplePeriod


@dataclass(frozen=True, eq=False)
class Draft:
    """A capture as one importer read it. Instants are whole ticks of `tick` seconds; the record covers [start, end).

    `sample_period` is set only where the format itself shows how often the recorder looked (one row per sample, say);
    otherwise the lattice of the edges decides. `sample_rate_hz` is what the file's header claims, to be checked
    against that lattice; None where it claims nothing. `resolution` is the least sample period, in ticks, that the way
    the times are written allows for, where that is more than a tick. `understood` holds (topic, finding) pairs for
    `spinlag look`.
    """

    tick: Fraction
    start: int
    end: int
    channels: tuple[Channel, ...]
    sample_period: SamplePeriod | None = None
    sample_rate_hz: Fraction | None = None
    resolution: Fraction | None = None
    warnings: tuple[str, ...] = ()
    understood: tuple[tuple[str, str], ...] = ()
