"""Allan deviation against published sets, an independent library, closed forms and simulated noise."""

from __future__ import annotations

import allantools
import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.allan import COLUMNS, NOISE_NAMES, degrees_of_freedom, noise_exponent, octaves, overlapping_adev

NBS_Y = [892, 809, 823, 798, 671, 644, 883, 903, 677]
"""NBS Monograph 140, annex 8.E: nine frequency values."""


def phase_of(y):
    return np.concatenate(([0.0], np.cumsum(y)))


def thousand_points():
    """The 1000-point set of NIST SP 1065, 12.4: a linear congruential generator."""
    n = [1234567890]
    for _ in range(999):
        n.append(16807 * n[-1] % 2147483647)
    assert n[1:4] == [395529916, 1209410747, 633705974]
    return np.array(n) / 2147483647


def power_law(alpha, n, rng):
    """Phase of noise whose speed has the spectrum f^alpha: filtered white noise (N. J. Kasdin, Proc. IEEE 83, 1995)."""
    count = 1 << int(np.ceil(np.log2(2 * n)))
    frequency = np.fft.rfftfreq(count)
    shape = np.zeros(len(frequency))
    shape[1:] = frequency[1:] ** (alpha / 2)
    y = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * shape)[: n - 1]
    return phase_of(y)


def test_nbs_set_as_printed():
    table = overlapping_adev(phase_of(NBS_Y), 1.0, [1, 2])
    assert_allclose(table["adev"], [91.22945, 85.95287], rtol=1e-6, atol=0)  # NIST SP 1065, table 30
    assert table["n"].tolist() == [8, 6]


def test_thousand_points_as_printed():
    table = overlapping_adev(phase_of(thousand_points()), 1.0, [1, 10, 100])
    assert_allclose(table["adev"], [2.922319e-01, 9.159953e-02, 3.241343e-02], rtol=1e-6, atol=0)  # SP 1065, table 31
    assert table["noise"].tolist() == ["white speed"] * 3


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_deviation_agrees_with_allantools(alpha):
    phase = power_law(alpha, 700, np.random.default_rng(5)) * 1e-6
    table = overlapping_adev(phase, 0.03)
    taus, adev, _, _ = allantools.oadev(phase, rate=1 / 0.03, data_type="phase", taus=table["tau_s"].to_numpy())
    n = [len(phase) - 2 * m for m in octaves(len(phase))]  # allantools drops rows of few differences
    assert_allclose(table["tau_s"][: len(taus)], taus, rtol=1e-12, atol=0)
    assert_allclose(table["adev"][: len(taus)], adev, rtol=1e-9, atol=0)
    assert table["n"].tolist() == n


@pytest.mark.parametrize(
    ("alpha", "m"), [(2, 1), (2, 8), (1, 4), (0, 1), (0, 16), (-1, 4), (-1, 32), (-2, 1), (-2, 16)]
)
def test_degrees_of_freedom_agree_with_allantools(alpha, m):
    assert_allclose(degrees_of_freedom(500, m, alpha), allantools.edf_simple(500, m, alpha), rtol=1e-12, atol=0)


def test_interval_agrees_with_allantools():
    table = overlapping_adev(phase_of(thousand_points()), 1.0, [10])
    row = table.iloc[0]
    low, high = allantools.confidence_interval(row["adev"], row["edf"], ci=0.95)
    assert_allclose([row["low"], row["high"]], [low, high], rtol=1e-9, atol=0)


@pytest.mark.parametrize("alpha", [2, 0, -2])
@pytest.mark.parametrize("m", [1, 8])
def test_noise_type_agrees_with_allantools(alpha, m):
    phase = power_law(alpha, 4000, np.random.default_rng(11))
    assert noise_exponent(phase, m, 99) == alpha == allantools.autocorr_noise_id(phase, m)[0]
    assert noise_exponent(phase[:20], 1, 99) == 99


