"""How long the highs and lows of a LED line were, against the windows that are allowed."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator
from numpy.typing import NDArray

from spinlag.report.format import axis_unit, count, si
from spinlag.report.plots import style
from spinlag.report.series import LengthSeries, Span

_MOST_STEPS = 90
"""More sample periods than this across one picture would be a grey smear instead of a lattice."""

_BARS_UP_TO = 0.68
"""Share of the picture's height that the tallest bar takes; the windows' brackets stand above."""

_BELOW = 0.1
"""Where bars of counts end: below the axis, which begins at half a count, as a logarithmic axis has no zero."""


def length_distribution(ax: Axes, data: LengthSeries) -> Axes:
    """Bars of counts (logarithmic) on the recorder's sample lattice, the allowed windows as brackets above."""
    low, high = _range(data)
    # bit times are at home in nanoseconds, also where one reaches a microsecond
    factor, unit = (1e9, "ns") if high < 1e-5 else axis_unit(high)
    few = len(data.centres_s) <= _MOST_STEPS
    ax.add_collection(
        _bars(data.centres_s * factor, data.counts, (0.8 if few else 1.0) * data.width_s * factor, outlined=few)
    )
    ax.set_yscale("log")
    decades = np.log10(max(float(data.counts.max()), 2.0) / 0.5)
    ax.set_ylim(0.5, 0.5 * 10 ** (decades / _BARS_UP_TO))
    ax.set_xlim(low * factor, high * factor)
    for row, span in enumerate(data.spans):
        _band(ax, span, factor, (low, high), 0.9 - 0.125 * row, main=row == 0)
    if (high - low) / data.step_s <= _MOST_STEPS:
        lattice = np.arange(np.ceil(low / data.step_s), np.floor(high / data.step_s) + 1) * data.step_s
        ax.vlines(lattice * factor, 0, 0.025, color=style.FAINT, linewidth=0.6, transform=ax.get_xaxis_transform())
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
    powers = np.arange(0, int(np.floor(np.log10(data.counts.max()))) + 1)
    ax.set_yticks(10.0 ** powers[:: max(1, len(powers) // 4)])
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: count(round(value))))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.set_title(data.title)
    ax.set_xlabel(f"{unit} (n = {count(data.n)}, mean {si(data.mean_s, 's')})")
    ax.set_ylabel("times seen")
    if data.beyond:
        ax.annotate(
            f"{count(data.beyond)} longer,\nup to {si(data.longest_s, 's', 3)}",
            (0.98, 0.5),
            xycoords="axes fraction",
            ha="right",
            va="center",
            fontsize=7.5,
        )
    return ax


def _bars(centres: NDArray[np.float64], counts: NDArray[np.int64], width: float, *, outlined: bool) -> PolyCollection:
    """Bars as one artist, which is drawn in a fraction of the time of one artist each; they end below the axis."""
    left, right = centres - width / 2, centres + width / 2
    foot = np.full(len(counts), _BELOW)
    corners = np.stack([(left, foot), (left, counts), (right, counts), (right, foot)])
    return PolyCollection(
        list(corners.transpose(2, 0, 1)),
        facecolor=style.BLUE,
        edgecolor=style.INK if outlined else "none",
        linewidth=0.3,
    )


def _range(data: LengthSeries) -> tuple[float, float]:
    """Part of the axis to show: all that was seen, and the finite bounds that lie near it."""
    low = float(data.centres_s[0] - data.width_s)
    high = float(data.centres_s[-1] + data.width_s)
    reach = max(high - low, 0.5 * high)
    for span in data.spans:
        for bound in (span.low_s, span.high_s):
            if bound is not None and low - 1.5 * reach <= bound <= high + 1.5 * reach:
                low, high = min(low, bound), max(high, bound)
    margin = 0.06 * (high - low)
    return max(low - margin, 0.0), high + margin


def _band(ax: Axes, span: Span, factor: float, view: tuple[float, float], y: float, *, main: bool) -> None:
    """A window as a bracket with its name, `y` a share of the height; the main one is shaded down to the bars.

    Sides that are open, or lie outside the view, end in an arrow.
    """
    low = view[0] if span.low_s is None else span.low_s
    high = view[1] if span.high_s is None else span.high_s
    if main:
        ax.axvspan(low * factor, high * factor, color=style.BAND, zorder=0)
        for bound in (span.low_s, span.high_s):
            if bound is not None:
                ax.axvline(bound * factor, color=style.INK, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
    left, right = (min(max(x, view[0]), view[1]) * factor for x in (low, high))
    ends = ("|" if low > view[0] else "<", "|" if high < view[1] else ">")
    across = ax.get_xaxis_transform()
    ax.plot([left, right], [y, y], color=style.INK, linewidth=0.9, transform=across)
    for x, mark in zip((left, right), ends, strict=True):
        ax.plot([x], [y], marker=mark, color=style.INK, markersize=5, linestyle="none", transform=across)
    ax.annotate(
        span.label,
        ((left + right) / 2, y),
        xycoords=across,
        xytext=(0, 1.5),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=7,
    )
