"""The guessed rig: as tables that the rig model takes, and as a TOML file with its reasons as comments."""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from spinlag.capture import Capture, Channel
from spinlag.leds.recognise import fit_sentence
from spinlag.roles.onewire import TYPICAL_BIT_S, OneWire
from spinlag.roles.parts import likely_parts, part_sentence
from spinlag.roles.survey import Survey
from spinlag.roles.wirings import OtherChain, chain_lines, chain_said, chain_table, paths_of
from spinlag.roles.words import figure, plural, toml_text

if TYPE_CHECKING:
    from spinlag.roles import RoleGuess

LINE = 110
MOST_POLE_PAIRS = 200
"""As many as a rig takes: more are the lines of an encoder."""
_FROM = {
    "given": "as given",
    "lattice": "from the spacing of the edges",
    "timescale": "taken from the file's time unit, for want of better",
}


def rig_name(capture: Capture, channel: Channel) -> str:
    """The name by which a rig finds this channel: its own where that is unique, else its dotted path."""
    return rig_names(capture)[channel.path]


def rig_names(capture: Capture) -> dict[str, str]:
    """By path, the name by which a rig finds each channel."""
    used = Counter(channel.name for channel in capture.channels)
    paths = {channel.path for channel in capture.channels}
    return {
        channel.path: channel.path
        if used[channel.name] > 1 or (channel.name in paths and channel.name != channel.path)
        else channel.name
        for channel in capture.channels
    }


def writable(name: str) -> bool:
    """True for names that a TOML file can carry: no lone surrogates, which stand for bytes that are no text."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def rig_tables(capture: Capture, seen: Survey) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The guess as the tables of a rig, and a sentence for each assumption."""
    tables: dict[str, Any] = {}
    said: list[str] = []
    name = rig_name(capture, seen.index.pulses.look.channel) if seen.index else ""
    if seen.index is not None and seen.turn is not None and writable(name):
        turn = seen.turn
        tables["index"] = {
            "channel": name,
            "edge": turn.edge,
            "pulses_per_revolution": turn.pulses_per_revolution.value or 1,
            "missing_tooth": turn.missing_tooth,
        }
        said.append(f"{name!r} is taken for the index: {seen.index.reasons[0]}")
        said.append(f"its {turn.edge} edge is taken for the one acted on: {turn.edge_reason}")
        if seen.index.pulses.active == 0:
            rest = 1 - seen.index.pulses.duty
            said.append(f"{name!r} rests high, for {rest:.1%} of the time: its low spans are taken for the pulses")
        pulses = turn.pulses_per_revolution.value or 1
        whole = "one of its pulses makes a turn" if pulses == 1 else f"{pulses} of its pulses make a turn"
        said.append(f"{whole}: {turn.pulses_per_revolution.reason}")
        if turn.columns.value is not None:
            tables["display"] = {"columns": turn.columns.value}
        if seen.wires or seen.others:
            said.append(f"columns: {turn.columns.value or 'not guessed'}: {turn.columns.reason}")
    names = [rig_name(capture, line.look.channel) for line in seen.motor.lines] if seen.motor else []
    if seen.motor is not None and all(writable(name) for name in names):
        tables["motor"] = {"phases": names}
        if seen.pole_pairs.value and seen.pole_pairs.value <= MOST_POLE_PAIRS:
            tables["motor"]["pole_pairs"] = seen.pole_pairs.value
        said.append(f"{', '.join(map(repr, names))} taken for motor lines: {seen.motor.reasons[0]}")
        told = tables["motor"].get("pole_pairs", "not guessed")
        said.append(f"pole pairs: {told}: {seen.pole_pairs.reason}")
    chains = []
    for channel, name, wire in _chains(capture, seen):
        chains.append(_chain_table(capture, channel, name, wire))
        part = f"; {part_sentence(capture, wire)}" if wire.on_scale else ""
        said.append(_chain_said(capture, channel, wire) + part)
    for chain, name in _others(capture, seen):
        chains.append(chain_table(chain, name, rig_names(capture)))
        said.append(chain_said(chain))
    if chains:
        tables["leds"] = chains
    if markers := marker_names(capture, seen):
        names_of = rig_names(capture)
        tables["markers"] = {key: names_of[channel.path] for key, channel in markers.items()}
    return tables, tuple(said)


