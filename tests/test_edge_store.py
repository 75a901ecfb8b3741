"""Edges in a file behave as edges in memory do, and leave nothing behind."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spinlag.errors import OutputError
from spinlag.importers import edge_store, vcd
from spinlag.importers.edge_store import EdgeBudget, EdgeLog, EdgeStore
from spinlag.rig import CaptureTable
from test_vcd import random_text
from vcd_texts import TextSource, as_lists


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of a few edges a piece, so that small tests cross many seams."""
    monkeypatch.setattr(edge_store, "_FILE_PIECE", 7)


def filled(ticks: np.ndarray, steps: list[int], limit: int) -> EdgeLog:
    """A log that took the ticks in blocks."""
    log = EdgeBudget(limit).log()
    start = 0
    while start < len(ticks):
        step = steps[start % len(steps)]
        log.append(ticks[start : start + step])
        start += step
    return log


@settings(max_examples=150)
@given(
    st.lists(st.integers(1, 9) | st.sampled_from([2**32 - 6, 2**32 - 1, 2**32, 2**40]), max_size=120),
    st.lists(st.integers(1, 11), min_size=1),
    st.data(),
)
def test_a_store_is_an_array(gaps: list[int], steps: list[int], data: st.DataObject) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(edge_store, "_FILE_PIECE", 7)
        ticks = np.cumsum(np.array(gaps, dtype=np.int64)) - data.draw(st.integers(0, 2**41))
        store = filled(ticks, steps, limit=data.draw(st.sampled_from([0, 100, 10**6]))).finish()
        assert len(store) == len(ticks)
        cut = data.draw(st.slices(len(ticks) + 5))
        assert store[cut].tolist() == ticks[cut].tolist()
        assert store[cut].dtype == np.int64
        for side in ("left", "right"):
            wanted = data.draw(st.lists(st.integers(-1, 700) | st.sampled_from(ticks.tolist() or [0]), max_size=9))
            assert store.searchsorted(wanted, side=side).tolist() == ticks.searchsorted(wanted, side=side).tolist()
            assert int(store.searchsorted(50, side=side)) == int(ticks.searchsorted(50, side=side))
        if len(ticks):
            at = data.draw(st.integers(-len(ticks), len(ticks) - 1))
            assert int(store[at]) == int(ticks[at])
        with pytest.raises(IndexError):
            store[len(ticks)]


@pytest.mark.parametrize("span", [2**32 - 1, 2**32])
def test_edges_a_longest_word_apart_stay_apart(span: int) -> None:
    ticks = np.array([-3, span - 3, span])
    log = filled(ticks, [3], limit=0)
    log.spill()
    assert log.finish()[:].tolist() == ticks.tolist()


def test_the_whole_store_can_be_had_as_an_array(small_pieces: None) -> None:
    ticks = np.arange(100, dtype=np.int64) * 3
    store = filled(ticks, [5], limit=0).finish()
    assert isinstance(store, EdgeStore)
    assert np.asarray(store).tolist() == ticks.tolist()
    assert np.asarray(store, dtype=float).dtype == float


def test_a_system_without_positioned_reads_will_do(small_pieces: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "preadv")
    log = filled(np.arange(100, dtype=np.int64), [5], limit=0)
    other = log._budget.log()
    for start in range(0, 100, 10):
        other.append(np.arange(start, start + 10, dtype=np.int64) + 7)
    store = log.finish()
    assert store[:].tolist() == list(range(100))
    assert other.finish()[50:60].tolist() == list(range(57, 67))


def test_the_longest_lines_go_to_the_file_first() -> None:
    budget = EdgeBudget(limit=8 * 3000)
    short, long = budget.log(), budget.log()
    short.append(np.arange(100))
    for start in range(0, 6000, 500):
        long.append(np.arange(start, start + 500))
    assert isinstance(long.finish(), EdgeStore)
    assert isinstance(short.finish(), np.ndarray)
    assert long.finish()[5990:].tolist() == list(range(5990, 6000))


def test_the_last_edge_can_be_taken_back_after_it_went_to_the_file() -> None:
    log = EdgeBudget(limit=0).log()
    log.append(np.array([1, 2, 3]))
    log.spill()
    assert (log.last(), log.spilled) == (3, 2)
    log.drop_last()
    log.append(np.array([5]))
    assert log.finish()[:].tolist() == [1, 2, 5]


@pytest.mark.parametrize("block_bytes", [300, 5000])
def test_an_import_beyond_the_budget_gives_the_same_edges(small_pieces: None, block_bytes: int) -> None:
    """Including changes that cancel each other across blocks, right where edges moved to the file."""
    text = random_text(3, 6000, vectors=True)
    whole = vcd.read(TextSource(text), table=CaptureTable())
    parts = vcd.read(
        TextSource(text), table=CaptureTable(), block_bytes=block_bytes, budget=EdgeBudget(1000), threads=2
    )
    assert any(isinstance(channel.edges, EdgeStore) for channel in parts.channels)
    assert [as_lists(channel) for channel in parts.channels] == [as_lists(channel) for channel in whole.channels]
    for mine, other in zip(parts.channels, whole.channels, strict=True):
        assert [mine.level_at(t) for t in range(0, 10**6, 9999)] == [other.level_at(t) for t in range(0, 10**6, 9999)]


SCRIPT = """
    import os, sys, time
    import numpy as np
    from spinlag.importers.edge_store import EdgeBudget, EdgeStore
    log = EdgeBudget(0).log()
    log.append(np.arange(500_000))
    log.append(np.arange(500_000, 900_000))
    store = log.finish()
    assert isinstance(store, EdgeStore) and len(store) == 900_000
    print("ready", flush=True)
    if sys.argv[1] == "wait":
        time.sleep(60)
"""


@pytest.mark.parametrize("end", ["normal", signal.SIGINT, signal.SIGKILL])
def test_no_file_is_left_behind_however_the_process_ends(tmp_path: Path, end: str | int) -> None:
    mode = "go" if end == "normal" else "wait"
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SCRIPT), mode],
        env={**os.environ, "TMPDIR": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    if isinstance(end, int):
        process.send_signal(end)
    process.wait()
    process.stdout.close()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("number", "words"), [(errno.ENOSPC, "no room"), (errno.EIO, "cannot be used")])
def test_a_full_disk_is_one_clear_line(monkeypatch: pytest.MonkeyPatch, number: int, words: str) -> None:
    log = EdgeBudget(0).log()
    log.append(np.arange(200_000))

    def refuse(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    log._budget.file()._file = type("Full", (), {"write": refuse, "seek": lambda *_: 0})()
    with pytest.raises(OutputError, match=words) as caught:
        log.append(np.arange(200_000, 400_000))
    assert "\n" not in str(caught.value)
