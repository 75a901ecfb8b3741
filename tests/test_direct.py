"""Direct lines: every change of the set, with lines that move one after another, and dimming by pulse width."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from build import capture, channel
from spinlag.leds import direct, many_lines
from spinlag.rig import LedsTable, Rig

NS = 1e-9
US = 1e-6
TICK = Fraction(1, 10**9)


def recorded(lines, *, rate_hz=10e6, end_s=None):
    """Lines of true instants as a recorder of that rate writes them; two edges in one sample cancel out."""
    channels, last = [], 0
    for k, edges in enumerate(lines):
        ticks = np.rint(np.ceil(np.asarray(edges, dtype=float) * rate_hz + 0.3) / rate_hz / float(TICK)).astype(
            np.int64
        )
        ticks, counts = np.unique(ticks, return_counts=True)
        channels.append(channel(f"PORT[{k}]", ticks[counts % 2 == 1]))
        last = max(last, int(ticks[-1]) if len(ticks) else 0)
    end = last + 10**6 if end_s is None else int(end_s / float(TICK))
    return capture(channels, tick=TICK, sample_ticks=Fraction(1, 1) * round(1 / rate_hz / float(TICK)), end=end)


def decoded(made, lines, **chain):
    table = LedsTable(**{"name": "dial", "wiring": "direct", "lines": [f"PORT[0:{lines - 1}]"], **chain})
    return direct.decode(made, table, Rig(leds=(table,)))


def states(updates, lines):
    return np.unpackbits(updates.data.reshape(len(updates), -1), axis=1)[:, :lines]


def switching(values: np.ndarray, slot_s: float, skew_s: float):
    """Edges of lines that take these values (n, lines) in turn, each line `skew_s` later than the one before it."""
    edges = []
    for line in range(values.shape[1]):
        moved = np.flatnonzero(np.diff(values[:, line].astype(int), prepend=0))
        edges.append(100 * US + moved * slot_s + line * skew_s)
    return edges


@given(st.data())
def test_random_sets(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    lines = data.draw(st.sampled_from([1, 2, 7, 8, 33, 64]))
    values = rng.integers(0, 2, (60, lines), dtype=np.uint8)
    values[0] = 1
    skew = data.draw(st.sampled_from([0.0, 50 * NS, 400 * NS]))
    made = recorded(switching(values, 500 * US, skew), rate_hz=data.draw(st.sampled_from([1e6, 10e6, 50e6])))
    updates = decoded(made, lines)
    kept = np.concatenate(([True], (np.diff(values.astype(int), axis=0) != 0).any(axis=1)))
    assert states(updates, lines).tolist() == values[kept].tolist()
    expected = 100e-6 + np.flatnonzero(kept) * 500e-6
    assert_allclose(updates.start * 1e-9 - expected, 0.0, rtol=0, atol=64 * skew + 2.1e-6)
    assert updates.observations == ()
    assert updates.whole.all()


def test_light_is_the_edge_itself() -> None:
    values = np.tile(np.array([[1, 1, 1, 1], [0, 0, 0, 0]], dtype=np.uint8), (20, 1))
    updates = decoded(recorded(switching(values, 500 * US, 1 * US)), 4)
    assert updates.light_s.tolist() == [0.0] * 40
    # the first line moves 3 us before the fourth
    assert_allclose(updates.light_early_s, -3e-6, rtol=0, atol=2e-7)
    assert_allclose(updates.timing["between_updates"].statistics.mean, 500e-6, rtol=1e-6, atol=0)
    assert (updates.bits_per_led, updates.order) == (1, "W")


def test_colours_on_lines_of_their_own() -> None:
    values = np.array([[1, 0, 0, 0, 1, 0], [0, 1, 0, 0, 0, 1]] * 10, dtype=np.uint8)
    updates = decoded(recorded(switching(values, 500 * US, 0.0)), 6, order="RGB", count=2)
    assert updates.bits_per_led == 3
    assert updates.leds_seen == 2


def test_slices_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    values = rng.integers(0, 2, (200, 9), dtype=np.uint8)
    made = recorded(switching(values, 400 * US, 200 * NS))
    whole = decoded(made, 9)
    monkeypatch.setattr(many_lines, "SLICE_EDGES", 40)
    monkeypatch.setattr(direct, "SLICE_EDGES", 40)
    cut = decoded(made, 9)
    assert whole.start.tolist() == cut.start.tolist()
    assert whole.last.tolist() == cut.last.tolist()
    assert whole.data.tolist() == cut.data.tolist()


def dimmed(duties: np.ndarray, slot_s: float, period_s: float):
    """Edges of lines that are on for their share of every period, which begins anew with each column."""
    edges = []
    for line in range(duties.shape[1]):
        own: list[float] = []
        for column, share in enumerate(duties[:, line]):
            begin, end = 100 * US + column * slot_s, 100 * US + (column + 1) * slot_s
            at = begin
            while at < end - 1e-12 and share > 0:
                off = end if share == 255 else min(at + share / 255 * period_s, end)
                if own and abs(own[-1] - at) < 1e-12:
                    own.pop()
                else:
                    own.append(at)
                own.append(off)
                at = end if share == 255 else at + period_s
        edges.append(np.array(own))
    return edges


@pytest.mark.parametrize("cycles", [8.0, 12.3, 20.98, 33.34])
def test_duty_per_column(cycles: float) -> None:
    rng = np.random.default_rng(2)
    duties = rng.integers(5, 250, (30, 4))
    slot = cycles * 50 * US
    updates = decoded(recorded(dimmed(duties, slot, 50 * US), rate_hz=50e6), 4)
    assert updates.bits_per_led == 8
    assert updates.data.reshape(-1, 4)[:30].tolist() == duties.tolist()
    assert_allclose(updates.start[:30] * 1e-9 - (100e-6 + np.arange(30) * slot), 0.0, rtol=0, atol=3e-8)
    assert any("their duty is the value" in note for note in updates.notes)


def test_columns_that_alternate_are_not_taken_for_pulse_width() -> None:
    for values in (
        np.tile(np.array([[1, 0], [0, 1]], dtype=np.uint8), (100, 1)),
        np.array([[k >> bit & 1 for bit in range(5)] for k in range(200)], dtype=np.uint8),
    ):
        updates = decoded(recorded(switching(values, 500 * US, 100 * NS)), values.shape[1])
        assert updates.bits_per_led == 1
        moved = (np.diff(values.astype(int), axis=0, prepend=0) != 0).any(axis=1)
        assert len(updates) == int(moved.sum())


def test_silence_and_dead_lines() -> None:
    values = np.tile(np.array([[1, 0], [0, 1]], dtype=np.uint8), (40, 1))
    edges = [np.concatenate((line[:30], line[30:] + 20e-3)) for line in switching(values, 500 * US, 0.0)]
    assert [o.kind for o in decoded(recorded(edges), 2).observations] == ["data-silent"]
    dead = decoded(capture([channel("PORT[0]", []), channel("PORT[1]", [])], end=10**6), 2)
    assert len(dead) == 0
    assert "none of the lines ever switches" in dead.notes[0]
