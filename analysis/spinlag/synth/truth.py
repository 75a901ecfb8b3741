"""What really happened in a simulated capture, for tests to hold the analysis against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Planted:
    """One planted fault as it came out. `time_s` is the instant on the wire at which it begins, `revolution` the shaft
    revolution (0: the first whole one in the capture, -1: before it), `may_follow` the kinds that can be its effects,
    `cause` the marker that brought it on."""

    id: int
    kind: str
    time_s: float
    revolution: int
    channel: str
    chain: str | None = None
    column: int | None = None
    may_follow: tuple[str, ...] = ()
    cause: str | None = None


@dataclass(frozen=True)
class TrueInterval:
    """Truth for one kind of interval on the wire, in true seconds, over whole updates."""

    n: int
    mean_s: float
    min_s: float
    max_s: float


@dataclass(frozen=True, eq=False)
class TrueChain:
    """Every update of one chain that the capture holds at least in part, n of them, in order.

    `channels`: its lines, data first (`channel`). `start_s`, `last_s`: first and last edge of the data line, or of the
    clock where there is one; on direct lines the first and last line that moved. `first_visible_s`, `visible_s`: when
    its first and its last LED show it; `angle_deg`: shaft angle within its revolution at `visible_s`; `revolution`: of
    the index pulse that the firmware answered; `column`: the column whose data went out; `extra`: True for a
    transmission that no column was due for; `whole`: False where the capture cuts it; `altered`: True where a fault
    touched what it sends. Update i sent `bits[i]` bits of LED words and owns data[offsets[i]:offsets[i + 1]], the last
    byte perhaps in part; what a wiring sends before and after its LED words is left out.
    """

    name: str
    wiring: str
    channel: str
    channels: tuple[str, ...]
    start_s: Floats
    last_s: Floats
    first_visible_s: Floats
    visible_s: Floats
    angle_deg: Floats
    revolution: Ints
    column: Ints
    extra: NDArray[np.bool_]
    altered: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    bits: Ints
    data: NDArray[np.uint8]
    offsets: Ints
    timing: Mapping[str, TrueInterval]

    def __len__(self) -> int:
        return len(self.start_s)


@dataclass(frozen=True, eq=False)
class TrueTurns:
    """What the firmware did at each reference edge it took for a new revolution, within the capture, n of them.

    `reference_s`: that edge; `revolution`: the shaft's; `expected_period_s`: what the firmware reckoned with;
    `first_start_s`, `first_last_s`, `first_visible_s`: its first update on the first chain (NaN: none);
    `first_column`: which column that was (-1: none); `columns_sent`: how many columns it drew.
    """

    reference_s: Floats
    revolution: Ints
    expected_period_s: Floats
    first_start_s: Floats
    first_last_s: Floats
    first_visible_s: Floats
    first_column: Ints
    columns_sent: Ints

    @property
    def response_s(self) -> Floats:
        """Reference edge to first data edge."""
        return self.first_start_s - self.reference_s

    @property
    def latency_s(self) -> Floats:
        """Reference edge to visible light."""
        return self.first_visible_s - self.reference_s


@dataclass(frozen=True, eq=False)
class Truth:
    """The truth behind a capture. All instants are true seconds after sample 0; a recorder whose clock is fast by
    `clock_error` (a ratio) shows an instant t at t (1 + clock_error), at most one sample late.

    `zero_s`, shape (n + 1,): the shaft's passages through zero within the capture, so revolution k is
    [zero_s[k], zero_s[k + 1]). `pulse_lead_s`, `pulse_trail_s`, `pulse_reference_s`, `pulse_revolution`, `pulse_place`:
    every pulse on the index line (place -1: not the shaft's doing). `motor_angles_deg`: where each line's edges sit on
    the shaft. `image`, uint8, (columns, LEDs of an arm, 3): the picture. `marker_s`: rising edges by marker name.
    """

    duration_s: float
    sample_period_s: float
    clock_error: float
    zero_s: Floats
    pulse_lead_s: Floats
    pulse_trail_s: Floats
    pulse_reference_s: Floats
    pulse_revolution: Ints
    pulse_place: Ints
    turns: TrueTurns
    chains: tuple[TrueChain, ...]
    motor_angles_deg: Mapping[str, Floats]
    marker_s: Mapping[str, Floats]
    image: NDArray[np.uint8]
    planted: tuple[Planted, ...]

    @property
    def periods_s(self) -> Floats:
        """True duration of each whole revolution."""
        return np.diff(self.zero_s)

    def chain(self, name: str) -> TrueChain:
        """The chain of that name; KeyError where there is none."""
        for chain in self.chains:
            if chain.name == name:
                return chain
        raise KeyError(name)
