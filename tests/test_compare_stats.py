"""Statistics of comparison against published worked examples and against libraries; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, special, stats
from scipy.signal import lfilter

from spinlag.compare.blocks import (
    autocovariance,
    block_variance,
    dependence,
    draw_blocks,
    long_run_variance,
    replicates,
)
from spinlag.compare.items import without_drift
from spinlag.compare.rates import compare_rates, dispersion, exposure_needed, unseen
from spinlag.compare.stats import (
    Estimate,
    _leaving_out_one,
    _logarithm,
    contrast,
    could_be_told,
    describe,
    effective_number,
    holm,
    longer_by,
    order_statistic_bias,
    tendency,
    within,
)
from spinlag.compare.swings import burg, independent_values, swing
from spinlag.compare.trends import change_probabilities, rate_change_probabilities


def nist_noise(n):
    """Uniform noise of the NIST SP 1065 test generator: n[i+1] = 16807 n[i] mod 2147483647, from 1234567890."""
    found = [1234567890]
    for _ in range(n - 1):
        found.append(16807 * found[-1] % 2147483647)
    return np.array(found) / 2147483647 - 0.5


def autoregressive(memory, n):
    return lfilter([1.0], [1.0, -memory], nist_noise(n))


def welch(values):
    """A sample's mean as an estimate, the textbook way."""
    x = np.asarray(values, dtype=np.float64)
    return from_summary(len(x), x.mean(), x.std(ddof=1))


def from_summary(n, mean, sd):
    return Estimate(mean, sd**2 / n, n - 1, np.array([[mean, sd**2 / n, n]]))


@pytest.mark.parametrize(
    ("memory", "n", "stationary", "circular"),
    [
        # optimal_block_length of the Python library arch 8.0.0 (K. Sheppard) on the same series, run once
        (0.0, 300, 1.3876575336542325, 1.5884713425604293),
        (0.0, 1000, 1.469275518095675, 1.6819006117990447),
        (0.3, 300, 5.0898374557267365 - 1e-9, 5.826409427737337),
        (0.3, 1000, 7.033852007122036, 8.051750572564934),
        (0.7, 300, 9.849917990325357, 11.27534141150773),
        (0.7, 1000, 14.229541796826775, 16.28875915983554),
        (-0.4, 300, 4.828688600093067, 5.527468613381444),
        (-0.4, 1000, 11.53284852379855, 13.20181596240237),
    ],
)
def test_block_length_agrees_with_an_independent_program(memory, n, stationary, circular):
    found = dependence(autoregressive(memory, n))
    assert_allclose(found.stationary, stationary, rtol=1e-6, atol=0)
    assert_allclose(found.circular, circular, rtol=1e-6, atol=0)


def test_block_length_and_effective_number_of_an_autoregression():
    # closed forms for AR(1), from Politis and White 2004 with G = 2 r / (1 - r)^2 and g = (1 + r) / (1 - r) in units of
    # the variance: (2 r / (1 - r^2))^(2/3) n^(1/3); effective number n (1 - r) / (1 + r)
    r, n = 0.5, 4000
    series = autoregressive(r, 200_000)[100:]
    pieces = [series[i : i + n] for i in range(0, 40 * n, n)]
    lengths = [dependence(piece).stationary for piece in pieces]
    assert_allclose(np.median(lengths), (2 * r / (1 - r**2)) ** (2 / 3) * n ** (1 / 3), rtol=0.1, atol=0)
    effective = np.mean([effective_number([piece]) for piece in pieces])
    assert_allclose(effective, n * (1 - r) / (1 + r), rtol=0.1, atol=0)


def test_degenerate_series_have_no_dependence():
    constant = dependence(np.full(50, 3.0))
    assert (constant.stationary, constant.effective) == (1.0, 50.0)
    assert dependence(np.arange(5.0)).stationary == 1.0
    assert long_run_variance(np.full(40, 2.0))[0] == 0.0


def test_autocovariance_by_its_definition():
    x = nist_noise(57)
    centred = x - x.mean()
    expected = [float(centred[k:] @ centred[: len(x) - k]) / len(x) for k in range(10)]
    assert_allclose(autocovariance(x, 9), expected, rtol=1e-10, atol=1e-15)


