"""Simulated LED lines and firmware: bits, bytes and instants against their truth, a plain decoder, and closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.picture import draw, tide_dial
from spinlag.synth.scenario import Picture

BASE = {"seed": 8, "duration_s": 0.5, "recorder": {"sample_rate_hz": 24e6}}


def made(**tables):
    return simulate(scenario_from_mapping({**BASE, **tables}))


def plain_decoder(channel, *, threshold=600, gap=8000):
    """Updates of a one-wire line in ns, bit by bit: [(first edge, last edge, bits)]; cut ones included."""
    edges = np.asarray(channel.edges[:])
    if channel.initial == 1:
        edges = edges[1:]
    edges = edges[: len(edges) // 2 * 2]
    rise, fall = edges[0::2], edges[1::2]
    cuts = np.flatnonzero(rise[1:] - fall[:-1] > gap) + 1
    return [
        (int(r[0]), int(f[-1]), ((f - r) > threshold).astype(np.uint8))
        for r, f in zip(np.split(rise, cuts), np.split(fall, cuts), strict=True)
    ]


def same_bytes(simulation, name="arm"):
    """Assert that the plain decoder finds exactly the truth's whole updates, instants and bits; return their number."""
    truth = simulation.truth.chain(name)
    error = 1 + simulation.truth.clock_error
    updates = plain_decoder(simulation.capture.channel(truth.channel))
    first = int(np.argmax(truth.whole))
    updates = updates[first:] if len(updates) == len(truth) else updates[len(updates) - len(truth) + first :]
    for i, (start, last, bits) in zip(np.flatnonzero(truth.whole), updates, strict=False):
        assert -1e-9 < start * 1e-9 - truth.start_s[i] * error < 43e-9
        assert -1e-9 < last * 1e-9 - truth.last_s[i] * error < 43e-9
        sent = np.unpackbits(truth.data[truth.offsets[i] : truth.offsets[i + 1]])[: truth.bits[i]]
        assert bits.tolist() == sent.tolist()
    return int(truth.whole.sum())


@pytest.mark.parametrize(("order", "count"), [("GRB", 16), ("RGB", 1), ("RGBW", 5), ("GRBW", 3)])
def test_a_plain_decoder_finds_the_bytes_that_the_truth_names(order, count):
    simulation = made(leds=[{"count": count, "order": order, "jitter_ns": 5}], recorder={"clock_error_ppm": 30})
    assert same_bytes(simulation) > 600
    truth = simulation.truth.chains[0]
    image = simulation.truth.image
    column = int(truth.column[100])
    sent = truth.data[truth.offsets[100] : truth.offsets[101]].reshape(count, len(order))
    for i, letter in enumerate(order):
        expected = image[column].min(axis=-1) if letter == "W" else image[column][:, "RGB".index(letter)]
        assert sent[:, i].tolist() == expected.tolist()


def test_bit_times_are_those_of_the_sheet_that_the_scenario_copies():
    # WS2812B sheet, file dated 2013-05-30, page 3: T0H 400, T0L 850, T1H 800, T1L 450 ns; 1.25 us a bit
    simulation = made(leds=[{"count": 16, "jitter_ns": 3}])
    timing = simulation.truth.chains[0].timing
    nominal = {"t0h": 400e-9, "t0l": 850e-9, "t1h": 800e-9, "t1l": 450e-9, "bit_period": 1250e-9}
    assert set(timing) == set(nominal)
    for name, expected in nominal.items():
        assert_allclose(timing[name].mean_s, expected, rtol=0, atol=3e-9 * 2**0.5 * 5 / timing[name].n ** 0.5)
        assert timing[name].min_s > expected - 30e-9 and timing[name].max_s < expected + 30e-9
    truth = simulation.truth.chains[0]
    whole = truth.whole
    # 24 bits of 1.25 us are 30 us per LED, less the last low of 450 or 850 ns
    wire = truth.last_s[whole] - truth.start_s[whole]
    assert wire.min() > 16 * 30e-6 - 0.9e-6 and wire.max() < 16 * 30e-6 - 0.4e-6


def test_a_controller_clock_that_is_off_scales_bits_and_its_ticks_hold_edges():
    fast = made(firmware={"clock_error_ppm": 20_000}).truth.chains[0].timing
    assert_allclose(fast["bit_period"].mean_s, 1250e-9 / 1.02, rtol=1e-9)
    locked = made(firmware={"clock_hz": 24e6}, leds=[{"jitter_ns": 0}], recorder={"phase": 0.5, "tick": "1 ps"})
    ticks = np.diff(locked.capture.channel("DOUT").edges[:1000]) / (1e12 / 24e6)
    assert_allclose(ticks, np.rint(ticks), rtol=0, atol=1e-4)
    assert {10, 19, 20, 11} >= set(np.rint(ticks[ticks < 25]).astype(int).tolist())


