"""The quantities that are compared: where each comes from, which way is better, and what change is negligible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spinlag.compare.blocks import FREEDOM, SLOW_FREEDOM
from spinlag.compare.measured import Measured
from spinlag.quantities import quantity
from spinlag.rig import Limit
from spinlag.summary import Statistics, summarise
from spinlag.uncertainty import mean_interval_uncertainty

Floats = NDArray[np.float64]
Kind = Literal["location", "spread", "rms"]

NEGLIGIBLE_SPREADS = 0.2
"""A shift below a fifth of the spread is a small effect (J. Cohen, Statistical Power Analysis, 1988, 2.2)."""
NEGLIGIBLE_SHARE_OF_SPREAD = 0.2
NEGLIGIBLE_DEG = 0.002
"""No change below this angle is of any account, whatever the spread (common practice, no source)."""
NEGLIGIBLE_SHARE = 0.01
"""Of revolutions (common practice, no source)."""
NEGLIGIBLE_COLUMNS = 0.001
NEGLIGIBLE_WINDOW = 0.05
"""Of the width of a sheet's window (common practice, no source)."""


@dataclass(frozen=True)
class Item:
    """One quantity: id, the series it is computed from, by its median (`location`), standard deviation (`spread`) or
    `rms`; `magnitude` takes absolute values first. Less is better in all of them; `about_zero` means nearer zero.
    `slow` quantities follow the shaft, whose speed swings slowly."""

    id: str
    series: str
    kind: Kind
    magnitude: bool = False
    about_zero: bool = False
    slow: bool = False

    @property
    def title(self) -> str:
        """The quantity's name in words."""
        return quantity(self.id).title

    @property
    def freedom(self) -> float:
        """How many low frequencies its long-run variance may rest on; see long_run_variance."""
        return SLOW_FREEDOM if self.slow else FREEDOM

    @property
    def angle(self) -> bool:
        """True for degrees, False for seconds."""
        return quantity(self.id).dimension == "angle"


ITEMS = (
    Item("latency.response", "response_s", "location"),
    Item("latency.wire", "wire_s", "location"),
    Item("latency.latency", "latency_s", "location"),
    Item("latency.latency_deg", "latency_deg", "location", slow=True),
    Item("latency.jitter", "latency_s", "spread"),
    Item("placement.offset", "offset_deg", "location", about_zero=True, slow=True),
    Item("placement.residue", "residue_rms_deg", "rms", slow=True),
    Item("placement.seam", "seam_deg", "location", magnitude=True, slow=True),
    Item("rotation.period_jitter", "period_s", "spread", slow=True),
    Item("rotation.cycle_to_cycle_jitter", "cycle_s", "rms", slow=True),
)

NOT_COMPARED = {
    "latency.jitter_peak_to_peak": "peak-to-peak grows with the length of the recording, so it says nothing of two",
    "rotation.speed": "a difference in speed is allowed; it is shown, and handled in degrees",
    "leds.low_between_updates": "the low between updates follows the speed and the column count",
}


def values_of(item: Item, one: Measured) -> Floats:
    """The item's series of one capture, in order; jitters of rotation have their drift or their level taken out."""
    values = one.series[item.series]
    if item.id == "rotation.period_jitter":
        return without_drift(values)
    return np.abs(values) if item.magnitude else values


def without_drift(periods: Floats) -> Floats:
    """Periods less their mean, or less a straight line where its slope is four standard errors or more."""
    n = len(periods)
    if n < 5:
        return periods - periods.mean() if n else periods
    x = np.arange(n) - (n - 1) / 2
    centred = periods - periods.mean()
    slope = float(x @ centred) / float(x @ x)
    rest = centred - slope * x
    error = float(np.sqrt(rest @ rest / (n - 2) / (x @ x)))
    return np.asarray(rest if abs(slope) > 4 * error else centred)


def resolution(item: Item, one: Measured) -> float:
    """What one sample period is in the item's unit; 0 for figures that are means of many instants."""
    if item.id in ("placement.offset", "placement.residue"):
        return 0.0
    speed = one.speed_rev_per_s or 0.0
    return one.sample_period_s * 360.0 * speed if item.angle else one.sample_period_s


def dithered(item: Item, one: Measured, rng: np.random.Generator) -> Floats:
    """The series with up to half a sample added at random: medians of values on a lattice jump by whole samples."""
    values = values_of(item, one)
    step = resolution(item, one)
    return values + step * (rng.random(len(values)) - 0.5) if step else values


def statistics_of(item: Item, captures: Sequence[Measured]) -> Statistics:
    """The statistics block of a set, `uncertainty` from sampling and the recorder's clock (time only)."""
    values = np.concatenate([values_of(item, one) for one in captures])
    uncertainty = None
    if len(values) and not item.angle:
        uncertainty = mean_interval_uncertainty(
            max(one.sample_period_s for one in captures),
            len(values),
            clock_ppm=max(one.clock_ppm for one in captures),
            mean_s=float(values.mean()),
        )
    return summarise(values, uncertainty)


@dataclass(frozen=True)
class Tolerance:
    """A change called negligible, in the quantity's SI unit, and where it comes from."""

    value: float
    source: str


def tolerance_of(item: Item, before: Sequence[Measured], spread: float, limits: Mapping[str, Limit]) -> Tolerance:
    """The rig's `negligible_...` for the quantity, else a default that follows `spread`: the robust spread before for
    a median, the figure itself for a spread."""
    given = limits.get(item.id)
    if given is not None and given.negligible is not None:
        return Tolerance(given.negligible, "rig")
    speed = float(np.mean([one.speed_rev_per_s or 0.0 for one in before]))
    least = NEGLIGIBLE_DEG if item.angle else NEGLIGIBLE_DEG / 360.0 / speed if speed > 0 else 0.0
    least = max(least, max(resolution(item, one) for one in before))
    share = NEGLIGIBLE_SPREADS if item.kind == "location" else NEGLIGIBLE_SHARE_OF_SPREAD
    what = "a fifth of the spread before" if item.kind == "location" else "a fifth of the figure before"
    if share * spread >= least:
        return Tolerance(share * spread, f"default: {what}")
    return Tolerance(least, f"default: {NEGLIGIBLE_DEG:g} degrees or one sample, which is more than {what}")