def test_blocks_are_runs_of_the_series_closed_to_a_circle():
    rng = np.random.default_rng(1)
    rows = draw_blocks(rng, 100, 8.0, 400)
    assert rows.shape == (400, 100) and rows.min() == 0 and rows.max() == 99
    joined = (np.diff(rows, axis=1) % 100) == 1
    # a new block starts with probability 1/8, and lands on the next revolution by chance once in a hundred
    assert_allclose(1 - joined.mean(), (1 / 8) * (1 - 1 / 100), rtol=0.03, atol=0)
    assert_allclose(np.bincount(rows.ravel(), minlength=100) / rows.size, 0.01, rtol=0.35, atol=0)


def test_bootstrap_variance_of_a_mean_has_its_closed_form():
    # Politis and Romano 1994, lemma 1
    x = autoregressive(0.6, 200)
    drawn = replicates([x], [12.0], lambda rows: rows.mean(axis=1, keepdims=True), np.random.default_rng(2), 20_000)
    assert_allclose(drawn.var() * len(x), block_variance(x, 12.0), rtol=0.04, atol=0)


def test_blocks_never_cross_two_captures():
    captures = [np.zeros(40), np.full(60, 1.0)]
    rng = np.random.default_rng(3)
    means = replicates(captures, [5.0, 5.0], lambda rows: rows.mean(axis=1, keepdims=True), rng, 50)
    assert_allclose(means, 0.6, rtol=1e-12, atol=0)


@pytest.mark.parametrize("memory", [0.0, 0.5, -0.4])
def test_long_run_variance_of_an_autoregression(memory):
    # closed form: variance of the noise / (1 - r)^2; uniform noise has variance 1/12
    n = 2000
    series = autoregressive(memory, 60 * n)
    found = [long_run_variance(series[i : i + n])[0] for i in range(0, 60 * n, n)]
    assert_allclose(np.mean(found), 1 / 12 / (1 - memory) ** 2, rtol=0.08, atol=0)


def test_slow_wander_costs_degrees_of_freedom():
    fast = long_run_variance(autoregressive(0.0, 600))[1]
    slow = long_run_variance(autoregressive(0.97, 600))[1]
    assert slow < fast / 3


def test_welch_on_published_summaries():
    # NIST AUTO83B (e-Handbook 1.3.5.3), Welch's form as worked in an open C++ statistics library's example
    found = contrast(from_summary(79, 30.48101, 6.10771), from_summary(249, 20.14458, 6.41470))
    assert_allclose(found.difference / found.standard_error, -12.94627, rtol=1e-6, atol=0)
    assert_allclose(found.freedom, 136.87499, rtol=1e-6, atol=0)
    assert_allclose(found.p, 1.571e-25, rtol=1e-3, atol=0)


def test_welch_on_student_sleep_data():
    # Student 1908; Welch figures as R's t.test prints them (from memory, recomputed)
    a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    found = contrast(welch(b), welch(a))
    assert_allclose(found.difference / found.standard_error, -1.860813, rtol=1e-6, atol=0)
    assert_allclose(found.freedom, 17.77647, rtol=1e-6, atol=0)
    assert_allclose(found.p, 0.0793941, rtol=1e-5, atol=0)
    assert_allclose([found.low, found.high], [-3.365483, 0.205483], rtol=1e-5, atol=0)
    reference = stats.ttest_ind(a, b, equal_var=False)
    assert_allclose(found.p, reference.pvalue, rtol=1e-10, atol=0)


CLINIC = {
    # the `clinic` data of the Python library statsmodels (tests of equivalence, values from R's package equivalence)
    "1a": [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84],
    "1b": [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02],
    "2a": [4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32],
    "2b": [3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73],
}


@pytest.mark.parametrize(
    ("data", "freedom", "low", "high", "equivalent"),
    [("1", 26.748479, -0.266686, 0.596020, True), ("2", 24.110002, 0.194916, 0.930417, False)],
)
def test_equivalence_on_published_data(data, freedom, low, high, equivalent):
    # two one-sided tests at 5 % with a tolerance of 0.6: the 90 % interval within it
    found = contrast(welch(CLINIC[f"{data}b"]), welch(CLINIC[f"{data}a"]), coverage=0.9)
    assert_allclose(found.freedom, freedom, rtol=1e-6, atol=0)
    assert_allclose([found.low, found.high], [low, high], rtol=1e-5, atol=0)
    assert within(found.low, found.high, 0.6) is equivalent


