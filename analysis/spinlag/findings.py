"""Everything that was found in one capture, in one frozen result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spinlag.capture import Capture
from spinlag.incidents.find import Seen
from spinlag.incidents.model import IncidentReport
from spinlag.latency import Latency
from spinlag.leds.updates import ChainUpdates
from spinlag.motor import Motor
from spinlag.observations import Observation
from spinlag.placed import stretches, update_rows
from spinlag.placement import Placement
from spinlag.rig import Rig
from spinlag.roles import RoleGuess
from spinlag.rotation import Rotation
from spinlag.rotation.quality import RotationQuality
from spinlag.verdicts import Outcome, Verdict, overall
from spinlag.wrong_lines import Unsound


@dataclass(frozen=True, eq=False)
class Findings:
    """The pipeline's result. `latencies` and `placements` are in the order of `chains`; None where not measurable."""

    capture: Capture
    rig: Rig
    roles: tuple[RoleGuess, ...]
    rotation: Rotation | None
    motor: Motor | None
    quality: RotationQuality | None
    chains: tuple[ChainUpdates, ...]
    placements: tuple[Placement | None, ...]
    latencies: tuple[Latency | None, ...]
    observations: tuple[Observation, ...]
    incidents: IncidentReport
    seen: Seen | None
    """What the viewer saw; None where no picture can be laid out."""
    verdicts: tuple[Verdict, ...]
    cautions: tuple[str, ...]
    """Sentences about risks that are no verdict: the LED's PWM against the column slot, flicker, a guessed rig."""
    warnings: tuple[str, ...]
    unsound: tuple[Unsound, ...] = ()
    """Figures that a warning makes worthless; none of them passes or fails."""

    @property
    def verdict(self) -> Outcome:
        """`fail` where anything failed, else `undecided` where anything is undecided or not measured, else `pass`."""
        return overall(self.verdicts)

    @property
    def revolutions(self) -> pd.DataFrame:
        """One row per revolution: the rotation's turns, with latency and placement of every chain beside them. Columns
        of the second and further chains begin with the chain's name and a dot.

        Empty, with its columns, where there is no rotation.
        """
        turns = self.rotation.turns if self.rotation is not None else pd.DataFrame(columns=list(_TURN_COLUMNS))
        table = turns[list(_TURN_COLUMNS)]
        none = pd.DataFrame(columns=_LATENCY_COLUMNS), pd.DataFrame(columns=_PLACED_COLUMNS)
        for i in range(max(len(self.chains), 1)):
            latency = self.latencies[i] if i < len(self.latencies) else None
            placed = self.placements[i] if i < len(self.placements) else None
            for part in (none[0] if latency is None else latency.table, none[1] if placed is None else placed.turns):
                own = {name: f"{self.chains[i].name}.{name}" for name in part.columns if i and name != "revolution"}
                part = part.astype({"revolution": "int64"}).rename(columns=own)
                table = table.merge(part, on="revolution", how="left")
        return table

    @property
    def updates(self) -> pd.DataFrame:
        """One row per update of every chain, with `chain` first; angles are NaN where there is no rotation."""
        tables = list(self.update_parts())
        return pd.concat(tables, ignore_index=True) if len(tables) > 1 else tables[0]

    def update_parts(self) -> Iterator[pd.DataFrame]:
        """The table of updates in parts of bounded length, at least one, made as they are asked for."""
        some = False
        for chain, placement in zip(self.chains, self.placements, strict=True):
            for rows in stretches(len(chain)):
                places = placement.places if placement is not None else None
                table = update_rows(chain, float(self.capture.tick), places, rows)
                table.insert(0, "chain", chain.name)
                bits = chain.bits[rows].astype(np.int64)
                yield table.assign(bits=bits, leds=bits // chain.bits_per_led)
                some = True
        if not some:
            yield pd.DataFrame(columns=list(_UPDATE_COLUMNS))


_TURN_COLUMNS = ("revolution", "start_s", "period_s", "speed_rev_per_s", "kind", "used")
_LATENCY_COLUMNS = [
    "revolution",
    "update",
    "index_s",
    "response_s",
    "wire_s",
    "latch_s",
    "latency_early_s",
    "latency_s",
    "latency_deg",
    "latency_columns",
]
_PLACED_COLUMNS = [
    "revolution",
    "updates",
    "offset_deg",
    "scale",
    "residue_rms_deg",
    "seam_deg",
    "missing",
    "repeated",
    "extra",
]
_UPDATE_COLUMNS = (
    "chain",
    "update",
    "revolution",
    "column",
    "start_s",
    "last_s",
    "visible_s",
    "angle_deg",
    "error_deg",
    "residue_deg",
    "whole",
    "bits",
    "leds",
)
