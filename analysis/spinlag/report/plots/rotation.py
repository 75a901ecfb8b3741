"""Quality of rotation: speed over one turn, orders of rotation, spectrum over order, Allan deviation."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from spinlag.report.plots import style

MOST_ROWS = 12
"""Orders that the picture of orders names."""


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
    """Amplitude of the speed at each order of rotation with its 95 % interval, a row each, with what usually causes it.

    Shown are the named orders and the largest of the others, `MOST_ROWS` in all. `orders` has `order`, `name`,
    `ripple`, `low`, `high` (ratios of the mean speed); an order that cannot be told says so.
    """
    shown = shown_orders(orders)
    row = np.arange(len(shown))
    told = np.isfinite(shown["ripple"].to_numpy(dtype=float))
    percent = 100 * shown[["ripple", "low", "high"]].to_numpy(dtype=float)
    ax.barh(row[told], percent[told, 0], height=0.6, color=style.BLUE, linewidth=0)
    reach = np.abs(percent[told, 1:] - percent[told, :1]).T
    ax.errorbar(
        percent[told, 0], row[told], xerr=reach, fmt="none", ecolor=style.INK, elinewidth=0.8, capsize=2, zorder=3
    )
    for at in row[~told]:
        ax.text(
            0.01, at, "cannot be told", transform=ax.get_yaxis_transform(), va="center", fontsize=7, color=style.FAINT
        )
    ax.set_yticks(row, [order_label(int(one.order), str(one.name)) for one in shown.itertuples(index=False)])
    ax.set_ylim(len(shown) - 0.4, -0.6)
    ax.set_xlim(left=0)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("speed ripple, % of the mean")
    ax.set_title("orders of rotation")
    return style.light_grid(ax, "x")


def shown_orders(orders: pd.DataFrame) -> pd.DataFrame:
    """The rows of the picture, by order."""
    named = np.array([_is_named(str(name)) for name in orders["name"]], dtype=bool)
    first = orders[named].head(MOST_ROWS - 2)
    others = orders[~named & np.isfinite(orders["ripple"].to_numpy(dtype=float))]
    largest = others.sort_values("ripple", ascending=False, kind="stable").head(MOST_ROWS - len(first))
    return pd.concat([first, largest]).sort_values("order", ignore_index=True)


def _is_named(name: str) -> bool:
    return not name.endswith(" times per turn")


def order_label(order: int, name: str) -> str:
    """`1  once per turn: imbalance or a bent arm`; the number alone where there is no more to say."""
    return f"{name}  {order}" if _is_named(name) else f"{order}"


def order_spectrum(ax: Axes, spectrum: pd.DataFrame, orders: pd.DataFrame) -> Axes:
    """Power spectral density of the relative speed over order, logarithmic, the named orders marked.

    `spectrum` has `order`, `density` (per order); `orders` as for `orders_of_rotation`.
    """
    order, density = spectrum["order"].to_numpy(dtype=float), spectrum["density"].to_numpy(dtype=float)
    drawn = (order > 0) & (density > 0)
    ax.plot(order[drawn], density[drawn], color=style.BLUE, linewidth=0.9)
    top = float(order[-1])
    if drawn.any():
        ax.set_yscale("log")
        low, high = ax.get_ylim()
        ax.set_ylim(low, high * (high / low) ** 0.12)
        _plain_numbers(ax.yaxis, density[drawn])
    ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    last = -top
    for one in orders.itertuples(index=False):
        if _is_named(str(one.name)) and one.order < top:
            ax.axvline(one.order, color=style.FAINT, linewidth=0.6, linestyle=(0, (2, 2)), zorder=0)
            # numbers closer together than this would touch
            if one.order - last > top / 30:
                ax.text(
                    one.order,
                    0.99,
                    f"{one.order}",
                    transform=ax.get_xaxis_transform(),
                    ha="center",
                    va="top",
                    fontsize=7,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
                )
                last = float(one.order)
    ax.set_xlim(0, top)
    ax.set_xlabel("order (times per turn)")
    ax.set_ylabel("density (of speed / mean) per order")
    ax.set_title("spectrum over order")
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
    _plain_numbers(ax.xaxis, tau)
    if (adev > 0).any():
        _plain_numbers(ax.yaxis, np.concatenate((adev - reach[0], adev + reach[1])))
    ax.set_xlabel("averaged over, s")
    ax.set_ylabel("deviation of relative speed")
    ax.set_title("Allan deviation")
    return style.light_grid(ax, "both")


def _plain_numbers(axis: Axis, values: NDArray[np.float64]) -> None:
    """Plain numbers at a logarithmic axis, so dense that a few are seen however few decades it spans."""
    positive = values[values > 0]
    decades = float(np.log10(positive.max() / positive.min())) if len(positive) else 0.0
    subs = (1.0,) if decades > 2.5 else (1.0, 2.0, 5.0)
    axis.set_major_locator(LogLocator(subs=subs, numticks=9))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}".replace("e-0", "e-")))
    axis.set_minor_formatter(NullFormatter())
