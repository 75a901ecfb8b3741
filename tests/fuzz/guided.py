"""The same checks driven by coverage: `python -m tests.fuzz.guided [-runs=N] [options of libFuzzer]`.

Needs atheris, which is no dependency of the tests: `pip install atheris`. The first byte of an input chooses its kind.
Stops at the first input that ends wrongly, and writes it to a file. Coverage finds paths that chance does not; chance
tries many times more inputs in the same time.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["spinlag.importers", "spinlag.rig", "spinlag.sampling", "spinlag.lattice"]):
    from .oracle import check_csv, check_file, check_rig, check_vcd

from .corpus import CORPUS, WORDS

KINDS = ("vcd", "csv", "rig", "file")


def main() -> None:
    """Write the corpus and the words where libFuzzer finds them, and let it run."""
    with tempfile.TemporaryDirectory(prefix="spinlag-guided-") as name:
        folder = Path(name)
        for number, kind in enumerate(KINDS):
            for k, text in enumerate(CORPUS.get(kind, ())):
                (folder / f"{kind}-{k}").write_bytes(bytes([number]) + text)
        words = folder / "words"
        lines = ("".join(f"\\x{byte:02x}" for byte in word) for some in WORDS.values() for word in some)
        words.write_text("".join(f'"{line}"\n' for line in lines))
        scratch = folder / "scratch"

        def one(data: bytes) -> None:
            if not data:
                return
            kind, text = KINDS[data[0] % len(KINDS)], data[1:]
            small = (None, None, 7, 40)[data[0] >> 6]
            if kind == "vcd":
                check_vcd(text, small_blocks=small)
            elif kind == "csv":
                check_csv(text, small_blocks=small)
            elif kind == "rig":
                check_rig(text, scratch)
            else:
                check_file(text, scratch)

        atheris.Setup([sys.argv[0], f"-dict={words}", "-max_len=2048", *sys.argv[1:], str(folder)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
