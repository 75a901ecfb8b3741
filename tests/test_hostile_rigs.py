"""Rigs, target pictures and old reports as traps: pipes, devices without end, picture bombs, names that are none."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import signal
import struct
import sys
import time
import zlib

import pytest

from build import RIG, display
from spinlag import cli, small_files
from spinlag.compare.measured import CompareError
from spinlag.compare.stored import from_folder
from spinlag.errors import RigError
from spinlag.report.folder import foreign_reason
from spinlag.rig import read_rig, rig_from_mapping
from spinlag.small_files import read_small
from spinlag.synth.write import lines_of, write_vcd


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A capture and its rig."""
    folder = tmp_path_factory.mktemp("bench")
    built, _, _ = display(revolutions=4)
    write_vcd(folder / "bench.vcd", lines_of(built), tick=built.tick, end=built.end)
    (folder / "bench.toml").write_text(RIG)
    return folder


@pytest.fixture
def refusal(bench, monkeypatch, capfd, tmp_path):
    """The one line with which `check` refuses a rig."""

    def run(rig, out=tmp_path / "out"):
        arguments = ["spinlag", "check", str(bench / "bench.vcd"), "--rig", str(rig), "--out", str(out)]
        monkeypatch.setattr(sys, "argv", arguments)
        with pytest.raises(SystemExit) as caught:
            cli.main()
        said = capfd.readouterr().err
        assert caught.value.code == 2
        assert said.count("\n") == 1
        assert not (tmp_path / "out").exists()
        return said

    return run


@pytest.fixture
def pipe(tmp_path, monkeypatch):
    """A named pipe that nobody writes to, and little patience with it."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("needs named pipes")
    monkeypatch.setattr(small_files, "PIPE_WAIT_S", 0.2)
    os.mkfifo(tmp_path / "pipe")
    return tmp_path / "pipe"


def with_target(path, target):
    """A rig whose target picture is that file."""
    path.write_text(RIG.replace("columns = 8", f'columns = 8\ntarget = "{target}"\ntarget_layout = "disc"'))
    return path


def test_a_rig_that_is_a_silent_pipe_or_has_no_end(refusal, pipe, tmp_path):
    began = time.monotonic()
    assert "nothing came through this pipe for 0 s" in refusal(pipe)
    assert "more than 4 MB, far more than such a file has" in refusal("/dev/zero")
    assert "Is a directory" in refusal(tmp_path)
    assert time.monotonic() - began < 8


def test_a_rig_through_a_pipe_is_read(tmp_path):
    reading, writing = os.pipe()
    with os.fdopen(writing, "wb") as stream:
        stream.write(RIG.encode())
    try:
        assert read_small(f"/dev/fd/{reading}", most_bytes=10_000) == RIG.encode()
    finally:
        os.close(reading)
    (tmp_path / "exact").write_bytes(b"12345")
    assert read_small(tmp_path / "exact", most_bytes=5) == b"12345"
    with pytest.raises(OSError, match="far more than such a file has"):
        read_small(tmp_path / "exact", most_bytes=4)


def test_channels_that_are_not_there(refusal, bench, tmp_path):
    """The message names the rig, the capture, each key, what may be meant and what there is."""
    rig = tmp_path / "wrong.toml"
    rig.write_text(RIG.replace('"SENSOR"', '"SENSR"').replace('"DOUT"', '"dout"'))
    capture = bench / "bench.vcd"
    assert refusal(rig) == (
        f"spinlag: {rig}: index.channel: no channel 'SENSR' in {capture}; did you mean SENSOR? It has SENSOR, DOUT; "
        f"leds[0].data: no channel 'dout'; did you mean DOUT?\n"
    )
    rig.write_text(RIG.replace('"SENSOR"', '"Q7"'))
    assert "no channel 'Q7' in" in refusal(rig)
    assert "did you mean" not in refusal(rig)


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({"capture": {"clock_pm": 3}}, "capture.clock_pm: unknown key; did you mean clock_ppm?"),
        ({"leds": [{"data": "D", "colour": "GRB"}]}, "leds[0].colour: unknown key; there are name, "),
        ({"indx": {}}, "indx: unknown key; did you mean index?"),
        ({"guessed": ["nothing"]}, "guessed: unknown key"),
    ],
)
def test_keys_that_no_rig_has(tables, said):
    with pytest.raises(RigError) as caught:
        rig_from_mapping(tables)
    assert said in str(caught.value)


def png(width, height):
    """A picture of one colour and one bit a pixel: a few bytes for as many pixels as one likes."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress((b"\0" + bytes((width + 7) // 8)) * height, 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [5100, 13_000, 20_000])
