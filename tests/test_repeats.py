"""Bytes of updates held once: they read as the array that they stand for."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from spinlag.leds import repeats
from spinlag.leds.repeats import RepeatedBytes, held_once
from spinlag.leds.updates import ChainUpdates


def bytes_of(updates: list[bytes]) -> tuple[np.ndarray, np.ndarray]:
    """Data and offsets of updates."""
    lengths = [len(update) for update in updates]
    data = np.frombuffer(b"".join(updates), dtype=np.uint8)
    return data, np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_repeated_bytes_read_as_the_array(data: st.DataObject) -> None:
    pictures = data.draw(st.lists(st.binary(min_size=11, max_size=11), min_size=1, max_size=3, unique=True))
    updates = [*pictures * 40, *data.draw(st.lists(st.binary(max_size=20), max_size=6))]
    updates = data.draw(st.permutations(updates))
    plain, offsets = bytes_of(updates)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(repeats, "LEAST_BYTES", 0)
        patch.setattr(repeats, "_ROWS", 7)
        found = held_once(plain, offsets)
    assert isinstance(found, RepeatedBytes)
    assert len(found) == len(plain)
    assert len(found._distinct) <= 11 * len(pictures) + sum(len(update) for update in updates if update not in pictures)
    assert_array_equal(np.asarray(found), plain)
    a, b = sorted(data.draw(st.tuples(*[st.integers(-2, len(plain) + 2)] * 2)))
    assert_array_equal(found[a:b], plain[a:b])
    places = np.array(data.draw(st.lists(st.integers(0, len(plain) - 1), min_size=6, max_size=6))).reshape(2, 3)
    assert_array_equal(found[places], plain[places])
    assert found[-1] == plain[-1]


def test_updates_that_all_differ_stay_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "LEAST_BYTES", 0)
    plain, offsets = bytes_of([bytes([k, 255 - k, 7]) for k in range(200)])
    assert held_once(plain, offsets) is plain


def test_two_updates_of_one_mixture_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "LEAST_BYTES", 0)
    monkeypatch.setattr(repeats, "_ODD", np.uint64(0))
    plain, offsets = bytes_of([b"abc", b"abd"] * 50)
    assert held_once(plain, offsets) is plain


def test_places_outside_and_steps_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeats, "LEAST_BYTES", 0)
    found = held_once(*bytes_of([b"abc"] * 50))
    for index in (150, np.array([3, 150]), np.array([-1]), slice(0, 10, 2)):
        with pytest.raises(IndexError):
            found[index]


@given(st.lists(st.tuples(st.integers(0, 200), st.booleans()), min_size=0, max_size=30), st.sampled_from([24, 32]))
def test_leds_seen_is_the_commonest_count_however_it_is_counted(updates: list[tuple[int, bool]], per_led: int) -> None:
    chain = SimpleNamespace(
        bits=np.array([bits for bits, _ in updates], dtype=np.int64),
        whole=np.array([whole for _, whole in updates], dtype=bool),
        bits_per_led=per_led,
        count=None,
    )
    counted = ChainUpdates.leds_seen.fget(chain)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("spinlag.leds.updates._MOST_BITS", -1)
        assert ChainUpdates.leds_seen.fget(chain) == counted
    some = [bits // per_led for bits, whole in updates if whole] or [bits // per_led for bits, _ in updates]
    assert counted == (min(some, key=lambda leds: (-some.count(leds), leds)) if some else 0)
