"""Synthetic captures as files: VCD against pyvcd, CSV against csv and Fraction, and what stands beside them."""

import csv
import gzip
import io
import json
import lzma
import os
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from spinlag.errors import OutputError, RigError
from spinlag.rig import read_rig
from spinlag.synth import read_scenario, scenario_from_mapping, simulate, synthesise
from spinlag.synth.files import rig_toml, truth_json, write_trial
from spinlag.synth.simulate import run
from spinlag.synth.write import CsvLayout, lines_of, write_csv, write_vcd

SMALL = {
    "title": "small",
    "seed": 5,
    "duration_s": 0.15,
    "motor": {},
    "leds": [{"count": 3, "jitter_ns": 4}],
    "firmware": {"columns": 12},
    "markers": [{"name": "radio", "channel": "RADIO", "rate_per_s": 60}],
    "limits": {"latency.latency": {"max_us": 400}},
}


def by_pyvcd(data):
    """Channels of a VCD file as pyvcd reads it: {name: (initial, edges)}, the timescale, and the last time."""
    names, edges, initial, now, scale = {}, {}, {}, 0, None
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.TIMESCALE:
            scale = f"{int(token.timescale.magnitude)} {token.timescale.unit.value}"
        elif token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.CHANGE_TIME:
            assert token.time_change > now or not initial
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            name = names[token.scalar_change.id_code]
            if name not in initial:
                initial[name] = token.scalar_change.value
                edges[name] = []
            else:
                edges[name].append(now)
                level = int(initial[name]) ^ (len(edges[name]) & 1)
                assert token.scalar_change.value == str(level)
    return {name: (int(initial[name]), edges[name]) for name in initial}, scale, now


@pytest.mark.parametrize(("tick", "rate"), [("1 ns", 24e6), ("10 ns", 8e6), ("1 ps", 100e6), ("1 us", 1e6)])
def test_vcd_files_read_back_the_same_with_pyvcd(tmp_path, tick, rate):
    # pyvcd is an independent reader of IEEE Std 1364-2005, clause 18
    data = {**SMALL, "duration_s": 0.05, "recorder": {"tick": tick, "sample_rate_hz": rate}}
    capture = simulate(scenario_from_mapping(data)).capture
    path = write_vcd(tmp_path / "a.vcd", lines_of(capture), tick=capture.tick, end=capture.end, comment="a $end b")
    read, scale, last = by_pyvcd(path.read_bytes())
    assert scale == tick and last == capture.end
    assert list(read) == [channel.name for channel in capture.channels]
    for channel in capture.channels:
        assert read[channel.name] == (channel.initial, channel.edges.tolist()), channel.name
    assert len(capture.channel("DOUT").edges) > 500


def test_streamed_and_in_memory_captures_are_the_same(tmp_path):
    trial = run(scenario_from_mapping(SMALL))
    capture = trial.capture()
    one = write_vcd(tmp_path / "one.vcd", trial.lines(), tick=capture.tick, end=capture.end)
    two = write_vcd(tmp_path / "two.vcd", lines_of(capture), tick=capture.tick, end=capture.end)
    assert one.read_bytes() == two.read_bytes()


def test_blocks_do_not_show_in_the_file(tmp_path, monkeypatch):
    capture = simulate(scenario_from_mapping(SMALL)).capture
    whole = write_vcd(tmp_path / "one.vcd", lines_of(capture), tick=capture.tick, end=capture.end).read_bytes()
    monkeypatch.setattr("spinlag.synth.write._SLICE", 97)
    assert write_vcd(tmp_path / "b.vcd", lines_of(capture), tick=capture.tick, end=capture.end).read_bytes() == whole


def test_more_channels_than_one_letter_codes(tmp_path):
    from spinlag.synth.record import Line

    lines = [Line(f"L{i}", i & 1, [np.array([10 + i, 500 + i])]) for i in range(200)]
    path = write_vcd(tmp_path / "many.vcd", lines, tick=Fraction(1, 10**9), end=1000)
    read, _, _ = by_pyvcd(path.read_bytes())
    assert read == {f"L{i}": (i & 1, [10 + i, 500 + i]) for i in range(200)}


TICKS = st.integers(1, 400) | st.integers(999_990, 1_000_010)  # on both sides of a power of ten


@settings(max_examples=60)
@given(
    tracks=st.lists(
        st.sets(st.integers(1, 400) | st.integers(999_990, 1_000_010), max_size=30), min_size=1, max_size=5
    ),
    initial=st.lists(st.integers(0, 1), min_size=5, max_size=5),
    block=st.integers(1, 40),
)
def test_any_lines_read_back_the_same_with_pyvcd(tmp_path_factory, tracks, initial, block):
    from spinlag.synth.record import Line

    edges = [np.array(sorted(track), dtype=np.int64) for track in tracks]
    lines = [
        Line(f"L{i}", initial[i], [own[at : at + block] for at in range(0, len(own), block)])
        for i, own in enumerate(edges)
    ]
    path = tmp_path_factory.mktemp("any") / "a.vcd"
    write_vcd(path, lines, tick=Fraction(1, 10**9), end=1_000_010)
    read, _, last = by_pyvcd(path.read_bytes())
    assert read == {f"L{i}": (initial[i], own.tolist()) for i, own in enumerate(edges)}
    assert last == 1_000_010


