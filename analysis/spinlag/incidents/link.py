"""Observations to incidents with origins, and incidents to events."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from spinlag.capture import Capture, Ticks
from spinlag.incidents.model import Incident
from spinlag.incidents.rules import ECHO, FACTS, Rule, causes_of
from spinlag.leds.updates import ChainUpdates
from spinlag.observations import Observation
from spinlag.placement import Placement

_FULL_TURN = 360.0
_LOOK_BACK = 64
"""Causes of one kind that are looked at for one effect, nearest first."""

_SAME_INSTANT_SAMPLES = 2
"""Two lines that change together may be seen this many samples apart."""

_SAME_INSTANT_TURNS = 0.003
"""Expected instants, such as those of missing columns, come from a grid that is known no better than this."""


@dataclass(frozen=True, eq=False)
class Clock:
    """Where an instant lies in the capture: seconds, and turns of the shaft where there are any.

    `turn_ticks`, shape (n + 1,), as in Rotation; empty where nothing turns. `update_ends`: last data edge of every
    update, by chain; `columns`: column slots per turn, by chain. `marks`: places on the
    index wheel, at any of which firmware that only counts may begin a turn.
    """

    tick_s: float
    sample_ticks: int
    turn_ticks: Ticks
    update_ends: Mapping[str, Ticks] = field(default_factory=dict)
    columns: Mapping[str, int] = field(default_factory=dict)
    marks: int = 1

    @property
    def turns(self) -> int:
        """Whole turns in the capture."""
        return max(len(self.turn_ticks) - 1, 0)

    @cached_property
    def longest_turn(self) -> int:
        """Ticks of the longest whole turn, 0 where there is none."""
        return int(np.diff(self.turn_ticks).max()) if self.turns else 0

    def turn_of(self, tick: int) -> int | None:
        """Index of the whole turn that holds `tick`, or None."""
        turn = int(self.turn_ticks.searchsorted(tick, side="right")) - 1
        return turn if 0 <= turn < self.turns else None

    def turns_at(self, tick: int) -> float | None:
        """Turns since the first reference, with fraction; before and after the whole turns at their neighbour's speed.

        None where nothing turns.
        """
        if not self.turns:
            return None
        turn = min(max(int(self.turn_ticks.searchsorted(tick, side="right")) - 1, 0), self.turns - 1)
        begin, end = int(self.turn_ticks[turn]), int(self.turn_ticks[turn + 1])
        return turn + (tick - begin) / (end - begin)

    def slot(self, turns: float, columns: int) -> float:
        """Column slots since the last mark, for an instant in turns."""
        return (turns * self.marks % 1.0) * columns / self.marks

    def angle_at(self, tick: int) -> float | None:
        """Shaft angle in [0, 360) by interpolation, None outside the whole turns."""
        turn = self.turn_of(tick)
        at = self.turns_at(tick)
        return None if turn is None or at is None else (at - turn) * _FULL_TURN


def clock_of(
    capture: Capture,
    turn_ticks: Ticks,
    chains: Sequence[ChainUpdates] = (),
    placements: Sequence[Placement | None] = (),
    marks: int = 1,
) -> Clock:
    """The clock of a capture whose shaft passed its reference at `turn_ticks`."""
    ends = {chain.name: chain.last for chain in chains}
    columns = {placed.chain: placed.columns for placed in placements if placed is not None}
    return Clock(float(capture.tick), max(round(capture.sample_period.ticks), 1), turn_ticks, ends, columns, marks)


@dataclass(frozen=True)
class _Node:
    """One observation in time order. Its cause may begin at `latest` at the latest, or at `update_end` or `turn_end`
    where a rule concerns the very update or the whole turn; it lasts until `until`."""

    order: int
    what: Observation
    depth: int
    at_turns: float | None
    latest: int
    update_end: int
    turn_end: int
    until: int
    until_turns: float | None


def link(observations: Sequence[Observation], capture: Capture, clock: Clock) -> tuple[Incident, ...]:
    """Incidents in order of time, each with its cause and origin by the table of rules.

    Of all causes that the rules admit, the nearest one before the effect is its cause; following causes upwards ends at
    the origin. What no rule explains is an origin itself.
    """
    nodes = _nodes(observations, clock)
    by_kind: dict[str, list[_Node]] = defaultdict(list)
    for node in nodes:
        by_kind[node.what.kind].append(node)
    ticks = {kind: [node.what.tick for node in members] for kind, members in by_kind.items()}
    spoiled = frozenset(_turn(node, clock) for node in nodes if _spoils(node))
    causes: list[tuple[_Node, Rule] | None] = [_cause(node, by_kind, ticks, clock, spoiled) for node in nodes]
    _break_circles(causes, nodes)
    _join_echoes(causes, nodes, clock)
    roots = [_root(node.order, causes) for node in nodes]
    return tuple(_incident(node, causes[node.order], nodes[roots[node.order]], capture, clock) for node in nodes)


def _nodes(observations: Sequence[Observation], clock: Clock) -> list[_Node]:
    distinct = {(item.tick, item.kind, item.channel, item.chain, item.update): item for item in reversed(observations)}
    ordered = sorted(distinct.values(), key=lambda item: (item.tick, FACTS[item.kind].depth, item.channel))
    slack = _SAME_INSTANT_SAMPLES * clock.sample_ticks
    if clock.turns:
        slack = max(slack, int(_SAME_INSTANT_TURNS * np.median(np.diff(clock.turn_ticks))))
    nodes = []
    for order, item in enumerate(ordered):
        facts = FACTS[item.kind]
        until = item.tick + lasting_ticks(item, clock)
        latest = (_update_end(item, clock) if item.kind.startswith("data-") else item.tick) + slack
        if item.kind == "data-silent":  # it begins with the last update that still came, whatever stopped the next
            latest = max(latest, until)
        turn = clock.turn_of(item.tick) if item.revolution is None else item.revolution
        inside = turn is not None and 0 <= turn < clock.turns
        turn_end = max(int(clock.turn_ticks[turn + 1]), latest) if inside and turn is not None else latest
        if facts.of_turn:
            latest = turn_end
        at = clock.turns_at(item.tick)
        update_end = max(latest, _update_end(item, clock) + slack)
        nodes.append(_Node(order, item, facts.depth, at, latest, update_end, turn_end, until, clock.turns_at(until)))
    return nodes


def _update_end(item: Observation, clock: Clock) -> int:
    """What happened to an update is dated to its start; what did it may have come before its end."""
    ends = clock.update_ends.get(item.chain or "")
    if ends is None or item.update is None or item.update >= len(ends):
        return item.tick
    return max(int(ends[item.update]), item.tick)


_LASTING = frozenset({"capture-gap", "data-silent", "motor-dropout"})


def lasting_ticks(item: Observation | Incident, clock: Clock) -> int:
    """How long it goes on: gaps and silences say so in their evidence."""
    if item.unit != "s" or not item.observed:
        return 0
    if item.kind in _LASTING:
        return max(round(item.observed / clock.tick_s), 0)
    if item.kind == "index-missed" and item.expected:
        # from the first pulse that did not come to the last
        return max(round((item.observed - 2.0 * item.expected) / clock.tick_s), 0)
    return 0


def _turn(node: _Node, clock: Clock) -> int | None:
    return node.what.revolution if node.what.revolution is not None else clock.turn_of(node.what.tick)


_EDGE_SLOTS = 3.0
"""Column slots at the start and the end of a turn in which a wrong idea of the turn shows first."""


_FAR_OFF = 0.15
"""A turn drawn at a rate further off than this crowds its updates, and nothing in it keeps its place."""

_FIRST_SLOT = 0.9

_OF_COLUMNS = frozenset({"update-late", "update-missing", "update-repeated", "data-extra", "data-silent"})


def _spoils(node: _Node) -> bool:
    """True for what puts the whole grid of its turn in doubt."""
    if node.what.kind == "column-rate":
        return abs(_departure(node)) > _FAR_OFF
    return node.what.kind in ("index-doubled", "index-runt")


def _is_disturbed(effect: _Node, clock: Clock, spoiled: frozenset[int | None]) -> bool:
    """Where a wrong time of a turn shows: near the turn's ends, or anywhere in a turn whose grid is in doubt. A silence
    must last until a turn begins."""
    item = effect.what
    columns = clock.columns.get(item.chain or "")
    if columns is None or effect.at_turns is None or effect.until_turns is None or item.kind not in _OF_COLUMNS:
        return True
    if item.kind == "data-silent":
        return clock.turn_of(effect.until) in spoiled or clock.slot(effect.until_turns, columns) <= _EDGE_SLOTS
    if _turn(effect, clock) in spoiled:
        return True
    slot = clock.slot(effect.at_turns, columns)
    lacking = (item.expected or 0.0) - (item.observed or 0.0) if item.kind == "update-missing" else 0.0
    return slot <= _EDGE_SLOTS or slot + lacking >= columns / clock.marks - _EDGE_SLOTS


def _cause(
    effect: _Node,
    by_kind: dict[str, list[_Node]],
    ticks: dict[str, list[int]],
    clock: Clock,
    spoiled: frozenset[int | None],
) -> tuple[_Node, Rule] | None:
    best: tuple[_Node, Rule] | None = None
    disturbed = _is_disturbed(effect, clock, spoiled)
    at_start = _at_start(effect, clock)
    for rule in causes_of(effect.what.kind):
        members = by_kind.get(rule.cause)
        if not members or (rule.disturbed and not disturbed) or (rule.at_start and not at_start):
            continue
        last = bisect_right(ticks[rule.cause], _latest(effect, rule))
        first = max(last - _LOOK_BACK, bisect_left(ticks[rule.cause], _earliest(effect, rule, clock)))
        for candidate in reversed(members[first:last]):
            if rule.at_start and not _at_start(candidate, clock):
                continue
            if _explains(candidate, effect, rule, clock):
                if best is None or _nearness(candidate) > _nearness(best[0]):
                    best = candidate, rule
                break
    return best


def _at_start(node: _Node, clock: Clock) -> bool:
    """True in the first column slot of a turn."""
    columns = clock.columns.get(node.what.chain or "")
    return columns is not None and node.at_turns is not None and clock.slot(node.at_turns, columns) < _FIRST_SLOT


def _latest(effect: _Node, rule: Rule) -> int:
    """The last instant at which a cause by that rule may begin."""
    if rule.strict:
        return effect.what.tick
    if rule.of_turn:
        return effect.turn_end
    return effect.update_end if rule.scope == "update" else effect.latest


def _earliest(effect: _Node, rule: Rule, clock: Clock) -> int:
    """An instant before which no cause by that rule begins: beyond its reach at the shaft's slowest."""
    if rule.scope == "update" or rule.cause in _LASTING:
        return -(1 << 62)
    columns = clock.columns.get(effect.what.chain or "")
    turns = rule.slots / columns if rule.slots is not None and columns else rule.turns or 0.0
    seconds = rule.seconds or 0.0
    return effect.what.tick - int(turns * clock.longest_turn + seconds / clock.tick_s) - 1


