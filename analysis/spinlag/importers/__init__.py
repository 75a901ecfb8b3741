"""Capture files to captures: one module per format, chosen by a bounded look at the first bytes."""

from __future__ import annotations

from pathlib import Path

from spinlag.capture import Capture, Progress
from spinlag.rig import CaptureTable


def read_capture(
    path: str | Path,
    *,
    table: CaptureTable | None = None,
    importer: str | None = None,
    csv: object | None = None,
    progress: Progress | None = None,
) -> Capture:
    """Read a capture, plain, gzip- or xz-compressed."""
    raise NotImplementedError
