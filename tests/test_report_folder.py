"""A report folder appears whole or not at all, whatever happens to the run that writes it."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import resource
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from spinlag.errors import OutputError
from spinlag.report import folder
from spinlag.report.folder import write_folder

MARK = json.dumps({"schema": "spinlag/results/1"}).encode()
NAMES = ("results.json", "report.html", "updates.csv")


def files(generation):
    """Three files that all carry one number, the middle one large enough to be caught half written."""
    text = str(generation).encode()
    return {
        "results.json": lambda stream: stream.write(MARK),
        "report.html": lambda stream: stream.write(text * 200_000),
        "updates.csv": lambda stream: stream.write(text),
    }


class ReplacedError(Exception):
    """The report that was being read is no longer the one that stands there."""


def generation_of(path):
    """The number that all files of a whole report share; anything else fails the test."""
    handle = os.open(path, os.O_RDONLY)
    try:
        return generation_in(handle)
    except (AssertionError, FileNotFoundError):
        # an old report may be on its way out while it is read, but the one that stands there may not be torn
        if os.path.samestat(os.fstat(handle), os.stat(path)):
            raise
        raise ReplacedError from None
    finally:
        os.close(handle)


def generation_in(handle):
    found = {}
    for name in os.listdir(handle):
        with open(os.open(name, os.O_RDONLY, dir_fd=handle), "rb") as stream:
            found[name] = stream.read()
    assert sorted(found) == sorted(NAMES)
    assert found["results.json"] == MARK
    assert found["report.html"] == found["updates.csv"] * 200_000
    return int(found["updates.csv"])


def leftovers(parent):
    return [name for name in os.listdir(parent) if name.startswith(".spinlag")]


def test_new_report_with_its_parents_and_nothing_beside_it(tmp_path):
    assert write_folder(tmp_path / "a" / "b" / "run", files(1)) == tmp_path / "a" / "b" / "run"
    assert generation_of(tmp_path / "a" / "b" / "run") == 1
    assert os.listdir(tmp_path / "a" / "b") == ["run"]


def test_report_is_replaced_and_an_empty_folder_taken(tmp_path):
    (tmp_path / "run").mkdir()
    write_folder(tmp_path / "run", files(1))
    write_folder(tmp_path / "run", files(2))
    assert generation_of(tmp_path / "run") == 2
    assert os.listdir(tmp_path) == ["run"]


def test_link_to_a_report_stays_a_link(tmp_path):
    write_folder(tmp_path / "run", files(1))
    (tmp_path / "latest").symlink_to("run")
    write_folder(tmp_path / "latest", files(2))
    assert (tmp_path / "latest").is_symlink()
    assert generation_of(tmp_path / "run") == 2


@pytest.mark.parametrize(
    ("prepare", "reason"),
    [
        (lambda path: (path.mkdir(), (path / "holiday.jpg").write_bytes(b"x")), "not a spinlag report"),
        (lambda path: path.write_text("thesis"), "is a file"),
        (lambda path: (write_folder(path, files(1)), (path / "notes.txt").write_text("mine")), r"notes\.txt"),
        (lambda path: (write_folder(path, files(1)), (path / "junit.xml").mkdir()), r"junit\.xml"),
        (lambda path: (path.mkdir(), (path / "results.json").write_text('{"schema": "other/1"}')), "not a spinlag"),
        (lambda path: (path.mkdir(), (path / "results.json").write_bytes(b"\xff[[[")), "not a spinlag"),
    ],
)
def test_what_is_not_ours_is_refused_and_left_alone(tmp_path, prepare, reason):
    place = tmp_path / "run"
    prepare(place)
    before = snapshot(tmp_path)
    with pytest.raises(OutputError, match=reason) as caught:
        write_folder(place, files(2))
    assert "\n" not in str(caught.value)
    assert snapshot(tmp_path) == before


def snapshot(parent):
    return {str(path.relative_to(parent)): path.read_bytes() if path.is_file() else None for path in parent.rglob("*")}


@pytest.mark.parametrize(
    "problem", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt(), KeyError("x")]
)
@pytest.mark.parametrize("there_before", [True, False])
def test_failure_half_way_keeps_the_old_report_and_cleans_up(tmp_path, problem, there_before):
    place = tmp_path / "deep" / "run"
    if there_before:
        write_folder(place, files(1))

    def fails(stream):
        stream.write(b"half")
        raise problem

    expected = OutputError if isinstance(problem, OSError) else type(problem)
    with pytest.raises(expected) as caught:
        write_folder(place, {**files(2), "updates.csv": fails})
    if there_before:
        assert generation_of(place) == 1
        assert os.listdir(place.parent) == ["run"]
    else:
        assert os.listdir(tmp_path) == []
    if expected is OutputError:
        assert "No space left on device" in str(caught.value)
        assert "\n" not in str(caught.value)


def test_file_system_that_is_really_full(tmp_path):
    """ENOSPC from the kernel: a tmpfs of 64 KiB, where this process may mount one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)], capture_output=True)
    if mounted.returncode:
        pytest.skip("no right to mount a small file system here")
    try:
        small = {"results.json": files(1)["results.json"]}
        write_folder(disk / "run", small)
        with pytest.raises(OutputError, match="No space left on device"):
            write_folder(disk / "run", files(2))
        assert os.listdir(disk) == ["run"]
        assert os.listdir(disk / "run") == ["results.json"]
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_write_error_from_the_kernel(tmp_path):
    """A file size limit makes the kernel refuse a write in the middle (EFBIG), on any file system."""
    write_folder(tmp_path / "run", files(1))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, before[1]))
    try:
        with pytest.raises(OutputError, match="File too large"):
            write_folder(tmp_path / "run", files(2))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert generation_of(tmp_path / "run") == 1
    assert os.listdir(tmp_path) == ["run"]


