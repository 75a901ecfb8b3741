"""Measure import, decoding, the whole check and memory; print a table and, with --json, write it.

Needs the reference libraries: pip install -e '.[bench]'. `--quick` keeps to inputs that are made within a minute; the
whole of it writes 11 GB to the folder of inputs, and deletes them again. The table is printed once more in Markdown.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.benchmarks import inputs
from tests.benchmarks.measure import Ratio, ratio, run_once, snippet
from tests.benchmarks.table import Row, machine, markdown

READ = """
from spinlag.importers import read_capture
#BEGIN
read_capture(sys.argv[1])
"""
READ_BY_ZLIB = "import zlib, spinlag.importers.source\nspinlag.importers.source.inflate = zlib\n" + READ
COMPILED = """
import pywellen
#BEGIN
waveform = pywellen.Waveform(sys.argv[1])
signals = [variable.signal for variable in waveform.all_vars()]
"""
TOKENIZER = """
from vcd.reader import tokenize
#BEGIN
with open(sys.argv[1], 'rb') as file:
    for token in tokenize(file):
        pass
"""
PANDAS = """
import pandas
#BEGIN
names = list(pandas.read_csv(sys.argv[1], nrows=0).columns)
kinds = {name: 'float64' if i == 0 else 'uint8' for i, name in enumerate(names)}
pandas.read_csv(sys.argv[1], engine='c', dtype=kinds)
"""
ARROW = """
import pyarrow, pyarrow.csv
pyarrow.set_cpu_count(2)
#BEGIN
pyarrow.csv.read_csv(sys.argv[1])
"""
GUNZIP = """
import gzip
#BEGIN
with gzip.open(sys.argv[1]) as file:
    while file.read(1 << 20):
        pass
"""
DECODE = """
from spinlag.importers import read_capture
from spinlag.leds import decode_chains
import scipy.special, spinlag.leds.onewire
from spinlag.rig import rig_from_mapping
capture = read_capture(sys.argv[1])
rig = rig_from_mapping({'leds': [{'name': 'arm', 'part': 'WS2812B 2013-05', 'data': 'DOUT', 'count': 16}]})
#BEGIN
decode_chains(capture, rig)
"""
ONE_PASS = """
import numpy
from spinlag.importers import read_capture
edges = read_capture(sys.argv[1]).channel('DOUT').edges[:]
#BEGIN
numpy.diff(edges) > 600
"""


def main() -> None:
    """Measure, print and perhaps write."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="10 s captures only")
    parser.add_argument("--pairs", type=int, default=5, help="pairs of runs per ratio")
    parser.add_argument("--work", type=Path, help="folder for the inputs, kept for the next run")
    parser.add_argument("--json", type=Path, help="write the results here")
    options = parser.parse_args()
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="spinlag-benchmark-") as scratch:
        folder = options.work or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for row in _measure(folder, Path(scratch), options.quick, options.pairs):
            print(row.line(), flush=True)
            rows.append(row)
    print()
    print(markdown(rows, machine()))
    if options.json:
        document = {"machine": machine(), "results": [vars(row) | {"reached": row.reached} for row in rows]}
        options.json.write_text(json.dumps(document, indent=1) + "\n")


def _measure(folder: Path, scratch: Path, quick: bool, pairs: int) -> Iterator[Row]:
    small = _made(inputs.vcd, folder, 10)
    for path in [small] if quick else [small, _made(inputs.vcd, folder, 60)]:
        found = ratio(snippet(READ, str(path)), snippet(COMPILED, str(path)), pairs)
        yield _row(f"VCD import, {_size(path)}", "compiled reader, all signals", found, at_most=1.0)
    found = ratio(snippet(READ, str(small)), snippet(TOKENIZER, str(small)), 1, warm=False)
    yield _row(f"VCD import, {_size(small)}", "pure-Python tokenizer", found, at_most=1 / 80)
    for kind, goal, seconds in (("change", 1.0, 5.0), ("sample", 0.5, 0.2)):
        plain = _made(inputs.csv, folder, seconds, kind)
        for path, how in ((plain, ""), (_made(inputs.stripped, plain), ", no zeros at the end of times")):
            yield _csv_row(path, f"CSV import, one row per {kind}{how}, {_size(path)}", pairs, goal)
    packed = _made(inputs.packed, small)
    for code, how in ((READ, ", extra `fast`"), (READ_BY_ZLIB, ", without it")):
        found = ratio(snippet(code, str(packed)), snippet(GUNZIP, str(packed)), 2 * pairs)
        yield _row(f"gzip-compressed VCD, {_size(packed)}{how}", "Python's gzip reading to nowhere", found, at_most=1.5)
    found = ratio(snippet(DECODE, str(small)), snippet(ONE_PASS, str(small)), pairs)
    # an LED bit has two edges, so per bit the single pass costs twice what it costs per edge; the ratio is the same
    yield _row("one-wire decoding", "numpy.diff and a comparison", found, at_most=12)
    found = ratio([sys.executable, "-m", "spinlag", "--help"], [sys.executable, "-c", "import click"], 2 * pairs)
    yield _row("spinlag --help", "import click", found, at_most=2.5)
    yield from _whole(folder, scratch, quick, pairs)


