"""Bunching, periods, coincidences and rates against published values, closed forms and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spinlag.incidents.circular import bunching, direction_half_width, fewest_for, rayleigh_p
from spinlag.incidents.coincidence import coincide, windows_to_try
from spinlag.incidents.model import Incident
from spinlag.incidents.periods import fewest_for_period, find_period
from spinlag.incidents.rates import rates
from spinlag.incidents.relations import relate, smoothed_speed

ZAR = (45.0, 55.0, 81.0, 96.0, 110.0, 117.0, 132.0, 154.0)
"""Zar, Biostatistical Analysis, chapter on circular distributions, the worked example of eight compass directions.

Data and results from memory: r = 0.82522, mean 99 deg, z = 5.448, 0.001 < P < 0.002, 95 % limits 68 and 130 deg.
"""


def test_rayleigh_worked_example():
    found = bunching(ZAR)
    assert found.n == 8
    assert_allclose(found.resultant, 0.82522, rtol=1e-5, atol=0)
    assert_allclose(found.z, 5.448, rtol=1e-4, atol=0)
    assert 0.001 < found.p < 0.002
    assert round(found.mean_deg) == 99
    assert round(found.mean_deg - found.half_width_deg) == 68
    assert round(found.mean_deg + found.half_width_deg) == 130


def test_mean_direction_agrees_with_scipy():
    angles = np.random.default_rng(4).vonmises(-2.0, 3.0, 200)
    found = bunching(np.rad2deg(angles))
    assert_allclose(found.mean_deg, np.rad2deg(stats.circmean(angles)) % 360, rtol=1e-12, atol=0)
    points = np.column_stack((np.cos(angles), np.sin(angles)))
    assert_allclose(found.resultant, stats.directional_stats(points).mean_resultant_length, rtol=1e-12, atol=0)


@pytest.mark.parametrize("n", [5, 10, 40])
def test_rayleigh_p_is_the_tail_of_uniform_angles(n):
    lengths = np.abs(np.exp(2j * np.pi * np.random.default_rng(n).random((60_000, n))).mean(axis=1))
    p = rayleigh_p(n, lengths)
    for level in (0.05, 0.01):
        assert abs((p < level).mean() - level) < 0.15 * level + 4 * np.sqrt(level / 60_000)


def test_direction_interval_covers():
    """The stated 95 % holds in simulation (von Mises, concentration 2, 25 angles each)."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(1500):
        found = bunching(np.rad2deg(rng.vonmises(0.5, 2.0, 25)))
        held += abs((found.mean_deg - np.rad2deg(0.5) + 180) % 360 - 180) <= found.half_width_deg
    assert 0.93 <= held / 1500 <= 0.97


def test_bunching_edge_cases():
    none = bunching([])
    assert (none.n, none.p, none.mean_deg) == (0, 1.0, None)
    assert bunching([10.0]).half_width_deg is None
    assert direction_half_width(4, 0.05) is None
    assert fewest_for(0.01) == next(n for n in range(2, 20) if rayleigh_p(n, 1.0) < 0.01)


def test_period_is_found_with_its_uncertainty():
    rng = np.random.default_rng(2)
    covered = 0
    for _ in range(40):
        cycles = np.sort(rng.choice(150, 24, replace=False))
        instants = 3.0 + 0.4137 * cycles + rng.normal(0, 0.01, 24)
        found = find_period(instants, 0.0, 70.0, 0.08)
        assert found.p < 1e-6
        assert_allclose(found.period_s, 0.4137, rtol=2e-3, atol=0)
        covered += abs(found.period_s - 0.4137) <= found.half_width_s
    assert covered >= 34


def test_period_false_alarms_stay_below_what_is_stated():
    rng = np.random.default_rng(3)
    n, alarms = 300, 0
    for _ in range(n):
        found = find_period(rng.uniform(0, 20, int(rng.integers(4, 40))), 0.0, 20.0, 0.1)
        alarms += found.p < 0.05
    assert alarms / n <= 0.05
    assert alarms > 0, "a bound so wide that it never alarms would find nothing either"


def test_period_without_room_or_instants_is_none():
    assert find_period([1.0, 2.0], 0.0, 10.0, 0.1) is None
    assert find_period([1.0, 2.0, 3.0], 0.0, 10.0, 5.0) is None
    assert fewest_for_period(0.01, 1000) > fewest_for_period(0.01, 10)


def test_coverage_of_windows_is_exact():
    edges = np.array([100, 200, 1000], dtype=np.int64)
    windows, covered = windows_to_try(edges, 0, 2000, 10, 150)
    assert windows[0] == 10
    assert windows[-1] == 150
    assert_allclose(covered[0], 30 / 2000, rtol=1e-12, atol=0)
    assert_allclose(covered[-1], (100 + 150 + 150) / 2000, rtol=1e-12, atol=0)


