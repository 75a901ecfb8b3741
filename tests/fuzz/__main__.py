"""The fuzzer as a command: `python -m tests.fuzz --inputs 2000000 --seed 1`."""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path

from .run import Score, fuzz, made


def main() -> int:
    """Run, print the figures, and keep what ended wrongly; status 1 where anything did."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, metavar="N", help="begin at input N of the seed")
    parser.add_argument("--show", type=int, metavar="N", help="print input N of the seed instead")
    parser.add_argument("--keep", type=Path, help="folder for the inputs that ended wrongly")
    parser.add_argument(
        "--whole-way", type=int, default=500, metavar="N", help="one of N goes through the whole analysis"
    )
    options = parser.parse_args()
    if options.show is not None:
        kind, text, _ = made(options.show, options.seed)
        print(kind, text)
        return 0
    warnings.simplefilter("error")
    began, told = time.monotonic(), [0]

    def report(score: Score) -> None:
        print(f"{score.inputs} inputs, {len(score.wrong)} wrong, {time.monotonic() - began:.0f} s", flush=True)
        if len(score.wrong) > told[0]:
            print(*(f"  input {number}: {reason[:200]}" for number, reason, _ in score.wrong[told[0] :]), sep="\n")
            told[0] = len(score.wrong)

    score = fuzz(options.inputs, options.seed, first=options.first, report=report, whole_way=options.whole_way)
    report(score)
    for ended, count in sorted(score.ended.items()):
        print(f"  {ended:28} {count}")
    print(f"  slowest {score.slowest_s:.2f} s, memory grew by {score.growth_bytes / 2**20:.0f} MiB")
    for number, reason, text in score.wrong[:200]:
        print(f"  input {number}: {reason[:300]}")
        if options.keep is not None:
            options.keep.mkdir(parents=True, exist_ok=True)
            (options.keep / f"{options.seed}-{number}").write_bytes(text)
    return 1 if score.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
