"""Columns of direct lines, of which only those that change something can be seen."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag import analyse
from spinlag.changes import match_changes, missing_of, usual_columns
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario


def direct_display(seed, **more):
    """A random picture on direct lines: about half of the columns differ from the one before."""
    tables = random_scenario(np.random.default_rng(seed), wiring="direct", revolutions=30).model_dump(exclude_none=True)
    return simulate(scenario_from_mapping({**tables, "picture": {"kind": "noise"}, **more}))


def true_columns(made, start):
    chain = made.truth.chains[0]
    due = chain.start_s * (1 + made.truth.clock_error) / float(made.capture.tick)
    at = np.clip(np.searchsorted(due, start), 1, len(due) - 1)
    return chain.column[np.where(abs(due[at - 1] - start) < abs(due[at] - start), at - 1, at)]


@pytest.mark.parametrize("seed", range(8))
def test_changes_stand_in_their_own_columns_and_raise_no_alarm(seed):
    made = direct_display(seed)
    findings = analyse(made.capture, made.rig)
    placement = findings.placements[0]
    inside = placement.places.revolution >= 0
    columns = true_columns(made, findings.chains[0].start)
    assert placement.changes_only == (placement.turns["updates"].median() < placement.columns)
    assert (placement.places.column[inside] == columns[inside]).all()
    assert placement.missing == 0 and findings.observations == ()
    seen = np.unique(columns[inside])
    assert placement.columns_expected == len(seen) * len(placement.turns)


def test_latency_is_that_of_turns_whose_first_column_changes():
    for seed in range(20):
        made = direct_display(seed)
        findings = analyse(made.capture, made.rig)
        latency, placement = findings.latencies[0], findings.placements[0]
        if not placement.changes_only:
            continue
        first_changes = 0 in np.unique(placement.places.column[placement.places.revolution >= 0])
        assert (latency.latency.n > 0) == first_changes
        assert latency.revolutions_without_update == 0
        if first_changes:
            assert_allclose(latency.response.mean, np.nanmean(made.truth.turns.response_s), rtol=0, atol=2e-6)


def test_a_column_that_usually_changes_and_did_not_is_missed():
    plain = direct_display(3)
    columns = true_columns(plain, analyse(plain.capture, plain.rig).chains[0].start)
    # a column that leaves its lines as the next one sets them changes nothing else
    column = int(np.unique(columns)[2])
    made = direct_display(3, faults=[{"kind": "update-missing", "revolution": 12, "column": column}])
    found = [o for o in analyse(made.capture, made.rig).observations if o.kind == "update-missing"]
    assert next((o.revolution, o.detail) for o in found) == (12, f"column {column} was not sent")
    assert len(found) <= 2


def test_matching_by_hand():
    # 10 columns of 100 ticks; the first comes 30 ticks after the edge; columns 1, 4 and 9 change
    bounds = np.arange(6) * 1000
    start = np.concatenate([edge + 30 + 100 * np.array([1, 4, 9]) for edge in bounds[:-1]])
    found = match_changes(start, bounds, 10)
    assert found.column.tolist() == [1, 4, 9] * 5
    assert found.revolution.tolist() == np.repeat(np.arange(5), 3).tolist()
    assert_allclose(found.response, 30.0, rtol=1e-6, atol=0)
    usual = usual_columns(found.revolution, found.column, 5, 10)
    assert usual.tolist() == [1, 4, 9]
    gone = np.arange(15) != 7
    assert missing_of(usual, found.revolution[gone], found.column[gone], 5, 10).tolist() == [0, 0, 1, 0, 0]