def _coincide(instants, edges, **more):
    settings = {"start": 0, "end": 10_000_000, "shortest": 20, "longest": 200_000, "slack": 2, "permutations": 1999}
    return coincide(instants, edges, rng=np.random.default_rng(1), **{**settings, **more})


def test_incidents_that_follow_edges_are_told():
    rng = np.random.default_rng(8)
    edges = np.sort(rng.integers(0, 9_900_000, 300))
    instants = np.sort(rng.choice(edges, 12, replace=False) + rng.integers(50, 900, 12))
    found = _coincide(instants, edges)
    assert found.following == 12
    assert found.p == pytest.approx(1 / 2000)
    assert 900 <= found.window_ticks <= 1600
    assert found.effect > 0.99
    assert found.close.all()
    assert ((found.delays >= 50) & (found.delays < 900)).all()


def test_unrelated_incidents_are_not_blamed_too_often():
    rng = np.random.default_rng(9)
    p = []
    for _ in range(400):
        edges = np.sort(rng.integers(0, 10_000_000, int(rng.integers(5, 400))))
        found = _coincide(np.sort(rng.integers(0, 10_000_000, 15)), edges, permutations=999)
        p.append(found.p)
    assert np.mean(np.array(p) < 0.05) <= 0.075


def test_a_line_that_goes_with_the_shaft_is_judged_turn_by_turn():
    """A pin that toggles at one angle of every turn precedes whatever happens at that angle, and means nothing."""
    rng = np.random.default_rng(10)
    turns = np.arange(0, 10_000_000, 100_000)
    pin = turns[:-1] + 30_000
    instants = pin[np.sort(rng.choice(len(pin), 15, replace=False))] + 40
    assert _coincide(instants, pin).p < 0.01
    assert _coincide(instants, pin, turn_ticks=turns).p > 0.5


def test_too_few_coincidences_are_no_pattern():
    edges = np.array([1000, 5_000_000], dtype=np.int64)
    assert _coincide(np.array([1010, 5_000_010], dtype=np.int64), edges).p == 1.0


def test_relation_agrees_with_scipy_and_knows_its_sign():
    rng = np.random.default_rng(6)
    values = rng.normal(0, 1, 500)
    at = np.arange(0, 500, 25)
    values[at] += 2.0
    found = relate(values, at, rng)
    expected = stats.mannwhitneyu(values[at], np.delete(values, at))
    assert_allclose(found.p, expected.pvalue, rtol=1e-12, atol=0)
    assert_allclose(found.effect, 2 * expected.statistic / (20 * 480) - 1, rtol=1e-12, atol=0)
    assert found.effect > 0.5
    assert relate(np.ones(30), np.array([1, 2]), rng) is None


def test_smoothed_speed_leaves_the_fault_out():
    speed = np.full(40, 30.0)
    speed[20] = 15.0
    assert_allclose(smoothed_speed(speed), 30.0, rtol=1e-12, atol=0)


def _incident(number, kind, origin=None):
    return Incident(f"I{number}", kind, number, number * 1e-9, 0, 0.0, "DOUT", "", origin=origin)


def test_rates_have_exact_poisson_intervals():
    """Garwood's exact limits: 3 events (0.6187, 8.7673); none, one-sided 95 %: 2.9957 (tables of chi-square)."""
    found = [_incident(i, "update-late") for i in range(3)] + [_incident(9, "update-late", origin="I1")]
    table = rates(found, ("update-late", "data-pause"), 2000, 120.0).set_index("kind")
    late = table.loc["update-late"]
    assert (late["incidents"], late["origins"]) == (4, 3)
    assert_allclose(late["per_1000_revolutions"], 1.5, rtol=1e-12, atol=0)
    assert_allclose(late["per_1000_revolutions_low"], 0.6186721 / 2, rtol=1e-6, atol=0)
    assert_allclose(late["per_minute_high"], 8.767273 / 2, rtol=1e-6, atol=0)
    none = table.loc["data-pause"]
    assert none["per_minute_low"] == 0
    assert_allclose(none["per_1000_revolutions_high"], 2.995732 / 2, rtol=1e-6, atol=0)


def test_rates_without_anything_keep_their_shape():
    table = rates([], (), 0, 0.0)
    assert list(table.columns)[:3] == ["kind", "incidents", "origins"]
    assert np.isnan(rates([], ("data-pause",), 0, 0.0)["per_minute"].iloc[0])


def test_windows_of_a_file_whose_tick_is_far_too_small():
    """The longest window, some milliseconds, is then more ticks than 64 bits hold."""
    windows, covered = windows_to_try(np.array([100, 200_000]), 0, 1_000_000, 10, 10**25)
    assert windows[0] == 10
    assert covered[0] == pytest.approx(20 / 1_000_000)
    assert (np.diff(windows) > 0).all()
