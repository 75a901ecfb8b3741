"""Random motors on random shafts: who is lying, where the shaft stands, and what shakes it.

The full counts come from `python -m tests.studies.motor_study`.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.studies.motor_study import MOTOR_KINDS, SHAFT_KINDS, angle_errors, order_coverage, run_faults
from tests.studies.rotation_study import SENSOR_KINDS


@pytest.mark.parametrize("kind", [*SENSOR_KINDS, *SHAFT_KINDS, *MOTOR_KINDS, None])
def test_planted_faults_are_told_for_what_they_are(kind):
    score = run_faults(12, 40, (kind,))
    assert score.trials == 12
    assert score.right == 12, score.confused


def test_the_angle_is_as_good_as_single_edges_allow():
    ratios = angle_errors(16, 3)
    assert len(ratios) == 16
    assert np.median(ratios) < 1.1
    assert (ratios <= 1.5).sum() >= 15


def test_intervals_of_orders_and_hunting_hold_the_truth():
    count = order_coverage(18, 5)
    assert count["order 1 held"] >= 15
    assert count["order 1 not told"] == 0
    assert count["hunting held"] >= 15
    assert count["hunting period within 5 %"] >= 17
