"""Quality of rotation, as results.json and the page carry it."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from spinlag.report.format import count, measured, si
from spinlag.report.plots import style
from spinlag.report.plots.rotation import allan_deviation, orders_of_rotation, speed_over_turn
from spinlag.rotation import Rotation
from spinlag.rotation.quality import Measure, RotationQuality

_WIDTH_IN, _HEIGHT_IN = 8.2, 2.9


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


def quality_section(quality: RotationQuality | None) -> dict[str, Any] | None:
    """Texts of the page's section; None without revolutions."""
    if quality is None:
        return None
    return {
        "measures": [_measure_row(one) for one in quality.measures],
        "predictors": _predictor_rows(quality),
        "phases": _phase_sentences(quality),
        "limit": _limit_sentence(quality),
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
            "columns": count(int(row["columns_allowed"])) if row["columns_allowed"] == row["columns_allowed"] else "–",
        }
        for row in quality.predictors.to_dict("records")
    ]


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


def quality_figure(quality: RotationQuality, rotation: Rotation) -> Figure | None:
    """Speed over one turn, orders of rotation and Allan deviation, as far as the capture tells; None for none."""
    panels: list[Any] = []
    if len(quality.profile):
        panels.append(lambda ax: speed_over_turn(ax, quality.profile))
    if len(quality.orders) and quality.orders["ripple"].notna().any():
        panels.append(lambda ax: orders_of_rotation(ax, quality.orders))
    if len(rotation.allan) > 1:
        panels.append(lambda ax: allan_deviation(ax, rotation.allan))
    if not panels:
        return None
    figure = style.figure(_WIDTH_IN * max(len(panels), 2) / 3, _HEIGHT_IN)
    for ax, draw in zip(figure.subplots(1, len(panels), squeeze=False)[0], panels, strict=True):
        draw(ax)
    return figure
