"""Random shafts and sensors: every planted fault found for what it is, nothing found where nothing was planted.

The full counts come from `python -m tests.studies.rotation_study`.
"""

from __future__ import annotations

import pytest
from tests.studies.rotation_study import SENSOR_KINDS, run, run_clean


@pytest.mark.parametrize("kind", [*SENSOR_KINDS, "speed-step"])
def test_planted_faults_are_told_for_what_they_are(kind):
    score = run(40, 100, (kind,))
    assert score.trials == 40
    assert score.right >= 38, score.confused


def test_nothing_is_told_of_a_clean_capture():
    score = run_clean(120, 7)
    assert score.trials == 120
    assert score.right == 120, score.confused
