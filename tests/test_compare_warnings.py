"""Warnings of captures reach their comparison; what they make worthless is neither better, worse nor the same."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from spinlag.compare import compare
from spinlag.compare.measured import CompareError, from_findings
from spinlag.compare.sets import compare_sets
from spinlag.compare.sound import warnings_of
from spinlag.compare.stored import from_folder
from spinlag.compare.versions import compare_versions
from spinlag.pipeline import analyse
from spinlag.report import write_report
from spinlag.report.compare_files import comparison_document
from spinlag.report.compare_text import summary_lines
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.wrong_lines import Unsound
from studies.compare_study import BENCHES, recording
from test_clips import upside_down

RIG = rig_from_mapping(
    {
        "index": {"channel": "SENSOR"},
        "leds": [{"name": "arm", "data": "DOUT", "count": 2, "part": "WS2812B 2013-05"}],
        "display": {"columns": 8},
        "limits": {"latency.latency": {"negligible_us": 2}},
    }
)


def made_up(seed, response_us=100.0):
    tables = {
        "seed": seed,
        "duration_s": 2.0,
        "recorder": {"sample_rate_hz": 24e6},
        "index": {"channel": "SENSOR", "width_deg": 4.0},
        "shaft": {"speed_rev_per_s": 30.0, "random_walk": 1e-4},
        "leds": [{"data": "DOUT", "count": 2}],
        "picture": {"kind": "gray-code"},
        "firmware": {"columns": 8, "response_us": response_us, "response_jitter_us": 1.0},
    }
    capture = simulate(scenario_from_mapping(tables)).capture
    return replace(capture, file=f"run{seed}.vcd", sha256=f"{seed:064x}")


@pytest.fixture(scope="module")
def captures():
    """Two recordings of one firmware."""
    return made_up(1), made_up(2)


def slow_clock(capture, factor):
    return replace(capture, tick=capture.tick * factor)


def measured(capture):
    return from_findings(analyse(capture, RIG))


def verdicts(comparison):
    return {row.id: row.verdict for row in comparison.quantities}


def test_sound_captures_bring_no_warning_and_no_doubt(captures):
    found = compare(*([measured(one)] for one in captures))
    assert found.warnings == found.worthless == ()
    assert verdicts(found)["latency.latency"] == verdicts(found)["leds.arm.bit_period"] == "same"


def test_a_doubled_clock_is_said_and_its_times_are_no_evidence(captures):
    one, other = captures
    found = compare([measured(one)], [measured(slow_clock(other, 2))])
    (warning,) = found.warnings
    assert warning.startswith("after, run2.vcd: DOUT: all bit times are 2 times what WS2812B 2013-05 takes")
    timed = {row.id: row for row in found.quantities if row.unit == "s"}
    assert {"latency.latency", "latency.response", "rotation.period_jitter", "leds.arm.bit_period"} <= set(timed)
    for row in timed.values():
        assert row.verdict == "cannot-tell"
        assert row.why == "run2.vcd: the bit times say that the file's clock may be wrong; see the warnings"
    # a latch time of the sheet goes into the angle of visible light, but not into the residue
    assert verdicts(found)["latency.latency_deg"] == "cannot-tell"
    assert found.worthless[0].endswith(f"quantities cannot be told: {timed['latency.latency'].why}")
    assert not [note for note in found.notes if "The speeds differ" in note]
    versions = compare_versions({"before": [measured(one)], "after": [measured(slow_clock(other, 2))]})
    assert versions.exit_status == 3
    said = summary_lines(versions)
    assert said[0].startswith("warning: after, run2.vcd: DOUT: all bit times are 2 times")
    assert any("quantities cannot be told: run2.vcd: the bit times say" in line for line in said)


@pytest.mark.parametrize("factor", [Fraction(102, 100), Fraction(98, 100)])
def test_clocks_that_the_sheets_cannot_tell_from_each_other(captures, factor):
    """2 % lie within the sheet's windows, but all bit times in one proportion are a clock's doing."""
    one, other = captures
    found = compare([measured(one)], [measured(slow_clock(other, factor))])
    assert found.warnings == ()
    assert f"All bit times of after are {float(factor):.4g} times those of before" in found.notes[0]
    told = verdicts(found)
    assert told["latency.latency"] == told["latency.response"] == told["latency.wire"] == "cannot-tell"
    assert not [row for row in found.rows if row.verdict in ("better", "worse")]
    assert "as by another clock" in found.worthless[0]


def test_what_another_clock_does_not_explain_is_still_told(captures):
    found = compare([measured(captures[0])], [measured(slow_clock(made_up(3, response_us=160.0), Fraction(102, 100)))])
    assert verdicts(found)["latency.response"] == verdicts(found)["latency.latency"] == "worse"
    assert "All bit times of after are 1.02 times those of before" in found.notes[0]


def test_one_bit_time_that_changed_alone_is_firmware(captures):
    one, other = (measured(capture) for capture in captures)
    name = "leds.arm.t0h"
    late = replace(other.timing[name].statistics, mean=other.timing[name].statistics.mean * 1.2)
    timing = {**other.timing, name: replace(other.timing[name], statistics=late)}
    found = compare([one], [replace(other, timing=timing)])
    assert verdicts(found)[name] in ("better", "worse")
    assert verdicts(found)["leds.arm.t1h"] == "same"


def test_an_index_upside_down_compares_neither_latency_nor_picture(captures):
    one, other = captures
    found = compare([measured(one)], [measured(upside_down(other, "SENSOR"))])
    assert "after, run2.vcd: SENSOR is high for" in found.warnings[0]
    told = verdicts(found)
    assert {told[name] for name in told if name.startswith(("latency.", "placement."))} == {"cannot-tell"}
    assert told["rotation.period_jitter"] != "worse"
    assert found.picture.compared == 0
    assert found.picture.said.startswith("What was shown cannot be compared: run2.vcd: the LED columns begin after")


def test_a_line_that_was_left_out_is_the_reason_given_for_a_refusal(captures):
    one, other = captures
    lines = [replace(line, edges=np.arange(0, other.end, other.end // 90)) for line in other.channels]
    wrong = tuple(new if new.name == "DOUT" else old for new, old in zip(lines, other.channels, strict=True))
    with pytest.raises(CompareError) as caught:
        compare([measured(one)], [measured(replace(other, channels=wrong))])
    assert "another LED count" in str(caught.value)
    assert "run2.vcd: the line DOUT does not look like LED data on one wire" in str(caught.value)


def recorded(seed, n, **more):
    return recording(BENCHES[0], n, np.random.default_rng(seed), **more)


def warned(number, *warnings, unsound=()):
    return replace(recorded(number, 40), file=f"{number}.vcd", warnings=warnings, unsound=unsound)


def test_a_kind_of_warning_is_told_once_for_a_set():
    gap = "the recording has a gap, the first at {} s: what happened there is lost"
    side = [warned(number, gap.format(number / 7), *(["LAMP is dead"] if number == 3 else [])) for number in range(5)]
    side.append(warned(6))
    assert warnings_of({"old": side, "new": [warned(8, "LAMP is dead")]}) == (
        f"old, 5 of 6 captures (0.vcd, 1.vcd, 2.vcd and 2 more), as in 0.vcd: {gap.format(0.0)}",
        "old, 3.vcd: LAMP is dead",
        "new, 8.vcd: LAMP is dead",
    )
    alike = [warned(number, "LAMP is dead") for number in range(2)]
    assert warnings_of({"old": alike}) == ("old, 2 of 2 captures (0.vcd, 1.vcd): LAMP is dead",)


def test_of_a_row_a_change_that_rests_on_a_wrong_clock_is_no_trend():
    sets = {f"b{i}": [recorded(i, 150, later_s=20e-6 if i > 2 else 0.0)] for i in range(5)}
    known = {trend.id: trend for trend in compare_versions(sets).trends}
    assert known["latency.latency"].changed_at == "b3"
    sets["b3"] = [replace(sets["b3"][0], unsound=(Unsound("time", "its clock may be wrong"),))]
    doubted = {trend.id: trend for trend in compare_versions(sets).trends}
    assert doubted["latency.latency"].changed_at is None
    assert doubted["latency.latency"].said.startswith("cannot tell: ")
    assert doubted["latency.latency"].said.endswith("its clock may be wrong")
    assert doubted["placement.seam"] == known["placement.seam"]


@pytest.fixture(scope="module")
def folders(captures, tmp_path_factory):
    """Report folders of a sound capture and of one with a doubled clock."""
    place = tmp_path_factory.mktemp("reports")
    write_report(analyse(captures[0], RIG), place / "a")
    write_report(analyse(slow_clock(captures[1], 2), RIG), place / "b")
    return place


def test_report_folders_bring_the_warnings_and_their_reasons(folders, captures, tmp_path):
    direct, stored = measured(slow_clock(captures[1], 2)), from_folder(folders / "b")
    assert stored.warnings == direct.warnings
    assert (
        stored.unsound
        == direct.unsound
        == (Unsound("time", "the bit times say that the file's clock may be wrong; see the warnings"),)
    )
    versions, page = compare_sets({"old": [folders / "a"], "new": [folders / "b"]}, None, tmp_path / "out")
    assert "all bit times are 2 times what" in page.read_text(encoding="utf-8")
    document = json.loads((page.parent / "compare.json").read_bytes())
    assert document == comparison_document(versions)
    assert document["warnings"] == list(versions.newest.warnings) != []
    assert document["before"][0]["warnings"] == []
    assert document["after"][0]["warnings"] == list(stored.warnings)
    assert document["worthless"] == list(versions.newest.worthless) != []


def test_a_folder_whose_reasons_were_taken_out_is_refused(folders, tmp_path):
    document = json.loads((folders / "b" / "results.json").read_bytes())
    (tmp_path / "revolutions.csv").write_bytes((folders / "b" / "revolutions.csv").read_bytes())
    for key, value in (("unsound", []), ("unsound", None), ("warnings", []), ("warnings", [1]), ("unsound", [{}])):
        changed = {**document, key: value} if value is not None else {k: v for k, v in document.items() if k != key}
        (tmp_path / "results.json").write_text(json.dumps(changed))
        with pytest.raises(CompareError, match=r"run `spinlag check` on the capture again$"):
            from_folder(tmp_path)
