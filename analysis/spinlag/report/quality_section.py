"""Quality of rotation, as results.json and the page carry it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from spinlag.motor import Motor
from spinlag.placement import Placement
from spinlag.report.format import count, measured, si
from spinlag.report.names import printable
from spinlag.report.plots import style
from spinlag.report.plots.rotation import (
    allan_deviation,
    order_spectrum,
    orders_of_rotation,
    shown_orders,
    speed_over_turn,
)
from spinlag.rotation import Rotation
from spinlag.rotation.noise import robust_sigma
from spinlag.rotation.predict import MOST_COLUMNS
from spinlag.rotation.quality import Measure, RotationQuality

_WIDTH_IN, _HEIGHT_IN = 8.2, 2.7
_ROW_IN = 0.19


def quality_document(quality: RotationQuality | None) -> dict[str, Any] | None:
    """The `quality` block of results.json; None without revolutions."""
    if quality is None:
        return None
    return {
        "measures": [{name: getattr(one, name) for name in one.__dataclass_fields__} for one in quality.measures],
        "orders": quality.orders.to_dict("records"),
        "predictors": quality.predictors.to_dict("records"),
        "best_predictor": quality.best_predictor,
        "columns_allowed": quality.columns_allowed,
        "columns_allowed_motor": quality.columns_allowed_motor,
        "phases": quality.phases.to_dict("records"),
        "notes": list(quality.notes),
    }


def quality_section(
    quality: RotationQuality | None, placements: Sequence[Placement | None] = (), motor: Motor | None = None
) -> dict[str, Any] | None:
    """Texts of the page's section; None without revolutions."""
    if quality is None:
        return None
    return {
        "measures": [_measure_row(one) for one in quality.measures],
        "predictors": _predictor_rows(quality),
        "phases": _phase_sentences(quality),
        "limit": " ".join((_limit_sentence(quality), *_who_limits(quality, placements, motor))),
        "notes": quality.notes,
    }


def _measure_row(one: Measure) -> dict[str, str]:
    unit = "" if one.unit == "1" else one.unit
    if one.value is None:
        value = "not measured"
    elif unit:
        value = measured(one.value, one.uncertainty, unit)
    elif one.value and abs(one.value) < 0.5:
        value = measured(100 * one.value, None if one.uncertainty is None else 100 * one.uncertainty, "%")
    elif one.uncertainty and one.uncertainty >= 1:
        value = f"{count(round(one.value))} ± {count(round(one.uncertainty))}"
    else:
        value = f"{one.value:.6g}" + (f" ± {one.uncertainty:.2g}" if one.uncertainty else "")
    return {
        "title": one.title,
        "id": one.id,
        "value": value,
        "degrees": "–" if one.degrees is None else si(one.degrees, "deg", 3),
        "columns": "–" if one.columns is None else f"{one.columns:.2g}",
        "note": one.note,
    }


def _predictor_rows(quality: RotationQuality) -> list[dict[str, str]]:
    return [
        {
            "name": str(row["predictor"]),
            "n": count(int(row["n"])),
            "rms": measured(row["rms_deg"], row["uncertainty_deg"], "deg"),
            "end": measured(row["end_rms_deg"], row["uncertainty_deg"], "deg"),
            "end_p95": si(row["end_p95_deg"], "deg", 3),
            "columns": _columns(row),
        }
        for row in quality.predictors.to_dict("records")
    ]


def _columns(row: dict[Any, Any]) -> str:
    if not row["n"]:
        return "–"
    low, high = (count(int(row[name])) for name in ("columns_low", "columns_high"))
    return f"{count(int(row['columns_allowed']))} ({low} " + (
        "or more)" if row["columns_high"] >= MOST_COLUMNS else f"to {high})"
    )


def _phase_sentences(quality: RotationQuality) -> list[str]:
    if len(quality.phases) < 2:
        return []
    return [
        f"{row['phase']}: revolutions {row['first']} to {row['last']}, {si(row['duration_s'], 's', 3)} from "
        f"{si(row['start_s'], 's', 4)} on, from {si(row['from_rev_per_s'], 'rev/s', 3)} to "
        f"{si(row['to_rev_per_s'], 'rev/s', 3)}"
        for row in quality.phases.to_dict("records")
    ]


