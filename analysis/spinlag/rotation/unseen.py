"""Stretches in which nobody looked at a line (x, z, a gap of the recording), from the pulses on either side of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Ticks

Mask = NDArray[np.bool_]

LASTING = 5e-4
"""A stretch shorter than this share of the usual period moves no edge by more than is ever called a shift."""


def lasting(unknown: Ticks, edges: Ticks) -> Ticks:
    """Those of the half-open stretches `unknown`, shape (k, 2), that last long enough to matter on a line with these
    edges; all of them where there are too few edges to tell."""
    if not len(unknown) or len(edges) < 3:
        return unknown
    usual = float(np.median(edges[2:] - edges[:-2]))
    return unknown[(unknown[:, 1] - unknown[:, 0]) > LASTING * usual]


def noticed(unknown: Ticks, ticks: Ticks) -> Mask:
    """Which of n instants lie at the very end of a stretch: the level changed unseen, and was only noticed there."""
    return np.isin(ticks, unknown[:, 1]) if len(unknown) else np.zeros(len(ticks), dtype=np.bool_)


def across(unknown: Ticks, ticks: Ticks) -> Mask:
    """Which of the n - 1 intervals between n ascending instants meet a stretch, shape (n - 1,)."""
    meets = np.zeros(max(len(ticks) - 1, 0), dtype=np.bool_)
    if not len(unknown) or not len(meets):
        return meets
    first = np.searchsorted(unknown[:, 1], ticks[:-1], side="right")
    inside = first < len(unknown)
    meets[inside] = unknown[first[inside], 0] < ticks[1:][inside]
    return meets