def test_equivalence_from_a_published_summary():
    # Lakens 2017 (TOST from a summary): 5.25, 0.95, 95 against 5.22, 0.83, 89 within +-0.384; pooled there, Welch here
    found = contrast(from_summary(89, 5.22, 0.83), from_summary(95, 5.25, 0.95), coverage=0.9)
    assert_allclose([found.low, found.high], [-0.188036, 0.248036], rtol=0.02, atol=0)
    assert within(found.low, found.high, 0.384)


def test_brunner_munzel_on_published_data():
    # scipy's and lawstat's example (Neubert and Brunner 2007): W 3.1374675, df 17.682842, p 0.005786209, P 0.788961
    x = [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1]
    y = [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4]
    found = tendency([np.array(x, float)], [np.array(y, float)], independent=True)
    assert_allclose(found.difference + 0.5, 0.788961, rtol=1e-6, atol=0)
    assert_allclose(found.difference / found.standard_error, 3.1374675, rtol=1e-7, atol=0)
    assert_allclose(found.freedom, 17.682842, rtol=1e-7, atol=0)
    assert_allclose(found.p, 0.005786209, rtol=1e-6, atol=0)
    assert_allclose([found.low + 0.5, found.high + 0.5], [0.595217, 0.982705], rtol=1e-5, atol=0)


def test_brunner_munzel_on_ordinal_data():
    # Munzel and Hauschke 2003 as tested in the Python library statsmodels: |W| 1.175756, df 204.29842, p 0.2410607
    new = np.repeat(np.arange(-2.0, 3.0), [24, 37, 21, 19, 6])
    active = np.repeat(np.arange(-2.0, 3.0), [11, 51, 22, 21, 7])
    found = tendency([new], [active], independent=True)
    assert_allclose(abs(found.difference / found.standard_error), 1.175756, rtol=1e-6, atol=0)
    assert_allclose(found.freedom, 204.29842, rtol=1e-6, atol=0)
    assert_allclose(found.p, 0.2410607, rtol=1e-6, atol=0)
    assert_allclose(found.difference + 0.5, 0.5442256, rtol=1e-6, atol=0)


def test_brunner_munzel_against_scipy():
    rng = np.random.default_rng(4)
    x, y = rng.normal(size=80), rng.normal(0.3, 1.7, size=50)
    found = tendency([x], [y], independent=True)
    reference = stats.brunnermunzel(x, y)
    assert_allclose(found.difference / found.standard_error, reference.statistic, rtol=1e-10, atol=0)
    assert_allclose(found.p, reference.pvalue, rtol=1e-8, atol=0)


def test_two_sides_that_do_not_overlap_are_told_apart():
    rng = np.random.default_rng(5)
    found = tendency([rng.random(100)], [2 + rng.random(100)])
    assert found.difference == 0.5 and found.p < 1e-6


def test_holm_by_hand():
    # the definition: smallest times m, next times m - 1, ..., made monotone; R's p.adjust gives the same (from memory)
    assert_allclose(holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02], rtol=1e-12, atol=0)
    assert_allclose(holm([0.01, 0.02, 0.03, 0.04, 0.05]), [0.05, 0.08, 0.09, 0.09, 0.09], rtol=1e-12, atol=0)
    assert holm([]).shape == (0,)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_holm_lies_between_single_and_bonferroni(p):
    adjusted = holm(p)
    assert np.all(adjusted >= np.array(p)) and np.all(adjusted <= np.minimum(1, np.array(p) * len(p) + 1e-12))


def test_two_poisson_rates_on_a_published_example():
    # R's help page of poisson.test (from memory, recomputed): 11 in 800 against 23 in 3011 person-years
    found = compare_rates(23, 11, 1083 + 1050 + 878, 800)
    assert_allclose(found.ratio, 11 / 800 / (23 / 3011), rtol=1e-12, atol=0)
    low, high = stats.binomtest(11, 34, 800 / 3811).proportion_ci(method="exact")
    scale = 3011 / 800
    assert_allclose(
        [found.ratio_low, found.ratio_high], [low / (1 - low) * scale, high / (1 - high) * scale], rtol=1e-9
    )
    assert_allclose(found.p, stats.binomtest(11, 34, 800 / 3811).pvalue, rtol=1e-12, atol=0)


