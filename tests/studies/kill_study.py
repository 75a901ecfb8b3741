"""How real runs of `spinlag check` stand being killed, at random moments and by random signals.

    python -m tests.studies.kill_study --kills 200 --seed 1

Each run checks one of two captures into a folder that already holds a report, or, one in four, drafts a rig in the
place of another; it is killed at a random moment of its life. Then the folder must hold the old report or the new one,
whole, to the byte, and so the rig. At the end one run to completion must leave nothing temporary. Prints the figures;
status 1 where something was torn or left behind.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parent.parent))

from interrupting import SIGNALS, Runner, TornError, about, fingerprint, leftovers, make_bench


def main() -> int:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    score: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="spinlag-kills-") as name, Runner() as runner:
        folder = Path(name)
        captures = make_bench(folder)
        whole, seconds = _whole(runner, captures, folder)
        place = folder / "place"
        place.mkdir()
        out = place / "report"
        _finish(runner, next(iter(captures.values())), out)
        most = 0
        rigs, rig_seconds = _drafts(runner, captures, place / "rig.toml")
        while score["kills"] < options.kills:
            # half of the kills aim at the end of a run, when the folder is written
            share = chance.uniform(0, 1.0) if score["runs"] % 2 else chance.uniform(0.85, 1.02)
            before, kind = about(out), chance.choice(SIGNALS)
            capture = chance.choice(list(captures.values()))
            if score["runs"] % 4 == 3:
                rig_seconds = _draft_killed(runner, capture, place / "rig.toml", kind, share, rig_seconds, score)
                score["torn"] += (place / "rig.toml").read_bytes() not in rigs
                most = max(most, len(leftovers(place)))
                continue
            began = time.monotonic()
            runner.start(capture, out)
            # a run takes as long as the rest of the machine lets it
            if runner.ended_within(share * seconds):
                seconds = 0.5 * seconds + 0.5 * (time.monotonic() - began)
            else:
                seconds *= 1.03
                runner.kill(kind)
            _count(score, runner.finish()[0], kind)
            try:
                score["torn"] += fingerprint(out) != whole[about(out)]
                score["new report"] += about(out) != before
            except (TornError, OSError, ValueError, KeyError) as error:
                score["torn"] += 1
                print(f"run {score['runs']}: {error}")
            most = max(most, len(leftovers(place)))
        _finish(runner, next(iter(captures.values())), out)
        left = leftovers(place)
    more = sorted(name for name in score if name.startswith("killed") or name.endswith("late"))
    for what in ("runs", "of them drafts", "kills", *more, "new report", "torn"):
        print(f"{what:20} {score[what]}")
    print(f"most temporary files and folders at a time {most}, after the last run {len(left)}")
    return 1 if score["torn"] or left else 0


def _count(score: Counter[str], status: int, kind: signal.Signals) -> None:
    score["runs"] += 1
    if status in (-kind, 130):
        score["kills"] += 1
        score[f"killed by {kind.name}"] += 1
    else:
        score[f"{kind.name} too late"] += 1


def _drafts(runner: Runner, captures: dict[str, Path], rig: Path) -> tuple[list[bytes], float]:
    """What a draft of each capture looks like, and how long one takes."""
    made = []
    for path in captures.values():
        began = time.monotonic()
        runner.command(["draft", str(path), "-o", str(rig), "--force"])
        if runner.finish()[0] != 0:
            raise RuntimeError("a draft that nobody killed failed")
        seconds = time.monotonic() - began
        made.append(rig.read_bytes())
    return made, seconds


def _draft_killed(
    runner: Runner, capture: Path, rig: Path, kind: signal.Signals, share: float, seconds: float, score: Counter[str]
) -> float:
    """One draft, killed after a share of its time; returns how long one takes."""
    began = time.monotonic()
    runner.command(["draft", str(capture), "-o", str(rig), "--force"])
    if runner.ended_within(share * seconds):
        seconds = 0.5 * seconds + 0.5 * (time.monotonic() - began)
    else:
        seconds *= 1.03
        runner.kill(kind)
    score["of them drafts"] += 1
    _count(score, runner.finish()[0], kind)
    return seconds


def _whole(runner: Runner, captures: dict[str, Path], folder: Path) -> tuple[dict[str, dict[str, str]], float]:
    """What a whole report of each capture looks like, and how long a run takes."""
    whole = {}
    for digest, path in captures.items():
        began = time.monotonic()
        _finish(runner, path, folder / digest[:8])
        seconds = time.monotonic() - began
        whole[digest] = fingerprint(folder / digest[:8])
    return whole, seconds


def _finish(runner: Runner, path: Path, out: Path) -> None:
    runner.start(path, out)
    status, said = runner.finish()
    if status not in (0, 3):
        raise RuntimeError(f"a run that nobody killed ended with {status}: {said}")


if __name__ == "__main__":
    sys.exit(main())
