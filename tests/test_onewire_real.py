"""One-wire lines of seven designs not written here: the bytes and bit times that an independent reader found."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from spinlag import read_capture
from spinlag.leds.onewire import decode
from spinlag.rig import CaptureTable, LedsTable, Rig

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"
TRUTH: dict[str, Any] = json.loads((REAL / "led_truth.json").read_text()) if (REAL / "led_truth.json").exists() else {}

pytestmark = pytest.mark.skipif(not TRUTH, reason="the folder of foreign files is absent")


@pytest.mark.parametrize("name", sorted(TRUTH) or ["absent"])
def test_foreign_lines_decode_to_the_same_bytes(name: str) -> None:
    truth = TRUTH[name]
    # one writer left its time unit at 1 s; what it meant is in the truth
    table = CaptureTable(tick_ns=truth["intended_tick_ns"] if "2led_1s" in name else None)
    capture = read_capture(REAL / f"{name}.xz", table=table)
    signal = truth["signal"] + ("" if truth["bit"] is None else f"[{truth['bit']}]")
    (path,) = {c.path for c in capture.channels if c.path == signal or c.path.endswith(f".{signal}")}
    chain = LedsTable(data=path, order="GRBW" if "rgbw" in name else None)
    updates = decode(capture, chain, Rig(capture=table, leds=(chain,)))
    frames = truth["frames"]
    at = updates.offsets
    assert [updates.data[at[i] : at[i + 1]].tobytes().hex().upper() for i in range(len(updates))] == [
        frame["hex"] for frame in frames
    ]
    assert updates.start.tolist() == [frame["start"] for frame in frames]
    assert updates.last.tolist() == [frame["last_fall"] for frame in frames]
    assert updates.bits.tolist() == [frame["n_bits"] for frame in frames]
    for key in ("T0H", "T0L", "T1H", "T1L"):
        tally = updates.timing[key.lower()]
        assert [tally.shortest, tally.longest] == truth[key]
    assert updates.timing["t0h"].statistics.n == truth["n0"]
    assert updates.timing["t1h"].statistics.n == truth["n1"]
    glitches = [o for o in updates.observations if o.kind == "data-bit-time"]
    assert [o.tick for o in glitches] == [begin for begin, _ in truth["glitches"]]
    assert len(updates.observations) == len(glitches)
