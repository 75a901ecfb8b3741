"""Gaps of the recording of any length, and the shaft across them: what nobody saw is no evidence, nor is it hidden."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from build import capture, channel, pulses
from spinlag.importers import read_capture
from spinlag.leds.onewire_learn import detect_polarity
from spinlag.pipeline import analyse
from spinlag.rig import read_rig, rig_from_mapping
from spinlag.rotation import find_revolutions
from spinlag.rotation.lattice import NO_PLACE, count_places
from spinlag.rotation.unseen import across, lasting, noticed
from spinlag.synth import scenario_from_mapping, simulate
from test_gaps import LIMITS, TABLES, cut, cut_all, cut_silently

CAPTURES = Path(__file__).parent.parent / "captures"
TEETH = {"pulses_per_revolution": 11, "missing_tooth": True, "width_deg": 3.0}


def bench(index=None, motor=True, duration_s=1.2):
    tables = {**TABLES, "duration_s": duration_s, "index": {**TABLES["index"], **(index or {})}}
    if not motor:
        del tables["motor"]
    made = simulate(scenario_from_mapping(tables))
    limits = {name: limit for name, limit in LIMITS.items() if motor or not name.startswith("motor.")}
    rig = made.rig.model_dump(mode="json", exclude_defaults=True)
    return made.capture, rig_from_mapping({**rig, "limits": limits})


BENCHES = {
    "motor": bench(),
    "index": bench(motor=False),
    "teeth": bench(index=TEETH),
    "teeth alone": bench(index=TEETH, motor=False),
}


def spans_of(built, *spans_s):
    """Instants in seconds to ticks of the capture."""
    per_s = 1 / float(built.tick)
    return [(built.start + round(a * per_s), built.start + round(b * per_s)) for a, b in spans_s]


def damaged(built, how, *spans_s):
    for begin, end in spans_of(built, *spans_s):
        built = cut_all(built, begin, end, how)
    return built


@pytest.mark.parametrize("how", [cut, cut_silently])
@pytest.mark.parametrize(
    "spans", [[(0.311, 0.82)], [(0.3, 1.08)], [(0.04, 0.3)], [(0.85, 1.1)], [(0.2, 0.45), (0.6, 0.9)]]
)
@pytest.mark.parametrize("name", list(BENCHES))
def test_no_verdict_comes_from_a_long_gap(name, spans, how):
    built, rig = BENCHES[name]
    whole = find_revolutions(built, rig).turns["period_s"]
    found = analyse(damaged(built, how, *spans), rig)
    assert [one.kind for one in found.incidents.incidents if one.origin is None] == ["capture-gap"] * len(spans)
    assert [(one.id, one.value) for one in found.verdicts if one.verdict != "pass"] == []
    turns = found.rotation.turns
    used = turns["period_s"][turns["used"]]
    # the motor lines put an instant by their own scatter elsewhere, at most
    assert whole.min() - 2e-6 <= used.min() <= used.max() <= whole.max() + 2e-6
    lost = sum(end - begin for begin, end in spans) * 30.2
    assert len(whole) - lost - 2 * len(spans) <= len(used) < len(whole)
    assert any("the recording has" in said and "lost" in said for said in found.warnings)


@pytest.mark.parametrize("spans", [[(0.3, 0.6)], [(0.6, 0.8)], [(1.0, 1.2)], [(0.1, 1.9)], [(0.2, 0.5), (0.7, 1.3)]])
def test_rows_removed_from_a_table_of_changes(tmp_path, spans):
    """The row after the gap tells several lines' new levels at once: nobody saw when they changed."""
    rows = (CAPTURES / "tide-dial-shaft.csv").read_text().splitlines(keepends=True)

    def seen(row: str) -> bool:
        time = row.partition(",")[0]
        return not time[:1].isdigit() or not any(begin < float(time) < end for begin, end in spans)

    (tmp_path / "cut.csv").write_text("".join(filter(seen, rows)))
    rig = read_rig(CAPTURES / "tide-dial-shaft.toml")
    found = analyse(read_capture(tmp_path / "cut.csv"), rig)
    whole = analyse(read_capture(CAPTURES / "tide-dial-shaft.csv"), rig)
    assert [one.verdict for one in found.verdicts] == ["pass"]
    assert found.rotation.speed.min >= whole.rotation.speed.min - 0.01
    assert found.rotation.speed.max <= whole.rotation.speed.max + 0.01
    assert not [one for one in found.incidents.incidents if "fell" in one.detail or one.kind == "index-shifted"]
    assert found.motor.slip_deg is None or abs(found.motor.slip_deg) < 5
    assert [one.kind for one in found.incidents.incidents].count("capture-gap") == len(spans)


