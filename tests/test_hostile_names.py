"""Captures with hostile channel names through the whole command: what is printed, written, and run by a browser."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

import numpy as np
import pytest

from build import display
from spinlag import cli

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
RUNS = "document.title='owned'"
NAMES = {
    "page": (f'"><svg onload={RUNS}>', f'<script>{RUNS}</script><img src=x onerror="{RUNS}">'),
    "sheet": ('=HYPERLINK("http://example.invalid/?"&A1,"SENSOR")', "@SUM(1+1)*cmd|' /C calc'!A0"),
    "signs": ("-2+3", "+cmd|'/C calc'!A0"),
    "path": ("../../../up", "/etc/passwd"),
    "direction": ("\u202egnp.exe", "\ufeff\u200b=1+1"),
    "formula": ("$\\frac{1}{$", "%s%n{0}{{ 7*7 }}{% raw %}"),
    "mark-up": ("]]><x/>&amp;", "a\tb;c,d\"e'f"),
}
PLAIN_NUMBER = re.compile(r"-[0-9.e+-]+")


@pytest.fixture(scope="module")
def edges():
    """Rows of a table: an instant in ns and both levels after it."""
    built, _, _ = display(revolutions=6)
    sensor, data = built.channels
    times = np.unique(np.concatenate([sensor.edges[:], data.edges[:]])).tolist()
    return [(0, 0, 0), *((at, sensor.level_at(at), data.level_at(at)) for at in times)]


@pytest.fixture
def bench(edges, tmp_path, request):
    """A folder with a capture whose channels have those names, and a rig that puts them wherever a name can stand."""
    sensor, data = NAMES[request.param]
    with open(tmp_path / "c.csv", "w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["Time [ns]", sensor, data])
        writer.writerows(edges)
    one, two = json.dumps(sensor), json.dumps(data)
    (tmp_path / "r.toml").write_text(
        f"[capture]\nsample_rate_hz = 1e9\n[index]\nchannel = {one}\n"
        f'[[leds]]\nname = {two}\npart = "WS2812B 2013-05"\ndata = {two}\ncount = 3\n'
        f"[display]\ncolumns = 8\n[markers]\n{one} = {two}\n[limits.{json.dumps(f'leds.{data}.t0h')}]\nmax_ns = 100\n"
    )
    return tmp_path


@pytest.fixture
def spinlag(monkeypatch, capfd):
    """Run the command in this process; gives its exit status and all that it printed, which must be printable."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["spinlag", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        said = "".join(capfd.readouterr())
        assert [c for c in said if not c.isprintable() and c != "\n"] == []
        return caught.value.code, said

    return run


class Elements(HTMLParser):
    """What a page would run or fetch."""

    def __init__(self, text):
        super().__init__()
        self.active = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        outside = [v for k, v in attributes if k in ("src", "href") and not str(v).startswith(("data:", "#"))]
        handlers = [name for name, _ in attributes if name.startswith("on")]
        if tag in ("script", "iframe", "object", "embed", "base") or outside or handlers:
            self.active.append((tag, outside, handlers))


@pytest.mark.parametrize("bench", NAMES, indirect=True)
def test_a_name_is_data_wherever_it_is_shown(bench, spinlag, monkeypatch, tmp_path, request):
    monkeypatch.chdir(bench)
    before = set(os.listdir(bench.parent))
    code, said = spinlag("check", "c.csv", "--rig", "r.toml", "--out", "o")
    assert code == 1, said
    for name in ("revolutions", "updates", "incidents"):
        with open(f"o/{name}.csv", newline="", encoding="utf-8") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row if not PLAIN_NUMBER.fullmatch(cell)]
        assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))] == []
    assert len(list(ElementTree.parse("o/junit.xml").iter("testcase"))) > 3
    page = (bench / "o" / "report.html").read_text(encoding="utf-8")
    assert Elements(page).active == []
    assert re.search(r'http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;;', page)
    # the rig in the report, and a drafted one, give the very names back
    document = json.loads((bench / "o" / "results.json").read_text())
    assert [one["name"] for one in document["capture"]["channels"]] == list(document["rig"]["markers"].popitem())
    assert spinlag("draft", "c.csv", "-o", "d.toml")[0] == 0
    assert spinlag("draft", "c.csv")[0] == spinlag("look", "c.csv")[0] == 0
    assert spinlag("around", "c.csv", "--rig", "d.toml", "--revolution", 2)[0] == 0
    assert sorted(os.listdir(bench)) == ["around-revolution-2.png", "c.csv", "d.toml", "o", "r.toml"]
    assert set(os.listdir(bench.parent)) == before
    if BROWSER is not None and "page" in request.node.callspec.id:
        command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/profile"]
        address = (bench / "o" / "report.html").as_uri()
        done = subprocess.run([*command, "--dump-dom", address], capture_output=True, timeout=120)
        assert b"<title>fail" in done.stdout
        assert b"<title>owned" not in done.stdout