def test_compressed_files_hold_the_same_bytes_each_time(tmp_path):
    scenario = tmp_path / "s.toml"
    scenario.write_text("seed = 5\nduration_s = 0.1\n[[leds]]\ncount = 2\n", encoding="utf-8")
    plain = synthesise(scenario, tmp_path / "p.vcd")[0].read_bytes()
    zipped = synthesise(scenario, tmp_path / "g.vcd.gz")[0].read_bytes()
    assert gzip.decompress(zipped) == plain
    assert lzma.decompress(synthesise(scenario, tmp_path / "x.vcd.xz")[0].read_bytes()) == plain
    assert synthesise(scenario, tmp_path / "h.vcd.gz")[0].read_bytes() == zipped


def exact(text):
    return Fraction(text.replace(",", "."))


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns", "samples"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_csv_one_row_per_change(tmp_path, unit, decimal):
    capture = simulate(scenario_from_mapping({**SMALL, "duration_s": 0.04})).capture
    layout = CsvLayout(time=unit, decimal=decimal, delimiter=";", high="high", low="low", preamble=("# rate",))
    path = write_csv(
        tmp_path / "a.csv",
        lines_of(capture),
        tick=capture.tick,
        period_ticks=capture.sample_period.ticks,
        end=capture.end,
        layout=layout,
    )
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()[1:], delimiter=";"))
    assert rows[0][1:] == [channel.name for channel in capture.channels]
    scale = {"s": 1, "ms": 1000, "us": 10**6, "ns": 10**9}.get(unit)
    if scale is None:
        times = [round(int(row[0]) * capture.sample_period.ticks) for row in rows[1:]]
    else:
        times = [int(exact(row[0]) / scale / capture.tick) for row in rows[1:]]
    assert times[0] == 0 and times[-1] == capture.end
    assert times == sorted(set(times))
    for i, channel in enumerate(capture.channels, start=1):
        levels = [{"high": 1, "low": 0}[row[i]] for row in rows[1:]]
        edges = [t for t, before, after in zip(times[1:], levels, levels[1:], strict=False) if before != after]
        assert levels[0] == channel.initial and edges == channel.edges.tolist()


def test_csv_one_row_per_sample(tmp_path, monkeypatch):
    data = {**SMALL, "duration_s": 0.05, "recorder": {"sample_rate_hz": 1e6, "tick": "1 ns"}, "leds": []}
    capture = simulate(scenario_from_mapping(data)).capture
    monkeypatch.setattr("spinlag.synth.write._SLICE", 1000)
    path = write_csv(
        tmp_path / "a.csv",
        lines_of(capture),
        tick=capture.tick,
        period_ticks=capture.sample_period.ticks,
        end=capture.end,
        layout=CsvLayout(rows="sample", time="us"),
    )
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))[1:]
    assert len(rows) == 50_000
    assert [int(exact(row[0])) for row in rows] == list(range(50_000))
    for i, channel in enumerate(capture.channels, start=1):
        levels = np.array([int(row[i]) for row in rows])
        assert levels[0] == channel.initial
        assert ((np.flatnonzero(np.diff(levels)) + 1) * 1000).tolist() == channel.edges.tolist()


def test_a_scenario_is_never_overwritten_by_its_rig(tmp_path):
    scenario = tmp_path / "s.toml"
    scenario.write_text("duration_s = 0.1\nleds = []\n", encoding="utf-8")
    with pytest.raises(OutputError, match=r"s\.toml: is the scenario itself"):
        synthesise(scenario, tmp_path / "s.vcd", force=True)
    assert os.listdir(tmp_path) == ["s.toml"]


def test_nothing_is_overwritten_unless_forced(tmp_path):
    scenario = tmp_path / "s.toml"
    scenario.write_text("duration_s = 0.1\nleds = []\n", encoding="utf-8")
    out = tmp_path / "a.vcd"
    written = synthesise(scenario, out)
    assert [path.name for path in written] == ["a.vcd", "a.truth.json", "a.toml"]
    before = {path: path.read_bytes() for path in written}
    out.unlink()
    with pytest.raises(OutputError, match=r"a\.truth\.json: exists already"):
        synthesise(scenario, out)
    assert not out.exists()
    assert {path: path.read_bytes() for path in synthesise(scenario, out, force=True)} == before
    assert sorted(os.listdir(tmp_path)) == ["a.toml", "a.truth.json", "a.vcd", "s.toml"]


