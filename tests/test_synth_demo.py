"""The captures that ship are the scenarios' own, edge for edge, and the demo writes the same."""

import json
import lzma
from pathlib import Path

import pytest

from spinlag.rig import read_rig
from spinlag.synth.demo import FIRMWARES, demo_scenario, scenario_path, write_demo_captures
from spinlag.synth.files import rig_toml, synthesise, truth_json
from spinlag.synth.simulate import run
from spinlag.synth.write import write_vcd

CAPTURES = Path(__file__).resolve().parent.parent / "captures"


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_shipped_captures_are_reproducible(tmp_path, firmware):
    trial = run(demo_scenario(f"tide-dial-{firmware}"))
    lattice = trial.world.lattice
    title = trial.world.scenario.title
    made = write_vcd(tmp_path / "a.vcd", trial.lines(), tick=lattice.tick, end=lattice.end, comment=title).read_bytes()
    shipped = lzma.decompress((CAPTURES / f"tide-dial-{firmware}.vcd.xz").read_bytes())
    assert made == shipped
    shipped_truth = json.loads((CAPTURES / f"tide-dial-{firmware}.truth.json").read_text(encoding="utf-8"))
    assert_alike(json.loads(truth_json(trial.truth())), shipped_truth)


def assert_alike(one, other):
    """Two JSON documents are the same, their fractions to a part in 10^9: older libraries sum in another order."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key in one:
            assert_alike(one[key], other[key])
    elif isinstance(one, list):
        assert len(one) == len(other)
        for mine, theirs in zip(one, other, strict=True):
            assert_alike(mine, theirs)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-9, abs=0)
    else:
        assert one == other


def test_the_shipped_shaft_capture_is_reproducible(tmp_path):
    for path in synthesise(scenario_path("tide-dial-shaft"), tmp_path / "tide-dial-shaft.csv"):
        assert path.read_bytes() == (CAPTURES / path.name).read_bytes(), path.name


def test_the_shipped_rig_fits_both_captures():
    assert (CAPTURES / "tide-dial.toml").read_bytes() == scenario_path("tide-dial.rig").read_bytes()
    rig = read_rig(CAPTURES / "tide-dial.toml")
    for firmware in FIRMWARES:
        scenario = demo_scenario(f"tide-dial-{firmware}")
        own = run(scenario).rig
        assert (own.index, own.motor, own.markers) == (rig.index, rig.motor, rig.markers)
        assert (own.display.columns, own.leds) == (rig.display.columns, rig.leds)
        assert rig_toml(scenario).startswith("# The bench of the scenario 'Tide dial")


def test_what_ships_is_small_and_has_something_to_show():
    files = [path for path in CAPTURES.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 3_000_000
    kinds = {}
    for firmware in FIRMWARES:
        planted = json.loads((CAPTURES / f"tide-dial-{firmware}.truth.json").read_text(encoding="utf-8"))["planted"]
        kinds[firmware] = [fault["kind"] for fault in planted]
    assert kinds["1.3"].count("index-doubled") == 1 and kinds["1.3"].count("update-late") > 15
    assert kinds["1.4"] == ["index-doubled", "data-truncated", "data-bit-time"]


def test_demo_writes_the_same_captures_anywhere(tmp_path, monkeypatch):
    monkeypatch.setattr("spinlag.synth.demo.FIRMWARES", ("1.4",))
    for _ in range(2):  # a second demo replaces the first
        made = write_demo_captures(tmp_path / "demo", suffix=".vcd")
    shipped = lzma.decompress((CAPTURES / "tide-dial-1.4.vcd.xz").read_bytes())
    assert made.captures[0].read_bytes() == shipped
    assert sorted(path.name for path in (tmp_path / "demo").iterdir()) == [
        "tide-dial-1.4.truth.json",
        "tide-dial-1.4.vcd",
        "tide-dial.toml",
    ]
    assert read_rig(made.rig).leds[0].count == 16
