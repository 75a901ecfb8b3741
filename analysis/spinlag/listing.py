"""Lines of text for `look` and `parts`: data in, lines out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Context, Decimal

from spinlag.capture import UNKNOWN, Capture
from spinlag.leds.frames import FRAMES
from spinlag.leds.parts import Part, Window, find_parts, parts
from spinlag.quantities import TIMING_TITLES
from spinlag.report.names import printable
from spinlag.roles import RoleGuess

_MARKS = {
    "verified": "read on the datasheet page",
    "web": "seen in a web page that quotes the sheet",
    "secondary": "from a third party's list or code comment",
    "derived": "worked out from printed values",
    "memory": "from memory, not verified",
}


def look_lines(capture: Capture, roles: Sequence[RoleGuess]) -> list[str]:
    """What a capture holds: the file, its time axis, each channel with its edges and likely role."""
    period = capture.sample_period
    lines = [
        f"file            {printable(capture.file)}",
        f"read as         {capture.importer}",
        *(f"{printable(topic):15} {printable(finding, 400)}" for topic, finding in capture.understood),
        f"tick            {_seconds(float(capture.tick))}",
        f"sample period   {_seconds(capture.sample_period_s)} ({_SOURCES[period.source]})",
        f"record          {_instant(capture, capture.start)} to {_instant(capture, capture.end)}, "
        f"{capture.duration_s:.6g} s long",
        f"channels        {len(capture.channels)}",
        "",
    ]
    width = max((len(printable(channel.name)) for channel in capture.channels), default=4)
    for channel, guess in zip(capture.channels, roles, strict=True):
        level = "never known" if channel.initial == UNKNOWN else f"starts {'high' if channel.initial else 'low'}"
        lines.append(
            f"{printable(channel.name):{width}}  {len(channel.edges)} edges, {level}; "
            f"looks like {guess.role} ({guess.confidence:.0%})"
        )
        lines += [f"{'':{width}}    {printable(reason, 400)}" for reason in guess.reasons]
    return lines + [f"warning: {printable(warning, 400)}" for warning in capture.warnings]


def _instant(capture: Capture, tick: int) -> str:
    """An instant, to a billionth of the record's length however far from zero it begins."""
    seconds = tick * capture.tick
    more = math.log10(max(float(abs(seconds)) / capture.duration_s, 1.0)) if capture.duration_s else 0
    exact = Context(prec=9 + int(more)).divide(Decimal(seconds.numerator), Decimal(seconds.denominator))
    return f"{exact.normalize():f} s"


_SOURCES = {
    "given": "given in the rig or by the file",
    "lattice": "found from the edges' own lattice",
    "timescale": "the file's tick: no coarser lattice was found",
}


def parts_overview() -> list[str]:
    """One line per part: name, wiring, bits per LED (output, chip) and how well its limits are known."""
    width = max(len(part.name) for part in parts())
    return [
        f"{part.name:{width}}  {part.wiring:8}  {part.bits_per_led:3d} {_per_what(part):11}  {part.order:4}  "
        f"{_MARKS[part.mark]}"
        for part in parts()
    ]


def _per_what(part: Part) -> str:
    if part.outputs_per_chip is not None:
        return "bit/output" if part.bits_per_led == 1 else "bits/output"
    return "bits/chip" if part.bits_per_led >= CHIP_BITS else "bits/LED"


def part_lines(name: str) -> list[str]:
    """Every limit of one part, or of every revision of a part number, with sources.

    Raises PartError for an unknown name.
    """
    sheets: dict[tuple[str, str], list[Part]] = {}
    for part in find_parts(name):
        # of a sheet with rows each is an entry; they are shown together
        key = (part.number, part.title) if part.supply_v is not None else (part.name, "")
        sheets.setdefault(key, []).append(part)
    lines: list[str] = []
    for rows in sheets.values():
        lines += [*(_one_part(rows[0]) if len(rows) == 1 else _rows_of(rows)), ""]
    return lines[:-1]


_OTHER_FIELDS = {
    "order": "colour order",
    "bit_time": "nominal bit time",
    "latch": "rest that latches",
    "pwm": "PWM rate",
    "bits_per_output": "bits per output",
}


TITLE = max(map(len, TIMING_TITLES.values()))
CHIP_BITS = 64
"""Clocked words as long as this are those of a driver chip, which counts as one LED."""


