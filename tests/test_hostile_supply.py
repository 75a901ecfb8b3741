"""The same bytes whatever the machine does, reports that can be made again, and no way out to the network."""

from __future__ import annotations

import ast
import functools
import io
import json
import re
import shutil
import sys
import tomllib
from pathlib import Path

import pytest

from build import display
from spinlag import cli
from spinlag.importers import csv, read_capture, vcd
from spinlag.pipeline import analyse
from spinlag.report import report_files
from spinlag.rig import rig_from_mapping
from spinlag.synth.write import lines_of, write_vcd

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "analysis" / "spinlag"
RIG = """
[capture]
sample_rate_hz = 1e9
[index]
channel = "SENSOR"
[[leds]]
name = "arm"
part = "WS2812B 2013-05"
data = "DOUT"
count = 1
[display]
columns = 4
[limits."latency.latency"]
max_us = 450
[limits."latency.jitter"]
max_us = 10
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A capture as VCD and as CSV, its rig, and a report of it."""
    folder = tmp_path_factory.mktemp("bench")
    built, _, _ = display(revolutions=4, columns=4, leds=1, jitter=3000)
    write_vcd(folder / "bench.vcd", lines_of(built), tick=built.tick, end=built.end)
    rows = sorted({int(edge) for line in built.channels for edge in line.edges})
    levels = ([str(line.level_at(at)) for line in built.channels] for at in rows)
    text = "".join(f"{at},{','.join(level)}\n" for at, level in zip(rows, levels, strict=True))
    (folder / "bench.csv").write_text(f"Time [ns],SENSOR,DOUT\n0,0,0\n{text}")
    (folder / "bench.toml").write_text(RIG)
    return folder


