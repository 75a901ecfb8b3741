"""Verdicts against JCGM 106 and the arithmetic of coarse sampling."""

import pytest
from numpy.testing import assert_allclose

from spinlag.verdicts import (
    Figure,
    Observed,
    Verdict,
    conformance_probability,
    judge_every,
    judge_figure,
    judge_revisions,
    overall,
)

NS = 1e-9


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        # JCGM 106:2012 7.3.3 examples 1 and 2, 7.4 (inputs of the first two from memory; numbers recomputed)
        (-5.47, 0.05, None, -5.40, 0.919243),
        (509.7, 8.6, 490, None, 0.989010),
        (13.6, 1.8, 12.5, 16.3, 0.662630),
    ],
)
def test_conformance_probability(value, u, low, high, probability):
    assert_allclose(conformance_probability(value, u, low, high), probability, rtol=2e-5, atol=0)


def figure(value, uncertainty):
    return Figure("latency.jitter", "jitter", "s", value, uncertainty)


@pytest.mark.parametrize(
    ("value", "outcome"), [(8.0, "pass"), (9.0, "pass"), (9.5, "undecided"), (10.5, "undecided"), (11.1, "fail")]
)
def test_guard_bands_on_both_sides(value, outcome):
    verdict = judge_figure(figure(value, 1.0), None, 10.0, "rig")
    assert verdict.verdict == outcome
    assert verdict.margin == 10.0 - value


def test_no_value_and_no_uncertainty_never_pass():
    assert judge_figure(figure(None, None), None, 10.0, "rig").verdict == "not-measured"
    assert judge_figure(figure(1.0, None), None, 10.0, "rig").verdict == "undecided"


def observed(lowest, highest, mean, sample_hz):
    period = 1 / sample_hz
    return Observed("leds.arm.t0h", "T0H", "s", 1000, lowest, highest, mean, period, period / 50, period)


def test_24_mhz_judges_a_400_ns_bit_and_8_mhz_says_what_would():
    # WS2812B, file date 2013-05-30, p.3: T0H 400 +- 150 ns
    fine = judge_every(observed(375 * NS, 416.7 * NS, 400 * NS, 24e6), 250 * NS, 550 * NS, "sheet")
    assert fine.verdict == "pass"
    coarse = judge_every(observed(375 * NS, 500 * NS, 400 * NS, 8e6), 250 * NS, 550 * NS, "sheet")
    assert coarse.verdict == "undecided"
    assert "16 MHz would decide" in coarse.note


def test_one_long_bit_among_good_ones_says_what_rate_would_decide_it():
    # the same window; the truth behind 583 ns lies between 541.7 and 625 ns, so 8.3 ns of room ask for 240 MHz
    lone = judge_every(observed(375 * NS, 583.3 * NS, 400 * NS, 24e6), 250 * NS, 550 * NS, "sheet")
    assert lone.verdict == "undecided"
    assert "250 MHz would decide" in lone.note or "240 MHz would decide" in lone.note
    on_it = judge_every(observed(375 * NS, 591.6 * NS, 400 * NS, 24e6), 250 * NS, 550 * NS, "sheet")
    assert on_it.verdict == "undecided"
    assert "may not decide it either" in on_it.note


def test_a_guard_band_that_ends_on_the_limit_passes():
    # 250 ns limit, 7 samples of 24 MHz less one: 291.667 - 41.667 = 250 exactly, whatever float64 makes of it
    seen = observed(7 / 24e6, 9 / 24e6, 8 / 24e6, 24e6)
    assert judge_every(seen, 6 / 24e6, 550 * NS, "sheet").verdict == "pass"


def test_a_mean_outside_fails_however_coarse_the_sampling():
    seen = observed(500 * NS, 625 * NS, 570 * NS, 8e6)
    verdict = judge_every(seen, 250 * NS, 550 * NS, "sheet")
    assert verdict.verdict == "fail"
    assert "mean" in verdict.note


def test_the_worse_side_is_shown():
    seen = observed(260 * NS, 420 * NS, 400 * NS, 1e9)
    assert judge_every(seen, 250 * NS, 550 * NS, "sheet").value == 260 * NS


def verdict(outcome, margin=1.0):
    return Verdict("id", "q", "s", 0.0, 0.0, None, None, margin, outcome, "source")


def test_a_part_without_revision():
    names = ["A", "B"]
    assert judge_revisions([verdict("pass"), verdict("pass")], names).verdict == "pass"
    assert judge_revisions([verdict("fail"), verdict("fail")], names).verdict == "fail"
    mixed = judge_revisions([verdict("pass"), verdict("fail", -1.0)], names)
    assert mixed.verdict == "undecided"
    assert "meets A" in mixed.note
    assert "fails B" in mixed.note
    assert judge_revisions([verdict("pass"), verdict("undecided")], names).verdict == "undecided"


def test_overall():
    assert overall([verdict("pass"), verdict("fail"), verdict("undecided")]) == "fail"
    assert overall([verdict("pass"), verdict("not-measured")]) == "undecided"
    assert overall([verdict("pass")]) == "pass"
    assert overall([]) == "undecided"
