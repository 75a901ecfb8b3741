"""A run of the fuzzer: inputs, limits on time and memory, and a count of how they ended."""

from __future__ import annotations

import os
import random
import resource
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from build import display
from spinlag.capture import Capture
from spinlag.errors import SpinlagError
from spinlag.importers import read_capture
from spinlag.pipeline import analyse
from spinlag.report.results import results_bytes
from spinlag.rig import Rig
from spinlag.roles import guess_rig

from .corpus import CORPUS, WORDS
from .mutate import mutated
from .oracle import WrongError, check_csv, check_file, check_rig, check_vcd, packed

MOST_SECONDS = 10.0
"""Processor time that one input may take; all are far smaller than 10 MB."""

MOST_MEMORY = 200 << 20
"""Memory by which the process may grow, beyond ten times the input."""

MEMORY_EVERY = 100
"""The peak is looked at after so many inputs: it does not go down again."""

KINDS = ("vcd", "vcd", "vcd", "csv", "csv", "rig", "rig", "rig", "file", "file")
WHOLE_WAY_EVERY = 500
"""So many inputs of these go through the whole analysis, once."""


@dataclass
class Score:
    """How the inputs of a run ended, and those that ended wrongly."""

    ended: Counter[str] = field(default_factory=Counter)
    wrong: list[tuple[int, str, bytes]] = field(default_factory=list)
    slowest_s: float = 0.0
    growth_bytes: int = 0

    @property
    def inputs(self) -> int:
        """Inputs tried."""
        return self.ended.total()


class TooLongError(Exception):
    """An input took more than MOST_SECONDS."""


def fuzz(
    inputs: int,
    seed: int,
    *,
    first: int = 0,
    report: Callable[[Score], None] | None = None,
    whole_way: int = WHOLE_WAY_EVERY,
) -> Score:
    """Try so many inputs. Input n of a seed is always the same, so that one that ended wrongly can be had again."""
    score = Score()
    folder = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="spinlag-fuzz-", dir=folder) as name:
        bench = _with_hall(display(revolutions=4)[0])
        before = _peak()
        for number in range(first, first + inputs):
            _one(score, number, seed, Path(name), bench, number % whole_way == whole_way - 1)
            if number % MEMORY_EVERY == MEMORY_EVERY - 1:
                peak = _peak()
                score.growth_bytes = max(score.growth_bytes, peak - before)
                if peak - before > MOST_MEMORY:
                    score.wrong.append((number, f"memory grew by {(peak - before) >> 20} MiB", b""))
                    before = peak
            if report is not None and number % 10_000 == 9_999:
                report(score)
    return score


def made(number: int, seed: int) -> tuple[str, bytes, random.Random]:
    """Input n of a seed: its kind, its bytes, and the chance that decides how it is read."""
    chance = random.Random(f"{seed}/{number}")
    kind = chance.choice(KINDS)
    of = chance.choice(("vcd", "csv")) if kind == "file" else kind
    text = mutated(chance, CORPUS[of], WORDS[of])
    if kind == "file":
        text = packed(text, chance.randrange(3))
        if chance.random() < 0.8:
            text = mutated(chance, [text], [b"\0", b"\x1f\x8b\x08", b"\xfd7zXZ\0"])
    return kind, text, chance


def _with_hall(built: Capture) -> Capture:
    """The display with a motor line beside its index, which the corpus' rig names."""
    index = built.channels[0]
    hall = replace(index, name="HALL", path="HALL", edges=np.asarray(index.edges[:]) + 50_000)
    return replace(built, channels=(*built.channels, hall))


def _one(score: Score, number: int, seed: int, folder: Path, bench: Capture, whole: bool) -> None:
    kind, text, chance = made(number, seed)
    began = time.process_time()
    try:
        with _limit():
            ended = _run(kind, text, chance, folder, bench, whole)
    except (WrongError, TooLongError) as error:
        ended = "wrong"
        score.wrong.append((number, str(error) or type(error).__name__, text))
    except Exception as error:  # noqa: BLE001 - finding these is what this program is for
        ended = "wrong"
        score.wrong.append((number, f"{type(error).__name__}: {error}", text))
    score.ended[f"{kind} {ended}"] += 1
    score.slowest_s = max(score.slowest_s, time.process_time() - began)


def _run(kind: str, text: bytes, chance: random.Random, folder: Path, bench: Capture, whole: bool) -> str:
    small = chance.choice((1, 7, 40, 333)) if chance.random() < 0.2 else None
    if kind == "rig":
        rig = check_rig(text, folder / "rig.toml")
        if rig is not None and whole:
            _whole_way(bench, rig)
        return "refused" if rig is None else "rig"
    if whole and kind != "file":
        path = folder / "whole"
        path.write_bytes(text)
        try:
            _whole_way(read_capture(path), None)
        except SpinlagError:
            return "refused on the whole way"
        return "analysed"
    if kind == "file":
        return check_file(text, folder / "file")
    return (check_vcd if kind == "vcd" else check_csv)(text, small_blocks=small)


def _whole_way(capture: Capture, rig: Rig | None) -> None:
    """Everything that `check` does but the pictures."""
    try:
        results_bytes(analyse(capture, rig if rig is not None else guess_rig(capture)))
    except SpinlagError:
        if rig is None:
            raise


@contextmanager
def _limit() -> Iterator[None]:
    def too_long(*_: object) -> None:
        raise TooLongError(f"more than {MOST_SECONDS} s")

    before = signal.signal(signal.SIGPROF, too_long)
    signal.setitimer(signal.ITIMER_PROF, MOST_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss << 10
