"""What a survey makes of lines that are not one-wire: roles with reasons, rig tables, and the draft's lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from spinlag.capture import Capture, Channel
from spinlag.roles.clocked import Wired
from spinlag.roles.direct import LEAST_LINES, DirectLines, find_direct
from spinlag.roles.glance import Look, look_at
from spinlag.roles.onewire import OneWire
from spinlag.roles.pulses import Pulses
from spinlag.roles.shaft import Motor
from spinlag.roles.words import figure, plural, toml_text

if TYPE_CHECKING:
    from spinlag.roles import Role
    from spinlag.roles.survey import Survey

    Judged = tuple[Role, float, tuple[str, ...]]

OtherChain = Wired | DirectLines


def direct_beside(
    looks: Sequence[Look], motor: Motor | None, capture: Capture, *, other_leds: bool
) -> tuple[DirectLines, ...]:
    """Direct lines among what is neither bus nor one-wire line, a chain for each set that switches on a beat of its
    own. Three phases of a motor stay what they are; one or two lines taken for a motor may still be LEDs. Beside other
    LEDs more lines are asked for: firmware has strobes."""
    phases = [line.look.channel.path for line in motor.lines] if motor else []
    kept = [look for look in looks if len(phases) < 3 or look.channel.path not in phases]
    found: list[DirectLines] = []
    while True:
        chain = find_direct(kept, capture, least=LEAST_LINES + (other_leds or bool(found)))
        if chain is None:
            return tuple(found)
        found.append(chain)
        kept = [look for look in kept if look.channel.path not in paths_of([chain])]


def paths_of(chains: Sequence[OtherChain]) -> frozenset[str]:
    """Channel paths of all lines of these chains."""
    return frozenset(look.channel.path for chain in chains for look in _looks(chain))


def without(lines: Sequence[Pulses], paths: frozenset[str]) -> list[Pulses]:
    """Pulse lines less those of these paths."""
    return [line for line in lines if line.look.channel.path not in paths]


def _looks(chain: OtherChain) -> tuple[Look, ...]:
    return chain.lines if isinstance(chain, DirectLines) else tuple(chain.lines.values())


def stand_ins(chains: Sequence[OtherChain]) -> dict[str, tuple[Look, OneWire]]:
    """By path, a line that shows when each chain's updates come, described as a one-wire line is: every clock pulse is
    a bit. Direct lines are shown by their changes, one pulse each; pulse width hides those."""
    found: dict[str, tuple[Look, OneWire]] = {}
    for chain in chains:
        if isinstance(chain, DirectLines):
            if len(chain.starts) < 2:
                continue
            edges = np.stack((chain.starts, np.maximum(chain.ends, chain.starts + 1)), axis=1).ravel()
            name = f"{chain.lines[0].channel.name} and {len(chain.lines) - 1} more"
            look = look_at(Channel(name, name, 0, edges))
            found[name] = (look, _paced(1, 0.3 * chain.slot, chain.slot, chain.slot, inverted=False))
        elif chain.spacing is not None:
            wire = _paced(chain.clocks, chain.gap, chain.spacing, chain.period, inverted=chain.rests_high)
            found[chain.clock.channel.path] = (chain.clock, wire)
    return found


def _paced(bits: int, gap: float, spacing: float, period: float, *, inverted: bool) -> OneWire:
    return OneWire(
        inverted=inverted,
        bits=bits,
        short=None,
        long=None,
        split=0.0,
        period=period,
        gap=gap,
        gap_seen=None,
        burst_bits=bits,
        burst_share=1.0,
        bursts=2,
        bits_per_led=1,
        width_note="",
        spacing=spacing,
        repeat=None,
        lengths={},
        on_scale=True,
    )


def judge_wiring(seen: Survey, path: str) -> Judged | None:
    """Role, confidence and reasons of a line of a clocked, latched or direct chain; None for any other line."""
    for chain in seen.others:
        if path not in paths_of([chain]):
            continue
        if isinstance(chain, DirectLines):
            first = chain.lines[0].channel
            beside = f"switches on one beat with {first.name!r} and {len(chain.lines) - 2} more, which see"
            return "leds-direct", 0.85, chain.shown if path == first.path else (beside,)
        sure = (0.95 if chain.frame or chain.latch else 0.8) * (0.5 + chain.share / 2)
        key = next(key for key, look in chain.lines.items() if look.channel.path == path)
        roles: dict[str, Role] = {"clock": "leds-clock", "latch": "leds-latch", "blank": "leds-blank"}
        shown = {"clock": chain.shown[:1], "latch": chain.shown[1:2], "blank": chain.shown[-1:]}
        return roles.get(key, "leds-data"), sure, shown.get(key, chain.shown)
    return None


def chain_table(chain: OtherChain, name: str, names: Mapping[str, str]) -> dict[str, Any]:
    """The chain as a `[[leds]]` table; `names` gives the rig's name of each channel path."""
    if isinstance(chain, DirectLines):
        lines = [names[look.channel.path] for look in chain.lines]
        return {"name": name, "wiring": "direct", "lines": lines, "count": len(lines)}
    table: dict[str, Any] = {"name": name, "wiring": chain.wiring}
    table |= {key: names[look.channel.path] for key, look in chain.lines.items()}
    if chain.sampling == "falling":
        table["clock_edge"] = "falling"
    if chain.leds:
        table["count"] = chain.leds
    if chain.blank is not None and chain.blank_dark == "low":
        table["blank_dark"] = "low"
    if chain.bits_per_output > 1:
        table |= {"bits_per_output": chain.bits_per_output, "outputs_per_chip": chain.outputs_per_chip}
    return table


def chain_said(chain: OtherChain) -> str:
    """The assumption in one sentence."""
    if isinstance(chain, DirectLines):
        return f"{plural(len(chain.lines), 'line')} taken for LEDs of their own: {chain.shown[0]}"
    lines = ", ".join(f"{look.channel.name!r} for its {key}" for key, look in chain.lines.items())
    return f"a {chain.wiring} chain is taken to be here, {lines}: {'; '.join(chain.shown)}"


def chain_lines(chain: OtherChain, table: Mapping[str, Any], capture: Capture) -> list[str]:
    """The table as lines of TOML, without its heading, and suggestions commented out."""
    lines = []
    for key, value in table.items():
        if isinstance(value, list):
            shown = f"[{', '.join(toml_text(item) for item in value)}]"
        else:
            shown = toml_text(value) if isinstance(value, str) else str(value)
        lines.append(f"{key} = {shown}")
    if isinstance(chain, DirectLines):
        return [*lines, '# order = "RGB"   # where so many lines in turn make one LED; count is then that of the LEDs']
    if chain.bits_per_output > 1:
        return lines
    if chain.wiring == "latched":
        return [*lines, '# part = "74HC595"   # `spinlag parts` lists the sheets; name the one that is fitted']
    rate = figure(1.0 / (chain.period * float(capture.tick)), "Hz")
    part = chain.frame.name if chain.frame else "WS2801"
    return [*lines, f'# part = "{part}"   # name the part that is fitted, so that its sheet is held against {rate}']
