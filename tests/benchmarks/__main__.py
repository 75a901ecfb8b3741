"""Measure import, decoding, the whole check and memory; print a table and, with --json, write it.

Needs the reference libraries: pip install -e '.[bench]'. `--quick` keeps to inputs that are made within a minute.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks import inputs
from tests.benchmarks.measure import Ratio, ratio, run_once, snippet

READ = """
from spinlag.importers import read_capture
#BEGIN
read_capture(sys.argv[1])
"""
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
pandas.read_csv(sys.argv[1], engine='c', dtype={name: 'float64' if i == 0 else 'uint8' for i, name in enumerate(names)})
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
    with tempfile.TemporaryDirectory(prefix="spinlag-benchmark-") as scratch:
        folder = options.work or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        rows = list(_measure(folder, Path(scratch), options.quick, options.pairs))
    machine = {"cores": os.cpu_count(), "processor": platform.machine(), "python": platform.python_version()}
    if options.json:
        options.json.write_text(json.dumps({"machine": machine, "results": rows}, indent=1) + "\n")


def _measure(folder: Path, scratch: Path, quick: bool, pairs: int):
    def row(what: str, against: str, goal: str, found: Ratio) -> dict[str, object]:
        print(
            f"{what:44} {found.median:8.3f}  ({found.low:.3f} to {found.high:.3f})  goal {goal:10} "
            f"{found.ours_s:8.2f} s against {found.theirs_s:.2f} s, {against}",
            flush=True,
        )
        return {"what": what, "against": against, "goal": goal, **vars(found)}

    small = inputs.vcd(folder, 10)
    sizes = [small] if quick else [small, inputs.vcd(folder, 55)]
    for path in sizes:
        size = f"{path.stat().st_size / 1e6:.0f} MB"
        ours = snippet(READ, str(path))
        yield row(f"VCD import, {size}", "compiled reader", "<= 1.0", ratio(ours, snippet(COMPILED, str(path)), pairs))
    tokens = ratio(snippet(READ, str(small)), snippet(TOKENIZER, str(small)), 1)
    yield row("VCD import, 10 s", "pure-Python tokenizer", "<= 1/80", tokens)
    for kind, goal, seconds in (("change", "<= 1.0", 5.0), ("sample", "<= 0.5", 0.2)):
        path = inputs.csv(folder, seconds, kind)
        ours = snippet(READ, str(path))
        others = [
            (name, ratio(ours, snippet(code, str(path)), pairs))
            for name, code in (("pandas", PANDAS), ("pyarrow", ARROW))
        ]
        name, worst = max(others, key=lambda item: item[1].median)
        yield row(f"CSV import, one row per {kind}, {path.stat().st_size / 1e6:.0f} MB", name, goal, worst)
    packed = inputs.packed(small)
    gz = ratio(snippet(READ, str(packed)), snippet(GUNZIP, str(packed)), pairs)
    yield row("gzip-compressed VCD", "gzip reading to nowhere", "<= 1.5", gz)
    decoding = ratio(snippet(DECODE, str(small)), snippet(ONE_PASS, str(small)), pairs)
    # an LED bit has two edges, so per bit the single pass costs twice what it costs per edge; the ratio is the same
    yield row("one-wire decoding", "numpy.diff and a comparison", "<= 12", decoding)
    start = ratio([sys.executable, "-m", "spinlag", "--help"], [sys.executable, "-c", "import click"], 2 * pairs)
    yield row("spinlag --help", "import click", "<= 2.5", start)
    yield from _whole(folder, scratch, quick, row)


def _whole(folder: Path, scratch: Path, quick: bool, row: Callable[..., dict[str, object]]):
    rig = scratch / "rig.toml"
    rig.write_bytes((Path(__file__).parents[2] / "captures" / "tide-dial.toml").read_bytes())
    baseline = None
    for seconds in (10.0, 60.0) if quick else (10.0, 60.0, 600.0):
        path = inputs.vcd(folder, seconds)
        command = [
            sys.executable,
            "-m",
            "spinlag",
            "check",
            str(path),
            "--rig",
            str(rig),
            "--out",
            str(scratch / "out"),
        ]
        whole = run_once(command)
        read = run_once(snippet(READ, str(path)))
        allowed = 3 * read.seconds + 4
        per_second = whole.seconds / seconds
        memory = whole.peak_bytes
        baseline = baseline or (per_second, memory)
        yield row(
            f"check of {seconds:g} s", "3 times the import plus 4 s", "<= 1.0",
            Ratio(*[whole.seconds / allowed] * 3, whole.seconds, allowed),
        )  # fmt: skip
        print(
            f"{'':44} peak memory {memory / 1e6:.0f} MB ({memory / baseline[1]:.2f} of that of 10 s); "
            f"time per second of capture {per_second / baseline[0]:.2f} of that of 10 s",
            flush=True,
        )
        yield {
            "what": f"peak memory of check, {seconds:g} s",
            "bytes": memory,
            "of_smallest": memory / baseline[1],
            "time_per_second_of_smallest": per_second / baseline[0],
        }
        if seconds > 100:
            path.unlink()


if __name__ == "__main__":
    main()
