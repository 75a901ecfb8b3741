"""What incidents have in common: an angle, a period, the edges of another line, the data, the speed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.capture import Capture, Channel, Ticks
from spinlag.incidents.circular import bunching, fewest_for
from spinlag.incidents.coincidence import Coincidence, coincide
from spinlag.incidents.link import Clock
from spinlag.incidents.model import Incident, Suspect
from spinlag.incidents.periods import find_period
from spinlag.incidents.relations import relate, smoothed_speed, update_figures
from spinlag.incidents.rules import FACTS
from spinlag.leds.updates import ChainUpdates
from spinlag.rig import Rig
from spinlag.rotation import Rotation

SIGNIFICANT = 0.01
"""A suspect is named only below this p, after correction."""

FEWEST = 4
"""Groups with fewer origins are not tested: nothing they could do would be told from chance."""

LONGEST_WINDOW_S = 0.2
"""Longest time after an edge that is still called following it; a person's button press takes that long to act."""

SHORTEST_WINDOW_S = 5e-6

MOST_EDGES = 5_000_000
"""Lines busier than this are not tried as suspects: an edge is never far."""

_MOST_INSTANTS = 1000
_LEAST_PERMUTATIONS = 9_999
_MOST_PERMUTATIONS = 99_999
_SEED = 52_311
_LOCKED_P = 1e-9
_SPEED_KINDS = frozenset({"speed-step", "column-rate", "index-missed", "index-doubled", "index-shifted"})
_LENGTH_KINDS = frozenset({"data-truncated", "data-overlong", "data-extra", "data-pause"})
_CONTROL_UPDATES = 600
_FEWEST_TURNS = 20
_FEWEST_UPDATES = 20
_IN_THE_UPDATE = " in the update"
_SAME_COLUMNS = (
    "What happens at one angle falls on the same columns and so, where the picture stands still, on the same data: "
    "which of the two matters, only a picture that moves would tell."
)

Indices = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Scene:
    """What the tests look at besides the incidents."""

    capture: Capture
    rig: Rig
    clock: Clock
    rotation: Rotation | None
    chains: tuple[ChainUpdates, ...]