@pytest.mark.parametrize("place", ["file/run", "nul\0name", "loop/run", "x" * 300])
def test_unusable_places_are_one_line(tmp_path, place):
    (tmp_path / "file").write_text("x")
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(OutputError) as caught:
        write_folder(tmp_path / place, files(1))
    assert "\n" not in str(caught.value)
    assert sorted(os.listdir(tmp_path)) == ["file", "loop"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_no_permission_is_one_line(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="Permission denied"):
        write_folder(tmp_path / "run", files(1))


def test_without_an_exchange_of_names_the_swap_takes_two_steps(tmp_path, monkeypatch):
    monkeypatch.setattr(folder, "_exchange", lambda *_: False)
    write_folder(tmp_path / "run", files(1))
    write_folder(tmp_path / "run", files(2))
    assert generation_of(tmp_path / "run") == 2
    assert os.listdir(tmp_path) == ["run"]


def test_report_moved_aside_by_a_killed_run_comes_back(tmp_path):
    write_folder(tmp_path / "run", files(1))
    aside = f".spinlag-old-{folder._digest(tmp_path / 'run')}-0123456789ab"
    (tmp_path / "run").rename(tmp_path / aside)
    with pytest.raises(KeyError):
        write_folder(tmp_path / "run", {"results.json": lambda _: {}["x"]})
    assert generation_of(tmp_path / "run") == 1
    assert os.listdir(tmp_path) == ["run"]


def test_folder_that_fills_while_the_report_is_made_is_left_alone(tmp_path):
    place = tmp_path / "run"

    def meanwhile(stream):
        stream.write(MARK)
        place.mkdir()
        (place / "thesis.txt").write_text("mine")

    with pytest.raises(OutputError, match="not a spinlag report"):
        write_folder(place, {"results.json": meanwhile})
    assert os.listdir(tmp_path) == ["run"]
    assert (place / "thesis.txt").read_text() == "mine"


WRITE_FOR_EVER = textwrap.dedent(
    """
    import signal, sys
    sys.path.insert(0, sys.argv[2])
    from test_report_folder import files, write_folder
    from spinlag.cli import _interrupt_again
    sys.unraisablehook = _interrupt_again
    # a shell that starts the tests in the background lets them ignore the signal
    signal.signal(signal.SIGINT, signal.default_int_handler)
    generation = int(sys.argv[3])
    print("ready", flush=True)
    while True:
        write_folder(sys.argv[1], files(generation))
        generation += int(sys.argv[4])
    """
)


def writer(place, first, step):
    process = subprocess.Popen(
        [sys.executable, "-c", WRITE_FOR_EVER, str(place), os.path.dirname(__file__), str(first), str(step)],
        stdout=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    return process


def test_killed_runs_leave_a_whole_report_and_the_next_run_clears_up(tmp_path):
    place = tmp_path / "run"
    write_folder(place, files(0))
    chance = random.Random(8)
    for turn in range(int(os.environ.get("SPINLAG_KILLS", "12"))):
        process = writer(place, 10 * turn, 1)
        time.sleep(chance.uniform(0, 0.06))
        process.send_signal(chance.choice((signal.SIGKILL, signal.SIGTERM, signal.SIGINT)))
        process.wait()
        process.stdout.close()
        generation_of(place)
        assert len(leftovers(tmp_path)) <= 1
    write_folder(place, files(7))
    assert generation_of(place) == 7
    assert os.listdir(tmp_path) == ["run"]


def test_two_runs_into_one_folder_never_mix(tmp_path):
    place = tmp_path / "run"
    write_folder(place, files(0))
    both = [writer(place, first, 2) for first in (1, 2)]
    seen = set()

    deadline = time.monotonic() + 2.0
    while time.monotonic() < deadline:
        with contextlib.suppress(ReplacedError):
            seen.add(generation_of(place) % 2)
    for process in both:
        assert process.poll() is None
        process.kill()
        process.wait()
        process.stdout.close()
    generation_of(place)
    assert seen == {0, 1}
    write_folder(place, files(7))
    assert os.listdir(tmp_path) == ["run"]
