"""The command line: parse, call, print. Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spinlag.cli_reading import finite, reader_arguments, reading_options, sensible
from spinlag.cli_sets import SetsOfFiles, named_sets, refuse_idle_reading, refuse_missing, rig_of_each_set
from spinlag.errors import INTERNAL_STATUS, USAGE_STATUS, CaptureError, OutputError, RigError, SpinlagError
from spinlag.terminal import asks_for_help, usage_line, write_what_it_can

if TYPE_CHECKING:
    from spinlag.capture import Capture, Progress
    from spinlag.findings import Findings
    from spinlag.rig import Rig

PASSED, FAILED, UNDECIDED = 0, 1, 3
STATUS_OF = {"pass": PASSED, "fail": FAILED, "undecided": UNDECIDED}
INTERRUPTED = 130
_FEW = 12
_OBJECTS_BETWEEN_COLLECTIONS = 100_000
"""Channel names that a message lists before it says how many more there are."""

_PATH = click.Path(path_type=Path, readable=False)
"""Whether a path can be read is for the reader to say, in one line."""

_CAPTURE = click.argument("capture", type=_PATH)
_RIG = click.option("--rig", "rig_path", type=_PATH, help="The bench, as a TOML file.")
_FORCE = click.option("--force", is_flag=True, help="Replace a file that is already there.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="spinlag")
def cli() -> None:
    """Offline timing analysis of spinning displays from logic captures (VCD or CSV, plain, .gz or .xz).

    From the index pulse to visible light, every LED bit, every column: measured, judged, reported.

    \b
    Typical use:
      spinlag look bench.vcd.gz                 what is in the file?
      spinlag draft bench.vcd.gz -o bench.toml  a first rig, to be corrected by hand
      spinlag check bench.vcd.gz --rig bench.toml
    \b
    Exit status of check: 0 all passed, 1 something failed, 2 unusable input,
    3 something undecided or not measured, 70 a fault of spinlag itself.
    """


@cli.command()
@_CAPTURE
@reading_options
def look(capture: Path, **reading: Any) -> None:
    """Say what CAPTURE holds, and guess each channel's role.

    \b
    Example:
      spinlag look captures/tide-dial-1.4.vcd.xz
    """
    from spinlag.listing import look_lines
    from spinlag.roles import guess_roles

    found = _read(capture, None, reading)
    _say(look_lines(found, guess_roles(found)))


@cli.command()
@_CAPTURE
@click.option("-o", "--output", type=_PATH, help="Write the rig here instead of to the terminal.")
@_FORCE
@reading_options
def draft(capture: Path, output: Path | None, force: bool, **reading: Any) -> None:
    """Draft a rig file for CAPTURE from a guess at its channels, with the reasons as comments.

    \b
    Example:
      spinlag draft captures/tide-dial-1.4.vcd.xz -o my-rig.toml
    """
    from spinlag.roles import draft_rig_toml

    text = draft_rig_toml(_read(capture, None, reading))
    if output is None:
        click.echo(text, nl=False)
        return
    _write_new(output, text, force=force)
    click.echo(f"wrote {output}")


@cli.command()
@click.argument("captures", nargs=-1, required=True, type=_PATH)
@_RIG
@click.option("--out", type=_PATH, help="Report folder; one folder inside it for each of several.")
@reading_options
def check(captures: tuple[Path, ...], rig_path: Path | None, out: Path | None, **reading: Any) -> None:
    """Measure, judge and report each of CAPTURES.

    Without --rig the channels' roles are guessed, and the report says so. Reports go to reports/<capture name>/.

    \b
    Examples:
      spinlag check captures/tide-dial-1.4.vcd.xz --rig captures/tide-dial.toml
      spinlag check run1.vcd run2.vcd --rig bench.toml --out reports/evening
    """
    statuses = []
    for path, folder in zip(captures, _report_folders(captures, out), strict=True):
        try:
            statuses.append(_check_one(path, rig_path, folder, reading))
        except SpinlagError as error:
            if len(captures) == 1:
                raise
            _complain(error)
            statuses.append(error.exit_status)
    order = [USAGE_STATUS, FAILED, UNDECIDED, PASSED]
    sys.exit(min(statuses, key=order.index))


@cli.command()
@_CAPTURE
@_RIG
@click.option(
    "--time",
    "time_s",
    type=float,
    metavar="S",
    callback=finite,
    help="Instant on the capture's own time axis, seconds.",
)
@click.option("--revolution", type=int, metavar="N", help="From the index edge of revolution N.")
@click.option("--incident", metavar="ID", help="An incident of the report, such as I3.")
@click.option("--picture", is_flag=True, help="Write what the viewer saw in that revolution instead, as .png.")
@click.option("--span", type=click.FloatRange(min=0, min_open=True), metavar="MS", help="Width shown, milliseconds.")
@click.option("-o", "--output", type=_PATH, help="Where to write the picture (.png or .svg).")
@_FORCE
@reading_options
def around(
    capture: Path,
    rig_path: Path | None,
    time_s: float | None,
    revolution: int | None,
    incident: str | None,
    picture: bool,
    span: float | None,
    output: Path | None,
    force: bool,
    **reading: Any,
) -> None:
    """Draw the lines of CAPTURE around one moment, with the intervals dimensioned.

    \b
    Examples:
      spinlag around bench.vcd.gz --rig bench.toml --revolution 12
      spinlag around bench.vcd.gz --time 3.25 --span 2 -o moment.png
      spinlag around bench.vcd.gz --rig bench.toml --revolution 12 --picture
    """
    from spinlag.report.moments import draw_moment, find_moment

    if sum(choice is not None for choice in (time_s, revolution, incident)) != 1:
        raise click.UsageError("give exactly one of --time, --revolution and --incident")
    findings = _analyse(capture, rig_path, reading)
    moment = find_moment(findings, time_s=time_s, revolution=revolution, incident=incident, span_ms=span)
    target = output or Path(f"{'seen' if picture else 'around'}-{moment.slug}.png")
    _refuse_existing(target, force=force)
    if picture:
        from spinlag.report.seen import save_seen

        click.echo(f"wrote {target}: what the viewer saw in revolution {save_seen(findings, moment, target)}")
        return
    draw_moment(findings, moment, target)
    click.echo(f"wrote {target}: {moment.title}")


@cli.command()
@click.argument("name", required=False)
def parts(name: str | None) -> None:
    """Print the timing limits of LED parts with their sources; all parts, or NAME with every revision.

    \b
    Examples:
      spinlag parts
      spinlag parts "WS2812B 2013-05"
    """
    from spinlag.listing import part_lines, parts_overview

    _say(parts_overview() if name is None else part_lines(name))


@cli.command()
@click.option("--speed", required=True, type=float, callback=sensible, help="Revolutions per second.")
@click.option("--columns", required=True, type=click.IntRange(1, 100_000), help="Columns per revolution.")
@click.option("--leds", required=True, type=click.IntRange(1, 100_000), help="LEDs on one line.")
@click.option("--part", required=True, help="LED part, as `spinlag parts` lists them, or `direct`.")
@click.option("--clock-hz", type=float, callback=sensible, help="Clock of parts that have one.")
def budget(speed: float, columns: int, leds: int, part: str, clock_hz: float | None) -> None:
    """Can the wire keep up with so many columns and LEDs at that speed?

    \b
    Example:
      spinlag budget --speed 30 --columns 48 --leds 16 --part "WS2812B 2013-05"
      spinlag budget --speed 30 --columns 120 --leds 48 --part APA102 --clock-hz 8e6
    """
    from spinlag.budget import budget_lines

    _say(budget_lines(speed, columns, leds, part, clock_hz))


@cli.command()
@click.argument("scenario", type=_PATH)
@click.option("-o", "--output", required=True, type=_PATH, help="Capture file to write.")
@_FORCE
def synth(scenario: Path, output: Path, force: bool) -> None:
    """Make a capture with known truth from SCENARIO (TOML); the truth and a rig are written beside it.

    \b
    Example:
      spinlag synth analysis/spinlag/synth/scenarios/tide-dial-1.4.toml -o trial.vcd.gz
    """
    from spinlag.synth import synthesise

    for path in synthesise(scenario, output, force=force):
        click.echo(f"wrote {path}")


@cli.command()
@click.argument("report", type=_PATH)
@_CAPTURE
def verify(report: Path, capture: Path) -> None:
    """Analyse CAPTURE again as the report in folder REPORT says it was, and tell whether all comes out the same.

    Exit status: 0 the same, 1 not the same, 2 unusable input.

    \b
    Example:
      spinlag verify reports/tide-dial-1.4 captures/tide-dial-1.4.vcd.xz
    """
    from spinlag.verify import verify_report

    found = verify_report(report, capture)
    _say(list(found.lines))
    sys.exit(PASSED if found.same else FAILED)


@cli.command(cls=SetsOfFiles)
@click.option("--before", multiple=True, type=_PATH, metavar="CAPTURE...", help="The old set.")
@click.option("--after", multiple=True, type=_PATH, metavar="CAPTURE...", help="The new set.")
@click.option("--set", "named", multiple=True, metavar="NAME=CAPTURE,...", help="One version of a row; repeat it.")
@click.option("--reference", metavar="NAME", help="The version that all others are held against; else the first.")
@click.option(
    "--rig",
    "rig_paths",
    multiple=True,
    metavar="[NAME=]RIG",
    help="The bench, as a TOML file; of one set, with its name.",
)
@click.option("--rig-before", type=_PATH, help="The old set's own rig; the same as --rig before=RIG.")
@click.option("--out", type=_PATH, default=Path("reports/compare"), show_default=True)
@reading_options
def compare(
    before: tuple[Path, ...],
    after: tuple[Path, ...],
    named: tuple[str, ...],
    reference: str | None,
    rig_paths: tuple[str, ...],
    rig_before: Path | None,
    out: Path,
    **reading: Any,
) -> None:
    """Is the new firmware better, worse or the same? Sets of captures, or of report folders that check has written.

    Options of reading hold for every capture file of every set; a report folder was read by its own check.

    Exit status: 0 better or the same in everything, 1 worse in anything, 2 unusable or not comparable, 3 not worse, but
    something the recordings cannot tell. Of a row of versions the newest against the reference decides.

    \b
    Examples:
      spinlag compare --before old1.vcd old2.vcd --after new.vcd --rig bench.toml
      spinlag compare --before reports/tide-dial-1.3 --after reports/tide-dial-1.4
      spinlag compare --set 1.2=a.vcd --set 1.3=b.vcd,c.vcd --set 1.4=d.vcd --rig bench.toml
      spinlag compare --before old.vcd --after new.vcd --rig bench.toml --rig before=old-bench.toml
    """
    from spinlag.compare.sets import compare_sets
    from spinlag.report.compare_text import summary_lines
    from spinlag.rig import read_rig

    sets = named_sets(before, after, named)
    refuse_missing(sets)
    refuse_idle_reading(sets, reading)
    paths = rig_of_each_set(sets, rig_paths, rig_before)
    read = {path: read_rig(path) for path in dict.fromkeys(paths.values())}
    from_file = {id(rig): path for path, rig in read.items()}

    def analyse(path: Path, one: Rig | None) -> Findings:
        return _analysed(path, one, reading, from_file.get(id(one)))

    rigs = {name: read[path] for name, path in paths.items()}
    versions, page = compare_sets(sets, rigs or None, out, reference, analyse=analyse)
    _say(summary_lines(versions))
    click.echo(f"report: {page}")
    sys.exit(versions.exit_status)


@cli.command()
@click.option("--out", type=_PATH, default=Path("reports/demo"), show_default=True)
def demo(out: Path) -> None:
    """The whole job on the tide dial: make its captures, check both firmware versions, compare them, report."""
    from spinlag.compare.sets import compare_sets
    from spinlag.report.compare_text import summary_lines
    from spinlag.rig import read_rig
    from spinlag.synth.demo import write_demo_captures

    made = write_demo_captures(out / "captures")
    for path in made.captures:
        click.echo(f"\n{path.name}")
        _check_one(path, made.rig, out / _stem(path), {})
    click.echo("")
    sets = {_stem(path): [out / _stem(path)] for path in made.captures}
    versions, page = compare_sets(sets, read_rig(made.rig), out / "compare")
    _say(summary_lines(versions))
    click.echo(f"report: {page}")


def _read(path: Path, rig: Rig | None, reading: dict[str, Any]) -> Capture:
    from spinlag.importers import read_capture

    with _progress(f"reading {path.name}") as progress:
        return read_capture(path, progress=progress, **reader_arguments(rig, reading))


def _analyse(path: Path, rig_path: Path | None, reading: dict[str, Any]) -> Findings:
    from spinlag.rig import read_rig

    return _analysed(path, read_rig(rig_path) if rig_path is not None else None, reading, rig_path)


def _analysed(path: Path, rig: Rig | None, reading: dict[str, Any], rig_path: Path | None = None) -> Findings:
    from spinlag.pipeline import analyse
    from spinlag.roles import guess_rig

    capture = _read(path, rig, reading)
    if rig is None:
        rig = guess_rig(capture)
        if rig.index is None and not rig.leds:
            names = ", ".join(channel.name for channel in capture.channels[:_FEW]) or "none"
            more = len(capture.channels) - _FEW
            names += f" and {more} more" if more > 0 else ""
            raise CaptureError(
                f"nothing to measure: no channel looks like an index or LED line (channels: {names}); "
                "write a rig, starting from `spinlag draft`",
                file=str(path),
            )
    with _progress(f"decoding {path.name}") as progress:
        try:
            return analyse(capture, rig, progress=progress)
        except RigError as error:
            raise RigError(error.problems, file=str(rig_path) if rig_path is not None else error.file) from None


def _check_one(path: Path, rig_path: Path | None, folder: Path, reading: dict[str, Any]) -> int:
    from spinlag.report import write_report
    from spinlag.report.text import summary_lines

    findings = _analyse(path, rig_path, reading)
    page = write_report(findings, folder)
    _say(summary_lines(findings))
    click.echo(f"report: {page}")
    return STATUS_OF[findings.verdict]


def _stem(path: Path) -> str:
    """`bench.vcd.gz` -> `bench`: without the suffixes of compression and format."""
    name = path.name
    for suffixes in ((".gz", ".xz"), (".vcd", ".evcd", ".csv", ".tsv", ".txt")):
        if name.lower().endswith(suffixes):
            name = name.rpartition(".")[0]
    return name if name.strip(". ") else path.name


def _report_folders(captures: tuple[Path, ...], out: Path | None) -> list[Path]:
    stems = [_stem(path) for path in captures]
    if len(captures) == 1:
        return [out if out is not None else Path("reports") / stems[0]]
    doubled = {stem for stem in stems if stems.count(stem) > 1}
    named = [path.name if stem in doubled else stem for path, stem in zip(captures, stems, strict=True)]
    if len(set(named)) != len(named):
        raise click.UsageError("two captures of the same file name; check them one by one with --out")
    return [(out if out is not None else Path("reports")) / name for name in named]


def _refuse_existing(path: Path, *, force: bool) -> None:
    try:
        there = os.path.lexists(path)
    except ValueError:
        there = False  # what writes there says why not
    if there and not force:
        raise OutputError(f"{path} is already there; give --force to replace it")


def _write_new(path: Path, text: str, *, force: bool) -> None:
    _refuse_existing(path, force=force)
    from spinlag.small_files import write_whole

    try:
        write_whole(path, text.encode())
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a usable file name"
        raise OutputError(f"{path}: cannot write: {reason}") from None


@contextmanager
def _progress(label: str) -> Iterator[Progress | None]:
    """A progress bar on standard error where that is a terminal; None, and silence, elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr, show_pos=False) as bar:

        def advance(done: int, total: int) -> None:
            if total > 0:
                bar.update(max(0, min(1000, done * 1000 // total) - bar.pos))

        yield advance


def _say(lines: list[str]) -> None:
    for line in lines:
        click.echo(line)


def _complain(error: BaseException | str) -> None:
    from spinlag.report.names import printable

    click.echo(f"spinlag: {printable(str(error), longest=2000)}", err=True)


def _interrupt_again(lost: Any) -> None:
    """An interrupt that fell into a place from which Python raises nothing (a finaliser, say) is sent once more."""
    if issubclass(lost.exc_type, KeyboardInterrupt):
        # a moment later, or it would fall into this very hook
        threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGINT)).start()
    else:
        sys.__unraisablehook__(lost)


def main() -> None:
    """Entry point: the one place where errors become exit statuses."""
    # all matrices are small: threads for them cost time, most on a busy machine, and sum in an order of their own
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    # modules and pictures make objects by the hundred thousand, hardly any of them in cycles that are garbage
    gc.set_threshold(_OBJECTS_BETWEEN_COLLECTIONS)
    sys.unraisablehook = _interrupt_again
    for stream in (sys.stdout, sys.stderr):
        write_what_it_can(stream)
    try:
        status = cli.main(prog_name="spinlag", standalone_mode=False)
    except SpinlagError as error:
        _complain(error)
        status = error.exit_status
    except click.ClickException as error:
        if asks_for_help(error):
            error.show()
        else:
            called = next((f"spinlag {word}" for word in sys.argv[1:] if word in cli.commands), "spinlag")
            _complain(usage_line(error, called))
        status = USAGE_STATUS
    except (click.Abort, KeyboardInterrupt):
        click.echo("spinlag: interrupted; nothing of the report was changed", err=True)
        status = INTERRUPTED
    except BrokenPipeError:
        # the reader of our output went away: no fault of anybody
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = INTERRUPTED
    except Exception as error:  # the last resort turns a fault of ours into a request for a bug report
        if os.environ.get("SPINLAG_TRACEBACK"):
            raise
        from spinlag.report.names import printable

        click.echo(
            f"spinlag: a fault of spinlag itself ({type(error).__name__}: {printable(str(error), 400)}). "
            "Please report it with the capture; SPINLAG_TRACEBACK=1 shows where it happened.",
            err=True,
        )
        status = INTERNAL_STATUS
    sys.exit(status if isinstance(status, int) else PASSED)