@dataclass(frozen=True)
class _Group:
    """Origins tested together: all, or those of one kind; in order of time."""

    name: str
    members: tuple[Incident, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        return tuple(item.id for item in self.members)

    @property
    def title(self) -> str:
        return "incidents of every kind" if self.name == "all" else FACTS[self.name].plural


def find_suspects(origins: Sequence[Incident], scene: Scene) -> tuple[tuple[Suspect, ...], tuple[str, ...]]:
    """Suspects, ranked, and notes on what could not be told.

    Every suspect tried is returned, the innocent with their large p. p is corrected by Holm's method (S. Holm, Scand.
    J. Statist. 6, 1979) over all suspects and groups of incidents. Significant ones come first; among those the lines
    that can be pulled from the bench before periods and angles, which only describe. The same input gives the same
    result: the generator is seeded.
    """
    groups = [group for group in _groups(origins) if len(group.members) >= FEWEST]
    tests = sum(1 for group in groups for _ in _candidates(group, scene)) + 8 * len(groups)
    if not groups:
        return (), _too_few(len(origins))
    permutations = int(min(max(_LEAST_PERMUTATIONS, 4 * tests / SIGNIFICANT), _MOST_PERMUTATIONS))
    found: list[Suspect] = []
    for group in groups:
        found += _angle(group, scene)
        found += _period(group, scene)
        found += _lines(group, scene, permutations)
        found += _speed(group, scene)
        found += _data(group, scene)
    ranked = tuple(sorted(_holm(found), key=_rank))
    return ranked, _notes(ranked, groups, len(origins))


def _groups(origins: Sequence[Incident]) -> list[_Group]:
    kinds = dict.fromkeys(item.kind for item in origins)
    groups = [_Group("all", tuple(origins))]
    if len(kinds) > 1:
        groups += [_Group(kind, tuple(item for item in origins if item.kind == kind)) for kind in kinds]
    else:
        groups = [_Group(kind, tuple(origins)) for kind in kinds]
    return groups


def _bursts(group: _Group, scene: Scene) -> list[Incident]:
    """One incident of each turn, and of what lies before the first whole turn and after the last: several in one turn
    are hardly independent.

    Drawn by lot with a fixed seed: the first of several lies early in its turn whatever brought them about.
    """
    turns: dict[object, list[Incident]] = {}
    for item in group.members:
        key: object = item.revolution
        if key is None and scene.clock.turns:
            key = "before" if item.tick < scene.clock.turn_ticks[0] else "after"
        elif key is None:
            key = item.id
        turns.setdefault(key, []).append(item)
    rng = np.random.default_rng([_SEED, 2])
    return [items[rng.integers(len(items))] for items in turns.values()]


def _angle(group: _Group, scene: Scene) -> Iterator[Suspect]:
    members = [item for item in _bursts(group, scene) if item.shaft_angle_deg is not None and FACTS[item.kind].anywhere]
    if len(members) < FEWEST:
        return
    angles = [item.shaft_angle_deg for item in members if item.shaft_angle_deg is not None]
    found = bunching(angles)
    width = found.half_width_deg
    around = f" ± {width:.0f}°" if width is not None else ""
    interval = f"{around} (95 %)" if around else " (too scattered or too few for an interval)"
    yield Suspect(
        what=f"shaft angle {found.mean_deg:.0f}°{around}",
        test="Rayleigh z",
        statistic=found.z,
        effect=found.resultant,
        p=found.p,
        incidents=tuple(item.id for item in members),
        detail=f"{found.n} {group.title}: mean angle {found.mean_deg:.0f}°{interval}, mean resultant length "
        f"{found.resultant:.2f}",
        group=group.name,
        value=found.mean_deg,
        low=None if width is None or found.mean_deg is None else found.mean_deg - width,
        high=None if width is None or found.mean_deg is None else found.mean_deg + width,
        unit="deg",
    )


def _period(group: _Group, scene: Scene) -> Iterator[Suspect]:
    members = _bursts(group, scene)
    capture = scene.capture
    start, end = float(capture.seconds(capture.start)), float(capture.seconds(capture.end))
    found = find_period([item.time_s for item in members], start, end, _shortest_period(scene))
    if found is None or len(members) < FEWEST:
        return
    yield Suspect(
        what=f"every {_span(found.period_s)}",
        test="Rayleigh z, best period",
        statistic=found.n * found.resultant**2,
        effect=found.resultant,
        p=found.p,
        incidents=tuple(item.id for item in members),
        detail=f"{found.n} {group.title}: period {found.period_s * 1e3:.6g} ms ± {found.half_width_s * 1e3:.2g} ms "
        f"(95 %), searched from {_span(found.shortest_s)} to {_span(found.longest_s)} at {found.trials} frequencies; "
        f"so good a period comes of chance with a probability of {found.p:.2g}",
        group=group.name,
        value=found.period_s,
        low=found.period_s - found.half_width_s,
        high=found.period_s + found.half_width_s,
        unit="s",
    )


def _shortest_period(scene: Scene) -> float:
    """Two turns: whatever repeats faster is tied to the shaft, and the angle tells that."""
    turn_ticks = scene.clock.turn_ticks
    if len(turn_ticks) > 1:
        return 2.2 * float(np.median(np.diff(turn_ticks))) * scene.clock.tick_s
    return max(scene.capture.duration_s / 2000, 1e-3)


def _candidates(group: _Group, scene: Scene) -> Iterator[tuple[Channel, str, Ticks]]:
    """Lines whose edges might be to blame: everything recorded but the index, the LED lines and the incidents' own."""
    rig = scene.rig
    own = {scene.capture.channel(name).path for chain in rig.leds for name in chain.channels.values()}
    if rig.index is not None:
        own.add(scene.capture.channel(rig.index.channel).path)
    own |= {channel.path for channel in scene.capture.channels if channel.name in {m.channel for m in group.members}}
    for channel in scene.capture.channels:
        if channel.path in own or not 2 <= len(channel.edges) <= MOST_EDGES:
            continue
        for edge, ticks in (("rising", channel.rising()), ("falling", channel.falling())):
            if len(ticks):
                yield channel, edge, ticks


def _lines(group: _Group, scene: Scene, permutations: int) -> Iterator[Suspect]:
    capture, clock = scene.capture, scene.clock
    labels = {capture.channel(name).path: label for label, name in scene.rig.markers.items()}
    timed = _instants(_thinned(group.members))
    turned = _instants([item for item in timed[0] if clock.turn_of(item.tick) is not None])
    longest = round(LONGEST_WINDOW_S / clock.tick_s)
    shortest = max(round(SHORTEST_WINDOW_S / clock.tick_s), 2 * clock.sample_ticks)
    for channel, edge, ticks in _candidates(group, scene):
        turn_ticks = clock.turn_ticks if _goes_with_shaft(ticks, clock, scene) else None
        members, instants = timed if turn_ticks is None else turned
        found = coincide(
            instants,
            ticks,
            start=capture.start,
            end=capture.end,
            shortest=shortest,
            longest=longest,
            slack=2 * clock.sample_ticks,
            rng=np.random.default_rng([_SEED, zlib.crc32(f"{group.name}/{channel.path}/{edge}".encode())]),
            permutations=permutations,
            turn_ticks=turn_ticks,
        )
        if found is not None:
            label = channel.name
            if (known := labels.get(channel.path)) is not None and known != channel.name:
                label = f"{known} ({channel.name})"
            yield _line_suspect(group, members, label, channel, edge, found, clock)


def _instants(members: Sequence[Incident]) -> tuple[Sequence[Incident], Ticks]:
    return members, np.array([item.tick for item in members], dtype=np.int64)


def _thinned(members: tuple[Incident, ...]) -> tuple[Incident, ...]:
    """At most _MOST_INSTANTS of them, evenly spread; more would cost time and add nothing."""
    if len(members) <= _MOST_INSTANTS:
        return members
    chosen = np.linspace(0, len(members) - 1, _MOST_INSTANTS).astype(np.int64)
    return tuple(members[i] for i in chosen)


def _line_suspect(
    group: _Group,
    members: Sequence[Incident],
    label: str,
    channel: Channel,
    edge: str,
    found: Coincidence,
    clock: Clock,
) -> Suspect:
    window_s = found.window_ticks * clock.tick_s
    delays = found.delays[found.close] * clock.tick_s
    typical = f", typically {_span(float(np.median(delays)))} after it" if delays.size else ""
    close = tuple(item.id for item, near in zip(members, found.close, strict=True) if near)
    return Suspect(
        what=f"{label}, {edge} edge",
        test="-log10 of the binomial tail, best window",
        statistic=found.statistic,
        effect=found.effect,
        p=found.p,
        incidents=close,
        detail=f"{found.following} of {found.n} {group.title} follow within {_span(window_s)}{typical}; chance gives "
        f"{100 * found.chance:.1f} % ({found.shifts} circular shifts)",
        group=group.name,
        channel=channel.name,
        value=window_s,
        low=float(delays.min()) if delays.size else None,
        high=float(delays.max()) if delays.size else None,
        unit="s",
    )


def _goes_with_shaft(edges: Ticks, clock: Clock, scene: Scene) -> bool:
    """True where the line's edges keep to certain shaft angles, so that chance must be judged turn by turn."""
    turn_ticks = clock.turn_ticks
    if clock.turns < 2:
        return False
    inside = edges[(edges >= turn_ticks[0]) & (edges < turn_ticks[-1])]
    if inside.size < 8:
        return False
    if inside.size > 20_000:
        inside = inside[:: inside.size // 20_000 + 1]
    turn = turn_ticks.searchsorted(inside, side="right") - 1
    share = (inside - turn_ticks[turn]) / np.diff(turn_ticks)[turn]
    orders = {1, 2, 3, 4, 6, scene.rig.display.columns or 0}
    orders.add(round(len(edges) / clock.turns))
    return any(bunching(share * order * 360.0).p < _LOCKED_P for order in orders if order > 0)


def _speed(group: _Group, scene: Scene) -> Iterator[Suspect]:
    if scene.rotation is None or scene.clock.turns < _FEWEST_TURNS:
        return
    members = [item for item in _bursts(group, scene) if item.revolution is not None and item.kind not in _SPEED_KINDS]
    if len(members) < FEWEST:
        return
    speed = smoothed_speed(scene.rotation.turns["speed_rev_per_s"].to_numpy(dtype=np.float64))
    at = np.unique([item.revolution for item in members if item.revolution is not None])
    found = relate(speed, at[(at >= 0) & (at < len(speed))], np.random.default_rng(_SEED))
    if found is None:
        return
    yield Suspect(
        what=f"{'higher' if found.effect > 0 else 'lower'} speed of the shaft",
        test="Mann-Whitney U",
        statistic=found.statistic,
        effect=abs(found.effect),
        p=found.p,
        incidents=tuple(item.id for item in members),
        detail=f"median speed {found.at_incidents:.4g} rev/s at {found.n} turns with {group.title}, "
        f"{found.elsewhere:.4g} rev/s at {found.controls} others",
        group=group.name,
        value=found.at_incidents,
        unit="rev/s",
    )


def _data(group: _Group, scene: Scene) -> Iterator[Suspect]:
    for chain in scene.chains:
        members = [item for item in _bursts(group, scene) if item.chain == chain.name and item.update is not None]
        members = [item for item in members if item.kind not in _LENGTH_KINDS]
        if len(members) < FEWEST or len(chain) < _FEWEST_UPDATES:
            continue
        at = np.unique([item.update for item in members if item.update is not None])
        rng = np.random.default_rng([_SEED, 1])
        whole = np.flatnonzero(chain.whole)
        controls = whole if whole.size <= _CONTROL_UPDATES else rng.choice(whole, _CONTROL_UPDATES, replace=False)
        figures = update_figures(chain, np.union1d(at, controls))
        for name, values in figures.items():
            found = relate(values, at, rng)
            if found is None:
                continue
            yield Suspect(
                what=f"{chain.name}: {'higher' if found.effect > 0 else 'lower'} {name}{_IN_THE_UPDATE}",
                test="Mann-Whitney U",
                statistic=found.statistic,
                effect=abs(found.effect),
                p=found.p,
                incidents=tuple(item.id for item in members),
                detail=f"median {found.at_incidents:.4g} at {found.n} {group.title}, {found.elsewhere:.4g} in "
                f"{found.controls} other updates",
                group=group.name,
                value=found.at_incidents,
                unit="1",
            )


def _holm(found: Sequence[Suspect]) -> list[Suspect]:
    """p corrected for all tests: the k-th smallest of m times (m - k + 1), never falling (Holm's method)."""
    order = sorted(range(len(found)), key=lambda i: found[i].p)
    corrected = list(found)
    running = 0.0
    for rank, i in enumerate(order):
        running = max(running, min(1.0, (len(found) - rank) * found[i].p))
        corrected[i] = replace(found[i], p=running)
    return corrected


def _rank(suspect: Suspect) -> tuple[object, ...]:
    guilty = suspect.p < SIGNIFICANT
    line = suspect.channel is not None
    strength = suspect.statistic if line else 0.0  # of lines that all reach the least p, the tightest comes first
    return not guilty, guilty and not line, suspect.p, -strength, -suspect.effect, suspect.what


def _too_few(origins: int) -> tuple[str, ...]:
    if origins == 0:
        return ()
    needed = fewest_for(SIGNIFICANT / 10)
    return (
        f"{_count(origins)}: too few to tell what they have in common. Even incidents that all did the same would need "
        f"to be about {needed} before chance is out of the question (p < {SIGNIFICANT:g} after correction).",
    )


def _notes(ranked: Sequence[Suspect], groups: Sequence[_Group], origins: int) -> tuple[str, ...]:
    guilty = [suspect for suspect in ranked if suspect.p < SIGNIFICANT]
    if guilty or not ranked:
        at_an_angle = any(suspect.unit == "deg" for suspect in guilty)
        of_the_data = any(suspect.what.endswith(_IN_THE_UPDATE) for suspect in guilty)
        return (_SAME_COLUMNS,) if at_an_angle and of_the_data else ()
    hopeful = [suspect for suspect in ranked if suspect.effect > 0.2 and suspect.channel is not None]
    note = (
        f"{_count(origins)}, {len(ranked)} suspects tried in {len(groups)} group{'s' if len(groups) > 1 else ''}, none "
        f"beyond chance (p < {SIGNIFICANT:g} after correction)."
    )
    needed = fewest_for(SIGNIFICANT / len(ranked))
    if origins < needed:
        note += f" With so few even a perfect common angle would not show; about {needed} would be needed."
    if hopeful:
        more = _needed_for(hopeful[0], len(ranked), origins)
        note += f" For {hopeful[0].what} at the rate seen so far about {more} would be needed to tell."
    return (note,)


def _needed_for(suspect: Suspect, tests: int, n: int) -> int:
    """Incidents at which a share as large as this one would reach significance: the log-tail grows with n."""
    target = np.log10(tests * 10 / SIGNIFICANT)
    return int(np.ceil(n * max(target / max(suspect.statistic, 0.1), 1.0)))


def _count(origins: int) -> str:
    return f"{origins} incident{'s' if origins > 1 else ''} with an origin of {'their' if origins > 1 else 'its'} own"


def _span(seconds: float) -> str:
    for unit, scale in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if abs(seconds) >= scale:
            return f"{seconds / scale:.3g} {unit}"
    return f"{seconds / 1e-9:.3g} ns"
