"""results.json, the tables and junit.xml: what scripts rely on."""

from __future__ import annotations

import csv
import io
import json
import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import spinlag
from sample_findings import line_only, sample_findings
from spinlag.capture import Channel
from spinlag.errors import RigError
from spinlag.report.junit import junit_bytes
from spinlag.report.moments import find_moment, worst_moment
from spinlag.report.results import INCIDENT_FIELDS, results_bytes, results_document
from spinlag.report.rig_text import rig_toml
from spinlag.report.sections import left_out
from spinlag.report.tables import incidents_table, write_table
from spinlag.report.text import summary_lines
from spinlag.rig import rig_from_mapping
from spinlag.verdicts import Verdict

NASTY = (
    "<script>alert(1)</script>",
    '=HYPERLINK("http://x")',
    "+1",
    "-2+3",
    "@SUM(A1)",
    "\tTAB",
    "\x1b[31mRED\x1b[0m",
    "\x00\x0b\ufffe",
    "a\r\nb",
    "\u202eevil",
    "quote\"',;",
    "潮",
)

STATISTICS = {"n", "min", "max", "mean", "std", "median", "p95", "p99", "uncertainty"}


@pytest.fixture(scope="module")
def findings():
    return sample_findings()


@pytest.fixture(scope="module")
def nasty():
    return sample_findings(revolutions=6, missed=(2,), late=(), data=NASTY[1], index=NASTY[0], chain=NASTY[0])


def table_text(table):
    stream = io.BytesIO()
    write_table(table, stream, tick_s=1e-9)
    return stream.getvalue().decode("utf-8")


def test_results_keep_the_contract(findings):
    document = json.loads(results_bytes(findings))
    assert document["schema"] == "spinlag/results/1"
    assert document["verdict"] == "fail"
    assert document["producer"] == {"name": "spinlag", "version": spinlag.__version__}
    capture = document["capture"]
    assert {"file", "sha256", "duration_s", "tick_s", "sample_period_s", "sample_period_from", "warnings"} <= set(
        capture
    )
    assert capture["file"] == "tide-dial-1.4.vcd"
    assert [set(c) >= {"name", "edges", "role"} for c in capture["channels"]] == [True] * 3
    assert [c["role"] for c in capture["channels"]] == ["index", "leds-data", "marker"]
    rotation = document["rotation"]
    assert rotation["revolutions"] == 60
    assert set(rotation["speed_rev_per_s"]) == STATISTICS == set(rotation["period_s"])
    assert {"period_jitter_rms_s", "period_jitter_peak_to_peak_s", "cycle_to_cycle_jitter_rms_s"} <= set(rotation)
    assert document["motor"] is None
    (chain,) = document["leds"]
    assert {"name", "part", "wiring", "updates", "bits", "leds_seen", "timing"} <= set(chain)
    assert list(chain["timing"]) == sorted(("t0h", "t0l", "t1h", "t1l", "bit_period", "low_between_updates"))
    assert all(set(block) == STATISTICS for block in chain["timing"].values())
    assert (chain["updates"], chain["bits"], chain["leds_seen"]) == (2880, 2880 * 192, 8)
    for name in ("response_s", "wire_s", "latch_s", "latency_s", "latency_deg"):
        assert set(document["latency"][name]) == STATISTICS
    assert {"columns", "offset_deg", "scale", "residue_deg", "seam_deg", "missing", "extra"} <= set(
        document["placement"]
    )
    for verdict in document["verdicts"]:
        assert set(verdict) >= {
            *(
                "id",
                "quantity",
                "unit",
                "value",
                "uncertainty",
                "limit_low",
                "limit_high",
                "margin",
                "verdict",
                "source",
            )
        }
    for incident in document["incidents"]:
        assert set(incident) >= {"id", "kind", "time_s", "revolution", "channel", "origin", "detail"}
    assert [incident["kind"] for incident in document["incidents"]] == ["index-missed", "update-late"]
    assert document["suspects"] == []


def test_results_carry_the_values_of_the_findings(findings):
    document = results_document(findings)
    (latency,) = findings.latencies
    values = latency.table["latency_s"].dropna()
    assert_allclose(document["latency"]["latency_s"]["mean"], np.mean(values), rtol=1e-12, atol=0)
    assert_allclose(document["latency"]["latency_s"]["max"], values.max(), rtol=0, atol=0)
    assert document["incidents"][1]["revolution"] == 41
    assert document["rig"]["limits"]["latency.latency"]["high"] == pytest.approx(450e-6, rel=1e-12)


def test_results_are_sorted_ascii_and_the_same_each_time(findings):
    first = results_bytes(findings)
    assert first == results_bytes(sample_findings())
    assert first.isascii() and first.endswith(b"}\n")
    document = json.loads(first)
    assert list(document) == sorted(document)


