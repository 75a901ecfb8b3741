"""Runs one input and says what is wrong with how it ended: nothing, where all is well.

Every input must end in a capture (or rig) that holds together, or in one SpinlagError of one line that names the file.
A capture is compared with what other ways through the code give (small blocks, rows one at a time) and, where the
slow readers of the tests understand the text too, with them.
"""

from __future__ import annotations

import csv
import gzip
import lzma
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from csv_texts import as_reference
from reference_csv import read_reference
from reference_vcd import read as read_vcd_slowly
from spinlag.capture import UNKNOWN
from spinlag.errors import CaptureError, RigError, SpinlagError
from spinlag.importers import csv as csv_table
from spinlag.importers import csv_blocks, csv_text, csv_translate, read_capture, vcd
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.draft import Draft
from spinlag.importers.source import HEAD_BYTES
from spinlag.rig import CaptureTable, Rig, read_rig
from vcd_texts import TextSource

SMALL = 1 << 12
_SLOW_FAULTS = (IndexError, ValueError, KeyError, TypeError, ArithmeticError, csv.Error)
"""The slow readers check nothing: what they cannot read ends in any of these."""

_BIG = re.compile(rb"\d{5,}")
_FINER = re.compile(rb"[.,]\d{7}|[eE]-")
"""Times that could be finer than a femtosecond: the importer rounds them, the slow reader does not."""

_FORGIVEN = ("cut short", "no $enddefinitions", "more digits", "left out", "end before")
"""Warnings behind which the importer and the slow VCD reader may differ."""


_FAST_READERS = ("separated_rows", "same_width_rows", "any_width_rows")
"""Readers that give None for what they do not understand; the row-by-row reader takes that."""


class WrongError(Exception):
    """An input that ended as none may."""


def check_vcd(text: bytes, *, small_blocks: int | None) -> str:
    """A VCD text; with `small_blocks` also in blocks of so many bytes. Returns what came of it in a word."""
    first = _ended(lambda: vcd.read(TextSource(text), table=CaptureTable(), block_bytes=SMALL, threads=0))
    if isinstance(first, Draft):
        _holds_together(first)
        if not any(word in warning for word in _FORGIVEN for warning in first.warnings):
            _as_the_slow_vcd_reader(text, first)
    elif first.byte_offset is None and "nothing to analyse" not in str(first):
        raise WrongError(f"no place in {first}")
    if small_blocks:
        again = _ended(lambda: vcd.read(TextSource(text), table=CaptureTable(), block_bytes=small_blocks, threads=0))
        _same(first, again, f"blocks of {small_blocks} bytes")
    return "capture" if isinstance(first, Draft) else "refused"


def check_csv(text: bytes, *, small_blocks: int | None) -> str:
    """A CSV text, whether or not the sniffer would take it; with `small_blocks` the slow ways too."""
    first = _ended(lambda: _csv(text, SMALL))
    if isinstance(first, Draft):
        _holds_together(first)
        _as_the_slow_csv_reader(text, first)
    if small_blocks:
        with mock.patch.multiple(csv_blocks, **dict.fromkeys(_FAST_READERS, _nothing)):
            _same(first, _ended(lambda: _csv(text, SMALL)), "rows one at a time")
        again = _ended(lambda: _csv(text, small_blocks))
        _same(first, again, f"blocks of {small_blocks} bytes")
    return "capture" if isinstance(first, Draft) else "refused"


def check_file(data: bytes, path: Path) -> str:
    """Any bytes as a file on disk, chosen by content as a user's would be."""
    path.write_bytes(data)
    ended = _ended(lambda: read_capture(path))
    if isinstance(ended, SpinlagError):
        return "refused"
    _holds_together(ended)
    return "capture"


def check_rig(text: bytes, path: Path) -> Rig | None:
    """A rig file: a rig, or one error that names keys; None for the latter."""
    path.write_bytes(text)
    try:
        return read_rig(path)
    except RigError as error:
        if not error.problems or str(path) not in str(error):
            raise WrongError(f"no place in {error}") from None
        return None


