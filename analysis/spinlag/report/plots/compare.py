"""Pictures of a comparison: shifts against tolerances, distributions, revolutions, what was shown, and trends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from spinlag.report.format import axis_unit
from spinlag.report.plots import style

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

MOST_TOLERANCES = 30.0
BEFORE, AFTER = style.BLUE, style.ORANGE


@dataclass(frozen=True)
class Shift:
    """One quantity's shift and interval in units of its tolerance; `said` stands at the right."""

    label: str
    verdict: str
    shift: float
    low: float
    high: float
    said: str


def shifts_against_tolerance(ax: Axes, shifts: Sequence[Shift]) -> Axes:
    """Intervals of all shifts, one line each, over the band that is called negligible.

    The axis is linear to two tolerances and logarithmic beyond, so that one large shift does not hide the others.
    """
    ax.set_xscale("symlog", linthresh=2.0, linscale=1.4)
    ax.axvspan(-1, 1, color=style.BAND, zorder=0)
    ax.axvline(0, color=style.FAINT, linewidth=0.8)
    for place, one in enumerate(shifts):
        differs = one.verdict in ("better", "worse")
        low, high = np.clip([one.low, one.high], -MOST_TOLERANCES, MOST_TOLERANCES)
        ax.plot(
            [low, high], [place, place], color=style.INK if differs else style.BLUE, linewidth=2.2 if differs else 1.4
        )
        ax.plot(
            np.clip(one.shift, -MOST_TOLERANCES, MOST_TOLERANCES),
            place,
            marker=_marker(one, differs=differs),
            markersize=5,
            color=style.ORANGE if one.verdict == "worse" else style.GREEN if one.verdict == "better" else style.BLUE,
            markeredgecolor=style.INK,
            markeredgewidth=0.6,
        )
        ax.annotate(
            f"{one.verdict}: {one.said}" if differs or one.verdict == "same" else f"cannot tell: {one.said}",
            (1.01, place),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=7.5,
            fontweight="bold" if differs else "normal",
            annotation_clip=False,
        )
    ax.set_yticks(range(len(shifts)), [one.label for one in shifts])
    ax.set_ylim(len(shifts) - 0.4, -0.6)
    reach = max([2.5, *(min(abs(x), MOST_TOLERANCES) for one in shifts for x in (one.low, one.high))]) * 1.1
    ax.set_xlim(-reach, reach)
    ticks = [tick for tick in (-30, -10, -5, -2, -1, 0, 1, 2, 5, 10, 30) if abs(tick) <= reach]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_xticks([], minor=True)
    ax.set_xlabel("shift in tolerances, with its 95 % interval; shaded: negligible")
    ax.tick_params(axis="y", length=0)
    return style.light_grid(ax, "x")


def _marker(one: Shift, *, differs: bool) -> str:
    """A diamond for what changed, a dot else; an arrow head where the shift lies beyond the axis."""
    if abs(one.shift) > MOST_TOLERANCES:
        return ">" if one.shift > 0 else "<"
    return "D" if differs else "o"


def two_distributions(ax: Axes, before: Floats, after: Floats, names: tuple[str, str], unit: str) -> Axes:
    """Both distributions as outlines over common bins, as shares of revolutions; medians as lines."""
    pooled = np.concatenate([before, after])
    factor, name = axis_unit(float(np.max(np.abs(pooled))), unit)
    low, high = np.quantile(pooled, (0.002, 0.998))
    room = max(high - low, 1e-12 * max(abs(high), 1e-12)) * 0.06
    edges = np.linspace(low - room, high + room, 61)
    for values, colour, dashes, label in ((before, BEFORE, "-", names[0]), (after, AFTER, (0, (4, 1.5)), names[1])):
        counts, _ = np.histogram(np.clip(values, edges[0], edges[-1]), edges)
        ax.stairs(counts / len(values), edges * factor, color=colour, linestyle=dashes, linewidth=1.3, label=label)
        ax.stairs(counts / len(values), edges * factor, color=colour, fill=True, alpha=0.12)
        ax.axvline(float(np.median(values)) * factor, color=colour, linestyle=dashes, linewidth=0.9)
    ax.set_xlabel(name if name != "°" else "degrees")
    ax.yaxis.set_major_formatter(FuncFormatter(lambda share, _: f"{100 * share:.0f} %"))
    ax.set_ylabel("share of revolutions")
    ax.set_ylim(bottom=0)
    ax.legend(loc="upper right")
    return style.light_grid(ax, "y")


def over_revolutions(ax: Axes, values: Floats, name: str, unit: str, span: tuple[float, float], *, after: bool) -> Axes:
    """One side's values over its revolutions on the scale that both sides share; the median as a line."""
    factor, unit_name = axis_unit(max(abs(span[0]), abs(span[1])), unit)
    many = len(values) > style.MANY_POINTS
    colour = AFTER if after else BEFORE
    ax.plot(
        np.arange(len(values)),
        values * factor,
        linestyle="none",
        marker="." if many else ("^" if after else "o"),
        markersize=1.6 if many else 2.4,
        color=colour,
        rasterized=many,
    )
    ax.axhline(float(np.median(values)) * factor, color=style.INK, linewidth=0.8)
    room = 0.05 * max(span[1] - span[0], 1e-12)
    ax.set_ylim((span[0] - room) * factor, (span[1] + room) * factor)
    ax.set_title(name)
    ax.set_xlabel("revolution")
    ax.set_ylabel("degrees" if unit_name == "°" else unit_name)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
    return style.light_grid(ax, "y")


def shown_columns(ax: Axes, image: Image, title: str, different: Sequence[int], moving: Sequence[int]) -> Axes:
    """What each column usually shows, columns from left to right and LEDs from the first at the bottom; triangles mark
    columns that differ, hatches those that were not compared."""
    ax.imshow(image, origin="lower", aspect="auto", interpolation="nearest", extent=(-0.5, image.shape[1] - 0.5, 0, 1))
    for column in moving:
        ax.axvspan(column - 0.5, column + 0.5, facecolor="none", edgecolor=style.FAINT, hatch="////", linewidth=0)
    if different:
        ax.plot(
            list(different),
            np.full(len(different), 1.04),
            linestyle="none",
            marker="v",
            markersize=3.5,
            color=style.ORANGE,
            clip_on=False,
            transform=ax.get_xaxis_transform(),
        )
    ax.set_yticks([0, 1], ["first LED", "last LED"])
    ax.set_title(title, pad=10)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=12))
    for side in ax.spines.values():
        side.set_visible(True)
    return ax


def trend_over_versions(
    ax: Axes, versions: Sequence[str], values: Floats, lows: Floats, highs: Floats, unit: str, changed: int | None
) -> Axes:
    """One quantity over the versions with its intervals; a dashed line stands before the version that changed it. Rates
    and shares (unit 1) are in per cent."""
    largest = float(np.max(np.abs(np.concatenate([lows, highs]))))
    factor, name = (100.0, "%") if unit == "1" else axis_unit(largest, unit)
    place = np.arange(len(versions))
    errors = np.vstack([values - lows, highs - values]) * factor
    ax.errorbar(
        place, values * factor, yerr=errors, color=style.BLUE, marker="o", markersize=4, linewidth=0.9, capsize=3
    )
    if changed is not None:
        ax.axvline(changed - 0.5, color=style.ORANGE, linestyle=(0, (4, 2)), linewidth=1.1)
    ax.set_xticks(place, versions, rotation=30 if len(versions) > 5 else 0)
    ax.set_xlim(-0.5, len(versions) - 0.5)
    ax.set_ylabel("degrees" if name == "°" else name)
    return style.light_grid(ax, "y")