def test_poisson_rates_at_the_edges():
    none = compare_rates(0, 0, 300, 400)
    assert none.p is None and none.ratio is None
    # exact one-sided 95 % bound of a Poisson mean with none seen: -ln 0.05 = 2.9957 (Garwood 1936)
    assert_allclose([none.low, none.high], [-2.995732 / 300, 2.995732 / 400], rtol=1e-6, atol=0)
    only_after = compare_rates(0, 9, 300, 300)
    assert only_after.ratio is None and only_after.ratio_high is None and only_after.ratio_low > 1
    # of 9 all on one side by chance: 2 / 2^9
    assert_allclose(only_after.p, 2 / 2**9, rtol=1e-12, atol=0)
    assert "fewer than 1 %" in unseen(299, 299)


def test_poisson_difference_covers():
    rng = np.random.default_rng(6)
    before, after = rng.poisson(6, 2000), rng.poisson(14, 2000)
    found = [compare_rates(int(b), int(a), 300, 350) for b, a in zip(before, after, strict=True)]
    inside = np.mean([one.low <= 14 / 350 - 6 / 300 <= one.high for one in found])
    assert 0.94 <= inside <= 0.99


def test_clusters_of_counts_are_not_taken_for_many_events():
    rng = np.random.default_rng(7)
    single = rng.poisson(0.3, 20_000).astype(float)
    assert_allclose(dispersion(single), 1.0, rtol=0.2, atol=0)
    clustered = np.where(rng.random(20_000) < 0.03, 10.0, 0.0)
    # each event counts ten: variance over mean is ten, less the square of the mean
    assert_allclose(dispersion(clustered), 10 * 0.97, rtol=0.2, atol=0)
    assert dispersion(np.zeros(10)) == 1.0


def test_median_and_tail_are_those_of_the_handbook():
    # rank (n + 1) p, NIST/SEMATECH e-Handbook 7.2.6.2
    x = nist_noise(199)
    found = describe([x], np.random.default_rng(8))
    assert_allclose(found.median.value, np.sort(x)[99], rtol=1e-12, atol=0)
    assert_allclose(found.tail.value, np.sort(x)[197], rtol=1e-12, atol=0)
    assert_allclose(np.exp(found.log_spread.value), x.std(), rtol=1e-12, atol=0)


def test_median_error_of_independent_normal_values():
    # asymptotic standard error of a median of normal values: sqrt(pi / 2) sigma / sqrt(n)
    rng = np.random.default_rng(9)
    errors = [describe([rng.normal(size=400)], rng, count=300).median.standard_error for _ in range(40)]
    assert_allclose(np.sqrt(np.mean(np.square(errors))), np.sqrt(np.pi / 2 / 400), rtol=0.1, atol=0)


def test_log_spread_error_of_independent_normal_values():
    # large n: variance of ln s is 1 / (2 n)
    rng = np.random.default_rng(10)
    found = [describe([rng.normal(size=400)], rng, count=300).log_spread for _ in range(40)]
    assert_allclose(np.mean([one.variance for one in found]), 1 / 800, rtol=0.15, atol=0)


def test_what_sampling_adds_to_a_spread_is_taken_off():
    rng = np.random.default_rng(11)
    true = rng.normal(0, 50e-9, 20_000)
    step = 125e-9
    start = rng.random(20_000) * step
    seen = (np.floor((start + true) / step) - np.floor(start / step)) * step
    # Sheppard: an interval between two sampled instants carries step^2 / 6 (JCGM 100 4.3.9)
    found = describe([seen], rng, excess_variance=step**2 / 6, count=50)
    assert_allclose(np.exp(found.log_spread.value), 50e-9, rtol=0.05, atol=0)


