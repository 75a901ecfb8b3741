"""What the motor lines showed, as results.json and the page carry it."""

from __future__ import annotations

from typing import Any

from spinlag.motor import Motor
from spinlag.placement import Placement
from spinlag.report.format import count, measured, si
from spinlag.report.names import printable

MOST_SENSORS = 24
"""Edges of a turn that the page lists; results.json has all."""

_FAULTS = ("missing-edge", "extra-edge", "displaced-edge", "invalid-state", "skipped-step", "dropout")


def motor_document(motor: Motor | None) -> dict[str, Any] | None:
    """The `motor` block of results.json; None where the rig has no motor lines."""
    if motor is None:
        return None
    return {
        "phases": list(motor.phases),
        "pole_pairs": motor.pole_pairs,
        "pole_pairs_from": motor.pole_pairs_from,
        "cycles_per_turn": motor.cycles_per_turn,
        "direction": motor.direction,
        "edges": motor.edges,
        "sequence_faults": motor.sequence_faults,
        "dropouts": motor.dropouts,
        "faults": {kind: motor.count(kind) for kind in _FAULTS},
        "sensors": motor.sensors.to_dict("records"),
        "slip_deg": motor.slip_deg,
        "slip_uncertainty_deg": motor.slip_uncertainty_deg,
        "slip_deg_per_s": motor.slip_deg_per_s,
        "slip_uncertainty_deg_per_s": motor.slip_uncertainty_deg_per_s,
        "angle_rms_deg": motor.angle_rms_deg,
        "index_rms_deg": motor.index_rms_deg,
        "notes": list(motor.notes),
    }


def motor_facts(motor: Motor) -> list[tuple[str, str]]:
    """(what, finding) pairs for the page."""
    ratio = "not known" if motor.pole_pairs is None else f"{motor.pole_pairs} (from the {motor.pole_pairs_from})"
    faults = ", ".join(f"{count(motor.count(kind))} {kind}" for kind in _FAULTS if motor.count(kind))
    facts = [
        ("lines", ", ".join(printable(name, 40) for name in motor.phases)),
        ("pole pairs", ratio),
        ("direction", motor.direction or "the lines do not tell"),
        ("edges", count(motor.edges)),
        ("irregularities", faults or f"none in {count(motor.edges)} edges"),
    ]
    if motor.slip_deg is not None:
        slip = measured(motor.slip_deg, motor.slip_uncertainty_deg, "deg")
        facts.append(("drift against the index", f"{slip} over the capture"))
    if motor.angle_rms_deg is not None and motor.index_rms_deg is not None:
        facts.append(
            (
                "shaft angle",
                f"known to {si(motor.angle_rms_deg, 'deg', 2)} rms by the motor lines; between two index pulses the "
                f"index alone is off by {si(motor.index_rms_deg, 'deg', 2)} rms",
            )
        )
    return facts


def sensor_rows(motor: Motor) -> list[dict[str, str]]:
    """Learned places of the edges, one row each."""
    return [
        {
            "line": printable(str(row.line), 40),
            "edge": str(row.edge),
            "pole": str(row.pole),
            "angle": measured(row.angle_deg, row.uncertainty_deg, "deg"),
            "off": si(row.off_deg, "deg", 3),
        }
        for row in motor.sensors.itertuples()
    ]


def angle_sentence(placement: Placement) -> str:
    """Where the angles of a chain's updates come from, and what the index alone would have said."""
    if placement.angles_from == "index" or placement.index_residue_rms_deg is None:
        return "Angles are reckoned from the index, with the period that each turn really took."
    alone = si(placement.index_residue_rms_deg, "deg", 3)
    return (
        "Angles are those of the motor lines, which know the shaft between two index pulses; reckoned from the index "
        f"alone, as the firmware must, the residue of all updates would be {alone} rms."
    )


def motor_section(motor: Motor | None) -> dict[str, Any] | None:
    """Facts, learned edge places and notes for the page; None where the rig has no motor lines."""
    if motor is None:
        return None
    return {"facts": motor_facts(motor), "sensors": sensor_rows(motor)[:MOST_SENSORS], "notes": motor.notes}
