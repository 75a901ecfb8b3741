"""Clips on one another's lines and levels upside down: the fix is proposed, and sound benches raise no doubt."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fuzz import damage
from spinlag.clips import wrong_clips
from spinlag.pipeline import analyse
from spinlag.rig import Rig
from spinlag.roles import guess_rig
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario

SEED = 99


@pytest.fixture(scope="module", params=range(8), ids=lambda k: f"{damage.WIRINGS[k % 4]}-{k}")
def bench(request):
    """A random bench, its wirings in turn."""
    return damage.bench(SEED, request.param)


def exchanged(capture, one, two):
    """The capture with the clips of two channels exchanged."""
    names = {one: two, two: one}
    lines = (
        replace(capture.channel(names.get(line.name, line.name)), name=line.name, path=line.path)
        for line in capture.channels
    )
    return replace(capture, channels=tuple(lines))


def upside_down(capture, name):
    """The capture with the levels of one channel exchanged."""
    lines = (replace(line, initial=1 - line.initial) if line.name == name else line for line in capture.channels)
    return replace(capture, channels=tuple(lines))


def said_of(capture, rig):
    """The sentences on clips alone."""
    return [one.said for one in wrong_clips(capture, rig, analyse(capture, rig).chains)]


def test_exchanged_clips_are_named_and_sound_ones_left_alone(bench):
    assert said_of(bench.capture, bench.rig) == []
    keys = {key: name for key, name in bench.rig.channels().items() if "lines" not in key and "markers" not in key}
    rng = np.random.default_rng(7)
    pairs = [(a, b) for a in keys for b in keys if a < b and not (a.startswith("motor") and b.startswith("motor"))]
    for a, b in [pairs[k] for k in rng.permutation(len(pairs))[:2]]:
        one, two = keys[a], keys[b]
        (said,) = [s for s in said_of(exchanged(bench.capture, one, two), bench.rig) if "swap them" in s]
        assert f'{a} = "{two}"' in said
        assert f'{b} = "{one}"' in said


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_a_misplaced_line_gave_is_no_evidence(seed):
    """Bits read from the index line, beside the proposal to swap, would be nonsense, and so would verdicts on them."""
    drawn = random_scenario(np.random.default_rng(seed), wiring="one-wire", faults=0, motor=bool(seed % 2))
    made = simulate(drawn)
    sensor, data = made.rig.index.channel, made.rig.leds[0].data
    rig = made.rig.model_copy(update={"leds": (made.rig.leds[0].model_copy(update={"part": "WS2812B 2013-05"}),)})
    assert analyse(made.capture, rig).chains[0].unread == ""
    found = analyse(exchanged(made.capture, sensor, data), rig)
    assert found.verdict == "undecided"
    chain = found.chains[0]
    assert len(chain) == 0
    assert chain.timing == {}
    judged = [verdict for verdict in found.verdicts if verdict.id.startswith("leds.")]
    assert len(judged) >= 5
    for verdict in judged:
        assert (verdict.verdict, verdict.value) == ("not-measured", None)
        assert verdict.note == (
            f"the line {data} does not look like LED data on one wire; see the proposal among the warnings"
        )
    assert any("the other way round than in the rig: swap them" in said for said in found.warnings)
    assert not [one for one in found.incidents.incidents if one.kind.startswith("data-")]


def test_a_line_of_leds_is_read_even_if_another_looks_like_one_too():
    """A second chain that the rig leaves out is no reason to doubt the first."""
    made = simulate(random_scenario(np.random.default_rng(8), wiring="one-wire", faults=0))
    data = made.capture.channel(made.rig.leds[0].data)
    spare = replace(data, name="SPARE", path="bench.SPARE", edges=data.edges[:] + 5_000)
    both = replace(made.capture, channels=(*made.capture.channels, spare), end=made.capture.end + 5_000)
    found = analyse(both, made.rig)
    assert found.chains[0].unread == ""
    assert len(found.chains[0]) == len(analyse(made.capture, made.rig).chains[0])


TABLES = {
    "duration_s": 0.9,
    "seed": 5,
    "index": {"channel": "SENSOR", "width_deg": 4.0, "noise_us": 0.5},
    "shaft": {"speed_rev_per_s": 30.2, "random_walk": 0.0004},
    "motor": {"phases": ["U", "V", "W"], "pole_pairs": 4},
    "leds": [{"name": "arm", "part": "APA102", "wiring": "clocked", "data": "DATA", "clock": "CLK", "count": 4}],
    "firmware": {"columns": 12, "response_jitter_us": 2},
}


@pytest.fixture(scope="module")
def clocked():
    """A bench with a clocked chain and three motor lines."""
    return simulate(scenario_from_mapping(TABLES))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            "CLK",
            'at its falling edges, and the data change at its rising ones: it is inverted, or clock_edge = "falling"',
        ),
        ("DATA", "DATA (leds[0].data) reads as APA102 words when its levels are exchanged"),
        ("U", "U (motor.phases[0]) fits the other two with its levels exchanged"),
        ("V", "V (motor.phases[1]) fits the other two with its levels exchanged"),
        ("W", "W (motor.phases[2]) fits the other two with its levels exchanged"),
    ],
)
def test_levels_upside_down(clocked, line, said):
    assert said_of(clocked.capture, clocked.rig) == []
    (found,) = said_of(upside_down(clocked.capture, line), clocked.rig)
    assert said in found


def test_an_index_behind_an_inverter(clocked):
    """Its pulses are of uneven width, so that the updates can only follow one of its edges."""
    sensor = clocked.capture.channel("SENSOR")
    edges = sensor.edges[:].copy()
    edges[1::2] += np.random.default_rng(1).integers(0, 400_000, len(edges[1::2]))
    lines = tuple(replace(line, edges=edges) if line is sensor else line for line in clocked.capture.channels)
    uneven = replace(clocked.capture, channels=lines)
    assert said_of(uneven, clocked.rig) == []
    (found,) = said_of(upside_down(uneven, "SENSOR"), clocked.rig)
    assert "follow the falling edge of SENSOR" in found
    assert '[index] edge = "falling" would fit' in found


def turning(**index):
    """A bench of one-wire LEDs that answers `edge` of the index pulse within 60 us."""
    tables = {
        "duration_s": 0.9,
        "seed": 6,
        "index": {"channel": "SENSOR", "width_deg": 4.0, "noise_us": 0.5, **index},
        "shaft": {"speed_rev_per_s": 30.2, "random_walk": 0.0004},
        "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 4}],
        "firmware": {"columns": 12, "response_us": 60, "response_jitter_us": 2},
    }
    return simulate(scenario_from_mapping(tables))


def flipped_rig(rig):
    other = {"rising": "falling", "falling": "rising"}[rig.index.edge]
    return rig.model_copy(update={"index": rig.index.model_copy(update={"edge": other})})


@pytest.mark.parametrize("inverted", [False, True], ids=["active-high", "active-low"])
def test_an_index_of_even_pulses_behind_an_inverter(inverted):
    """The pulses are as even as the answers, but the columns begin anew before the edge that the rig names."""
    made = turning(edge="falling" if inverted else "rising", inverted=inverted)
    assert said_of(made.capture, made.rig) == []
    (found,) = said_of(upside_down(made.capture, "SENSOR"), made.rig)
    fits = "rising" if inverted else "falling"
    assert f'is the line inverted? [index] edge = "{fits}" would fit, and make the latency about ' in found
    # the very latency that the rig so mended measures
    right = analyse(upside_down(made.capture, "SENSOR"), flipped_rig(made.rig)).latencies[0].latency.median
    told = re.search(r"latency about (\d+) µs", found).group(1)
    assert int(told) == pytest.approx(right * 1e6, abs=1.0)
    wrong = analyse(upside_down(made.capture, "SENSOR"), made.rig).latencies[0].latency.median
    assert abs(wrong - right) > 100e-6
    # and it stands among the warnings, that is on the first page
    assert found in analyse(upside_down(made.capture, "SENSOR"), made.rig).warnings


@pytest.mark.parametrize("edge", ["rising", "falling"])
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("width_deg", [1.5, 4.0, 8.0])
def test_either_edge_of_either_level_may_be_the_right_one(edge, inverted, width_deg):
    """Sensors pull low as often as high, and firmware may act on the end of a pulse. Common practice, no source."""
    made = turning(edge=edge, inverted=inverted, width_deg=width_deg)
    assert said_of(made.capture, made.rig) == []


def test_a_line_that_is_high_half_the_time_tells_nothing():
    made = turning(edge="rising", width_deg=176.0)
    assert said_of(made.capture, made.rig) == []
    assert said_of(upside_down(made.capture, "SENSOR"), made.rig) == []


def test_a_guessed_index_that_rests_high_is_said_to():
    made = turning(edge="rising")
    assert not any("rests high" in said for said in guess_rig(made.capture).guessed)
    turned = guess_rig(upside_down(made.capture, "SENSOR"))
    assert turned.index.edge == "falling"
    assert any("'SENSOR' rests high, for 98.9% of the time" in said for said in turned.guessed)


def test_an_unnamed_line_that_should_be_the_one(clocked):
    tables = clocked.rig.model_dump()
    tables["leds"][0]["data"], tables["motor"] = "U", None
    (found,) = said_of(clocked.capture, Rig.model_validate(tables))
    assert found.startswith("U (leds[0].data) does not look like the data of a clocked LED chain, but DATA does")