def test_a_picture_bomb_is_refused_before_it_is_unpacked(refusal, tmp_path, size):
    (tmp_path / "bomb.png").write_bytes(png(size, size))
    said = refusal(with_target(tmp_path / "rig.toml", "bomb.png"))
    assert "display.target: " in said
    assert "bomb.png: more than 25 million pixels; make it smaller" in said


def test_targets_that_are_no_pictures(refusal, pipe, tmp_path):
    rig = tmp_path / "rig.toml"
    assert f"{pipe}: nothing came through this pipe" in refusal(with_target(rig, "pipe"))
    assert "far more than such a file has" in refusal(with_target(rig, "/dev/zero"))
    # a picture that other readers would hand to a program of its own
    (tmp_path / "page.eps").write_text("%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\nshowpage\n")
    said = refusal(with_target(rig, "page.eps"))
    assert f"{rig}: display.target: {tmp_path / 'page.eps'}: not an image that can be read (PNG, JPEG" in said


def test_a_report_folder_with_a_pipe_in_it(refusal, pipe, bench, tmp_path):
    """An old report or a folder of somebody else's, with a pipe where results.json should be."""
    folder = tmp_path / "somebody"
    folder.mkdir()
    shutil.move(pipe, folder / "results.json")
    assert foreign_reason(folder) == "exists and is not a spinlag report"
    assert "is not a spinlag report" in refusal(bench / "bench.toml", folder)
    with pytest.raises(CompareError, match="nothing came through this pipe"):
        from_folder(folder)


def test_a_rig_is_drafted_whole_or_not_at_all(bench, monkeypatch, capfd, tmp_path):
    """A full disk (here: a limit on files, EFBIG) leaves the rig that was there."""
    rig = tmp_path / "mine.toml"
    rig.write_text("# by hand\n")
    monkeypatch.setattr(sys, "argv", ["spinlag", "draft", str(bench / "bench.vcd"), "-o", str(rig), "--force"])
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        with pytest.raises(SystemExit) as caught:
            cli.main()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
    assert (caught.value.code, capfd.readouterr().err) == (2, f"spinlag: {rig}: cannot write: File too large\n")
    assert os.listdir(tmp_path) == ["mine.toml"]
    assert rig.read_text() == "# by hand\n"


def test_no_permission_is_one_line(refusal, monkeypatch, tmp_path):
    """As told by the system, whoever runs the test."""
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG)

    def forbidden(*_):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(small_files, "_without_waiting", forbidden)
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    assert refusal(rig) == f"spinlag: {rig}: rig file: Permission denied\n"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("index = 3\n", "index: must be one table, written [index]"),
        ('[[index]]\nchannel = "A"\n', "index: must be one table, written [index]"),
        ('[leds]\ndata = "D"\n', "leds: must be tables, each written [[leds]]"),
        ("leds = [3]\n", "leds[0]: must be a table, written [[leds]]"),
        ('[motor]\nphases = "A"\n', "motor.phases: must be a list, written [..., ...]"),
    ],
)
def test_a_table_written_as_something_else_is_told_in_toml_words(tmp_path, text, reason):
    (tmp_path / "rig.toml").write_text(text)
    with pytest.raises(RigError) as caught:
        read_rig(tmp_path / "rig.toml")
    assert str(caught.value).endswith(f"rig.toml: {reason}")


def test_thousands_of_mistakes_are_not_all_printed(tmp_path):
    (tmp_path / "rig.toml").write_text("".join(f"wrong_{n} = 1\n" for n in range(3000)))
    with pytest.raises(RigError) as caught:
        read_rig(tmp_path / "rig.toml")
    assert str(caught.value).endswith("; and 2980 more")
    assert len(caught.value.problems) == 3000