def test_captures_that_differ_widen_the_interval():
    rng = np.random.default_rng(12)

    def side(spread):
        return [rng.normal(spread * rng.normal(), 1, 200) for _ in range(4)]

    alike = contrast(describe(side(0), rng).median, describe(side(0), rng).median)
    apart = contrast(describe(side(2), rng).median, describe(side(2), rng).median)
    assert apart.between and apart.standard_error > 3 * alike.standard_error
    assert apart.freedom < 8


def test_drift_is_taken_out_only_where_it_is_plain():
    rng = np.random.default_rng(13)
    noise = rng.normal(size=200)
    assert_allclose(without_drift(noise), noise - noise.mean(), rtol=1e-12, atol=1e-12)
    drifting = noise + 0.1 * np.arange(200)
    assert without_drift(drifting).std() < 1.2 * noise.std()


def test_recording_time_shrinks_the_interval_to_the_tolerance():
    found = contrast(from_summary(100, 0.0, 1.0), from_summary(100, 0.02, 1.0))
    factor = longer_by(found, 0.2, 0.05)
    longer = contrast(from_summary(int(100 * factor), 0.0, 1.0), from_summary(int(100 * factor), 0.02, 1.0))
    assert_allclose(longer.high, 0.2, rtol=0.02, atol=0)
    told = longer_by(contrast(from_summary(100, 0.0, 1.0), from_summary(100, 0.2, 1.0)), 0.1, 0.05)
    # difference over standard error must reach 1.96: (1.96 sqrt(2) / 2)^2 times 100 values; Student's t a little more
    assert_allclose(told, (1.959964 * np.sqrt(2) / 2) ** 2, rtol=0.03, atol=0)
    # what nearly settles it already asks for a quarter more at least
    assert longer_by(contrast(from_summary(100, 0.0, 1.0), from_summary(100, 0.29, 1.0)), 0.1, 0.05) == 1.25
    assert longer_by(contrast(from_summary(10, 0.0, 1.0), from_summary(10, 1e-4, 1.0)), 2e-4, 0.05) is None
    # 3 / n: exposure after which nothing seen bounds the rate at the tolerance
    assert_allclose(exposure_needed(0.0, 0.0, 0.01, 0.05), 300, rtol=1e-9, atol=0)


def test_change_probability_of_two_versions_has_its_closed_form():
    # Gaussian evidence ratio of a step of estimate d with variance v and prior variance w:
    # sqrt(v / (v + w)) exp(d^2 / 2 (1 / v - 1 / (v + w)))
    d, v, w = 0.4, 0.01 + 0.02, 1.0
    ratio = np.sqrt(v / (v + w)) * np.exp(d**2 / 2 * (1 / v - 1 / (v + w)))
    found = change_probabilities(np.array([1.0, 1.0 + d]), np.array([0.01, 0.02]), w)
    assert_allclose(found, [1 / (1 + ratio), ratio / (1 + ratio)], rtol=1e-9, atol=0)


def test_change_is_placed_where_it_happened():
    values = np.array([1.0, 1.02, 0.99, 1.31, 1.29, 1.30])
    found = change_probabilities(values, np.full(6, 4e-4), 1.0)
    assert int(np.argmax(found)) == 3 and found[3] > 0.99
    calm = change_probabilities(np.array([1.0, 1.01, 0.99, 1.0, 1.01]), np.full(5, 4e-4), 1.0)
    assert calm[0] > 0.8


def test_change_probability_of_rates_by_numerical_integration():
    # the evidence of a segment is the Poisson likelihood integrated over a gamma(1/2) prior about the overall rate
    events, exposures = np.array([2.0, 3.0, 14.0]), np.array([300.0, 280.0, 310.0])
    overall = events.sum() / exposures.sum()

    def segment(k, time):
        def under(rate):
            return stats.gamma.pdf(rate, 0.5, scale=2 * overall) * rate**k * np.exp(-rate * time)

        return integrate.quad(under, 0, 20 * overall, epsabs=0, epsrel=1e-10, points=[overall / 10, overall])[0]

    whole = segment(19, 890)
    parts = [segment(2, 300) * segment(17, 590), segment(5, 580) * segment(14, 310)]
    expected = np.array([0.5 * whole, 0.25 * parts[0], 0.25 * parts[1]])
    found = rate_change_probabilities(events, exposures)
    assert_allclose(found, expected / expected.sum(), rtol=1e-6, atol=0)
    assert int(np.argmax(found)) == 2
    assert_allclose(rate_change_probabilities(np.zeros(3), exposures), [0.5, 0.25, 0.25], rtol=1e-12, atol=0)


