"""Observations to incidents with origins, and incidents to events."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from spinlag.capture import Capture, Ticks
from spinlag.incidents.model import Incident
from spinlag.incidents.rules import FACTS, Rule, causes_of
from spinlag.observations import Observation

_FULL_TURN = 360.0
_LOOK_BACK = 64
"""Causes of one kind that are looked at for one effect, nearest first."""

_SAME_INSTANT_SAMPLES = 2
"""Two lines that change together may be seen this many samples apart."""


@dataclass(frozen=True, eq=False)
class Clock:
    """Where an instant lies in the capture: seconds, and turns of the shaft where there are any.

    `turn_ticks`, shape (n + 1,), as in Rotation; empty where nothing turns.
    """

    tick_s: float
    sample_ticks: int
    turn_ticks: Ticks

    @property
    def turns(self) -> int:
        """Whole turns in the capture."""
        return max(len(self.turn_ticks) - 1, 0)

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

    def angle_at(self, tick: int) -> float | None:
        """Shaft angle in [0, 360) by interpolation, None outside the whole turns."""
        turn = self.turn_of(tick)
        at = self.turns_at(tick)
        return None if turn is None or at is None else (at - turn) * _FULL_TURN


def clock_of(capture: Capture, turn_ticks: Ticks) -> Clock:
    """The clock of a capture whose shaft passed its reference at `turn_ticks`."""
    return Clock(float(capture.tick), max(round(capture.sample_period.ticks), 1), turn_ticks)


@dataclass(frozen=True)
class _Node:
    """One observation in time order. Its cause may begin at `latest` at the latest; it lasts until `until`."""

    order: int
    what: Observation
    depth: int
    at_turns: float | None
    latest: int
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
    causes: list[tuple[_Node, Rule] | None] = [_cause(node, by_kind, ticks, clock) for node in nodes]
    _break_circles(causes, nodes)
    roots = [_root(node.order, causes) for node in nodes]
    return tuple(_incident(node, causes[node.order], nodes[roots[node.order]], capture, clock) for node in nodes)


def _nodes(observations: Sequence[Observation], clock: Clock) -> list[_Node]:
    distinct = {(item.tick, item.kind, item.channel, item.chain, item.update): item for item in reversed(observations)}
    ordered = sorted(distinct.values(), key=lambda item: (item.tick, FACTS[item.kind].depth, item.channel))
    slack = _SAME_INSTANT_SAMPLES * clock.sample_ticks
    nodes = []
    for order, item in enumerate(ordered):
        facts = FACTS[item.kind]
        latest = item.tick + slack
        turn = clock.turn_of(item.tick) if item.revolution is None else item.revolution
        if facts.of_turn and turn is not None and 0 <= turn < clock.turns:
            latest = max(int(clock.turn_ticks[turn + 1]), latest)
        until = item.tick + _lasting_ticks(item, clock)
        at = clock.turns_at(item.tick)
        nodes.append(_Node(order, item, facts.depth, at, latest, until, clock.turns_at(until)))
    return nodes


def _lasting_ticks(item: Observation, clock: Clock) -> int:
    """How long a cause goes on: gaps and silences say so in their evidence."""
    if item.kind in ("capture-gap", "data-silent", "motor-dropout") and item.unit == "s" and item.observed:
        return max(round(item.observed / clock.tick_s), 0)
    return 0


def _cause(
    effect: _Node, by_kind: dict[str, list[_Node]], ticks: dict[str, list[int]], clock: Clock
) -> tuple[_Node, Rule] | None:
    best: tuple[_Node, Rule] | None = None
    for rule in causes_of(effect.what.kind):
        members = by_kind.get(rule.cause)
        if not members:
            continue
        last = bisect_right(ticks[rule.cause], effect.latest)
        for candidate in reversed(members[max(last - _LOOK_BACK, 0) : last]):
            if _explains(candidate, effect, rule, clock):
                if best is None or _nearness(candidate) > _nearness(best[0]):
                    best = candidate, rule
                break
    return best


def _nearness(cause: _Node) -> tuple[int, int]:
    return cause.what.tick, -cause.depth


def _explains(cause: _Node, effect: _Node, rule: Rule, clock: Clock) -> bool:
    if cause is effect or not _comes_first(cause, effect):
        return False
    if rule.scope != "any" and cause.what.chain != effect.what.chain:
        return False
    if rule.scope == "update" and cause.what.update is not None and effect.what.update is not None:
        return 0 <= effect.what.update - cause.what.update <= 1
    return _in_reach(cause, effect, rule, clock)


def _comes_first(cause: _Node, effect: _Node) -> bool:
    """Kinds of lesser depth may begin later than an effect that is dated to its turn, or at the same instant."""
    if cause.depth < effect.depth:
        return cause.what.tick <= effect.latest
    return cause.order < effect.order and cause.what.tick <= effect.what.tick


_UPDATE_REACH_S = 0.005
"""How far apart two incidents of one update can lie where neither names its update."""


def _in_reach(cause: _Node, effect: _Node, rule: Rule, clock: Clock) -> bool:
    if rule.turns is not None and cause.until_turns is not None and effect.at_turns is not None:
        return effect.at_turns - cause.until_turns <= rule.turns
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
