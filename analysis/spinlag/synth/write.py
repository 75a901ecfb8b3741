"""Captures to files: VCD and CSV, plain, gzip- or xz-compressed, written in blocks so that length costs no memory."""

from __future__ import annotations

import gzip
import lzma
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import IO, Literal, cast

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import UNKNOWN, Capture, Ticks
from spinlag.errors import OutputError
from spinlag.synth.record import Line
from spinlag.temporary import whole_file

Bytes = NDArray[np.uint8]

_SLICE = 500_000
_UNITS = ("s", "ms", "us", "ns", "ps", "fs")
_FIRST_CODE, _CODES = ord("!"), ord("~") - ord("!") + 1


@dataclass(frozen=True)
class CsvLayout:
    """How a CSV file is laid out. `rows`: one per change of any line, or one per sample. `time`: the unit of its first
    column, or bare sample numbers (counted from 0), for which `preamble` should state the rate."""

    rows: Literal["change", "sample"] = "change"
    time: Literal["s", "ms", "us", "ns", "samples"] = "s"
    delimiter: str = ","
    decimal: str = "."
    high: str = "1"
    low: str = "0"
    header: bool = True
    preamble: tuple[str, ...] = ()
    newline: str = "\n"


def lines_of(capture: Capture) -> tuple[Line, ...]:
    """A capture's channels as streams, for the writers below."""
    return tuple(
        Line(channel.name, channel.initial, _Slices(channel.edges[:] if len(channel.edges) else np.empty(0, np.int64)))
        for channel in capture.channels
    )


@dataclass(frozen=True, eq=False)
class _Slices:
    edges: Ticks

    def __iter__(self) -> Iterator[Ticks]:
        for at in range(0, len(self.edges), _SLICE):
            yield self.edges[at : at + _SLICE]


@contextmanager
def new_file(path: Path, *, force: bool) -> Iterator[IO[bytes]]:
    """A file that appears under its name only when it is whole; compressed where the name ends in .gz or .xz.

    Raises OutputError where it exists and `force` is not set, or where it cannot be written.
    """
    if os.path.exists(path) and not force:
        raise OutputError(f"{path}: exists already; give another name, or --force to overwrite it")
    try:
        with whole_file(path) as raw:
            if path.suffix == ".gz":
                with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as packed:
                    yield cast("IO[bytes]", packed)
            elif path.suffix == ".xz":
                with lzma.open(raw, "wb") as packed_xz:
                    yield cast("IO[bytes]", packed_xz)
            else:
                yield raw
            if os.path.exists(path) and not force:
                raise OutputError(f"{path}: appeared while it was being written; nothing was overwritten")
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}") from None


@dataclass(frozen=True, eq=False)
class _Window:
    """All changes of all lines in a stretch of time, in order: ticks, which line, its level from then on."""

    ticks: Ticks
    line: NDArray[np.int64]
    level: Bytes


def _windows(lines: Sequence[Line]) -> Iterator[_Window]:
    """Merge the lines' blocks, a stretch at a time."""
    sources = [iter(line.blocks) for line in lines]
    held: list[Ticks] = [np.empty(0, dtype=np.int64) for _ in lines]
    level = [max(line.initial, 0) for line in lines]
    open_ = [True] * len(lines)
    while True:
        for i, source in enumerate(sources):
            while open_[i] and not held[i].size:
                block = next(source, None)
                if block is None:
                    open_[i] = False
                else:
                    held[i] = np.asarray(block, dtype=np.int64)
        ends = [int(held[i][-1]) for i in range(len(lines)) if open_[i]]
        if not ends:
            return
        until = min(ends)
        ticks, which, levels = [], [], []
        for i in range(len(lines)):
            count = int(np.searchsorted(held[i], until, side="right"))
            if count:
                ticks.append(held[i][:count])
                held[i] = held[i][count:]
                which.append(np.full(count, i))
                levels.append(((level[i] + 1 + np.arange(count)) & 1).astype(np.uint8))
                level[i] ^= count & 1
        joined = np.concatenate(ticks)
        order = np.argsort(joined, kind="stable")
        yield _Window(joined[order], np.concatenate(which)[order], np.concatenate(levels)[order])


def _digits(numbers: Ticks, width: int) -> Bytes:
    """Decimal digits of non-negative numbers below 10 ** width, as ASCII, shape (n, width), zeros in front."""
    out = np.empty((len(numbers), width), dtype=np.uint8)
    left = numbers
    for at in range(width - 1, -1, -1):
        higher = left // 10
        out[:, at] = (left - higher * 10).astype(np.uint8)
        left = higher
    out += ord("0")
    return out


