"""Events in words that a builder can read aloud."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from spinlag.incidents.model import Incident
from spinlag.incidents.rules import FACTS

_SAID_IN_FULL = 2
"""Effects of one kind that are told one by one; more are counted."""

_TIMES = 0.3
"""A column rate that is off by more than this share is told as so many times too fast or slow."""


def event_sentence(origin: Incident, effects: Sequence[Incident], *, answer: str = "", witness: str = "") -> str:
    """What happened first, what the firmware did with it, what followed and why, and what the shaft's witness says.

    Where `answer` tells of a wrong index pulse's turn already, only effects in other turns are told.
    """
    parts = [f"{_where(origin)}: {_plain(origin.detail)}.", answer]
    if answer and origin.kind.startswith("index"):
        effects = [effect for effect in effects if effect.revolution != origin.revolution]
    reasons: dict[str, list[Incident]] = {}
    for effect in effects:
        reasons.setdefault(effect.because, []).append(effect)
    for number, (reason, members) in enumerate(reasons.items()):
        told = "; ".join(_clauses(members, origin))
        opening = "So" if number == 0 else "Then"
        parts.append(f"{reason[:1].upper()}{reason[1:]}: {told}." if reason else f"{opening}: {told}.")
    if witness:
        parts.append(witness)
    return " ".join(part for part in parts if part)


def seen_sentence(turns: int, lasted_s: float, area: float) -> str:
    """What the viewer saw of an event: for how many turns, and in how much of the picture's area."""
    if turns == 0:
        return "The picture did not change enough to be seen."
    for_turns = "one turn" if turns == 1 else f"{turns} turns"
    share = share_of_area(area)
    most = share if share.startswith("less") else f"up to {share}"
    return f"The picture was not the usual one for {for_turns} ({duration(lasted_s)}), in {most} of its area."


def share_of_area(area: float) -> str:
    """A share in words; a small one is never called nothing."""
    return "less than 1 %" if area < 0.01 else f"{100 * area:.0f} %"


def _where(item: Incident) -> str:
    place = f"Revolution {item.revolution}" if item.revolution is not None else f"At {item.time_s:.6f} s"
    if item.shaft_angle_deg is not None and FACTS[item.kind].anywhere:
        place += f", {item.shaft_angle_deg:.0f}° after the reference"
    return f"{place}, {item.channel}"


def _plain(detail: str) -> str:
    return detail.rstrip(". ")


def _clauses(effects: Sequence[Incident], origin: Incident) -> list[str]:
    """Effects with one reason, kind by kind."""
    kinds: dict[str, list[Incident]] = {}
    for effect in effects:
        kinds.setdefault(effect.kind, []).append(effect)
    clauses = []
    for kind, members in kinds.items():
        if kind == "column-rate":
            clauses.append(listed([f"{_when(item, origin)} {_rate(item)}" for item in members[: 2 * _SAID_IN_FULL]]))
        elif len(members) <= _SAID_IN_FULL:
            clauses.append(listed([f"{_when(item, origin)} {_plain(item.detail)}" for item in members]))
        else:
            clauses.append(f"{_span(members)} {len(members)} {FACTS[kind].plural} (first: {_plain(members[0].detail)})")
    return clauses


def _rate(item: Incident) -> str:
    """How wrongly a turn's columns were spaced."""
    if item.observed is None or item.expected is None:
        return _plain(item.detail)
    spacing = 1 + item.observed - item.expected
    if spacing > 1 + _TIMES:
        return f"the columns came {spacing:.2g} times too slow"
    if 0 < spacing < 1 - _TIMES:
        return f"the columns came {1 / spacing:.2g} times too fast"
    return f"the columns came {abs(spacing - 1) * 100:.2g} % too {'slow' if spacing > 1 else 'fast'}"


def _when(item: Incident, origin: Incident) -> str:
    if item.revolution is None:
        return f"{duration(item.delay_s or 0.0)} later"
    if item.revolution == origin.revolution:
        return "in this turn"
    if origin.revolution is not None and item.revolution == origin.revolution + 1:
        return "in the next turn"
    return f"in revolution {item.revolution}"


def _span(members: Sequence[Incident]) -> str:
    turns = sorted({item.revolution for item in members if item.revolution is not None})
    if not turns:
        return f"within {duration(members[-1].time_s - members[0].time_s)}"
    if len(turns) == 1:
        return f"in revolution {turns[0]}"
    return f"in revolutions {_ranges(turns)}"


def _ranges(turns: Sequence[int]) -> str:
    runs = []
    for _, run in groupby(enumerate(turns), key=lambda pair: pair[1] - pair[0]):
        members = [turn for _, turn in run]
        runs.append(str(members[0]) if len(members) == 1 else f"{members[0]} to {members[-1]}")
    return listed(runs)


def listed(items: Sequence[str]) -> str:
    """Names as a sentence tells them: "A, B and C"."""
    if len(items) <= 1:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def duration(seconds: float) -> str:
    """A duration in the unit that suits it."""
    size = abs(seconds)
    if size >= 1000.0:
        return f"{seconds:.0f} s"
    for unit, scale in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if size >= scale:
            return f"{seconds / scale:.3g} {unit}"
    return f"{seconds / 1e-9:.3g} ns"
