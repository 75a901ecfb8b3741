"""Simulated clocked, latched and direct chains against plain receivers written from the sheets."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spinlag.errors import RigError
from spinlag.synth import scenario_from_mapping, simulate

BASE = {"seed": 3, "duration_s": 0.12, "recorder": {"sample_rate_hz": 100e6}, "firmware": {"columns": 12}}


def made(chain, **tables):
    return simulate(scenario_from_mapping({**BASE, **tables, "leds": [chain]}))


def sampled(simulation, data="DATA", clock="CLOCK", gap=30_000):
    """Bits of the data line at rising clock edges, cut where the clock rests: [(first edge, last edge, bits)] in ns."""
    line, edges = simulation.capture.channel(data), simulation.capture.channel(clock)
    rise, fall = edges.rising(), edges.falling()
    fall = fall[fall > rise[0]]
    cuts = np.flatnonzero(np.diff(rise) > gap) + 1
    bits = line.initial ^ (np.searchsorted(line.edges, rise, side="right") & 1)
    spans = zip(np.split(rise, cuts), np.split(fall[: len(rise)], cuts), np.split(bits, cuts), strict=True)
    return [(int(r[0]), int(f[-1]), b.astype(int).tolist()) for r, f, b in spans if len(f)]


def value(bits):
    return int("".join(map(str, bits)), 2)


def truth_of(simulation):
    """Whole updates of the first chain and the image columns that they showed."""
    truth = simulation.truth.chains[0]
    rows = np.flatnonzero(truth.whole)
    return truth, rows, [simulation.truth.image[truth.column[i]] for i in rows]


def received(simulation, **lines):
    truth, rows, images = truth_of(simulation)
    updates = [u for u in sampled(simulation, **lines) if u[0] > truth.start_s[rows[0]] * 1e9 - 5]
    assert len(updates) in (len(rows), len(rows) + 1)
    return truth, rows, images, updates[: len(rows)]


def test_apa102_frames():
    # APA102C sheet (file dated 2014-10-17), pages 3 and 4: 32 zeros; 111, five bits of brightness, blue, green, red;
    # then ones
    chain = {"wiring": "clocked", "protocol": "APA102", "count": 5, "brightness": 19, "clock_rate_hz": 4e6}
    truth, rows, images, updates = received(made(chain))
    for i, image, (start, last, bits) in zip(rows, images, updates, strict=True):
        assert bits[:32] == [0] * 32 and bits[32 + 5 * 32 :] == [1] * 32
        for led in range(5):
            word = bits[32 + 32 * led : 64 + 32 * led]
            assert word[:3] == [1, 1, 1] and value(word[3:8]) == 19
            assert [value(word[k : k + 8]) for k in (8, 16, 24)] == image[led][::-1].tolist()
        sent = truth.data[truth.offsets[i] : truth.offsets[i + 1]]
        assert np.unpackbits(sent).tolist() == bits[32 : 32 + 160]
        assert 0 <= start - truth.start_s[i] * 1e9 < 12 and 0 <= last - truth.last_s[i] * 1e9 < 12
        # each LED takes its own 32 bits, and passes the rest on half a clock later (measured, cpldcpu 2014-11-30)
        assert_allclose(truth.first_visible_s[i], truth.start_s[i] + 63 * 0.25e-6, rtol=0, atol=1e-10)
        assert_allclose(truth.visible_s[i], truth.start_s[i] + (32 + 160 - 1 + 4 * 0.5) * 0.25e-6, rtol=0, atol=1e-10)


def test_sk9822_shows_at_the_frame_of_zeros_that_follows():
    # measured, cpldcpu 2016-12-13: new values show at the next start frame; the end must be zeros
    chain = {"wiring": "clocked", "protocol": "SK9822", "count": 20, "clock_rate_hz": 4e6}
    truth, rows, _, updates = received(made(chain))
    for i, (_, _, bits) in zip(rows, updates, strict=True):
        assert len(bits) == 32 + 640 + 32 + 16 and not any(bits[672:])
        assert_allclose(truth.visible_s[i], truth.start_s[i] + 703 * 0.25e-6, rtol=0, atol=1e-10)
    bare = made({**chain, "end_bits": 0})
    truth = bare.truth.chains[0]
    assert_allclose(truth.visible_s[3:8] - truth.start_s[4:9], 31 * 0.25e-6, rtol=0, atol=1e-6)


def test_p9813_header_is_the_inverse_of_the_top_bits():
    # P9813 sheet, pages 2 and 3: 11 ~B7 ~B6 ~G7 ~G6 ~R7 ~R6, then blue, green, red
    _, _, images, updates = received(made({"wiring": "clocked", "protocol": "P9813", "count": 3}))
    for image, (_, _, bits) in zip(images, updates, strict=True):
        for led in range(3):
            word = bits[32 + 32 * led : 64 + 32 * led]
            red, green, blue = (int(v) for v in image[led])
            expected = 0xC0 | ((3 - (blue >> 6)) << 4) | ((3 - (green >> 6)) << 2) | (3 - (red >> 6))
            assert [value(word[k : k + 8]) for k in (0, 8, 16, 24)] == [expected, blue, green, red]


def test_ws2801_is_plain_rgb_and_latches_after_half_a_millisecond():
    # WS2801 preliminary sheet V0.3, page 11: 24 bits red, green, blue; clock low for more than 500 us latches
    chain = {"wiring": "clocked", "protocol": "WS2801", "count": 4, "order": "RGB", "byte_gap_us": 2.0}
    simulation = made(chain, firmware={"columns": 12, "gap_us": 600})
    truth, rows, images, updates = received(simulation)
    for i, image, (_, _, bits) in zip(rows, images, updates, strict=True):
        assert [value(bits[k : k + 8]) for k in range(0, 96, 8)] == image.reshape(-1).tolist()
        assert_allclose(truth.visible_s[i] - truth.last_s[i], 500e-6, rtol=1e-9)
    gaps = np.diff(simulation.capture.channel("CLOCK").rising())
    assert np.sum((gaps > 2400) & (gaps < 2600)) >= 11 * len(rows)


def test_lpd6803_and_lpd8806_words():
    # LPD6803 sheet, page 9: a one, then 5 + 5 + 5 bits, after 32 zeros and before one clock for each point
    _, _, images, updates = received(made({"wiring": "clocked", "protocol": "LPD6803", "count": 6, "order": "RGB"}))
    for image, (_, _, bits) in zip(images, updates, strict=True):
        assert len(bits) == 32 + 6 * 16 + 8 and not any(bits[:32]) and not any(bits[-8:])
        for led in range(6):
            word = bits[32 + 16 * led : 48 + 16 * led]
            assert word[0] == 1
            assert [value(word[k : k + 5]) for k in (1, 6, 11)] == (image[led] >> 3).tolist()
    # LPD8806: seven bits behind a one, green, red, blue; a zero byte for every 32 LEDs ends it
    _, _, images, updates = received(made({"wiring": "clocked", "protocol": "LPD8806", "count": 33, "order": "GRB"}))
    for image, (_, _, bits) in zip(images, updates, strict=True):
        sent = [value(bits[k : k + 8]) for k in range(0, len(bits), 8)]
        assert sent == [0x80 | (v >> 1) for v in image[:, [1, 0, 2]].reshape(-1).tolist()] + [0, 0]


def test_clock_and_data_intervals_are_as_ordered():
    chain = {
        "wiring": "clocked",
        "count": 4,
        "clock_rate_hz": 1e6,
        "clock_high": 0.3,
        "data_lead_ns": 120,
        "jitter_ns": 4,
    }
    timing = made(chain).truth.chains[0].timing
    for name, expected in {
        "clock_high": 300e-9,
        "clock_low": 700e-9,
        "clock_period": 1e-6,
        "data_setup": 120e-9,
        "data_hold": 880e-9,
    }.items():
        assert_allclose(timing[name].mean_s, expected, rtol=0, atol=1e-9)
        assert timing[name].max_s - timing[name].min_s > 10e-9


def shift_register(simulation, outputs, *, names=("SER", "SRCLK", "RCLK")):
    """A chain of shift registers as the sheet of the 74HC595 has it: serial data enter at output 0 on the rising clock,
    move on at each clock, and show on the rising latch. Returns [(latch instant in ns, outputs)]."""
    data, clock, latch = (simulation.capture.channel(name) for name in names)
    rise = clock.rising()
    bits = data.initial ^ (np.searchsorted(data.edges, rise, side="right") & 1)
    shown = []
    for at in latch.rising():
        done = int(np.searchsorted(rise, at))
        if done >= outputs:
            shown.append((int(at), bits[done - outputs : done][::-1].tolist()))
    return shown


@pytest.mark.parametrize("count", [8, 12, 24])
def test_shift_registers_show_the_column_at_the_latch(count):
    # 74HC595 sheet (NXP Rev. 6): the first bit in ends up at the last output
    chain = {"wiring": "latched", "count": count, "clock_rate_hz": 2e6}
    simulation = made(chain)
    truth, rows, images = truth_of(simulation)
    shown = dict(shift_register(simulation, count))
    for i, image in zip(rows, images, strict=True):
        at = min(shown, key=lambda t: abs(t - truth.visible_s[i] * 1e9))
        assert abs(at - truth.visible_s[i] * 1e9) < 12
        assert shown[at] == (image.max(axis=-1) > 127).astype(int).tolist()
        assert truth.bits[i] == count
        assert_allclose(truth.visible_s[i] - truth.last_s[i], 500e-9, rtol=1e-6)


def test_twelve_bit_drivers_send_the_last_channel_first():
    # TLC5940, SLVS515C, page 17: 192 bits = 16 x 12, most significant bit first, channel 15 first
    chain = {
        "wiring": "latched",
        "count": 5,
        "order": "RGB",
        "depth": 12,
        "outputs_per_chip": 16,
        "clock_rate_hz": 5e6,
        "blank": "BLANK",
        "data": "SIN",
        "clock": "SCLK",
        "latch": "XLAT",
    }
    simulation = made(chain, recorder={"sample_rate_hz": 50e6})
    truth, rows, images, updates = received(simulation, data="SIN", clock="SCLK")
    for i, image, (_, _, bits) in zip(rows, images, updates, strict=True):
        assert len(bits) == 192
        channels = [value(bits[k : k + 12]) for k in range(0, 192, 12)][::-1]
        assert channels == [int(v) * 4095 // 255 for v in image.reshape(-1)] + [0]
        assert truth.bits[i] == 180
    blank, latch = simulation.capture.channel("BLANK"), simulation.capture.channel("XLAT")
    falling = blank.falling() * 1e-9
    for i in rows:
        assert np.min(np.abs(falling - truth.visible_s[i])) < 25e-9
    assert all(blank.level_at(int(at)) == 1 for at in latch.rising())


def test_a_truncated_latched_update_has_too_few_clocks():
    fault = {"kind": "data-truncated", "revolution": 1, "column": 4, "leds": 6}
    simulation = made({"wiring": "latched", "count": 8, "clock_rate_hz": 1e6}, faults=[fault])
    clocks = np.searchsorted(simulation.capture.channel("SRCLK").rising(), simulation.capture.channel("RCLK").rising())
    assert sorted(set(np.diff(clocks).tolist())) == [6, 8]
    truth = simulation.truth.chains[0]
    assert truth.bits[truth.altered].tolist() == [6]


def test_direct_lines_hold_the_column_until_the_next():
    names = [f"L{i}" for i in range(6)]
    simulation = made({"wiring": "direct", "count": 6, "lines": names, "skew_ns": 150})
    truth, rows, images = truth_of(simulation)
    for i, image in zip(rows[:-1], images[:-1], strict=True):
        middle = round((truth.visible_s[i] + 1e-3) * 1e9)
        levels = [simulation.capture.channel(name).level_at(middle) for name in names]
        assert levels == (image.max(axis=-1) > 127).astype(int).tolist()
    edges = np.concatenate([simulation.capture.channel(name).edges for name in names])
    late = edges[edges > truth.last_s[rows[0]] * 1e9 + 12]
    on = [image.max(axis=-1) > 127 for image in images]
    assert len(late) == sum(int(np.sum(before != after)) for before, after in pairwise(on))


def test_direct_pwm_has_the_duty_of_its_value():
    chain = {"wiring": "direct", "count": 2, "lines": ["A", "B"], "pwm_hz": 20_000}
    simulation = made(chain, recorder={"sample_rate_hz": 50e6})
    truth, rows, images = truth_of(simulation)
    for i, image in zip(rows[2:-2], images[2:-2], strict=True):
        begin, end = round(truth.start_s[i] * 1e9), round(truth.start_s[i] * 1e9) + 40 * 50_000
        for name, led in zip("AB", image, strict=True):
            channel = simulation.capture.channel(name)
            inside = channel.edges[(channel.edges > begin + 40) & (channel.edges < end)]
            stops = np.concatenate(([begin + 40], inside, [end]))
            on = np.diff(stops)[channel.level_at(begin + 40) ^ 1 :: 2].sum() / (end - begin)
            assert_allclose(on, int(led.max()) / 255, rtol=0, atol=2e-3)


def test_several_wirings_at_once_and_mistakes_in_them():
    chains = [
        {"name": "a", "count": 3},
        {"name": "b", "wiring": "clocked", "count": 3, "first_led": 3},
        {"name": "c", "wiring": "latched", "count": 8, "first_led": 6},
        {"name": "d", "wiring": "direct", "count": 1, "order": "RGB", "lines": ["R", "G", "B"], "first_led": 14},
    ]
    simulation = simulate(scenario_from_mapping({**BASE, "leds": chains}))
    assert [channel.name for channel in simulation.capture.channels] == [
        *["SENSOR", "DOUT", "DATA", "CLOCK", "SER", "SRCLK", "RCLK", "R", "G", "B"]
    ]
    assert [chain.wiring for chain in simulation.truth.chains] == ["one-wire", "clocked", "latched", "direct"]
    with pytest.raises(RigError) as caught:
        scenario_from_mapping(
            {
                "leds": [
                    {"wiring": "clocked", "protocol": "APA101", "order": "BGRW"},
                    {"wiring": "direct", "count": 2, "lines": ["A"]},
                    {"wiring": "two-wire"},
                ]
            }
        )
    keys = [problem.key for problem in caught.value.problems]
    assert keys == ["leds[0].protocol", "leds[0].order", "leds[1]", "leds[2].wiring"]
    with pytest.raises(RigError, match="data-truncated means nothing on direct lines"):
        scenario_from_mapping(
            {
                "leds": [{"wiring": "direct", "count": 1, "lines": ["A"]}],
                "faults": [{"kind": "data-truncated", "revolution": 1, "leds": 0}],
            }
        )
