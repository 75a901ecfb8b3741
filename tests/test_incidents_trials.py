"""Randomised captures: planted faults come out as origins of their kind, clean captures empty, results ready to use.

The study of the same name in tests/studies runs thousands; here are a few dozen, with its own scoring.
"""

from __future__ import annotations

import numpy as np
import pytest

from spinlag.incidents.closeup import Bench, close_up, close_ups
from spinlag.incidents.find import find_incidents, kinds_looked_for
from spinlag.incidents.model import Incident
from spinlag.leds import decode_chains
from spinlag.observations import KINDS
from spinlag.picture import usual_image
from spinlag.pipeline import analyse
from spinlag.synth import scenario_from_mapping, simulate
from studies.incident_study import Score, faults_trial, report_of, report_of_findings

KINDS_WITHOUT_MOTOR = [kind for kind in KINDS if not kind.startswith("motor-")]


@pytest.mark.parametrize("kind", [kind for kind in KINDS_WITHOUT_MOTOR if kind != "capture-gap"])
def test_planted_faults_are_found_as_origins_of_their_kind(kind):
    score = Score()
    for seed in range(4):
        faults_trial(1000 + seed, score, faults=[kind, kind], motor=False)
    assert score.planted[kind] == 8
    assert not score.missed.total()
    assert not score.false.total()


def test_gaps_of_the_recording_are_found_where_anything_else_should_have_moved():
    """A gap that only a quiet LED line witnesses looks just like that line's silence; motor lines tell them apart."""
    score = Score()
    for seed in range(6):
        faults_trial(2000 + seed, score, faults=["capture-gap", "capture-gap"], motor=True)
    assert score.planted["capture-gap"] == 12
    assert score.missed["capture-gap"] == 0


@pytest.mark.parametrize(("wiring", "motor"), [("clocked", False), ("latched", True), ("direct", True)])
def test_faults_of_other_wirings_are_found(wiring, motor):
    """At least 99 of 100 in the long run (tests/studies); one of these 30 may be lost to a coarse sample."""
    score = Score()
    for seed in range(10):
        faults_trial(700 + seed, score, faults=3, motor=motor, wiring=wiring)
    assert score.planted.total() == 30
    assert score.missed.total() + score.false.total() <= 1


def test_an_update_without_a_sound_end_shows_late_and_is_one_event():
    """SK9822: all LEDs show when 32 zeros have followed the data, else with the start of the next update."""
    scenario = {
        "duration_s": 0.8,
        "index": {},
        "shaft": {"speed_rev_per_s": 30.0},
        "leds": [{"wiring": "clocked", "protocol": "SK9822", "count": 8, "clock_rate_hz": 1e6}],
        "firmware": {"columns": 24, "response_jitter_us": 1.0},
        "faults": [{"kind": "data-truncated", "revolution": 12, "column": 9, "leds": 3, "bit": 4}],
    }
    report, _ = report_of(simulate(scenario_from_mapping(scenario)))
    assert [item.kind for item in report.origins] == ["data-truncated"]
    assert [item.kind for item in report.incidents if item.origin] == ["update-late"]
    assert "its LEDs wait for the end of an update" in report.events[0].sentence.replace("Its", "its")


@pytest.mark.parametrize("kind", ["index-shifted", "speed-step"])
def test_three_faults_of_turns_in_thirty_are_still_told(kind):
    """So many that the capture's own spread is theirs; changes from turn to turn still stand out."""
    score = Score()
    for seed in range(6):
        faults_trial(2200 + seed, score, faults=[kind] * 3, motor=False)
    assert score.planted[kind] == 18
    assert not score.missed.total()
    assert not score.false.total()


def test_a_silence_is_told_where_other_faults_widened_what_the_line_is_used_to():
    """After doubled pulses the line often rests for long; the LED stage alone then misses a short silence."""
    score = Score()
    told = 0
    for seed in range(6):
        report = faults_trial(2100 + seed, score, faults=["index-doubled", "index-doubled", "data-silent"], motor=False)
        told += any("turns around" in item.detail for item in report.origins if item.kind == "data-silent")
    assert score.missed["data-silent"] == 0
    assert told


def test_clean_captures_are_empty():
    score = Score()
    for seed in range(12):
        report = faults_trial(3000 + seed, score, faults=0, motor=False)
        assert report.incidents == ()
        assert report.suspects == ()
        assert (report.rates["incidents"] == 0).all()
    assert score.origins == 0


