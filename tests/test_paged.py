"""Long columns in mapped files: the values of arrays, room on the disk, and memory that can be let go of."""

from __future__ import annotations

import errno
import gc
import io
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

import spinlag
from spinlag import paged
from spinlag.errors import OutputError
from spinlag.placed import turn_stretches
from spinlag.report import tables
from spinlag.report.results import results_bytes
from spinlag.synth.random import random_scenario
from spinlag.synth.simulate import run


@pytest.fixture
def everything_paged(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every column of a few bytes goes to a file."""
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    monkeypatch.setattr(paged, "_PIECE_BYTES", 64)


def resident_of_files() -> int:
    """Bytes of mapped files that count as this process's memory (proc(5), RssFile and RssShmem)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return sum(int(line.split()[1]) * 1024 for line in lines if line.startswith(("RssFile", "RssShmem")))


@given(st.lists(st.lists(st.integers(-(2**40), 2**40), max_size=30), max_size=12), st.sampled_from([1, 100, 1 << 20]))
def test_a_column_is_its_pieces(pieces: list[list[int]], least: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(paged, "LEAST_BYTES", least)
        patch.setattr(paged, "_PIECE_BYTES", 64)
        column = paged.Column(np.int64)
        for piece in pieces:
            column.append(np.array(piece, dtype=np.int64))
        assert column.join().tolist() == [value for piece in pieces for value in piece]
        assert column.join().tolist() == []


@pytest.mark.usefixtures("everything_paged")
def test_values_survive_that_their_pages_are_let_go_of() -> None:
    values = np.arange(1000, dtype=np.int32)
    read, written = paged.paged(values), paged.paged_full(1000, -1, np.int16)
    written[::2] = 7
    paged.let_go_of_pages()
    assert_array_equal(read, values)
    assert written[:4].tolist() == [7, -1, 7, -1]
    assert paged.paged(read) is read


def test_short_columns_stay_what_they_are() -> None:
    values = np.arange(1000)
    assert paged.paged(values) is values
    assert paged.paged_full(1000, 1.5, np.float64).base is None


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's /proc to know what is resident")
def test_what_is_let_go_of_counts_no_more() -> None:
    before = resident_of_files()
    column = paged.paged_full(4 << 20, 1.0, np.float64)
    assert column.sum() == 4 << 20
    assert resident_of_files() - before > 30 << 20
    paged.let_go_of_pages()
    assert resident_of_files() - before < 4 << 20
    assert column[-1] == 1.0


def test_a_file_goes_with_its_last_view(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    known = len(paged._mapped)
    view = paged.paged_full(1 << 20, 3, np.int64)[5:9]
    gc.collect()
    assert len(paged._mapped) == known + 1
    assert list(tmp_path.iterdir()) == []  # nameless from the start
    assert view.tolist() == [3, 3, 3, 3]
    del view
    assert len(paged._mapped) == known


@pytest.mark.usefixtures("everything_paged")
def test_a_full_disk_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    column = paged.Column(np.int64)
    column.append(np.arange(100))
    monkeypatch.setattr(column._file, "_file", type("Full", (), {"write": refuse, "seek": lambda *_: 0})())
    with pytest.raises(OutputError, match=r"no room in .*; free some, or set TMPDIR") as caught:
        column.append(np.arange(100))
    assert "\n" not in str(caught.value)


@given(st.lists(st.integers(0, 9), max_size=12), st.integers(0, 3), st.integers(0, 3), st.integers(1, 25))
def test_stretches_of_turns_cut_none(counts: list[int], before: int, behind: int, at_once: int) -> None:
    turns = len(counts)
    inside = np.repeat(np.arange(turns), counts)
    revolution = np.concatenate((np.full(before, -1), inside, np.full(behind, -1))).astype(np.int32)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("spinlag.placed.ROWS_AT_ONCE", at_once)
        found = list(turn_stretches(revolution, turns))
    assert [turn for _, first, last in found for turn in range(first, last)] == list(range(turns))
    for rows, first, last in found:
        assert revolution[rows].tolist() == [turn for turn in inside.tolist() if first <= turn < last]


@pytest.mark.parametrize("wiring", ["one-wire", "clocked", "latched", "direct"])
def test_the_findings_are_the_same_from_files(wiring: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where what is worked on in stretches is worked on a few updates at a time."""
    trial = run(random_scenario(np.random.default_rng(7), faults=3, motor=True, wiring=wiring))

    def results() -> dict[str, bytes]:
        findings = spinlag.analyse(trial.capture(), trial.rig)
        updates = io.BytesIO()
        tables.write_parts(findings.update_parts(), updates, tick_s=float(findings.capture.tick))
        return {"results": results_bytes(findings), "updates": updates.getvalue()}

    in_memory = results()
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    monkeypatch.setattr("spinlag.placed.ROWS_AT_ONCE", 50)
    monkeypatch.setattr("spinlag.columns.ROWS_AT_ONCE", 50)
    monkeypatch.setattr("spinlag.leds.repeats.LEAST_BYTES", 1)
    monkeypatch.setattr("spinlag.leds.repeats._ROWS", 20)
    assert results() == in_memory
