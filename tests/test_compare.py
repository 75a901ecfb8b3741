"""Comparison from end to end: refusals, verdicts, rows of versions, files, and a small run of the study."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from build import RIG, display
from spinlag.cli import cli
from spinlag.compare import compare, overall
from spinlag.compare.measured import Chain, CompareError, from_findings, spoiled_turns
from spinlag.compare.rows import judged
from spinlag.compare.sets import compare_sets
from spinlag.compare.shown import Shown, picture_difference
from spinlag.compare.stored import from_folder
from spinlag.compare.versions import compare_versions
from spinlag.pipeline import analyse
from spinlag.report import write_report
from spinlag.report.compare_files import comparison_document, junit_bytes, write_comparison
from spinlag.report.compare_text import summary_lines
from spinlag.rig import rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.write import lines_of, write_vcd
from studies.compare_study import BENCHES, Bench, recording, study

STEADY, WANDERING, _, BURSTS = BENCHES[:4]

QUANTITY_KEYS = {
    "id",
    "quantity",
    "unit",
    "before",
    "after",
    "shift",
    "shift_low",
    "shift_high",
    "tolerance",
    "p",
    "verdict",
}
FAULT_KEYS = {
    "kind",
    "before",
    "after",
    "revolutions_before",
    "revolutions_after",
    "rate_ratio",
    "ratio_low",
    "ratio_high",
    "p",
    "verdict",
}
STATISTICS_KEYS = {"n", "min", "max", "mean", "std", "median", "p95", "p99", "uncertainty"}


def made(seed, n=300, bench=STEADY, **more):
    return recording(bench, n, np.random.default_rng(seed), **more)


def row(comparison, quantity_id):
    return next(row for row in comparison.quantities if row.id == quantity_id)


def fault(comparison, kind):
    return next(fault for fault in comparison.faults if fault.kind == kind)


def test_a_later_answer_is_worse_and_an_earlier_one_better():
    slow = compare([made(1)], [made(2, later_s=2e-6)])
    assert slow.verdict == "worse"
    found = row(slow, "latency.response")
    assert found.verdict == "worse" and found.p < 0.05
    # the standard error of the difference of two medians of 300: sqrt(pi / 2) 2 us sqrt(2 / 300) = 0.2 us
    assert_allclose(found.shift, 2e-6, rtol=0.35, atol=0)
    assert 0.2e-6 < found.high - found.shift < 0.8e-6
    fast = compare([made(2, later_s=2e-6)], [made(1)])
    assert fast.verdict == "better"
    assert_allclose(row(fast, "latency.response").shift, -found.shift, rtol=0.02, atol=0)
    # the same shift as an angle: 360 degrees times 2 us at 30 turns a second
    degrees = row(slow, "latency.latency_deg")
    assert degrees.low < 360 * 30 * 2e-6 < degrees.high


def test_long_recordings_of_one_firmware_are_the_same():
    found = compare([made(3, 2500)], [made(4, 2500)])
    for quantity_id in ("latency.response", "latency.latency", "latency.jitter", "placement.residue"):
        assert row(found, quantity_id).verdict == "same", quantity_id


def test_short_recordings_cannot_tell_and_say_how_long_to_record():
    found = compare([made(5, 40)], [made(6, 40)])
    answer = row(found, "latency.response")
    assert answer.verdict == "cannot-tell" and answer.longer > 1 and found.verdict == "cannot-tell"
    assert "would settle it" in " ".join(summary_lines(compare_versions({"a": [made(5, 40)], "b": [made(6, 40)]}))) or (
        found.longer_s > 1.0
    )


def test_too_few_revolutions_are_never_the_same():
    found = compare([made(7, 12)], [made(8, 12)])
    answer = row(found, "latency.response")
    assert answer.verdict == "cannot-tell" and answer.shift is None and "at least 20" in answer.why
    assert found.verdict == "cannot-tell"


def test_the_recording_time_asked_for_settles_it():
    answer = row(compare([made(9, 300)], [made(10, 300)]), "latency.response")
    assert answer.verdict == "cannot-tell"
    n = int(300 * answer.longer * 1.6)
    assert row(compare([made(9, n)], [made(11, n)]), "latency.response").verdict == "same"


def test_tolerance_from_the_rig_decides_what_is_negligible():
    rig = rig_from_mapping({"limits": {"latency.response": {"negligible_us": 5.0}}})
    found = row(compare([made(1)], [made(2, later_s=2e-6)], rig=rig), "latency.response")
    assert (found.verdict, found.tolerance, found.tolerance_from) == ("same", 5e-6, "rig")
    assert row(compare([made(1)], [made(2)]), "latency.response").tolerance_from.startswith("default: a fifth")


def test_more_jitter_is_worse_by_itself():
    loose = Bench("loose", 2e-4, 0.5, 0.0, 4e-6, 0.0, 0.0, 0.0)
    found = compare([made(12)], [made(13, bench=loose)])
    jitter = row(found, "latency.jitter")
    assert jitter.verdict == "worse"
    ratio = np.exp([jitter.spread.low, jitter.spread.high])
    assert ratio[0] < 2.0 < ratio[1]
    assert_allclose(jitter.shift, jitter.after.std - jitter.before.std, rtol=0.05, atol=0)


def test_a_moved_tail_is_not_called_the_same():
    calm = row(compare([made(3, 2500)], [made(4, 2500)]), "latency.response")
    assert calm.verdict == "same"
    moved = replace(calm.tail, difference=1e-3, low=0.9e-3, high=1.1e-3)
    assert judged(replace(calm, tail=moved)).verdict == "cannot-tell"


def test_constant_wire_times_on_a_lattice_do_not_raise_an_alarm():
    # one wire time, seen through two phases of the sample clock: medians a whole sample apart
    for seed in range(3):
        found = compare([made(20 + seed, 100)], [made(40 + seed, 100)])
        assert row(found, "latency.wire").verdict == "same"
    one, other = made(30), made(31)
    locked = replace(one, series={**one.series, "wire_s": np.full(300, 480.0e-6)})
    next_sample = replace(other, series={**other.series, "wire_s": np.full(300, 480.0e-6 + 1 / 24e6)})
    assert row(compare([locked], [next_sample]), "latency.wire").verdict in ("same", "cannot-tell")


def test_faults_are_compared_as_rates():
    before, after = made(50), made(51)
    few = replace(before, faults={"index-missed": 1, "data-silent": 0, "update-late": 2})
    many = replace(after, faults={"index-missed": 19, "data-silent": 0, "update-late": 3})
    found = compare([few], [many])
    assert fault(found, "index-missed").verdict == "worse"
    assert fault(found, "index-missed").ratio_low > 1
    unseen = fault(found, "data-silent")
    assert unseen.p is None and unseen.rate_ratio is None
    assert "none in 300 and in 300 revolutions" in unseen.why
    # 3 / 300 is just not below one in a hundred
    assert unseen.verdict == "same"
    shorter = compare([replace(few, revolutions=150)], [replace(many, revolutions=150)])
    assert fault(shorter, "data-silent").verdict == "cannot-tell"


def test_several_captures_of_a_side_count_together():
    one = compare([made(60)], [made(61)])
    three = compare([made(60), made(62), made(63)], [made(61), made(64), made(65)])
    a, b = row(one, "latency.response"), row(three, "latency.response")
    # three times the revolutions, but what captures differ by keeps the interval above 0.58 of the single one's
    assert b.before.n == 900 and (b.high - b.low) < 0.9 * (a.high - a.low)
    assert any("One recording on each side" in note for note in one.notes)
    assert not any("One recording on each side" in note for note in three.notes)


def test_what_cannot_be_compared_is_refused_with_every_reason():
    good = made(70)
    odd = replace(
        made(71),
        file="odd.vcd",
        columns=60,
        chains=(Chain("arm", "one-wire", "WS2812B V5", 24, 24),),
    )
    with pytest.raises(
        CompareError, match=r"other columns \(48 against 60\).*LED count \(16 against 24\).*another part"
    ):
        compare([good], [odd])
    with pytest.raises(CompareError, match=r"other LED chains"):
        compare([good], [replace(odd, chains=(Chain("rim", "one-wire", None, 16, 24),))])
    with pytest.raises(CompareError, match="same recording"):
        compare([good, good], [made(72)])
    with pytest.raises(CompareError, match="no capture"):
        compare([good], [])
    # a part number without a revision goes with each of its revisions
    compare([good], [replace(made(73), chains=(replace(good.chains[0], part="WS2812B"),))])


def test_speed_may_differ_and_is_told():
    fast = made(74)
    periods = {name: fast.series[name] * 30 / 35 for name in ("period_s", "cycle_s")}
    fast = replace(fast, speed_rev_per_s=35.0, series={**fast.series, **periods})
    found = compare([made(75)], [fast])
    assert any("The speeds differ: 30.0" in note for note in found.notes)


def at_speed(one, speed):
    """The same firmware on a faster shaft: seconds stay, periods shrink, latencies as angles grow."""
    grown = speed / one.speed_rev_per_s
    series = dict(one.series)
    for name in ("period_s", "cycle_s"):
        series[name] = series[name] / grown
    for name in ("latency_deg", "offset_deg"):
        series[name] = series[name] * grown
    return replace(one, speed_rev_per_s=speed, series=series)


def test_what_the_speed_alone_explains_is_neither_better_nor_worse():
    found = compare([made(75)], [at_speed(made(74), 35.0)])
    degrees = row(found, "latency.latency_deg")
    # 17 % more degrees at 35 than at 30 turns a second
    assert_allclose(degrees.shift / degrees.before.median, 35 / 30 - 1, rtol=0.05, atol=0)
    assert degrees.verdict in ("same", "cannot-tell") and "speed alone changes it by +17 %" in degrees.why
    assert found.verdict in ("same", "cannot-tell")
    slower = compare([made(75)], [at_speed(made(74, later_s=2e-6), 35.0)])
    assert row(slower, "latency.latency_deg").verdict == "worse" and slower.verdict == "worse"


def test_same_picture_other_timing_is_said_in_words():
    pictures = (shown("ff0000", "00ff00", "0000ff", "000000"),)
    old, new = (replace(one, shown=pictures) for one in (made(1), made(2, later_s=2e-6)))
    said = compare([old], [new]).picture.said
    assert "Same picture, other timing: index edge to first data edge" in said
    calm = replace(made(2), shown=pictures)
    assert "No change of timing" in compare([old], [calm]).picture.said
    other = replace(new, shown=(shown("ff0000", "00ff00", "0000ff", "00ffff"),))
    different = compare([old], [other])
    assert "Same picture" not in different.picture.said
    assert any("may be the picture's" in note for note in different.notes)
    document = comparison_document(compare_versions({"a": [old], "b": [other]}))
    assert document["picture"]["differences"] == [{"chain": "arm", "column": 3, "before": "000000", "after": "00ffff"}]


def test_updates_beyond_the_rigs_columns_and_other_geometry_are_refused():
    good = made(70)
    with pytest.raises(CompareError, match=r"draws 64 in a revolution where its rig has 48"):
        compare([good], [replace(made(71), extra=16)])
    arm, slot = ({"display.geometry": shape, "index.edge": "rising"} for shape in ("arm", "slot"))
    with pytest.raises(CompareError, match=r"other geometry \(arm against slot\)"):
        compare([replace(good, bench=arm)], [replace(made(71), bench=slot)])
    found = compare([replace(good, bench=arm)], [replace(made(71), bench={**arm, "index.edge": "falling"})])
    assert any("index.edge is falling in some, rising in others" in note for note in found.notes)


def test_few_faults_of_many_kinds_do_not_hide_a_shift():
    # a kind seen once or twice cannot be told, however it falls, and costs the others nothing
    quiet = {f"kind-{i}": 0 for i in range(30)}
    few = {f"kind-{i}": 1 for i in range(30)}
    shifted = made(2, later_s=0.9e-6)
    plain = compare([replace(made(1), faults=quiet)], [replace(shifted, faults=quiet)])
    noisy = compare([replace(made(1), faults=quiet)], [replace(shifted, faults=few)])
    assert row(noisy, "latency.response").p == row(plain, "latency.response").p
    assert all(one.p == 1.0 for one in noisy.faults)


def test_overall_verdict():
    assert overall(["same", "better", "worse", "cannot-tell"]) == "worse"
    assert overall(["same", "better", "cannot-tell"]) == "better"
    assert overall(["same", "cannot-tell"]) == "cannot-tell"
    assert overall(["same", "same"]) == "same"
    assert overall([]) == "cannot-tell"


def test_the_same_input_gives_the_same_comparison():
    first, second = compare([made(76)], [made(77)]), compare([made(76)], [made(77)])
    assert [row.low for row in first.quantities] == [row.low for row in second.quantities]


def shown(*data, share=1.0):
    return Shown("arm", "GRB", 24, tuple(data), tuple(share if one else 0.0 for one in data))


def test_columns_whose_data_differ():
    before = [[shown("ff0000", "00ff00", "0000ff", "000000")]]
    after = [[shown("ff0000", "00ff01", "0000ff", None)]]
    found = picture_difference(before, after)
    assert (found.compared, found.different, found.moving) == (3, (1,), (3,))
    assert found.columns == (("arm", 1, "00ff00", "00ff01"),)
    assert "1 of 3 columns" in found.said
    same = picture_difference(before, before)
    assert same.different == () and "same data in all 4 columns" in same.said
    moving = picture_difference(before, [[shown("ff0000", "00ff00", "0000ff", "000000", share=0.3)]])
    assert moving.compared == 0 and "no column can be compared" in moving.said


def test_cycles_are_told_between_neighbours_only():
    tables = {"seed": 8, "duration_s": 1.5, "leds": [{"data": "DOUT", "count": 2}], "firmware": {"columns": 8}}
    tables["shaft"] = {"speed_rev_per_s": 30.0, "drift_rev_per_s2": 0.5}
    tables["faults"] = [{"kind": "index-doubled", "revolution": 20, "after_us": 1800.0}]
    made_up = simulate(scenario_from_mapping(tables))
    one = from_findings(analyse(made_up.capture, made_up.rig))
    assert one.spoiled >= 2
    # the shaft gains 0.06 % a turn; across the turns that the false pulse spoiled it would be several times as much
    assert len(one.series["cycle_s"]) == len(one.series["period_s"]) - 2
    assert np.abs(one.series["cycle_s"]).max() < 2 * np.abs(np.median(one.series["cycle_s"]))


def test_spoiled_turns_are_those_of_events_that_sensor_or_shaft_began():
    incidents = [
        ("I1", "index-doubled", 5, None),
        ("I2", "column-rate", 6, "I1"),
        ("I3", "update-late", 20, None),
        ("I4", "speed-step", None, None),
    ]
    assert spoiled_turns(incidents) == {5, 6, 7}


def chain_rig(**limits):
    tables = {
        "index": {"channel": "SENSOR"},
        "leds": [{"name": "arm", "data": "DOUT", "count": 2, "part": "WS2812B 2013-05"}],
        "display": {"columns": 8},
        "limits": limits,
    }
    return rig_from_mapping(tables)


def findings(seed, *, response_us=100.0, file="a.vcd"):
    tables = {
        "seed": seed,
        "duration_s": 2.0,
        "recorder": {"sample_rate_hz": 24e6},
        "shaft": {"speed_rev_per_s": 30.0, "random_walk": 1e-3},
        "leds": [{"data": "DOUT", "count": 2}],
        "firmware": {"columns": 8, "response_us": response_us, "response_jitter_us": 1.0},
    }
    made_up = simulate(scenario_from_mapping(tables)).capture
    rng = np.random.default_rng(seed)
    return analyse(replace(made_up, file=file, sha256=f"{rng.integers(2**60):064x}"), chain_rig())


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    """Report folders of two firmwares, the second 10 us slower, and what was found in the first."""
    place = tmp_path_factory.mktemp("reports")
    found = findings(81, file="a.vcd")
    write_report(found, place / "a")
    write_report(findings(82, response_us=110.0, file="b.vcd"), place / "b")
    return place, from_findings(found)


def test_results_folders_give_what_the_captures_give(reports):
    place, direct = reports
    read = from_folder(place / "a")
    for name in direct.__dataclass_fields__:
        if name != "series":
            assert getattr(direct, name) == getattr(read, name), name
    for name, values in direct.series.items():
        assert_allclose(read.series[name], values, rtol=1e-9, atol=1e-9 if name.endswith("deg") else 1e-12)


def test_folders_that_are_no_results_are_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(CompareError, match=r"without results\.json"):
        compare_sets({"a": [tmp_path / "empty"], "b": [tmp_path / "empty"]}, None, tmp_path / "out")
    broken = tmp_path / "broken"
    broken.mkdir()
    for text, why in (("{", "damaged"), ('{"schema": "other/1"}', "schema 'other/1'"), ("[]", "schema None")):
        (broken / "results.json").write_text(text)
        with pytest.raises(CompareError, match=why):
            from_folder(broken)
    assert not (tmp_path / "out").exists()


def test_sets_of_files_and_folders_to_a_comparison_folder(reports, tmp_path):
    place, _ = reports
    sets = {"1.3": [place / "a"], "1.4": [place / "b"]}
    versions, page = compare_sets(sets, chain_rig(), tmp_path / "compared", "1.3")
    assert page == tmp_path / "compared" / "compare.html"
    assert versions.newest.verdict == "worse" and versions.exit_status == 1
    names = sorted(path.name for path in page.parent.iterdir())
    assert names == ["compare.csv", "compare.html", "compare.json", "junit.xml"]
    document = json.loads((page.parent / "compare.json").read_bytes())
    assert document["schema"] == "spinlag/compare/1" and document["verdict"] == "worse"
    assert [set(one) for one in document["before"]] == [{"file", "sha256", "revolutions", "read_with", "warnings"}]
    for one in document["quantities"]:
        assert set(one) == QUANTITY_KEYS
        assert set(one["before"]) == set(one["after"]) == STATISTICS_KEYS
        assert one["verdict"] in ("better", "worse", "same", "cannot-tell")
    for one in document["faults"]:
        assert set(one) >= FAULT_KEYS
    assert document["picture"]["columns_compared"] + len(document["picture"]["columns_moving"]) == 8
    text = page.read_text(encoding="utf-8")
    assert "Verdict: worse" in text and "<script" not in text
    table = pd.read_csv(page.parent / "compare.csv", dtype={"version": str})
    assert list(table["version"].unique()) == ["1.4"] and "latency.response" in set(table["id"])
    # a second run writes the same bytes
    again = compare_sets(sets, chain_rig(), tmp_path / "again", "1.3")[1]
    for name in names:
        assert (again.parent / name).read_bytes() == (page.parent / name).read_bytes(), name


def test_junit_tells_worse_from_open():
    versions = compare_versions({"old": [made(1)], "new": [made(2, later_s=2e-6)]})
    root = ElementTree.fromstring(junit_bytes(versions))
    suite = root.find("testsuite")
    failed = {case.get("name") for case in suite.findall("testcase") if case.find("failure") is not None}
    skipped = {case.get("name") for case in suite.findall("testcase") if case.find("skipped") is not None}
    assert "latency.response" in failed
    expected = {one.id for one in versions.newest.quantities if one.verdict == "cannot-tell"}
    assert expected <= skipped
    assert int(suite.get("failures")) == len(failed) and int(root.get("tests")) == len(versions.newest.rows)


def test_names_of_sets_and_files_are_escaped(tmp_path):
    bad = "<script>alert(1)</script>"
    one = replace(made(90), file=bad)
    page = write_comparison(compare_versions({bad: [one], "=1+1": [made(91)]}), tmp_path / "out")
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text and "&lt;script&gt;" in text
    assert "'=1+1" in (tmp_path / "out" / "compare.csv").read_text(encoding="utf-8")


def test_a_row_of_versions_finds_the_one_that_changed():
    sets = {f"1.{i}": [made(100 + i, 200, later_s=2e-6 * (i >= 3))] for i in range(6)}
    versions = compare_versions(sets)
    trend = next(trend for trend in versions.trends if trend.id == "latency.response")
    assert trend.changed_at == "1.3" and trend.sure > 0.99
    assert [point.version for point in trend.points] == list(sets)
    verdicts = versions.verdicts
    assert {name: verdicts[name] for name in ("1.3", "1.4", "1.5")} == dict.fromkeys(("1.3", "1.4", "1.5"), "worse")
    assert "worse" not in (verdicts["1.1"], verdicts["1.2"])
    assert "above 0.999" in trend.said and trend.points[3].low < trend.points[3].value < trend.points[3].high
    calm = next(trend for trend in versions.trends if trend.id == "placement.residue")
    assert calm.changed_at is None
    document = comparison_document(versions)
    assert document["name_after"] == "1.5" and [one["name"] for one in document["versions"]] == list(sets)
    json.dumps(document, allow_nan=False)
    turned = compare_versions(sets, reference="1.5")
    assert turned.newest.name_after == "1.4" and turned.verdicts["1.0"] == "better"


def test_the_build_that_brought_a_fault_or_another_bit_time_is_named():
    sets = {}
    for i in range(6):
        one = made(200 + i, 150)
        timing = dict(one.timing)
        if i >= 2:
            # 400 ns to 470 ns, nearer the end of the sheet's window
            late = replace(timing["leds.arm.t0h"].statistics, mean=470e-9)
            timing["leds.arm.t0h"] = replace(timing["leds.arm.t0h"], statistics=late)
        sets[f"b{i}"] = [replace(one, faults={"data-silent": 12 if i >= 4 else 0, "index-missed": 0}, timing=timing)]
    trends = {trend.id: trend for trend in compare_versions(sets).trends}
    assert trends["faults.data-silent"].changed_at == "b4" and trends["faults.data-silent"].sure > 0.99
    assert trends["leds.arm.t0h"].changed_at == "b2"
    assert trends["leds.arm.t1h"].changed_at is None
    assert "faults.index-missed" not in trends and "latency.without_update" in trends


def test_sets_need_two_and_a_reference_that_is_there():
    with pytest.raises(CompareError, match="two sets"):
        compare_versions({"a": [made(1)]})
    with pytest.raises(CompareError, match="no set 'c'"):
        compare_versions({"a": [made(1)], "b": [made(2)]}, reference="c")


def test_led_lines_alone_are_compared_by_their_bit_times():
    one, other = made(1), made(2)
    nothing = {name: np.empty(0) for name in one.series}
    slow = {name: replace(timing) for name, timing in other.timing.items()}
    statistics = replace(slow["leds.arm.t0h"].statistics, mean=470e-9)
    slow["leds.arm.t0h"] = replace(slow["leds.arm.t0h"], statistics=statistics)
    bare = {"series": nothing, "revolutions": 0, "columns": None, "speed_rev_per_s": None, "faults": {}}
    found = compare([replace(one, **bare)], [replace(other, timing=slow, **bare)])
    assert {one.id for one in found.quantities} == set(one.timing)
    # 400 ns is the middle of 250..550 ns (WS2812B sheet of 2013-05, p. 3), 470 ns is nearer its end
    assert row(found, "leds.arm.t0h").verdict == "worse"
    assert row(found, "leds.arm.t1h").verdict == "same"
    with pytest.raises(CompareError, match="neither side"):
        compare([replace(one, timing={}, **bare)], [replace(other, timing={}, **bare)])


def test_small_study():
    # the figures of 1,000 pairs are in DEVELOPERS.md; two dozen bound them loosely
    wandering, burst = study(WANDERING, 16, 300), study(BURSTS, 8, 300)
    for found in (wandering, burst):
        assert found["false alarms"] <= 0.2
        assert found["found"] >= 0.6
        for name in ("response", "shifted", "spread", "angle", "shaft"):
            assert found[name] >= 0.75, name
    # single revolutions taken as independent raise many false alarms where the speed wanders
    assert wandering["naive"] >= 0.2


@pytest.fixture
def benches(tmp_path, monkeypatch):
    """Three short captures; the last is from a bench whose index line has another name, with a rig of its own."""
    monkeypatch.chdir(tmp_path)
    for name, seed, line in (("a", 1, "SENSOR"), ("b", 2, "SENSOR"), ("c", 3, "HALL")):
        built, _, _ = display(seed=seed, jitter=5_000)
        write_vcd(f"{name}.vcd", lines_of(built), tick=built.tick, end=built.end)
        file = Path(f"{name}.vcd")
        file.write_text(file.read_text().replace("SENSOR", line))
    Path("bench.toml").write_text(RIG)
    Path("hall.toml").write_text(RIG.replace("SENSOR", "HALL"))
    return tmp_path


def run_compare(*arguments):
    with pytest.raises(SystemExit) as caught:
        cli(["compare", *arguments], standalone_mode=True)
    return caught.value.code


def test_every_set_may_have_a_rig_of_its_own(benches):
    row = ("--set", "1=a.vcd", "--set", "2=b.vcd", "--set", "3=c.vcd", "--rig", "bench.toml")
    assert run_compare(*row, "--rig", "3=hall.toml", "--out", "row") in (0, 1, 3)
    document = json.loads(Path("row/compare.json").read_text())
    assert all(one["captures"][0]["revolutions"] == 12 for one in document["versions"])
    pair = ("--before", "c.vcd", "--after", "b.vcd", "--rig", "bench.toml")
    assert run_compare(*pair, "--rig-before", "hall.toml", "--out", "pair") in (0, 1, 3)
    assert run_compare(*pair, "--rig", "before=hall.toml", "--out", "same") in (0, 1, 3)
    assert Path("same/compare.json").read_bytes() == Path("pair/compare.json").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--rig", "bench.toml", "--rig", "hall.toml"), "given twice"),
        (("--rig", "before=hall.toml", "--rig-before", "hall.toml"), "two rigs"),
        (("--rig", "4=hall.toml"), "no set is called '4'"),
    ],
)
def test_rigs_that_belong_to_no_set_are_refused(benches, capsys, arguments, said):
    assert run_compare("--before", "a.vcd", "--after", "b.vcd", *arguments) == 2
    assert said in capsys.readouterr().err
    assert run_compare("--set", "1=a.vcd", "--set", "2=b.vcd", "--rig-before", "hall.toml") == 2
    assert "--rig NAME=RIG" in capsys.readouterr().err


def test_rigs_that_disagree_on_what_is_negligible_are_pointed_out(benches, capsys):
    usual = RIG + '[limits."latency.latency"]\nmax_us = 9000\nnegligible_us = {}\n'
    for name, figure in (("old", 5), ("new", 2), ("twin", 2.0)):
        Path(f"{name}.toml").write_text(usual.format(figure))
    pair = ("--before", "a.vcd", "--after", "b.vcd")
    own = ("--rig", "before=old.toml", "--rig", "after=new.toml")
    said = (
        "The rigs do not agree on what is negligible, and the rig of after counts "
        "(latency.latency: 2 \u00b5s, but 5 \u00b5s by a rig of before)."
    )
    assert run_compare(*pair, *own, "--out", "pair") in (0, 1, 3)
    assert f"note: {said}" in capsys.readouterr().out
    document = json.loads(Path("pair/compare.json").read_text())
    assert said in document["notes"]
    assert said in Path("pair/compare.html").read_text()
    tolerances = {one["id"]: one["tolerance"] for one in document["quantities"]}
    assert tolerances["latency.latency"] == 2e-6
    # the newest rig says nothing: what the old one wants is left out, and that is told
    assert run_compare(*pair, "--rig", "bench.toml", "--rig", "before=old.toml", "--out", "pair") in (0, 1, 3)
    assert "(latency.latency: the default, but 5 \u00b5s by a rig of before)" in capsys.readouterr().out
    # agreed, whatever the spelling; or said by one alone
    for own in (("before=twin.toml", "after=new.toml"), ("before=bench.toml", "after=new.toml")):
        assert run_compare(*pair, "--rig", own[0], "--rig", own[1], "--out", "pair") in (0, 1, 3)
        assert "negligible, and" not in capsys.readouterr().out
    # of a row, the newest version's rig counts for the older pairs as well
    row = ("--set", "1=a.vcd", "--set", "2=b.vcd", "--set", "3=c.vcd", "--rig", "old.toml", "--rig", "3=hall.toml")
    assert run_compare(*row, "--out", "row") in (0, 1, 3)
    told = capsys.readouterr().out
    assert "and one rig counts for all (latency.latency: the default, but 5 \u00b5s by a rig of 1 and 2)" in told
    assert "and the rig of 3 counts (latency.latency: the default, but 5 \u00b5s by a rig of 1)" in told
