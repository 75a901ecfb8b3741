"""Statistics and bounds against the NIST/SEMATECH e-Handbook, published tables and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from spinlag.summary import (
    EMPTY,
    bounded_content,
    fault_rate_bound,
    poisson_interval,
    proportion_interval,
    summarise,
    summarise_counts,
    wilks_count,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2: twelve wafer measurements
NIST_WAFERS = [
    95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
]  # fmt: skip


def test_percentile_follows_the_handbook():
    block = summarise(NIST_WAFERS)
    assert_allclose(block.median, 95.1579, rtol=1e-6, atol=0)
    # the handbook's own example is p90 = 95.1981 by the same (n + 1) p rule; p95 and p99 run into the largest value
    assert_allclose(np.quantile(NIST_WAFERS, 0.9, method="weibull"), 95.1981, rtol=1e-6, atol=0)
    assert block.p99 == block.max == 95.1990


def test_nothing_measured_is_none_and_never_zero():
    assert summarise([]) == summarise([np.nan]) == EMPTY
    assert EMPTY.n == 0
    assert EMPTY.mean is None
    assert summarise([3.0]).std is None


@given(st.lists(st.integers(-50, 50), min_size=1, max_size=60))
def test_histogram_statistics_equal_those_of_the_list(values):
    found, counts = np.unique(values, return_counts=True)
    a, b = summarise(values), summarise_counts(found, counts)
    for name in ("n", "min", "max", "median", "p95", "p99"):
        assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-12, abs=1e-12)
    assert a.mean == pytest.approx(b.mean, rel=1e-12, abs=1e-12)
    if len(values) > 1:
        assert a.std == pytest.approx(b.std, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("content", "confidence", "two_sided", "n"),
    [
        # S. S. Wilks, Ann. Math. Statist. 12 (1941); 59 and 93 as nuclear safety analyses use them, 29 and 299 as the
        # composite handbook CMH-17 does for its B and A basis
        (0.95, 0.95, False, 59),
        (0.99, 0.95, False, 299),
        (0.90, 0.95, False, 29),
        (0.95, 0.95, True, 93),
        (0.99, 0.95, True, 473),
    ],
)
def test_wilks_sample_sizes(content, confidence, two_sided, n):
    assert wilks_count(content, confidence, two_sided=two_sided) == n
    if not two_sided:
        assert bounded_content(n, confidence) >= content > bounded_content(n - 1, confidence)


def test_clopper_pearson():
    # NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20, 90 % two-sided: 0.071354 to 0.401029 (limits from memory, recomputed)
    assert_allclose(proportion_interval(4, 20, 0.90), (0.071354, 0.401029), rtol=1e-5, atol=0)
    assert proportion_interval(0, 0) == (0.0, 1.0)
    reference = stats.binomtest(3, 12).proportion_ci(0.95, method="exact")
    assert_allclose(proportion_interval(3, 12), (reference.low, reference.high), rtol=1e-9, atol=0)


def test_rule_of_three():
    # Hanley and Lippman-Hand, JAMA 249 (1983): no event in n bounds the rate below 3/n; the exact bound lies just under
    for n, exact in ((30, 0.095034), (300, 0.0099361), (3600, 0.000831802)):
        assert_allclose(fault_rate_bound(0, n), exact, rtol=1e-4, atol=0)
        assert exact < 3 / n


def test_poisson_intervals():
    # F. Garwood, Biometrika 28 (1936), as reprinted in handbook tables; recomputed
    assert_allclose(poisson_interval(0), (0.0, 2.995732), rtol=1e-6, atol=0)
    assert_allclose(poisson_interval(1), (0.0253178, 5.571643), rtol=1e-6, atol=0)
    assert_allclose(poisson_interval(3), (0.6186721, 8.767273), rtol=1e-6, atol=0)
