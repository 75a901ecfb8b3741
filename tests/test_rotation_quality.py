"""Quality of rotation: predictors and columns in closed form, orders, spectrum and hunting against known motion."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from tests.build import capture, channel, pulses

from spinlag.judge import judge_all
from spinlag.quantities import QUANTITIES, UNITS
from spinlag.rig import Limit, rig_from_mapping
from spinlag.rotation import find_revolutions, statistics
from spinlag.rotation.hunting import find_hunting
from spinlag.rotation.predict import best_predictor, predictor_table
from spinlag.rotation.profile import order_name
from spinlag.rotation.quality import FIGURES_OF_MERIT, measure_quality
from spinlag.rotation.refine import read_shaft
from spinlag.rotation.statistics import Sampling
from spinlag.synth import scenario_from_mapping, simulate

FINE = Sampling(1e-9, 1e-9, 0.0, False)
T_S = 1 / 30


def predictors(periods, used=None):
    periods = np.asarray(periods)
    used = np.ones(len(periods), dtype=bool) if used is None else used
    return predictor_table(periods, used, FINE, None, None).set_index("predictor")


def quality_of(periods_s, *, columns=None, limits=None, width=300_000):
    at = 1_000_000 + np.rint(np.concatenate(([0.0], np.cumsum(periods_s))) * 1e9).astype(np.int64)
    built = capture([channel("SENSOR", pulses(at, width))])
    tables = {"index": {"channel": "SENSOR"}, "display": {"columns": columns} if columns else {}}
    rig = rig_from_mapping(tables | {"limits": limits or {}})
    rotation = find_revolutions(built, rig)
    return built, rig, rotation, measure_quality(built, rig, rotation, None)


# --- what interpolation costs ----------------------------------------------------------------------------------------


def test_error_of_the_last_period_in_closed_form():
    """360 phi (T_prev / T - 1): a tenth of a percent is 0.36 degrees at the turn's end (arithmetic)."""
    table = predictors(T_S * np.array([1.001, 1.0] * 10))
    row = table.loc["last period"]
    assert row["n"] == 19
    assert_allclose(row["end_max_deg"], 0.36, rtol=1e-9, atol=0)
    assert_allclose(row["end_rms_deg"], 0.36, rtol=1e-3, atol=0)
    assert_allclose(row["rms_deg"], row["end_rms_deg"] / np.sqrt(3), rtol=1e-12, atol=0)


def test_columns_allowed_in_closed_form():
    """95 % of the errors, 0.36 degrees, within half a column: 180 / 0.36 = 500 columns."""
    table = predictors(T_S * np.array([1.001, 1.0] * 200))
    assert table.loc["last period", "columns_allowed"] in (499.0, 500.0)


def test_independent_periods_are_best_met_by_long_means():
    """Predicting by the mean of k independent periods leaves sqrt(1 + 1 / k) of their spread; the straight line through
    the last two sqrt(6) (variance algebra)."""
    rng = np.random.default_rng(1)
    table = predictors(T_S * (1 + 1e-4 * rng.standard_normal(40_000)))
    unit = 360 * 1e-4
    for k in (2, 4, 8, 16):
        assert_allclose(table.loc[f"mean of {k}", "end_rms_deg"], unit * np.sqrt(1 + 1 / k), rtol=0.02, atol=0)
    assert_allclose(table.loc["last period", "end_rms_deg"], unit * np.sqrt(2), rtol=0.02, atol=0)
    assert_allclose(table.loc["linear", "end_rms_deg"], unit * np.sqrt(6), rtol=0.02, atol=0)
    assert best_predictor(table.reset_index(), with_motor=False) == "mean of 16"


def test_a_steady_gain_of_speed_is_best_met_by_a_line():
    table = predictors(T_S * (1 - 1e-4 * np.arange(200)))
    assert_allclose(table.loc["last period", "end_rms_deg"], 0.036, rtol=0.02, atol=0)
    assert table.loc["linear", "end_max_deg"] < 1e-9
    assert best_predictor(table.reset_index(), with_motor=False) == "linear"


def test_turns_that_are_not_trusted_predict_nothing():
    periods = np.full(50, T_S)
    periods[20] *= 1.5
    used = np.ones(50, dtype=bool)
    used[20] = False
    table = predictors(periods, used)
    assert table["end_max_deg"].max() < 1e-9
    assert table.loc["last period", "n"] == 47
    assert table.loc["mean of 16", "n"] == 50 - 16 - 17