@pytest.fixture
def spinlag(monkeypatch, capfd):
    """Run the command in this process: (exit status, standard output, standard error)."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["spinlag", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        return caught.value.code, *capfd.readouterr()

    return run


def made_bytes(path):
    """results.json and the tables of a capture."""
    rig = rig_from_mapping(tomllib.loads(RIG))
    files = report_files(analyse(read_capture(path, table=rig.capture), rig))
    files.pop("report.html")  # one picture after another: test_report_page holds its bytes
    made = {}
    for name, writer in files.items():
        stream = io.BytesIO()
        writer(stream)
        made[name] = stream.getvalue()
    return made


@pytest.fixture
def no_pictures(monkeypatch):
    """Leave the page out: test_report_page holds its bytes, and pictures take their time."""
    monkeypatch.setattr("spinlag.report.html.report_bytes", lambda findings: findings.verdict.encode())


def test_threads_and_blocks_do_not_change_a_byte(bench, monkeypatch, no_pictures):
    usual = {kind: made_bytes(bench / f"bench.{kind}") for kind in ("vcd", "csv")}
    assert json.loads(usual["vcd"]["results.json"])["rotation"]["revolutions"] == 4
    right = {"vcd": vcd.read, "csv": csv.read}
    for threads in (1, 2):
        for block_bytes in (64, 1 << 20):
            for kind, module in (("vcd", vcd), ("csv", csv)):
                ways = functools.partial(right[kind], threads=threads, block_bytes=block_bytes)
                monkeypatch.setattr(module, "read", ways)
                assert made_bytes(bench / f"bench.{kind}") == usual[kind], (threads, block_bytes)


def test_a_report_is_made_again_to_the_byte(bench, tmp_path, spinlag, no_pictures):
    out = tmp_path / "report"
    assert spinlag("check", bench / "bench.vcd", "--rig", bench / "bench.toml", "--out", out)[0] in (0, 3)
    shutil.copy(bench / "bench.vcd", tmp_path / "by another name.vcd")
    assert spinlag("verify", out, tmp_path / "by another name.vcd") == (0, "the same, byte for byte\n", "")
    other = bytearray((bench / "bench.vcd").read_bytes())
    other[-3:-1] = b"99"
    (tmp_path / "other.vcd").write_bytes(other)
    code, said, _ = spinlag("verify", out, tmp_path / "other.vcd")
    assert code == 1
    assert said.startswith("another capture")
    # a figure changed by hand, a file gone, and a file that was added to
    document = json.loads((out / "results.json").read_text())
    document["latency"]["latency_s"]["max"] *= 0.9
    (out / "results.json").write_text(json.dumps(document, sort_keys=True, indent=1) + "\n")
    (out / "junit.xml").unlink()
    with (out / "updates.csv").open("a") as stream:
        stream.write("\n")
    code, said, _ = spinlag("verify", out, bench / "bench.vcd")
    assert code == 1
    assert "latency.latency_s.max: recorded " in said
    assert "junit.xml: cannot be read: No such file" in said
    assert "updates.csv: differs" in said
    assert "report.html" not in said
    assert said.endswith("not the same\n")


def test_what_was_guessed_and_overruled_is_recorded(bench, tmp_path, spinlag, no_pictures):
    out = tmp_path / "report"
    arguments = ["--time-unit", "ns", "--sample-rate", "1e9", "--delimiter", ",", "--out", out]
    assert spinlag("check", bench / "bench.csv", *arguments)[0] in (0, 1, 3)
    document = json.loads((out / "results.json").read_text())
    assert document["guessed"]
    assert document["capture"]["read_with"]["csv"] == {"delimiter": ",", "time_unit": "ns", "sample_rate_hz": 1e9}
    assert spinlag("verify", out, bench / "bench.csv")[:2] == (0, "the same, byte for byte\n")


@pytest.mark.parametrize(
    "text",
    [
        None,
        "",
        "[]",
        "{" * 100_000,
        '{"schema": "spinlag/results/1"}',
        '{"schema": "spinlag/results/2", "capture": {"sha256": "", "file": ""}, "rig": {}}',
        '{"schema": "spinlag/results/1", "capture": {"sha256": 5, "file": ""}, "rig": {}}',
    ],
)
def test_a_folder_that_is_no_report_is_one_line(bench, tmp_path, spinlag, text):
    if text is not None:
        (tmp_path / "results.json").write_text(text)
    code, out, err = spinlag("verify", tmp_path, bench / "bench.vcd")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "results.json" in err


def test_nothing_asks_the_network(bench, tmp_path, spinlag, monkeypatch):
    """Every way to a socket is closed, and the whole job runs all the same."""

    def refuse(*_, **__):
        raise AssertionError("a socket was asked for")

    for name in ("socket.socket", "socket.create_connection", "socket.getaddrinfo", "socket.socketpair"):
        monkeypatch.setattr(name, refuse)
    assert spinlag("check", bench / "bench.vcd", "--rig", bench / "bench.toml", "--out", tmp_path / "r")[0] in (0, 3)
    assert spinlag("look", bench / "bench.csv")[0] == 0
    assert spinlag("draft", bench / "bench.vcd")[0] == 0


BANNED_MODULES = {"pickle", "cPickle", "shelve", "marshal", "dill", "socket", "ssl", "http", "urllib", "requests",
                  "ftplib", "smtplib", "subprocess", "pty", "webbrowser", "telnetlib", "asyncio"}  # fmt: skip
BANNED_CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "read_pickle", "to_pickle"}


def test_no_pickle_no_eval_no_shell_no_network_in_the_package():
    """Read from the syntax tree, so that a word in a comment neither hides nor raises anything."""
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 100
    found = []
    for path in files:
        for node in ast.walk(ast.parse(path.read_text())):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name.partition(".")[0] for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [(node.module or "").partition(".")[0]]
            if BANNED_MODULES & set(names):
                found.append((path.name, node.lineno, names))
            if isinstance(node, ast.Call):
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                own = isinstance(node.func, ast.Attribute) and getattr(node.func.value, "id", "") == "re"
                if called in BANNED_CALLS and not own:
                    found.append((path.name, node.lineno, called))
                if any(keyword.arg in ("shell", "allow_pickle") for keyword in node.keywords):
                    found.append((path.name, node.lineno, "shell or pickle"))
    assert found == []


def test_lower_bounds_are_the_versions_that_were_tried():
    """constraints-lowest.txt holds the very lower bounds of pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = dict(re.fullmatch(r"([\w-]+)>=([\d.]+)", one).groups() for one in project["dependencies"])
    text = (ROOT / "constraints-lowest.txt").read_text()
    pinned = dict(re.findall(r"(?m)^([\w-]+)==([\d.]+)", text))
    parts = lambda version: [int(part) for part in version.split(".")]  # noqa: E731
    for name, low in wanted.items():
        assert parts(pinned[name])[: len(parts(low))] == parts(low), name