def test_counts_that_cannot_tell_are_not_corrected_for():
    # Tarone 1990: of 4 tests that can reach 0.05 / 3 at best 3 count, so each of those is held against 0.05 / 3
    assert could_be_told([0.0, 0.01, 0.016, 0.25], 0.05).tolist() == [True, True, True, False]
    # 0.02 can be reached by two tests at 0.05 / 2, but no longer by three
    assert could_be_told([0.0, 0.0, 0.02], 0.05).tolist() == [True, True, False]
    assert could_be_told([], 0.05).shape == (0,)
    # two equal exposures, n events: smallest two-sided p is 2 / 2^n
    for n in (1, 3, 9):
        assert_allclose(compare_rates(0, n, 300, 300).least_p, min(1.0, 2 / 2**n), rtol=1e-12, atol=0)
        assert_allclose(compare_rates(n, 0, 300, 300).p, compare_rates(0, n, 300, 300).least_p, rtol=1e-12, atol=0)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 12), min_size=1, max_size=6))
def test_family_error_of_counts_stays_below_its_level(totals):
    # every way in which fair coins can fall, by Monte Carlo over the conditional distributions
    rng = np.random.default_rng(sum(totals) + 100 * len(totals))
    fallen = rng.binomial(totals, 0.5, (2000, len(totals)))
    least = [2 / 2**n for n in totals]
    able = could_be_told(least, 0.05)
    tables = [np.array([stats.binomtest(k, n, 0.5).pvalue for k in range(n + 1)]) for n in totals]
    p = np.array([[table[k] for table, k in zip(tables, row, strict=True)] for row in fallen])
    wrong = np.mean([(holm(row[able]) < 0.05).any() for row in p]) if able.any() else 0.0
    assert wrong <= 0.05 + 3 * np.sqrt(0.05 / 2000)


def test_bootstrap_variance_of_tail_order_statistics_is_brought_back_to_the_true_one():
    # exponential values, whose k-th largest has the variance 1/k^2 + ... + 1/n^2 (Renyi 1953)
    rng = np.random.default_rng(14)
    n, rank = 400, 4
    drawn = [rng.exponential(size=(1, n)) for _ in range(300)]
    seen = []
    for x in drawn:
        rows = draw_blocks(rng, n, 1.0, 200)
        seen.append(np.sort(x[0][rows], axis=1)[:, -rank].var(ddof=1))
    true = float(np.sum(1 / np.arange(rank, n + 1) ** 2.0))
    assert_allclose(np.mean(seen) / true, order_statistic_bias(rank), rtol=0.08, atol=0)
    assert order_statistic_bias(3000) < 1.02


def test_log_spread_is_widened_as_by_millers_jackknife():
    # R. G. Miller 1968: variance of log s by leaving out one value each, here by brute force
    rng = np.random.default_rng(15)
    x = np.where(rng.random(120) < 0.1, rng.exponential(8.0, 120), rng.normal(size=120))
    less = np.array([np.log(np.delete(x, i).std()) for i in range(len(x))])
    jackknife = (len(x) - 1) ** 2 * less.var() / len(x)
    squares = (x - x.mean()) ** 2
    linear = squares.var() / (4 * squares.mean() ** 2) / len(x)
    assert jackknife > 1.1 * linear
    square = Estimate(squares.mean(), squares.var() / len(x), 50.0, np.array([[squares.mean(), 1.0, len(x)]]))
    wider = _leaving_out_one(square.value, squares, 0.0)
    assert_allclose(_logarithm(square, wider, 0.0).variance, jackknife, rtol=0.02, atol=0)


@pytest.mark.parametrize("memory", [0.3, 0.8, 0.95])
def test_independent_values_of_a_first_order_memory(memory):
    # Bayley and Hammersley 1946: n / sum of rho^2k, which is n (1 - r^2) / (1 + r^2) for long series
    n = 200_000
    assert_allclose(
        independent_values(np.array([[memory]]), n)[0], n * (1 - memory**2) / (1 + memory**2), rtol=1e-3, atol=0
    )