def test_too_few_turns_leave_the_row_empty():
    table = predictors(np.full(3, T_S))
    assert table.loc["mean of 4", "n"] == 0
    assert np.isnan(table.loc["mean of 4", "rms_deg"])


def test_motor_lines_as_a_predictor_and_what_limits_the_picture():
    tables = {
        "seed": 2,
        "duration_s": 4.0,
        "leds": [],
        "shaft": {"speed_rev_per_s": 30.0, "hunting": {"period_s": 0.5, "amplitude": 0.01}},
        "motor": {"pole_pairs": 4, "edge_noise_us": 0.5},
    }
    simulation = simulate(scenario_from_mapping(tables))
    quality = measure_quality(simulation.capture, simulation.rig, *read_shaft(simulation.capture, simulation.rig))
    table = quality.predictors.set_index("predictor")
    # from one turn to the next a swing A sin(2 pi t / H) changes the speed by at most 2 A sin(pi T / H), half of its
    # square on average; the mean speed of a turn is the swing's, less sinc(T / H)
    turn = 1 / 30 / 0.5
    size = 360 * 0.01 * np.sinc(turn) * 2 * np.sin(np.pi * turn)
    assert_allclose(table.loc["last period", "end_rms_deg"], size / np.sqrt(2), rtol=0.05, atol=0)
    assert_allclose(quality.hunting.angle_deg, size / np.sinc(turn), rtol=0.05, atol=0)
    assert table.loc["motor lines", "end_rms_deg"] < 0.1 * table.loc["last period", "end_rms_deg"]
    assert quality.columns_allowed_motor > 5 * quality.columns_allowed
    assert quality.best_predictor == "linear"


# --- hunting ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("period_turns", "amplitude"), [(6.3, 0.004), (20.7, 0.001), (61.0, 0.02)])
def test_a_swing_of_known_size(period_turns, amplitude):
    n = 400
    rng = np.random.default_rng(3)
    turns = np.arange(n)
    speed = 1 + amplitude * np.sin(2 * np.pi * turns / period_turns + 1.0)
    periods = T_S / speed * (1 + 1e-4 * rng.standard_normal(n))
    found = find_hunting(periods, np.ones(n, dtype=bool)).found
    assert_allclose(found.period_turns, period_turns, rtol=0.01, atol=0)
    # given as speeds of whole turns, so the smoothing over the turn that is taken out was never there
    assert_allclose(found.amplitude * np.sinc(1 / period_turns), amplitude, rtol=0.03, atol=0)
    assert found.false_alarm < 1e-6


def test_noise_is_no_hunting():
    rng = np.random.default_rng(4)
    alarms = 0
    for i in range(300):
        noise = rng.standard_normal(200)
        periods = T_S * (1 + 1e-3 * (np.diff(rng.standard_normal(201)) if i % 2 else noise))
        alarms += find_hunting(periods, np.ones(200, dtype=bool)).found is not None
    assert alarms <= 2


def test_without_a_swing_the_bound_says_what_would_have_shown():
    rng = np.random.default_rng(5)
    noise = 1e-3 * rng.standard_normal(400)
    used = np.ones(400, dtype=bool)
    search = find_hunting(T_S * (1 + noise), used)
    assert search.found is None
    swing = 1.6 * search.bound * np.sin(2 * np.pi * np.arange(400) / 17.0)
    assert find_hunting(T_S * (1 + noise + swing), used).found is not None


# --- within the turn -------------------------------------------------------------------------------------------------


def wheel_quality(teeth, orders, turns=60, seed=1, missing=False):
    """Index wheel of many even marks on a shaft with known ripple."""
    tables = {
        "seed": seed,
        "duration_s": turns / 30.0,
        "leds": [],
        "recorder": {"sample_rate_hz": 100e6},
        "index": {"pulses_per_revolution": teeth, "width_deg": 1.0, "noise_us": 0.2, "missing_tooth": missing},
        "shaft": {"speed_rev_per_s": 30.0, "start_deg": 20.0, "orders": orders},
    }
    simulation = simulate(scenario_from_mapping(tables))
    rotation = find_revolutions(simulation.capture, simulation.rig)
    return measure_quality(simulation.capture, simulation.rig, rotation, None), rotation