def _nearness(cause: _Node) -> tuple[int, int]:
    return cause.what.tick, -cause.depth


def _explains(cause: _Node, effect: _Node, rule: Rule, clock: Clock) -> bool:
    if cause is effect or not _comes_first(cause, effect, rule):
        return False
    if rule.scope != "any" and cause.what.chain != effect.what.chain:
        return False
    if rule.scope == "update" and cause.what.update is not None and effect.what.update is not None:
        return 0 <= effect.what.update - cause.what.update <= 1
    return _in_reach(cause, effect, rule, clock)


def _comes_first(cause: _Node, effect: _Node, rule: Rule) -> bool:
    """Kinds of lesser depth may begin later than an effect that is dated to its turn, or at the same instant."""
    if cause.depth < effect.depth:
        return cause.what.tick <= _latest(effect, rule)
    return cause.order < effect.order and cause.what.tick <= effect.what.tick


_UPDATE_REACH_S = 0.005
"""How far apart two incidents of one update can lie where neither names its update."""


def _in_reach(cause: _Node, effect: _Node, rule: Rule, clock: Clock) -> bool:
    columns = clock.columns.get(effect.what.chain or "")
    turns = rule.slots / columns if rule.slots is not None and columns else rule.turns
    if turns is not None and cause.until_turns is not None and effect.at_turns is not None:
        return effect.at_turns - cause.until_turns <= turns
    seconds = rule.seconds if rule.seconds is not None else _UPDATE_REACH_S if rule.scope == "update" else None
    return seconds is not None and (effect.what.tick - cause.until) * clock.tick_s <= seconds


