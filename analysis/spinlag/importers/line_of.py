"""The line in which a byte of a capture stands, counted when asked for: readers that go by bytes keep no count."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from spinlag.errors import CaptureError
from spinlag.importers.csv_text import Utf8Source, encoding_of
from spinlag.importers.source import ByteSource, FileSource

MOST_COUNTED = 1 << 30
"""Bytes that are read once more to count their lines; beyond, the byte alone has to do."""

_PIECE = 1 << 20


def with_line(error: CaptureError, path: str | Path) -> CaptureError:
    """The error with the line of its byte, counted from 1; as it was where it has one or that cannot be told."""
    offset = error.byte_offset
    if error.line is not None or offset is None or offset > MOST_COUNTED:
        return error
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            return error
        with FileSource(path) as source:
            line = _line(source, offset)
    except (CaptureError, OSError):
        return error
    return CaptureError(error.reason, file=error.file, byte_offset=offset, line=line, channel=error.channel)


def _line(source: ByteSource, offset: int) -> int:
    newline = b"\n" if b"\n" in source.head else b"\r"
    text = source if encoding_of(source.head) is None else Utf8Source(source)
    line = 1
    while offset:
        piece = bytearray(min(offset, _PIECE))
        got = text.readinto(memoryview(piece))
        line += piece.count(newline, 0, got)
        if got < len(piece):
            break
        offset -= got
    return line