def _line(title: str, fact: str) -> str:
    return f"  {title:{TITLE}}  {fact}"


def _one_part(part: Part) -> list[str]:
    """Limits with how well each is known where that differs from the entry, what is not published, and the notes."""
    lines = [part.name, *_sheet(part)]
    for timing, title in TIMING_TITLES.items():
        if timing in part.windows:
            lines.append(_line(title, f"{_window(part.windows[timing])}{_doubt(part, timing)}"))
        if timing in part.measured:
            lines.append(_line("", f"{_window(part.measured[timing])} accepted when measured"))
    return [*lines, *_beyond_limits(part)]


def _rows_of(rows: Sequence[Part]) -> list[str]:
    """One sheet whose limits stand in rows by supply voltage and temperature, as a table for each temperature."""
    first = rows[0]
    common = first.name[: first.name.index(f" {first.supply_v:.1f}V")]
    lines = [common, *_sheet(first)]
    for ambient in dict.fromkeys(row.ambient_c for row in rows):
        here = [row for row in rows if row.ambient_c == ambient]
        lines.append(_line(f"at up to {ambient:g} °C, at", "".join(f"{f'{row.supply_v:.1f} V':24}" for row in here)))
        for timing, title in TIMING_TITLES.items():
            if timing in first.windows:
                lines.append(_line(title, "".join(f"{_window(row.windows[timing]):24}" for row in here)))
    named = f"{first.name} names one row; a rig chooses by supply_v and ambient_c"
    return [line.rstrip() for line in [*lines, *_beyond_limits(first), _line("rows", named)]]


def _sheet(part: Part) -> list[str]:
    return [
        _line("sheet", part.source),
        _line("known by", _MARKS[part.mark]),
        _line("wiring", f"{part.wiring}, {_bits(part)}, order {part.order or 'not published'}{_doubt(part, 'order')}"),
    ]


def _beyond_limits(part: Part) -> list[str]:
    """What an entry says besides its limits."""
    lines = []
    if part.latch_clocks is not None:
        lines.append(_line("rest that latches", f"{part.latch_clocks:g} clock periods{_doubt(part, 'latch')}"))
    if part.measured_latch_s is not None:
        lines.append(_line("rest that latches", f"from {_seconds(part.measured_latch_s)} when measured"))
    if part.measured_from:
        lines.append(_line("measured by", part.measured_from))
    if part.frame in FRAMES:
        lines.append(_line("words", FRAMES[part.frame].source))
    lines.append(_line("PWM rate", f"{_pwm(part)}{_doubt(part, 'pwm')}"))
    lines += [_line(topic, fact) for topic, fact in part.facts.items()]
    if part.not_published:
        missing = ", ".join(TIMING_TITLES.get(name, _OTHER_FIELDS.get(name, name)) for name in part.not_published)
        lines.append(_line("not published or not found", missing))
    return lines + [_line("note", note) for note in part.notes]


def _bits(part: Part) -> str:
    if part.outputs_per_chip is not None:
        bits = "1 bit" if part.bits_per_output == 1 else f"{part.bits_per_output} bits"
        return f"{part.outputs_per_chip} outputs of {bits} per chip"
    return f"{part.bits_per_led} bits per {'chip' if part.bits_per_led >= CHIP_BITS else 'LED'}"


def _doubt(part: Part, name: str) -> str:
    """How one field is known, where that is not how the entry is."""
    return "" if part.mark_of(name) == part.mark else f"  [{_MARKS[part.mark_of(name)]}]"


def _pwm(part: Part) -> str:
    if part.pwm_hz is not None:
        return f"{part.pwm_hz:g} Hz ({part.pwm_from})"
    return part.pwm_from or "not published"


def _window(window: Window) -> str:
    if window.low_s is None:
        return "no limit" if window.high_s is None else f"at most {_seconds(window.high_s)}"
    if window.high_s is None:
        return f"at least {_seconds(window.low_s)}"
    return f"{_seconds(window.low_s)} to {_seconds(window.high_s)}"


def _seconds(value: float) -> str:
    for factor, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"), (1e-12, "ps")):
        if abs(value) >= factor * 0.9999999:
            return f"{value / factor:.6g} {unit}"
    return f"{value / 1e-15:.6g} fs"
