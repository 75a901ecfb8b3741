"""Run snippets in processes of their own, in turn, and take ratios pair by pair."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass


@dataclass(frozen=True)
class Run:
    """One run: seconds (those the snippet printed, else of the whole process) and peak memory in bytes."""

    seconds: float
    peak_bytes: int


def run_once(command: list[str]) -> Run:
    """Run a command; if its last output line starts with `seconds`, that is its time, so that imports do not count."""
    # compiled modules are kept between runs, as those of an installed program are
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    assert process.stdout is not None
    said = process.stdout.read().strip().splitlines()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    whole = time.perf_counter() - begin
    if process.returncode not in (0, 1, 3):
        raise RuntimeError(f"{command} ended with {process.returncode}")
    last = said[-1] if said else ""
    seconds = float(last.split()[1]) if last.startswith("seconds ") else whole
    return Run(seconds, usage.ru_maxrss * 1024)


def snippet(code: str, *arguments: str) -> list[str]:
    """A command that runs `code` and prints the seconds of what stands between BEGIN and its end."""
    setup, _, timed = code.partition("#BEGIN\n")
    lines = ["import sys, time", setup, "begin = time.perf_counter()", timed]
    lines.append("print('seconds', time.perf_counter() - begin)")
    return [sys.executable, "-c", "\n".join(lines), *arguments]


@dataclass(frozen=True)
class Ratio:
    """A ratio measured pair by pair: median, smallest, largest, and the median seconds on both sides."""

    median: float
    low: float
    high: float
    ours_s: float
    theirs_s: float


def ratio(ours: list[str], theirs: list[str], pairs: int, *, warm: bool = True) -> Ratio:
    """Run both in turn, `pairs` times, after one warm-up of each where `warm`."""
    for command in (theirs, ours) if warm else ():
        run_once(command)
    both = [(run_once(ours).seconds, run_once(theirs).seconds) for _ in range(pairs)]
    ratios = [mine / other for mine, other in both]
    return Ratio(
        statistics.median(ratios),
        min(ratios),
        max(ratios),
        statistics.median(mine for mine, _ in both),
        statistics.median(other for _, other in both),
    )
