"""Figures of the incident section: pictures side by side, and close-ups of the lines. Use inside `style.styled()`."""

from __future__ import annotations

from matplotlib.figure import Figure

from spinlag.picture import Screen
from spinlag.picture.change import IncidentView
from spinlag.picture.render import exposure_of, render, render_difference
from spinlag.picture.target import TargetComparison
from spinlag.report.figures import WIDTH_IN
from spinlag.report.plots import style
from spinlag.report.plots.incidents import sector_mark, seen_picture

_SIZE = 320


def view_figure(screen: Screen, view: IncidentView) -> Figure:
    """Usual picture, the turn's, the difference, and the sum over the eye's time, side by side (slots: stacked)."""
    exposure = exposure_of(view.usual, view.seen)
    turns = "1 turn" if view.summed_turns == 1 else f"{view.summed_turns} turns"
    images = [
        (render(screen, view.usual, _SIZE, exposure=exposure), "usual"),
        (render(screen, view.seen, _SIZE, exposure=exposure), f"revolution {view.revolution}"),
        (render_difference(screen, view.difference, _SIZE), "difference"),
        (render(screen, view.summed_seen, _SIZE, exposure=exposure), f"as the eye sums {turns}"),
    ]
    if screen.geometry == "arm":
        figure = style.figure(WIDTH_IN, 2.35)
        axes = figure.subplots(1, 4)
    else:
        figure = style.figure(WIDTH_IN, 4.4)
        axes = figure.subplots(4, 1, sharex=True)
        axes[-1].set_xlabel("angle of the slot, degrees")
    for ax, (image, title) in zip(axes, images, strict=True):
        seen_picture(ax, screen, image, title)
    sector_mark(axes[2], screen, view.sector_deg)
    return figure


def target_figure(comparison: TargetComparison) -> Figure:
    """Target, what was seen, and where they differ, over column and LED."""
    import numpy as np

    figure = style.figure(WIDTH_IN, 2.6)
    axes = figure.subplots(1, 3, sharey=True)
    exposure = exposure_of(comparison.seen, comparison.target)
    shown = [np.clip(image * exposure, 0, 255).astype(np.uint8) for image in (comparison.target, comparison.seen)]
    for ax, image, title in zip(axes, (*shown, comparison.wrong), ("target", "seen", "wrong spots"), strict=True):
        swapped = np.swapaxes(image, 0, 1)
        ax.imshow(swapped, origin="lower", aspect="auto", interpolation="nearest", cmap="Greys", vmin=0, vmax=1)
        ax.set_title(title, fontsize=8.5)
        ax.set_xlabel("column")
    axes[0].set_ylabel("LED")
    return figure
