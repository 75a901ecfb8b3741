"""Real runs interrupted at any moment, on full disks and by one another: the old report or the new one, whole.

`python -m tests.studies.kill_study` does the same a few hundred times.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time

import pytest

from interrupting import SIGNALS, Runner, about, fingerprint, leftovers, make_bench


@pytest.fixture(scope="module")
def runner():
    with Runner() as one:
        yield one


@pytest.fixture(scope="module")
def bench(runner, tmp_path_factory):
    """Captures by digest, what a whole report of each looks like, and how long a run takes."""
    folder = tmp_path_factory.mktemp("bench")
    captures = make_bench(folder)
    whole = {}
    for digest, path in captures.items():
        began = time.monotonic()
        run(runner, path, folder / "whole" / digest[:8])
        seconds = time.monotonic() - began
        whole[digest] = fingerprint(folder / "whole" / digest[:8])
    return captures, whole, seconds


def run(runner, capture, out):
    """A run that nobody disturbs."""
    runner.start(capture, out)
    status, said = runner.finish()
    assert status in (0, 3), said
    assert said == ""


def placed(first, old, out):
    """An old report, as a run left it."""
    shutil.copytree(first.parent / "whole" / old[:8], out)
    return out


def test_killed_at_a_random_moment(runner, bench, tmp_path):
    captures, whole, seconds = bench
    (old, first), (new, second) = captures.items()
    chance = random.Random(20261125)
    out = placed(first, old, tmp_path / "report")
    for kind, share in zip(SIGNALS, (0.95, chance.uniform(0.3, 0.9), chance.uniform(0.8, 1.0)), strict=True):
        runner.start(second, out)
        time.sleep(share * seconds)
        runner.kill(kind)
        status, said = runner.finish()
        assert status in (-kind, 0, 3, 130), said
        assert "Traceback" not in said
        if status == 130:
            assert said.strip() == "spinlag: interrupted; nothing of the report was changed"
        assert fingerprint(out) == whole[about(out)]
        assert about(out) in (old, new)
        assert len(leftovers(tmp_path)) <= 1
    run(runner, second, out)
    assert fingerprint(out) == whole[new]
    assert os.listdir(tmp_path) == ["report"]


def test_an_interrupted_first_run_leaves_nothing(runner, bench, tmp_path):
    captures, _, seconds = bench
    runner.start(next(iter(captures.values())), tmp_path / "deep" / "report")
    time.sleep(0.3 * seconds)
    runner.kill(signal.SIGINT)
    status, said = runner.finish()
    assert status == 130
    assert said.strip() == "spinlag: interrupted; nothing of the report was changed"
    assert os.listdir(tmp_path) == []


def test_a_full_disk_keeps_the_old_report(runner, bench, tmp_path):
    """A file system with room for one report and a half."""
    captures, whole, _ = bench
    (old, first), (_, second) = captures.items()
    disk = tmp_path / "disk"
    disk.mkdir()
    size = sum(os.path.getsize(first.parent / "whole" / old[:8] / name) for name in whole[old]) * 3 // 2
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)]
    if subprocess.run(command, capture_output=True).returncode:
        pytest.skip("no right to mount a small file system here")
    try:
        placed(first, old, disk / "report")
        runner.start(second, disk / "report")
        status, said = runner.finish()
        assert status == 2
        assert said.count("\n") == 1
        assert "No space left on device; what was there stays" in said
        assert fingerprint(disk / "report") == whole[old]
        assert os.listdir(disk) == ["report"]
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_limit_on_files_keeps_the_old_report(runner, bench, tmp_path):
    """Where nothing can be mounted: the kernel refuses to write beyond a size (EFBIG)."""
    captures, whole, _ = bench
    (old, first), (_, second) = captures.items()
    placed(first, old, tmp_path / "report")
    runner.start(second, tmp_path / "report", most_bytes=20_000)
    status, said = runner.finish()
    assert status == 2
    assert said.count("\n") == 1
    assert "File too large" in said
    assert fingerprint(tmp_path / "report") == whole[old]
    assert os.listdir(tmp_path) == ["report"]


def test_a_failed_run_keeps_the_old_report(runner, bench, tmp_path):
    captures, whole, _ = bench
    old, first = next(iter(captures.items()))
    placed(first, old, tmp_path / "report")
    broken = first.parent / "broken.vcd"
    broken.write_bytes(first.read_bytes().replace(b"\n#", b"\n#x", 40))
    runner.start(broken, tmp_path / "report")
    status, said = runner.finish()
    assert (status, said.count("\n")) == (2, 1)
    assert fingerprint(tmp_path / "report") == whole[old]


def test_two_runs_into_one_folder_do_not_mix(runner, bench, tmp_path):
    captures, whole, _ = bench
    out = tmp_path / "report"
    with Runner() as other:
        for one, path in zip((runner, other), captures.values(), strict=True):
            one.start(path, out)
        for one in (runner, other):
            status, said = one.finish()
            assert status in (0, 3), said
    assert fingerprint(out) == whole[about(out)]
    assert os.listdir(tmp_path) == ["report"]
