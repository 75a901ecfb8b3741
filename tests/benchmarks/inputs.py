"""Captures to measure on, made afresh from the tide dial's scenario; kept in a folder between runs."""

from __future__ import annotations

import gzip
import re
import shutil
from fractions import Fraction
from pathlib import Path

from spinlag.synth.demo import demo_scenario
from spinlag.synth.simulate import run
from spinlag.synth.write import CsvLayout, write_csv, write_vcd


def _trial(seconds: float):
    scenario = demo_scenario("tide-dial-1.4")
    return run(scenario.model_copy(update={"duration_s": seconds, "faults": (), "fault_trains": ()}))


def vcd(folder: Path, seconds: float) -> Path:
    """The display for so many seconds as VCD; about 19 MB a second."""
    path = folder / f"display-{seconds:g}s.vcd"
    if not path.exists():
        trial = _trial(seconds)
        lattice = trial.world.lattice
        write_vcd(path, trial.lines(), tick=lattice.tick, end=lattice.end)
    return path


def csv(folder: Path, seconds: float, rows: str) -> Path:
    """The display as CSV, one row per change or one per sample."""
    path = folder / f"display-{seconds:g}s-{rows}.csv"
    if not path.exists():
        trial = _trial(seconds)
        lattice = trial.world.lattice
        period = Fraction(1, 24_000_000) / lattice.tick
        write_csv(
            path, trial.lines(), tick=lattice.tick, period_ticks=period, end=lattice.end, layout=CsvLayout(rows=rows)
        )
    return path


_TRAILING = re.compile(rb"(?m)^(\d+)(?:\.0+|(\.\d*[1-9])0+)(?=,)")
"""A time in the first column that ends in zeros behind its decimal point."""


def stripped(path: Path) -> Path:
    """The same CSV with times written without zeros at their end, as many writers do: rows of all widths."""
    target = path.with_name(f"{path.stem}-stripped.csv")
    if not target.exists():
        part = target.with_name(target.name + ".part")
        with open(path, "rb") as source, open(part, "wb") as sink:
            while lines := source.readlines(1 << 22):
                sink.write(_TRAILING.sub(rb"\1\2", b"".join(lines)))
        part.rename(target)
    return target


def packed(path: Path) -> Path:
    """The same file gzip-compressed."""
    target = path.with_name(path.name + ".gz")
    if not target.exists():
        part = target.with_name(target.name + ".part")
        with open(path, "rb") as source, gzip.open(part, "wb", compresslevel=6) as sink:
            shutil.copyfileobj(source, sink, 1 << 20)
        part.rename(target)
    return target
