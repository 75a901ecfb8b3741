"""Real runs interrupted at any moment, on full disks and by one another: the old report or the new one, whole.

`python -m tests.studies.kill_study` does the same a few hundred times.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest

from interrupting import SIGNALS, Runner, about, fingerprint, leftovers, make_bench
from spinlag import temporary
from spinlag.report.folder import put, write_folder
from spinlag.small_files import write_whole
from spinlag.synth.write import new_file


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


@contextmanager
def small_disk(folder, size):
    """A file system of so many bytes; its size can be set anew."""
    folder.mkdir()
    options = ["-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if subprocess.run(["mount", *options], capture_output=True).returncode:
        pytest.skip("no right to mount a small file system here")
    try:
        yield lambda size: subprocess.run(["mount", "-o", f"remount,size={size}", str(folder)], check=True)
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def used(folder):
    """Bytes taken of a file system."""
    told = os.statvfs(folder)
    return (told.f_blocks - told.f_bfree) * told.f_frsize


def test_a_disk_that_fills_up_anywhere_in_the_report_keeps_the_old_one(runner, bench, tmp_path):
    """A file system with room for one report and more and more of another, until it fits."""
    captures, whole, _ = bench
    (old, first), (new, second) = captures.items()
    with small_disk(tmp_path / "disk", 1 << 26) as resize:
        disk = tmp_path / "disk"
        out = placed(first, old, disk / "report")
        size = used(disk)
        for share in (0.0, 0.1, 0.5, 0.8, 0.97):
            resize(size + round(share * size) // 4096 * 4096)
            runner.start(second, out)
            status, said = runner.finish()
            assert status == 2, (share, said)
            assert said.count("\n") == 1
            assert "No space left on device; what was there stays" in said
            assert fingerprint(out) == whole[old], share
            assert os.listdir(disk) == ["report"]
        resize(3 * size)
        run(runner, second, out)
        assert fingerprint(out) == whole[new]


@pytest.mark.parametrize("to_files", [("edges",), ("columns",)])
def test_a_full_disk_for_temporary_files_while_reading_and_measuring(runner, bench, tmp_path, to_files):
    """Long lines and columns go to temporary files: without room for them there is one clear line and the old report.

    Edges are needed from the reading on, columns while updates are decoded and placed.
    """
    captures, whole, _ = bench
    (old, first), (new, second) = captures.items()
    out = placed(first, old, tmp_path / "report")
    refused = 0
    with small_disk(tmp_path / "temporary", 1 << 26) as resize:
        tmp = tmp_path / "temporary"
        for pages in (1, 3, 64):
            resize(4096 * pages)
            runner.start(second, out, tmp=tmp, to_files=to_files)
            status, said = runner.finish()
            assert os.listdir(tmp) == []
            assert sorted(os.listdir(tmp_path)) == ["report", "temporary"]
            if status == 2:
                refused += 1
                assert said == (
                    f"spinlag: no room in {tmp} for what this capture needs; free some, or set TMPDIR to another "
                    "folder\n"
                )
                assert fingerprint(out) == whole[old]
            else:
                assert status in (0, 3), said
                # a report made by way of files is the same to the byte
                assert fingerprint(out) == whole[new]
    assert 1 <= refused < 3
    assert fingerprint(out) == whole[new]


def test_a_limit_on_temporary_files_keeps_the_old_report(runner, bench, tmp_path):
    """The same where nothing can be mounted."""
    captures, whole, _ = bench
    (old, first), (_, second) = captures.items()
    out = placed(first, old, tmp_path / "report")
    (tmp_path / "temporary").mkdir()
    runner.start(second, out, tmp=tmp_path / "temporary", to_files=("edges",), most_bytes=600)
    status, said = runner.finish()
    assert status == 2
    assert said == (
        f"spinlag: the temporary file of this capture in {tmp_path / 'temporary'} cannot be used: File too large\n"
    )
    assert fingerprint(out) == whole[old]
    assert sorted(os.listdir(tmp_path)) == ["report", "temporary"]
    assert os.listdir(tmp_path / "temporary") == []


@pytest.mark.parametrize("most_bytes", [2_000, 20_000, 100_000])
def test_a_limit_on_files_keeps_the_old_report(runner, bench, tmp_path, most_bytes):
    """Where nothing can be mounted: the kernel refuses to write beyond a size (EFBIG)."""
    captures, whole, _ = bench
    (old, first), (_, second) = captures.items()
    placed(first, old, tmp_path / "report")
    runner.start(second, tmp_path / "report", most_bytes=most_bytes)
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


HANGING = """
import sys, time
from spinlag.temporary import whole_file
with whole_file(sys.argv[1]) as stream:
    stream.write(b"half of it")
    stream.flush()
    print("writing", flush=True)
    time.sleep(60)
