"""Quality of rotation: speed over one turn, orders of rotation, Allan deviation."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, NullFormatter

from spinlag.report.plots import style

MOST_ORDERS = 30


def speed_over_turn(ax: Axes, profile: pd.DataFrame) -> Axes:
    """Mean speed over the shaft angle, per cent of the mean, with its 95 % interval and the spread between turns.

    `profile` has `angle_deg`, `speed_ratio`, `low`, `high`, `spread`.
    """
    angle = profile["angle_deg"].to_numpy()
    percent = 100 * (profile[["speed_ratio", "low", "high"]].to_numpy() - 1)
    spread = 100 * profile["spread"].to_numpy()
    ax.fill_between(angle, percent[:, 0] - spread, percent[:, 0] + spread, color=style.BAND, linewidth=0)
    ax.errorbar(
        angle,
        percent[:, 0],
        yerr=np.abs(percent[:, 1:] - percent[:, :1]).T,
        color=style.BLUE,
        linewidth=0.9,
        elinewidth=0.7,
        capsize=1.5,
    )
    ax.axhline(0, color=style.INK, linewidth=0.6)
    ax.set_xlim(0, 360)
    ax.set_xticks(range(0, 361, 90))
    ax.set_xlabel("shaft angle, degrees")
    ax.set_ylabel("speed less its mean, %")
    ax.set_title("speed over one turn")
    return style.light_grid(ax, "y")


def orders_of_rotation(ax: Axes, orders: pd.DataFrame) -> Axes:
    """Amplitude of the speed at each order of rotation with its 95 % interval; orders that cannot be told are left out.

    `orders` has `order`, `name`, `ripple`, `low`, `high` (ratios of the mean speed).
    """
    told = orders[np.isfinite(orders["ripple"].to_numpy(dtype=float))].head(MOST_ORDERS)
    order = told["order"].to_numpy()
    percent = 100 * told[["ripple", "low", "high"]].to_numpy(dtype=float)
    ax.bar(order, percent[:, 0], width=0.6, color=style.BLUE, linewidth=0)
    reach = np.abs(percent[:, 1:] - percent[:, :1]).T
    ax.errorbar(order, percent[:, 0], yerr=reach, fmt="none", ecolor=style.INK, elinewidth=0.8, capsize=2)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("order (times per turn)")
    ax.set_ylabel("speed ripple, % of the mean")
    ax.set_title("orders of rotation")
    if len(order) <= 16:
        ax.set_xticks(order)
    return style.light_grid(ax, "y")


def allan_deviation(ax: Axes, allan: pd.DataFrame) -> Axes:
    """Overlapping Allan deviation of the index instants with its 95 % interval, both axes logarithmic.

    A deviation of 0, of a shaft that the recorder saw turn evenly to the tick, has no place on such an axis.

    `allan` has `tau_s`, `adev`, `low`, `high`.
    """
    tau, adev = allan["tau_s"].to_numpy(), allan["adev"].to_numpy()
    reach = np.abs(np.stack([allan["low"].to_numpy(), allan["high"].to_numpy()]) - adev)
    ax.errorbar(tau, adev, yerr=reach, color=style.BLUE, marker="o", markersize=3, linewidth=0.9, capsize=2)
    ax.set_xscale("log")
    if (adev > 0).any():
        ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("averaged over, s")
    ax.set_ylabel("deviation of relative speed")
    ax.set_title("Allan deviation")
    return style.light_grid(ax, "both")