@pytest.mark.parametrize("missing", [False, True])
def test_orders_from_the_marks_of_an_index_wheel(missing):
    orders = [
        {"order": 1, "amplitude": 0.012, "phase_deg": 70.0},
        {"order": 3, "amplitude": 0.004, "phase_deg": 10.0},
    ]
    quality, rotation = wheel_quality(35 if missing else 36, orders, missing=missing)
    assert rotation.observations == ()
    table = quality.orders.set_index("order")
    for order, truth in ((1, 0.012), (2, 0.0), (3, 0.004)):
        assert table.loc[order, "low"] - 1e-5 <= truth <= table.loc[order, "high"] + 1e-5
    assert_allclose(table.loc[1, "angle_deg"], 360 * 0.012 / (2 * np.pi), rtol=0.05, atol=0)
    assert "evenly cut" in quality.witness


def test_mean_profile_over_the_turn():
    """v(angle) = mean (1 + a sin(angle + phase)): the profile shows it, from the index on."""
    a, phase = 0.01, np.deg2rad(50.0)
    tables = {
        "seed": 6,
        "duration_s": 4.0,
        "leds": [],
        "shaft": {"speed_rev_per_s": 30.0, "orders": [{"order": 1, "amplitude": a, "phase_deg": 50.0}]},
        "motor": {"pole_pairs": 4, "offset_deg": 12.0, "sensor_error_deg": [0.5, -0.3, 0.2], "edge_noise_us": 0.5},
    }
    simulation = simulate(scenario_from_mapping(tables))
    quality = measure_quality(simulation.capture, simulation.rig, *read_shaft(simulation.capture, simulation.rig))
    profile = quality.profile
    truth = 1 + a * np.sin(np.deg2rad(profile["angle_deg"]) + phase)
    assert len(profile) == 24
    assert_allclose(profile["speed_ratio"], truth, rtol=0, atol=1.2e-3)
    inside = (profile["low"] - 3e-4 <= truth) & (truth <= profile["high"] + 3e-4)
    assert inside.mean() > 0.9
    assert profile["angle_deg"].is_monotonic_increasing


def test_spectrum_integrates_to_the_variance_of_the_speed():
    """A ripple a sin gives the variance a^2 / 2, at its own order (Parseval)."""
    quality, _ = wheel_quality(60, [{"order": 5, "amplitude": 0.02, "phase_deg": 0.0}], turns=100)
    spectrum = quality.spectrum
    step = spectrum["order"].diff().iloc[1]
    near = spectrum[(spectrum["order"] > 4.5) & (spectrum["order"] < 5.5)]
    assert_allclose(near["density"].sum() * step, 0.02**2 / 2, rtol=0.05, atol=0)
    assert_allclose(spectrum.loc[spectrum["density"].idxmax(), "order"], 5.0, rtol=0, atol=0.05)
    assert_allclose(spectrum["density"].sum() * step, 0.02**2 / 2, rtol=0.1, atol=0)


def test_names_of_orders():
    """One per turn is imbalance, six per electrical cycle is commutation: common practice, no source."""
    assert "imbalance" in order_name(1, 4)
    assert "electrical" in order_name(4, 4)
    assert "commutation" in order_name(24, 4)
    assert order_name(5, None) == "5 times per turn"


def test_one_mark_shows_nothing_within_the_turn():
    _, _, _, quality = quality_of(np.full(60, T_S))
    assert len(quality.profile) == len(quality.orders) == len(quality.spectrum) == 0
    assert list(quality.profile.columns) == ["angle_deg", "speed_ratio", "low", "high", "spread"]
    assert any("one index mark" in note for note in quality.notes)
    assert quality.measure("rotation.order_1").value is None
    assert quality.measure("rotation.order_1").note


# --- figures, phases and limits --------------------------------------------------------------------------------------


