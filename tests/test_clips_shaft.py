"""Index and motor lines on wrong clips, tied lines, strangers: all said, and nothing that rests on them is judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from spinlag.pipeline import analyse
from spinlag.report.sections import left_out
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.random import random_scenario
from test_clips import exchanged, turning, upside_down

LIMITS = {
    "rotation.speed": {"min_rev_per_s": 1},
    "latency.latency": {"max_us": 5000},
    "placement.residue": {"max_deg": 90},
}
MOTOR_LIMITS = {"motor.sequence_faults": {"max_count": 10_000}}
CHAINS = {
    "one-wire": {"part": "WS2812B 2013-05", "data": "DOUT"},
    "clocked": {"part": "APA102", "wiring": "clocked", "data": "DATA", "clock": "CLK"},
}


def bench(wiring="one-wire", motor=True):
    """A display whose every limit passes, with a marker of irregular pulses and one that is even."""
    tables = {
        "duration_s": 1.2,
        "seed": 11,
        "index": {"channel": "SENSOR", "width_deg": 4.0, "noise_us": 0.5},
        "shaft": {"speed_rev_per_s": 30.2, "random_walk": 0.0004},
        "leds": [{"name": "arm", "count": 4, **CHAINS[wiring]}],
        "firmware": {"columns": 12, "response_us": 60, "response_jitter_us": 2},
    }
    if motor:
        tables["motor"] = {"phases": ["U", "V", "W"], "pole_pairs": 4}
    made = simulate(scenario_from_mapping(tables))
    capture, rng = made.capture, np.random.default_rng(3)
    at = np.sort(rng.integers(capture.start, capture.end, 60))
    even = np.arange(capture.start, capture.end, (capture.end - capture.start) // 50)
    index = capture.channel("SENSOR")
    radio = replace(index, name="RADIO", path="bench.RADIO", edges=np.unique(at))
    lamp = replace(index, name="LAMP", path="bench.LAMP", edges=np.sort(np.concatenate([even, even + 2_000])))
    limits = rig_from_mapping({"limits": {**LIMITS, **(MOTOR_LIMITS if motor else {})}}).limits
    rig = made.rig.model_copy(update={"markers": {"radio": "RADIO", "lamp": "LAMP"}, "limits": limits})
    return replace(capture, channels=(*capture.channels, radio, lamp)), rig


@pytest.fixture(scope="module", params=["one-wire", "clocked"])
def sound(request):
    return bench(request.param)


def outcomes(found, *families):
    """Verdicts of these families that pass or fail, and how many there are in all."""
    judged = [verdict for verdict in found.verdicts if verdict.id.startswith(families)]
    return sorted(verdict.id for verdict in judged if verdict.verdict in ("pass", "fail")), len(judged)


def test_the_sound_bench_passes_without_a_word(sound):
    found = analyse(*sound)
    assert found.warnings == ()
    assert found.unsound == ()
    assert outcomes(found, "rotation.", "latency.", "placement.", "motor.") == (
        ["latency.latency", "motor.sequence_faults", "placement.residue", "rotation.speed"],
        4,
    )


@pytest.mark.parametrize("marker", ["RADIO", "LAMP"])
def test_index_and_a_marker_exchanged(sound, marker):
    capture, rig = sound
    found = analyse(exchanged(capture, "SENSOR", marker), rig)
    (said,) = found.warnings
    assert said == (
        "SENSOR (index.channel) does not turn with the bench: the motor lines and the LED updates keep no phase to it, "
        f'but {marker} does: swap them (index.channel = "{marker}", markers.{marker.lower()} = "SENSOR")'
    )
    assert outcomes(found, "rotation.", "latency.", "placement.") == ([], 3)
    reasons = {verdict.note for verdict in found.verdicts if verdict.id.startswith("latency.")}
    assert reasons == {"the line SENSOR does not look like the index pulse; see the proposal among the warnings"}
    # the motor's own lines are where they belong
    assert outcomes(found, "motor.")[0] == ["motor.sequence_faults"]


def test_without_motor_lines_the_updates_alone_tell_what_turns():
    """Free-running firmware would look the same, so the figures are shown, but none of them is judged."""
    capture, rig = bench(motor=False)
    assert analyse(capture, rig).warnings == ()
    found = analyse(exchanged(capture, "SENSOR", "RADIO"), rig)
    assert 'swap them (index.channel = "RADIO", markers.radio = "SENSOR")' in found.warnings[0]
    assert outcomes(found, "rotation.", "latency.", "placement.") == ([], 3)


@pytest.mark.parametrize(("line", "marker"), [("U", "RADIO"), ("V", "LAMP")])
def test_a_motor_line_and_a_marker_exchanged(sound, line, marker):
    capture, rig = sound
    found = analyse(exchanged(capture, line, marker), rig)
    (said,) = found.warnings
    assert said.startswith(f"{line} (motor.phases[{'UVW'.index(line)}]) does not keep its phase to ")
    assert f"but {marker} does: swap them (motor.phases[{'UVW'.index(line)}] = " in said
    assert outcomes(found, "motor.") == ([], 1)
    assert outcomes(found, "rotation.", "latency.", "placement.")[0] == [
        "latency.latency",
        "placement.residue",
        "rotation.speed",
    ]


def test_index_and_a_motor_line_exchanged_judge_neither(sound):
    capture, rig = sound
    found = analyse(exchanged(capture, "SENSOR", "V"), rig)
    assert left_out(found)[0] == (
        "Rotation, latency and placement were not measured: the line SENSOR does not look like the index pulse; see "
        "the proposal among the warnings."
    )
    assert (
        "Of the motor lines one was left out: the line V does not look like a motor line; see the proposal among the "
        "warnings."
    ) in left_out(found)
    assert "SENSOR looks like a motor line and V like the index pulse" in found.warnings[0]
    assert outcomes(found, "rotation.", "latency.", "placement.", "motor.") == ([], 4)


@pytest.mark.parametrize(("line", "stranger"), [("SENSOR", "RADIO"), ("SENSOR", "LAMP"), ("W", "RADIO"), ("W", "LAMP")])
def test_a_stranger_that_no_other_line_replaces(sound, line, stranger):
    """The clip sits on something that the bench has and the capture has no right line for."""
    capture, rig = sound
    source = capture.channel(stranger)
    lines = (
        replace(source, name=one.name, path=one.path) if one.name == line else one
        for one in capture.channels
        if one.name != stranger
    )
    markers = {key: name for key, name in rig.markers.items() if name != stranger}
    found = analyse(replace(capture, channels=tuple(lines)), rig.model_copy(update={"markers": markers}))
    (said,) = [one for one in found.warnings if one.startswith(line)]
    assert said.endswith("look at its clip, and whether the rig names the right line")
    spoilt = ("motor.",) if line == "W" else ("rotation.", "latency.", "placement.")
    assert outcomes(found, *spoilt)[0] == []


@pytest.mark.parametrize("stranger", ["RADIO", "LAMP"])
def test_a_one_wire_line_that_is_far_too_slow(stranger):
    capture, rig = bench()
    source = capture.channel(stranger)
    lines = [one for one in capture.channels if one.name not in ("DOUT", stranger)]
    wrong = replace(capture, channels=(*lines, replace(source, name="DOUT", path="bench.DOUT")))
    markers = {key: name for key, name in rig.markers.items() if name != stranger}
    found = analyse(wrong, rig.model_copy(update={"markers": markers}))
    (said,) = [one for one in found.warnings if one.startswith("DOUT (leds[0].data)")]
    assert "does not look like LED data on one wire: its pulses come " in said
    assert outcomes(found, "leds.", "latency.", "placement.")[0] == []


@pytest.mark.parametrize(
    ("one", "other", "like", "clips"),
    [
        ("SENSOR", "U", "it looks like a motor line; ", "the clip of SENSOR"),
        ("U", "SENSOR", "it looks like the index pulse; ", "the clip of U"),
        ("U", "V", "", "the clips of U and V"),
        ("RADIO", "SENSOR", "it looks like the index pulse; ", "the clip of RADIO"),
        ("SENSOR", "RADIO", "", "the clips of SENSOR and RADIO"),
        ("LAMP", "RADIO", "", "the clips of RADIO and LAMP"),
    ],
)
def test_tied_lines(sound, one, other, like, clips):
    """`one` is lost, and carries what `other` does."""
    capture, rig = sound
    source = capture.channel(other)
    lines = (replace(source, name=line.name, path=line.path) if line.name == one else line for line in capture.channels)
    found = analyse(replace(capture, channels=tuple(lines)), rig)
    (said,) = [told for told in found.warnings if "the same edges" in told]
    assert said.endswith(f" carry the same edges all the time: {like}look at {clips}, or for a short")
    if one == "SENSOR":
        assert outcomes(found, "rotation.", "latency.", "placement.")[0] == []
    if one in "UVW":
        assert outcomes(found, "motor.")[0] == []


def test_two_chains_that_show_the_same_are_not_tied():
    """Mirrored arms get the same data; that is no fault of clips."""
    made = simulate(random_scenario(np.random.default_rng(8), wiring="one-wire", faults=0))
    data = made.capture.channel(made.rig.leds[0].data)
    both = replace(made.capture, channels=(*made.capture.channels, replace(data, name="D2", path="bench.D2")))
    second = made.rig.leds[0].model_copy(update={"name": "second", "data": "D2"})
    found = analyse(both, made.rig.model_copy(update={"leds": (*made.rig.leds, second)}))
    assert not [said for said in found.warnings if "the same edges" in said]
    assert len(found.chains[1]) == len(found.chains[0])


def test_an_index_upside_down_judges_no_latency():
    """The latency from the wrong edge is shown, but neither passes nor fails; the speed is right either way."""
    made = turning(edge="rising")
    rig = made.rig.model_copy(update={"limits": rig_from_mapping({"limits": LIMITS}).limits})
    assert outcomes(analyse(made.capture, rig), "rotation.", "latency.", "placement.")[0] == sorted(LIMITS)
    found = analyse(upside_down(made.capture, "SENSOR"), rig)
    assert outcomes(found, "rotation.", "latency.", "placement.") == (["rotation.speed"], 3)
    (latency,) = [verdict for verdict in found.verdicts if verdict.id == "latency.latency"]
    assert latency.verdict == "undecided"
    assert latency.value is not None
    assert latency.note == (
        "the LED columns begin after the other edge of SENSOR than the rig names; see the proposal among the warnings"
    )


@pytest.mark.parametrize("seed", range(10))
def test_sound_benches_of_every_wiring_raise_no_doubt(seed):
    """Two hundred more were tried; see DEVELOPERS.md."""
    rng = np.random.default_rng([77, seed])
    wiring = ("one-wire", "clocked", "latched", "direct", "any")[seed % 5]
    made = simulate(random_scenario(rng, wiring=wiring, markers="innocent", motor=bool(seed % 2)))
    assert analyse(made.capture, made.rig).unsound == ()