def _chains(capture: Capture, seen: Survey) -> list[tuple[Channel, str, OneWire]]:
    """(channel, chain name, what was seen) of every LED line whose name a rig can hold."""
    found = [(look.channel, wire) for look, wire in seen.wires.values()]
    found = [(channel, wire) for channel, wire in found if writable(rig_name(capture, channel))]
    names = _chain_names(len(found) + len(seen.others))
    return [(channel, name, wire) for (channel, wire), name in zip(found, names, strict=False)]


def _chain_names(count: int) -> list[str]:
    return ["leds"] if count == 1 else [f"leds{i + 1}" for i in range(count)]


def _others(capture: Capture, seen: Survey) -> list[tuple[OtherChain, str]]:
    """(chain, chain name) of every chain of another wiring whose lines' names a rig can hold."""
    names = rig_names(capture)
    first = len(_chains(capture, seen))
    found = [chain for chain in seen.others if all(writable(names[path]) for path in paths_of([chain]))]
    return list(zip(found, _chain_names(first + len(seen.others))[first:], strict=False))


def _chain_table(capture: Capture, channel: Channel, name: str, wire: OneWire) -> dict[str, Any]:
    table: dict[str, Any] = {"name": name, "data": rig_name(capture, channel), "count": wire.leds}
    if wire.inverted:
        table["inverted"] = True
    if wire.bits_per_led == 32:
        # 32 bits need a fourth colour; which letter comes where cannot be seen on the wire
        table["order"] = "GRBW"
    return table


def _chain_said(capture: Capture, channel: Channel, wire: OneWire) -> str:
    name = rig_name(capture, channel)
    turned = ", inverted," if wire.inverted else ""
    doubt = f"; {wire.width_note}" if wire.width_note else ""
    if not wire.on_scale:
        doubt += f"; {tick_reason(capture, wire)}"
    return f"{name!r}{turned} is taken for the data of {plural(wire.leds, 'LED')} of {wire.bits_per_led} bits{doubt}"


def tick_reason(capture: Capture, wire: OneWire) -> str:
    """Why the file's time unit cannot be right, and what would be."""
    seen = figure(wire.period * float(capture.tick), "s")
    right = figure(TYPICAL_BIT_S / wire.period, "s")
    return f"bits would last {seen} each; with a tick of about {right} they last {figure(TYPICAL_BIT_S, 's')}"


def marker_names(capture: Capture, seen: Survey) -> dict[str, Channel]:
    """Rig keys for the channels taken for markers."""
    from spinlag.roles.verdict import judge_channel

    named: dict[str, Channel] = {}
    names = rig_names(capture)
    for channel in capture.channels:
        if judge_channel(capture, seen, channel)[0] == "marker" and writable(names[channel.path]):
            base = re.sub(r"[^a-z0-9]+", "_", channel.name.lower()).strip("_") or "marker"
            key, number = base, 2
            while key in named:
                key, number = f"{base}_{number}", number + 1
            named[key] = channel
    return named


def _remark(text: str, indent: str = "# ") -> list[str]:
    return textwrap.wrap(text, LINE, initial_indent=indent, subsequent_indent="# ", break_long_words=False)


def draft_text(capture: Capture, seen: Survey, guesses: Sequence[RoleGuess]) -> str:
    """The draft: every table that the guess fills, its reasons above it, and suggestions commented out."""
    lines = [
        "# A first guess at the rig, made from the capture alone. Check every line of it against the bench.",
        *_remark(f"Capture: {capture.file or 'not from a file'!r}, {figure(capture.duration_s, 's')} long."),
        "",
        "# What each channel was taken for, how sure (0 to 1), and why:",
    ]
    for guess in guesses:
        reasons = "; ".join(guess.reasons)
        lines += _remark(f"{guess.channel!r}: {guess.role} ({guess.confidence:.2f}): {reasons}", indent="# - ")
    tables, _ = rig_tables(capture, seen)
    lines += ["", *_capture_lines(capture, seen)]
    if "index" in tables and seen.turn is not None:
        lines += ["", *_index_lines(capture, seen, tables["index"])]
    if "motor" in tables:
        lines += ["", *_motor_lines(seen, tables["motor"])]
    for _, name, wire in _chains(capture, seen):
        table = next(table for table in tables["leds"] if table["name"] == name)
        lines += ["", *_leds_lines(capture, table, wire)]
    for chain, name in _others(capture, seen):
        table = next(table for table in tables["leds"] if table["name"] == name)
        lines += ["", *_remark(_sentence(chain_said(chain))), "[[leds]]", *chain_lines(chain, table, capture)]
    lines += ["", *_display_lines(seen, tables)]
    if "markers" in tables:
        lines += ["", "# Other lines worth blaming.", "[markers]"]
        lines += [f"{toml_text(key)} = {toml_text(name)}" for key, name in tables["markers"].items()]
    lines += ["", *_limit_lines(tables)]
    return "\n".join(lines) + "\n"


