"""The table that the benchmarks print: one row per figure, and the machine it was measured on."""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy
import pandas


@dataclass(frozen=True)
class Row:
    """One figure: a ratio to a reference (median, lowest and highest), what it may be at most, and the seconds or bytes
    behind it in words."""

    what: str
    against: str
    at_most: float
    ratio: float
    low: float
    high: float
    said: str

    @property
    def reached(self) -> bool:
        """Whether the median keeps to the goal."""
        return self.ratio <= self.at_most

    def line(self) -> str:
        """For a terminal."""
        spread = f"({self.low:.3f} to {self.high:.3f})"
        mark = "" if self.reached else "  NOT REACHED"
        return (
            f"{self.what:62} {self.ratio:7.3f} {spread:18} goal {self.at_most:<7.3g} {self.said}, {self.against}{mark}"
        )


def markdown(rows: Sequence[Row], where: Mapping[str, object]) -> str:
    """The rows as a table for the README, the machine named above it."""
    named = f"{where['processor']}, {where['cores']} cores, {where['memory_gib']} GiB; Python {where['python']}, "
    named += f"numpy {where['numpy']}, pandas {where['pandas']}"
    lines = [
        named,
        "",
        "| what | reference | ratio (lowest to highest) | goal | measured |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        spread = "" if row.low == row.high else f" ({row.low:.2f} to {row.high:.2f})"
        goal = f"{row.at_most:.3g}" if row.reached else f"{row.at_most:.3g}, not reached"
        lines.append(f"| {row.what} | {row.against} | {row.ratio:.3g}{spread} | {goal} | {row.said} |")
    return "\n".join(lines)


def machine() -> dict[str, object]:
    """Processor, cores, memory and versions."""
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "memory_gib": round(memory),
        "python": platform.python_version(),
        "numpy": numpy.__version__,
        "pandas": pandas.__version__,
    }


def _processor() -> str:
    """The processor's name where the system tells it, else its architecture."""
    said = Path("/proc/cpuinfo")
    for line in said.read_text().splitlines() if said.exists() else ():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.machine()