@pytest.fixture(scope="module")
def squeezed():
    """Findings, report and picture of a display whose index doubles in revolution 9 and whose update 14/5 is cut."""
    scenario = scenario_from_mapping(
        {
            "duration_s": 0.8,
            "index": {},
            "shaft": {"speed_rev_per_s": 30.0},
            "leds": [{"count": 8}],
            "firmware": {"columns": 36},
            "markers": [{"name": "radio", "channel": "RADIO", "rate_per_s": 5.0, "width_us": 300.0}],
            "faults": [
                {"kind": "index-doubled", "revolution": 9, "after_us": 9000.0},
                {"kind": "data-truncated", "revolution": 14, "column": 5, "leds": 3},
            ],
        }
    )
    made = simulate(scenario)
    findings = analyse(made.capture, made.rig)
    report, seen = report_of_findings(findings)
    return findings, report, seen, made


def test_a_squeezed_turn_is_one_event(squeezed):
    _, report, _, _ = squeezed
    assert [event.origin.kind for event in report.events] == ["index-doubled", "data-truncated"]
    worst = report.events[0]
    assert (worst.first_revolution, worst.origin.revolution) == (9, 9)
    assert worst.effects
    assert worst.weight > report.events[1].weight > 0
    assert report.event_of(worst.effects[0].id) is worst
    assert "9 ms" in worst.sentence
    assert "began its columns again: 36 of 36 came 3.1 times too fast" in worst.sentence
    assert "in the next turn the columns came" in worst.sentence
    assert "picture was not the usual one for 2 turns" in worst.sentence


def _display(**more):
    return simulate(
        scenario_from_mapping(
            {
                "duration_s": 0.8,
                "index": {},
                "shaft": {"speed_rev_per_s": 30.0},
                "leds": [{"count": 4}],
                "firmware": {"columns": 24},
                **more,
            }
        )
    )


def test_columns_that_firmware_never_sends_are_not_missing():
    """The rig counts 30 columns; the firmware draws 24 and leaves the rest of the turn dark, every turn."""
    made = _display(faults=[{"kind": "update-missing", "revolution": 9, "column": 7}])
    rig = made.rig.model_copy(update={"display": made.rig.display.model_copy(update={"columns": 30})})
    assert 24 < 30 == rig.display.columns
    report = analyse(made.capture, rig).incidents
    assert {item.revolution for item in report.origins} <= {9}


def test_lines_of_their_own_send_only_what_changes():
    """A LED on a pin that keeps its level from one column to the next gives no update, and none is missed."""
    lines = [f"P{i}" for i in range(5)]
    made = _display(
        leds=[{"wiring": "direct", "count": 5, "order": "W", "lines": lines}],
        picture={"kind": "noise"},
        faults=[{"kind": "data-silent", "revolution": 12, "column": 3, "duration_ms": 40.0}],
    )
    report, _ = report_of(made)
    assert [(item.kind, item.revolution) for item in report.origins] == [("data-silent", 12)]


def test_what_a_fault_leaves_for_most_of_the_capture_is_not_the_rule():
    """A mean of sixteen turns carries a missed pulse along for sixteen turns: they depart, not the few before them."""
    made = _display(
        duration_s=1.0,
        firmware={"columns": 24, "predictor": "mean", "mean_of": 16},
        faults=[{"kind": "index-missed", "revolution": 6}],
    )
    report, _ = report_of(made)
    assert [(item.kind, item.revolution) for item in report.origins] == [("index-missed", 6)]
    assert {item.revolution for item in report.incidents if item.kind == "column-rate"} == set(range(7, 23))


def test_firmware_with_a_fixed_period_departs_after_the_step_not_before_it():
    made = _display(
        firmware={"columns": 24, "predictor": "fixed", "fixed_period_us": 1e6 / 30},
        faults=[{"kind": "speed-step", "revolution": 5, "percent": -6.0}],
    )
    report, _ = report_of(made)
    assert [item.kind for item in report.origins] == ["speed-step"]
    assert min(item.revolution for item in report.incidents if item.kind == "column-rate") >= 5


def test_firmware_that_ignores_a_pulse_is_said_to():
    made = _display(
        firmware={"columns": 24, "holdoff": 0.7},
        faults=[{"kind": "index-doubled", "revolution": 9, "after_us": 9000.0}],
    )
    report, _ = report_of(made)
    (event,) = report.events
    assert event.origin.kind == "index-doubled"
    assert "The firmware did not answer it. The picture did not change enough to be seen." in event.sentence


