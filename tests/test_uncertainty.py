"""Quantisation and conformity against JCGM 100, JCGM 106 and closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.uncertainty import (
    combined_uncertainty,
    instant_standard_uncertainty,
    interval_standard_uncertainty,
    looks_locked,
    mean_interval_uncertainty,
    triangular_half_width,
)

TS = 125e-9


def test_standard_uncertainties_of_a_sampled_edge_and_interval():
    # JCGM 100:2008 4.3.7 (rectangular) and 4.3.9 (triangular); figures for 8 MS/s worked out by hand
    assert_allclose(instant_standard_uncertainty(TS), 36.084e-9, rtol=2e-5, atol=0)
    assert_allclose(interval_standard_uncertainty(TS), 51.031e-9, rtol=2e-5, atol=0)
    assert_allclose(triangular_half_width(TS), 97.049e-9, rtol=2e-5, atol=0)


@pytest.mark.parametrize(("coverage", "half_width"), [(0.5, 0.292893), (0.95, 0.776393), (0.99, 0.9)])
def test_triangular_coverage_closed_form_and_inverted_numerically(coverage, half_width):
    # closed form of the triangular distribution: 1 - sqrt(1 - p)
    assert_allclose(triangular_half_width(1.0, coverage), half_width, rtol=1e-6, atol=0)
    assert_allclose(mean_interval_uncertainty(1.0, 1, coverage=coverage), half_width, rtol=1e-5, atol=0)


def test_numerical_coverage_of_rectangle_and_normal():
    # rectangular: 0.95 a; normal: 1.959964 (any table)
    assert_allclose(combined_uncertainty(0.0, 1.0), 0.95, rtol=1e-4, atol=0)
    assert_allclose(combined_uncertainty(1.0, 0.0), 1.959964, rtol=1e-6, atol=0)


def test_mean_of_intervals_by_monte_carlo():
    rng = np.random.default_rng(3)
    for n in (2, 5, 40):
        errors = (rng.random((40_000, n)) - rng.random((40_000, n))).mean(axis=1)
        covered = np.mean(np.abs(errors) <= mean_interval_uncertainty(1.0, n))
        assert 0.945 < covered < 0.955


def test_clock_tolerance_never_averages_out():
    # 50 ppm of 1/30 s, rectangular: 0.95 * 1666.7 ns however many periods
    expected = 0.95 * 50e-6 / 30
    assert_allclose(mean_interval_uncertainty(1e-12, 10**6, clock_ppm=50, mean_s=1 / 30), expected, rtol=1e-3, atol=0)


def test_locked_signals_keep_the_whole_uncertainty():
    assert looks_locked([30, 30, 30])
    assert not looks_locked([30, 31, 30])
    assert not looks_locked([30])
    assert mean_interval_uncertainty(TS, 1000, locked=True) == mean_interval_uncertainty(TS, 1)
    assert mean_interval_uncertainty(TS, 0) is None