def test_no_nan_reaches_the_file(findings):
    verdict = Verdict("x", "x", "s", float("nan"), np.float64("inf"), None, np.float64(1.0), None, "undecided", "rig")
    document = json.loads(results_bytes(replace(findings, verdicts=(verdict,))), parse_constant=pytest.fail)
    assert (document["verdicts"][0]["value"], document["verdicts"][0]["uncertainty"]) == (None, None)


def test_line_alone_says_null_for_what_needs_an_index():
    document = json.loads(results_bytes(line_only()))
    assert (document["rotation"], document["latency"], document["placement"]) == (None, None, None)
    assert document["verdicts"][-1]["verdict"] == "not-measured"
    assert document["verdict"] == "undecided"


def test_nasty_names_survive_json_unchanged(nasty):
    document = json.loads(results_bytes(nasty))
    assert document["capture"]["channels"][0]["name"] == NASTY[0]
    assert document["capture"]["channels"][1]["name"] == NASTY[1]


def test_tables_have_units_in_their_names_and_numbers_stay_numbers(findings):
    revolutions = pd.read_csv(io.StringIO(table_text(findings.revolutions)))
    assert len(revolutions) == 60
    assert revolutions["period_s"].dtype == np.float64
    assert_allclose(revolutions["period_s"], findings.revolutions["period_s"], rtol=1e-12, atol=0)
    assert revolutions["period_s"].astype(str).str.len().max() <= len("0.028571429")
    updates = pd.read_csv(io.StringIO(table_text(findings.updates)))
    assert (len(updates), updates["update"].dtype) == (2880, np.int64)
    assert np.abs(updates["angle_deg"] - findings.updates["angle_deg"]).max() < 1e-9
    assert "-" in table_text(findings.updates)  # negative numbers are not mistaken for formulas
    assert updates["residue_deg"].min() < 0


def test_what_was_not_seen_is_an_empty_cell(findings):
    revolutions = list(csv.DictReader(io.StringIO(table_text(findings.revolutions))))
    assert revolutions[23]["kind"] == "filled"
    assert revolutions[23]["latency_s"] == ""
    assert "-9223372036854775808" not in table_text(pd.DataFrame({"index_tick": [5, -(2**63)]}))


def test_empty_tables_keep_their_columns(findings):
    nothing = replace(findings, observations=(), incidents=replace(findings.incidents, incidents=()))
    assert table_text(incidents_table(nothing)) == ",".join(INCIDENT_FIELDS) + "\n"
    empty = replace(line_only(), chains=(), placements=(), latencies=())
    assert table_text(empty.updates).startswith("chain,update,")
    assert table_text(empty.revolutions).startswith("revolution,start_s,")


def test_long_tables_are_written_in_parts_without_a_second_header(monkeypatch, findings):
    whole = table_text(findings.updates)
    monkeypatch.setattr("spinlag.report.tables._ROWS_AT_ONCE", 700)
    assert table_text(findings.updates) == whole


@given(st.lists(st.one_of(st.sampled_from(NASTY), st.text()), min_size=1, max_size=5))
def test_no_text_cell_becomes_a_formula_or_breaks_its_row(names):
    text = table_text(pd.DataFrame({"chain": names, "value_s": -1.5}))
    rows = list(csv.reader(io.StringIO(text)))
    assert [len(row) for row in rows] == [2] * (len(names) + 1)
    assert all(not row[0].startswith(("=", "+", "-", "@", "\t", "\r", "\n")) for row in rows[1:])
    assert {row[1] for row in rows[1:]} == {"-1.5"}


def test_junit_has_one_case_per_verdict(findings):
    root = ET.fromstring(junit_bytes(findings))
    cases = root.findall("./testsuite/testcase")
    outcomes = [
        "fail" if case.find("failure") is not None else "skip" if case.find("skipped") is not None else "pass"
        for case in cases
    ]
    words = {"fail": "fail", "undecided": "skip", "not-measured": "skip", "pass": "pass"}
    assert outcomes == [words[verdict.verdict] for verdict in findings.verdicts]
    suite = root.find("testsuite")
    assert (suite.get("tests"), suite.get("failures"), suite.get("skipped")) == ("12", "3", "1")
    failure = next(case.find("failure") for case in cases if case.get("name") == "latency.latency")
    assert "450" in failure.get("message") and "±" in failure.get("message")
    assert len({(case.get("classname"), case.get("name")) for case in cases}) == len(cases)


def test_skipped_cases_say_why():
    root = ET.fromstring(junit_bytes(line_only()))
    skipped = [
        case.find("skipped").get("message") for case in root.iter("testcase") if case.find("skipped") is not None
    ]
    assert len(skipped) == 1
    assert skipped[0].startswith("not-measured") and "450" in skipped[0]