def test_every_figure_as_degrees_and_as_a_share_of_a_column():
    rng = np.random.default_rng(9)
    periods = T_S * (1 + 1e-3 * rng.standard_normal(300))
    _, _, rotation, quality = quality_of(periods, columns=60)
    jitter = quality.measure("rotation.period_jitter")
    assert jitter.value == rotation.period_jitter_rms_s
    assert_allclose(jitter.degrees, 360 * jitter.value / rotation.period.mean, rtol=1e-12, atol=0)
    assert_allclose(jitter.columns, jitter.degrees / 6.0, rtol=1e-12, atol=0)
    allan = quality.measure("rotation.allan")
    assert_allclose(allan.value, 1e-3, rtol=0.15, atol=0)
    assert_allclose(allan.degrees, 360 * allan.value, rtol=1e-12, atol=0)
    assert all(one.uncertainty is not None or one.note for one in quality.measures if one.value is not None)
    assert all(one.note for one in quality.measures if one.value is None)


def test_drift_per_second():
    speed = 30.0 * (1 + 0.01 * np.arange(300) / 30.0)
    _, _, _, quality = quality_of(1 / speed)
    drift = quality.measure("rotation.drift")
    assert_allclose(drift.value, 0.01 * 30 / 31.5, rtol=0.06, atol=0)
    assert drift.uncertainty < 0.002


def test_phases_of_a_run():
    up, down = np.geomspace(8, 1, 40), np.geomspace(1, 6, 30)
    _, _, _, quality = quality_of(T_S * np.concatenate((up, np.ones(80), down)))
    assert quality.phases["phase"].tolist() == ["run-up", "steady", "run-down"]
    steady = quality.phases.iloc[1]
    assert 30 <= steady["first"] <= 50
    assert 110 <= steady["last"] <= 125
    assert_allclose(quality.phases["from_rev_per_s"].iloc[0], 30 / 8, rtol=1e-6, atol=0)


def test_limits_on_figures_of_merit_get_verdicts():
    rng = np.random.default_rng(10)
    periods = T_S * (1 + 1e-3 * rng.standard_normal(300))
    limits = {
        "rotation.columns_allowed": {"min_count": 500},
        "rotation.hunting": {"max_percent": 5},
        "rotation.prediction": {"max_deg": 5},
        "rotation.order_1": {"max_percent": 1},
        "motor.slip": {"max_deg": 1},
    }
    built, rig, rotation, quality = quality_of(periods, limits=limits)
    verdicts = {one.id: one for one in judge_all(built, rig, rotation, (), (), (), quality=quality)}
    assert verdicts["rotation.columns_allowed"].verdict == "fail"
    assert verdicts["rotation.hunting"].verdict == "pass"
    assert verdicts["rotation.prediction"].verdict == "pass"
    assert verdicts["rotation.order_1"].verdict == "not-measured"
    assert verdicts["motor.slip"].verdict == "not-measured"
    assert all(one.note for one in verdicts.values() if one.verdict == "not-measured")


def test_every_figure_of_merit_has_a_quantity_in_its_own_unit():
    tables = {"seed": 2, "duration_s": 2.0, "leds": [], "motor": {"pole_pairs": 4}}
    simulation = simulate(scenario_from_mapping(tables))
    quality = measure_quality(simulation.capture, simulation.rig, *read_shaft(simulation.capture, simulation.rig))
    measured = {one.id: one for one in quality.measures}
    assert set(FIGURES_OF_MERIT) <= set(measured)
    for name, one in measured.items():
        assert UNITS[QUANTITIES[name].dimension] == one.unit


def test_no_revolution_no_quality():
    built = capture([channel("SENSOR", pulses([1_000_000], 300_000))], tick=Fraction(1, 10**9))
    rig = rig_from_mapping({"index": {"channel": "SENSOR"}})
    assert measure_quality(built, rig, find_revolutions(built, rig), None) is None
    assert measure_quality(built, rig, None, None) is None


def test_three_turns_keep_every_table():
    few, many = quality_of(np.full(3, T_S))[3], quality_of(np.full(60, T_S))[3]
    for name in ("profile", "orders", "spectrum", "predictors", "phases"):
        one, other = getattr(few, name), getattr(many, name)
        assert isinstance(one, pd.DataFrame)
        assert one.dtypes.tolist() == other.dtypes.tolist()
    assert few.columns_allowed is None
    assert few.measure("rotation.prediction").value is not None


