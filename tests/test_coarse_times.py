"""Times written with few digits: what lies within the recorder's own resolution is no incident."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spinlag import analyse, read_capture, read_rig
from spinlag.rotation.speed import find_speed_changes

CAPTURES = Path(__file__).parents[1] / "captures"
RIG = read_rig(CAPTURES / "tide-dial-shaft.toml")


def coarse(folder, step_us):
    """The capture of a shaft with its times cut to whole steps."""
    header, *rows = (CAPTURES / "tide-dial-shaft.csv").read_text().splitlines()[1:]
    table = [row.partition(",") for row in rows]
    cut = [f"{round(float(time) * 1e6) // step_us * step_us * 1e-6:.6f},{rest}" for time, _, rest in table]
    (folder / "coarse.csv").write_text("\n".join([header, *cut]) + "\n")
    return read_capture(folder / "coarse.csv")


@pytest.mark.parametrize("step_us", [50, 100, 200])
def test_times_cut_to_whole_steps_blame_nobody(tmp_path, step_us):
    """One step more or less between two edges is the writer's rounding: the index was called shifted by just that, and
    the turns beside it were left out."""
    found = analyse(coarse(tmp_path, step_us), RIG)
    assert [event.origin.kind for event in found.incidents.events] == ["speed-step"]
    assert found.rotation.turns["used"].all()


def test_a_pulse_many_steps_late_is_still_told(tmp_path):
    built = coarse(tmp_path, 100)
    index = built.channels[0]
    edges = np.array(index.edges[:])
    edges[40:42] += round(500e-6 / float(built.tick))
    late = replace(built, channels=(replace(index, edges=edges), *built.channels[1:]))
    kinds = [(event.origin.kind, event.origin.detail) for event in analyse(late, RIG).incidents.events]
    assert [kind for kind, _ in kinds] == ["index-shifted", "speed-step"]
    assert "late" in kinds[0][1]


def test_a_speed_that_only_the_rounding_shows_is_no_step():
    """Turns of 20.02 steps cut to whole ones: 20, and now and then 21, which was eight steps of speed (arithmetic)."""
    ends = np.floor(np.arange(401) * 20.02)
    assert find_speed_changes(np.diff(ends), 1.0).changes == ()
    ends[201:] += 4 * np.arange(1, 201)
    (step,) = find_speed_changes(np.diff(ends), 1.0).changes
    assert abs(step.turn - 200) <= 1