def test_a_silence_that_might_be_the_recorders_says_so():
    short = _display(faults=[{"kind": "data-silent", "revolution": 9, "column": 5, "duration_ms": 10.0}])
    (event,) = report_of(short)[0].events
    assert event.origin.kind == "data-silent"
    assert "may as well be a gap of the recording" in event.sentence
    long = _display(faults=[{"kind": "data-silent", "revolution": 9, "column": 5, "duration_ms": 60.0}])
    (event,) = report_of(long)[0].events
    assert "gap" not in event.sentence, "the index went on"


def test_firmware_without_an_index_is_said_to_draw_nothing():
    report, _ = report_of(_display(faults=[{"kind": "index-missed", "revolution": 9}]))
    (event,) = report.events
    assert "Without it the firmware drew nothing" in event.sentence
    assert "in the next turn the columns came 2 times too slow" in event.sentence


def test_two_chains_are_held_up_by_one_stall():
    """Both lines are late at once: one event, not two."""
    made = _display(
        leds=[
            {"name": "inner", "data": "DIN", "count": 4},
            {"name": "outer", "data": "DOUT", "count": 3, "first_led": 4},
        ],
        faults=[{"kind": "update-late", "revolution": 9, "column": 7, "delay_us": 400.0}],
    )
    report, seen = report_of(made)
    assert {item.chain for item in report.incidents} == {"inner", "outer"}
    assert [item.kind for item in report.origins] == ["update-late"]
    assert seen.screen.rows == 7
    assert (usual_image(seen.screen, range(8)).reshape(24, -1, 7, 3) == made.truth.image[:, None]).all()


def test_the_picture_of_an_event_is_the_turn_that_changed_most(squeezed):
    _, report, seen, made = squeezed
    view = seen.view(report.events[0])
    assert view.revolution in (9, 10)
    assert view.changed_area > 0.5
    assert view.lasting_turns == 2
    cut = seen.view(report.events[1])
    assert cut.revolution == 14
    # five of eight LEDs of one column of 36 kept the colours of the column before
    per_column = seen.screen.bins // 36
    wrong = np.abs(cut.difference).max(axis=2).reshape(36, per_column, 8).max(axis=(1, 2))
    assert np.flatnonzero(wrong > 0).tolist() == [4, 5], "a short update shows early, over the end of column 4"
    image = made.truth.image
    assert (cut.seen.reshape(36, per_column, 8, 3)[5, :, 3:] == image[4, 3:]).all()


def test_close_ups_show_the_fault_its_lines_and_the_expected_instants(squeezed):
    findings, report, _, _ = squeezed
    bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
    pictures = close_ups(bench, report.events[0])
    origin = pictures[0]
    assert origin.t0 < origin.incident.tick < origin.t1
    assert {"SENSOR", "DOUT", "RADIO"} <= set(origin.channels)
    assert "second pulse" in [label for _, label in origin.marks]
    assert any(label == "index, as expected" for _, label in origin.marks)
    lengths = {span.label.rsplit(" ", 2)[0]: span.to_tick - span.from_tick for span in origin.spans}
    assert lengths["pulse to pulse"] * float(findings.capture.tick) == pytest.approx(9e-3, rel=0.01)


def test_an_effect_elsewhere_gets_a_close_up_of_its_own():
    """The shifted pulse is shown from close by; the next turn's wrong rate lies outside that window."""
    made = _display(faults=[{"kind": "index-shifted", "revolution": 9, "shift_us": -2000.0}])
    findings = analyse(made.capture, made.rig)
    (event,) = findings.incidents.events
    bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
    origin, effect = close_ups(bench, event)
    assert not origin.t0 <= effect.incident.tick < origin.t1
    assert effect.incident in event.effects
    assert [span.label for span in origin.spans] == ["2 ms early"]


def _close_up_of(kind, fault, **more):
    """The close-up of the one incident of a kind in a display with one fault, its capture's seconds from the incident,
    and the truth."""
    made = _display(faults=[{"kind": kind, "revolution": 9, **fault}], **more)
    findings = analyse(made.capture, made.rig)
    bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
    (origin,) = findings.incidents.origins
    assert origin.kind == kind
    found = close_up(bench, origin, findings.incidents.event_of(origin.id))
    return found, lambda tick: (tick - found.zero) * float(findings.capture.tick)