# --- every figure can be limited -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def restless():
    """A bench that shows every figure: swing, drift, orders, slip, a fault of a motor line and a dead one."""
    tables = {
        "seed": 21,
        "duration_s": 6.0,
        "leds": [],
        "recorder": {"sample_rate_hz": 8e6},
        "index": {"noise_us": 1.0},
        "shaft": {
            "speed_rev_per_s": 30.0,
            "drift_rev_per_s2": 0.15,
            "hunting": {"period_s": 0.9, "amplitude": 0.004},
            "random_walk": 0.0003,
            "orders": [{"order": 1, "amplitude": 0.01}, {"order": 2, "amplitude": 0.004}],
        },
        "motor": {"pole_pairs": 4, "edge_noise_us": 1.0, "slip_deg_per_s": 5.0},
        "faults": [
            {"kind": "motor-sequence", "revolution": 60, "phase": "PH_U", "at_deg": 90.0, "how": "extra"},
            {"kind": "motor-dropout", "revolution": 100, "phase": "PH_V", "at_deg": 10.0, "duration_ms": 60.0},
        ],
    }
    simulation = simulate(scenario_from_mapping(tables))
    rotation, motor = read_shaft(simulation.capture, simulation.rig)
    return simulation, rotation, motor


LIMITED = (*FIGURES_OF_MERIT, "rotation.period_jitter", "rotation.cycle_to_cycle_jitter")


@pytest.mark.parametrize("quantity", LIMITED)
@pytest.mark.parametrize(("off", "verdict"), [(1.5, "pass"), (-1.5, "fail"), (0.1, "undecided")])
def test_every_figure_can_be_limited_either_way(restless, quantity, off, verdict):
    """A limit beyond the whole uncertainty passes or fails, one within it does not (JCGM 106, guarded acceptance)."""
    simulation, rotation, motor = restless
    free = measure_quality(simulation.capture, simulation.rig, rotation, motor).measure(quantity)
    assert free.value > 0
    reach = free.uncertainty or 0.5
    if not free.uncertainty and verdict == "undecided":
        pytest.skip("a count is exact")
    if quantity == "rotation.columns_allowed":
        # more is better, and the uncertainty is that towards the limit
        limit = Limit(low=(free.value - 1.2 * reach if verdict == "pass" else 9e4 if verdict == "fail" else free.value))
    else:
        limit = Limit(high=free.value + off * reach)
    rig = simulation.rig.model_copy(update={"limits": {quantity: limit}})
    quality = measure_quality(simulation.capture, rig, rotation, motor)
    (found,) = [
        one for one in judge_all(simulation.capture, rig, rotation, (), (), (), quality=quality, motor=motor)
        if one.id == quantity
    ]  # fmt: skip
    assert found.verdict == verdict, found


@pytest.mark.parametrize(("low", "verdict"), [(25.0, "pass"), (40.0, "fail")])
def test_speed_can_be_limited(restless, low, verdict):
    simulation, rotation, motor = restless
    rig = simulation.rig.model_copy(update={"limits": {"rotation.speed": Limit(low=low)}})
    verdicts = judge_all(simulation.capture, rig, rotation, (), (), (), motor=motor)
    assert [one.verdict for one in verdicts if one.id == "rotation.speed"] == [verdict]


# --- what the figures mean in the long run ---------------------------------------------------------------------------


def test_interval_of_the_columns_allowed_holds_the_long_run():
    """Independent normal periods of 0.1 %: errors of the last period spread by sqrt(2) times that, and 95 % of a normal
    distribution lie within 1.959964 (closed form)."""
    rng = np.random.default_rng(3)
    truth = 180.0 / (1.959964 * 360.0 * 1e-3 * np.sqrt(2.0))
    held = 0
    for _ in range(200):
        row = predictors(T_S * (1 + 1e-3 * rng.standard_normal(120))).loc["last period"]
        held += row["columns_low"] <= truth <= row["columns_high"] + 1
    assert held >= 184, held
    wide = predictors(T_S * (1 + 1e-3 * rng.standard_normal(120))).loc["last period"]
    narrow = predictors(T_S * (1 + 1e-3 * rng.standard_normal(5000))).loc["last period"]
    assert narrow["columns_high"] - narrow["columns_low"] < 0.4 * (wide["columns_high"] - wide["columns_low"])


