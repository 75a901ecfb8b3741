"""Whole figures for the report: pictures placed on a sheet. Use inside `style.styled()`."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from matplotlib.figure import Figure

from spinlag.capture import Capture
from spinlag.report.moments import Moment, lines_of, shift_to_zero
from spinlag.report.names import picture_text
from spinlag.report.plots import style
from spinlag.report.plots.latency import latency_distribution, latency_over_revolutions
from spinlag.report.plots.lengths import length_distribution
from spinlag.report.plots.placement import map_colour_bar, placement_error_map, placement_profile
from spinlag.report.plots.speed import speed_over_time
from spinlag.report.plots.timing import picture_height_in, timing_picture
from spinlag.report.series import LatencySeries, LengthSeries, PlacementMap, SpeedSeries
from spinlag.rig import Rig

WIDTH_IN = 8.2
_TITLE_WIDTH = 72


def latency_figure(data: LatencySeries) -> Figure:
    """Latency over revolutions with its distribution at the side."""
    figure = style.figure(WIDTH_IN, 3.1)
    main, side = figure.subplots(1, 2, sharey=True, width_ratios=(4, 1))
    latency_over_revolutions(main, data)
    latency_distribution(side, data)
    main.set_title(f"latency of chain {picture_text(data.chain)}: index edge to visible light")
    return figure


def lengths_figure(data: Sequence[LengthSeries]) -> Figure:
    """The distributions of one chain, two in a row."""
    rows = -(-len(data) // 2)
    figure = style.figure(WIDTH_IN, 1.85 * rows)
    axes = figure.subplots(rows, 2, squeeze=False).ravel()
    for ax, one in zip(axes, data, strict=False):
        length_distribution(ax, one)
    for ax in axes[len(data) :]:
        ax.axis("off")
    return figure


def placement_figure(data: PlacementMap) -> Figure:
    """The map with its colour scale, and the profile by column at the side."""
    figure = style.figure(WIDTH_IN, 3.6)
    main, side = figure.subplots(1, 2, width_ratios=(5, 1))
    placement_profile(side, data)
    placement_error_map(main, data)
    map_colour_bar(main, data)
    return figure


def speed_figure(data: SpeedSeries) -> Figure:
    """Speed over time."""
    figure = style.figure(WIDTH_IN, 2.6)
    speed_over_time(figure.subplots(), data)
    return figure


def moment_figure(capture: Capture, rig: Rig, moment: Moment) -> Figure:
    """The timing picture of one moment."""
    lines, left_out = lines_of(capture, rig, moment)
    marks, dimensions = shift_to_zero(moment)
    figure = style.figure(WIDTH_IN, picture_height_in(lines, dimensions))
    label = f"{moment.zero_label} (at {moment.zero_s:.9g} s)"
    if left_out:
        label += f"; {left_out} more lines not shown"
    ax = timing_picture(
        figure.subplots(),
        lines,
        moment.t0_s - moment.zero_s,
        moment.t1_s - moment.zero_s,
        marks,
        dimensions,
        time_label=label,
    )
    ax.set_title("\n".join(textwrap.wrap(picture_text(moment.title, 250), _TITLE_WIDTH)))
    return figure