"""


@contextmanager
def writing(path):
    """A process in the midst of writing a single file."""
    process = subprocess.Popen([sys.executable, "-c", HANGING, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline() == "writing\n"
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@pytest.mark.parametrize("later", ["file", "report", "capture"])
@pytest.mark.parametrize("kind", [signal.SIGKILL, signal.SIGTERM])
def test_what_a_killed_writer_of_a_file_left_goes_with_the_next_run(tmp_path, kind, later):
    """Whatever is written next into that folder clears it away; what a run that is alive is writing stays."""
    (tmp_path / "rig.toml").write_bytes(b"old")
    (tmp_path / ".spinlag-new-notours").write_bytes(b"somebody's")
    with writing(tmp_path / "other.toml"):
        with writing(tmp_path / "rig.toml") as killed:
            assert len(leftovers(tmp_path)) == 3
            killed.send_signal(kind)
            killed.wait()
        assert (tmp_path / "rig.toml").read_bytes() == b"old"
        assert len(leftovers(tmp_path)) == 3
        if later == "file":
            write_whole(tmp_path / "rig.toml", b"new")
            assert (tmp_path / "rig.toml").read_bytes() == b"new"
        elif later == "capture":
            with new_file(tmp_path / "made.vcd.gz", force=False) as stream:
                stream.write(b"new")
        else:
            write_folder(tmp_path / "report", {"report.html": lambda stream: put(stream, b"new")})
        kept = leftovers(tmp_path)
        assert len(kept) == 2
        assert ".spinlag-new-notours" in kept


def test_draft_killed_leaves_the_old_rig_or_the_new_one(runner, bench, tmp_path):
    captures, _, _ = bench
    made = []
    for path in captures.values():
        runner.command(["draft", str(path), "-o", str(tmp_path / "rig.toml"), "--force"])
        began = time.monotonic()
        assert runner.finish()[0] == 0
        seconds = time.monotonic() - began
        made.append((tmp_path / "rig.toml").read_bytes())
    chance = random.Random(7)
    for _ in range(6):
        runner.command(["draft", str(next(iter(captures.values()))), "-o", str(tmp_path / "rig.toml"), "--force"])
        runner.ended_within(chance.uniform(0.8, 1.1) * seconds)
        runner.kill(signal.SIGKILL)
        runner.finish()
        assert (tmp_path / "rig.toml").read_bytes() in made
        assert len(leftovers(tmp_path)) <= 1
    write_whole(tmp_path / "last", b"")
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["draft", "CAPTURE", "-o", "OUT", "--force"], "rig.toml"),
        (["around", "CAPTURE", "--rig", "RIG", "--revolution", "2", "-o", "OUT", "--force"], "moment.png"),
        (["around", "CAPTURE", "--rig", "RIG", "--revolution", "2", "--picture", "-o", "OUT", "--force"], "seen.png"),
        (["synth", "SCENARIO", "-o", "OUT", "--force"], "made.vcd"),
        (["synth", "SCENARIO", "-o", "OUT", "--force"], "made.csv.xz"),
    ],
)
def test_a_single_file_without_room_leaves_what_was_there(runner, bench, tmp_path, arguments, name):
    captures, _, _ = bench
    capture = next(iter(captures.values()))
    out = tmp_path / "out" / name
    out.parent.mkdir()
    out.write_bytes(b"old")
    (tmp_path / "scenario.toml").write_text("duration_s = 0.1\n")
    places = {"CAPTURE": capture, "RIG": capture.parent / "bench.toml", "OUT": out}
    places["SCENARIO"] = tmp_path / "scenario.toml"
    runner.command([str(places.get(word, word)) for word in arguments], most_bytes=600)
    status, said = runner.finish()
    assert status == 2, said
    assert said.count("\n") == 1
    assert str(out) in said
    assert "File too large" in said
    assert out.read_bytes() == b"old"
    assert os.listdir(out.parent) == [name]


def test_a_single_file_does_not_take_the_place_of_a_folder_or_a_pipe(tmp_path):
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(IsADirectoryError):
        write_whole(tmp_path / "folder", b"x")
    with pytest.raises(OSError, match="is no regular file"):
        write_whole(tmp_path / "pipe", b"x")
    assert sorted(os.listdir(tmp_path)) == ["folder", "pipe"]


def test_where_there_are_no_locks_files_are_written_and_nothing_is_cleared(tmp_path, monkeypatch):
    def no_locks(*_):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(temporary.fcntl, "flock", no_locks)
    other = tmp_path / ".spinlag-new-0123456789ab"
    other.write_bytes(b"perhaps a run that is alive")
    write_whole(tmp_path / "file", b"new")
    assert (tmp_path / "file").read_bytes() == b"new"
    assert sorted(os.listdir(tmp_path)) == [other.name, "file"]
    monkeypatch.undo()
    write_whole(tmp_path / "file", b"newer")
    assert os.listdir(tmp_path) == ["file"]


def test_two_writers_of_one_file_leave_one_whole_file(tmp_path):
    """A fresh file can be taken for a leftover before its lock is on it: then another is made."""
    target = tmp_path / "file"
    contents = [bytes([65 + n]) * 50_000 for n in range(8)]

    def write(content):
        for _ in range(25):
            write_whole(target, content)
            assert target.read_bytes() in contents

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(write, contents))
    assert os.listdir(tmp_path) == ["file"]