def _by_length(numbers: Ticks, least: int = 1) -> Iterator[tuple[slice, int]]:
    """Stretches of ascending numbers that have equally many digits (at least `least`), with that count."""
    at = 0
    while at < len(numbers):
        width = max(len(str(int(numbers[at]))), least)
        end = int(np.searchsorted(numbers, 10**width, side="left")) if 10**width < 2**63 else len(numbers)
        yield slice(at, end), width
        at = end


def _code(number: int, width: int) -> str:
    text = ""
    for _ in range(width):
        number, digit = divmod(number, _CODES)
        text += chr(_FIRST_CODE + digit)
    return text


def _vcd_timescale(tick: Fraction) -> str:
    for power, unit in enumerate(_UNITS):
        for count in (1, 10, 100):
            if tick == count * Fraction(1, 1000**power):
                return f"{count} {unit}"
    raise OutputError(f"VCD has no timescale of {float(tick):g} s; it takes 1, 10 or 100 of s to fs")


def write_vcd(
    path: str | Path,
    lines: Sequence[Line],
    *,
    tick: Fraction,
    start: int = 0,
    end: int,
    comment: str = "",
    scope: str = "bench",
    force: bool = False,
) -> Path:
    """Write lines as a VCD file (IEEE Std 1364-2005, clause 18), one scalar wire each.

    `start` and `end` are ticks; a level not known at the start is written as x. Raises OutputError.
    """
    path = Path(path)
    width = 1 if len(lines) <= _CODES else 2 if len(lines) <= _CODES**2 else 3
    codes = [_code(i, width) for i in range(len(lines))]
    head = ["$version spinlag synth $end"]
    if comment:
        head.append(f"$comment {comment.replace('$', ' ')} $end")
    head += [f"$timescale {_vcd_timescale(tick)} $end", f"$scope module {scope} $end"]
    head += [f"$var wire 1 {code} {line.name} $end" for code, line in zip(codes, lines, strict=True)]
    head += ["$upscope $end", "$enddefinitions $end", f"#{start}", "$dumpvars"]
    head += [f"{'x' if ln.initial == UNKNOWN else ln.initial}{c}" for c, ln in zip(codes, lines, strict=True)]
    table = np.array([list(code.encode("ascii")) for code in codes], dtype=np.uint8).reshape(len(lines), width)
    last = start
    with new_file(path, force=force) as file:
        file.write(("\n".join([*head, "$end"]) + "\n").encode("utf-8"))
        for window in _windows(lines):
            fresh = np.concatenate(([True], window.ticks[1:] != window.ticks[:-1]))
            fresh[0] = window.ticks[0] != last
            for own, digits in _by_length(window.ticks):
                file.write(_vcd_rows(window, own, digits, table, fresh[own]))
            last = int(window.ticks[-1])
        if last != end:
            file.write(f"#{end}\n".encode("ascii"))
    return path


def _vcd_rows(window: _Window, own: slice, digits: int, codes: Bytes, fresh: NDArray[np.bool_]) -> bytes:
    """`#time`, newline, level, code, newline for each change; the time only where it is a new one."""
    ticks = window.ticks[own]
    rows = np.full((len(ticks), digits + 4 + codes.shape[1]), ord("\n"), dtype=np.uint8)
    rows[:, 0] = ord("#")
    rows[:, 1 : digits + 1] = _digits(ticks, digits)
    rows[:, digits + 2] = ord("0") + window.level[own]
    rows[:, digits + 3 : -1] = codes[window.line[own]]
    if fresh.all():
        return rows.tobytes()
    keep = np.ones(rows.shape, dtype=bool)
    keep[:, : digits + 2] = fresh[:, None]
    return rows[keep].tobytes()


def write_csv(
    path: str | Path,
    lines: Sequence[Line],
    *,
    tick: Fraction,
    period_ticks: Fraction,
    start: int = 0,
    end: int,
    layout: CsvLayout | None = None,
    force: bool = False,
) -> Path:
    """Write lines as CSV, one column each after the time; a level that is not known is written as low.

    One row per change begins with a row at `start` and ends with one at `end`, which repeats the last levels. Times in
    units are exact decimals. Raises OutputError.
    """
    path = Path(path)
    layout = layout or CsvLayout()
    with new_file(path, force=force) as file:
        for text in layout.preamble:
            file.write((text + layout.newline).encode("utf-8"))
        if layout.header:
            title = "sample" if layout.time == "samples" else f"Time [{layout.time}]"
            names = [title, *[line.name for line in lines]]
            file.write((layout.delimiter.join(names) + layout.newline).encode("utf-8"))
        for ticks, levels in _rows(lines, start, end, period_ticks, layout):
            file.write(_csv_rows(ticks, levels, tick, period_ticks, layout))
    return path