@pytest.mark.parametrize(("alpha", "m"), [(2, 1), (0, 8), (0, 32), (-1, 1)])
def test_interval_covers_the_truth_as_often_as_it_says(alpha, m):
    """The 2(N - 2)^2 of flicker at m = 1 is checked here alone: allantools prints it without the square."""
    rng = np.random.default_rng(alpha + 10 * m)
    series = [power_law(alpha, 257, rng) for _ in range(400)]
    tables = [overlapping_adev(phase, 1.0, [m]).iloc[0] for phase in series]
    truth = np.sqrt(np.mean([row["adev"] ** 2 for row in tables]))
    covered = np.mean([row["low"] <= truth <= row["high"] for row in tables])
    assert 0.91 <= covered <= 0.985


def test_linear_drift_in_closed_form():
    """x = D t^2 / 2 gives D tau / sqrt(2) (NIST SP 1065)."""
    k = np.arange(400)
    tau0, drift = 1 / 30, 2e-4
    table = overlapping_adev(0.5 * drift * (k * tau0) ** 2, tau0)
    assert_allclose(table["adev"], drift * table["tau_s"] / np.sqrt(2), rtol=1e-6, atol=0)


def test_two_uneven_marks_in_closed_form():
    """Periods T(1 + a), T(1 - a) in turn: sqrt(2) a at T, 0 at 2 T."""
    a, t0 = 0.01, 1 / 30
    periods = t0 * (1 + a * np.where(np.arange(200) % 2, -1, 1))
    table = overlapping_adev(np.concatenate(([0.0], np.cumsum(periods - t0))), t0, [1, 2])
    assert_allclose(table["adev"][0], np.sqrt(2) * a, rtol=1e-9, atol=0)
    assert table["adev"][1] < 1e-12


def test_sinusoidal_speed_in_closed_form():
    """y0 sin FM: y0 sin^2(pi f tau) / (pi f tau) (NIST SP 1065)."""
    tau0, f, y0 = 0.05, 0.5, 1e-3
    t = np.arange(40_001) * tau0
    phase = -y0 / (2 * np.pi * f) * np.cos(2 * np.pi * f * t)
    table = overlapping_adev(phase, tau0, [10, 40])
    assert_allclose(table["adev"][0], 6.366198e-4, rtol=1e-3, atol=0)
    assert table["adev"][1] < 1e-9


def test_sampling_alone_gives_its_floor():
    """T_s / (2 tau): the three-point difference of uniform errors of variance T_s^2 / 12."""
    sample, tau0 = 1 / 24e6, 1 / 30
    error = np.random.default_rng(3).uniform(0, sample, 60_000)
    table = overlapping_adev(error, tau0, [1, 10])
    assert_allclose(table["adev"], [6.25e-7, 6.25e-8], rtol=0.02, atol=0)
    assert table["noise"].tolist() == ["white phase"] * 2


def test_instants_not_believed_are_left_out():
    rng = np.random.default_rng(8)
    phase = np.cumsum(rng.standard_normal(300)) * 1e-5
    holed = phase.copy()
    holed[[40, 41, 200]] = np.nan
    full, part = overlapping_adev(phase, 1.0, [1, 4]), overlapping_adev(holed, 1.0, [1, 4])
    assert full["n"].tolist() == [298, 292]
    assert part["n"].tolist() == [298 - 4 - 3, 292 - 9]
    assert_allclose(part["adev"], full["adev"], rtol=0.05, atol=0)
    assert (part["edf"] < full["edf"]).all()


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_few_points_keep_the_columns(n):
    table = overlapping_adev(np.zeros(n), 1.0)
    assert list(table.columns) == list(COLUMNS)
    assert len(table) == 0
    assert table["adev"].dtype == np.float64
    assert table["n"].dtype == np.int64


def test_every_noise_type_has_a_name():
    assert sorted(NOISE_NAMES) == [-2, -1, 0, 1, 2]
    with pytest.raises(ValueError, match="exponent 3"):
        degrees_of_freedom(100, 1, 3)
