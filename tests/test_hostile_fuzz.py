"""A short run of the fuzzer (`python -m tests.fuzz` is the long one), and proof that its checks can fail."""

from __future__ import annotations

import dataclasses

import pytest

from fuzz import oracle
from fuzz.run import fuzz, made
from spinlag.importers import vcd


def test_every_made_up_input_ends_in_a_capture_or_one_clear_line():
    score = fuzz(2000, seed=20261125, whole_way=200)
    assert score.wrong == []
    ended = {"capture": 0, "refused": 0, "rig": 0, "analysed": 0}
    for what, count in score.ended.items():
        for word in ended:
            ended[word] += count if word in what.split()[1:] else 0
    # a run in which everything is refused at the door tries nothing
    assert ended["capture"] > 100
    assert ended["rig"] > 50
    assert ended["analysed"] > 0
    assert score.slowest_s < 10


def test_an_input_of_a_seed_is_always_the_same(monkeypatch):
    once = [made(n, 5)[:2] for n in range(50)]
    monkeypatch.setattr("time.time", lambda: 1e9)  # gzip headers carry the time of packing unless told otherwise
    assert [made(n, 5)[:2] for n in range(50)] == once
    assert made(3, 5)[1] != made(3, 6)[1]


GOOD = b"$timescale 1 ns $end $var wire 1 ! A $end $enddefinitions $end\n#0 0! #5 1! #9 0! #20\n"


def test_the_oracle_notices_a_wrong_edge(monkeypatch):
    assert oracle.check_vcd(GOOD, small_blocks=7) == "capture"

    def shifted(*arguments, **options):
        draft = right(*arguments, **options)
        lines = tuple(dataclasses.replace(channel, edges=channel.edges[:] + 1) for channel in draft.channels)
        return dataclasses.replace(draft, channels=lines)

    right = vcd.read
    monkeypatch.setattr(vcd, "read", shifted)
    with pytest.raises(oracle.WrongError, match="slow reader has other edges"):
        oracle.check_vcd(GOOD, small_blocks=None)


def test_the_oracle_notices_an_edge_outside_the_record(monkeypatch):
    right = vcd.read
    monkeypatch.setattr(vcd, "read", lambda *a, **o: dataclasses.replace(right(*a, **o), end=6))
    with pytest.raises(oracle.WrongError, match="outside the record"):
        oracle.check_vcd(GOOD, small_blocks=None)