def _limit_sentence(quality: RotationQuality) -> str:
    """What the mechanics alone leave to any firmware."""
    if quality.columns_allowed is None:
        return "The capture is too short to say how many columns the rotation allows."
    text = (
        f"The rotation alone allows {count(quality.columns_allowed)} columns before neighbours blur, if the firmware "
        f"predicts each turn best ({quality.best_predictor})"
    )
    if quality.columns_allowed_motor is not None:
        text += f"; with the motor lines it could have {count(quality.columns_allowed_motor)}"
    return text + "."


def _who_limits(quality: RotationQuality, placements: Sequence[Placement | None], motor: Motor | None) -> list[str]:
    """Firmware or mechanics: how far the columns stray, and how much of it the best prediction leaves, in squares."""
    known = quality.predictors[quality.predictors["predictor"] == quality.best_predictor]
    sentences = []
    for placement in placements:
        spread = None if placement is None else stray_deg(placement)
        if placement is None or not spread or not len(known):
            continue
        rotation = float(known["rms_deg"].iloc[0])
        if placement.angles_from != "index" and motor is not None:
            rotation = float(np.hypot(rotation, motor.index_rms_deg or 0.0))
        share = min(rotation / spread, 1.0) ** 2
        limits = "the rotation limits" if share > 0.5 else "the firmware, not the rotation, limits"
        sentences.append(
            f"The columns of chain {printable(placement.chain, 40)} usually stray by {si(spread, 'deg', 3)} about "
            f"their mean place, and the best prediction from the index leaves {si(rotation, 'deg', 2)} of it "
            f"({100 * share:.0f} % of its square): {limits} this picture."
        )
    return sentences


def stray_deg(placement: Placement) -> float | None:
    """How far updates usually lie from their columns' places, less the usual distance, degrees: a robust standard
    deviation, so that incidents do not count; None without updates."""
    error = placement.places.error_deg
    return robust_sigma(error) if np.count_nonzero(np.isfinite(error)) > 1 else None


def quality_figure(quality: RotationQuality, rotation: Rotation) -> Figure | None:
    """Speed over one turn, Allan deviation, orders of rotation and their spectrum, as far as the capture tells; None
    for none."""
    rows = [row for row in _panels(quality, rotation) if row]
    if not rows:
        return None
    heights = [max(_HEIGHT_IN, _ROW_IN * count_of + 0.9) for count_of in _row_heights(quality, rows)]
    figure = style.figure(_WIDTH_IN, sum(heights))
    bands = figure.subfigures(len(rows), 1, height_ratios=heights, squeeze=False)[:, 0]
    for band, row in zip(bands, rows, strict=True):
        for ax, (_, draw) in zip(band.subplots(1, len(row), squeeze=False)[0], row, strict=True):
            draw(ax)
    return figure


def _panels(quality: RotationQuality, rotation: Rotation) -> list[list[tuple[str, Any]]]:
    """Rows of named panels."""
    upper: list[tuple[str, Any]] = []
    lower: list[tuple[str, Any]] = []
    if len(quality.profile):
        upper.append(("profile", lambda ax: speed_over_turn(ax, quality.profile)))
    if len(rotation.allan) > 1:
        upper.append(("allan", lambda ax: allan_deviation(ax, rotation.allan)))
    if len(quality.orders) and quality.orders["ripple"].notna().any():
        lower.append(("orders", lambda ax: orders_of_rotation(ax, quality.orders)))
    if len(quality.spectrum):
        lower.append(("spectrum", lambda ax: order_spectrum(ax, quality.spectrum, quality.orders)))
    return [upper, lower]


def _row_heights(quality: RotationQuality, rows: list[list[tuple[str, Any]]]) -> list[int]:
    """Lines of text that stand beneath each other in each row of panels."""
    lines = len(shown_orders(quality.orders))
    return [lines if any(name == "orders" for name, _ in row) else 0 for row in rows]


def quality_caption(quality: RotationQuality, rotation: Rotation) -> str:
    """What the reader needs for the panels that are drawn, and no more."""
    names = {name for row in _panels(quality, rotation) for name, _ in row}
    said = []
    if names & {"profile", "orders", "allan"}:
        said.append("Whiskers are 95 % intervals.")
    if "profile" in names:
        said.append("The pale band is the spread from turn to turn.")
    if "orders" in names:
        said.append("The names of the orders say what usually causes them.")
    if "spectrum" in names:
        said.append("Dashed: the named orders.")
    if "profile" not in names:
        said.append("Nothing recorded here shows the speed within the turn; motor lines would.")
    return " ".join(said)