def test_even_marks_do_not_say_which_begins_a_turn_after_a_gap():
    built, rig = bench(index={"pulses_per_revolution": 2})
    assert analyse(built, rig).rotation.begins_known
    found = analyse(damaged(built, cut, (0.3, 0.7)), rig)
    assert not found.rotation.begins_known
    assert any("on both sides of a stretch that nobody saw" in note for note in found.rotation.wheel_notes)
    outcomes = {one.id: one.verdict for one in found.verdicts}
    assert outcomes["rotation.speed"] == "pass" and outcomes["latency.latency"] == "not-measured"
    assert "fail" not in outcomes.values()


def stalled(built, at_s, brake_s, rest_s, run_up_s, names):
    """The capture of a shaft that brakes, rests and runs up again: edges by the angle at which they come."""
    tick = float(built.tick)
    time = np.linspace(0.0, built.end * tick + brake_s + rest_s + run_up_s, 300_001)
    speed = np.interp(
        time,
        [at_s, at_s + brake_s, at_s + brake_s + rest_s, at_s + brake_s + rest_s + run_up_s],
        [1.0, 1e-9, 1e-9, 1.0],
    )
    angle = np.concatenate(([0.0], np.cumsum(speed[:-1] * np.diff(time))))

    def moved(line):
        edges = np.asarray(line.edges[:], dtype=np.int64)
        return dataclasses.replace(
            line, edges=np.unique(np.rint(np.interp(edges * tick, angle, time) / tick)).astype(int)
        )

    lines = tuple(moved(line) if line.name in names else line for line in built.channels)
    return dataclasses.replace(built, channels=lines, end=built.end + round((brake_s + rest_s + run_up_s) / tick))


@pytest.mark.parametrize("brake_s, rest_s, run_up_s", [(0.05, 0.3, 0.1), (0.02, 0.3, 0.05), (0.1, 1.5, 0.2)])
def test_a_shaft_that_really_stops_is_no_gap(brake_s, rest_s, run_up_s):
    built = read_capture(CAPTURES / "tide-dial-shaft.csv")
    names = [line.name for line in built.channels]
    found = analyse(stalled(built, 0.71, brake_s, rest_s, run_up_s, names), read_rig(CAPTURES / "tide-dial-shaft.toml"))
    assert "capture-gap" not in [one.kind for one in found.incidents.incidents]
    assert [one.verdict for one in found.verdicts] == ["fail"]
    assert found.rotation.speed.min < 1.2 / rest_s


def test_a_gap_during_which_another_line_moves_is_none():
    built, rig = BENCHES["motor"]
    ((begin, end),) = spans_of(built, (0.3, 0.5))
    alive = channel("OTHER", np.arange(begin - 10**8, end + 10**8, 10**6))
    quiet = cut_all(built, begin, end)
    found = analyse(dataclasses.replace(quiet, channels=(*quiet.channels, alive)), rig)
    assert "capture-gap" not in [one.kind for one in found.incidents.incidents]
    assert "fail" in [one.verdict for one in found.verdicts]


def test_places_on_both_sides_of_what_nobody_saw():
    """Common practice, no source: counted by themselves, and laid end to end at the pace on either side."""
    times = np.concatenate((np.arange(20) * 1000, 19_000 + 6000 + np.arange(20) * 1000))
    unseen = np.zeros(39, dtype=bool)
    unseen[19] = True
    found = count_places(times, 1, unseen=unseen)
    assert found.place.tolist() == [*range(20), *range(25, 45)]
    assert np.flatnonzero(found.cut).tolist() == [20] and not found.doubtful.any()
    # far longer, or with half a place over: the pace leaves several numbers open
    for apart in (60_000, 6_500):
        away = np.concatenate((times[:20], times[20:] + apart - 6000))
        found = count_places(away, 1, unseen=unseen)
        assert np.flatnonzero(found.doubtful).tolist() == [20]
        assert (found.place != NO_PLACE).all() and (np.diff(found.place)[np.arange(39) != 19] == 1).all()
    # where somebody looked, a step of half a place is the shaft's
    assert not count_places(away, 1).cut.any()


def test_what_a_line_shows_of_unseen_stretches():
    unknown = np.array([[100, 200], [500, 501], [900, 950]])
    assert noticed(unknown, np.array([100, 200, 201, 950])).tolist() == [False, True, False, True]
    assert across(unknown, np.array([0, 100, 150, 200, 600, 880, 1000])).tolist() == [
        False,
        True,
        True,
        True,
        False,
        True,
    ]
    assert across(unknown[:0], np.array([0, 100])).tolist() == [False]
    edges = np.arange(0, 100_000, 5_000)
    assert lasting(unknown, edges).tolist() == [[100, 200], [900, 950]]


