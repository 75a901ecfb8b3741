"""Pictures of recordings full of faults stay small enough for a mail."""

import numpy as np
import pytest

from spinlag.report.plots import style
from spinlag.report.plots.latency import latency_over_revolutions
from spinlag.report.plots.speed import speed_over_time
from spinlag.report.series import LatencySeries, SpeedSeries
from spinlag.rig import Limit

COUNT = 10 * style.MANY_POINTS


def speeds(flagged):
    time = np.arange(COUNT) / 30.0
    return SpeedSeries(time, np.full(COUNT, 30.0), {"too short": (time[:flagged], np.full(flagged, 30.0))}, Limit())


def latencies(missing):
    numbers = np.arange(COUNT)
    late, none = np.full(COUNT, 2e-4), numbers[:missing]
    return LatencySeries("", numbers, late, none, 2e-4, np.array([1e-4, 3e-4]), np.array([COUNT]), 1.0, 1e-6, Limit())


@pytest.mark.parametrize(
    ("draw", "series"), [(speed_over_time, speeds), (latency_over_revolutions, latencies)], ids=["speed", "latency"]
)
def test_tens_of_thousands_of_marks_are_no_vectors(draw, series):
    def size(marks):
        with style.styled():
            fig = style.figure(7, 3)
            draw(fig.subplots(), series(marks))
            return len(style.rendered(fig))

    few = size(20)
    assert size(COUNT) < few + 300_000  # 200 bytes for every vector would be 6 MB
    assert size(style.MANY_POINTS) > few + 50 * style.MANY_POINTS  # which are sharp at any size, so kept while they can