def test_pauses_between_leds_and_several_chains():
    chains = [
        {"name": "inner", "data": "D1", "count": 4, "pause_every_leds": 2, "pause_us": 3.0},
        {"name": "outer", "data": "D2", "count": 6, "first_led": 4, "offset_us": 12.5, "inverted": True},
    ]
    simulation = made(leds=chains)
    inner, outer = simulation.truth.chains
    rows = [np.flatnonzero((chain.revolution == 4) & (chain.column > 2)) for chain in (inner, outer)]
    assert_allclose(outer.start_s[rows[1]] - inner.start_s[rows[0]], 12.5e-6, rtol=1e-6)
    assert same_bytes(simulation, "inner") > 600
    line = simulation.capture.channel("D1")
    lows = np.diff(line.edges[:])[1::2]
    assert np.sum((lows > 3400) & (lows < 4000)) in (len(inner) - 1, len(inner))
    assert simulation.capture.channel("D2").level_at(round((outer.last_s[9] + 20e-6) * 1e9)) == 1
    assert simulation.truth.image.shape == (48, 10, 3)
    assert outer.data[outer.offsets[7] : outer.offsets[8]].reshape(6, 3)[:, 1].tolist() == (
        simulation.truth.image[outer.column[7], 4:, 0].tolist()
    )


def test_columns_follow_the_period_that_the_firmware_expects():
    # position error at phase f of the turn when the last period predicts this one: 360 f (T_prev / T - 1)
    simulation = made(
        shaft={"drift_rev_per_s2": 3.0}, firmware={"response_us": 0}, leds=[{"count": 4}], recorder={"phase": 0.0}
    )
    truth, chain = simulation.truth, simulation.truth.chains[0]
    zero = np.concatenate(([np.nan], truth.zero_s))
    for revolution in (2, 7, 11):
        own = (chain.revolution == revolution) & ~chain.extra
        t_prev, t_now = zero[revolution + 1] - zero[revolution], zero[revolution + 2] - zero[revolution + 1]
        since = chain.start_s[own] - truth.zero_s[revolution]
        expected = chain.column[own] / 48 * t_prev
        assert_allclose(since, expected, rtol=0, atol=1e-10)
        error = 360 * since / t_now - 360 * chain.column[own] / 48
        assert_allclose(error, 360 * chain.column[own] / 48 * (t_prev / t_now - 1), rtol=0, atol=1e-4)


@pytest.mark.parametrize(("predictor", "expected"), [("previous", 1), ("mean", 4), ("linear", 2), ("fixed", 0)])
def test_predictors(predictor, expected):
    firmware = {"predictor": predictor, "mean_of": 4, "fixed_period_us": 33000.0}
    truth = made(firmware=firmware, shaft={"drift_rev_per_s2": 2.0}).truth
    edges, reckoned = truth.turns.reference_s, truth.turns.expected_period_s
    periods = np.diff(edges)
    if expected == 0:
        assert_allclose(reckoned, 0.033, rtol=1e-12)
        return
    for k in range(5, 12):
        past = periods[k - expected : k]
        guess = 2 * past[1] - past[0] if predictor == "linear" else past.mean()
        assert_allclose(reckoned[k], guess, rtol=1e-9)


def test_response_jitter_is_of_the_ordered_size_and_correlation():
    firmware = {"response_us": 200, "response_jitter_us": 12, "jitter_correlation": 0.8, "columns": 4}
    response = made(duration_s=60.0, firmware=firmware, leds=[{"count": 1}]).truth.turns.response_s
    assert_allclose(response.mean(), 200e-6, rtol=0.05)
    assert_allclose(response.std(), 12e-6, rtol=0.1)
    assert_allclose(np.corrcoef(response[1:], response[:-1])[0, 1], 0.8, rtol=0.1)
    plain = {"response_us": 200, "response_jitter_us": 12, "columns": 4, "jitter_shape": "uniform"}
    response = made(duration_s=20.0, firmware=plain, leds=[{"count": 1}]).truth.turns.response_s
    assert_allclose(np.ptp(response), 2 * 12e-6 * 3**0.5, rtol=0.03)