def test_sampling_of_a_prediction_in_closed_form():
    """The error of the last period is (t1 - t0) - (t2 - t1) of three instants, each known to T_s / sqrt(12): weights
    1, -2, 1, so T_s / sqrt(2) in all; a straight line through two periods weighs 1, -3, 3, -1."""
    sampling = Sampling(1e-9, 1e-6, 50.0, False)
    table = predictor_table(np.full(50, T_S), np.ones(50, dtype=bool), sampling, None, None).set_index("predictor")
    degrees = 1.959964 * 360.0 * 1e-6 / np.sqrt(12.0) / T_S
    assert_allclose(table.loc["last period", "uncertainty_deg"], degrees * np.sqrt(6.0), rtol=1e-6, atol=0)
    assert_allclose(table.loc["linear", "uncertainty_deg"], degrees * np.sqrt(20.0), rtol=1e-6, atol=0)


def test_a_step_of_the_speed_is_no_drift_no_hunting_and_no_instability():
    rng = np.random.default_rng(8)
    calm = T_S * (1 + 2e-4 * rng.standard_normal(120))
    stepped = calm * np.where(np.arange(120) < 60, 1.0, 1.04)
    plain, other = (quality_of(periods)[3] for periods in (calm, stepped))
    # the size of the step is known to the restlessness of a few turns, and what is left of it is no more than that
    assert other.hunting is None or other.hunting.amplitude < 3e-4
    for name in ("rotation.allan", "rotation.prediction"):
        assert_allclose(other.measure(name).value, plain.measure(name).value, rtol=0.1, atol=0)
    assert other.measure("rotation.drift").value < 0.002
    assert other.predictors["end_max_deg"].iloc[0] > 10  # the worst case still says what the step did


# --- pictures --------------------------------------------------------------------------------------------------------


def test_the_orders_are_named_in_their_picture(restless):
    from spinlag.report.plots import style
    from spinlag.report.quality_section import quality_caption, quality_figure

    simulation, rotation, motor = restless
    quality = measure_quality(simulation.capture, simulation.rig, rotation, motor)
    with style.styled():
        figure = quality_figure(quality, rotation)
        figure.canvas.draw()
        (ax,) = [one for one in figure.axes if one.get_title(loc="left") == "orders of rotation"]
        labels = [text for text in ax.get_yticklabels() if text.get_text()]
        words = [text.get_text() for text in labels]
        boxes = [text.get_window_extent() for text in labels]
    assert "once per turn: imbalance or a bent arm  1" in words
    assert "electrical cycle: torque ripple  4" in words
    assert all(not one.overlaps(other) for i, one in enumerate(boxes) for other in boxes[i + 1 :])
    assert "names of the orders" in quality_caption(quality, rotation)


def test_the_caption_speaks_of_what_is_drawn():
    from spinlag.report.quality_section import quality_caption

    rng = np.random.default_rng(4)
    _, _, rotation, quality = quality_of(T_S * (1 + 1e-3 * rng.standard_normal(60)))
    said = quality_caption(quality, rotation)
    assert "95 %" in said
    assert "band" not in said
    assert "names of the orders" not in said


@pytest.mark.parametrize("seed", range(40))
def test_changes_of_speed_taken_out_one_after_another_and_all_at_once(seed):
    """Against the obvious way, which touches all that follows anew for every change."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, 400))
    steps = np.cumsum((rng.random(n) < 0.05) * rng.normal(0, 0.1, n))
    periods = np.exp(rng.normal(0, 0.002, n) + steps) * 1e6
    used, changed = rng.random(n) < 0.95, rng.random(n) < rng.choice([0.01, 0.05, 0.2])
    level = np.log(periods)
    for a, b in statistics.runs(changed):
        before = np.flatnonzero(used[:a])[-statistics.BESIDE :]
        after = b + np.flatnonzero(used[b:])[: statistics.BESIDE]
        own = np.concatenate((before, after))
        if min(len(before), len(after)) < 2 or changed[own].any():
            continue
        design = np.column_stack((np.ones(len(own)), own - a, own >= b)).astype(float)
        jump = np.linalg.lstsq(design, level[own], rcond=None)[0][2]
        if abs(jump) >= statistics.LEAST_CHANGE:
            level[b:] -= jump
            level[a:b] = np.interp(np.arange(a, b), own, level[own])
    assert_allclose(statistics.without_changes(periods, used, changed), np.exp(level), rtol=1e-11, atol=0)
