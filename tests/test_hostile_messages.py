"""What the command line says of names no file can have, of reports that are none, and of sets that cannot be compared:
what is wrong, where, and what to do."""

from __future__ import annotations

import json
import shutil
import struct
import sys

import pytest

from build import RIG, display
from spinlag import cli, read_capture, read_rig
from spinlag.pipeline import analyse
from spinlag.report import write_report
from spinlag.synth.write import lines_of, write_vcd

LONG = "x" * 300
"""Longer than a name may be on the usual file systems (255 bytes; POSIX calls it NAME_MAX)."""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A capture, its rig, a scenario, and a report folder of the capture."""
    folder = tmp_path_factory.mktemp("bench")
    built, _, _ = display(revolutions=6, columns=4, leds=1, jitter=3000)
    write_vcd(folder / "b.vcd", lines_of(built), tick=built.tick, end=built.end)
    (folder / "r.toml").write_text(RIG.replace("columns = 8", "columns = 4").replace("count = 2", "count = 1"))
    (folder / "s.toml").write_text('duration_s = 0.1\n[index]\nchannel = "S"\n')
    write_report(analyse(read_capture(folder / "b.vcd"), read_rig(folder / "r.toml")), folder / "run")
    return folder


@pytest.fixture
def spinlag(made, tmp_path, monkeypatch, capfd):
    """Runs a command in a copy of the folder; status, standard output and standard error."""
    place = tmp_path / "here"
    shutil.copytree(made, place)
    monkeypatch.chdir(place)
    capfd.readouterr()

    def run(line):
        monkeypatch.setattr(sys, "argv", ["spinlag", *line.split()])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        return caught.value.code, *capfd.readouterr()

    return run


def refusal(result):
    status, out, err = result
    assert (status, out, err.count("\n")) == (2, "", 1), result
    assert err.startswith("spinlag: ")
    assert "fault of spinlag" not in err
    return err


@pytest.mark.parametrize(
    "line",
    [
        "look {}",
        "check {}",
        "check b.vcd --rig {}.toml",
        "check b.vcd --rig r.toml --out {}",
        "draft b.vcd -o {}.toml",
        "around b.vcd --rig r.toml --revolution 2 -o {}.png",
        "around b.vcd --rig r.toml --revolution 2 -o {}.svg",
        "around b.vcd --rig r.toml --revolution 2 --picture -o {}.png",
        "compare --before {} --after b.vcd",
        "compare --set a=b.vcd --set b={}",
        "compare --before b.vcd --after run --rig before={}",
        "verify {} b.vcd",
        "verify run {}",
        "synth {} -o o.vcd",
        "synth s.toml -o {}.vcd",
        "demo --out {}",
    ],
)
def test_a_name_too_long_for_the_disk(spinlag, line):
    said = refusal(spinlag(line.format(LONG)))
    assert LONG in said
    assert "File name too long" in said


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("verify . b.vcd", "results.json: No such file or directory; give the folder of a report, as `spinlag check`"),
        ("verify b.vcd b.vcd", "b.vcd/results.json: Not a directory; give the folder of a report"),
        ("verify run none.vcd", "none.vcd: no such file"),
        ("compare --before . --after b.vcd", ".: a folder without results.json; give a capture, or the report folder"),
        ("compare --before none --after b.vcd", "none: no such file"),
        ("around b.vcd --rig r.toml --revolution 77", "there is no revolution 77; the capture has 0 to 5"),
        ("around b.vcd --rig r.toml --time 9", "9 s lies outside the capture, 0 s to "),
        ("around b.vcd --rig r.toml --revolution 2 -o a.bmp", "a.bmp: a picture's name ends in .png or .svg"),
        ("around b.vcd --rig r.toml --revolution 2 --picture -o a.svg", "a.svg: the picture that the viewer saw is"),
        (
            "around b.vcd --rig r.toml --revolution 2 --picture -o no/a.png",
            "no/a.png: the picture could not be",
        ),
        ("around b.vcd --rig r.toml --revolution 2 -o run", "run is already there; give --force to replace it"),
    ],
)
def test_what_is_wrong_where_and_what_to_do(spinlag, line, said):
    assert said in refusal(spinlag(line))


def edited(path, edit):
    document = json.loads(path.read_text())
    edit(document)
    path.write_text(json.dumps(document))


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda d: d.update(schema="spinlag/results/9"), "is no results.json of the kind spinlag/results/1: run"),
        (lambda d: d.pop("producer"), "is no results.json of spinlag, or damaged: run"),
        (lambda d: d["capture"].update(read_with=[1]), "capture.read_with, what was overruled when the file was read,"),
        (lambda d: d["capture"].update(read_with={"csv": {"x": 1}}), "capture.read_with, what was overruled"),
        (lambda d: d["rig"].update(index={"channel": 5}), "rig.index.channel: "),
        (lambda d: d["rig"].update(engine={}, index=7), "(and 1 more mistakes)"),
        (lambda d: d["rig"]["leds"][0].update(part="none such"), "none such"),
        (lambda d: d["rig"]["index"].update(channel="GONE"), "GONE"),
    ],
)
def test_a_report_that_cannot_be_made_again(spinlag, tmp_path, edit, said):
    edited(tmp_path / "here" / "run" / "results.json", edit)
    assert said in refusal(spinlag("verify run b.vcd"))


def test_figures_that_were_edited_are_told_by_both(spinlag, tmp_path):
    edited(tmp_path / "here" / "run" / "results.json", lambda d: d["rotation"].update(revolutions=7))
    status, out, _ = spinlag("verify run b.vcd")
    assert status == 1
    assert "rotation.revolutions: recorded 7, now 6" in out
    said = refusal(spinlag("compare --before run --after b.vcd --rig r.toml"))
    assert "run/results.json: seal: does not fit what stands in it and in revolutions.csv" in said


def size_of(png):
    """Width and height of a PNG in pixels (PNG specification, 3rd edition, 11.2.1: IHDR follows the signature)."""
    return struct.unpack(">II", png.read_bytes()[16:24])


def test_channel_names_as_long_as_a_page_do_not_stretch_a_picture(spinlag, tmp_path):
    here = tmp_path / "here"
    around = "around {} --rig {} --revolution 2 {} -o {}"
    assert spinlag(around.format("b.vcd", "r.toml", "", "short.png"))[0] == 0
    assert spinlag(around.format("b.vcd", "r.toml", "--picture", "short-seen.png"))[0] == 0
    name = "D" + "ata_" * 2000
    for file in ("b.vcd", "r.toml"):
        (here / f"long-{file}").write_text((here / file).read_text().replace("DOUT", name))
    assert spinlag(around.format("long-b.vcd", "long-r.toml", "", "long.png"))[0] == 0
    assert spinlag(around.format("long-b.vcd", "long-r.toml", "--picture", "long-seen.png"))[0] == 0
    assert spinlag(around.format("long-b.vcd", "long-r.toml", "", "long.svg"))[0] == 0
    assert size_of(here / "long-seen.png") == size_of(here / "short-seen.png")
    for long, short in zip(size_of(here / "long.png"), size_of(here / "short.png"), strict=True):
        assert long <= 1.5 * short
    assert name[:200] not in (here / "long.svg").read_text()


def test_a_chain_name_as_long_as_a_page_stays_on_its_line(spinlag, tmp_path):
    here = tmp_path / "here"
    name = "arm" * 3000
    (here / "long.toml").write_text((here / "r.toml").read_text().replace('"arm"', f'"{name}"'))
    status, out, err = spinlag("check b.vcd --rig long.toml --out long")
    assert (status in (0, 1, 3), err) == (True, "")
    assert max(map(len, out.splitlines())) <= 1100
    assert spinlag("verify long b.vcd")[:2] == (0, "the same, byte for byte\n")