def test_a_writer_that_fails_leaves_nothing_behind(tmp_path):
    from spinlag.synth.record import Line

    def broken():
        yield np.array([1, 2, 3])
        raise RuntimeError("the source broke")

    with pytest.raises(RuntimeError):
        write_vcd(tmp_path / "a.vcd", [Line("A", 0, broken())], tick=Fraction(1, 10**9), end=10)
    assert os.listdir(tmp_path) == []
    with pytest.raises(OutputError, match=r"no/a\.vcd"):
        write_vcd(tmp_path / "no" / "a.vcd", [Line("A", 0, [])], tick=Fraction(1, 10**9), end=10)
    with pytest.raises(OutputError, match=r"must end in \.vcd or \.csv"):
        write_trial(run(scenario_from_mapping({"duration_s": 0.05, "leds": []})), tmp_path / "a.txt")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="file"):
        write_trial(run(scenario_from_mapping({"duration_s": 0.05, "leds": []})), tmp_path / "file" / "a.vcd")
    with pytest.raises(OutputError, match="timescale"):
        write_vcd(tmp_path / "a.vcd", [Line("A", 0, [])], tick=Fraction(1, 3), end=10)


def test_the_rig_beside_a_capture_is_the_rig_of_the_simulation(tmp_path):
    scenario = scenario_from_mapping(
        {**SMALL, "display": {"radii_mm": [1, 2, 3]}, "index": {"pulses_per_revolution": 4}, "motor": {"pole_pairs": 3}}
    )
    path = tmp_path / "rig.toml"
    path.write_text(rig_toml(scenario), encoding="utf-8")
    assert read_rig(path) == simulate(scenario).rig


def test_truth_file_says_what_the_simulation_knows():
    faults = [{"kind": "data-truncated", "revolution": 1, "column": 3, "leds": 1, "bit": 4}]
    truth = simulate(scenario_from_mapping({**SMALL, "faults": faults})).truth
    read = json.loads(truth_json(truth))
    assert read["schema"] == "spinlag/truth/1"
    assert read["zero_s"] == [round(t, 12) for t in truth.zero_s]
    chain, own = read["chains"][0], truth.chains[0]
    assert chain["updates"]["start_s"] == [round(t, 12) for t in own.start_s]
    for i in range(len(own)):
        text = chain["altered"].get(str(i), chain["frames"][str(own.column[i])])
        assert bytes.fromhex(text) == own.data[own.offsets[i] : own.offsets[i + 1]].tobytes()
    assert list(chain["altered"]) == [str(int(np.flatnonzero(own.altered)[0]))]
    assert read["planted"][0]["kind"] == "data-truncated"
    assert chain["timing"]["t0h"]["mean_s"] == own.timing["t0h"].mean_s


def test_every_mistake_in_a_scenario_is_reported_at_once(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        'seed = -1\n[recorder]\ntick = "3 ns"\n[shaft]\nspeed = 30\n'
        '[[faults]]\nkind = "index-doubled"\nrevolution = 3\n',
        encoding="utf-8",
    )
    with pytest.raises(RigError) as caught:
        read_scenario(path)
    text = str(caught.value)
    assert [p.key for p in caught.value.problems] == ["seed", "recorder.tick", "shaft.speed", "faults[0]"]
    assert "index-doubled needs after_us" in text and "bad.toml" in text


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"faults": [{"kind": "motor-dropout", "revolution": 2, "duration_ms": 3}]}, "needs a [motor] table"),
        ({"faults": [{"kind": "update-late", "revolution": 2, "column": 48, "delay_us": 9}]}, "columns 0 to 47"),
        ({"faults": [{"kind": "data-extra", "revolution": 2, "leds": 1, "chain": "rim"}]}, "no chain 'rim'"),
        ({"faults": [{"kind": "index-missed", "revolution": 500}]}, "never takes hold"),
        ({"faults": [{"kind": "index-missed"}]}, "give either at_s or revolution"),
        ({"fault_trains": [{"kind": "update-missing", "marker": "x"}]}, "no marker 'x'"),
        ({"markers": [{"name": "a", "channel": "DOUT", "period_s": 1}]}, "'DOUT' is already leds[0].data"),
        ({"limits": {"latency.latncy": {"max_us": 1}}}, "no quantity of that name"),
        ({"shaft": {"drift_rev_per_s2": -40}}, "slows to a stop"),
        ({"recorder": {"tick": "1 us"}}, "cannot hold samples"),
        ({"recorder": {"omit": ["SENSR"]}}, "no channel 'SENSR'; there are SENSOR, DOUT"),
        ({"display": {"arms": 5}}, "must divide columns and LEDs"),
        ({"faults": [{"kind": "data-bit-time", "revolution": 2, "change_ns": 900}]}, "more than the pulse or its low"),
    ],
)
def test_scenarios_that_contradict_themselves(tables, said):
    with pytest.raises(RigError) as caught:
        simulate(scenario_from_mapping(tables))
    assert said in str(caught.value)