def test_edges_that_a_dead_motor_line_owes_are_drawn():
    """Four pole pairs at 30 rev/s: an edge of each line every 4.17 ms (360 / 8 degrees); 30 ms swallow seven, and the
    eighth, to which the line comes back at the level that it left."""
    dead = {"phase": "PH_V", "at_deg": 100.0, "duration_ms": 30.0}
    found, seconds = _close_up_of("motor-dropout", dead, motor={"pole_pairs": 4})
    (still,) = found.spans
    edge_s = 1 / 30 / 8
    owed = round(seconds(still.to_tick) / edge_s - seconds(still.from_tick) / edge_s) - 1
    assert owed == 8
    assert "without an edge, usually 4.167 ms" in still.label
    due = [tick for tick, label in found.marks if "due" in label]
    assert len(due) == 6
    assert found.marks[5][1] == "due, and 2 more"
    assert [seconds(tick - still.from_tick + found.zero) / edge_s for tick in due] == pytest.approx(
        range(1, 7), rel=0.01, abs=0
    )
    assert found.t0 < still.from_tick < still.to_tick < found.t1


@pytest.mark.parametrize("how", ["extra", "lost"])
def test_a_motor_line_out_of_sequence_is_shown_among_its_own_edges(how):
    found, _ = _close_up_of("motor-sequence", {"phase": "PH_U", "at_deg": 120.0, "how": how}, motor={"pole_pairs": 4})
    assert found.channels[2] == "PH_U" or "PH_U" in found.channels
    assert "usually 4.167 ms" in found.spans[0].label
    assert ("none came" in found.marks[0][1]) == (how == "lost")


def test_a_missed_pulse_is_dimensioned_in_turns_and_from_pulse_to_pulse():
    found, seconds = _close_up_of("index-missed", {})
    assert [span.label.split()[0] for span in found.spans] == ["turn", "turn", "pulse"]
    assert found.spans[2].label == "pulse to pulse 66.67 ms"
    words = {label: seconds(tick) for tick, label in found.marks}
    assert words["index expected, none came"] == pytest.approx(0, abs=1e-5)
    assert [label for _, label in found.marks].count("index, as expected") == 2


def test_a_runt_is_shown_with_its_width_and_the_least_that_counts():
    """The scenario's rig takes pulses from 20 us on."""
    found, seconds = _close_up_of("index-runt", {"after_us": 9000.0, "width_us": 8.0})
    assert found.spans[0].label.endswith("µs wide")
    assert (found.spans[0].to_tick - found.spans[0].from_tick) * 1e-3 == pytest.approx(8.0, abs=0.05)
    least = next(seconds(tick) for tick, label in found.marks if label == "shorter pulses do not count")
    assert least == pytest.approx(20e-6, abs=1e-7)


def test_the_last_column_of_a_turn_at_a_wrong_rate_is_shown_where_it_was_due():
    found, seconds = _close_up_of("column-rate", {"percent": 10.0})
    due = next(seconds(tick) for tick, label in found.marks if label.endswith("of the turn due"))
    came = next(seconds(tick) for tick, label in found.marks if label == "came")
    assert came / due == pytest.approx(1.1, rel=0.005, abs=0)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_close_up_even_with_bare_evidence(squeezed, kind):
    findings, _, _, _ = squeezed
    bench = Bench(findings.capture, findings.rig, findings.rotation, findings.chains, findings.placements)
    middle = (findings.capture.start + findings.capture.end) // 2
    for evidence in ({}, {"expected": 1e-4, "observed": 3e-4, "unit": "s"}):
        at = float(findings.capture.seconds(middle))
        made_up = Incident("I1", kind, middle, at, 11, 90.0, "DOUT", "made up", chain="arm", **evidence)
        found = close_up(bench, made_up)
        assert findings.capture.start <= found.t0 < found.t1 <= findings.capture.end
        assert all(span.from_tick <= span.to_tick for span in found.spans)
        assert found.marks


def test_only_what_can_be_looked_for_is_counted(squeezed):
    findings, report, _, _ = squeezed
    kinds = kinds_looked_for(findings.rig, findings.rotation, findings.chains)
    assert set(kinds) == set(KINDS_WITHOUT_MOTOR)
    assert set(kinds_looked_for(findings.rig, None, ())) == {"capture-gap"}
    assert report.rates["kind"].tolist() == list(kinds)
    assert report.revolutions == len(findings.rotation.turns)


def test_a_led_line_alone_still_gives_incidents(squeezed):
    findings, _, _, made = squeezed
    rig = findings.rig.model_copy(update={"index": None})
    chains = decode_chains(made.capture, rig)
    report, seen = find_incidents(made.capture, rig, None, chains, (None,), chains[0].observations)
    assert "data-truncated" in {item.kind for item in report.origins}
    assert seen is None
    assert all(item.revolution is None and item.shaft_angle_deg is None for item in report.incidents)


def test_the_same_capture_gives_the_same_report(squeezed):
    _, report, _, made = squeezed
    again, _ = report_of(made)
    assert again.incidents == report.incidents
    assert again.suspects == report.suspects
    assert again.events == report.events
