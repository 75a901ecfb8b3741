"""What the viewer saw: the usual picture, an incident's, their difference, and what the eye makes of it."""

from __future__ import annotations

from matplotlib.axes import Axes

from spinlag.picture import Image, Screen
from spinlag.report.plots import style


def seen_picture(ax: Axes, screen: Screen, rendered: Image, title: str) -> Axes:
    """A rendered picture with its title; a disc says where the reference is and which way it turns."""
    disc = screen.geometry == "arm"
    extent = (-1.0, 1.0, -1.0, 1.0) if disc else (0.0, 360.0, 0.0, float(screen.rows))
    ax.imshow(rendered, extent=extent, interpolation="nearest", aspect="equal" if disc else "auto")
    ax.set_title(title, fontsize=8.5)
    if disc:
        ax.axis("off")
        ax.plot([0.0, 0.0], [1.0, 1.1], color=style.INK, linewidth=1.0, clip_on=False)
        ax.set_xlim(-1.02, 1.02)
        ax.set_ylim(-1.02, 1.12)
        return ax
    ax.set_ylabel("LED")
    ax.set_yticks([0.5, screen.rows - 0.5], ["0", str(screen.rows - 1)])
    ax.set_xticks([0, 90, 180, 270, 360])
    return ax


def sector_mark(ax: Axes, screen: Screen, sector_deg: tuple[float, float] | None) -> Axes:
    """An arc outside the disc (a bar under the strip) over the sector that changed most."""
    import numpy as np

    if sector_deg is None:
        return ax
    if screen.geometry != "arm":
        low = sector_deg[0] % 360
        ax.axvspan(low, low + sector_deg[1] - sector_deg[0], ymin=0.0, ymax=0.04, color=style.ORANGE)
        return ax
    angle = np.deg2rad(np.linspace(*sector_deg, 90))
    turn = 1.0 if screen.direction == "clockwise" else -1.0
    ax.plot(1.03 * np.sin(turn * angle), 1.03 * np.cos(angle), color=style.ORANGE, linewidth=2.5, clip_on=False)
    return ax
