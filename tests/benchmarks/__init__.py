"""Speed and memory as ratios against reference libraries, measured in one run: `python -m tests.benchmarks`."""