def _capture_lines(capture: Capture, seen: Survey) -> list[str]:
    period = figure(capture.sample_period_s, "s")
    lines = ["[capture]", *_remark(f"Sample period {period}, {_FROM[capture.sample_period.source]}.")]
    if capture.sample_period.source == "timescale":
        lines.append("# sample_rate_hz = 24_000_000   # give the recorder's rate: the file does not show it")
    for _, wire in seen.wires.values():
        if not wire.on_scale:
            lines += _remark(f"The file's time unit cannot be right: {tick_reason(capture, wire)}.")
            lines.append(f"# tick_ns = {TYPICAL_BIT_S / wire.period * 1e9:.6g}")
            break
    return [
        *lines,
        "clock_ppm = 50   # tolerance of the recorder's clock; common practice where its maker says nothing",
    ]


def _index_lines(capture: Capture, seen: Survey, table: Mapping[str, Any]) -> list[str]:
    turn, index = seen.turn, seen.index
    assert turn is not None and index is not None
    width = index.pulses.width * float(capture.tick)
    return [
        "[index]",
        f"channel = {toml_text(table['channel'])}",
        *_remark(_sentence(turn.edge_reason)),
        f'edge = "{table["edge"]}"',
        *_remark(_sentence(turn.pulses_per_revolution.reason)),
        f"pulses_per_revolution = {table['pulses_per_revolution']}",
        f"missing_tooth = {str(table['missing_tooth']).lower()}",
        *_remark(f"Pulses are {figure(width, 's')} long; shorter ones than this can be ignored:"),
        f"# min_pulse_us = {width * 1e6 / 10:.3g}",
    ]


def _motor_lines(seen: Survey, table: Mapping[str, Any]) -> list[str]:
    assert seen.motor is not None
    pairs = table.get("pole_pairs")
    return [
        *_remark(_sentence(seen.motor.reasons[0])),
        "[motor]",
        f"phases = [{', '.join(toml_text(name) for name in table['phases'])}]",
        *_remark(_sentence(seen.pole_pairs.reason)),
        f"pole_pairs = {pairs}" if pairs else "# pole_pairs = 4",
    ]


def _leds_lines(capture: Capture, table: Mapping[str, Any], wire: OneWire) -> list[str]:
    lines = [
        *_remark(_sentence(_chain_said(capture, capture.channel(table["data"]), wire))),
        "[[leds]]",
        f"name = {toml_text(table['name'])}",
        f"data = {toml_text(table['data'])}",
        f"count = {table['count']}",
        *_part_lines(capture, wire),
    ]
    if wire.inverted:
        lines.append("inverted = true")
    if "order" in table:
        lines.append(f'order = "{table["order"]}"   # the wire shows 32 bits a LED, not which colour comes where')
    else:
        lines.append('# order = "GRB"   # the wire does not show which colour comes where')
    return lines


def _part_lines(capture: Capture, wire: OneWire) -> list[str]:
    """Never more than a suggestion: several sheets fit most lines, and a part chosen to fit would always pass."""
    ranked = likely_parts(capture, wire)
    if not ranked:
        return ['# part = "WS2812B 2013-05"   # `spinlag parts` lists the sheets']
    said = _remark(_sentence(f"{fit_sentence(ranked)}. Name the part that is fitted, so that its sheet can be judged"))
    return [*said, f"# part = {toml_text(ranked[0].part.name)}"]


def _display_lines(seen: Survey, tables: Mapping[str, Any]) -> list[str]:
    lines = ["[display]", '# geometry = "arm"   # or "slot"']
    if seen.turn is not None and (seen.wires or seen.others):
        lines += _remark(_sentence(seen.turn.columns.reason))
    columns = tables.get("display", {}).get("columns")
    lines.append(f"columns = {columns}" if columns else "# columns = 48")
    return [*lines, '# direction = "counter-clockwise"']


def _limit_lines(tables: Mapping[str, Any]) -> list[str]:
    lines = [
        "# Limits are yours to set: what has been measured is no reason for a limit. For example:",
        '# [limits."latency.latency"]',
        "# max_us = 450",
        '# [limits."placement.residue"]',
        "# max_deg = 0.5",
    ]
    if "index" not in tables:
        return ["# No index was found: LED lines are judged for the timing of their bits alone.", *lines]
    return lines


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