def _root(order: int, causes: list[tuple[_Node, Rule] | None]) -> int:
    while (step := causes[order]) is not None:
        order = step[0].order
    return order


def _break_circles(causes: list[tuple[_Node, Rule] | None], nodes: list[_Node]) -> None:
    """Where instants a sample apart explain each other, the first kind in the order of causes is nobody's effect."""
    settled = [False] * len(nodes)
    for start in range(len(nodes)):
        path: list[int] = []
        here = start
        while not settled[here] and here not in path:
            path.append(here)
            step = causes[here]
            if step is None:
                break
            here = step[0].order
        else:
            if not settled[here]:
                circle = path[path.index(here) :]
                causes[min(circle, key=lambda order: (nodes[order].depth, order))] = None
        for order in path:
            settled[order] = True


_LONGEST_MEMORY = 64
"""Turns over which firmware may average."""

_ECHO_MATCH = 0.3


def _join_echoes(causes: list[tuple[_Node, Rule] | None], nodes: list[_Node], clock: Clock) -> None:
    """Firmware that averages the last m turns is wrong twice after one shifted pulse.

    The turn before the pulse is too short (or long) by the shift s and the turn after it as much the other way, so the
    mean is wrong by s / m while only the one is in it, right while both are, and wrong the other way when the first has
    left it, m turns later. That last turn is the echo of the first.
    """
    shifted = [node for node in nodes if node.what.kind == "index-shifted" and node.what.observed]
    rates = [node for node in nodes if node.what.kind == "column-rate" and node.what.revolution is not None]
    if not shifted or not rates or not clock.turns:
        return
    for echo in rates:
        if causes[echo.order] is not None:
            continue
        for cause in reversed(shifted):
            if _is_echo(echo, cause, rates, clock):
                causes[echo.order] = cause, ECHO
                break


