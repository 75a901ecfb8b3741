"""Damaged captures and wrong rigs: the best honest answer, and a sentence about it on the report's first page."""

from __future__ import annotations

import dataclasses
import gzip
import json
import lzma
import random
import re
import warnings
from fractions import Fraction

import numpy as np
import pytest

from build import capture, channel, display
from fuzz import damage
from spinlag import read_capture
from spinlag.errors import SpinlagError
from spinlag.lattice_breaks import find_breaks
from spinlag.pipeline import analyse
from spinlag.report import html
from spinlag.report.results import results_bytes
from spinlag.report.sections import left_out
from spinlag.rig import rig_from_mapping
from spinlag.synth.write import lines_of, write_csv, write_vcd

TABLES = {
    "capture": {"sample_rate_hz": 1e9},
    "index": {"channel": "SENSOR"},
    "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 2}],
    "display": {"columns": 8},
    "limits": {"latency.latency": {"max_us": 450}},
}
RIG = rig_from_mapping(TABLES)
BUILT, INDEX, STARTS = display(revolutions=20)
SENSOR, DOUT = BUILT.channels


def warnings_of(built, rig=RIG):
    """What is doubtful about a capture."""
    findings = analyse(built, rig)
    assert findings.warnings == findings.capture.warnings
    return findings.warnings


def one_warning(built, rig=RIG):
    """The only thing that is doubtful."""
    (said,) = warnings_of(built, rig)
    assert "\n" not in said
    return said


# --- what a colleague would ask


def test_a_sound_capture_raises_no_doubt():
    assert warnings_of(BUILT) == ()
    assert warnings_of(BUILT, rig_from_mapping({**TABLES, "limits": {}})) == ()


def test_a_channel_that_never_changes():
    said = one_warning(capture([SENSOR, channel("DOUT", [], initial=1)]))
    assert said.startswith("DOUT (leds[0].data) never changes in the whole record, it stays high")
    both = one_warning(capture([channel("SENSOR", []), channel("DOUT", [], initial=1)], end=10**9))
    assert both.startswith(
        "SENSOR (index.channel, low) and DOUT (leds[0].data, high) never change in the whole record: look at their"
    )


def test_a_channel_that_dies_and_one_that_comes_late():
    said = one_warning(capture([channel("SENSOR", SENSOR.edges[:20]), DOUT]))
    assert said.startswith("SENSOR (index.channel) changes for the last time at 0.258339 s, 311 ms before the end")
    half = len(DOUT.edges) // 4 * 2
    said = one_warning(capture([SENSOR, channel("DOUT", DOUT.edges[half:])]))
    assert said.startswith("DOUT (leds[0].data) changes for the first time")


def test_an_index_that_dies_after_a_few_turns():
    said = one_warning(capture([channel("SENSOR", SENSOR.edges[:8]), DOUT]))
    assert said.startswith("SENSOR (index.channel) changes for the last time at ")


def test_everything_stopping_together_is_no_dead_channel():
    (said,) = warnings_of(dataclasses.replace(BUILT, end=BUILT.end * 2))
    assert "no line changes in the last 573 ms of the record" in said


