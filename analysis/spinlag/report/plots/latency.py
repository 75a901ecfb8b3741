"""Latency over revolutions and its distribution."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from spinlag.report.format import axis_unit, si
from spinlag.report.plots import style
from spinlag.report.series import LatencySeries


def latency_over_revolutions(ax: Axes, data: LatencySeries) -> Axes:
    """One point per revolution, the median as a line, limits dashed, revolutions without an update as crosses."""
    factor, unit = axis_unit(float(data.latency_s.max()))
    many = len(data.revolution) > style.MANY_POINTS
    ax.plot(
        data.revolution,
        data.latency_s * factor,
        linestyle="none",
        marker="." if many else "o",
        markersize=1.6 if many else 2.6,
        color=style.BLUE,
        rasterized=many,
    )
    ax.axhline(data.median_s * factor, color=style.INK, linewidth=0.8)
    _frame(ax, data, factor)
    worst = int(data.latency_s.argmax())
    along = (data.revolution[worst] - data.revolution[0]) / max(data.revolution[-1] - data.revolution[0], 1)
    ax.annotate(
        f"longest: revolution {data.revolution[worst]}, {si(float(data.latency_s[worst]), 's')}",
        (float(data.revolution[worst]), float(data.latency_s[worst]) * factor),
        xytext=(0, 4),
        textcoords="offset points",
        ha="left" if along < 0.25 else "right" if along > 0.75 else "center",
        va="bottom",
        fontsize=7.5,
    )
    unseen = _limits(ax, data, factor, named=True)
    if len(data.missing):
        low = ax.get_ylim()[0]
        ax.plot(
            data.missing,
            np.full(len(data.missing), low),
            linestyle="none",
            marker="x",
            color=style.ORANGE,
            clip_on=False,
            rasterized=len(data.missing) > style.MANY_POINTS,
            label=f"no update in {len(data.missing)} revolutions",
        )
        ax.set_ylim(bottom=low)
        ax.legend(loc="upper left")
    ax.set_xlabel("revolution" + (f" (outside the view: {', '.join(unseen)})" if unseen else ""))
    ax.set_ylabel(f"latency, {unit}")
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))
    ax.margins(x=0.02)
    return style.light_grid(ax, "y")


def latency_distribution(ax: Axes, data: LatencySeries) -> Axes:
    """The same values as a sideways histogram, with degrees of rotation on the right."""
    factor = axis_unit(float(data.latency_s.max()))[0]
    ax.stairs(data.counts, data.edges_s * factor, orientation="horizontal", fill=True, color=style.BLUE, alpha=0.45)
    ax.stairs(data.counts, data.edges_s * factor, orientation="horizontal", color=style.BLUE, linewidth=0.8)
    ax.axhline(data.median_s * factor, color=style.INK, linewidth=0.8)
    _limits(ax, data, factor, named=False)
    ax.set_xlabel("revolutions")
    ax.xaxis.set_major_locator(MaxNLocator(nbins=3, integer=True))
    ax.tick_params(axis="y", labelleft=False)
    ax.set_title(f"median {si(data.median_s, 's')}", fontweight="normal", fontsize=8.5)
    if data.degrees_per_s > 0:
        style.right_scale(ax, data.degrees_per_s / factor, "rotation meanwhile, degrees")
    return style.light_grid(ax, "y")


def _frame(ax: Axes, data: LatencySeries, factor: float) -> None:
    """A range with room for a label above the longest, and with the limits where they are near."""
    low, high = float(data.latency_s.min()), float(data.latency_s.max())
    room = max(high - low, 2 * data.sample_period_s)
    low, high = low - 0.08 * room, high + 0.14 * room
    for value in (data.limit.low, data.limit.high):
        if value is not None and low - 2 * room <= value <= high + 2 * room:
            low, high = min(low, value - 0.05 * room), max(high, value + 0.14 * room)
    ax.set_ylim(low * factor, high * factor)


def _limits(ax: Axes, data: LatencySeries, factor: float, *, named: bool) -> list[str]:
    """Draw the limits that lie in view; returns the others in words."""
    bottom, top = ax.get_ylim()
    unseen = []
    for value, name in ((data.limit.low, "min"), (data.limit.high, "max")):
        if value is None:
            continue
        label = f"limit ({name}) {si(value, 's')}"
        if not bottom <= value * factor <= top:
            unseen.append(label)
            continue
        ax.axhline(value * factor, color=style.ORANGE, linewidth=1.0, linestyle=(0, (5, 2)))
        if named:
            ax.annotate(
                label,
                (0.0, value * factor),
                xycoords=("axes fraction", "data"),
                xytext=(4, 2),
                textcoords="offset points",
                fontsize=7.5,
                color=style.ORANGE,
            )
    return unseen
