"""Placement error as a map of revolution by column, with its profile along the turn."""

from __future__ import annotations

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.image import AxesImage
from matplotlib.ticker import MaxNLocator

from spinlag.report.format import si
from spinlag.report.plots import style
from spinlag.report.series import PlacementMap

_MISSING = "#4d4d4d"


def map_scale(data: PlacementMap) -> tuple[float, float]:
    """Error at the ends of the colour scale and the largest error of all, degrees.

    The scale serves the ordinary cells; a bad revolution takes the end colour and does not wash out the rest.
    """
    size = np.abs(data.error_deg[np.isfinite(data.error_deg)])
    if not size.size:
        return 1e-6, 0.0
    return max(min(1.6 * float(np.quantile(size, 0.95)), float(size.max())), 1e-6), float(size.max())


def placement_error_map(ax: Axes, data: PlacementMap) -> Axes:
    """One cell per revolution and column; the colour bar is the caller's (`map_colour_bar`)."""
    end, worst = map_scale(data)
    colours = colormaps["PuOr"].with_extremes(bad=_MISSING)
    ax.imshow(
        np.ma.masked_invalid(data.error_deg),
        aspect="auto",
        origin="lower",
        interpolation="nearest",
        cmap=colours,
        vmin=-end,
        vmax=end,
        extent=(
            data.first_revolution - 0.5,
            data.first_revolution + data.per_cell * data.error_deg.shape[1] - 0.5,
            -0.5,
            data.columns_per_cell * data.error_deg.shape[0] - 0.5,
        ),
    )
    ax.set_xlim(data.first_revolution - 0.5, data.first_revolution + data.revolutions - 0.5)
    ax.set_ylim(-0.5, data.columns - 0.5)
    title = f"placement error less its median of {si(data.median_deg, 'deg', 3)}"
    if data.per_cell > 1 or data.columns_per_cell > 1:
        title += f"; each cell the worst of {data.per_cell * data.columns_per_cell}"
    ax.set_title(f"{title}; largest {si(worst, 'deg', 3)}")
    ax.set_xlabel("revolution (dark grey: no update)" if np.isnan(data.error_deg).any() else "revolution")
    ax.set_ylabel("column")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))
    return ax


def map_colour_bar(ax: Axes, data: PlacementMap) -> Axes:
    """Colour scale of the map beside `ax`, in degrees."""
    image = next(child for child in ax.get_children() if isinstance(child, AxesImage))
    figure = ax.get_figure()
    assert figure is not None
    end, worst = map_scale(data)
    bar = figure.colorbar(image, ax=ax, extend="both" if worst > 1.001 * end else "neither", pad=0.02, fraction=0.05)
    bar.set_label(f"degrees (a column is {si(360 / data.columns, 'deg', 3)})")
    bar.ax.tick_params(labelsize=7.5)
    return ax


def placement_profile(ax: Axes, data: PlacementMap) -> Axes:
    """Median error of each column with the band that holds nine tenths of the revolutions; columns run upwards."""
    column = np.arange(data.columns)
    ax.fill_betweenx(
        column, data.low_deg, data.high_deg, color=style.BLUE, alpha=0.25, linewidth=0, label="5 % to 95 %"
    )
    ax.plot(data.middle_deg, column, color=style.BLUE)
    ax.axvline(0, color=style.INK, linewidth=0.7)
    ax.set_ylim(-0.5, data.columns - 0.5)
    ax.tick_params(axis="y", labelleft=False)
    ax.xaxis.set_major_locator(MaxNLocator(2))
    ax.tick_params(axis="x", labelsize=7)
    ax.set_xlabel("degrees: median\nand 90 % band")
    ax.set_title("by column", fontweight="normal", fontsize=8.5)
    return style.light_grid(ax, "x")
