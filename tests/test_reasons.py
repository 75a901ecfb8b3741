"""What the summary gives as reasons: the right one, each of them once, and a limit only where there is one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from spinlag.importers import read_capture
from spinlag.incidents.sentences import duration
from spinlag.pipeline import analyse
from spinlag.report.sections import headline, left_out
from spinlag.report.text import summary_lines
from spinlag.rig import read_rig, rig_from_mapping
from test_gaps import BUILT, DOUT, RIG, SENSOR, cut
from test_long_gaps import bench, damaged

CAPTURES = Path(__file__).parent.parent / "captures"


def test_many_figures_with_one_reason_take_one_line():
    stuck = cut(DOUT, DOUT.edges[len(DOUT.edges) // 2], DOUT.edges[-100])
    found = analyse(dataclasses.replace(BUILT, channels=(SENSOR, stuck)), RIG)
    undecided = [one for one in found.verdicts if one.verdict == "undecided"]
    assert len(undecided) >= 5
    (line,) = [line for line in summary_lines(found) if line.startswith("undecided: ")]
    assert f"This concerns {len(undecided)} figures: " in line
    assert all(one.quantity in line for one in undecided)
    assert headline(found).undecided == (line.removeprefix("undecided: "),)
    assert "judged: " in headline(found).tally and f"{len(undecided)} undecided" in headline(found).tally


def test_turns_in_a_gap_are_not_blamed_on_the_index():
    built, rig = bench(motor=False)
    (gap,) = [said for said in left_out(analyse(damaged(built, cut, (0.3, 0.7)), rig)) if "revolutions" in said[:30]]
    assert "because of a gap of the recording" in gap
    assert "doubled" not in gap
    index = built.channel("SENSOR")
    edges = np.delete(np.asarray(index.edges[:]), [20, 21])
    lines = tuple(dataclasses.replace(one, edges=edges) if one is index else one for one in built.channels)
    (missed,) = [
        said
        for said in left_out(analyse(dataclasses.replace(built, channels=lines), rig))
        if "revolutions" in said[:30]
    ]
    assert missed.startswith("2 of ") and "because an index pulse at one of their ends was missed" in missed


def test_what_has_no_limit_is_no_limit_judged():
    rig = rig_from_mapping({"index": {"channel": "SENSOR"}, "display": {"columns": 8}})
    still = dataclasses.replace(SENSOR, edges=np.empty(0, dtype=np.int64))
    found = analyse(dataclasses.replace(BUILT, channels=(still, DOUT)), rig)
    lines = summary_lines(found)
    assert "not-measured: speed of rotation: no whole revolution on SENSOR" in lines
    assert headline(found).tally == "no limit was judged; 1 quantity without a limit not measured"
    with_part = analyse(dataclasses.replace(BUILT, channels=(still, DOUT)), RIG)
    judged = len(with_part.verdicts) - 1
    assert headline(with_part).tally == (
        f"{judged} limits judged: {judged} passed; 1 more quantity without a limit not measured"
    )


def test_a_line_left_out_in_reading_is_told_of_once(tmp_path):
    """Times cut to 1 ms, longer than the index pulses last."""
    header, *rows = (CAPTURES / "tide-dial-shaft.csv").read_text().splitlines()[1:]
    cut_rows = [f"{time[:5]},{rest}" for time, _, rest in (row.partition(",") for row in rows)]
    (tmp_path / "coarse.csv").write_text("\n".join([header, *cut_rows]) + "\n")
    found = analyse(read_capture(tmp_path / "coarse.csv"), read_rig(CAPTURES / "tide-dial-shaft.toml"))
    told = [line for line in summary_lines(found) if line.startswith(("warning: ", "left out: ")) and "SENSOR" in line]
    assert [line[:16] for line in told] == ["warning: SENSOR:", "left out: No rev"]
    assert "more digits" in told[0]


def test_an_hour_is_told_in_plain_digits():
    assert [duration(s) for s in (3600.0, 1.25, 0.0125, 3e-7)] == ["3600 s", "1.25 s", "12.5 ms", "300 ns"]
