"""What follows from clips on wrong lines: what such a line gave is no evidence, and nothing that leans on it passes or
fails."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from spinlag.capture import Capture
from spinlag.leds.updates import ChainUpdates
from spinlag.quantities import quantity
from spinlag.rig import Rig
from spinlag.verdicts import Verdict

TIME = "time"
"""As `Unsound.what`: everything that rests on the file's clock."""

_WITH_TIMES = ("rotation.drift", "motor.slip", "latency.latency_deg", "placement.offset")
"""Quantities of other dimensions that are taken per second, or into which the latch time of a part's sheet goes."""

SEE = "see the proposal among the warnings"

TITLES = {
    "index": "the index pulse",
    "motor": "a motor line",
    "wire": "LED data on one wire",
    "clock": "the clock of an LED chain",
    "data": "the data of a clocked LED chain",
    "latch": "a latch",
    "blank": "a blanking line",
}
"""What the rig can take a line for, in words."""


@dataclass(frozen=True)
class Unsound:
    """Figures that a warning makes worthless: those whose ids begin with `what` (TIME: all that rest on the file's
    clock); `why` is the reason, without the capture's name. `passes_only`: what failed on what was seen failed."""

    what: str
    why: str
    passes_only: bool = False

    def covers(self, quantity_id: str) -> bool:
        """Whether this quantity is among them."""
        if self.what != TIME:
            return quantity_id.startswith(self.what)
        timed = quantity(quantity_id).dimension in ("time", "speed")
        return timed or quantity_id in _WITH_TIMES or quantity_id.endswith(".pwm_rate")


@dataclass(frozen=True)
class WrongClip:
    """What to say, and the paths of channels that carry another line than the rig says; `not_leds` are those of them
    that are meant for LEDs and for certain carry no such signal. `spoils`: what else it makes worthless; `also`: paths
    that were spoken of too."""

    said: str
    misplaced: tuple[str, ...] = ()
    not_leds: tuple[str, ...] = ()
    spoils: tuple[Unsound, ...] = ()
    also: tuple[str, ...] = ()

    @property
    def spoken_of(self) -> tuple[str, ...]:
        """Paths of which no more need be said."""
        return (*self.misplaced, *self.also)


def without_misplaced(
    capture: Capture, rig: Rig, chains: Sequence[ChainUpdates], clips: Sequence[WrongClip]
) -> tuple[ChainUpdates, ...]:
    """The chains, those empty that were read from a line which carries no LED signal: its bits would be nonsense."""
    from spinlag.leds.chain_parts import chain_parts, no_updates

    wrong = dict(_no_leds(capture, rig, clips))
    kept = []
    for table, chain in zip(rig.leds, chains, strict=True):
        if why := wrong.get(table.name):
            chain = replace(no_updates(table, chain.channel, chain_parts(table)[0], why), unread=why)
        kept.append(chain)
    return tuple(kept)


def _no_leds(capture: Capture, rig: Rig, clips: Sequence[WrongClip]) -> Iterator[tuple[str, str]]:
    """Names of chains one of whose lines carries no LED signal, and why they are left unread."""
    wrong = {path for one in clips for path in one.not_leds}
    named = rig.channels() if wrong else {}
    for number, table in enumerate(rig.leds):
        own = [name for key, name in named.items() if key.startswith(f"leds[{number}].")]
        strange = [name for name in own if capture.channel(name).path in wrong]
        if strange:
            what = TITLES["wire"] if table.wiring == "one-wire" else f"a {table.wiring} LED chain's"
            yield table.name, f"the line {strange[0]} does not look like {what}; {SEE}"


def sound_rig(capture: Capture, rig: Rig, clips: Sequence[WrongClip]) -> Rig:
    """The rig without an index and motor lines that are other lines."""
    wrong = list(_misplaced(capture, rig, clips))
    if not wrong:
        return rig
    phases = tuple(name for name in rig.motor.phases if ("motor", name) not in wrong) if rig.motor is not None else ()
    motor = rig.motor.model_copy(update={"phases": phases}) if rig.motor is not None and phases else None
    index = None if any(family == "index" for family, _ in wrong) else rig.index
    return rig.model_copy(update={"index": index, "motor": motor})


def unsound(capture: Capture, rig: Rig, clips: Sequence[WrongClip]) -> tuple[Unsound, ...]:
    """What the wrong clips on index and motor lines make worthless."""
    found = [one for clip in clips for one in clip.spoils]
    found += [Unsound(f"leds.{name}.", why) for name, why in _no_leds(capture, rig, clips)]
    for family, name in _misplaced(capture, rig, clips):
        why = f"the line {name} does not look like {TITLES[family]}; {SEE}"
        if family == "motor":
            found.append(Unsound("motor.", why))
            continue
        found += on_index(rig, why)
    return tuple(dict.fromkeys(found))


def on_index(rig: Rig, why: str) -> tuple[Unsound, ...]:
    """All that rests on the index."""
    rests = ("rotation.", "latency.", "placement.", "motor.slip")
    return tuple(Unsound(what, why) for what in (*rests, *(f"leds.{one.name}.pwm_rate" for one in rig.leds)))


def _misplaced(capture: Capture, rig: Rig, clips: Sequence[WrongClip]) -> Iterator[tuple[str, str]]:
    """`index` or `motor` and the channel, for each of them that is another line."""
    wrong = {path for one in clips for path in one.misplaced}
    named = [("index", rig.index.channel)] if rig.index is not None else []
    named += [("motor", name) for name in rig.motor.phases] if rig.motor is not None else []
    yield from (one for one in named if capture.channel(one[1]).path in wrong)


def held_back(verdicts: Iterable[Verdict], doubted: Sequence[Unsound]) -> tuple[Verdict, ...]:
    """The verdicts, none of them a pass or a fail that rests on what is worthless. Bit times stand where they betray a
    wrong clock: they are the evidence, and either they or the clock are wrong."""
    kept = []
    for verdict in verdicts:
        timing = verdict.id.startswith("leds.") and quantity(verdict.id).dimension == "time"
        against = (one for one in doubted if not (timing and one.what == TIME))
        against = (one for one in against if not (one.passes_only and verdict.verdict == "fail"))
        why = next((one.why for one in against if one.covers(verdict.id)), None)
        if why is not None:
            outcome = verdict.verdict if verdict.verdict == "not-measured" else "undecided"
            verdict = replace(verdict, verdict=outcome, note=why)
        kept.append(verdict)
    return tuple(kept)
