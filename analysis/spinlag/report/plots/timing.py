"""Step lines of several channels over one time axis, with instants marked and intervals dimensioned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN
from spinlag.report.format import axis_unit, count
from spinlag.report.names import picture_text
from spinlag.report.plots import style

Floats = NDArray[np.float64]

_HEIGHT = 0.62
_ROW = 0.56
_FONT = 8.0
_FINE = 500
"""Edges closer than this share of the picture's width are drawn with hairlines on a shade, and counted."""
_BLOCK_EDGES = 12
_HAIRLINE = "#a3adb8"
_MOST_HAIRLINES = 1600


@dataclass(frozen=True, eq=False)
class Line:
    """One channel: `edges_s` toggle the level, `initial` (0, 1 or UNKNOWN) is the level before the first of them."""

    name: str
    initial: int
    edges_s: Floats


@dataclass(frozen=True)
class Mark:
    """One instant, named above the lines."""

    time_s: float
    label: str


@dataclass(frozen=True)
class Dimension:
    """One interval, drawn below the lines with its label."""

    from_s: float
    to_s: float
    label: str


def picture_height_in(lines: Sequence[Line], dimensions: Sequence[Dimension]) -> float:
    """Height of a figure in which such a picture reads well, inches."""
    return 1.25 + 0.42 * len(lines) + 0.24 * len(dimensions)


def timing_picture(
    ax: Axes,
    lines: Sequence[Line],
    t0: float,
    t1: float,
    marks: Sequence[Mark] = (),
    dimensions: Sequence[Dimension] = (),
    *,
    time_label: str = "time",
) -> Axes:
    """Lines from top to bottom over [t0, t1) seconds; edges outside are ignored.

    Marks and dimensions outside the window are cut to it. `time_label` names the axis, its unit is added.
    """
    # a window of a millisecond or two still reads best in microseconds
    factor, unit = axis_unit(max(abs(t0), abs(t1)) / 2.5)
    ax.set_xlim(t0 * factor, t1 * factor)
    for row, line in enumerate(lines):
        _step_line(ax, line, -float(row), t0, t1, factor)
    bottom = -float(len(lines) - 1) - 0.45
    rows = _mark_rows(ax, marks, t0, t1)
    for mark, row in zip(marks, rows, strict=True):
        _mark(ax, mark, factor, bottom - _ROW * len(dimensions), 0.85 + 0.32 * row)
    for row, dimension in enumerate(dimensions):
        _dimension(ax, dimension, bottom - _ROW * (row + 0.75), (t0, t1), factor)
    ax.set_ylim(bottom - _ROW * (len(dimensions) + 0.35), 0.95 + 0.32 * (max(rows, default=-1) + 1))
    ax.set_yticks([-row + _HEIGHT / 2 for row in range(len(lines))], [picture_text(line.name) for line in lines])
    ax.tick_params(axis="y", length=0, labelsize=8.5)
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_locator(MaxNLocator(9))
    ax.set_xlabel(f"{time_label}, {unit}")
    return ax


def _step_line(ax: Axes, line: Line, base: float, t0: float, t1: float, factor: float) -> None:
    if line.initial == UNKNOWN:
        middle = base + _HEIGHT / 2
        ax.plot([t0 * factor, t1 * factor], [middle, middle], color=style.FAINT, linewidth=0.8, linestyle=":")
        ax.text(t0 * factor, middle, " level never known", fontsize=7, va="bottom", color=style.FAINT)
        return
    before = int(line.edges_s.searchsorted(t0, side="right"))
    edges = line.edges_s[before : int(line.edges_s.searchsorted(t1, side="left"))]
    first = line.initial ^ (before & 1)
    levels = np.concatenate(([first], first ^ (np.arange(1, len(edges) + 1) & 1)))
    blocks = _blocks(edges, (t1 - t0) / _FINE)
    keep = np.ones(len(edges), dtype=bool)
    for begin, end in blocks:
        keep[begin + 1 : end] = False
        _block(ax, edges[begin : end + 1] * factor, base, hairlines=len(edges) <= _MOST_HAIRLINES)
    x = np.concatenate(([t0], edges[keep], [t1])) * factor
    y = base + _HEIGHT * levels[np.concatenate(([True], keep))]
    # inside a block the line is broken, the hairlines stand for it
    x, y = np.repeat(x, 2)[1:-1], np.repeat(y, 2)
    ax.plot([t0 * factor, t1 * factor], [base, base], color=style.GRID, linewidth=0.6, zorder=0)
    for begin, _ in blocks:
        after = int(np.count_nonzero(keep[: begin + 1]))
        y[2 * after : 2 * after + 2] = np.nan
    ax.plot(x, y, color=style.INK, linewidth=1.0)


