"""One plain style for all pictures: dark ink on white, a few colours that colour-blind readers can tell apart.

The colours are four of the eight that Okabe and Ito chose for that purpose (M. Okabe, K. Ito, Color Universal Design,
2008). Nothing is told by colour alone: a second sign (dashes, a mark, a word) always goes with it.
"""

from __future__ import annotations

import base64
import io
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.style import context
from numpy.typing import ArrayLike

from spinlag.memory import release_freed_memory

INK = "#1a1a1a"
FAINT = "#8a8a8a"
GRID = "#d9d9d9"
BAND = "#e9edf2"
BLUE = "#0072b2"
ORANGE = "#d55e00"
GREEN = "#009e73"

MANY_POINTS = 3000
"""From so many points on, points are drawn as pixels inside a picture that is otherwise lines."""

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # nothing else stands above any axes, and looking for it takes a sixth of the drawing
    "axes.labelsize": 8.5,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": (-6, 9),
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "lines.linewidth": 1.1,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "figure.dpi": 100,
    "svg.fonttype": "path",
    "svg.hashsalt": "spinlag",
    "path.simplify": True,
}

Format = Literal["svg", "png"]


def styled() -> Any:
    """Context in which figures are made and saved; what is set elsewhere (a notebook, a matplotlibrc) stays out."""
    return context(["default", _STYLE])


def figure(width_in: float, height_in: float) -> Figure:
    """A figure of the object interface, laid out so that nothing overlaps; use inside `styled`."""
    return Figure(figsize=(width_in, height_in), layout=ConstrainedLayoutEngine(h_pad=0.07, w_pad=0.05))


def rendered(fig: Figure, kind: Format = "svg", dpi: float = 150) -> bytes:
    """The figure as SVG or PNG bytes, without dates or versions, so that the same data gives the same bytes."""
    release_freed_memory()  # what was gathered for the figure is in it now
    stream = io.BytesIO()
    metadata = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    fig.savefig(stream, format=kind, dpi=dpi, metadata=metadata)
    return stream.getvalue()


def data_uri(content: bytes, kind: Format) -> str:
    """Bytes of a picture as a data URI for an img element."""
    mime = {"svg": "image/svg+xml", "png": "image/png"}[kind]
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"


@lru_cache(maxsize=1)
def glyphs() -> frozenset[int]:
    """Code points that the pictures' font can draw."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def light_grid(ax: Axes, axis: Literal["both", "x", "y"] = "both") -> Axes:
    """A thin grid behind the data."""
    ax.grid(visible=True, axis=axis)
    return ax


def right_scale(ax: Axes, factor: float, label: str) -> Axes:
    """A second scale on the right: the left one times `factor`."""

    def forwards(y: ArrayLike) -> ArrayLike:
        return np.multiply(y, factor)

    def backwards(y: ArrayLike) -> ArrayLike:
        return np.divide(y, factor)

    ax.secondary_yaxis("right", functions=(forwards, backwards)).set_ylabel(label)
    return ax


def note(ax: Axes, text: str) -> Axes:
    """A sentence in place of a picture that has nothing to show."""
    ax.axis("off")
    ax.text(0.5, 0.5, text, ha="center", va="center", transform=ax.transAxes, wrap=True)
    return ax
