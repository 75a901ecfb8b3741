"""Events in words that a builder can read aloud."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from spinlag.incidents.model import Incident
from spinlag.incidents.rules import FACTS

_SAID_IN_FULL = 2
"""Effects of one kind that are told one by one; more are counted."""


def event_sentence(origin: Incident, effects: Sequence[Incident], witness: str = "") -> str:
    """What happened first, what followed from it and when, and what the shaft's own witness says."""
    parts = [f"{_where(origin)}: {_plain(origin.detail)}."]
    kinds: dict[str, list[Incident]] = {}
    for effect in effects:
        kinds.setdefault(effect.kind, []).append(effect)
    clauses = [_clause(kind, members, origin) for kind, members in kinds.items()]
    if clauses:
        parts.append(f"It was followed by {_listed(clauses)}.")
        parts.append(_why(effects))
    if witness:
        parts.append(witness)
    return " ".join(part for part in parts if part)


def _where(item: Incident) -> str:
    place = f"Revolution {item.revolution}" if item.revolution is not None else f"At {item.time_s:.6f} s"
    if item.shaft_angle_deg is not None and FACTS[item.kind].anywhere:
        place += f", {item.shaft_angle_deg:.0f}° after the index"
    return f"{place}, {item.channel}"


def _plain(detail: str) -> str:
    return detail.rstrip(". ")


def _clause(kind: str, members: Sequence[Incident], origin: Incident) -> str:
    if len(members) <= _SAID_IN_FULL:
        return _listed([f"{_singular(kind)} {_when(item, origin)} ({_plain(item.detail)})" for item in members])
    return f"{len(members)} {FACTS[kind].plural} {_span(members)} (the first: {_plain(members[0].detail)})"


def _singular(kind: str) -> str:
    title = FACTS[kind].title
    if title == FACTS[kind].plural or title.startswith("missing"):
        return title
    return f"{'an' if title[0] in 'aeiou' else 'a'} {title}"


def _when(item: Incident, origin: Incident) -> str:
    if item.revolution is None or item.revolution == origin.revolution:
        delay = item.delay_s or 0.0
        return f"{_duration(delay)} later" if delay > 0 else "in the same turn"
    if origin.revolution is not None and item.revolution == origin.revolution + 1:
        return "in the next revolution"
    return f"in revolution {item.revolution}"


def _span(members: Sequence[Incident]) -> str:
    turns = sorted({item.revolution for item in members if item.revolution is not None})
    if not turns:
        return f"within {_duration(members[-1].time_s - members[0].time_s)}"
    if len(turns) == 1:
        return f"in revolution {turns[0]}"
    return f"in revolutions {_ranges(turns)}"


def _ranges(turns: Sequence[int]) -> str:
    runs = []
    for _, run in groupby(enumerate(turns), key=lambda pair: pair[1] - pair[0]):
        members = [turn for _, turn in run]
        runs.append(str(members[0]) if len(members) == 1 else f"{members[0]} to {members[-1]}")
    return _listed(runs)


def _why(effects: Sequence[Incident]) -> str:
    reasons = list(dict.fromkeys(effect.because for effect in effects if effect.because))
    if not reasons:
        return ""
    text = _listed(reasons[:2])
    return f"{text[0].upper()}{text[1:]}."


def _listed(items: Sequence[str]) -> str:
    if len(items) <= 1:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def _duration(seconds: float) -> str:
    size = abs(seconds)
    for unit, scale in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if size >= scale:
            return f"{seconds / scale:.3g} {unit}"
    return f"{seconds / 1e-9:.3g} ns"
