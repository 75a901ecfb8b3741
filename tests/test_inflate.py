"""What unpacks gzip data where it is installed gives the text, the warnings and the refusals of Python's own zlib."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from spinlag.errors import CaptureError
from spinlag.importers import source

other = pytest.importorskip("zlib_ng.zlib_ng", reason="zlib-ng is not installed (extra `fast`)")

LINES = b"".join(b"#%d\n%d%c\n" % (7 * i + i % 5, i % 2, 33 + i * i % 11) for i in range(400))


def unpacked(monkeypatch: pytest.MonkeyPatch, path: Path, module: Any, room: int) -> tuple[bytes, Any]:
    """All text, and the warnings or what the refusal says."""
    monkeypatch.setattr(source, "inflate", module)
    text = bytearray()
    buffer = bytearray(room)
    try:
        with source.FileSource(path) as opened:
            while count := opened.readinto(memoryview(buffer)):
                text += buffer[:count]
            return bytes(text), list(opened.warnings)
    except CaptureError as error:
        return bytes(text), str(error)


@pytest.mark.parametrize("level", [1, 6, 9])
def test_cut_and_damaged_data_give_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, level: int) -> None:
    packed = gzip.compress(LINES, level, mtime=0)
    rng = np.random.default_rng(level)
    cases = [packed[:stop] for stop in range(1, len(packed), 3)]
    for _ in range(200):
        damaged = bytearray(packed)
        damaged[rng.integers(2, len(damaged))] ^= 1 << int(rng.integers(8))
        cases.append(bytes(damaged))
    path = tmp_path / "a.gz"
    outcomes = set()
    for number, case in enumerate([packed, packed + packed, packed + b"rest", *cases]):
        path.write_bytes(case)
        room = (1 << 20, 333)[number % 2]
        found = unpacked(monkeypatch, path, other, room)
        assert found == unpacked(monkeypatch, path, zlib, room), number
        outcomes.add(type(found[1]))
    assert outcomes == {list, str}
    path.write_bytes(packed)
    assert unpacked(monkeypatch, path, other, 1 << 20) == (LINES, [])