def _rows(
    lines: Sequence[Line], start: int, end: int, period_ticks: Fraction, layout: CsvLayout
) -> Iterator[tuple[Ticks, Bytes]]:
    """(ticks, levels of shape (n, lines)) of every row, in blocks."""
    now = np.array([max(line.initial, 0) for line in lines], dtype=np.uint8)
    if layout.rows == "sample":
        yield from _sample_rows(lines, now, start, end, period_ticks)
        return
    yield np.array([start], dtype=np.int64), now[None, :].copy()
    last = start
    for window in _windows(lines):
        ticks, levels = _levels_at_changes(window, now)
        now = levels[-1]
        last = int(ticks[-1])
        yield ticks, levels
    if last != end:
        yield np.array([end], dtype=np.int64), now[None, :]


def _levels_at_changes(window: _Window, now: Bytes) -> tuple[Ticks, Bytes]:
    """Distinct ticks of a window and every line's level from then on."""
    ticks, row = np.unique(window.ticks, return_inverse=True)
    toggles = np.zeros((len(ticks), len(now)), dtype=np.uint8)
    toggles[row, window.line] = 1
    return ticks, now ^ (np.cumsum(toggles, axis=0) & 1).astype(np.uint8)


def _sample_rows(
    lines: Sequence[Line], now: Bytes, start: int, end: int, period_ticks: Fraction
) -> Iterator[tuple[Ticks, Bytes]]:
    """Every sample from `start` up to, not with, `end`."""
    num, den = period_ticks.numerator, period_ticks.denominator
    last = -(-((end - start) * den) // num)
    changes: list[tuple[Ticks, Bytes]] = [(np.array([start]), now[None, :].copy())]
    done = 0

    def up_to(sample: int) -> Iterator[tuple[Ticks, Bytes]]:
        nonlocal done
        ticks = np.concatenate([t for t, _ in changes])
        levels = np.concatenate([level for _, level in changes])
        while done < sample:
            stop = min(sample, done + _SLICE)
            at = start + (np.arange(done, stop, dtype=np.int64) * (2 * num) + den) // (2 * den)
            yield at, levels[np.searchsorted(ticks, at, side="right") - 1]
            done = stop
        changes[:] = [(ticks[-1:], levels[-1:])]

    for window in _windows(lines):
        changes.append(_levels_at_changes(window, changes[-1][1][-1]))
        yield from up_to(int((int(window.ticks[-1]) - start) * den // num))
    yield from up_to(last)


def _csv_rows(ticks: Ticks, levels: Bytes, tick: Fraction, period_ticks: Fraction, layout: CsvLayout) -> bytes:
    numbers, decimals = _time_numbers(ticks, tick, period_ticks, layout)
    cells = np.array([layout.low, layout.high])[levels]
    packed = np.packbits(levels, axis=1, bitorder="little")
    _, first, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
    tail = [layout.delimiter + layout.delimiter.join(cells[i]) + layout.newline for i in first]
    which = which.reshape(-1)
    longest = max(len(text) for text in tail)
    table = np.zeros((len(tail), longest), dtype=np.uint8)
    for i, text in enumerate(tail):
        table[i, : len(text)] = list(text.encode("utf-8"))
    out = []
    for own, digits in _by_length(numbers, decimals + 1):
        times = _digits(numbers[own], digits)
        if decimals:
            mark = np.full((len(times), 1), ord(layout.decimal), dtype=np.uint8)
            times = np.concatenate((times[:, : digits - decimals], mark, times[:, digits - decimals :]), axis=1)
        rows = np.concatenate((times, table[which[own]]), axis=1)
        out.append(rows[rows != 0].tobytes())
    return b"".join(out)


def _time_numbers(ticks: Ticks, tick: Fraction, period_ticks: Fraction, layout: CsvLayout) -> tuple[Ticks, int]:
    """Times as whole numbers with so many implied decimals."""
    if layout.time == "samples":
        num, den = period_ticks.numerator, period_ticks.denominator
        return (ticks * (2 * den) + num) // (2 * num), 0
    units = tick * 1000 ** _UNITS.index(layout.time)
    decimals = 0
    while (units * 10**decimals).denominator != 1:
        decimals += 1
        if decimals > 18:
            raise OutputError(f"a tick of {float(tick):g} s is no finite decimal")
    return ticks * int(units * 10**decimals), decimals
