"""Pictures over angle and LED, drawn as a viewer sees them: a disc, or a strip for a slot display."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from spinlag.errors import OutputError
from spinlag.picture import FULL_TURN, Floats, Image, Screen
from spinlag.small_files import write_whole

_MORE = np.array([255, 158, 74]) / 255.0
_LESS = np.array([86, 160, 255]) / 255.0
_OTHER = np.array([230, 230, 230]) / 255.0


def render(screen: Screen, image: Image, size: int = 480, *, exposure: float = 1.0) -> Image:
    """A picture, shape (bins, rows, 3), as an RGB image: (size, size, 3) for an arm, (strip, size, 3) for slots.

    The reference stands at the top, and angles run the way the display turns; a strip starts at the reference on the
    left, the first LED at the bottom. Values are multiplied by `exposure`, then the firmware's gamma is undone.
    """
    value = np.clip(np.asarray(image, dtype=np.float64) / 255.0 * exposure, 0.0, 1.0) ** (1.0 / screen.gamma)
    shown = np.asarray(np.rint(value * 255), dtype=np.uint8)
    return _disc(screen, shown, size) if screen.geometry == "arm" else _strip(screen, shown, size)


def render_difference(screen: Screen, difference: Floats, size: int = 480) -> Image:
    """A difference of light, shape (bins, rows, 3), -1 to 1: orange where there was more light than usual, blue where
    there was less, grey where only the colour changed; the brighter, the more. Dark is unchanged."""
    amount = np.abs(difference).max(axis=2)
    balance = difference.sum(axis=2)
    kept = np.divide(np.abs(balance), np.abs(difference).sum(axis=2), out=np.zeros_like(amount), where=amount > 0)
    tint = np.where((balance > 0)[..., None], _MORE, _LESS) * kept[..., None] + _OTHER * (1 - kept[..., None])
    peak = float(amount.max(initial=0.0))
    shown = np.asarray(np.rint(tint * (amount / peak if peak > 0 else amount)[..., None] * 255), dtype=np.uint8)
    return _disc(screen, shown, size) if screen.geometry == "arm" else _strip(screen, shown, size)


def exposure_of(*images: Image) -> float:
    """Factor that brings the brightest value of the pictures to full scale; 1 for dark ones."""
    brightest = max((int(image.max(initial=0)) for image in images), default=0)
    return 255.0 / brightest if brightest else 1.0


def save_png(path: str | Path, image: Image) -> None:
    """Write an RGB image, uint8, shape (height, width, 3), as PNG. Raises OutputError."""
    from matplotlib.image import imsave

    content = BytesIO()
    imsave(content, image, format="png", metadata={"Software": "spinlag"})
    try:
        write_whole(path, content.getvalue())
    except OSError as error:
        raise OutputError(f"{path}: the picture could not be written ({error.strerror or error})") from None


def _disc(screen: Screen, shown: Image, size: int) -> Image:
    bounds = _ring_bounds(screen.radii)
    order = np.argsort(screen.radii, kind="stable")
    middle = (size - 1) / 2
    x, y = np.meshgrid(np.arange(size) - middle, middle - np.arange(size))
    radius = np.hypot(x, y) / (size / 2) * bounds[-1]
    clockwise = np.rad2deg(np.arctan2(x, y)) % FULL_TURN
    angle = clockwise if screen.direction == "clockwise" else -clockwise
    ring = bounds.searchsorted(radius, side="right") - 1
    inside = (ring >= 0) & (ring < len(order))
    bins = _bin_at(screen, angle)
    out = np.zeros((size, size, 3), dtype=np.uint8)
    out[inside] = shown[bins[inside], order[ring[inside]]]
    return out


def _strip(screen: Screen, shown: Image, size: int) -> Image:
    high = max(size // 4 // screen.rows, 1)
    bins = _bin_at(screen, np.asarray((np.arange(size) + 0.5) * (FULL_TURN / size), dtype=np.float64))
    return np.repeat(shown[bins].transpose(1, 0, 2)[::-1], high, axis=0)


def _bin_at(screen: Screen, angle_deg: Floats) -> NDArray[np.int64]:
    since = (angle_deg - screen.phase_deg) % FULL_TURN
    return np.minimum((since / (FULL_TURN / screen.bins)).astype(np.int64), screen.bins - 1)


def _ring_bounds(radii: Floats) -> Floats:
    """Edges between neighbouring LEDs' rings, halfway; the first and last rings are as wide as their neighbours."""
    sorted_radii = np.sort(radii)
    if len(sorted_radii) == 1:
        return np.array([0.0, 2 * sorted_radii[0]])
    middles = (sorted_radii[1:] + sorted_radii[:-1]) / 2
    first = max(2 * sorted_radii[0] - middles[0], 0.0)
    return np.concatenate(([first], middles, [2 * sorted_radii[-1] - middles[-1]]))
