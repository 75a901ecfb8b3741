"""What a comparison says beside its figures: mistakes of whoever gave the sets, and what the figures do not hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from spinlag.cli import cli
from spinlag.compare import compare
from spinlag.report.compare_text import in_runs
from spinlag.report.plots import style
from spinlag.report.plots.compare import trend_over_versions
from studies.compare_study import BENCHES, recording


def made(seed, n=100):
    return recording(BENCHES[0], n, np.random.default_rng(seed))


def notes(before, after, names=("1.3", "1.4")):
    return compare(before, after, names=names).notes


def test_a_recording_held_against_itself_is_the_first_thing_said():
    one, other, third = made(1), made(2), made(3)
    said = notes([replace(one, file="a.vcd")], [replace(one, file="copy of a.vcd")])
    assert said[0].startswith("The same recording stands on both sides, 1.3 and 1.4 (a.vcd): held against itself")
    both = [replace(one, file="a.vcd"), replace(other, file="b.vcd")]
    assert notes(both, both[::-1])[0].startswith("2 recordings stand on both sides, 1.3 and 1.4 (a.vcd, b.vcd)")
    assert not any("both sides" in note for note in notes([one, other], [third]))


def test_a_set_of_few_revolutions_is_pointed_out():
    told = "Too few revolutions (2 in 1.4; at least 20 are needed) to tell anything of what differs from turn to turn."
    found = compare([made(4)], [made(5, 2)], names=("1.3", "1.4"))
    assert told in found.notes
    assert found.verdict == "cannot-tell"
    assert not any("Too few" in note for note in notes([made(6)], [made(7, 20)]))


def test_revolutions_left_out_are_told_by_set():
    said = notes([replace(made(8), spoiled=3)], [made(9)])
    assert any("are left out of the quantities (3 of 1.3, 0 of 1.4)" in note for note in said)


def test_rates_over_versions_are_drawn_in_per_cent():
    with style.styled():
        ax = style.figure(4, 3).subplots()
        rates = np.array([0.0, 0.35])
        trend_over_versions(ax, ["1.3", "1.4"], rates, rates, rates + 0.1, "1", None)
    assert ax.get_ylabel() == "%"
    assert ax.lines[0].get_ydata().tolist() == [0.0, 35.0]


def test_bit_times_stand_in_one_order_wherever_they_come_from():
    # results.json sorts its keys
    first, second = made(10), made(11)
    by_name = [replace(one, timing=dict(sorted(one.timing.items(), reverse=True))) for one in (first, second)]
    usual, sorted_ = ([row.id for row in compare([a], [b]).quantities] for a, b in ((first, second), by_name))
    assert usual == sorted_
    assert usual[-4:] == ["leds.arm.t0h", "leds.arm.t0l", "leds.arm.t1h", "leds.arm.t1l"]


def test_columns_that_differ_are_listed_in_runs():
    assert in_runs([*range(1, 17), 19, 20, 22, 40, 41, 42]) == "1 to 16, 19, 20, 22, 40 to 42"
    assert in_runs(()) == ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--before", "there.vcd", "--after", "nowhere.vcd"), "nowhere.vcd: no such file"),
        (("--set", "1=there.vcd", "--set", "2=there.vcd,nowhere.vcd"), "nowhere.vcd: no such file"),
        (("--set", "1=there.vcd", "--set", " =there.vcd"), "write NAME=CAPTURE"),
    ],
)
def test_mistakes_are_told_before_anything_is_measured(tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    # no capture: reading it would be complained of first
    (tmp_path / "there.vcd").write_text("nothing")
    with pytest.raises(Exception, match=said):
        cli(["compare", *arguments], standalone_mode=False)
