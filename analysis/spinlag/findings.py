"""Everything that was found in one capture, in one frozen result."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from spinlag.capture import Capture
from spinlag.latency import Latency
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.roles import RoleGuess
from spinlag.rotation import Rotation
from spinlag.verdicts import Outcome, Verdict


@dataclass(frozen=True, eq=False)
class Findings:
    """The pipeline's result. `latencies` and `placements` are in the order of `chains`; None where not measurable."""

    capture: Capture
    rig: Rig
    roles: tuple[RoleGuess, ...]
    rotation: Rotation | None
    chains: tuple[ChainUpdates, ...]
    placements: tuple[Placement | None, ...]
    latencies: tuple[Latency | None, ...]
    observations: tuple[Observation, ...]
    verdicts: tuple[Verdict, ...]
    cautions: tuple[str, ...]
    """Sentences about risks that are no verdict: the LED's PWM against the column slot, flicker, a guessed rig."""
    warnings: tuple[str, ...]

    @property
    def verdict(self) -> Outcome:
        """`fail` where anything failed, else `undecided` where anything is undecided or not measured, else `pass`."""
        outcomes = {verdict.verdict for verdict in self.verdicts}
        if "fail" in outcomes:
            return "fail"
        return "undecided" if outcomes & {"undecided", "not-measured"} or not outcomes else "pass"

    @property
    def revolutions(self) -> pd.DataFrame:
        """One row per revolution: the rotation's turns, with latency and placement of the first chain beside them."""
        raise NotImplementedError

    @property
    def updates(self) -> pd.DataFrame:
        """One row per update of every chain, with `chain` first."""
        raise NotImplementedError