def test_stretches_of_x_and_z():
    spans = np.array([[100_000_000, 150_000_000], [200_000_000, 200_010_000]])
    said = one_warning(capture([SENSOR, dataclasses.replace(DOUT, unknown=spans)]))
    assert said.startswith(
        "DOUT (leds[0].data) is unknown (x, z or no sample) in 2 stretches, 50 ms in all, the first at 0.1 s"
    )
    both = one_warning(capture([dataclasses.replace(line, unknown=spans) for line in (SENSOR, DOUT)]))
    assert both.startswith(
        "SENSOR (index.channel) and DOUT (leds[0].data) are unknown (x, z or no sample) in 2 stretches"
    )
    # each line is known again with its own next level, and what the warning told is not told again
    ends = [np.array([[100_000_000, 150_000_000 + late]]) for late in (0, 20_000_000)]
    lines = [dataclasses.replace(line, unknown=own) for line, own in zip((SENSOR, DOUT), ends, strict=True)]
    assert "are unknown (x, z or no sample) in one stretch, 50 ms to 70 ms in all, the first at" in one_warning(
        capture(lines)
    )
    assert not any("level" in said and "unknown" in said for said in left_out(analyse(capture(lines), RIG)))
    unnamed = dataclasses.replace(channel("AUX", [5_000, 400_000_000]), unknown=ends[0])
    assert any("AUX: level unknown" in said for said in left_out(analyse(capture([SENSOR, DOUT, unnamed]), RIG)))
    # a line that is first heard of a moment after the start is as usual
    lead = np.array([[0, int(DOUT.edges[0]) // 2]])
    assert warnings_of(capture([SENSOR, dataclasses.replace(DOUT, unknown=lead)])) == ()


def test_a_gap_in_the_middle():
    kept = [channel(c.name, c.edges[(c.edges < 200_000_000) | (c.edges > 300_000_000)]) for c in (SENSOR, DOUT)]
    assert one_warning(capture(kept)).startswith("the recording has a gap at 0.19")


def sampled(hz):
    """The lines as a recorder of that rate sees them, in samples."""
    return [channel(c.name, np.unique((c.edges * hz) // 10**9)) for c in (SENSOR, DOUT)]


@pytest.mark.parametrize(
    ("said_hz", "true_hz", "factor", "tick_ns"),
    [
        (1, 24_000_000, "2.4e+07", "41.6666667"),  # a writer that leaves its default of 1 s a tick
        (12_000_000, 24_000_000, "2", "41.6666667"),
        (48_000_000, 24_000_000, "0.5", "41.6666667"),
        (1_000_000, 100_000_000, "100", "10"),
        (100_000_000, 25_000_000, "0.25", "40"),
    ],
)
def test_a_wrong_clock_is_betrayed_by_the_bits(said_hz, true_hz, factor, tick_ns):
    built = capture(sampled(true_hz), tick=Fraction(1, said_hz))
    rig = rig_from_mapping({**TABLES, "capture": {}})
    warnings = warnings_of(built, rig)
    assert len(warnings) == 1
    assert f"all bit times are {factor} times what WS2812B 2013-05 takes" in warnings[0]
    assert f"[capture] tick_ns = {tick_ns} in the rig" in warnings[0]
    mended = capture(sampled(true_hz), tick=Fraction(1, true_hz))
    assert warnings_of(mended, rig) == ()


def test_a_clock_a_little_off_is_left_to_the_verdicts():
    built = dataclasses.replace(BUILT, tick=Fraction(110, 10**11))
    assert [said for said in warnings_of(built) if "clock" in said] == []


def test_a_wrong_clock_without_a_part():
    rig = rig_from_mapping({**TABLES, "capture": {}, "leds": [{"name": "arm", "data": "DOUT"}]})
    said = [w for w in warnings_of(capture(sampled(24_000_000), tick=Fraction(1)), rig) if "clock looks wrong" in w]
    assert "[capture] tick_ns = 41.6666667" in said[0]
    assert "a one-wire LED" in said[0]


def test_an_inverted_line_and_swapped_clips():
    said = one_warning(capture([SENSOR, channel("DOUT", DOUT.edges, initial=1)]))
    assert "DOUT (leds[0].data) idles high" in said
    assert "set inverted = true" in said
    swapped = warnings_of(capture([channel("DOUT", SENSOR.edges), channel("SENSOR", DOUT.edges)]))
    assert any('swap them (index.channel = "DOUT", leds[0].data = "SENSOR")' in said for said in swapped)
    other = capture([SENSOR, channel("DOUT", SENSOR.edges + 5_000_000), channel("X", DOUT.edges)])
    assert any("does not look like LED data on one wire, but X does" in said for said in warnings_of(other))


def test_two_chains_with_their_clips_exchanged():
    longer, _, _ = display(revolutions=20, leds=3, seed=2, response=300_000)
    built = capture([SENSOR, DOUT, channel("LONG", longer.channels[1].edges)])
    chains = [{"name": "a", "data": "DOUT", "count": 3}, {"name": "b", "data": "LONG", "count": 2}]
    rig = rig_from_mapping({**TABLES, "leds": chains})
    said = [warning for warning in warnings_of(built, rig) if "other way round" in warning]
    assert said == [
        "DOUT carries 2 LEDs and LONG 3, the other way round than in the rig: swap the data lines of a and b"
    ]
    chains[0]["count"], chains[1]["count"] = 2, 3
    assert not any("other way" in said for said in warnings_of(built, rig_from_mapping({**TABLES, "leds": chains})))


def test_changes_cut_out_of_the_file_are_asked_about():
    """As many bits lack as fit into the one that lasts so long: a sender that stalls makes the update longer."""
    k = len(DOUT.edges) // 2 // 2 * 2 + 10
    kept = np.delete(DOUT.edges, np.s_[k + 1 : k + 25])
    said = one_warning(capture([SENSOR, channel("DOUT", kept)]))
    assert said.startswith("DOUT: one bit at ")
    assert "stands where 12 bits lack from an update that took its usual time" in said
    stalled = DOUT.edges + np.where(np.arange(len(DOUT.edges)) > k, 12 * 1250, 0)
    assert warnings_of(capture([SENSOR, channel("DOUT", stalled)])) == ()


# --- a recorder that fell out of step


def written(path, edges_at, text=None):
    """A capture file whose lines carry these edges, in ns."""
    write_vcd(path, lines_of(edges_at), tick=edges_at.tick, end=edges_at.end)
    return path


def on_lattice(edges, shift_from=None, shift=0):
    """Edges (ns) as a 24 MHz recorder sees them; from an instant on, its samples lie `shift` ns later."""
    late = np.where(edges >= shift_from, shift, 0) if shift_from is not None else 0
    samples = -(-(edges - late) * 24 // 1000)
    return np.unique((samples * 1000 + 12) // 24 + late)


@pytest.mark.parametrize("shift", [13, 20, 29])
def test_dropped_samples_show_in_the_lattice(tmp_path, shift):
    at = 301_234_567
    lines = [channel(c.name, on_lattice(c.edges, at, shift)) for c in (SENSOR, DOUT)]
    found = read_capture(written(tmp_path / "slipped.vcd", capture(lines)))
    (said,) = [warning for warning in found.warnings if "out of step" in warning]
    assert "multiples of 41.6667 ns" in said
    before, after = map(float, re.search(r"between ([\d.]+) s and ([\d.]+) s", said).groups())
    assert before <= at * 1e-9 <= after
    ((first, last),) = found.out_of_step
    assert first <= at <= last
    # the figures keep the recorder's own resolution, not the file's tick
    assert found.sample_period.source == "lattice"
    assert found.sample_period_s == pytest.approx(1 / 24e6)


def test_several_places_out_of_step_between_two_probes_are_all_found():
    line = on_lattice(DOUT.edges)
    at = [len(line) // 2 + 13, len(line) // 2 + 40, len(line) // 2 + 61]
    for place, lost in zip(at, (13, 7, 9), strict=True):
        line[place:] += lost
    found = find_breaks([line], Fraction(1, 10**9), Fraction(125, 3))
    assert found.between == tuple((line[place - 1], line[place]) for place in at)


def losing_samples_in_a_bit(lost=1020):
    """A 24 MHz recorder that lost so many ns in the middle of a low level, without the time going on."""
    edges = on_lattice(DOUT.edges)
    k = len(edges) // 2 // 2 * 2
    at = int(edges[k + 11]) + 50
    assert edges[k + 12] - at > 100
    lines = [on_lattice(SENSOR.edges), edges]
    moved = [
        channel(c.name, np.where(line > at, line + lost, line)) for c, line in zip((SENSOR, DOUT), lines, strict=True)
    ]
    slipped = capture(moved, sample_ticks=Fraction(125, 3))
    found = find_breaks([line.edges for line in slipped.channels], slipped.tick, slipped.sample_period.ticks)
    return dataclasses.replace(slipped, out_of_step=found.between)


def verdict_of(built, quantity, limits=None):
    tables = {**TABLES, "capture": {}, "limits": {**TABLES["limits"], **(limits or {})}}
    (one,) = [v for v in analyse(built, rig_from_mapping(tables)).verdicts if v.id == quantity]
    return one


def test_an_interval_in_which_samples_were_lost_fails_nothing():
    """What a stretch without samples made of one bit is not the bit's fault."""
    slipped = losing_samples_in_a_bit()
    assert verdict_of(slipped, "leds.arm.bit_period").verdict == "pass"
    assert verdict_of(dataclasses.replace(slipped, out_of_step=()), "leds.arm.bit_period").verdict == "fail"
    # what is wrong everywhere fails all the same, and what passes in spite of it has passed
    slow = verdict_of(slipped, "leds.arm.t0h", {"leds.arm.t0h": {"max_ns": 300}})
    assert slow.verdict == "fail"
    assert verdict_of(slipped, "latency.latency").verdict == "pass"


def test_a_recorder_in_step_raises_no_doubt(tmp_path):
    lines = [channel(c.name, on_lattice(c.edges)) for c in (SENSOR, DOUT)]
    found = read_capture(written(tmp_path / "sound.vcd", capture(lines)))
    assert found.warnings == ()
    assert found.sample_period_s == pytest.approx(1 / 24e6)
    rng = np.random.default_rng(3)
    # a long chain's own clock shows a lattice within every update, but no two updates share it
    long, _, _ = display(revolutions=4, columns=4, leds=64, jitter=50_000)
    assert not any("out of step" in said for said in read_capture(written(tmp_path / "long.vcd", long)).warnings)
    free = [channel(c.name, np.unique(c.edges + rng.integers(0, 9, len(c.edges)))) for c in (SENSOR, DOUT)]
    assert read_capture(written(tmp_path / "free.vcd", capture(free))).warnings == ()


# --- files cut anywhere


SMALL, _, _ = display(revolutions=2, columns=1, leds=1)


def outcome(path, rig=RIG):
    """Findings of the whole analysis, or the one line it ended in."""
    try:
        findings = analyse(read_capture(path, table=rig.capture), rig)
    except SpinlagError as error:
        assert "\n" not in str(error)
        return str(error)
    json.loads(results_bytes(findings))
    return findings


@pytest.mark.parametrize("kind", ["vcd", "csv"])
def test_cut_at_every_byte_through_the_whole_check(tmp_path, kind):
    """A cut capture gives what stands before the cut: never an edge that the whole file has not, never a pass more."""
    path = tmp_path / f"cut.{kind}"
    if kind == "vcd":
        write_vcd(path, lines_of(SMALL), tick=SMALL.tick, end=SMALL.end)
    else:
        changes = np.unique(np.concatenate([line.edges for line in SMALL.channels]))
        levels = [[line.level_at(int(at)) for line in SMALL.channels] for at in changes]
        rows = "".join(f"{at},{one},{two}\n" for at, (one, two) in zip(changes, levels, strict=True))
        path.write_text("Time [ns],SENSOR,DOUT\n0,0,0\n" + rows)
    text = path.read_bytes()
    whole = outcome(path)
    revolutions = len(whole.rotation.turns)
    read, silent = 0, []
    stops = range(1, len(text))
    # the analysis behind the reading sees the same edges for most cuts: it runs once for each
    seen = {}
    for stop in stops:
        path.write_bytes(text[:stop])
        try:
            found = read_capture(path, table=RIG.capture)
        except SpinlagError as error:
            assert "\n" not in str(error)
            continue
        read += 1
        for mine, full in zip(found.channels, whole.capture.channels, strict=False):
            edges = mine.edges[:]
            assert np.array_equal(edges, full.edges[: len(edges)]), (stop, text[stop - 20 : stop])
        if not found.warnings and text[stop - 1 : stop] not in b"\n":
            silent.append(text[max(0, stop - 12) : stop])
        key = tuple(len(channel.edges) for channel in found.channels)
        if key not in seen and len(seen) < 25 and stop % 5 == 0:
            seen[key] = outcome(path)
    assert read > len(text) // 2
    for findings in seen.values():
        if not isinstance(findings, str) and findings.rotation is not None:
            assert len(findings.rotation.turns) <= revolutions
    # a cut that says nothing ends in a whole record
    if kind == "vcd":
        assert all(re.search(rb"\s([01][!-~]|\$end)$", end) for end in silent), silent[:5]
    else:
        assert all(re.search(rb"[01]$", end) for end in silent), silent[:5]


def two_members(pack):
    """Packed in two parts, one behind the other, as when files were joined; the first ends in the midst of a line."""

    def packed(text):
        middle = text.rindex(b"\n", 0, len(text) // 2) - 1
        return pack(text[:middle]) + pack(text[middle:])

    return packed


PACKERS = {
    "gz": lambda text: gzip.compress(text, mtime=0),
    "xz": lzma.compress,
    "gz of two members": two_members(lambda text: gzip.compress(text, mtime=0)),
    "xz of two streams": two_members(lzma.compress),
}


@pytest.mark.parametrize("kind", ["vcd", "csv"])
@pytest.mark.parametrize("packed", PACKERS)
def test_a_compressed_capture_cut_at_every_byte(tmp_path, kind, packed):
    """What comes out before the cut, with a warning, or one line that names the file; never an edge out of nothing."""
    small, _, _ = display(revolutions=2, columns=1, leds=1)
    plain = tmp_path / f"plain.{kind}"
    if kind == "vcd":
        write_vcd(plain, lines_of(small), tick=small.tick, end=small.end)
    else:
        write_csv(plain, lines_of(small), tick=small.tick, period_ticks=Fraction(1), end=small.end)
    data = PACKERS[packed](plain.read_bytes())
    whole = read_capture(plain)
    path = tmp_path / f"cut.{kind}.{packed[:2]}"
    path.write_bytes(data)
    assert read_capture(path).warnings == whole.warnings
    partial, refused = 0, 0
    for stop in range(len(data)):
        path.write_bytes(data[:stop])
        try:
            found = read_capture(path, table=RIG.capture)
        except SpinlagError as error:
            said = str(error)
            assert said.startswith(str(path)), stop
            assert "\n" not in said
            refused += 1
            continue
        partial += 1
        assert any("end before their time" in said or "cut short" in said for said in found.warnings), stop
        assert len(found.channels) <= len(whole.channels)
        assert found.end <= whole.end
        for mine, full in zip(found.channels, whole.channels, strict=False):
            edges = mine.edges[:]
            assert np.array_equal(edges, full.edges[: len(edges)]), stop
    assert partial > len(data) // 3
    assert refused >= 1


@pytest.mark.parametrize("seed", range(12))
def test_random_cuts_and_holes_in_a_larger_file(tmp_path, seed):
    chance = random.Random(seed)
    path = tmp_path / "large.vcd"
    write_vcd(path, lines_of(BUILT), tick=BUILT.tick, end=BUILT.end)
    text = path.read_bytes()
    body = text.index(b"$enddefinitions") + 30
    stop = chance.randrange(body, len(text))
    if seed % 2:
        path.write_bytes(text[:stop])
    else:
        again = text.index(b"\n#", min(stop + chance.randrange(1, 40_000), len(text) - 200))
        path.write_bytes(text[: text.rindex(b"\n", 0, stop)] + text[again:])
    findings = outcome(path)
    if isinstance(findings, str):
        assert seed % 2 == 0 or stop < body + 3000, findings
        return
    assert findings.capture.end <= BUILT.end + 1  # the writer ends the record with a time stamp of its own
    for mine, full in zip(findings.capture.channels, BUILT.channels, strict=True):
        strange = np.setdiff1d(mine.edges[:], full.edges)
        # behind a hole a line may show its new level at the first instant that is left
        assert len(strange) <= 1


def test_what_was_left_out_is_on_the_first_page(tmp_path):
    path = tmp_path / "cut.vcd"
    write_vcd(path, lines_of(BUILT), tick=BUILT.tick, end=BUILT.end)
    path.write_bytes(path.read_bytes()[:-7])
    findings = analyse(read_capture(path, table=RIG.capture), RIG)
    page = html.report_bytes(findings).decode()
    first = page[: page.index("<table")] if "<table" in page else page
    assert "cut short" in first
    document = json.loads(results_bytes(findings))
    assert any("cut short" in warning for warning in document["capture"]["warnings"])
    assert document["warnings"] == document["capture"]["warnings"]


# --- whatever a bench can do wrong


def test_damage_by_chance_is_analysed_or_refused():
    """A short run of `python -m tests.fuzz.damage`."""
    ended = set()
    for number in range(0, 64, 2):
        if number % 16 == 0:
            one = damage.bench(20261125, number // 16)
        how, wrong = damage.tried(one, 20261125, number)
        assert wrong == ""
        ended.add(how)
    # a run in which every input came to nothing tries nothing
    assert {"pass", "undecided"} <= ended


def test_a_motor_line_that_seems_to_run_backwards_leaves_no_period_below_zero():
    """Inverted, unknown for a stretch and exchanged: the turns that such lines tell must still follow one another."""
    with warnings.catch_warnings(action="error"):
        assert damage.tried(damage.bench(777123, 50 // damage.EVERY), 777123, 50)[1] == ""


def test_a_data_line_that_dies_early_leaves_the_clocks_of_later_slices(monkeypatch):
    """The sums of updates whose data never move are counted like those of any other update."""
    one = damage.bench(20261125, 1)
    chain = one.rig.leds[0]
    assert chain.wiring == "clocked"
    line = one.capture.channel(chain.data)
    dead = dataclasses.replace(line, edges=line.edges[: len(line.edges) // 3])
    lines = tuple(dead if line is old else old for old in one.capture.channels)
    found = analyse(dataclasses.replace(one.capture, channels=lines), one.rig)
    assert any("changes for the last time" in said for said in found.warnings)
    assert found.chains[0].timing["data_setup"].statistics.uncertainty > 0


def test_a_line_of_leds_on_a_motor_clip_is_no_fault_of_ours():
    """Its edges cross one another wherever they are counted as those of a motor."""
    one = damage.bench(20261125, 2)
    motor, data = one.rig.motor.phases[0], one.rig.leds[0].data
    exchanged = {motor: data, data: motor}
    lines = [
        dataclasses.replace(one.capture.channel(exchanged.get(line.name, line.name)), name=line.name, path=line.path)
        for line in one.capture.channels
    ]
    with warnings.catch_warnings(action="error"):
        found = analyse(dataclasses.replace(one.capture, channels=tuple(lines)), one.rig)
    assert found.verdict != "pass"