def _is_echo(echo: _Node, cause: _Node, rates: list[_Node], clock: Clock) -> bool:
    turn = clock.turn_of(cause.what.tick)
    late = _departure(echo)
    if turn is None or echo.what.revolution is None or late == 0 or cause.what.observed is None:
        return False
    distance = echo.what.revolution - turn
    if not 1 < distance <= _LONGEST_MEMORY + 1:
        return False
    period_s = float(clock.turn_ticks[turn + 1] - clock.turn_ticks[turn]) * clock.tick_s
    memory = abs(cause.what.observed) / period_s / abs(late)
    if abs(memory - distance) > 1 + _ECHO_MATCH * distance:
        return False
    return any(
        node.what.chain == echo.what.chain
        and node.what.revolution is not None
        and abs(node.what.revolution - turn) <= 1
        and _departure(node) * late < 0
        for node in rates
    )


def _departure(rate: _Node) -> float:
    return (rate.what.observed or 0.0) - (rate.what.expected or 0.0)


def _name(order: int) -> str:
    return f"I{order + 1}"


def _incident(node: _Node, cause: tuple[_Node, Rule] | None, root: _Node, capture: Capture, clock: Clock) -> Incident:
    item = node.what
    return Incident(
        id=_name(node.order),
        kind=item.kind,
        tick=item.tick,
        time_s=float(capture.seconds(item.tick)),
        revolution=item.revolution if item.revolution is not None else clock.turn_of(item.tick),
        shaft_angle_deg=clock.angle_at(item.tick),
        channel=item.channel,
        detail=item.detail,
        origin=_name(root.order) if cause else None,
        cause=_name(cause[0].order) if cause else None,
        delay_s=(item.tick - root.what.tick) * clock.tick_s if cause else None,
        expected=item.expected,
        observed=item.observed,
        unit=item.unit,
        threshold=item.threshold,
        chain=item.chain,
        update=item.update,
        because=cause[1].why if cause else "",
    )
