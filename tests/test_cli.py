"""The command line as a script sees it: exit statuses, one-line complaints, files that appear or do not."""

import json
import subprocess
import sys

import numpy as np
import pytest

from build import RIG, display
from spinlag import cli
from spinlag.synth.write import CsvLayout, lines_of, write_csv, write_vcd

LIMIT = '[limits."latency.latency"]\nmax_us = {}\n'


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    built, _, _ = display()
    write_vcd("bench.vcd", lines_of(built), tick=built.tick, end=built.end)
    (tmp_path / "bench.toml").write_text(RIG)
    return tmp_path


@pytest.fixture
def spinlag(monkeypatch, capfd):
    """Run the command in this process: (exit status, standard output, standard error)."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["spinlag", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        out, err = capfd.readouterr()
        return caught.value.code, out, err

    return run


def files_below(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize(
    ("limit_us", "status", "verdict"), [(450, 0, "pass"), (150, 1, "fail"), (209.5500001, 3, "undecided")]
)
def test_check_ends_with_the_verdict(here, spinlag, limit_us, status, verdict):
    (here / "bench.toml").write_text(RIG + LIMIT.format(limit_us))
    code, out, err = spinlag("check", "bench.vcd", "--rig", "bench.toml")
    assert (code, err) == (status, "")
    assert f"verdict: {verdict}" in out
    assert files_below(here / "reports") == [
        f"bench/{name}"
        for name in ("incidents.csv", "junit.xml", "report.html", "results.json", "revolutions.csv", "updates.csv")
    ]
    assert json.loads((here / "reports/bench/results.json").read_text())["verdict"] == verdict


def test_check_without_a_rig_guesses_and_says_so(here, spinlag):
    code, out, _ = spinlag("check", "bench.vcd")
    assert code in (0, 3)
    assert "guess" in out
    results = json.loads((here / "reports/bench/results.json").read_text())
    assert results["guessed"]
    assert results["rotation"]["revolutions"] == 12


def test_the_same_input_gives_the_same_bytes(here, spinlag):
    spinlag("check", "bench.vcd", "--rig", "bench.toml", "--out", "first")
    spinlag("check", "bench.vcd", "--rig", "bench.toml", "--out", "second")
    for name in ("results.json", "revolutions.csv", "updates.csv", "incidents.csv"):
        assert (here / "first" / name).read_bytes() == (here / "second" / name).read_bytes()


THREE_MISTAKES = '[index]\nchannel = "SENSOR"\nedge = "upward"\n[engine]\n[limits."latency.lag"]\nmax_us = 1\n'


@pytest.mark.parametrize(
    ("name", "content", "rig", "words"),
    [
        ("empty.vcd", b"", None, ["empty.vcd", "empty"]),
        ("photo.vcd", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(256)) * 8, None, ["photo.vcd"]),
        ("missing.vcd", None, None, ["missing.vcd", "no such file"]),
        ("bench.vcd", ..., RIG.replace("SENSOR", "SENSER"), ["index.channel", "SENSER", "SENSOR", "DOUT"]),
        ("bench.vcd", ..., THREE_MISTAKES, ["index.edge", "engine", 'limits."latency.lag"']),
        ("bench.vcd", ..., RIG.replace("WS2812B 2013-05", "WS2812Q"), ["WS2812Q", "WS2812B"]),
    ],
)
def test_unusable_input_is_one_line_and_writes_nothing(here, spinlag, name, content, rig, words):
    if isinstance(content, bytes):
        (here / name).write_bytes(content)
    if rig is not None:
        (here / "bench.toml").write_text(rig)
    before = files_below(here)
    code, out, err = spinlag("check", name, "--rig", "bench.toml")
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert err.startswith("spinlag: ")
    assert all(word in err for word in words), err
    assert files_below(here) == before


def test_a_capture_in_which_nothing_can_be_measured(here, spinlag):
    still = (
        "$timescale 1 ns $end $scope module b $end $var wire 1 ! A $end $upscope $end $enddefinitions $end #0 0! #99"
    )
    (here / "still.vcd").write_text(still)
    before = files_below(here)
    code, out, err = spinlag("check", "still.vcd")
    assert (code, out) == (2, "")
    assert "nothing to measure" in err
    assert files_below(here) == before


def test_what_the_rig_asks_for_and_the_capture_cannot_give_is_said(here, spinlag):
    rig = RIG.replace('data = "DOUT"', 'data = "SENSOR"')
    rig = rig.replace('channel = "SENSOR"', 'channel = "DOUT"\nmin_pulse_us = 100')
    (here / "bench.toml").write_text(rig + LIMIT.format(450))
    code, out, _ = spinlag("check", "bench.vcd", "--rig", "bench.toml")
    assert code == 3
    assert "not-measured" in out or "not measured" in out


def test_one_bad_capture_among_several(here, spinlag):
    (here / "empty.vcd").write_bytes(b"")
    code, out, err = spinlag("check", "empty.vcd", "bench.vcd", "--rig", "bench.toml")
    assert code == 2
    assert "empty.vcd" in err
    assert "verdict: pass" in out
    assert (here / "reports/bench/report.html").exists()


def test_draft_makes_a_rig_that_check_takes_and_never_overwrites(here, spinlag):
    assert spinlag("draft", "bench.vcd", "-o", "drafted.toml")[0] == 0
    code, _, err = spinlag("draft", "bench.vcd", "-o", "drafted.toml")
    assert code == 2
    assert "already there" in err
    assert spinlag("check", "bench.vcd", "--rig", "drafted.toml")[0] in (0, 3)


def test_look_names_every_channel(here, spinlag):
    code, out, _ = spinlag("look", "bench.vcd")
    assert code == 0
    assert "SENSOR" in out
    assert "index" in out
    assert "leds-data" in out


@pytest.mark.parametrize("moment", [("--revolution", "3"), ("--time", "0.05")])
def test_around_draws_a_moment(here, spinlag, moment):
    code, out, _ = spinlag("around", "bench.vcd", "--rig", "bench.toml", *moment, "-o", "moment.png")
    assert code == 0
    assert (here / "moment.png").read_bytes().startswith(b"\x89PNG")
    assert "moment.png" in out


def test_around_saves_what_the_viewer_saw(here, spinlag):
    moment = ("--rig", "bench.toml", "--revolution", "3", "--picture")
    code, out, _ = spinlag("around", "bench.vcd", *moment)
    assert code == 0
    assert "revolution 3" in out
    assert (here / "seen-revolution-3.png").read_bytes().startswith(b"\x89PNG")
    assert spinlag("around", "bench.vcd", *moment)[0] == 2


def test_around_wants_one_moment_that_exists(here, spinlag):
    assert spinlag("around", "bench.vcd", "--rig", "bench.toml")[0] == 2
    code, _, err = spinlag("around", "bench.vcd", "--rig", "bench.toml", "--revolution", "99")
    assert code == 2
    assert "0 to 11" in err


def test_compare_takes_files_and_report_folders(here, spinlag):
    for seed in (2, 3):
        other, _, _ = display(seed=seed, jitter=5_000)
        write_vcd(f"other{seed}.vcd", lines_of(other), tick=other.tick, end=other.end)
    spinlag("check", "other2.vcd", "--rig", "bench.toml")
    # as a shell expands wildcards: every file up to the next option belongs to the set
    files = ("--before", "bench.vcd", "reports/other2", "--after", "other3.vcd")
    code, out, _ = spinlag("compare", *files, "--rig", "bench.toml")
    assert code in (1, 3), "a dozen revolutions cannot tell everything"
    assert "cannot tell" in out
    document = json.loads((here / "reports/compare/compare.json").read_text())
    assert document["schema"] == "spinlag/compare/1"
    assert [len(document["before"]), len(document["after"])] == [2, 1]
    row = ("--set", "1=bench.vcd", "--set", "2=reports/other2", "--set", "3=other3.vcd")
    code, out, _ = spinlag("compare", *row, "--rig", "bench.toml", "--out", "row")
    assert code in (1, 3)
    assert "3 against 1" in out
    code, _, err = spinlag("compare", "--before", "bench.vcd", "bench.vcd", "--after", "other3.vcd")
    assert code == 2
    assert "twice" in err


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("--before", "bench.vcd"),
        ("--set", "1=bench.vcd"),
        ("--set", "bench.vcd"),
        ("--before", "nowhere.vcd", "--after", "bench.vcd"),
    ],
)
def test_compare_wants_two_usable_sets(here, spinlag, arguments):
    before = files_below(here)
    code, out, err = spinlag("compare", *arguments)
    assert (code, out) == (2, "")
    assert err.strip()
    assert files_below(here) == before


def test_compare_reads_every_capture_as_the_user_says(here, spinlag):
    for seed in (2, 3):
        built, _, _ = display(seed=seed, jitter=5_000)
        layout = CsvLayout(time="us", delimiter=";", decimal=",")
        ends = {"tick": built.tick, "period_ticks": built.sample_period.ticks, "end": built.end}
        write_csv(f"{seed}.csv", lines_of(built), **ends, layout=layout)
        text = (here / f"{seed}.csv").read_text()
        head, rows = text.split("\n", 1)
        # a head that tells no unit
        (here / f"{seed}.csv").write_text(";".join(["when", *head.split(";")[1:]]) + "\n" + rows)
    pair = ("--before", "2.csv", "--after", "3.csv", "--rig", "bench.toml")
    said = ("--time-unit", "us", "--decimal", ",", "--delimiter", ";", "--time-column", "when")
    code, out, _ = spinlag("compare", *pair, *said)
    assert code in (1, 3)
    assert "same options" not in out
    document = json.loads((here / "reports/compare/compare.json").read_text())
    assert spinlag("check", "3.csv", "--rig", "bench.toml", *said)[0] in (0, 1, 3)
    recorded = json.loads((here / "reports/3/results.json").read_text())["capture"]["read_with"]
    assert recorded["csv"] == {"time_unit": "us", "decimal": ",", "delimiter": ";", "time_column": "when"}
    one, other = document["before"][0], document["after"][0]
    assert one["read_with"] == other["read_with"] == document["versions"][1]["captures"][0]["read_with"] == recorded
    assert (one["revolutions"], other["revolutions"]) == (12, 12)
    # the display answers 100 to 105 us after its index
    answer = next(row for row in document["quantities"] if row["id"] == "latency.response")
    assert 100e-6 <= answer["before"]["min"] <= answer["after"]["max"] <= 105.1e-6
    # a report folder keeps what its own check was told
    code, out, _ = spinlag("compare", "--before", "bench.vcd", "--after", "reports/3", "--rig", "bench.toml")
    assert code in (1, 3)
    assert (
        'same options (bench.vcd: as they are; 3.csv: decimal ",", delimiter ";", time-column when, time-unit us)'
        in out
    )
    document = json.loads((here / "reports/compare/compare.json").read_text())
    assert "csv" not in document["before"][0]["read_with"]
    assert document["after"][0]["read_with"] == recorded


def test_reading_options_for_report_folders_alone_are_refused(here, spinlag):
    spinlag("check", "bench.vcd", "--rig", "bench.toml")
    before = files_below(here)
    folders = ("--before", "reports/bench", "--after", "reports/bench")
    code, out, err = spinlag("compare", *folders, "--decimal", ",", "--packed-column", "bus")
    assert (code, out) == (2, "")
    assert "--decimal" in err and "--packed-column" in err
    assert "only report folders are given" in err and err.count("\n") == 1
    assert files_below(here) == before


def test_parts_and_budget(spinlag):
    assert "WS2812B V5" in spinlag("parts")[1]
    one = spinlag("parts", "WS2812B 2013-05")[1]
    assert "250 ns to 550 ns" in one
    assert "2013-05-30" in one
    rows = spinlag("parts", "74HC595")[1]
    # NXP 74HC595 sheet Rev. 6, table 7: clock of 75, 15 and 13 ns at 25 C, 110, 22 and 19 ns at 125 C
    assert rows.count("clock high time") == 3 and "at least 75 ns" in rows and "at least 110 ns" in rows
    assert "8 outputs of 1 bit per chip" in rows and "74HC595 Rev-6 2.0V 25C names one row" in rows
    assert spinlag("parts", "WS2812Q")[0] == 2
    code, out, _ = spinlag("budget", "--speed", 35, "--columns", 60, "--leds", 24, "--part", "WS2812B 2013-05")
    assert code == 0
    # 24 LEDs of 24 bits at 1.25 us: 720 us on the wire; a sixtieth of a turn at 35 rev/s lasts 476.19 us
    assert "720" in out
    assert "476.2" in out


def test_a_fault_of_our_own_asks_for_a_report(here, spinlag, monkeypatch):
    monkeypatch.setattr("spinlag.pipeline.analyse", lambda *_, **__: 1 / 0)
    code, _, err = spinlag("check", "bench.vcd", "--rig", "bench.toml")
    assert code == 70
    assert "fault of spinlag itself" in err
    assert not (here / "reports").exists()


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from spinlag import cli\n"
        "try: cli.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'scipy', 'pandas', 'matplotlib', 'pydantic', 'jinja2'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.endswith("[]\n")


def test_every_command_has_a_help_text_with_an_example():
    for name, command in cli.cli.commands.items():
        assert name == "demo" or "Example" in (command.help or ""), name


def test_the_display_of_these_tests_is_what_they_assume():
    built, index, starts = display()
    assert np.diff(index).tolist() == [28_571_000] * 12
    assert len(starts) == 96
    assert built.end > index[-1]


def test_columns_of_bits_and_of_volts_are_read_as_the_user_says(spinlag, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rows = [f"{k},{(0, 5, 7, 2)[k % 4]},{(0, 3)[k // 2 % 2]}.0" for k in range(200)]
    (tmp_path / "bus.csv").write_text("Time [us],bus,A\n" + "\n".join(rows) + "\n")
    status, out, _ = spinlag("look", "bus.csv", "--packed-column", "bus", "--analogue-column", "3")
    assert status == 0
    assert all(f"bus[{bit}]" in out for bit in range(3))
    assert "bus[3]" not in out
    status, out, err = spinlag("look", "bus.csv", "--packed-column", "bus", "--hysteresis", "1.5")
    assert (status, out) == (2, "")
    assert "a hysteresis of 1.5 is no fraction" in err
    status, _, err = spinlag("look", "bus.csv", "--packed-column", "nobody")
    assert status == 2
    assert "nobody" in err