@given(name=st.one_of(st.sampled_from(NASTY), st.text(alphabet=st.characters(codec=None))))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
def test_junit_is_well_formed_for_any_name(findings, name):
    verdict = replace(findings.verdicts[0], id=f"leds.{name}.t0h", quantity=f"{name}: high", note=name, verdict="fail")
    capture = replace(findings.capture, file=name)
    root = ET.fromstring(junit_bytes(replace(findings, capture=capture, verdicts=(verdict, verdict))))
    assert len(root.findall("./testsuite/testcase")) == 2


def test_summary_says_the_verdict_last_and_why_before(findings):
    lines = summary_lines(findings)
    assert lines[-1].startswith("verdict: fail (12 limits judged: 3 failed, 1 undecided, 8 passed)")
    assert any(line.startswith("fail: index edge to visible light") and "450 µs" in line for line in lines)
    assert any(line.startswith("incident I1 (index-missed") for line in lines)
    assert any("60 revolutions" in line for line in lines)


def test_summary_is_loud_about_guesses_and_warnings():
    lines = summary_lines(
        sample_findings(revolutions=5, late=(), missed=(), guessed=("X is the index",), warnings=("cut",))
    )
    assert any(line.startswith("NO RIG WAS GIVEN") for line in lines)
    assert "  guessed: X is the index" in lines
    assert "warning: cut" in lines


def test_summary_prints_no_terminal_code():
    findings = sample_findings(revolutions=5, late=(), missed=(2,), data="\x1b]0;owned\x07\x9b31m", chain="\x1b[2J")
    text = "\n".join(summary_lines(findings))
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in text.replace("\n", ""))
    assert "\\x1b[2J" in text


def test_rig_text_reads_back_as_the_same_rig(findings, nasty):
    import tomllib

    for rig in (findings.rig, nasty.rig):
        assert rig_from_mapping(tomllib.loads(rig_toml(rig))) == rig.model_copy(update={"guessed": ()})
    assert "max_us = 450" in rig_toml(findings.rig)


@given(st.text(), st.floats(min_value=1e-12, max_value=1e3), st.dictionaries(st.text(), st.text(), max_size=3))
def test_any_rig_text_reads_back(source, high, markers):
    import tomllib

    rig = rig_from_mapping(
        {
            "markers": markers,
            "limits": {"latency.latency": {"max_s": high, "source": source}},
            "leds": [{"data": source}],
        }
    )
    again = rig_from_mapping(tomllib.loads(rig_toml(rig)))
    assert again == rig


def test_worst_moment_is_the_longest_latency_and_its_intervals_add_up(findings):
    moment = worst_moment(findings)
    assert moment.slug == "revolution-41"
    response, wire, latch, whole = (d.to_s - d.from_s for d in moment.dimensions)
    assert_allclose(response + wire + latch, whole, rtol=1e-9, atol=0)
    assert_allclose(whole, findings.latencies[0].latency.max, rtol=1e-9, atol=0)
    assert "569.1" in moment.dimensions[3].label and "±" in moment.dimensions[0].label


def test_moments_by_time_revolution_and_incident(findings):
    assert find_moment(findings, incident="i1").zero_s == pytest.approx(findings.observations[0].tick * 1e-9, rel=1e-12)
    assert find_moment(findings, time_s=0.5, span_ms=4).t1_s == pytest.approx(0.502, rel=1e-12)
    assert "no update" in find_moment(findings, revolution=23).title
    for wrong, said in (
        ({"revolution": 60}, "0 to 59"),
        ({"incident": "I9"}, "I1 to I2"),
        ({"time_s": 99.0}, "outside the capture"),
        ({"time_s": math.nan}, "outside the capture"),
        ({"incident": "\x1b[2J"}, "I1 to I2"),
    ):
        with pytest.raises(RigError, match=said) as caught:
            find_moment(findings, **wrong)
        assert str(caught.value).isprintable()


def test_the_level_held_where_it_was_unknown_is_told_as_it_was():
    """A line unknown from the start has no last known level, and one that was never known none at all."""
    findings = sample_findings()
    start, end = findings.capture.start, findings.capture.end

    def said(initial, *spans):
        line = Channel("L", "L", initial, np.array([], dtype=np.int64), np.array(spans, dtype=np.int64).reshape(-1, 2))
        capture = replace(findings.capture, channels=(line,))
        return left_out(replace(findings, capture=capture))[-1]

    assert "never known" in said(-1, [start, end]) and "held" not in said(-1, [start, end])
    first = said(0, [start, start + 5])
    assert "sample) once, " in first and first.endswith("in all; up to its first known level that one was taken.")
    both = said(0, [start, start + 5], [start + 9, end])
    assert "sample) 2 times, " in both and both.endswith("was taken, later the last known level was held meanwhile.")
    assert said(0, [start + 9, end]).endswith("in all; the last known level was held meanwhile.")
