"""What a LED line alone guesses wrong, put right by the columns that its updates were meant for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from build import capture, channel, pulses
from spinlag.incidents.reconcile import reconcile
from spinlag.observations import Observation, told_in
from spinlag.placement import place
from spinlag.rig import rig_from_mapping
from test_picture import COLUMNS, PERIOD, chain_of, noise, rotation_of

TURNS = 12
ROTATION = rotation_of(TURNS)
BUILT = capture([channel("SENSOR", pulses(ROTATION.turn_ticks, 1000))])
RIG = rig_from_mapping({"display": {"columns": COLUMNS}})
SLOT = PERIOD // COLUMNS


def chain(*, insert=None, drop=(), split=None):
    """The usual updates of TURNS turns. `insert`: (update, ticks after it, LEDs, same data) adds one; `drop`: updates
    left out; `split`: (update, LEDs in its first part) sends one in two parts, 40 us apart."""
    usual = chain_of(noise(turns=TURNS, leds=4))
    rows = [
        (int(usual.start[u]), usual.data[usual.offsets[u] : usual.offsets[u + 1]])
        for u in range(len(usual))
        if u not in drop
    ]
    if insert is not None:
        after, ticks, leds, same = insert
        data = rows[after][1][: 3 * leds] if same else 255 - rows[after][1][: 3 * leds]
        rows.insert(after + 1, (rows[after][0] + ticks, data))
    if split is not None:
        at, leds = split
        start, data = rows[at]
        rows[at : at + 1] = [(start, data[: 3 * leds]), (start + 50_000, data[3 * leds :])]
    start = np.array([row[0] for row in rows], dtype=np.int64)
    lengths = np.array([len(row[1]) for row in rows])
    n = len(rows)
    return replace(
        usual,
        start=start,
        last=start + 10_000,
        light_early_s=np.zeros(n),
        light_s=np.full(n, 50e-6),
        bits=8 * lengths.astype(np.int64),
        data=np.concatenate([row[1] for row in rows]),
        offsets=np.concatenate(([0], np.cumsum(lengths))),
        whole=np.ones(n, dtype=bool),
    )


def settled(made, *observations):
    placed = place(BUILT, RIG, ROTATION, made)
    found = reconcile(observations, BUILT, (made,), (placed,))
    return [(seen.kind, seen.update) for seen in found]


def seen(kind, update, made, **more):
    return Observation(kind, int(made.start[update]), "DOUT", "guessed", chain="leds", update=update, **more)


def test_an_update_with_a_column_to_itself_is_not_one_too_many():
    made = chain()
    assert settled(made, seen("data-extra", 40, made)) == []


def test_a_short_update_alone_in_its_column_was_cut_short():
    usual = chain()
    cut = replace(usual, bits=np.where(np.arange(len(usual)) == 40, 48, usual.bits))
    assert settled(cut, seen("data-extra", 40, cut)) == [("data-truncated", 40)]


def test_a_short_update_beside_a_whole_one_is_one_too_many():
    made = chain(insert=(40, 100_000, 2, False))
    assert settled(made, seen("data-truncated", 41, made)) == [("data-extra", 41)]


def test_the_same_update_again_is_told_as_a_repeated_column():
    made = chain(insert=(40, 100_000, 4, True))
    assert settled(made, seen("data-extra", 40, made), seen("update-repeated", 41, made)) == [("update-repeated", 41)]
    other = chain(insert=(40, 100_000, 4, False))
    assert ("data-extra", 41) in settled(other, seen("data-extra", 41, other))


def test_two_parts_of_one_update_are_a_pause_in_it():
    made = chain(split=(40, 1))
    found = settled(made, seen("data-truncated", 40, made), seen("data-extra", 41, made))
    assert found == [("data-pause", 40)]
    placed = place(BUILT, RIG, ROTATION, made)
    (pause,) = reconcile((), BUILT, (made,), (placed,))
    assert pause.observed == pytest.approx(40e-6)
    assert pause.tick == made.last[40]
    assert settled(made, seen("data-pause", 40, made)) == [("data-pause", 40)], "told already"


def test_columns_that_most_turns_go_without_are_not_missing():
    last = [turn * COLUMNS + COLUMNS - 1 for turn in range(TURNS)]
    missing = Observation("update-missing", 3 * PERIOD, "DOUT", "guessed", chain="leds", revolution=3)
    assert settled(chain(drop=last), missing) == []
    assert settled(chain(drop=[3 * COLUMNS + 5]), missing) == [("update-missing", None)]
    elsewhere = replace(missing, revolution=4)
    assert settled(chain(drop=[3 * COLUMNS + 5]), elsewhere) == []


def test_a_silence_in_which_nothing_was_due_is_none():
    made = chain(drop=[3 * COLUMNS + 5])
    assert settled(made, seen("data-silent", 20, made, observed=0.01, unit="s")) == []
    across = 3 * COLUMNS + 4
    assert settled(made, seen("data-silent", across, made, observed=0.01, unit="s")) == [("data-silent", across)]


def test_the_state_at_the_start_is_no_row_of_incidents():
    made = chain()
    late = [
        Observation(
            "update-late",
            turn * PERIOD,
            "DOUT",
            "late",
            1e-4,
            5e-4,
            "s",
            chain="leds",
            update=turn * COLUMNS,
            revolution=turn,
        )
        for turn in range(5)
    ]
    assert settled(made, *late) == []
    assert len(settled(made, *late[1:3])) == 2, "two turns are no state yet"
    assert len(settled(made, *(replace(one, revolution=one.revolution + 4) for one in late))) == 5


def test_without_a_placement_guesses_stand():
    made = chain()
    guess = seen("data-extra", 40, made)
    assert reconcile((guess,), BUILT, (made,), (None,)) == (guess,)


def test_durations_are_told_in_a_unit_of_few_digits():
    assert told_in(0.0002107, "ms") == "0.2107 ms"
    assert told_in(0.105003, "ns") == "105 ms"
    assert told_in(9.9996e-3, "µs") == "10 ms"
    assert told_in(792e-9, "ns") == "792 ns"
    assert told_in(60.0, "ms") == "60 s"
    assert told_in(1.7644608e9, "ms") == "1764460800 s"
