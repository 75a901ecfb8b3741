"""Rigs: every problem at once, each with its key."""

from dataclasses import replace

import pytest

from build import capture, channel
from spinlag.errors import RigError
from spinlag.pipeline import check_channels
from spinlag.rig import Rig, read_rig, rig_from_mapping

GOOD = """
[capture]
sample_rate_hz = 24_000_000
[index]
channel = "SENSOR"
[motor]
phases = ["PH_U", "PH_V", "PH_W"]
pole_pairs = 4
[[leds]]
name = "arm"
part = "WS2812B 2013-05"
data = "DOUT"
count = 16
order = "grb"
[display]
columns = 48
[markers]
radio = "RADIO"
[limits."latency.latency"]
max_us = 450
negligible_us = 5
[limits."leds.arm.t0h"]
min_ns = 250
max_ns = 550
source = "our own bench rule"
"""


def test_a_whole_rig(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(GOOD)
    rig = read_rig(path)
    assert rig.leds[0].order == "GRB"
    assert rig.capture.clock_ppm == 50
    assert rig.limits["latency.latency"].high == pytest.approx(450e-6, rel=1e-12)
    assert rig.limits["latency.latency"].negligible == pytest.approx(5e-6, rel=1e-12)
    assert rig.limits["leds.arm.t0h"].source == "our own bench rule"
    assert set(rig.channels().values()) == {"SENSOR", "PH_U", "PH_V", "PH_W", "DOUT", "RADIO"}


def test_three_mistakes_are_three_problems():
    with pytest.raises(RigError) as caught:
        rig_from_mapping(
            {
                "index": {"channel": "A", "edge": "upward"},
                "leds": [{"data": "B", "colour": "red"}],
                "limits": {"latency.lag": {"max_us": 1}},
            },
            file="bench.toml",
        )
    keys = [problem.key for problem in caught.value.problems]
    assert keys == ["index.edge", "leds[0].colour", 'limits."latency.lag"']
    assert all(key in str(caught.value) for key in keys)
    assert str(caught.value).startswith("bench.toml: ")


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"limits": {"latency.latency": {"max_deg": 1}}}, 'limits."latency.latency".max_deg'),
        ({"limits": {"latency.latency": {"max_us": float("nan")}}}, 'limits."latency.latency".max_us'),
        ({"limits": {"latency.latency": {"max_us": 1, "max_ns": 1}}}, 'limits."latency.latency".max_ns'),
        ({"limits": {"latency.latency": {"min_us": 2, "max_us": 1}}}, 'limits."latency.latency"'),
        ({"limits": {"leds.arm.t0h": {"max_ns": 1}}}, 'limits."leds.arm.t0h"'),
        ({"limits": 3}, "limits"),
        ({"leds": [{"data": "A"}, {"data": "B"}]}, "leds[1].name"),
        ({"index": {"channel": "A", "missing_tooth": True}}, "index"),
        ({"capture": {"sample_rate_hz": 0}}, "capture.sample_rate_hz"),
        ({"engine": {}}, "engine"),
    ],
)
def test_each_mistake_names_its_key(table, key):
    with pytest.raises(RigError) as caught:
        rig_from_mapping(table)
    assert [problem.key for problem in caught.value.problems] == [key]


CHAIN = {"name": "a", "wiring": "clocked", "data": "D", "clock": "C"}


@pytest.mark.parametrize(
    ("table", "key", "earlier"),
    [
        ({"index": {"channel": "U"}, "motor": {"phases": ["U", "V"]}}, "motor.phases[0]", "index.channel"),
        ({"motor": {"phases": ["U", "V", "V"]}}, "motor.phases[2]", "motor.phases[1]"),
        ({"leds": [{"name": "a", "data": "D"}, {"name": "b", "data": "D"}]}, "leds[1].data", "leds[0].data"),
        ({"leds": [{**CHAIN, "clock": "D"}]}, "leds[0].clock", "leds[0].data"),
        ({"leds": [CHAIN, {**CHAIN, "name": "b", "data": "C", "clock": "E"}]}, "leds[1].data", "leds[0].clock"),
        ({"index": {"channel": "C"}, "leds": [CHAIN]}, "leds[0].clock", "index.channel"),
    ],
)
def test_a_line_named_under_two_keys(table, key, earlier):
    with pytest.raises(RigError) as caught:
        rig_from_mapping(table)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert f" is {earlier} already" in problem.reason


def test_lines_that_may_be_shared():
    """Chains on one clock, and markers, which are only looked at."""
    chains = [CHAIN, {**CHAIN, "name": "b", "data": "E"}]
    rig = rig_from_mapping({"index": {"channel": "S"}, "leds": chains, "markers": {"s": "S", "t": "S", "d": "D"}})
    assert [chain.clock for chain in rig.leds] == ["C", "C"]


def test_a_line_named_twice_in_two_ways():
    """By its name and by its path, which only the capture can tell."""
    built = capture([replace(channel("S", [10, 20]), path="top.S"), channel("D", [15, 25])])
    check_channels(built, rig_from_mapping({"index": {"channel": "S"}, "leds": [{"data": "D"}]}))
    with pytest.raises(RigError, match=r"motor\.phases\[0\].*'top\.S' is index\.channel already"):
        check_channels(built, rig_from_mapping({"index": {"channel": "S"}, "motor": {"phases": ["top.S"]}}))


@pytest.mark.parametrize(("content", "word"), [(b"a = ", "TOML"), (b"\xff\xfe", "UTF-8"), (None, "No such file")])
def test_unreadable_files(tmp_path, content, word):
    path = tmp_path / "rig.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RigError, match=word):
        read_rig(path)


def test_an_empty_rig_asks_for_nothing():
    assert rig_from_mapping({}) == Rig()