@pytest.mark.parametrize("edge", ["rising", "falling", "centre"])
def test_a_pulse_only_noticed_begins_no_turn(edge):
    """Levels of x end in a pulse: when it began nobody saw."""
    at = np.arange(1, 31) * 33_000_000
    line = channel("SENSOR", pulses(at, 1_000_000))
    rig = rig_from_mapping({"index": {"channel": "SENSOR", "edge": edge}})
    whole = find_revolutions(capture([line], end=10**9), rig)
    inside = int(at[15]) + 400_000
    unknown = np.array([[int(at[12]) + 5_000_000, inside]])
    damaged = dataclasses.replace(cut(line, int(unknown[0, 0]), inside), unknown=unknown)
    found = find_revolutions(capture([damaged], end=10**9), rig)
    used = found.turns[found.turns["used"]]
    assert used["period_s"].between(whole.period.min - 1e-9, whole.period.max + 1e-9).all()
    assert set(used["index_tick"]) <= set(whole.turns["index_tick"])
    assert inside not in found.turns["index_tick"].tolist()


def test_one_endless_high_does_not_turn_a_line_over():
    """A gap within a high bit: the line rests low all the same."""
    bits = np.cumsum(np.tile([800, 450], 24 * 16))
    edges = np.concatenate([start + np.concatenate(([0], bits[:-1])) for start in np.arange(80) * 700_000])
    hung = edges.copy()
    hung[len(edges) // 2 + 1 :] += 2 * 10**9
    for line in (edges, hung):
        assert detect_polarity(capture([channel("DOUT", line)], end=int(line[-1]) + 1), channel("DOUT", line)) is False


def only(built, name, change):
    """The capture with one line changed."""
    lines = tuple(change(line) if line.name == name else line for line in built.channels)
    return dataclasses.replace(built, channels=lines)


def dead_from(tick):
    return lambda line: dataclasses.replace(line, edges=line.edges[: int(np.searchsorted(line.edges, tick))])


def dead_until(tick):
    def change(line):
        first = int(np.searchsorted(line.edges, tick))
        return dataclasses.replace(line, edges=line.edges[first:], initial=line.initial ^ (first & 1))

    return change


def unknown_in(begin, end):
    return lambda line: dataclasses.replace(cut(line, begin, end), unknown=np.array([[begin, end]]))


def on_lines(built, names, change):
    for name in names:
        built = only(built, name, change)
    return built


def test_motor_lines_that_stand_still_while_the_index_goes_on_are_dead():
    built, rig = BENCHES["motor"]
    ((begin, end),) = spans_of(built, (0.3, 0.7))
    phases = rig.motor.phases
    whole = analyse(built, rig).rotation
    for change in (lambda line: cut(line, begin, end), dead_from(end), dead_until(begin)):
        found = analyse(on_lines(built, phases, change), rig)
        # the index alone knows the turns there, and no pulse of it is one too many
        assert found.rotation.speed.n == whole.speed.n
        assert found.rotation.speed.min == pytest.approx(whole.speed.min, rel=1e-3)
        assert {one.id for one in found.verdicts if one.verdict == "fail"} == {"motor.dropouts"}
        assert found.motor.dropouts == 1


def test_motor_lines_that_never_move_are_in_order_nowhere():
    built, rig = BENCHES["motor"]
    found = analyse(on_lines(built, rig.motor.phases, dead_from(0)), rig)
    outcomes = {one.id: (one.verdict, one.note) for one in found.verdicts if one.id.startswith("motor.")}
    assert set(outcomes.values()) == {("not-measured", "no electrical cycle on U, V, W")}


@pytest.mark.parametrize("names", [["U"], ["U", "V", "W"], ["DOUT"], ["SENSOR"], ["SENSOR", "U", "V", "W", "DOUT"]])
def test_levels_of_x_are_no_fault(names):
    built, rig = BENCHES["motor"]
    ((begin, end),) = spans_of(built, (0.3, 0.7))
    found = analyse(on_lines(built, names, unknown_in(begin, end)), rig)
    assert [(one.id, one.value) for one in found.verdicts if one.verdict != "pass"] == []
    assert {one.kind for one in found.incidents.incidents if one.origin is None} <= {"capture-gap"}
    assert all(any(name in said and "unknown (x" in said for said in found.warnings) for name in names)


def test_nothing_passes_on_what_came_before_a_line_died():
    built, rig = BENCHES["motor"]
    ((half, late),) = spans_of(built, (0.6, 1.15))
    for name, told in (
        ("DOUT", ("leds.", "latency.", "placement.")),
        ("SENSOR", ("rotation.", "latency.", "placement.")),
    ):
        found = analyse(only(built, name, dead_from(half)), rig)
        resting = [one for one in found.verdicts if one.id.startswith(told)]
        assert {one.verdict for one in resting} <= {"undecided", "fail"}
        assert all(f"{name} goes dead at" in one.note for one in resting if one.verdict == "undecided")
        # the end of the record alone is only warned of
        found = analyse(only(built, name, dead_from(late)), rig)
        assert "undecided" not in {one.verdict for one in found.verdicts}


def test_what_failed_before_a_line_died_stays_failed():
    built, rig = BENCHES["motor"]
    strict = rig_from_mapping(
        {**rig.model_dump(mode="json", exclude_defaults=True), "limits": {"latency.latency": {"max_us": 1}}}
    )
    ((half, _),) = spans_of(built, (0.6, 1.15))
    found = analyse(only(built, "DOUT", dead_from(half)), strict)
    assert {one.verdict for one in found.verdicts if one.id == "latency.latency"} == {"fail"}


def test_an_led_line_that_begins_late_did_not_answer_late():
    built, rig = BENCHES["motor"]
    ((half, _),) = spans_of(built, (0.611, 1.15))
    found = analyse(only(built, "DOUT", dead_until(half)), rig)
    assert {one.id: one.verdict for one in found.verdicts}["latency.latency"] == "pass"


@pytest.mark.parametrize("where, change", [("first", dead_until), ("last", dead_from)])
def test_a_record_that_begins_or_ends_with_nothing(where, change):
    built, rig = BENCHES["motor"]
    ((half, _),) = spans_of(built, (0.6, 1.15))
    names = [line.name for line in built.channels]
    found = analyse(on_lines(built, names, change(half)), rig)
    assert [said for said in found.warnings if f"no line changes in the {where}" in said]
    assert "fail" not in {one.verdict for one in found.verdicts}
    assert not any("no line changes" in said for said in analyse(built, rig).warnings)


def test_a_shaft_that_comes_to_rest_at_the_end_is_not_asked_about():
    built = read_capture(CAPTURES / "tide-dial-shaft.csv")
    names = [line.name for line in built.channels]
    stopping = stalled(built, 1.2, 0.3, 3.0, 0.1, names)
    rest = round(2.5 / float(built.tick))
    stopping = on_lines(dataclasses.replace(stopping, end=rest), names, dead_from(rest))
    found = analyse(stopping, read_rig(CAPTURES / "tide-dial-shaft.toml"))
    assert not any("no line changes" in said for said in found.warnings)


def test_spikes_on_a_motor_line_are_told_and_do_not_turn_the_shaft():
    built, rig = BENCHES["motor"]
    ((begin, end),) = spans_of(built, (0.4, 0.6))
    spikes = pulses(np.arange(begin, end, 1_000_000), 1000)

    def spiked(line):
        edges, times = np.unique(np.concatenate((line.edges, spikes)), return_counts=True)
        return dataclasses.replace(line, edges=edges[times % 2 == 1])

    found, whole = analyse(only(built, "U", spiked), rig), analyse(built, rig)
    assert {one.id for one in found.verdicts if one.verdict != "pass"} == {"motor.sequence_faults"}
    assert found.motor.count("extra-edge") == 200
    assert found.motor.slip_deg == pytest.approx(whole.motor.slip_deg, abs=0.1)
    assert found.placements[0].offset.mean == pytest.approx(whole.placements[0].offset.mean, abs=0.05)


@pytest.mark.parametrize("name", list(BENCHES))
def test_turns_through_a_jump_of_the_clock_are_not_made_up(name):
    """Two recordings a day apart in one file: 2.6 million turns would fit in between, and nobody saw one of them."""
    built, rig = BENCHES[name]
    ((at, _),) = spans_of(built, (0.5, 0.6))
    day = round(86_400 / float(built.tick))
    channels = [
        dataclasses.replace(
            one,
            edges=np.where(one.edges[:] > at, one.edges[:] + day, one.edges[:]),
            unknown=np.where(one.unknown > at, one.unknown + day, one.unknown),
        )
        for one in built.channels
    ]
    found = analyse(dataclasses.replace(built, channels=tuple(channels), end=built.end + day), rig)
    sound = analyse(built, rig)
    assert abs(len(found.rotation.turns) - len(sound.rotation.turns)) <= 1
    (gap,) = [one for one in found.incidents.incidents if one.origin is None]
    assert gap.kind == "capture-gap"
    assert not {one.kind for one in found.observations} & {"speed-step", "update-late", "column-rate"}
    assert found.rotation.speed.mean == pytest.approx(sound.rotation.speed.mean, rel=1e-3)
    failed = {one.id for one in found.verdicts if one.verdict == "fail"}
    assert failed <= {one.id for one in sound.verdicts if one.verdict == "fail"}, failed