def test_the_same_seed_gives_the_same_capture_and_parts_have_their_own_random_numbers():
    tables = {"leds": [{"count": 4, "jitter_ns": 5}], "index": {"noise_us": 2}, "motor": {}}
    one, two, other = made(**tables), made(**tables), made(**tables, seed=9)
    for a, b, c in zip(one.capture.channels, two.capture.channels, other.capture.channels, strict=True):
        assert a.initial == b.initial and np.array_equal(a.edges, b.edges)
        assert not np.array_equal(a.edges, c.edges)
    more = made(**tables, markers=[{"name": "m", "channel": "M", "rate_per_s": 20}])
    assert np.array_equal(one.capture.channel("DOUT").edges, more.capture.channel("DOUT").edges)
    assert len(more.capture.channel("M").edges) > 4


def test_truth_and_capture_agree_on_the_first_light_of_each_turn():
    simulation = made(index={"noise_us": 3}, firmware={"response_us": 80, "response_jitter_us": 5})
    turns = simulation.truth.turns
    assert_allclose(turns.response_s[1:-1].mean(), 80e-6, rtol=0.1)
    assert_allclose(turns.latency_s[1:-1] - turns.response_s[1:-1], 480e-6 + 50e-6, rtol=2e-3)
    assert (turns.columns_sent[1:-1] == 48).all() and (turns.first_column == 0).all()
    rising = simulation.capture.channel("SENSOR").rising() * 1e-9
    late = rising - turns.reference_s
    assert late.min() > -1e-9 and late.max() < 1 / 24e6 + 1e-9


def test_angle_of_the_truth_is_the_shaft_angle_at_the_visible_instant():
    simulation = made(firmware={"response_us": 100})
    chain, zero = simulation.truth.chains[0], simulation.truth.zero_s
    i = 200
    k = np.searchsorted(zero, chain.visible_s[i], side="right") - 1
    assert_allclose(chain.angle_deg[i], 360 * (chain.visible_s[i] - zero[k]) * 30, rtol=1e-6)


def test_the_tide_dial_shows_the_tide():
    image = tide_dial(Picture(kind="tide-dial", high_water_in_h=4.2), 48, 16)
    lit = (image[:, :, 2] > 0).sum(axis=1)
    high = round(4.2 / 12.42 * 48)
    low = (high + 24) % 48
    assert image[high, :, 1].min() > 0 and image[high, :, 0].max() == 0  # the green column
    assert lit[high - 1] > lit[high - 6] > lit[low] >= 1
    assert (image[0, :, 0] > 0).all()
    assert draw(Picture(kind="dark"), 4, 3, np.random.default_rng(0)).max() == 0


def test_arms_ahead_show_the_columns_ahead_and_slots_repeat_the_picture():
    display = {"arms": 3, "geometry": "arm"}
    simulation = made(leds=[{"count": 9}], firmware={"columns": 24}, display=display, picture={"kind": "noise"})
    image, chain = simulation.truth.image, simulation.truth.chains[0]
    assert image.shape == (24, 3, 3)
    row = int(np.flatnonzero(chain.column == 20)[1])
    sent = chain.data[chain.offsets[row] : chain.offsets[row + 1]].reshape(3, 3, 3)[..., [1, 0, 2]]
    assert [arm.tolist() for arm in sent] == [image[20].tolist(), image[4].tolist(), image[12].tolist()]
    assert simulation.rig.display.arms == 3
    slots = made(leds=[{"count": 5}], firmware={"columns": 24}, display={"geometry": "slot", "slots": 2})
    assert np.array_equal(slots.truth.image[:12], slots.truth.image[12:])


def test_lines_that_are_not_recorded():
    tables = {"motor": {}, "markers": [{"name": "m", "channel": "M", "rate_per_s": 20}]}
    simulation = made(**tables, recorder={"omit": ["SENSOR", "PH_V", "M"]})
    assert [channel.name for channel in simulation.capture.channels] == ["DOUT", "PH_U", "PH_W"]
    rig = simulation.rig
    assert rig.index is None and rig.motor is None and rig.markers == {} and len(rig.leds) == 1
    whole = made(**tables)
    assert np.array_equal(simulation.capture.channel("DOUT").edges, whole.capture.channel("DOUT").edges)


def test_an_update_cut_by_the_start_of_the_capture():
    for seed in range(40):
        simulation = made(seed=seed, duration_s=0.1)
        truth = simulation.truth.chains[0]
        if not truth.whole[0]:
            assert truth.start_s[0] < 0 < truth.last_s[0]
            assert simulation.capture.channel("DOUT").edges[0] > 0
            return
    pytest.fail("no capture started inside an update")
