"""What a chain is, in a two-column table: its lines, its part, its LEDs and when they show what they got."""

from __future__ import annotations

from itertools import accumulate
from typing import Any

import numpy as np

from spinlag.findings import Findings
from spinlag.leds.frames import FRAMES
from spinlag.leds.together import Skew, shear
from spinlag.leds.updates import ChainUpdates
from spinlag.picture.light import word_of
from spinlag.report.format import count, measured, si
from spinlag.report.rows import pairs
from spinlag.rig import LedsTable, Rig
from spinlag.together import chain_skews

_PROBES = {"controller": "at the controller", "after-led": "behind an LED: the sheet's input limits are not judged"}
_MOST_LINES = 16
"""Direct lines that are listed by name."""


def chain_facts(findings: Findings, index: int) -> list[tuple[str, str]]:
    """Topic and fact, of one chain."""
    chain, table = findings.chains[index], findings.rig.leds[index]
    part = f"{chain.part.name} ({chain.part_note})" if chain.part else chain.part_note or "no part given"
    each = "1 bit each" if chain.bits_per_led == 1 else f"{chain.bits_per_led} bits each"
    return pairs(
        [
            ("wiring", _lines(table)),
            ("part", part),
            ("sheet", chain.part.source if chain.part else None),
            ("LEDs", f"{chain.leds_seen}, {each}, order {chain.order or 'not known'}"),
            ("LEDs of the picture", _owned(findings, index)),
            ("words", FRAMES[chain.frame].source if chain.frame in FRAMES else None),
            ("updates", f"{count(len(chain))}, {count(int(chain.bits.sum()))} bits"),
            ("0 and 1 told apart at", _with_source(chain.threshold_s, chain.threshold_from)),
            ("latch time taken", _with_source(chain.latch_s, chain.latch_from)),
            ("shown", _shown(findings, chain)),
            ("beside the first chain", _beside(findings, chain)),
            ("probe", _PROBES[table.tap] if table.wiring == "one-wire" else None),
        ]
    )


def led_ranges(rig: Rig, chains: tuple[ChainUpdates, ...]) -> tuple[tuple[int, int], ...]:
    """First and last LED of the picture that each chain owns, counted from 1; (0, 0) for a chain that shows none.

    As the picture has it: chains in the rig's order carry its LEDs one after the other, each as many as the rig counts
    or, where it does not, as most updates hold.
    """
    counts = []
    for chain, table in zip(chains, rig.leds, strict=True):
        per_word = word_of(chain).leds
        words = -(-table.count // per_word) if table.count else chain.leds_seen
        counts.append(words * per_word if len(chain) and chain.leds_seen else 0)
    ends = list(accumulate(counts))
    return tuple((end - n + 1, end) if n else (0, 0) for end, n in zip(ends, counts, strict=True))


def _owned(findings: Findings, index: int) -> str | None:
    if len(findings.chains) < 2:
        return None
    ranges = led_ranges(findings.rig, findings.chains)
    first, last = ranges[index]
    return f"{first} to {last} of {max(end for _, end in ranges)}" if last else "none: it shows nothing"


def together_document(findings: Findings) -> dict[str, Any]:
    """What results.json says of chains that share a display: the LEDs of the picture that each owns, from 1 on, and by
    how many seconds each shows a column after the first chain (in all, and by column)."""
    return {
        "leds": [
            {"chain": chain.name, "first_led": first or None, "last_led": last or None}
            for chain, (first, last) in zip(findings.chains, led_ranges(findings.rig, findings.chains), strict=True)
        ],
        "skew": [
            {
                "chain": skew.chain,
                "against": skew.against,
                "skew_s": {name: getattr(skew.seconds, name) for name in skew.seconds.__dataclass_fields__},
                "by_column_s": skew.by_column_s.tolist(),
            }
            for skew in _skews(findings)
        ],
    }


def _skews(findings: Findings) -> tuple[Skew, ...]:
    return chain_skews(findings.capture, findings.rig, findings.chains, findings.placements)


def _beside(findings: Findings, chain: ChainUpdates) -> str | None:
    """By how much it shows a column after the first chain."""
    skew = next((one for one in _skews(findings) if one.chain == chain.name), None)
    if skew is None or skew.seconds.mean is None:
        return None
    mean = skew.seconds.mean
    speed = findings.rotation.speed.mean if findings.rotation is not None else None
    turned = f", {si(360 * abs(mean) * speed, 'deg', 3)} of rotation" if speed else ""
    said = (
        f"shows a column {measured(abs(mean), skew.seconds.uncertainty, 's')}{turned} "
        f"{'after' if mean >= 0 else 'before'} {skew.against} on average"
    )
    known = np.flatnonzero(np.isfinite(skew.by_column_s))
    if not len(known):
        return said
    low, high = known[np.argmin(skew.by_column_s[known])], known[np.argmax(skew.by_column_s[known])]
    return (
        f"{said}; by column from {si(float(skew.by_column_s[low]), 's')} (column {low}) to "
        f"{si(float(skew.by_column_s[high]), 's')} (column {high})"
    )


def _lines(table: LedsTable) -> str:
    if table.wiring == "one-wire":
        return f"one wire, {table.data}" + (", inverted" if table.inverted else "")
    if table.wiring == "direct":
        named = ", ".join(table.lines[:_MOST_LINES])
        more = len(table.lines) - _MOST_LINES
        return f"direct, a line each: {named}" + (f" and {more} more" if more > 0 else "")
    said = f"{table.wiring}: data on {table.data}, clock on {table.clock}, sampled at the {table.clock_edge} edge"
    if table.wiring == "latched":
        said += f"; latch on {table.latch}, shown at its {table.latch_edge} edge"
        if table.blank is not None:
            said += f"; blank on {table.blank}, dark while {table.blank_dark}"
    return said


def _shown(findings: Findings, chain: ChainUpdates) -> str | None:
    """When the LEDs show an update, where no latch time says so."""
    if chain.wiring == "one-wire" or not len(chain):
        return None
    if chain.wiring == "direct":
        return "at once: a line's edge is its LED's light"
    if chain.wiring == "latched":
        return f"at {chain.latch_from}"
    frame = FRAMES.get(chain.frame)
    if frame is None:
        return None
    if chain.along_chain:
        along = shear(chain).mean or 0.0
        speed = findings.rotation.speed.mean if findings.rotation is not None else None
        turned = f", {si(360 * along * speed, 'deg', 3)} of rotation" if speed else ""
        return f"each LED with its own word; the last one {si(along, 's')}{turned} after the first"
    return {
        "next-start": "all together, when 32 zeros have followed the data: an end of zeros or the next start",
        "clock-rest": "all together, when the clock has rested for the latch time",
        "last-clock": "all together, with the last clock",
    }.get(frame.shows)


def _with_source(value: float | None, source: str) -> str | None:
    return None if value is None else f"{si(value, 's')} ({source})"