def _block(ax: Axes, x: Floats, base: float, *, hairlines: bool) -> None:
    """A run of edges too close for full lines: shaded, outlined, with hairlines that show at a larger scale."""
    top = base + _HEIGHT
    ax.fill_between([x[0], x[-1]], base, top, facecolor=style.BAND, edgecolor=style.INK, linewidth=0.8)
    if hairlines:
        # one path for all of them: a path each would make the picture ten times as large
        along = np.repeat(x, 3)
        along[2::3] = np.nan
        ax.plot(along, np.tile((base, top, np.nan), len(x)), color=_HAIRLINE, linewidth=0.15)
    label = f"{count(len(x))} edges"
    left, right = ax.get_xlim()
    if _text_share(ax, label) > (x[-1] - x[0]) / (right - left):
        return
    ax.annotate(
        label,
        ((x[0] + x[-1]) / 2, top),
        xytext=(0, 1),
        textcoords="offset points",
        fontsize=7,
        ha="center",
        va="bottom",
    )


def _blocks(edges: Floats, finest: float) -> list[tuple[int, int]]:
    """Runs of edges too close to be told apart: (first, last) indices, each of _BLOCK_EDGES edges or more."""
    close = np.concatenate(([False], np.diff(edges) < finest, [False]))
    change = np.flatnonzero(close[1:] != close[:-1])
    return [(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True) if b - a >= _BLOCK_EDGES]


def _text_share(ax: Axes, text: str) -> float:
    """About how much of the picture's width a text takes."""
    figure = ax.get_figure()
    assert figure is not None
    width_pt = ax.get_position().width * figure.bbox.width / figure.get_dpi() * 72
    return len(text) * 0.58 * _FONT / width_pt


def _mark_rows(ax: Axes, marks: Sequence[Mark], t0: float, t1: float) -> list[int]:
    """A row above the lines for each mark, so that no two labels meet."""
    taken: list[float] = []
    rows = {}
    for i in sorted(range(len(marks)), key=lambda i: marks[i].time_s):
        left = (marks[i].time_s - t0) / (t1 - t0)
        row = next((r for r, end in enumerate(taken) if end < left), len(taken))
        end = left + _text_share(ax, marks[i].label) + 0.02
        taken[row : row + 1] = [end]
        rows[i] = row
    return [rows[i] for i in range(len(marks))]


def _mark(ax: Axes, mark: Mark, factor: float, bottom: float, top: float) -> None:
    x = mark.time_s * factor
    ax.plot([x, x], [bottom, top + 0.2], color=style.FAINT, linewidth=0.8, linestyle=(0, (3, 2)), zorder=0.5)
    ax.annotate(
        mark.label,
        (x, top),
        xytext=(3, 0),
        textcoords="offset points",
        fontsize=_FONT,
        va="bottom",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
    )


def _dimension(ax: Axes, dimension: Dimension, y: float, window: tuple[float, float], factor: float) -> None:
    t0, t1 = window
    left, right = max(dimension.from_s, t0), min(dimension.to_s, t1)
    arrow = {"arrowstyle": "<->", "shrinkA": 0, "shrinkB": 0, "linewidth": 0.9, "color": style.BLUE}
    ax.annotate("", (left * factor, y), xytext=(right * factor, y), arrowprops=arrow)
    for x in (dimension.from_s, dimension.to_s):
        if t0 <= x <= t1:
            ax.plot([x * factor, x * factor], [y - 0.12, 0.0], color=style.BLUE, linewidth=0.5, zorder=0.4)
    share, start = (right - left) / (t1 - t0), (left - t0) / (t1 - t0)
    text = _text_share(ax, dimension.label)
    where: dict[str, object]
    if text < 0.9 * share:
        where = {"xy": ((left + right) / 2 * factor, y), "xytext": (0, 1.5), "ha": "center", "va": "bottom"}
    elif start + share + text < 0.99:
        where = {"xy": (right * factor, y), "xytext": (5, 0), "ha": "left", "va": "center"}
    elif start - text > -0.05:
        where = {"xy": (left * factor, y), "xytext": (-5, 0), "ha": "right", "va": "center"}
    else:  # room on neither side: over the arrow, from the edge of the picture on
        where = {"xy": (t0 * factor, y), "xytext": (2, 1.5), "ha": "left", "va": "bottom"}
    ax.annotate(dimension.label, textcoords="offset points", fontsize=_FONT, **where)  # type: ignore[arg-type]