def packed(data: bytes, kind: int) -> bytes:
    """The data gzip- (0) or xz-compressed (1), or (2) as two members."""
    if kind == 0:
        return gzip.compress(data, 1, mtime=0)
    if kind == 1:
        return lzma.compress(data, preset=0)
    return gzip.compress(data[: len(data) // 2], 1, mtime=0) + gzip.compress(data[len(data) // 2 :], 1, mtime=0)


def is_toml(text: bytes) -> bool:
    """Whether a text is TOML at all."""
    try:
        tomllib.loads(text.decode())
    except (ValueError, RecursionError):
        return False
    return True


def _ended(run: Callable[[], Any]) -> Any:
    """The result, or the CaptureError it ended in."""
    try:
        return run()
    except CaptureError as error:
        said = str(error)
        if not error.file or "\n" in error.reason or len(said) > 2000:
            raise WrongError(f"a message that is no single line: {said!r}") from None
        return error


def _csv(text: bytes, block_bytes: int) -> Draft:
    return csv_table.read(TextSource(text, "text.csv"), options=CsvOptions(), block_bytes=block_bytes, threads=0)


def _nothing(*_: object, **__: object) -> None:
    """A fast reader that understands no row."""


def _holds_together(capture: Any) -> None:
    """What Capture and Channel promise."""
    if not capture.start < capture.end or capture.tick <= 0:
        raise WrongError(f"record [{capture.start}, {capture.end}) in ticks of {capture.tick}")
    for channel in capture.channels:
        edges = channel.edges[:]
        if channel.initial not in (0, 1, UNKNOWN) or (channel.initial == UNKNOWN and len(edges)):
            raise WrongError(f"{channel.path}: initial {channel.initial} with {len(edges)} edges")
        if len(edges) and (edges.dtype != np.int64 or (np.diff(edges) <= 0).any()):
            raise WrongError(f"{channel.path}: edges do not rise")
        if len(edges) and not capture.start <= int(edges[0]) <= int(edges[-1]) < capture.end:
            raise WrongError(f"{channel.path}: edges outside the record")
        spans = channel.unknown
        if (
            spans.shape != (len(spans), 2)
            or (spans[:, 0] >= spans[:, 1]).any()
            or (spans[1:, 0] <= spans[:-1, 1]).any()
        ):
            raise WrongError(f"{channel.path}: unknown stretches {spans.tolist()}")
        if len(spans) and not capture.start <= int(spans[0, 0]) <= int(spans[-1, 1]) <= capture.end:
            raise WrongError(f"{channel.path}: unknown stretches outside the record")
    if any("\n" in warning for warning in capture.warnings):
        raise WrongError("a warning of several lines")


def _lines(draft: Draft) -> list[tuple[Any, ...]]:
    return [(c.name, c.path, c.initial, c.edges[:].tolist(), c.unknown.tolist()) for c in draft.channels]


def _same(one: Draft | CaptureError, other: Draft | CaptureError, how: str) -> None:
    """Both are the same capture, or both are refused: of several faults, another may be named."""
    if isinstance(one, Draft) and isinstance(other, Draft):
        if (one.tick, one.start, one.end, one.sample_period, one.warnings) != (
            other.tick, other.start, other.end, other.sample_period, other.warnings
        ):  # fmt: skip
            raise WrongError(f"{how}: {one} instead of {other}")
        if _lines(one) != _lines(other):
            raise WrongError(f"{how}: other lines")
    elif isinstance(one, Draft) or isinstance(other, Draft):
        raise WrongError(f"{how}: {one!s:.300} instead of {other!s:.300}")


def _as_the_slow_vcd_reader(text: bytes, draft: Draft) -> None:
    if _BIG.search(text.partition(b"$enddefinitions")[0]):
        return  # a width for which the slow reader would need all of the memory
    try:
        slow = read_vcd_slowly(text.removeprefix(b"\xef\xbb\xbf"))
    except _SLOW_FAULTS:
        return
    paths = [channel.path for channel in draft.channels]
    if len(set(paths)) < len(paths) or set(paths) != set(slow.lines) or any(c.path.count("$") for c in draft.channels):
        return
    for channel in draft.channels:
        if (channel.initial, channel.edges[:].tolist(), channel.unknown.tolist()) != slow.lines[channel.path]:
            raise WrongError(f"the slow reader has other edges on {channel.path}")
    if (draft.start, draft.end) != (slow.start, slow.end):
        raise WrongError(f"the slow reader has another record, [{slow.start}, {slow.end})")


def _as_the_slow_csv_reader(text: bytes, draft: Draft) -> None:
    """Levels only: digitised volts have a reader of their own in the tests."""
    if draft.warnings or csv_text.encoding_of(text) is not None or _FINER.search(text):
        return
    translation = csv_translate.find_translation(text[:HEAD_BYTES], CsvOptions())
    if translation is not None or b"\x1a" in text or "\N{MINUS SIGN}".encode() in text:
        return  # the slow reader knows plain numbers only
    layout = csv_table.find_layout(text[:HEAD_BYTES], CsvOptions(), file="", complete=True)
    if layout.unit == "samples" or [column.kind for column in layout.columns[1:]] != ["level"] * (
        len(layout.columns) - 1
    ):
        return
    if any(line.count(b'"') % 2 for line in text.splitlines()):
        return  # the slow reader would take a quoted field over several lines, and lose count of them
    if layout.time != 0 or layout.newline != 10 or layout.dialect.delimiter == " ":
        return
    try:
        slow = read_reference(
            text.decode("utf-8-sig"),
            delimiter=layout.dialect.delimiter,
            decimal=layout.dialect.decimal,
            unit=csv_table.SECONDS[layout.unit],
            header_lines=layout.first_line - 1,
        )
    except _SLOW_FAULTS:
        return
    fast = as_reference(draft)
    if len(slow) == len(fast) and draft.sample_period is None and slow != fast:
        raise WrongError(f"the slow reader has other edges: {slow!s:.300} instead of {fast!s:.300}")