@pytest.mark.parametrize("memory", [0.0, 0.3, 0.8, 0.95])
def test_independent_values_of_the_differences_of_a_first_order_memory(memory):
    # differences of a memory r have rho(k) = -(1 - r) r^(k - 1) / 2, so that the sum of their squares is geometric
    n = 200_000
    found = independent_values(np.array([[memory]]), n, differences=True)[0]
    assert_allclose(found, n / (1 + (1 - memory) / (2 * (1 + memory))), rtol=1e-3, atol=0)


def test_burg_finds_the_autoregression_that_made_a_series():
    rng = np.random.default_rng(16)
    # poles at 0.97 exp(+-2 pi i / 25), the hunting of a speed loop
    a = np.array([2 * 0.97 * np.cos(2 * np.pi / 25), -(0.97**2)])
    made = lfilter([1.0], np.concatenate([[1.0], -a]), rng.standard_normal((4, 5000)), axis=1)
    found = burg(made, 2)
    assert_allclose(found, np.tile(a, (4, 1)), rtol=0.02, atol=0)
    # no memory, no order: Akaike's criterion keeps most rows of noise at none
    noise = burg(rng.standard_normal((100, 300)), 20)
    assert (noise == 0).all(axis=1).sum() > 50


def test_swing_knows_how_much_a_slow_series_spread_varies():
    rng = np.random.default_rng(17)
    memory, n = 0.9, 300
    rows = lfilter([1.0], [1.0, -memory], rng.standard_normal((150, n + 300)), axis=1)[:, 300:]
    seen = np.var(np.log(np.var(rows, axis=1)))
    found = [swing(row, rng) for row in rows[:40]]
    assert all(one is not None for one in found)
    # variance of the logarithm of chi-squared over its degrees of freedom: trigamma(nu / 2), M. Abramowitz,
    # I. A. Stegun, Handbook of Mathematical Functions, 26.4.36
    stated = [special.polygamma(1, 1 / one.relative_variance) for one in found]
    assert_allclose(np.median(stated), seen, rtol=0.25, atol=0)
    assert all(5 < one.freedom < 200 for one in found)


def test_differences_take_their_memory_from_the_turns():
    # a shaft that hunts: two poles at 0.97 exp(+-2 pi i / 25), and a first-order wander of the same size
    rng = np.random.default_rng(21)
    a = [1.0, -2 * 0.97 * np.cos(2 * np.pi / 25), 0.97**2]
    hunting = lfilter([1.0], a, rng.standard_normal((2000, 900)), axis=1)[:, 600:]
    wander = lfilter([1.0], [1.0, -0.95], rng.standard_normal((2000, 900)), axis=1)[:, 600:]
    turns = hunting / hunting.std() + wander / wander.std()
    cycles = np.diff(turns, axis=1)
    seen = np.var(np.log(np.mean(cycles**2, axis=1)))

    def stated(with_turns):
        found = [swing(y, rng, turns=x if with_turns else None) for x, y in zip(turns[:60], cycles[:60], strict=True)]
        return np.mean([special.polygamma(1, 1 / one.relative_variance) for one in found if one is not None])

    assert_allclose(stated(True), seen, rtol=0.15, atol=0)
    # a model of the differences themselves takes them for less certain than they are
    assert stated(False) > 1.2 * seen


def test_swing_of_steady_size_is_no_linear_one():
    # a limit cycle: the same height from turn to turn, so that its spread is known far better than a linear series'
    rng = np.random.default_rng(18)
    n = np.arange(300)
    cycle = np.sin(2 * np.pi * n / 24 + 0.3) + 0.1 * rng.standard_normal(300)
    assert swing(cycle, rng) is None
    spread = describe([cycle], rng, swinging=True).log_spread
    assert spread.standard_error < 0.03


def test_heavy_tails_widen_a_swing():
    rng = np.random.default_rng(19)
    tailed = rng.standard_t(3, 600)
    assert swing(tailed, rng).relative_variance > 1.3 * 2 / 600
    assert swing(np.zeros(50), rng) is None
