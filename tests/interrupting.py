"""Real runs of `spinlag check`, to be killed: the captures, the command, and what a whole report folder is.

A runner has everything imported and forks for each run, so that a run takes as long as its work and not as long as
starting Python does.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from build import RIG, display
from spinlag.synth.write import lines_of, write_vcd

FILES = ["incidents.csv", "junit.xml", "report.html", "results.json", "revolutions.csv", "updates.csv"]
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)

RUNNER = """
import json, os, resource, signal, sys, tempfile
import matplotlib.figure, scipy.stats, pandas
import spinlag.importers, spinlag.pipeline, spinlag.report.html, spinlag.report.folder, spinlag.roles.survey
from spinlag import paged
from spinlag.cli import main
from spinlag.importers import edge_store, vcd
# a shell that starts the tests in the background lets them ignore the signal
signal.signal(signal.SIGINT, signal.default_int_handler)
for line in sys.stdin:
    order = json.loads(line)
    pid = os.fork()
    if pid == 0:
        os.dup2(os.open(os.devnull, os.O_RDWR), 0)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(os.open(order["stderr"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        if order["most_bytes"]:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (order["most_bytes"],) * 2)
        if order["tmp"]:
            os.environ["TMPDIR"] = order["tmp"]
            tempfile.tempdir = None  # what some library asked for before
        if "edges" in order["to_files"]:
            edge_store.MEMORY_CAP = 2000
            vcd.read.__kwdefaults__["block_bytes"] = 4096
        if "columns" in order["to_files"]:
            paged.LEAST_BYTES = 100
        sys.argv = ["spinlag", *order["arguments"]]
        main()
    print(pid, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
"""


class TornError(AssertionError):
    """A report folder that is neither the old report nor the new one."""


class Runner:
    """One run at a time: `start`, perhaps `kill`, then `finish`."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", RUNNER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._said = tempfile.NamedTemporaryFile(prefix="spinlag-said-")  # noqa: SIM115 - closed by close()
        self._pid = 0

    def __enter__(self) -> Runner:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()
        self._said.close()

    def start(self, capture: Path, out: Path, **limits: Any) -> None:
        """Begin to check a capture into a folder; `limits` as in `command`."""
        self.command(["check", str(capture), "--rig", str(capture.parent / "bench.toml"), "--out", str(out)], **limits)

    def command(
        self, arguments: list[str], *, most_bytes: int = 0, tmp: Path | None = None, to_files: tuple[str, ...] = ()
    ) -> None:
        """Begin a command. Files may grow to `most_bytes` where that is not 0; temporary files go to `tmp`; `edges` and
        `columns` in `to_files` send even short ones of a capture there."""
        order = {
            "arguments": arguments,
            "stderr": self._said.name,
            "most_bytes": most_bytes,
            "tmp": str(tmp or ""),
            "to_files": to_files,
        }
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        self._pid = int(self._process.stdout.readline())

    def ended_within(self, seconds: float) -> bool:
        """Wait so long, or until the run has ended; True where it has."""
        return bool(select.select([self._process.stdout], [], [], seconds)[0])

    def kill(self, kind: signal.Signals) -> None:
        """Send a signal to the run, which may have ended."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, kind)

    def finish(self) -> tuple[int, str]:
        """Exit status (negative: the signal that ended it) and what the run said on standard error."""
        status = int(self._process.stdout.readline())
        return status, Path(self._said.name).read_text()


def make_bench(folder: Path) -> dict[str, Path]:
    """Two captures that give different reports, by their digests; their rig lies beside them."""
    (folder / "bench.toml").write_text(RIG)
    made = {}
    for number, response in enumerate((100_000, 150_000)):
        built, _, _ = display(revolutions=6, response=response, jitter=3000)
        path = folder / f"bench{number}.vcd"
        write_vcd(path, lines_of(built), tick=built.tick, end=built.end)
        made[hashlib.sha256(path.read_bytes()).hexdigest()] = path
    return made


def fingerprint(out: Path) -> dict[str, str]:
    """The digest of every file of a report folder; raises TornError where it is no whole report."""
    if sorted(os.listdir(out)) != FILES:
        raise TornError(f"the folder holds {sorted(os.listdir(out))}")
    return {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in FILES}


def about(out: Path) -> str:
    """The digest of the capture that a report is about."""
    return str(json.loads((out / "results.json").read_text())["capture"]["sha256"])


def leftovers(parent: Path) -> list[str]:
    """Temporary files and folders beside a report."""
    return [name for name in os.listdir(parent) if name.startswith(".spinlag")]
