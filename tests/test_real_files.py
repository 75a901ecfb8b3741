"""VCD files of many writers against what an independent reader found in them; their folder is not in the project."""

from __future__ import annotations

import json
import lzma
from pathlib import Path
from typing import Any

import pytest

from reference_vcd import read as read_slowly
from spinlag import CaptureError, read_capture
from spinlag.capture import UNKNOWN, Channel
from vcd_texts import as_lists

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"
TRUTH: dict[str, Any] = json.loads((REAL / "truth.json").read_text()) if (REAL / "truth.json").exists() else {}
REFUSED = {
    "lib_migen_no_enddefs.vcd": "no time stamp",
    "lib_time_backwards.vcd": "time runs backwards, from 4 to 1",
}
"""Files that break the standard: fractional times; time that goes backwards."""

pytestmark = pytest.mark.skipif(not TRUTH, reason="the folder of foreign files is absent")
NAMES = sorted(TRUTH) or ["absent"]


def path_of(name: str) -> Path:
    """Where a file of the truth lies."""
    return REAL / f"{name}.xz"


@pytest.mark.parametrize("name", [name for name in NAMES if name not in REFUSED])
def test_edges_are_those_of_the_truth_and_of_the_slow_reader(name: str) -> None:
    truth = TRUTH[name]
    capture = read_capture(path_of(name))
    assert (capture.start, capture.end) == (truth["first_time"], truth["last_time"] + 1)
    channels = {channel.path: channel for channel in capture.channels}
    cancelled: dict[str, int] = {}
    if not name.startswith("evcd"):
        slow = read_slowly(lzma.decompress(path_of(name).read_bytes()))
        cancelled = slow.cancelled
        assert {path: as_lists(channel) for path, channel in channels.items()} == slow.lines
    checked = [
        agrees(channels[path], signal, cancelled.get(path, 0), capture.end)
        for signal in truth["signals"]
        for path in signal["names"]
    ]
    assert any(checked) or not checked


def agrees(channel: Channel, signal: dict[str, Any], cancelled: int, end: int) -> bool:
    """Compares one channel with the truth; whether their edges could be counted against each other.

    The truth counts every 0-1 change in file order, those too that cancel each other at one time stamp, but none that
    happened while the line was unknown.
    """
    known = {"0": 0, "1": 1, "L": 0, "H": 1, "l": 0, "h": 1}
    final, first = known.get(signal["final_value"]), known.get(signal["initial_value"])
    edges = channel.edges[:]
    assert final is None or channel.level_at(end) == final
    assert first is None or channel.initial == first
    assert (len(channel.unknown) > 0 and int(channel.unknown[-1, 1]) == end) == (final is None)
    lost_between = len(channel.unknown) - (final is None) - (first is None and channel.initial != UNKNOWN)
    if lost_between > 0:
        return False
    assert len(edges) + 2 * cancelled == signal["n_edges_01"]
    if not cancelled:
        rising = (len(edges) + 1 - channel.initial) // 2 if len(edges) else 0
        assert rising == signal["n_rise_01"]
    if len(edges) and not cancelled and first is not None:
        assert (int(edges[0]), int(edges[-1])) == (signal["first_change"], signal["last_change"])
    return True


@pytest.mark.parametrize(("name", "reason"), REFUSED.items())
def test_what_breaks_the_standard_is_refused_with_its_place(name: str, reason: str) -> None:
    with pytest.raises(CaptureError, match=reason) as caught:
        read_capture(path_of(name))
    assert caught.value.byte_offset is not None


@pytest.mark.parametrize(
    ("name", "period_ns"),
    [("led_avr_chained_16led_10ns.vcd", 62.5), ("led_tinyqv_busbit_1ps.vcd", 7.5), ("led_dhdhxji_1led_1ps.vcd", 50.0)],
)
def test_the_lattice_is_the_clock_of_the_circuit(name: str, period_ns: float) -> None:
    """16 MHz controller written in units of 10 ns; 66.7 MHz and 10 MHz clocks, both edges of them."""
    capture = read_capture(path_of(name))
    assert capture.sample_period.source == "lattice"
    assert capture.sample_period_s == pytest.approx(period_ns * 1e-9, rel=1e-6)
