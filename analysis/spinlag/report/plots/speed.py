"""Speed of rotation over time."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from spinlag.report.format import si
from spinlag.report.plots import style
from spinlag.report.series import SpeedSeries

_MARKS = ("x", "^", "s", "D", "v", "P")


def speed_over_time(ax: Axes, data: SpeedSeries) -> Axes:
    """Speed of each revolution, rev/s on the left and r/min on the right; revolutions not to be trusted are marked."""
    many = len(data.speed) > style.MANY_POINTS
    ax.plot(data.time_s, data.speed, color=style.BLUE, linewidth=0.6 if many else 0.9, rasterized=many)
    if not many:
        ax.plot(data.time_s, data.speed, linestyle="none", marker="o", markersize=1.8, color=style.BLUE)
    _frame(ax, data)
    bottom, top = ax.get_ylim()
    for mark, (label, (time, speed)) in zip(_MARKS * 3, data.flagged.items(), strict=False):
        ax.plot(
            time,
            np.clip(speed, bottom, top),
            linestyle="none",
            marker=mark,
            markersize=5,
            markerfacecolor="none",
            color=style.ORANGE,
            label=f"{label} ({len(time)})",
            clip_on=False,
            rasterized=len(time) > style.MANY_POINTS,
        )
    unseen = []
    for value, name in ((data.limit.low, "min"), (data.limit.high, "max")):
        if value is None:
            continue
        label = f"limit ({name}) {si(value, 'rev/s')}"
        if bottom <= value <= top:
            ax.axhline(value, color=style.INK, linewidth=0.9, linestyle=(0, (5, 2)), label=label)
        else:
            unseen.append(label)
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=3, borderaxespad=0.2)
    ax.set_xlabel("time in the capture, s" + (f" (outside the view: {', '.join(unseen)})" if unseen else ""))
    ax.set_ylabel("speed, rev/s")
    ax.margins(x=0.01)
    style.right_scale(ax, 60.0, "r/min")
    return style.light_grid(ax, "y")


def _frame(ax: Axes, data: SpeedSeries) -> None:
    """A range that shows the trusted speeds with room around them, and the limits where they are near."""
    good = data.speed[np.isfinite(data.speed)]
    if not good.size:
        return
    low, high = float(good.min()), float(good.max())
    room = max(high - low, 2e-4 * high)
    for value in (data.limit.low, data.limit.high):
        if value is not None and low - 3 * room <= value <= high + 3 * room:
            low, high = min(low, value), max(high, value)
    ax.set_ylim(low - 0.12 * room, high + 0.12 * room)