def _made(make: Callable[..., Path], *arguments: object) -> Path:
    """An input, made in a process of its own: what this one once needed would count as the peak of those it starts."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as other:
        return other.submit(make, *arguments).result()


def _csv_row(path: Path, what: str, pairs: int, goal: float) -> Row:
    """Against whichever of the two references is the faster."""
    ours = snippet(READ, str(path))
    references = {"pandas, C engine": PANDAS, "pyarrow, two threads": ARROW}
    found = {name: ratio(ours, snippet(code, str(path)), pairs) for name, code in references.items()}
    name = min(found, key=lambda name: found[name].theirs_s)
    return _row(what, name, found[name], at_most=goal)


def _row(what: str, against: str, found: Ratio, *, at_most: float) -> Row:
    said = f"{found.ours_s:.2f} s against {found.theirs_s:.2f} s"
    return Row(what, against, at_most, found.median, found.low, found.high, said)


def _size(path: Path) -> str:
    return f"{path.stat().st_size / 1e6:.0f} MB"


def _whole(folder: Path, scratch: Path, quick: bool, pairs: int) -> Iterator[Row]:
    """The whole check: its time, and how memory and time grow with the length of the capture."""
    rig = scratch / "rig.toml"
    rig.write_bytes((Path(__file__).parents[2] / "captures" / "tide-dial.toml").read_bytes())
    memory: dict[str, float] = {}
    per_second: dict[str, float] = {}
    before = (0.0, 0.0)
    for seconds in (10.0, 60.0) if quick else (10.0, 60.0, 600.0):
        path = _made(inputs.vcd, folder, seconds)
        long = seconds > 100
        times, peak = _checks(path, rig, scratch, 1 if long else pairs)
        whole = statistics.median(mine for mine, _ in times)
        memory[f"{seconds:g} s"] = peak / 1e6
        if before[0]:  # what starting Python and drawing take is the same for all and no part of the slope
            per_second[f"{before[0]:g} to {seconds:g} s"] = (whole - before[1]) / (seconds - before[0])
        before = (seconds, whole)
        size = _size(path)
        if long:
            path.unlink()
        allowed = [3 * read + 4 for _, read in times]
        shares = [mine / most for (mine, _), most in zip(times, allowed, strict=True)]
        said = f"{whole:.1f} s against {statistics.median(allowed):.1f} s"
        what, against = f"check of {seconds:g} s ({size})", "3 times the import plus 4 s"
        yield Row(what, against, 1.0, statistics.median(shares), min(shares), max(shares), said)
        share = peak / 600e6
        yield Row(f"peak memory of check, {seconds:g} s", "600 MB", 1.0, share, share, share, f"{peak / 1e6:.0f} MB")
    for what, figures, unit in (("peak memory", memory, "MB"), ("time per further second of capture", per_second, "s")):
        if len(figures) < 2:
            continue
        spread = max(figures.values()) / min(figures.values())
        said = ", ".join(f"{length}: {figure:.3g} {unit}" for length, figure in figures.items())
        yield Row(f"{what}, largest of all lengths", "the smallest", 1.3, spread, spread, spread, said)


def _checks(path: Path, rig: Path, scratch: Path, pairs: int) -> tuple[list[tuple[float, float]], int]:
    """Seconds of whole checks, each with those of an import right after it; the largest peak memory, bytes."""
    command = [sys.executable, "-m", "spinlag", "check", str(path), "--rig", str(rig), "--out", str(scratch / "out")]
    times, peak = [], 0
    for _ in range(pairs):
        whole = run_once(command)
        times.append((whole.seconds, run_once(snippet(READ, str(path))).seconds))
        peak = max(peak, whole.peak_bytes)
    return times, peak


if __name__ == "__main__":
    main()
