"""Updates to revolutions and columns on ideal and damaged turns."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from spinlag.columns import match_columns

PERIOD = 28_571_000
COLUMNS = 48
SLOT = PERIOD // COLUMNS
RESPONSE = 100_000


def turns(count=10, *, drop=(), late=None, jitter=20_000, stretch=None, seed=7):
    """Starts of updates, the (revolution, column) each was meant for, and the index edges."""
    rng = np.random.default_rng(seed)
    bounds = np.arange(count + 1, dtype=np.int64) * PERIOD
    starts, meant = [], []
    for turn in range(count):
        slot = SLOT * (stretch or {}).get(turn, 1.0)
        for column in range(COLUMNS):
            if (turn, column) in drop:
                continue
            delay = (late or {}).get((turn, column), 0.0) * SLOT
            starts.append(int(bounds[turn] + RESPONSE + column * slot + rng.integers(0, jitter) + delay))
            meant.append((turn, column))
    return np.array(starts, dtype=np.int64), meant, bounds


def matched(starts, bounds, columns=COLUMNS):
    found = match_columns(starts, bounds, columns)
    return list(zip(found.revolution.tolist(), found.column.tolist(), strict=True))


def test_an_ideal_display():
    starts, meant, bounds = turns()
    assert matched(starts, bounds) == meant


@pytest.mark.parametrize("drop", [{(3, 0)}, {(3, 47)}, {(3, 20)}, {(3, 20), (3, 21), (3, 22)}, {(3, 0), (3, 1)}])
def test_missing_updates_do_not_shift_the_rest(drop):
    starts, meant, bounds = turns(drop=drop)
    assert matched(starts, bounds) == meant


@pytest.mark.parametrize("late", [{(4, 10): 0.6}, {(4, 0): 0.6}, {(4, 47): 0.3}, {(4, 10): 0.7, (4, 11): 0.3}])
def test_late_updates_keep_their_columns(late):
    starts, meant, bounds = turns(late=late)
    assert matched(starts, bounds) == meant


def test_an_update_behind_the_index_edge_belongs_to_the_turn_before():
    # the turn was 3 % shorter than the firmware thought, so its last column falls behind the next edge
    starts, meant, bounds = turns(stretch={5: 1.025})
    assert starts[6 * COLUMNS - 1] > bounds[6]
    assert matched(starts, bounds) == meant


def test_columns_are_found_without_their_number():
    starts, meant, bounds = turns(drop={(2, 7)})
    assert matched(starts, bounds, None) == meant


def test_updates_outside_the_whole_revolutions_have_no_column():
    starts, _, bounds = turns(6)
    found = match_columns(starts, bounds[1:5], COLUMNS)
    assert (found.revolution[:COLUMNS] == -1).all()
    assert (found.revolution[-COLUMNS:] == -1).all()
    assert (found.column[found.revolution == -1] == -1).all()
    assert found.revolution[COLUMNS] == 0


def test_nothing_to_match_keeps_shape_and_type():
    nothing = match_columns(np.empty(0, dtype=np.int64), np.array([0, PERIOD], dtype=np.int64), COLUMNS)
    assert nothing.revolution.shape == nothing.column.shape == (0,)
    assert nothing.column.dtype == np.int32
    alone = match_columns(np.array([5], dtype=np.int64), np.array([0], dtype=np.int64), COLUMNS)
    assert alone.revolution.tolist() == [-1]


@pytest.mark.parametrize("at_once", [1, 1 << 14])
def test_the_only_update_of_a_turn_stands_where_the_other_turns_grids_put_it(monkeypatch, at_once):
    monkeypatch.setattr("spinlag.columns.ROWS_AT_ONCE", at_once)
    starts, meant, bounds = turns(drop={(3, column) for column in range(COLUMNS) if column != 20})
    assert matched(starts, bounds) == meant


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 3 * COLUMNS), st.sampled_from([None, COLUMNS]))
def test_it_does_not_matter_how_many_updates_are_matched_together(seed, at_once, columns):
    rng = np.random.default_rng(seed)
    starts, _, bounds = turns()
    starts = np.sort(starts + rng.integers(-PERIOD // 50, PERIOD // 50, len(starts)))
    starts = starts[rng.random(len(starts)) > 0.1]
    whole = match_columns(starts, bounds, columns)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("spinlag.columns.ROWS_AT_ONCE", at_once)
        parts = match_columns(starts, bounds, columns)
    assert_array_equal(parts.revolution, whole.revolution)
    assert_array_equal(parts.column, whole.column)
    assert_array_equal(parts.spacing, whole.spacing)
    assert parts.response == whole.response


def test_shifting_all_times_changes_nothing():
    starts, meant, bounds = turns(drop={(3, 20)})
    assert matched(starts - 10**15, bounds - 10**15) == meant


def test_an_update_seen_a_sample_before_its_edge_belongs_to_the_new_turn():
    """Firmware that answers at once: the recorder may see the data line change one sample before the index line."""
    starts, meant, bounds = turns(jitter=1)
    starts = starts - RESPONSE
    starts[5 * COLUMNS] = bounds[5] - 40
    found = match_columns(starts, bounds, COLUMNS, slack=42)
    assert list(zip(found.revolution.tolist(), found.column.tolist(), strict=True)) == meant
